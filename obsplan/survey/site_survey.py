"""Which of these sites and lunar days is best? Many sites, on all cores or on a Dask cluster.

Sites are computed in chunks, always the same ones for the same input, so that the rows do
not depend on which process computes them. Each finished chunk is saved in a hidden directory
beside the output until that is written; an interrupted survey resumes from there.
"""

import hashlib
import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from datetime import datetime
from functools import partial
from glob import escape
from math import inf
from pathlib import Path
from typing import NamedTuple

import pandas as pd

from obsplan import __version__
from obsplan.common.atomic_write import write_file
from obsplan.common.errors import EphemerisError, ObsplanError, TableError
from obsplan.common.input_file import read_input
from obsplan.common.model_files import give_content
from obsplan.common.parts import locked, sweep
from obsplan.common.workers import run_all
from obsplan.environment.site_skyline import skyline_cautions
from obsplan.ephemeris import open_ephemeris
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.sites_csv import Place
from obsplan.survey.day_columns import DAY_COLUMNS
from obsplan.survey.landing_days import Planner, range_seconds, ranked_table, site_rows
from obsplan.survey.lunar_days import require_range, scan_count
from obsplan.survey.site_course import SiteCourse, require_on_ground, site_courses, skyline_of

Report = Callable[[int, int], None]  # sites done, sites in total
SITE_COLUMNS = ["name", "latitude_deg", "longitude_deg", "height_m"]
CHUNK_SITES = 25  # more sites in one call are no faster
CHUNK_SAMPLES = 1_000_000  # about 400 MB per process
KEY_DIGITS = 12


def survey_sites(
    scenario: Scenario,
    places: Sequence[Place],
    first_utc: datetime,
    last_utc: datetime,
    *,
    planned: bool = False,
    gap: float = 0.01,
    jobs: int | None = None,
    scheduler: str | None = None,
    keep: str | Path | None = None,
    report: Report = lambda done, total: None,
    ephemeris_directory: Path | None = None,
) -> pd.DataFrame:
    """Every lunar day of every place: name and coordinates, then the columns of days.csv.

    Rows come by place, as given, then by day; `rank` is over all of them. A place that has a
    `problem` or cannot be computed is one row whose `notes` say why. `jobs` processes share the
    work (default: all cores), or the workers of the Dask cluster at `scheduler`. Finished chunks
    are saved in a hidden directory beside the path `keep`, from which a repeated call resumes;
    `forget_saved` deletes it once the table is written. Raises ScenarioError if a platform is in
    orbit; ObsplanError for an empty range,
    one outside the kernels, or a scheduler that does not answer or is lost; TableError if nothing
    can be written there.
    """
    require_on_ground(scenario)
    range_s = range_seconds(first_utc, last_utc)
    require_range(*range_s, ephemeris_directory)
    planner = Planner(scenario, gap, ephemeris_directory) if planned else None
    survey = Survey(scenario, range_s, planner, ephemeris_directory)
    chunks = _chunks(places, survey)
    with _store(Path(keep) if keep else None, survey, places) as store:
        saved = ((number, store.read(number)) for number in range(len(chunks)))
        found = {number: rows for number, rows in saved if rows is not None}
        done = sum(len(chunks[number]) for number in found)
        if done:
            report(done, len(places))
        left = {
            number: (survey, [places[k] for k in chunk])
            for number, chunk in enumerate(chunks)
            if number not in found
        }
        try:
            for number, rows in run_all(chunk_rows, left, jobs=jobs, scheduler=scheduler):
                store.write(number, rows)
                found[number] = rows
                done += len(chunks[number])
                report(done, len(places))
        except KeyboardInterrupt:
            kept = f"{done if keep else 'none'} of {len(places)} sites are saved"
            raise KeyboardInterrupt(f"{kept}; the same survey resumes from there") from None
    by_place = {
        k: rows for number, chunk in enumerate(chunks) for k, rows in zip(chunk, found[number])
    }
    rows = [row for place in range(len(places)) for row in by_place[place]]
    return ranked_table(rows, planned, SITE_COLUMNS)


class Survey(NamedTuple):
    """What is computed for every place."""

    scenario: Scenario
    range_s: tuple[int, int]
    planner: Planner | None
    ephemeris_directory: Path | None


def chunk_rows(survey: Survey, places: list[Place]) -> list[list[dict]]:
    """Rows of each place; one that cannot be computed does not affect the others."""
    unreadable = {
        k: [_note_row(place, f"not computed: {problem}")]
        for k, place in enumerate(places)
        if (problem := place.problem or _skyline_problem(place))
    }
    readable = [k for k in range(len(places)) if k not in unreadable]
    rows = dict(zip(readable, _readable_rows(survey, [places[k] for k in readable])))
    return [(unreadable | rows)[k] for k in range(len(places))]


def _readable_rows(survey: Survey, places: list[Place]) -> list[list[dict]]:
    if not places:
        return []
    try:
        courses = site_courses(survey.scenario, places, *survey.range_s, survey.ephemeris_directory)
        return [_place_rows(survey, place, course) for place, course in zip(places, courses)]
    except EphemerisError:
        raise
    except (ObsplanError, ValueError, ArithmeticError) as problem:
        if len(places) == 1:
            return [[_note_row(places[0], f"not computed: {' '.join(str(problem).split())}")]]
        return [_readable_rows(survey, [place])[0] for place in places]


