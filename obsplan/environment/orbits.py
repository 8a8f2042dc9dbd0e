"""The orbit of a platform from its file, refused if it does not serve for the whole span."""

from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path

import numpy as np

from obsplan.common.constants import MOON_RADIUS_KM
from obsplan.common.errors import ScenarioError
from obsplan.common.instants import full_stamp
from obsplan.ephemeris import Ephemeris
from obsplan.inputs.hardware import Platform
from obsplan.inputs.oem_file import read_oem
from obsplan.inputs.orbit_states import States, nodes_needed
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.spk_file import read_spk
from obsplan.physics.orbit import (
    Orbit,
    Piece,
    interpolated_km,
    piece_at,
    uncertainty_km,
    uncovered,
)
from obsplan.physics.time_scales import tdb_of_utc, tdb_s, utc_of_tdb
from obsplan.physics.vectors import length

# States whose polynomial is uncertain by more than this have gaps between them: a low orbiter flies
# so far in 0.6 s, which would move the edges of eclipses.
MOST_UNCERTAIN_KM = 1.0
# SPK files are sampled so far beyond the span, so that polynomials at its ends are centred too.
BEYOND_S = 600.0
# So far on either side of an instant an answer about the link looks.
AROUND_S = 31 * 86400.0
MINUTE_S = 60.0
SPK_DEGREE = 7


def orbit_of(
    scenario: Scenario,
    platform: Platform,
    ephemeris: Ephemeris,
    first_utc: np.datetime64,
    last_utc: np.datetime64,
    before_s: float = 0.0,
) -> Orbit:
    """The orbit of a platform that flies, which covers first_utc..last_utc.

    An SPK file is also sampled `before_s` earlier, as far as it goes.

    Raises ScenarioError naming file, segment and time: what `read_oem` and `read_spk` refuse; two
    segments for one time; a time of the span that no segment covers; states too far apart to
    interpolate between; a place under the ground.
    """
    path = scenario.orbit_path(platform)
    first_s, last_s = tdb_of_utc(ephemeris, np.array([first_utc, last_utc]))
    orbit = _orbit(path, platform, ephemeris, first_s - before_s, last_s)
    _refuse_gaps(path, orbit, ephemeris, first_s, last_s)
    _refuse_uncertain(orbit, ephemeris, first_s, last_s)
    _refuse_underground(orbit, ephemeris, first_s, last_s)
    return orbit


def known_around(
    scenario: Scenario, platform: Platform, ephemeris: Ephemeris, minute: datetime
) -> tuple[datetime, datetime]:
    """The whole minutes, without a gap, around a minute (UTC) in which the orbit is known.

    At most `AROUND_S` on either side. Raises ScenarioError if the orbit does not cover the minute.
    """
    begin = np.datetime64(minute.replace(tzinfo=None), "s")
    end = begin + np.timedelta64(60, "s")
    path = scenario.orbit_path(platform)
    begin_s, end_s = tdb_of_utc(ephemeris, np.array([begin, end]))
    orbit = _orbit(path, platform, ephemeris, begin_s - AROUND_S, end_s + AROUND_S)
    _refuse_gaps(path, orbit, ephemeris, begin_s, end_s)
    before = max((gap[1] for gap in uncovered(orbit, begin_s - AROUND_S, begin_s)), default=None)
    after = min((gap[0] for gap in uncovered(orbit, end_s, end_s + AROUND_S)), default=None)
    ends = [
        begin_s - AROUND_S if before is None else before,
        end_s + AROUND_S if after is None else after,
    ]
    first, last = utc_of_tdb(ephemeris, np.array(ends))  # to the millisecond
    minutes = np.array([first + np.timedelta64(59_999, "ms"), last]).astype("datetime64[m]")
    known = [instant.astype("datetime64[s]").item().replace(tzinfo=UTC) for instant in minutes]
    return known[0], known[1]


def covered_from_s(
    orbit: Orbit, ephemeris: Ephemeris, first_utc: np.datetime64, before_s: float
) -> float:
    """The TDB second, up to `before_s` before first_utc, from which on nothing is missing."""
    first_s = float(tdb_of_utc(ephemeris, np.array([first_utc]))[0])
    gaps = uncovered(orbit, first_s - before_s, first_s)
    return max((end for _, end in gaps), default=first_s - before_s)


def _orbit(
    path: Path, platform: Platform, ephemeris: Ephemeris, first_s: float, last_s: float
) -> list[Piece]:
    """What a file has of an orbit in first_s..last_s, and perhaps beyond."""
    assert platform.orbit is not None  # the platform flies
    if platform.orbit.is_spk:
        assert platform.orbit.target is not None  # read_scenario requires it
        return _from_spk(path, platform.orbit.target, first_s, last_s)
    orbit = _from_oem(ephemeris, path)
    _refuse_overlap(path, orbit, ephemeris)
    return orbit


