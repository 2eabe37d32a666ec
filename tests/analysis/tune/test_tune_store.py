"""Tuning as a whole: families, causes, study, what would change, the limits file, the commands."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from typer.testing import CliRunner

from analysis.limits import Limit, Limits, default_limits, parse_limits
from analysis.measurement import Measurement
from analysis.tune.change import VERDICTS, changes
from analysis.tune.labels import Matched, match, parse_labels
from analysis.tune.limits_file import limits_text
from analysis.tune.search.choice import Costs
from analysis.tune.search.scores import scored
from analysis.tune.tidy import tidy
from analysis.tune.tuning import Options, Tuning, tune
from analysis.verdict import judge_one
from dashboard.commands.main import app
from tests.support.tune_fleet import FAMILIES, Fleet, draw_fleet, fill_store

NAMES = ("steady_outlet_rise", "fluctuation_index")


def tuned(fleet: Fleet, options: Options | None = None) -> tuple[Tuning, Matched]:
    found = match(parse_labels(fleet.labels, ("low_core_flow",)), fleet.runs)
    return tune(fleet.runs, fleet.figures, fleet.causes, found, default_limits(), options), found


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return draw_fleet(150, 3, runs_a_car=2, names=NAMES)


@pytest.fixture(scope="module")
def whole(fleet: Fleet) -> Tuning:
    return tuned(fleet)[0]


def test_families_get_limits_near_their_own(whole: Tuning, fleet: Fleet) -> None:
    """The families of the fleet differ by several K; their limits follow their good cars."""
    rise = next(each for each in whole.figures if each.figure == "steady_outlet_rise")
    assert rise.way == "cost"
    assert rise.side == "low"
    assert set(rise.families) == set(FAMILIES)
    joined = fleet.figures.filter(pl.col("figure") == rise.figure).join(
        fleet.runs.select("id", "family", "purpose"), left_on="run_id", right_on="id"
    )
    good = joined.filter(pl.col("purpose") == "road-test").group_by("family")
    means = dict(good.agg(pl.col("value").mean()).iter_rows())
    below = [means[family] - own.limit for family, own in rise.families.items()]
    assert np.ptp(list(means.values())) > 4.0
    assert np.ptp(below) < 2.5
    for own in rise.families.values():
        assert own.interval[0] < own.limit < own.interval[1]


def test_a_small_family_is_drawn_to_the_others() -> None:
    """With three runs of a family its limit lies between its own mean's and the pooled one."""
    fleet = draw_fleet(200, 4, names=NAMES[:1], family_sd=0.3)
    few = fleet.runs.filter(
        (pl.col("family") != "Knot") | (pl.col("id").cum_count().over("family") <= 3)
    )
    small = replace(fleet, runs=few)
    limits = tuned(small)[0]
    rise = next(each for each in limits.figures if each.figure == NAMES[0])
    assert rise.limit is not None
    assert rise.families["Knot"].cars <= 3
    assert abs(rise.families["Knot"].limit - rise.limit) < 5.0
    wide = np.ptp(rise.families["Knot"].interval)
    assert wide > np.ptp(rise.families["Plover"].interval)


def test_scores_leave_a_car_out_of_its_own_family(fleet: Fleet) -> None:
    rows = (
        fleet.figures.filter(pl.col("figure") == NAMES[1])
        .join(fleet.runs, left_on="run_id", right_on="id")
        .with_columns((pl.col("purpose") == "complaint").alias("bad"), pl.lit("").alias("cause"))
        .sort("run_id")
    )
    told = scored(rows, NAMES[1], 1.0)
    assert told.cases.score.size == 150
    good = ~told.cases.bad
    # a car's own score pulls its family's offset towards it, never away
    moved = told.held_out[good] - told.cases.score[good]
    centered = told.cases.score[good] - told.cases.score[good].mean()
    assert np.corrcoef(moved, centered)[0, 1] > 0.5
    assert np.allclose(told.held_out[~good], told.cases.score[~good], atol=1e-9)


def test_causes_are_tuned_by_their_probability(whole: Tuning) -> None:
    (cause,) = whole.causes
    assert cause.cause == "low_core_flow"
    assert cause.limit is not None
    assert 0.2 < cause.limit < 0.8


