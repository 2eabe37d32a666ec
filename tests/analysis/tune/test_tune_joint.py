"""All limits at once: the run's verdict, the floor, shares of cars with wrong labels among them."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from scipy.stats import beta, norm

from analysis.limits import Limit, Limits
from analysis.measurement import Measurement
from analysis.tune.joint.fit import problem_of, sides_of, stakes_of
from analysis.tune.joint.nearest import nearest_runs
from analysis.tune.joint.shares import Counted, believed, span
from analysis.tune.joint.table import Table, figure_ranks, run_ranks
from analysis.tune.joint.together import tune_together
from analysis.tune.labels import match, parse_labels
from analysis.tune.search.choice import Costs
from analysis.tune.tuning import tune
from analysis.verdict import GUARD, judge, overall
from tests.support.tune_fleet import draw_fleet

NAMES = ("steady_outlet_rise", "cold_end_rise", "coolant_drop")
WORDS = ("not measured", "pass", "undecided", "fail")


def test_the_run_s_verdict_is_the_program_s_own() -> None:
    """Against `analysis.verdict.judge` and `overall`, run by run."""
    rng = np.random.default_rng(1)
    limits = {
        "steady_outlet_rise": Limit(35.0, None, "x"),
        "cold_end_rise": Limit(None, 6.0, "x"),
        "coolant_drop": Limit(0.0, 22.0, "x"),
    }
    value = rng.normal([36.0, 5.0, 20.0], [2.0, 1.5, 3.0], (400, 3))
    value[rng.random((400, 3)) < 0.1] = np.nan
    u = np.broadcast_to(rng.uniform(0.2, 2.0, (400, 1)), value.shape)
    low = np.broadcast_to([35.0, -np.inf, 0.0], value.shape)
    high = np.broadcast_to([np.inf, 6.0, 22.0], value.shape)
    mine = run_ranks(*figure_ranks(value, u, low, high), 0, np.zeros(400, dtype=bool))
    for at in range(400):
        measured = {
            name: Measurement.missing("K", "none")
            if np.isnan(value[at, k])
            else Measurement(float(value[at, k]), "K", random=float(u[at, k]), shared={})
            for k, name in enumerate(NAMES)
        }
        assert WORDS[mine[at]] == overall(judge(measured, limits))


def test_exact_interval_of_whole_cars() -> None:
    """Clopper and Pearson (Biometrika 26, 1934, 404), by scipy's beta distribution."""
    low, high = Counted(3.0, 20).interval()
    assert low == pytest.approx(beta.ppf(0.025, 3, 18))
    assert high == pytest.approx(beta.ppf(0.975, 4, 17))


def test_wrong_labels_are_solved_for() -> None:
    """1,000 cars of which 100 are bad; 90 % of these fail and 2 % of the good; 5 % mislabelled."""
    wrong, good, bad = 0.05, 900, 100
    in_bad, in_good = bad * (1 - wrong), good * (1 - wrong)
    labelled_bad = Counted(0.9 * in_bad + 0.02 * good * wrong, round(in_bad + good * wrong))
    labelled_good = Counted(0.02 * in_good + 0.9 * bad * wrong, round(in_good + bad * wrong))
    last = believed(labelled_good, labelled_bad, wrong)[-1]
    assert last.good[0] == pytest.approx(0.02, abs=0.001)
    assert last.bad[0] == pytest.approx(0.9, abs=0.01)
    assert last.bad_share == pytest.approx(0.1, abs=0.002)
    shares = span(labelled_good, labelled_bad, wrong)
    assert shares[1].low < 0.9 < shares[1].high
    naive = span(labelled_good, labelled_bad, 0.0)
    assert naive[1].high < 0.9


def test_more_wrong_labels_than_bad_cars_say_nothing() -> None:
    shares = span(Counted(1.0, 97), Counted(3.0, 3), 0.05)
    assert (shares[1].low, shares[1].high) == (0.0, 1.0)


def test_intervals_hold_by_car_with_wrong_labels() -> None:
    """Drawn 300 times: the true shares lie inside in 90 to 100 %."""
    held = np.zeros(2)
    for turn in range(300):
        rng = np.random.default_rng([3, turn])
        bad = rng.random(200) < 0.2
        fails = rng.random(200) < np.where(bad, 0.85, 0.03)
        label = bad ^ (rng.random(200) < 0.05)
        counted = [Counted(float(fails[kind].sum()), int(kind.sum())) for kind in (~label, label)]
        for at, (share, true) in enumerate(zip(span(*counted, 0.05), (0.03, 0.85), strict=True)):
            held[at] += share.low <= true <= share.high
    assert (held / 300 >= 0.9).all()


