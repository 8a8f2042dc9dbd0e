"""Exact intervals of chances."""

import numpy as np
import pytest

from obsplan.futures.binomial import interval


@pytest.mark.parametrize(
    ("happened", "tries", "low", "high"),
    [
        # Clopper & Pearson (1934, Biometrika 26, 404) at 95 %, from the beta distribution; for none
        # of n the upper limit is 1 - 0.025^(1/n), which follows by hand.
        (0, 300, 0.0, 0.012221),
        (1, 300, 0.000084, 0.018431),
        (30, 300, 0.068492, 0.139673),
        (270, 300, 0.860327, 0.931508),
        (380, 400, 0.923833, 0.969195),
    ],
)
def test_interval_is_that_of_clopper_and_pearson(happened, tries, low, high):
    found = interval(np.array([happened]), tries)
    assert [float(end[0]) for end in found] == pytest.approx([low, high], abs=5e-7)


def test_none_and_all_are_certain_on_one_side_only():
    assert float(interval(np.array(0), 300)[1]) == pytest.approx(1 - 0.025 ** (1 / 300))
    low, high = interval(np.array([0, 5]), 5)
    assert low[0] == 0 and high[1] == 1 and high[0] == pytest.approx(1 - low[1])
