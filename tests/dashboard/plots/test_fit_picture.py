"""The picture of a heater fit: what it draws and what it says."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from analysis.heater.fit import FittedCurve, HeaterFit
from analysis.measurement import Measurement
from dashboard.commands.main import app
from dashboard.plots.fit_page import (
    answer,
    fit_page,
    fit_plot,
    numbers_in_words,
    write_fit_picture,
)

SAMPLES = Path(__file__).parents[3] / "sample_logs"


def curve() -> FittedCurve:
    """Ten minutes at full hot, fitted in two stretches."""
    time = np.arange(0.0, 600.0)
    coolant = 20.0 + 0.1 * time
    outlet = 0.65 * coolant
    used = (time < 200.0) | (time >= 400.0)
    return FittedCurve(time, outlet + 0.2, outlet, coolant, np.zeros(600), used)


def fit() -> HeaterFit:
    """A fit with round numbers."""
    return HeaterFit(
        Measurement(0.65, "–", 0.005),
        Measurement(0.2, "–", 0.01),
        Measurement(1.3, "–", 0.1),
        Measurement(20.0, "s", 2.0),
        Measurement(0.5, "K", 0.1),
        Measurement(85.0, "degC", 0.5),
        Measurement(-5.0, "degC", 0.5),
        750.0,
        (400.0, 600.0),
        True,
        curve(),
    )


def test_the_reply_gives_share_and_misfit() -> None:
    assert answer(fit(), "si") == (
        "Yes: at full hot 65.0 ± 1.0 % of it reaches the outlet, and the curve misses by 0.5 K."
    )
    assert "0.9 °F" in answer(fit(), "us")


def test_a_curve_that_does_not_lie_on_the_readings_is_not_called_an_explanation() -> None:
    loose = replace(fit(), scatter=Measurement(4.0, "K", 0.5))
    assert answer(loose, "si").startswith("Only roughly")


def test_without_a_fit_the_reason_is_given_and_nothing_drawn() -> None:
    why = Measurement.missing("–", "coolant in was not logged")
    nothing = HeaterFit(why, why, why, why, why, why, why)
    page = fit_page(nothing, "SC-014", "si")
    assert "This run cannot say: coolant in was not logged." in page
    assert "fit-picture" not in page


def test_the_numbers_are_said_in_words_and_units() -> None:
    said = numbers_in_words(fit(), "si")
    assert any("0.200 ± 0.020 degrees" in each for each in said)
    assert any("20.0 ± 4.0 s late" in each for each in said)
    assert any("Coolant 85 °C, entering air -5 °C, engine at 750 rpm" in each for each in said)
    assert any("185 °F" in each for each in numbers_in_words(fit(), "us"))
    why = Measurement.missing("–", "coolant out was not logged")
    said = numbers_in_words(replace(fit(), flow_ratio=why), "si")
    assert "The flow ratio is not known: coolant out was not logged." in said


def test_the_plot_shows_the_fit_only_where_it_was_made() -> None:
    figure = fit_plot(curve(), "si")
    lines = {trace.name: trace for trace in figure.data}
    fitted = np.asarray(lines["Outlet, fitted"].y, dtype=float)
    assert np.isnan(fitted[250:350]).all()
    assert fitted[100] == pytest.approx(0.65 * 30.0)
    assert lines["Outlet, fitted"].line.dash != lines["Outlet, measured"].line.dash
    assert [(shape.x0, shape.x1) for shape in figure.layout.shapes] == [
        (0.0, pytest.approx(199.0 / 60.0)),
        (pytest.approx(400.0 / 60.0), pytest.approx(599.0 / 60.0)),
    ]


def test_a_long_run_is_thinned_and_readers_of_fahrenheit_get_it() -> None:
    time = np.arange(0.0, 20_000.0)
    flat = np.full(time.size, 50.0)
    long = FittedCurve(time, flat, flat, flat, flat, np.ones(time.size, dtype=bool))
    figure = fit_plot(long, "us")
    assert len(figure.data[0].x) <= 3000
    assert figure.data[0].y[0] == pytest.approx(122.0)


def test_the_page_needs_nothing_else_and_escapes_names(tmp_path: Path) -> None:
    path = tmp_path / "fit.html"
    write_fit_picture(fit(), "<b>SC</b>", path, "si")
    page = path.read_text(encoding="utf-8")
    assert "<b>SC</b>" not in page
    assert "&lt;b&gt;SC" in page
    assert 'src="http' not in page
    assert page.count("<h1>") == 1


def test_the_command_writes_it(tmp_path: Path) -> None:
    path = tmp_path / "fit.html"
    run = str(SAMPLES / "SC-022-complaint")
    done = CliRunner().invoke(app, ["analyze", run, "--fit-picture", str(path)])
    assert done.exit_code == 0
    page = path.read_text(encoding="utf-8")
    assert "explain the outlet of SC-022?" in page
    assert "The coolant loses 0.2" in page
