"""Drawn cases against the distributions they are drawn from."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.causes.cases import MODERATE, RANKED_AT, drawn_cases, space_of
from analysis.causes.knowledge import NO_FAULT, knowledge, rows_of

LAYOUTS = ("blend-air", "water-valve", "combined")


@pytest.mark.parametrize("layout", LAYOUTS)
def test_priors_of_a_layout_are_those_of_its_rows(layout: str) -> None:
    space = space_of(layout)
    assert space.prior.sum() == pytest.approx(sum(row.prior for row in rows_of(layout)))
    by_cause = space.of_cause @ space.prior
    for name, prior in zip(space.names, by_cause, strict=True):
        expected = sum(row.prior for row in rows_of(layout) if row.name == name)
        assert prior == pytest.approx(expected)
    # a sound car has no severity; every cause is held at each
    healthy = space.of_cause[space.names.index(NO_FAULT)]
    assert healthy.sum() == 1
    forms = sum(row.name != NO_FAULT for row in space.rows)
    assert space.prior.size == 1 + forms * len(RANKED_AT)


@pytest.mark.parametrize("layout", LAYOUTS)
def test_moderate_cases_have_the_mean_and_the_spread_of_the_table(layout: str) -> None:
    """Each number comes with its opposite, so that means are exact (antithetic variates)."""
    space, drawn = space_of(layout), drawn_cases(layout, 2000)
    figures = list(knowledge().figures)
    mean, spread = drawn.own.mean(axis=2), drawn.own.std(axis=2)
    np.testing.assert_allclose(mean, space.moves[space.moderate].T, atol=1e-9)
    np.testing.assert_allclose(spread, space.spreads[space.moderate].T, rtol=0.12, atol=1e-9)
    for numbers in (drawn.of_car, drawn.of_reading):
        assert numbers.shape == (len(figures), len(space.rows), 2000)
        np.testing.assert_allclose(numbers.mean(axis=2), 0.0, atol=1e-9)
        assert numbers.std(axis=2).mean() == pytest.approx(1.0, abs=0.02)
    # the case, the car and the reading have numbers of their own
    at = np.corrcoef(drawn.of_car[0, 0], drawn.of_reading[0, 0])[0, 1]
    assert abs(at) < 0.1
    assert drawn.uniform.min() >= 0.0
    assert drawn.uniform.mean() == pytest.approx(0.5, abs=0.01)


@pytest.mark.parametrize("layout", LAYOUTS)
def test_what_a_cause_does_not_touch_does_not_show_it(layout: str) -> None:
    space, drawn = space_of(layout), drawn_cases(layout, 20)
    figures = list(knowledge().figures)
    assert MODERATE in RANKED_AT
    for at, row in enumerate(space.rows):
        for place, figure in enumerate(figures):
            touched = bool(np.any(np.asarray(row.moves.get(figure, 0.0)) != 0.0))
            assert drawn.moved[place, at].all() == touched
            assert drawn.moved[place, at].any() == touched
            if not touched:
                np.testing.assert_allclose(drawn.own[place, at].mean(), 0.0, atol=1e-9)
