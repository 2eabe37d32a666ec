"""The context measures each figure once, and a surprise in one does not take the others along."""

from __future__ import annotations

import numpy as np
import pytest

from analysis import context
from analysis.context import Context
from analysis.figures import Figure
from analysis.measurement import Measurement
from tests.support.signals.runs import make_run


def test_a_surprise_in_one_figure_becomes_a_finding(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(_: Context) -> Measurement:
        raise ZeroDivisionError("division by zero")

    def sound(_: Context) -> Measurement:
        return Measurement(1.0, "K", 0.1)

    figures = (Figure("bad", "K", 1, "bad figure", broken), Figure("good", "K", 2, "good", sound))
    monkeypatch.setattr(context, "all_figures", lambda: figures)
    time = np.arange(10.0)
    ctx = Context(make_run(time, {"outlet": time}))
    measured = ctx.figures()
    assert measured["good"].value == 1.0
    assert measured["bad"].value is None
    assert [finding.fault for finding in ctx.findings] == ["not_worked_out"]


def test_a_figure_is_measured_once(monkeypatch: pytest.MonkeyPatch) -> None:
    calls: list[int] = []

    def counted(_: Context) -> Measurement:
        calls.append(1)
        return Measurement(1.0, "K")

    monkeypatch.setattr(context, "all_figures", lambda: (Figure("one", "K", 1, "one", counted),))
    ctx = Context(make_run(np.arange(3.0), {"outlet": np.arange(3.0)}))
    assert ctx.figure("one") is ctx.figure("one")
    assert len(calls) == 1
    with pytest.raises(KeyError):
        ctx.figure("another")