def test_the_study_finds_the_noise_that_went_in(whole: Tuning) -> None:
    """Repeats scatter by 0.8, operators and sets by nothing."""
    assert {each.figure for each in whole.study} == set(NAMES)
    for each in whole.study:
        assert set(each.parts) == {"operator", "logger"}
        assert each.repeatability == pytest.approx(0.8, rel=0.15)
        assert max(each.parts.values()) < 0.3
        assert each.guard_share == pytest.approx(0.8, rel=0.2)
        assert "unbalanced" in each.how


def test_few_bad_cars_give_a_tolerance_limit_and_none_at_all_keeps() -> None:
    fleet = draw_fleet(40, 5, names=NAMES[:1])
    lines = [line for line in fleet.labels.splitlines() if ",bad," not in line]
    good = replace(fleet, labels="\n".join(lines) + "\n")
    rise = tuned(good)[0].figures[0]
    assert rise.way == "tolerance"
    assert rise.limit is not None
    assert "95 % of good cars with 95 % confidence" in rise.why
    absent = next(each for each in tuned(good)[0].figures if each.figure == "vacuum_decay")
    assert (absent.way, absent.limit) == ("kept", None)


def test_a_figure_that_tells_nothing_gets_no_limit() -> None:
    """Good and bad cars alike: no new limit, and one in force that fails them goes."""
    fleet = draw_fleet(120, 6, names=NAMES[:1], distance=0.0)
    for low, way in ((10.0, "kept"), (52.0, "none")):
        in_force = Limits("a", "b", "c", "d", {NAMES[0]: Limit(low, None, "e")})
        found = match(parse_labels(fleet.labels, ("low_core_flow",)), fleet.runs)
        result = tune(fleet.runs, fleet.figures, fleet.causes, found, in_force)
        rise = result.figures[0]
        assert (rise.way, rise.limit) == (way, None)
        assert "adds nothing" in rise.why
        assert result.limits.figures[NAMES[0]].low == (low if way == "kept" else None)


def test_dearer_misses_make_stricter_limits(fleet: Fleet) -> None:
    one = replace(fleet, figures=fleet.figures.filter(pl.col("figure") == NAMES[0]))

    def low(missed: float) -> float:
        limits = tuned(one, Options(Costs(missed, 1.0), trade_passes=True))[0].limits
        found = limits.families["Plover"][NAMES[0]].low
        assert found is not None
        return found

    assert low(1.0) < low(3.0) < low(20.0)


def test_only_some_families(fleet: Fleet) -> None:
    limits = tuned(fleet, Options(families=("Plover", "Knot")))[0].limits
    assert set(limits.families) == {"Plover", "Knot"}


def test_the_limits_file_reads_back(whole: Tuning) -> None:
    text = limits_text(whole.limits)
    assert parse_limits(text) == whole.limits
    assert len(whole.limits.fingerprint) == 64
    assert whole.limits.date == "2026-02-28"


def test_hard_names_read_back() -> None:
    hard = Limits(
        'v "1" \\ \x7f é', "me\nand you", "some day", "b",
        {"vacuum_decay": Limit(None, 1e-7, "x"), "cold_end_rise": Limit(None, None, "none")},
        families={'A "b".c': {"coolant_drop": Limit(-1.5, 2.0, "y", 0.25)}},
    )  # fmt: skip
    assert parse_limits(limits_text(hard)) == hard


def test_fingerprint_follows_the_data(fleet: Fleet, whole: Tuning) -> None:
    again = tuned(fleet)[0]
    assert limits_text(again.limits) == limits_text(whole.limits)
    other = tuned(fleet, Options(Costs(4.0)))[0]
    assert other.limits.fingerprint != whole.limits.fingerprint
    shifted = replace(
        fleet, figures=fleet.figures.with_columns(pl.col("value") + 1e-9 * pl.col("value"))
    )
    assert tuned(shifted)[0].limits.fingerprint != whole.limits.fingerprint
    reordered = replace(fleet, figures=fleet.figures.reverse(), runs=fleet.runs.reverse())
    assert limits_text(tuned(reordered)[0].limits) == limits_text(whole.limits)


@pytest.mark.parametrize(
    ("limit", "half", "written"),
    [(41.5678, 2.1, 41.6), (0.61234, 0.013, 0.612), (1234.5, 300.0, 1230.0), (5.5555, None, 5.556)],
)
def test_limits_have_the_digits_they_are_sure_of(
    limit: float, half: float | None, written: float
) -> None:
    assert tidy(limit, half) == pytest.approx(written)


