"""The line through readings against numpy's polynomials, a reference library."""

import numpy as np
import pytest

from analysis.signal.line import fit_line


@pytest.mark.parametrize("weighted", [False, True])
def test_line_is_that_of_numpy(*, weighted: bool) -> None:
    """`numpy.polynomial` fits the same line; its weights multiply distances, not squares."""
    draw = np.random.default_rng(7)
    places = np.sort(draw.uniform(300.0, 420.0, 40))
    values = 80.0 - 0.2 * places + draw.normal(0.0, 1.0, 40)
    weight = draw.uniform(0.1, 3.0, 40) if weighted else None
    expected = np.polynomial.Polynomial.fit(
        places, values, 1, w=None if weight is None else np.sqrt(weight)
    )
    line = fit_line(places, values, weight)
    assert line.slope == pytest.approx(expected.deriv()(0.0), rel=1e-9)
    assert line.at(places) == pytest.approx(expected(places), rel=1e-12)
