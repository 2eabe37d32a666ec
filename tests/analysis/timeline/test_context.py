"""The context measures each figure once, and a surprise in one does not take the others along."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest

from analysis.context import Context
from analysis.lever.record import Aligned
from analysis.measurement import Measurement
from ingest.arrays import Floats
from tests.support.signals.runs import make_run


@dataclass(frozen=True)
class Stub:
    """A figure as the context asks for it."""

    measure: Callable[[Context], Measurement]
    unit: str = "K"
    label: str = "a figure"


def with_figures(time: Floats, *measures: Callable[[Context], Measurement]) -> Context:
    registry = {each.__name__: Stub(each) for each in measures}
    return Context(Aligned(make_run(time, {"outlet": time})), registry)


def test_a_surprise_in_one_figure_becomes_a_finding() -> None:
    def broken(_: Context) -> Measurement:
        raise ZeroDivisionError("division by zero")

    def sound(_: Context) -> Measurement:
        return Measurement(1.0, "K", 0.1)

    time = np.arange(10.0)
    ctx = with_figures(time, broken, sound)
    measured = ctx.figures()
    assert measured["sound"].value == 1.0
    assert measured["broken"].value is None
    assert [finding.fault for finding in ctx.findings] == ["not_worked_out"]


def test_a_figure_is_measured_once() -> None:
    calls: list[int] = []

    def counted(_: Context) -> Measurement:
        calls.append(1)
        return Measurement(1.0, "K")

    ctx = with_figures(np.arange(3.0), counted)
    assert ctx.figure("counted") is ctx.figure("counted")
    assert len(calls) == 1
    with pytest.raises(KeyError):
        ctx.figure("another")
