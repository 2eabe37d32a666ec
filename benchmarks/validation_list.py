"""Which jobs and rows there are (`benchmarks/validation_rows.py` says what they are)."""

from __future__ import annotations

from typing import Final

from analysis.figures import figures_by_name
from benchmarks.validation_rows import (
    ALL,
    PYTEST,
    Job,
    Row,
    at_least,
    at_most,
    checks,
    counted,
    coverage_of,
    covered,
    doors,
    fuzzed,
    of_cars,
    of_ensemble,
    printed,
    printed_share,
    told_in_time,
)
from tests.other_cars.truth import FIGURES

JOBS: Final[dict[str, Job]] = {
    "published": Job("python benchmarks/published.py", "python benchmarks/published.py"),
    **{
        name: Job(f"{PYTEST} {files}", f"{PYTEST} {files}")
        for name, files in {
            "measured_logs": "tests/ingest/table/test_tables_measured.py",
            "measured_coolant": "tests/analysis/figures/test_figure_coolant_plateau.py "
            "tests/analysis/figures/test_figure_thermostat_opening.py",
            "measured_leaks": "tests/analysis/vacuum/test_vacuum_leakdown.py "
            "tests/analysis/figures/test_figure_vacuum_decay.py",
            "statistics": "tests/analysis/statistics",
            "heater": "tests/analysis/heater",
            "dialects": "tests/ingest/table/test_tables_dialects.py",
            "recorder": "tests/ingest/record/test_recorder_crash.py",
        }.items()
    },
    "causes": Job(
        "python benchmarks/causes.py --count 40 --seed 7 --baseline 6",
        "python benchmarks/causes.py --count 300 --seed 7",
    ),
    "judge": Job(
        "python benchmarks/judge.py {work}/cars",
        "python benchmarks/judge.py {work}/cars",
        before="python -m tests.other_cars --out {work}/cars --count COUNT --seed 1 --baseline 6",
    ),
    "ensemble": Job(
        "python benchmarks/ensemble.py --part judge --count 16 --seed 1 --baseline 6 "
        "--cache {work}/ensemble --jobs 1",
        "python benchmarks/ensemble.py --part judge --count 150 --seed 1 --baseline 6 "
        "--cache {work}/ensemble --jobs 2",
    ),
    "watch": Job(
        "python benchmarks/watch.py --pulls 60 --runs 6 --seed 1",
        "python benchmarks/watch.py --pulls 200 --runs 40 --seed 1",
    ),
    "limits": Job(
        "python benchmarks/tuning_joint.py --cars 60 --repeats 5",
        "python benchmarks/tuning_joint.py --cars 60 200 1000 --repeats 20",
    ),
    "fuzz": Job(
        "python -m tests.fuzz --count 200 --first 5000", "python -m tests.fuzz --count 20000"
    ),
    "doors": Job("python benchmarks/doors.py files requests", "python benchmarks/doors.py"),
    "mutants": Job(
        "python benchmarks/mutants.py --count 20 --seed",
        "python benchmarks/mutants.py --count 300 --seed",
    ),
}
COUNT: Final = {"quick": "24", "long": "200"}
"""Cars of the second simulator."""

_NIST = "NIST Standard Reference Database 60, tables as printed"
_OWN = "cars of `sample_logs/simulator`, drawn at random"
_OTHER = "cars of `tests/other_cars`, other physics, written from the contract alone"
_ENSEMBLE = "cars of `tests/other_cars/ensemble`, each with laws of its own"
_TABLES = "Published tables and other people's libraries"
_DATA = "Open measured data"
_CAUSES = "Causes and verdicts"
_COVER = "Coverage: how often value ± 2u holds the truth"

