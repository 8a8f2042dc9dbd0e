"""The states of an orbit as a file gives them, and what a file must be."""

from typing import NamedTuple

import numpy as np

# Frames whose axes are those of the ephemerides. EME2000 and J2000 are turned against the ICRF by
# 0.02 arcseconds (IERS Conventions 2010, section 5.5.4) and are taken as it, as SPICE does.
FRAMES = ("ICRF", "EME2000", "J2000")
TIME_SYSTEMS = ("TDB", "UTC", "TAI", "TT", "GPS")
INTERPOLATIONS = ("HERMITE", "LAGRANGE", "LINEAR")
# Of a file that declares none: through positions and velocities of four states.
UNDECLARED = ("HERMITE", 7)
MOST_DEGREE = 27


class Clock(NamedTuple):
    """An instant of a time system: the day and the seconds since it began."""

    day: np.datetime64
    second: float

    def __str__(self) -> str:
        whole, thousandths = divmod(round(1000 * self.second), 1000)
        # The last minute of a day has a second 60 if a leap second is inserted.
        minutes = min(whole // 60, 1439)
        seconds = whole - 60 * minutes
        fraction = f".{thousandths:03d}" if thousandths else ""
        return f"{self.day}T{minutes // 60:02d}:{minutes % 60:02d}:{seconds:02d}{fraction}"


class States(NamedTuple):
    """One segment: states (n,) about the Moon's centre along the axes of the ICRF.

    where: the file and the segment, for sentences. object_name: the spacecraft.
    day, second: datetime64[D] and seconds since that day began, in the time system.
    position_km, velocity_km_s: (n, 3). first, last: the usable time.
    interpolation: one of INTERPOLATIONS. degree: of the polynomial.
    """

    where: str
    object_name: str
    time_system: str
    day: np.ndarray
    second: np.ndarray
    position_km: np.ndarray
    velocity_km_s: np.ndarray
    first: Clock
    last: Clock
    interpolation: str
    degree: int

    def clock(self, number: int) -> Clock:
        """The instant of a state."""
        return Clock(self.day[number], float(self.second[number]))


def nodes_needed(interpolation: str, degree: int) -> int:
    """How many states a polynomial of this degree goes through."""
    return (degree + 1) // 2 if interpolation == "HERMITE" else degree + 1
