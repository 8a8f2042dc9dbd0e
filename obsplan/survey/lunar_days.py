"""Lunar days, and what all sites of a survey share.

A lunar day lasts from local midnight to local midnight (the Sun on the far meridian) and is
numbered by the lunation in which its noon falls; see `lunation`. Instants are whole seconds
since 1970 (UTC), windows int64 arrays (n, 2).
"""

from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

import numpy as np

from obsplan.common.constants import SYNODIC_MONTH_DAYS
from obsplan.common.errors import EphemerisError
from obsplan.environment.ground import past_s
from obsplan.ephemeris import open_ephemeris
from obsplan.inputs.hardware import Station
from obsplan.physics import sky
from obsplan.physics.station_track import station_track

SCAN_S = 600
HOUR_S = 3600
PER_HOUR = HOUR_S // SCAN_S
LUNATION_S = round(SYNODIC_MONTH_DAYS * 24) * HOUR_S  # in whole hours, for the ground's past
DAY_MARGIN_S = 17 * 86400  # half of the longest lunation, and a day
NEW_MOON_2000_S = int(np.datetime64("2000-01-06T18:14", "s").astype(int))  # Meeus, ch. 49: k = 0


class Range(NamedTuple):
    """Data that all sites of a survey share.

    past_s: instants (m,) before the scan, for the ground's past. scan_s: those of the scan
    (n,). track: Sun and Earth at any time, as of `sky.sun_and_earth_track`. stations: lines of
    sight by station, as of `station_track`. lunations: the `lunation` of each instant (n,).
    """

    past_s: np.ndarray
    scan_s: np.ndarray
    track: Callable
    stations: dict[str, Callable]
    lunations: np.ndarray


@lru_cache(maxsize=2)
def range_of(
    first_s: int, last_s: int, stations: tuple[Station, ...], ephemeris_directory: Path | None
) -> Range:
    """The data that sites of a survey share, for local noons from `first_s` to `last_s`.

    The scan extends half a lunation beyond either end, and one more lunation back; two years
    before it set the ground's temperature. Raises EphemerisError if that lies outside the
    kernels.
    """
    ephemeris = open_ephemeris(ephemeris_directory)
    begin = _scan_begin(first_s)
    scan_s = begin + SCAN_S * np.arange(scan_count(first_s, last_s))
    earlier_s = begin + past_s(lead_s=0)
    earliest, *ends = instants(np.append(earlier_s[0], scan_s[[0, -1]]))
    track = sky.sun_and_earth_track(ephemeris, earliest, ends[1])
    views = {s.name: station_track(ephemeris, s.place, *ends) for s in stations}
    return Range(earlier_s, scan_s, track, views, lunation(scan_s, track(instants(scan_s))[0]))


def _scan_begin(first_s: int) -> int:
    return (first_s - DAY_MARGIN_S - LUNATION_S) // HOUR_S * HOUR_S


def scan_count(first_s: int, last_s: int) -> int:
    """Number of instants in the scan of a survey of these noons."""
    hours = -(-(last_s + DAY_MARGIN_S - _scan_begin(first_s)) // HOUR_S)
    return hours * PER_HOUR + 1


def require_range(first_s: int, last_s: int, ephemeris_directory: Path | None = None) -> None:
    """Raise EphemerisError unless the kernels cover the scan for noons in this range."""
    begin = _scan_begin(first_s) + past_s(lead_s=0)[0]
    end = _scan_begin(first_s) + SCAN_S * (scan_count(first_s, last_s) - 1)
    try:
        open_ephemeris(ephemeris_directory).require_cover(*instants(np.array([begin, end])))
    except EphemerisError as problem:
        raise EphemerisError(
            *problem.args,
            "(a survey needs two years and two months before its range, for the ground's past, "
            "and 17 days after it)",
        ) from None


def clipped(windows: np.ndarray, first_s: int, last_s: int) -> np.ndarray:
    """The part of sorted windows (n, 2) inside [first_s, last_s)."""
    inside = windows[(windows[:, 1] > first_s) & (windows[:, 0] < last_s)]
    return np.clip(inside, first_s, last_s)


def instants(seconds: np.ndarray) -> np.ndarray:
    """Seconds since 1970 as datetime64[s]."""
    return np.asarray(seconds, dtype=np.int64).astype("datetime64[s]")


def lunation(seconds: np.ndarray, sun_km: np.ndarray) -> np.ndarray:
    """Passages of the Sun over the 180 deg meridian until each instant (n,), with fraction.

    Number 0 is the passage nearest the new moon of 2000-01-06, so the whole numbers are the
    k of Meeus, Astronomical Algorithms, 2nd ed., ch. 49, within the hours that libration
    makes.
    """
    sun_longitude_deg, _ = sky.sub_point_deg(sun_km)
    share = np.mod((180.0 - sun_longitude_deg) / 360.0, 1.0)
    mean = (seconds - NEW_MOON_2000_S) / 86400.0 / SYNODIC_MONTH_DAYS
    return share + np.round(mean - share)


def lunar_days(shared: Range, longitude_deg: float, first_s: int, last_s: int) -> np.ndarray:
    """Number, midnight, noon, next midnight (k, 4) of days with noon in [first_s, last_s)."""
    ahead = np.mod(180.0 - longitude_deg, 360.0) / 360.0
    ends = np.interp([first_s, last_s], shared.scan_s, shared.lunations) - ahead
    numbers = np.arange(np.floor(ends[0]), np.ceil(ends[1]) + 1)
    phases = numbers[:, None] + ahead + [-0.5, 0.0, 0.5]
    marks = np.interp(phases, shared.lunations, shared.scan_s)
    days = np.column_stack([numbers, np.round(marks)]).astype(np.int64)
    return days[(days[:, 2] >= first_s) & (days[:, 2] < last_s)]
