"""TDB seconds past J2000 of instants in the time systems that orbits come in.

TDB runs beside TT, and is at most 2 milliseconds off it: USNO Circular 179 (Kaplan 2005), equation
2.6, good to 10 microseconds.
"""

import numpy as np
from skyfield.timelib import tdb_minus_tt

from obsplan.ephemeris import Ephemeris

SECONDS_PER_DAY = 86400.0
J2000_DAY = np.datetime64("2000-01-01")
NOON_S = 43200.0  # J2000 is the noon of its day
J2000_JD = 2451545.0
TT_MINUS_TAI_S = 32.184  # IAU 1991 resolution A4
TAI_MINUS_GPS_S = 19.0  # GPS time began in 1980, when UTC was so much behind TAI; IS-GPS-200
FIRST_LEAP = np.datetime64("1972-01-01")


def tdb_s(ephemeris: Ephemeris, system: str, day: np.ndarray, second: np.ndarray) -> np.ndarray:
    """TDB seconds (n,) past J2000 of days (n,), datetime64[D], and seconds (n,) in `system`.

    `system` is TDB, TT, TAI, GPS or UTC; in UTC a leap second is second 86400 of its day. A number
    holds the seconds of a century to 2e-7 s: 0.2 mm of a low orbit. Raises ValueError for another
    system, and for UTC before 1972, when its seconds were not those of today.
    """
    count_s = (day - J2000_DAY).astype(int) * SECONDS_PER_DAY - NOON_S
    since_s = count_s + second
    if system == "TDB":
        return since_s
    if system == "TT":
        tt_s = since_s
    elif system == "TAI":
        tt_s = since_s + TT_MINUS_TAI_S
    elif system == "GPS":
        tt_s = since_s + (TAI_MINUS_GPS_S + TT_MINUS_TAI_S)
    elif system == "UTC":
        tt_s = since_s + (_leap_seconds(ephemeris, day) + TT_MINUS_TAI_S)
    else:
        raise ValueError(f"no time system {system}")
    return tt_s + tdb_minus_tt(J2000_JD + tt_s / SECONDS_PER_DAY)


def tdb_of_utc(ephemeris: Ephemeris, times_utc: np.ndarray) -> np.ndarray:
    """TDB seconds (n,) past J2000 of UTC instants (n,), datetime64."""
    times_utc = np.asarray(times_utc)
    day = times_utc.astype("datetime64[D]")
    return tdb_s(ephemeris, "UTC", day, (times_utc - day) / np.timedelta64(1, "s"))


def utc_of_tdb(ephemeris: Ephemeris, seconds: np.ndarray) -> np.ndarray:
    """UTC instants (n,), datetime64[ms], of TDB seconds (n,) past J2000."""
    seconds = np.asarray(seconds, dtype=float)

    def instant(utc_s: np.ndarray) -> np.ndarray:
        ms = np.round(1000.0 * (utc_s + NOON_S)).astype("timedelta64[ms]")
        return J2000_DAY.astype("datetime64[ms]") + ms

    utc_s = seconds
    for _ in range(2):  # a second time, if a leap second lies between the first guess and the truth
        utc_s = utc_s - (tdb_of_utc(ephemeris, instant(utc_s)) - seconds)
    return instant(utc_s)


def _leap_seconds(ephemeris: Ephemeris, day: np.ndarray) -> np.ndarray:
    """TAI less UTC on days (n,) since 1972."""
    if len(day) and day.min() < FIRST_LEAP:
        raise ValueError(f"UTC before {FIRST_LEAP} is not supported")
    scale = ephemeris.timescale
    jd = J2000_JD - 0.5 + (day - J2000_DAY).astype(int)
    offsets = np.append(scale.leap_offsets[0] - 1.0, scale.leap_offsets)
    return offsets[np.searchsorted(scale.leap_dates, jd, side="right")]