def _from_spk(path: Path, target: int, first_s: float, last_s: float) -> list[Piece]:
    nodes = nodes_needed("HERMITE", SPK_DEGREE)
    return [
        Piece(
            each.where,
            each.tdb_s,
            each.position_km,
            each.velocity_km_s,
            float(each.tdb_s[0]),
            float(each.tdb_s[-1]),
            True,
            nodes,
        )
        for each in read_spk(path, target, first_s - BEYOND_S, last_s + BEYOND_S)
    ]


def _from_oem(ephemeris: Ephemeris, path: Path) -> list[Piece]:
    try:
        state = path.stat()
    except (OSError, ValueError):
        state = None
    parts = _read_oem(path, state and state.st_mtime_ns, state and state.st_size)
    return [_piece(ephemeris, states) for states in parts]


@lru_cache(maxsize=4)  # a file of a month takes longer to read than everything else
def _read_oem(path: Path, changed_ns: int | None, size: int | None) -> list[States]:
    return read_oem(path)


def _piece(ephemeris: Ephemeris, states: States) -> Piece:
    days = np.array([states.first.day, states.last.day], dtype="datetime64[D]")
    seconds = np.array([states.first.second, states.last.second])
    try:
        at_s = tdb_s(ephemeris, states.time_system, states.day, states.second)
        first_s, last_s = tdb_s(ephemeris, states.time_system, days, seconds)
    except ValueError as problem:
        raise ScenarioError(f"{states.where}, {states.clock(0)}: {problem}") from None
    return Piece(
        states.where,
        at_s,
        states.position_km,
        states.velocity_km_s,
        float(first_s),
        float(last_s),
        states.interpolation == "HERMITE",
        nodes_needed(states.interpolation, states.degree),
    )


def _refuse_overlap(path: Path, orbit: Orbit, ephemeris: Ephemeris) -> None:
    order = sorted(orbit, key=lambda piece: piece.first_s)
    for before, after in zip(order, order[1:]):
        if after.first_s < before.last_s:
            begin, end = after.first_s, min(before.last_s, after.last_s)
            raise ScenarioError(
                f"{after.where}: from {_stamp(ephemeris, begin)} to {_stamp(ephemeris, end)} "
                f"{before.where.removeprefix(f'{path}: ')} is usable too; usable times of segments "
                "may only touch"
            )


def _refuse_gaps(
    path: Path, orbit: Orbit, ephemeris: Ephemeris, first_s: float, last_s: float
) -> None:
    gaps = uncovered(orbit, first_s, last_s)
    if not gaps:
        return
    stretches = ", ".join(
        f"{_stamp(ephemeris, begin)} to {_stamp(ephemeris, end)}" for begin, end in gaps[:5]
    )
    usable = ", ".join(
        f"{piece.where.removeprefix(f'{path}: ')} {_stamp(ephemeris, piece.first_s)} to "
        f"{_stamp(ephemeris, piece.last_s)}"
        for piece in orbit[:10]
    )
    raise ScenarioError(
        f"{path}: no segment covers {stretches}; usable are: {usable or 'none there'}"
    )


def _refuse_uncertain(orbit: Orbit, ephemeris: Ephemeris, first_s: float, last_s: float) -> None:
    for piece in orbit:
        begin_s, end_s = max(first_s, piece.first_s), min(last_s, piece.last_s)
        needed = (piece.tdb_s[1:] > begin_s) & (piece.tdb_s[:-1] < end_s)
        off_km = np.where(needed, uncertainty_km(piece), 0.0)
        if off_km.max(initial=0.0) > MOST_UNCERTAIN_KM:
            worst = int(off_km.argmax())
            begin, end = piece.tdb_s[worst : worst + 2]
            raise ScenarioError(
                f"{piece.where}: between {_stamp(ephemeris, begin)} and {_stamp(ephemeris, end)}, "
                f"{end - begin:.6g} s, the declared interpolation is uncertain by "
                f"{off_km[worst]:.3g} km; allowed is {MOST_UNCERTAIN_KM:g} km: states are wrong, "
                "missing or too far apart"
            )


def _refuse_underground(orbit: Orbit, ephemeris: Ephemeris, first_s: float, last_s: float) -> None:
    every_s = np.append(np.arange(first_s, last_s, MINUTE_S), last_s)
    number = piece_at(orbit, every_s)
    for k, piece in enumerate(orbit):
        at_s = every_s[number == k]
        if not len(at_s):
            continue
        height_km = length(interpolated_km(piece, at_s).T) - MOON_RADIUS_KM
        if (height_km <= 0.0).any():
            first = int((height_km <= 0.0).argmax())
            raise ScenarioError(
                f"{piece.where}: at {_stamp(ephemeris, at_s[first])} the orbiter is "
                f"{-height_km[first]:.1f} km under the ground, a sphere of {MOON_RADIUS_KM} km"
            )


def _stamp(ephemeris: Ephemeris, seconds: float) -> str:
    """An instant of TDB as UTC."""
    return full_stamp(utc_of_tdb(ephemeris, np.array([seconds]))[0].astype("datetime64[s]").item())
