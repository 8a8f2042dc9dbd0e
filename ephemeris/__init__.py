"""Open the planetary kernels: positions of Sun, Earth and Moon, and the Moon's orientation.

Trimmed public kernels are part of the package (see README.md beside this file), so obsplan
runs offline. Another directory with one .bsp, one .bpc and one .tf file may replace them.
"""

import hashlib
import struct
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path

import numpy as np
from skyfield.api import load
from skyfield.jpllib import SpiceKernel
from skyfield.planetarylib import Frame, PlanetaryConstants
from skyfield.timelib import Time, Timescale
from skyfield.vectorlib import VectorFunction

from obsplan.common.errors import EphemerisError
from obsplan.common.input_file import open_input, read_input

HERE = Path(__file__).parent
# What the readers raise on a file that is cut short, garbled or of another kind.
UNREADABLE = (OSError, ValueError, TypeError, LookupError, RuntimeError, struct.error)
MOON_FRAME = "MOON_ME_DE421"
SUMS = "SHA256SUMS"
REPAIR = "install obsplan again, or make the binary kernels again with rebuild.py"


@dataclass(frozen=True, eq=False)
class Ephemeris:
    """Bodies, lunar frame and time scale of one set of kernels, which equals no other.

    `first` and `last` bound the instants that every kernel covers (UTC), `files` names
    the kernels with their SHA-256 sums.
    """

    timescale: Timescale
    sun: VectorFunction
    earth: VectorFunction
    moon: VectorFunction
    moon_frame: Frame
    first: datetime
    last: datetime
    files: dict[str, str]

    def time(self, times_utc: np.ndarray) -> Time:
        """The Skyfield time of UTC instants given as datetime64, leap seconds counted.

        Raises EphemerisError when an instant lies outside the kernels.
        """
        times_utc = np.asarray(times_utc, dtype="datetime64[us]")
        if times_utc.size:
            self.require_cover(times_utc.min(), times_utc.max())
        days = times_utc.astype("datetime64[D]")
        seconds = (times_utc - days) / np.timedelta64(1, "s")
        day_count = (days - np.datetime64("2000-01-01")).astype(int)
        return self.timescale.utc(2000, 1, 1 + day_count, 0, 0, seconds)

    def require_cover(self, first: np.datetime64, last: np.datetime64) -> None:
        """Raise EphemerisError unless first..last lies inside every kernel."""
        begin, end = (np.datetime64(t.replace(tzinfo=None)) for t in (self.first, self.last))
        # Written this way round, NaT is refused as well.
        if not (begin <= first and last <= end):
            raise EphemerisError(
                f"{', '.join(self.files)}: dates {_day(first)} to {_day(last)} are needed, "
                f"the kernels cover {self.first:%Y-%m-%d} to {self.last:%Y-%m-%d}; choose dates "
                "inside, or name kernels that cover more with --ephemeris DIR"
            )


def _day(instant: np.datetime64) -> str:
    return str(np.datetime64(instant, "D"))


def _only(directory: Path, suffix: str) -> Path:
    found = sorted(directory.glob(f"*{suffix}"))
    if len(found) != 1:
        raise EphemerisError(
            f"{directory}: {len(found)} files end in {suffix}, exactly one is needed "
            "(.bsp positions, .bpc lunar orientation, .tf frame text)"
        )
    return found[0]


def _sums(directory: Path, paths: list[Path]) -> dict[str, str]:
    """SHA-256 of each kernel, which must be the one in the directory's SHA256SUMS.

    A directory of one's own may do without that file, the installed one may not: damaged positions
    can read well and put the Sun tens of thousands of kilometres off.
    """
    listed, sums = _listed_sums(directory / SUMS), {}
    unlisted = [] if listed is None else [path.name for path in paths if path.name not in listed]
    if unlisted:
        raise EphemerisError(
            f"{directory / SUMS}: has no line for {', '.join(unlisted)}, so nothing says whether "
            f"that is damaged; {REPAIR}"
        )
    for path in paths:
        with open_input(path) as file:
            sums[path.name] = hashlib.file_digest(file, "sha256").hexdigest()
        if listed is not None and listed[path.name] != sums[path.name]:
            raise EphemerisError(
                f"{path}: the file is damaged (its SHA-256 is not the one in {SUMS}); {REPAIR}"
            )
    return sums


def _listed_sums(path: Path) -> dict[str, str] | None:
    """The SHA-256 of each file that SHA256SUMS lists; None if a user's directory has no such file.

    Raises EphemerisError if the file is missing beside the installed kernels, or is not a list.
    """
    try:
        lines = read_input(path).decode("ascii").splitlines()
        return {name.removeprefix("*"): digest for digest, name in map(str.split, lines)}
    except FileNotFoundError:
        if path.parent.resolve() != HERE.resolve():
            return None
        raise EphemerisError(
            f"{path}: missing, so nothing says whether the installed kernels are damaged; {REPAIR}"
        ) from None
    except OSError as problem:
        raise EphemerisError(f"{path}: cannot be read ({problem.strerror})") from None
    except ValueError:
        raise EphemerisError(f"{path}: is not a list of sums and file names; {REPAIR}") from None


@lru_cache(maxsize=4)
def open_ephemeris(directory: Path | None = None) -> Ephemeris:
    """Open the kernels in `directory`, or those installed with obsplan.

    Raises EphemerisError naming the file that is missing, damaged or not a kernel.
    """
    directory = Path(directory or HERE)
    if not directory.is_dir():
        raise EphemerisError(f"{directory}: no such directory of kernels")
    positions, orientation, frames = (_only(directory, s) for s in (".bsp", ".bpc", ".tf"))
    try:
        files = _sums(directory, [positions, orientation, frames])
        kernel = SpiceKernel(str(positions))
        constants = PlanetaryConstants()
        constants.read_text(frames.open("rb"))
        constants.read_binary(orientation.open("rb"))
        moon_frame = constants.build_frame_named(MOON_FRAME)
        sun, earth, moon = (kernel[number] for number in (10, 399, 301))
        timescale = load.timescale(builtin=True)
        segments = [segment.spk_segment for segment in kernel.segments]
        pck = moon_frame._segment  # the only place Skyfield keeps the orientation's span
        first_jd = max(*(s.start_jd for s in segments), _jd(pck.initial_second))
        last_jd = min(*(s.end_jd for s in segments), _jd(pck.final_second))
        ends = timescale.tdb_jd(np.array([first_jd, last_jd]))
        # The files are memory-mapped: a truncated one fails only when its end is read.
        for body in (sun, earth, moon):
            body.at(ends)
        moon_frame.rotation_at(ends)
    except UNREADABLE as problem:
        if isinstance(problem, EphemerisError):
            raise
        reason = str(problem).splitlines()[0] if str(problem) else type(problem).__name__
        raise EphemerisError(
            f"{directory}: the kernels cannot be read ({reason}); needed are positions of Sun, "
            f"Earth and Moon and the frame {MOON_FRAME}"
        ) from problem
    first, last = (end.astimezone(UTC) for end in ends.utc_datetime())
    return Ephemeris(timescale, sun, earth, moon, moon_frame, first, last, files)


def _jd(seconds_past_j2000: float) -> float:
    return 2451545.0 + seconds_past_j2000 / 86400.0
