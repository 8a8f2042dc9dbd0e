"""The march for many sites compiled, once for each machine and version, in some three seconds.

It is that of `march_kernel`. Its temperatures differ from those of the march as it is written for
arrays by what a solve leaves, some thousandths of a kelvin.
"""

from collections.abc import Callable
from functools import cache

import numpy as np

from obsplan.physics.march_kernel import LANES, march_sites

# No number is undefined and no zero has a sign, so that the largest of many is found quickly.
NUMBERS = {"nnan", "nsz"}


@cache
def compiled_march() -> Callable[..., bool] | None:
    """`march_sites` compiled, once for each machine and version; None if there is no compiler."""
    one = np.ones((1, LANES))
    smallest = (
        one, one.copy(), 1.0, np.ones(0), np.ones((0, LANES)), np.ones(1), np.zeros(1), np.ones(5),
        1.0, one[0], one[0], 1.0, 1, np.ones(0), one.copy(), np.zeros(0, dtype=np.int64),
        np.ones((1, 1)), np.ones((0, 1, LANES)),
    )  # fmt: skip
    for cached in (True, False):
        try:
            # Imported here, as it takes half a second.
            from numba import njit

            found = njit(nogil=True, error_model="numpy", fastmath=NUMBERS, cache=cached)(
                march_sites
            )
            found(*smallest)
        except Exception:  # whatever keeps the compiler from this machine
            continue
        return found
    return None
