"""The invented orbit of the examples with an orbiter, by formula.

`python -m tools.example_orbit`, run in tests/, writes it beside the examples; a test compares them.

Two bodies alone, the Moon a point: a circle of 400 km height over the poles, its plane fixed among
the stars. No spacecraft flies it, and a real orbit would drift within days.
"""

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

FILE = Path(__file__).parents[2] / "examples" / "earth_watch.oem"
MOON_KM3_S2, MOON_RADIUS_KM = 4902.800066, 1737.4  # as of the DE440 ephemeris; the mean radius
HEIGHT_KM = 400.0
# The obliquity of the ecliptic at J2000, and where in the ecliptic the plane of the orbit lies.
OBLIQUITY_RAD, NODE_RAD = np.radians(23.439291), np.radians(70.0)
FIRST, LAST, EVERY_S = datetime(2028, 6, 22, 12), datetime(2028, 7, 22, 12), 900

HEADER = f"""CCSDS_OEM_VERS = 2.0
COMMENT Invented: a circle of {HEIGHT_KM:g} km height over the poles, two bodies alone.
CREATION_DATE = 2026-11-30T00:00:00
ORIGINATOR = EXAMPLE
META_START
OBJECT_NAME = ORBITER
OBJECT_ID = 2028-001A
CENTER_NAME = MOON
REF_FRAME = ICRF
TIME_SYSTEM = UTC
START_TIME = {FIRST.isoformat()}
STOP_TIME = {LAST.isoformat()}
INTERPOLATION = HERMITE
INTERPOLATION_DEGREE = 7
META_STOP
"""


def states(seconds: np.ndarray) -> np.ndarray:
    """Place in km and velocity in km/s (n, 6) so many seconds after the first state."""
    radius_km = MOON_RADIUS_KM + HEIGHT_KM
    rate = np.sqrt(MOON_KM3_S2 / radius_km**3)
    tilt = np.array([0.0, np.cos(OBLIQUITY_RAD), np.sin(OBLIQUITY_RAD)])
    across = np.cos(NODE_RAD) * np.array([1.0, 0.0, 0.0]) + np.sin(NODE_RAD) * tilt
    # The Moon's pole is within 1.6 deg of that of the ecliptic.
    north = np.array([0.0, -np.sin(OBLIQUITY_RAD), np.cos(OBLIQUITY_RAD)])
    cos, sin = np.cos(rate * seconds)[:, None], np.sin(rate * seconds)[:, None]
    place_km = radius_km * (cos * across + sin * north)
    return np.hstack([place_km, rate * radius_km * (cos * north - sin * across)])


def text() -> str:
    """The whole file."""
    seconds = np.arange(0, (LAST - FIRST).total_seconds() + 1, EVERY_S)
    rows = [
        f"{(FIRST + timedelta(seconds=at)).isoformat()} "
        + " ".join(f"{km:.6f}" for km in state[:3])
        + " "
        + " ".join(f"{km_s:.9f}" for km_s in state[3:])
        for at, state in zip(seconds.tolist(), states(seconds))
    ]
    return HEADER + "\n".join(rows) + "\n"


if __name__ == "__main__":
    FILE.write_text(text())
