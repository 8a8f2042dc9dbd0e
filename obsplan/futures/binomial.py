"""Exact intervals of a chance from how often something happened (Clopper & Pearson 1934)."""

import numpy as np
from scipy.special import betaincinv

CONFIDENCE = 0.95


def interval(happened: np.ndarray, tries: int) -> tuple[np.ndarray, np.ndarray]:
    """Lower and upper limit of the chance of what `happened` (...) so often in `tries`.

    Both sides together miss the true chance in at most 5 % of all cases, whatever it is: Clopper &
    Pearson (1934, Biometrika 26, 404), through the incomplete beta function.
    """
    happened = np.asarray(happened)
    miss = (1 - CONFIDENCE) / 2
    low = betaincinv(np.maximum(happened, 1), tries - happened + 1, miss)
    high = betaincinv(happened + 1, np.maximum(tries - happened, 1), 1 - miss)
    return np.where(happened == 0, 0.0, low), np.where(happened == tries, 1.0, high)
