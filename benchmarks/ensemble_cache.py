"""Makes and measures the cars of `tests.other_cars.ensemble`, and keeps what was measured.

Measuring takes minutes, ranking seconds. One pickle a chunk of cars holds, for every car and
channel subset, the `Measured` run and the true figures of what the subset can show; one a chunk of
families holds the good cars. A pickle is made where it is missing.
"""

from __future__ import annotations

import pickle
import tempfile
import zlib
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Final

import numpy as np

from analysis.pipeline import Measured, measure
from ingest.errors import LukewarmError
from ingest.load.load import load_run
from tests.other_cars.ensemble.case import CARS_A_FAMILY, draw_case, good_case
from tests.other_cars.ensemble.logger.folder import write_run
from tests.other_cars.ensemble.make import Made, fluctuation_in, make, record, truth_of
from tests.other_cars.sensors import Column

SUBSETS: Final = ("everything", "no notes", "outlet and ambient", "hoses only", "random")

CHUNK: Final = 32
FAMILIES_A_CHUNK: Final = 6


@dataclass(frozen=True)
class Seen:
    """One car as one subset of its channels and notes shows it.

    Parameters
    ----------
    subset
        Of `SUBSETS`.
    points
        Channels there were.
    noted
        Whether the notes were there.
    figures
        True figures of what the points can show.
    measured
        None where the run could not be used; `error` says why.
    """

    subset: str
    points: tuple[str, ...]
    noted: bool
    figures: dict[str, float | None]
    measured: Measured | None
    error: str = ""


@dataclass(frozen=True)
class Car:
    """One car with all its subsets."""

    name: str
    truth: dict[str, Any]
    seen: tuple[Seen, ...]


def subset_of(made: Made, subset: str) -> tuple[list[Column], bool]:
    """Columns and whether the notes are there."""
    points = [column.point for column in made.columns]
    noted, wanted = True, set(points)
    if subset == "no notes":
        noted, wanted = False, wanted - {"temp_lever"}
    elif subset == "outlet and ambient":
        wanted = {"outlet", "ambient", "temp_lever"}
    elif subset == "hoses only":
        wanted = {"coolant_in", "coolant_out", "temp_lever"}
    elif subset == "random":
        rng = np.random.default_rng((*made.case.seed, 11))
        share = float(rng.uniform(0.25, 0.9))
        wanted = {point for point in points if rng.random() < share}
        noted = bool(rng.random() < 0.7)
        if not wanted & {"outlet", "coolant_in", "engine_coolant"}:
            wanted.add(str(rng.choice(["outlet", "coolant_in", "engine_coolant"])))
    return [column for column in made.columns if column.point in wanted], noted


def look(made: Made, subset: str, folder: Path) -> Seen:
    """Write the subset as a run folder, load it and measure it."""
    columns, noted = subset_of(made, subset)
    points = tuple(column.point for column in columns)
    write_run(
        folder, made.drive, made.times, columns, made.notes if noted else None,
        vehicle=made.case.vehicle, purpose=made.case.purpose,
    )  # fmt: skip
    try:
        measured = measure(load_run(folder))
    except LukewarmError as error:
        return Seen(subset, points, noted, {}, None, f"cannot be used: {error}")
    except Exception as error:
        return Seen(subset, points, noted, {}, None, f"crashed: {error!r}")
    return Seen(subset, points, noted, _truth(made, points, measured), measured)


def _truth(made: Made, points: tuple[str, ...], measured: Measured) -> dict[str, float | None]:
    """True figures; the fluctuation in the very window it was measured in: traffic differs."""
    figures = truth_of(made, points)
    found = measured.figures["fluctuation_index"]
    rise = measured.figures["steady_outlet_rise"].value
    if figures["fluctuation_index"] is not None and found.window is not None and rise:
        figures["fluctuation_index"] = fluctuation_in(made, found.window, rise)
    return figures


def _cars(job: tuple[Path, str, int, int, int]) -> Path:
    """One chunk of judged cars."""
    place, part, seed, start, stop = job
    found = []
    with tempfile.TemporaryDirectory() as folder:
        for made in make([draw_case(part, seed, number) for number in range(start, stop)]):
            seen = tuple(look(made, each, Path(folder) / made.case.name / each)
                         for each in SUBSETS)  # fmt: skip
            found.append(Car(made.case.name, record(made), seen))
    return _keep(place, sorted(found, key=lambda car: car.name))


def _good(job: tuple[Path, str, int, int, int, int]) -> Path:
    """Good cars of one chunk of families, everything logged."""
    place, part, seed, start, stop, count = job
    cases = [good_case(part, seed, family, k) for family in range(start, stop)
             for k in range(count)]  # fmt: skip
    found = []
    with tempfile.TemporaryDirectory() as folder:
        for made in make(cases):
            seen = look(made, "everything", Path(folder) / made.case.name)
            if seen.measured is not None:
                found.append(seen.measured)
    return _keep(place, found)


def _keep(place: Path, what: Any) -> Path:
    beside = place.with_suffix(".part")
    beside.write_bytes(zlib.compress(pickle.dumps(what, 5), 1))
    beside.replace(place)
    return place


def _read(place: Path) -> Any:
    return pickle.loads(zlib.decompress(place.read_bytes()))  # noqa: S301 - our own, just made


def fill(
    cache: Path, *, part: str, seed: int, count: int, baseline: int, jobs: int, anew: bool
) -> tuple[list[Path], list[Path]]:
    """Make and measure what the cache lacks; where the cars and the good cars are kept."""
    cache.mkdir(parents=True, exist_ok=True)
    families = (count + CARS_A_FAMILY - 1) // CARS_A_FAMILY
    tasks: list[tuple[Any, Any]] = []
    for start in range(0, count, CHUNK):
        stop = min(start + CHUNK, count)
        place = cache / f"{part}-{seed}-cars-{start}-{stop}.pickle"
        tasks.append((_cars, (place, part, seed, start, stop)))
    for start in range(0, families, FAMILIES_A_CHUNK):
        stop = min(start + FAMILIES_A_CHUNK, families)
        place = cache / f"{part}-{seed}-good{baseline}-{start}-{stop}.pickle"
        tasks.append((_good, (place, part, seed, start, stop, baseline)))
    wanted = [task for task in tasks if anew or not task[1][0].exists()]
    if wanted:
        with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
            for done in [pool.submit(function, job) for function, job in wanted]:
                done.result()
    cars = [job[0] for function, job in tasks if function is _cars]
    return cars, [job[0] for function, job in tasks if function is _good]


def cars_in(places: list[Path]) -> Iterator[Car]:
    """Every car kept."""
    for place in places:
        yield from _read(place)


def good_in(places: list[Path]) -> list[Measured]:
    """Every good car kept."""
    return [measured for place in places for measured in _read(place)]