ROWS: Final[dict[str, Row]] = {
    "its90_table_K": Row(
        _TABLES, "type K, °C to mV, largest difference", _NIST, "published",
        "0.5 µV, half of the last digit printed", at_most(0.5001),
        printed(r"^its90_table_K: (\S+) uV", "µV"),
    ),
    "its90_table_T": Row(
        _TABLES, "type T, °C to mV, largest difference", _NIST, "published",
        "0.5 µV, half of the last digit printed", at_most(0.5001),
        printed(r"^its90_table_T: (\S+) uV", "µV"),
    ),
    "its90_library": Row(
        _TABLES, "all eight types, largest difference", "the library thermocouple-its90",
        "published", "0.000001 µV", at_most(1e-6), printed(r"^its90_library: (\S+) uV", "µV"),
    ),
    "boiling_point": Row(
        _TABLES, "where water boils, largest difference",
        "IAPWS R7-97(2012), table 36 (from memory)", "published",
        "0.0000005 K", at_most(5e-7), printed(r"^boiling_point: (\S+) K", "K"),
    ),
    "atmosphere": Row(
        _TABLES, "pressure of the standard atmosphere, largest difference",
        "ISO 2533:1975, table 1", "published",
        "0.06 Pa", at_most(0.06), printed(r"^atmosphere: (\S+) Pa", "Pa"),
    ),
    "effectiveness_library": Row(
        _TABLES, "effectiveness of a cross-flow core, largest difference", "the library ht",
        "published", "1e-10", at_most(1e-10), printed(r"^effectiveness_library: (\S+) "),
    ),
    "heater_books": Row(
        _TABLES, "heater model and fit",
        "worked examples of textbooks, the library ht (named in the tests)", "heater",
        "all", ALL, checks,
    ),
    "statistics_books": Row(
        _TABLES, "tolerance limits, false discovery, control chart, shrinkage, effects",
        "published tables and worked examples, the library statsmodels (named in the tests)",
        "statistics", "all", ALL, checks,
    ),
    "measured_logs": Row(
        _DATA, "logs read as their note says", "`tests/data/measured/NOTE.md`", "measured_logs",
        "all", ALL, checks,
    ),
    "measured_coolant": Row(
        _DATA, "plateau and thermostat: nine measured drives, and truth by construction",
        "doi 10.35097/1130, CC BY 4.0", "measured_coolant", "all", ALL, checks,
    ),
    "measured_leaks": Row(
        _DATA, "leak-down: measured pressure holds, and truth by construction",
        "Delft University of Technology, CC0", "measured_leaks", "all", ALL, checks,
    ),
    "dialects": Row(
        _DATA, "example logs of many dialects read as their truth says", "`tests/data/dialects`",
        "dialects", "all", ALL, checks,
    ),
    "own_first": Row(
        _CAUSES, "first cause right", _OWN, "causes", "90 %", at_least(90.0),
        of_cars("first cause right"),
    ),
    "own_two": Row(
        _CAUSES, "right among the first two", _OWN, "causes", "96 %", at_least(96.0),
        of_cars("right among the first two"),
    ),
    "own_cable": Row(
        _CAUSES, "cable offset inside ± 2u", _OWN, "causes", "90 to 99 %",
        lambda value: 90.0 <= value <= 99.0,
        printed_share(r"^\| cable offset within ± 2u \| (?P<percent>[\d.]+)% of (?P<of>\d+)"),
    ),
    "other_first": Row(
        _CAUSES, "first cause right, where it can be seen in what was logged", _OTHER, "judge",
        "90 %", at_least(90.0),
        printed_share(
            r"^cause visible in what was logged: (?P<of>\d+)\n"
            r"  first cause right +(?P<percent>[\d.]+)%"
        ),
    ),
    "other_accused": Row(
        _CAUSES, "healthy cars accused", _OTHER, "judge", "at most 5 %", at_most(5.0),
        printed_share(r"^  healthy accused +(?P<percent>[\d.]+)% of (?P<of>\d+)"),
    ),
    "ensemble_first": Row(
        _CAUSES, "first cause right, everything logged", _ENSEMBLE, "ensemble", "90 %",
        at_least(90.0), of_ensemble("first"),
    ),
    "ensemble_two": Row(
        _CAUSES, "right among the first two, everything logged", _ENSEMBLE, "ensemble", "96 %",
        at_least(96.0), of_ensemble("among two"),
    ),
    "ensemble_accused": Row(
        _CAUSES, "healthy cars accused, everything logged", _ENSEMBLE, "ensemble", "at most 5 %",
        at_most(5.0), of_ensemble("healthy accused"),
    ),
    "ensemble_broken_pass": Row(
        _CAUSES, "broken heaters, moderate or worse, that pass, everything logged", _ENSEMBLE,
        "ensemble", "at most 5 %", at_most(5.0), of_ensemble("broken PASS"),
    ),
    "ensemble_reliability": Row(
        _CAUSES,
        "largest gap between probabilities said and found, every cause, whatever was logged",
        _ENSEMBLE, "ensemble", "0.08", at_most(0.08),
        printed(r"^every cause, all subsets; largest gap ([\d.]+)"),
    ),
    "cover_all": Row(
        _COVER, "all figures together", _OTHER, "judge", "90 to 99 %",
        lambda value: 90.0 <= value <= 99.0, covered,
    ),
    **{
        f"cover_{name}": Row(
            _COVER, figures_by_name()[name].label, _OTHER, "judge", "90 %", at_least(90.0),
            coverage_of(name),
        )
        for name in FIGURES  # of which the other cars know the truth
    },
    "watch_told": Row(
        "Recorder", "faults of sensors told within ten seconds", _OWN, "watch", "95 %",
        at_least(95.0),
        told_in_time,
    ),
    "recorder_killed": Row(
        "Recorder", "killed at any moment and resumed: nothing lost", "what was sent, cell by cell",
        "recorder", "all", ALL, checks,
    ),
    "limits_excess": Row(
        "Limits", "cost on new cars above the best there is, 60 labelled cars",
        "the best limits, by a dense search on 60,000 cars", "limits", "25 %", at_most(25.0),
        printed(r"^60 cars: excess cost mean ([\d.-]+) %", "%"),
    ),
    "limits_interval": Row(
        "Limits", "intervals that hold the best limit", "the same search", "limits",
        "90 to 99 %", lambda value: 90.0 <= value <= 99.9,
        counted(r"hold the best limit (?P<part>\d+) of (?P<of>\d+)"),
    ),
    "fuzz": Row(
        "Hostile input", "spoilt run folders answered in order and in time",
        "`tests/fuzz`: folders changed at random", "fuzz", "all", ALL, fuzzed,
    ),
    "doors": Row(
        "Hostile input", "what a hostile neighbor tries on a board", "SECURITY.md", "doors", "all",
        ALL, doors,
    ),
    "mutants": Row(
        "Tests", "small changes to the core that its tests notice, harmless ones taken out",
        "the tests that belong to each module", "mutants", "90 %", at_least(90.0),
        counted(r"^noticed (?P<part>\d+) of (?P<of>\d+)"),
    ),
}  # fmt: skip