def test_changes_follow_the_rule_of_the_verdict(fleet: Fleet, whole: Tuning) -> None:
    """Every run's verdict before and after, against `analysis.verdict.judge_one` one by one."""
    old = Limits("o", "o", "o", "o", {"steady_outlet_rise": Limit(35.0, None, "o")})
    new = Limits("n", "n", "n", "n", {"steady_outlet_rise": Limit(42.0, 70.0, "n")})
    _, found = tuned(fleet)
    told = {each.run_id: each for each in changes(fleet.runs, fleet.figures, new, found, old)}
    rows = fleet.figures.filter(pl.col("figure") == "steady_outlet_rise")
    for run_id, value, u in rows.select("run_id", "value", "u").iter_rows():
        measured = Measurement(value, "K", random=u, shared={})
        verdicts = [
            judge_one("steady_outlet_rise", measured, each.figures["steady_outlet_rise"]).verdict
            for each in (old, new)
        ]
        if verdicts[0] == verdicts[1]:
            assert run_id not in told
        else:
            assert [told[run_id].before, told[run_id].after] == verdicts
    effects = {each.effect for each in told.values() if each.label == "bad"}
    assert "bad gains a fail" in effects
    assert all(each.after in VERDICTS for each in told.values())
    back = changes(fleet.runs, fleet.figures, old, found, new)
    assert "bad loses its fail and passes" in {each.effect for each in back}
    assert all(each.effect for each in (*told.values(), *back) if each.label)


def test_the_command(fleet: Fleet, tmp_path: Path) -> None:
    small = draw_fleet(60, 7, names=NAMES[:1])
    fill_store(small, tmp_path / "store")
    labels = tmp_path / "labels.csv"
    labels.write_text(small.labels + "SC-77777,bad,,,\n", encoding="utf-8")
    run = CliRunner()
    told = ["tune", str(tmp_path / "store"), "--labels", str(labels)]
    done = run.invoke(app, [*told, "--out", str(tmp_path / "a.toml"), "--report",
                            str(tmp_path / "r.html")])  # fmt: skip
    assert done.exit_code == 0, done.output
    assert "not in the store: SC-77777 (line 62)" in done.output
    assert "Cars left out, all figures together" in done.output
    assert done.output.index("in force  good: pass") < done.output.index("steady outlet rise")
    assert "steady outlet rise: fails below" in done.output
    again = run.invoke(app, [*told, "--out", str(tmp_path / "b.toml"), "--report",
                             str(tmp_path / "r.csv")])  # fmt: skip
    assert again.exit_code == 0
    assert (tmp_path / "a.toml").read_bytes() == (tmp_path / "b.toml").read_bytes()
    assert "<svg" in (tmp_path / "r.html").read_text(encoding="utf-8")
    table = pl.read_csv(tmp_path / "r.csv")
    assert table.filter(pl.col("way") == "cost").height >= 1
    differ = run.invoke(
        app, ["tune", "--explain", str(tmp_path / "a.toml"), str(tmp_path / "b.toml")]
    )
    assert "nothing changes" in differ.output
    wrong = run.invoke(app, ["tune", str(tmp_path / "store")])
    assert wrong.exit_code == 2


def test_causes_that_do_not_show_in_a_figure_do_not_drag_its_limit() -> None:
    """Half of the bad cars look good in the figure: the limit is that of the other half."""
    fleet = draw_fleet(300, 8, names=NAMES[:1], family_sd=0.0, distance=4.0)
    bad = [line for line in fleet.labels.splitlines() if ",bad," in line]
    good = [line for line in fleet.labels.splitlines() if ",good," in line]
    hidden = good[: len(bad)]
    lines = [line.replace(",good,", ",bad,vacuum_leak") for line in hidden]
    mixed = replace(
        fleet, labels="\n".join(["car,label,cause,source,date", *bad, *lines, *good[len(bad) :]])
    )
    found = match(parse_labels(mixed.labels, ("low_core_flow", "vacuum_leak")), mixed.runs)
    rise = tune(mixed.runs, mixed.figures, mixed.causes, found, default_limits()).figures[0]
    assert rise.causes["low_core_flow"].told
    assert not rise.causes["vacuum_leak"].told
    assert rise.bad == len(bad)
    assert "only low core flow seen in it" in rise.why
    alone = tuned(fleet)[0].figures[0]
    assert rise.limit == pytest.approx(alone.limit, abs=1.5)
