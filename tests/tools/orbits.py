"""Invented orbits about the Moon, and OEM files with them.

A circle follows from closed forms alone: position and velocity turn evenly in a plane.
"""

from datetime import datetime, timedelta
from math import cos, pi, radians, sin, sqrt
from pathlib import Path
from typing import Any

import spiceypy

GM_KM3_S2 = 4902.800066  # of the Moon; DE421, Folkner et al. 2009
MOON_RADIUS_KM = 1737.4


def period_s(height_km: float) -> float:
    """Period of a circular orbit, Kepler's third law."""
    return 2 * pi * sqrt((MOON_RADIUS_KM + height_km) ** 3 / GM_KM3_S2)


def circle(second: float, height_km=100.0, inclination_deg=90.0, node_deg=40.0) -> list[float]:
    """Position (km) and velocity (km/s) along the ICRF, `second` after the ascending node."""
    radius, rate = MOON_RADIUS_KM + height_km, 2 * pi / period_s(height_km)
    angle, tilt, node = rate * second, radians(inclination_deg), radians(node_deg)

    def turned(along: float, across: float) -> list[float]:
        return [
            along * cos(node) - across * cos(tilt) * sin(node),
            along * sin(node) + across * cos(tilt) * cos(node),
            across * sin(tilt),
        ]

    place = turned(radius * cos(angle), radius * sin(angle))
    return place + turned(-radius * rate * sin(angle), radius * rate * cos(angle))


def kvn(segments: list[str], version: str = "2.0") -> str:
    """An OEM in KVN with these segments."""
    header = [
        f"CCSDS_OEM_VERS = {version}",
        "COMMENT invented",
        "CREATION_DATE = 2026-11-30T00:00:00",
    ]
    return "\n".join([*header, "ORIGINATOR = INVENTED", "", *segments]) + "\n"


def segment(
    start: str,
    minutes: float,
    step_s: float = 60.0,
    state=circle,
    begin_s: float = 0.0,
    **metadata: str,
) -> str:
    """A segment with states every `step_s` from `start`, `begin_s` after the node.

    Entries of `metadata` replace those of a sound segment; None leaves one out.
    """
    first = datetime.fromisoformat(start)
    count = round(minutes * 60 / step_s) + 1
    times = [first + timedelta(seconds=k * step_s) for k in range(count)]
    entries = {
        "OBJECT_NAME": "EXAMPLE ORBITER",
        "OBJECT_ID": "2028-999A",
        "CENTER_NAME": "MOON",
        "REF_FRAME": "ICRF",
        "TIME_SYSTEM": "UTC",
        "START_TIME": _epoch(times[0]),
        "STOP_TIME": _epoch(times[-1]),
        "INTERPOLATION": "HERMITE",
        "INTERPOLATION_DEGREE": "7",
    } | metadata
    lines = [f"{key} = {value}" for key, value in entries.items() if value is not None]
    states = [
        " ".join([_epoch(time), *(f"{x:.12f}" for x in state(begin_s + k * step_s))])
        for k, time in enumerate(times)
    ]
    return "\n".join(["META_START", *lines, "META_STOP", "", *states, ""])


def write_spk(path: Path, start: str, minutes: float, kind: int = 13, **of: Any) -> None:
    """An SPK file with the circle as body -999 about the Moon, its states a minute apart.

    `kind` is the type of its segment: 9 (Lagrange), 13 (Hermite) or 5 (two bodies). `of` may have
    `centre`, `frame`, `body`, `step_s` and what `circle` takes.
    """
    body, centre, frame = of.pop("body", -999), of.pop("centre", 301), of.pop("frame", "J2000")
    step_s = of.pop("step_s", 60.0)
    count = round(minutes * 60 / step_s) + 1
    first_s = tdb_s(start)
    times_s = [first_s + k * step_s for k in range(count)]
    states = [circle(k * step_s, **of) for k in range(count)]
    head = body, centre, frame, times_s[0], times_s[-1], "invented"
    handle = spiceypy.spkopn(str(path), "invented", 0)
    if kind == 5:
        spiceypy.spkw05(handle, *head, GM_KM3_S2, count, states, times_s)
    else:
        write = {9: spiceypy.spkw09, 13: spiceypy.spkw13}[kind]
        write(handle, *head, 7, count, states, times_s)
    spiceypy.spkcls(handle)


def tdb_s(start: str) -> float:
    """TDB seconds past J2000 of a UTC instant since 2017; to the 2 ms of TDB less TT."""
    since = datetime.fromisoformat(start) - datetime(2000, 1, 1, 12)
    return since.total_seconds() + 37.0 + 32.184


def _epoch(time: datetime) -> str:
    return time.isoformat(timespec="milliseconds")
