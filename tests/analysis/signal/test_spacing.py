"""Equal ratios are numpy's geometric series."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.signal.spacing import equal_ratios


@pytest.mark.parametrize(
    ("first", "last", "count"), [(5.0, 600.0, 18), (0.03, 99.0, 48), (3, 3, 2)]
)
def test_equal_ratios(first: float, last: float, count: int) -> None:
    found = equal_ratios(first, last, count)
    assert found == pytest.approx(np.geomspace(first, last, count), rel=1e-14)
    assert found[0] == first
