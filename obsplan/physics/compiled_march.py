"""The march for many sites compiled, once for each machine and version, in some three seconds.

It is that of `march_kernel`. Its temperatures differ from those of the march as it is written for
arrays by what a solve leaves, some thousandths of a kelvin.
"""

from collections.abc import Callable
from functools import cache
from typing import NamedTuple

import numpy as np

from obsplan.physics.march_kernel import LANES, march_sites

# No number is undefined and no zero has a sign, so that the largest of many is found quickly.
NUMBERS = {"nnan", "nsz"}


class March(NamedTuple):
    """`march_sites` compiled, None if that cannot be, and a line unless it is also cached."""

    march: Callable[..., bool] | None
    told: str = ""


@cache
def compiled_march() -> March:
    """The march as quick as it can be had, once for each machine and version."""
    one = np.ones((1, LANES))
    smallest = (
        one, one.copy(), 1.0, np.ones(0), np.ones((0, LANES)), np.ones(1), np.zeros(1), np.ones(5),
        1.0, one[0], one[0], 1.0, 1, np.ones(0), one.copy(), np.zeros(0, dtype=np.int64),
        np.ones((1, 1)), np.ones((0, 1, LANES)),
    )  # fmt: skip
    told = ""
    for cached in (True, False):
        try:
            # Imported here, as it takes half a second.
            from numba import njit

            found = njit(nogil=True, error_model="numpy", fastmath=NUMBERS, cache=cached)(
                march_sites
            )
            found(*smallest)
        except Exception as why:  # whatever keeps the compiler from this machine
            told = told or " ".join(f"{type(why).__name__}: {why}".split())[:200]
            continue
        said = f"the ground's march was compiled without a cache, as in every run ({told})"
        return March(found, "" if cached else said)
    return March(None, f"the ground's march is not compiled and takes long ({told})")