def test_what_is_harmless_is_a_floor() -> None:
    """No family's limit is nearer to its good cars' mean than what nobody notices."""
    fleet = draw_fleet(120, 4, names=NAMES[:1], distance=1.5)
    harmless = 9.0
    in_force = Limits("a", "b", "c", "d", {NAMES[0]: Limit(1.0, None, "e", harmless)})
    found = match(parse_labels(fleet.labels, ("low_core_flow",)), fleet.runs)
    result = tune(fleet.runs, fleet.figures, fleet.causes, found, in_force)
    good = fleet.figures.join(fleet.runs, left_on="run_id", right_on="id").filter(
        pl.col("purpose") == "road-test"
    )
    means = dict(good.group_by("family").agg(pl.col("value").mean()).iter_rows())
    limits = result.figures[0].families
    for family, own in limits.items():
        # the family's mean is drawn to the others' as far as its cars are few
        assert own.limit <= means[family] - harmless + 1.5


def test_good_cars_pass_and_bad_ones_do_not() -> None:
    """Fifteen figures, all bad cars three deviations off: new cars of the same kind."""
    fleet = draw_fleet(200, 11, bad_share=0.15)
    found = match(parse_labels(fleet.labels, ("low_core_flow",)), fleet.runs)
    wide = {name: Limit(-1e3, 1e3, "wide") for name in fleet.figures["figure"].unique().to_list()}
    result = tune(fleet.runs, fleet.figures, fleet.causes, found, Limits("a", "b", "c", "d", wide))
    assert result.together is not None
    assert result.together.taken
    assert result.together.tuned.good.passed.value >= 0.95
    assert result.together.tuned.bad.passed.value <= 0.05
    assert result.together.in_force.bad.passed.value == 1.0


def _few_bad(seed: int) -> Table:
    """54 good cars and 6 bad ones, which show in the second of three normal figures only."""
    cars = 60
    bad = np.arange(cars) < 6
    value = np.random.default_rng(seed).normal(0.0, 1.0, (cars, 3))
    value[bad, 1] += 4.0
    number = np.arange(cars)
    return Table(
        NAMES, number.astype(str), number, cars, np.zeros(cars, dtype=np.intp), ("",),
        np.full(cars, "blend-air"), bad, np.where(bad, "low_core_flow", ""),
        np.full(cars, np.nan), value, np.full((cars, 3), 0.2), np.zeros(cars, dtype=bool),
    )  # fmt: skip


def test_one_bad_car_more_than_was_seen() -> None:
    """Rule of succession with one observation in all, shared by k kinds: (0 + 1/k)/(6 + 1) each."""
    table = _few_bad(0)
    costs = Costs(3.0, 1.0, 0.1)
    stakes, share = stakes_of(table, costs, np.ones(60))
    again, missed = stakes.unseen
    assert missed == pytest.approx(share * costs.missed * (1.0 / 3.0) / 7.0)
    assert again == pytest.approx(share * costs.again * (1.0 / 3.0) / 7.0)
    # nothing is lost: a fleet that passes whole misses all its bad cars
    assert stakes.passes.sum() + 3.0 * missed == pytest.approx(share * costs.missed)


def test_a_figure_that_no_bad_car_shows_is_limited_where_good_cars_hardly_lie() -> None:
    """Share of good cars beyond it by the normal distribution they are drawn from."""
    wide = Limits("a", "b", "c", "d", {name: Limit(-50.0, 50.0, "wide") for name in NAMES})
    for seed in range(3):
        table = _few_bad(seed)
        sides = sides_of({}, NAMES)
        found = tune_together(problem_of(table, sides, wide, Costs(3.0, 1.0, 0.1), GUARD), 0, 0.0)
        assert found is not None
        for at in (0, 2):
            level = found.proposed.levels[at]
            assert level is not None
            assert found.proposed.tuned[at]
            limit = float(level.bounds(float(found.proposed.distance[at]))[0])
            assert norm.sf(abs(limit)) < 0.02
            assert abs(limit) < 5.0


def test_a_limit_names_the_runs_it_lies_between() -> None:
    """Against the definition: no good car lies farther out, no found bad one nearer."""
    table = _few_bad(4)
    found = nearest_runs(table, 1, "high", np.full(60, 2.0))
    value = dict(zip(table.run_id.tolist(), table.value[:, 1].tolist(), strict=True))
    good = sorted((value[each] for each in table.run_id[~table.bad]), reverse=True)
    bad = sorted(value[each] for each in table.run_id[table.bad] if value[each] > 2.0)
    assert [value[each] for each in found.good] == good[:3]
    assert [value[each] for each in found.bad] == bad[:3]
