"""A second make of car: an independent judge of the figures, the verdict and the causes.

Written from the contract alone. Physics and habits differ on purpose from what a lumped model of
the same heater would have: the core is a chain of cells with hoses that delay, the thermostat is
wax with lag, lash and overshoot, doors follow S-shaped, sine, straight or kinked characteristics,
valves an exponential one, the outlet answers with two time constants, traffic is random stops,
levers are moved in coarse steps or by hand in one slow sweep, event times are written down by a
person, and sensors have the errors of their tolerance class, drawn.

``python -m tests.other_cars --out DIR --count 200 --seed 1 --baseline 12`` writes

- ``DIR/cars/NNN``: run folders to judge,
- ``DIR/baseline/FAMILY-NN``: good cars of every family,
- ``DIR/truth.json``: what is true of each (``cars`` by folder name: ``family``, ``heater``,
  ``causes`` (the first is the main one), ``severity``, ``figures``, ``cable_offset``, ``channels``,
  ``clock_offset_s``, ``start_s``, ``trip``),
- ``DIR/signals/NAME.npy``: the true outlet temperature every 0.25 s from the start of the log.

True figures come from the noise-free model before any sensor: settled curves for the travel
figures, the linkage's own backlash for the hysteresis. ``null`` where the trip or the channels
cannot show it.

This is one structure with other numbers in every car; `tests.other_cars.ensemble` draws the laws
of every family, too.
"""