def _skyline_problem(place: Place) -> str:
    """Why a place's skyline cannot be read; "" if it can."""
    try:
        skyline_of(place)
    except ObsplanError as problem:
        return str(problem)
    return ""


def _place_rows(survey: Survey, place: Place, course: SiteCourse) -> list[dict]:
    rows = site_rows(survey.scenario, course, survey.planner)
    if not rows:
        return [_note_row(place, "no local noon in the range")]
    cautions = [f"caution: {caution}" for caution in skyline_cautions(place.skyline, *place[1:4])]
    notes = ["; ".join([str(row["notes"]), *cautions]) for row in rows]
    return [_place_columns(place) | row | {"notes": note} for row, note in zip(rows, notes)]


def _place_columns(place: Place) -> dict:
    return {column: getattr(place, column) for column in SITE_COLUMNS}


def _note_row(place: Place, note: str) -> dict:
    return _place_columns(place) | dict.fromkeys(DAY_COLUMNS) | {"notes": note}


def _chunks(places: Sequence[Place], survey: Survey) -> list[list[int]]:
    """Numbers of the places in chunks of neighbours by longitude, whose days begin together.

    Places with the same skyline files come together, so that each process reads an elevation
    model only once. One by one if each is planned: planning takes so long that all processes
    should share it.
    """
    most = min(CHUNK_SITES, max(1, CHUNK_SAMPLES // scan_count(*survey.range_s)))
    most = 1 if survey.planner else most

    def key(k: int) -> tuple:
        place = places[k]
        # Those that cannot be computed come last; they may have no longitude.
        west = inf if place.problem else place.longitude_deg % 360.0
        return (bool(place.problem), tuple(map(str, place.skyline)), west, k)

    order = sorted(range(len(places)), key=key)
    return [order[start : start + most] for start in range(0, len(order), most)]


# ------------------------------------------------------------------------------ resuming


class _Store:
    """Rows of finished chunks, one file each; without a directory nothing is saved.

    A file is the SHA-256 of a line of JSON, and the line. A broken file is as good as none: its
    chunk is computed again.
    """

    def __init__(self, directory: Path | None):
        self.directory = directory

    def read(self, number: int) -> list[list[dict]] | None:
        if self.directory is None:
            return None
        try:
            content = read_input(_chunk_path(self.directory, number))
        except OSError:
            return None
        digest, _, line = content.partition(b"\n")
        return json.loads(line) if digest == _digest(line) else None

    def write(self, number: int, rows: list[list[dict]]) -> None:
        if self.directory:
            with _writing(self.directory):
                line = json.dumps(rows).encode()
                write_file(_chunk_path(self.directory, number), _digest(line) + b"\n" + line)


def _digest(content: bytes) -> bytes:
    return hashlib.sha256(content).hexdigest().encode()


def _chunk_path(directory: Path, number: int) -> Path:
    return directory / f"chunk-{number:05d}.json"


@contextmanager
def _store(keep: Path | None, survey: Survey, places: Sequence[Place]) -> Iterator[_Store]:
    """Store of finished chunks; its directory is unique to scenario, range and places.

    Runs of the same survey share it, and as long as one of them lives nobody deletes it.
    """
    if keep is None:
        yield _Store(None)
        return
    contents = {path: _content(path) for path in sorted({p for s in places for p in s.skyline})}
    everything = [
        __version__,
        survey.scenario.model_dump_json(),
        survey.scenario.input_hash,  # covers the skyline files of site and stations
        survey.range_s,
        survey.planner.gap if survey.planner else None,
        open_ephemeris(survey.ephemeris_directory).files,
        [[*map(str, place), *(contents[path] for path in place.skyline)] for place in places],
    ]
    key = hashlib.sha256(json.dumps(everything).encode()).hexdigest()[:KEY_DIGITS]
    directory = keep.parent / f".{keep.name}.{key}.parts"
    with ExitStack() as held:
        with _writing(directory):
            make = partial(Path.mkdir, parents=True, exist_ok=True)
            held.enter_context(locked(directory, make, shared=True))
        yield _Store(directory)


def forget_saved(keep: str | Path) -> None:
    """Delete what surveys that no longer run have saved beside the path `keep`."""
    keep = Path(keep)
    sweep(keep.parent, f".{escape(keep.name)}.{KEY_DIGITS * '[0-9a-f]'}.parts")


@contextmanager
def _writing(directory: Path) -> Iterator[None]:
    try:
        yield
    except OSError as problem:
        raise TableError(f"{directory}: cannot be written ({problem.strerror})") from None


def _content(path: Path) -> str:
    """SHA-256 of a skyline file, with its label or image; unreadable ones are reported later."""
    digest = hashlib.sha256()
    try:
        give_content(path, digest.update)
    except OSError:
        return "unreadable"
    return digest.hexdigest()
