"""Cars whose laws are drawn as well as their parts: an ensemble of structures.

`tests.other_cars` is one structure with other numbers in every car. Here each *family* draws its
laws too (`laws`): how the door or valve answers to the lever, the core, duct, coolant pump,
thermostat or coolant heater, engine heat, fan, cabin, ram air, drafts and vacuum; the cars of a
family share them and differ in their parts, as a fleet's do. Each *run* draws its test or drive,
the habits of whoever sat in it, the sensors and where they are clipped, the logger and the notes.

**Parts.** ``calibrate`` never uses the laws in `laws.LEFT_OUT`; every family of ``judge`` uses
several of them. Seeds of the parts differ too. What was calibrated on one part is judged on
structures it never met.

**Severity** is what the fault does to the occupants, worked out for each car by `severity.harm` in
one reference situation (-5 °C outside, everything at full hot, standing and at 14 and 20 m/s), and
the fault is made as large as it takes. `harm` is the largest of the lost shares of

- the heat that reaches the floor, or its temperature over outside,
- the footwell's temperature over outside at 20 m/s,
- the lever's travel (cable), or of the span the lever commands (warm at the cold end),
- steadiness: twice the share the floor's temperature swings by,
- what the vacuum still moves at the end of a hill of 40 s at full load, or at half load.

Slight is 0.06-0.14, moderate 0.16-0.30, severe 0.32-0.60.

``python -m tests.other_cars.ensemble --out DIR --part calibrate|judge --count N --seed N`` writes
run folders with their truth; ``benchmarks/ensemble.py`` judges the analysis on them.
"""
