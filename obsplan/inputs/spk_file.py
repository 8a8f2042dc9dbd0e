"""Orbits in SPK files, of every type that SPICE reads, sampled into states.

The file's own segments are evaluated one by one, so nothing is loaded that stays, and nothing that
others have loaded counts.
"""

from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from obsplan.common.errors import ScenarioError
from obsplan.common.input_file import require_file

MOON, J2000_FRAME = 301, 1  # NAIF numbers
# States so far apart, with their velocities, give a low orbit back to less than a millimetre.
STEP_S = 60.0
NO_SPK = "is not an SPK file that SPICE can read"
MISSING = (
    "SPK files are read by spiceypy, which is not installed: pip install 'obsplan[orbit]', or give "
    "the orbit as an OEM"
)


class SpkStates(NamedTuple):
    """States (n,) of one segment: TDB seconds past J2000, km and km/s (n, 3), along the ICRF."""

    where: str
    tdb_s: np.ndarray
    position_km: np.ndarray
    velocity_km_s: np.ndarray


def read_spk(path: Path, target: int, first_s: float, last_s: float) -> list[SpkStates]:
    """The segments of the body `target` that have part in first_s..last_s, TDB seconds past J2000.

    They are in the order of the file: of two that cover the same time SPICE takes the later one.
    Raises ScenarioError naming file and segment: no SPK, another centre than the Moon, another
    frame than J2000, no segment of the body, or without spiceypy.
    """
    try:
        import spiceypy
    except ImportError:
        raise ScenarioError(f"{path}: {MISSING}") from None
    try:
        require_file(path)
        if spiceypy.getfat(str(path)) != ("DAF", "SPK"):
            raise ScenarioError(f"{path}: {NO_SPK}")
        handle = spiceypy.dafopr(str(path))
    except spiceypy.utils.exceptions.SpiceyError:  # some are an OSError too
        spiceypy.reset()
        raise ScenarioError(f"{path}: {NO_SPK}") from None
    except OSError as problem:
        raise ScenarioError(f"{path}: cannot be read ({problem.strerror})") from None
    try:
        return _segments(spiceypy, handle, path, target, first_s, last_s)
    except spiceypy.utils.exceptions.SpiceyError as problem:
        spiceypy.reset()
        why = str(getattr(problem, "short", "") or type(problem).__name__)
        raise ScenarioError(f"{path}: SPICE cannot read it ({why})") from None
    finally:
        spiceypy.dafcls(handle)


class _Summary(NamedTuple):
    """What a segment says of itself; times in TDB seconds past J2000, the rest NAIF numbers."""

    number: int
    packed: np.ndarray
    begin_s: float
    end_s: float
    body: int
    centre: int
    frame: int


def _segments(
    spiceypy: Any, handle: int, path: Path, target: int, first_s: float, last_s: float
) -> list[SpkStates]:
    summaries = _summaries(spiceypy, handle)
    bodies = sorted({each.body for each in summaries})
    if target not in bodies:
        known = ", ".join(map(str, bodies[:20])) or "none"
        raise ScenarioError(f"{path}: has no segment of body {target}; bodies in it: {known}")
    found = []
    for each in summaries:
        where = f"{path}: segment {each.number}"
        if each.body != target:
            continue
        if each.centre != MOON:
            raise ScenarioError(
                f"{where}: gives body {target} about body {each.centre}; allowed is about the "
                f"Moon, {MOON}"
            )
        if each.frame != J2000_FRAME:
            name = spiceypy.frmnam(each.frame) or f"number {each.frame}"
            raise ScenarioError(f"{where}: its frame {name} is not supported; allowed is J2000")
        begin_s, end_s = max(each.begin_s, first_s), min(each.end_s, last_s)
        if begin_s < end_s:
            tdb_s = np.linspace(
                begin_s, end_s, max(int(np.ceil((end_s - begin_s) / STEP_S)), 3) + 1
            )
            states = np.array([spiceypy.spkpvn(handle, each.packed, s)[1] for s in tdb_s])
            found.append(SpkStates(where, tdb_s, states[:, :3], states[:, 3:]))
    return found


def _summaries(spiceypy: Any, handle: int) -> list[_Summary]:
    found: list[_Summary] = []
    spiceypy.dafbfs(handle)
    while spiceypy.daffna():
        packed = np.array(spiceypy.dafgs(5))
        (begin_s, end_s), (body, centre, frame, *_) = spiceypy.dafus(packed, 2, 6)
        found.append(_Summary(len(found) + 1, packed, begin_s, end_s, body, centre, frame))
    return found
