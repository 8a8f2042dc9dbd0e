"""Which of these sites and days is best? Many sites, on all cores or on a Dask cluster.

The sites go in chunks, always the same ones for the same input, so that rows do not
depend on who works them out. Each finished chunk is kept in a hidden directory beside the
output until the survey is whole; an interrupted survey, asked again, goes on from there.
"""

import csv
import hashlib
import io
import json
import math
import os
import shutil
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, CancelledError, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from datetime import datetime
from difflib import get_close_matches
from multiprocessing import get_context
from pathlib import Path
from typing import NamedTuple

import pandas as pd

import obsplan
from obsplan.common.errors import EphemerisError, ObsplanError, TableError
from obsplan.ephemeris import open_ephemeris
from obsplan.inputs.scenario import Scenario
from obsplan.survey.landing_days import DAY_COLUMNS, Planner, range_seconds, ranked_table, site_rows
from obsplan.survey.lunar_days import require_range, scan_count
from obsplan.survey.site_course import Place, site_courses, skyline_of

Report = Callable[[int, int], None]  # sites done, sites in all
LIMITS = {  # column: least, most, what stands where the column or cell is missing
    "latitude_deg": (-90.0, 90.0, None),
    "longitude_deg": (-180.0, 360.0, None),
    "height_m": (-20_000.0, 20_000.0, None),
    "slope_deg": (0.0, 90.0, 0.0),
    "aspect_deg": (0.0, 360.0, 0.0),
}
COLUMNS = ["name", *LIMITS, "skyline"]
NEEDED = ["name", "latitude_deg", "longitude_deg", "height_m"]
SITE_COLUMNS = NEEDED
CHUNK_SITES = 25  # beyond, sites gain nothing from each other's company
CHUNK_SAMPLES = 1_000_000  # about 400 MB a process
ATTEMPTS = 3  # of a chunk whose worker was lost
CONNECT_S = 10


def read_sites(path: str | Path) -> list[Place]:
    """Sites of a CSV with name, latitude_deg, longitude_deg and height_m.

    Optional are slope_deg, aspect_deg and skyline, a CSV profile or elevation model
    beside the file, or flat.
    Raises TableError with one line for every mistake: a missing, doubled or unknown column,
    a bad number, a name that is missing or given twice.
    """
    path = Path(path)
    rows = _read_rows(path)
    places, lines, first_row = [], [], {}
    for number, cells in rows:
        values = {}
        for column, (low, high, default) in LIMITS.items():
            text = cells.get(column, "")
            value = _number(text) if text or default is None else default
            if not low <= value <= high:
                lines.append(
                    f"row {number}: {column} is '{text}'; allowed is a number from "
                    f"{low:g} to {high:g}"
                )
            values[column] = value
        name = cells["name"]
        if not name:
            lines.append(f"row {number}: name is missing; every site needs its own")
        elif name in first_row:
            lines.append(
                f"row {number}: name '{name}' was given in row {first_row[name]} already; "
                "names must differ"
            )
        first_row.setdefault(name, number)
        skyline = cells.get("skyline", "")
        files = () if skyline in ("", "flat") else ((path.parent / skyline).resolve(),)
        places.append(Place(name, **values, skyline=files))
    if lines:
        raise TableError("\n".join(f"{path}: {line}" for line in lines))
    return places


def survey_sites(
    scenario: Scenario,
    places: list[Place],
    first_utc: datetime,
    last_utc: datetime,
    *,
    planned: bool = False,
    gap: float = 0.01,
    jobs: int | None = None,
    scheduler: str | None = None,
    keep: Path | None = None,
    report: Report = lambda done, whole: None,
    ephemeris_directory: Path | None = None,
) -> pd.DataFrame:
    """Every lunar day of every place: name and coordinates, then the columns of days.csv.

    Rows come by place, as given, then by day; `rank` is over all of them. A place that
    cannot be worked out is one row whose `notes` say why. `jobs` processes share the work
    (all cores by default), or the workers of the Dask `scheduler`. Finished chunks are kept
    in a hidden directory beside the path `keep`, and taken from there; it goes when all is
    done. Raises ObsplanError for an empty range, one outside the kernels, or a scheduler
    that does not answer or is lost; TableError when nothing can be kept there.
    """
    range_s = range_seconds(first_utc, last_utc)
    require_range(*range_s, ephemeris_directory)
    planner = Planner(scenario, gap, ephemeris_directory) if planned else None
    job = Job(scenario, range_s, planner, ephemeris_directory)
    chunks = _chunks(places, job)
    found: dict[int, list[list[dict]]] = {}
    done = 0
    store = _store(keep, job, places, gap)
    for number, members in enumerate(chunks):
        rows = store.read(number)
        if rows is not None:
            found[number] = rows
            done += len(members)
    if done:
        report(done, len(places))
    open_chunks = {n: [places[k] for k in c] for n, c in enumerate(chunks) if n not in found}
    for number, rows in _worked(job, open_chunks, jobs, scheduler):
        store.write(number, rows)
        found[number] = rows
        done += len(chunks[number])
        report(done, len(places))
    by_place = {k: rows for n, c in enumerate(chunks) for k, rows in zip(c, found[n])}
    store.done()
    rows = [row for place in range(len(places)) for row in by_place[place]]
    return ranked_table(rows, planned, SITE_COLUMNS)


class Job(NamedTuple):
    """What is asked of every chunk."""

    scenario: Scenario
    range_s: tuple[int, int]
    planner: Planner | None
    ephemeris_directory: Path | None


def chunk_rows(job: Job, places: list[Place]) -> list[list[dict]]:
    """Rows of each place; one that cannot be worked out harms no other."""
    broken = {
        k: [_note_row(p, f"not computed: {why}")]
        for k, p in enumerate(places)
        if (why := _unreadable(p))
    }
    sound = [k for k in range(len(places)) if k not in broken]
    rows = dict(zip(sound, _sound_rows(job, [places[k] for k in sound])))
    return [(broken | rows)[k] for k in range(len(places))]


def _sound_rows(job: Job, places: list[Place]) -> list[list[dict]]:
    if not places:
        return []
    try:
        courses = site_courses(job.scenario, places, *job.range_s, job.ephemeris_directory)
        return [_place_rows(job, place, course) for place, course in zip(places, courses)]
    except EphemerisError:
        raise
    except (ObsplanError, ValueError, ArithmeticError) as problem:
        if len(places) == 1:
            return [[_note_row(places[0], f"not computed: {' '.join(str(problem).split())}")]]
        return [_sound_rows(job, [place])[0] for place in places]


def _unreadable(place: Place) -> str:
    """Why a place's skyline cannot be read, or nothing."""
    try:
        skyline_of(place)
    except ObsplanError as problem:
        return str(problem)
    return ""


def _place_rows(job: Job, place: Place, course) -> list[dict]:
    rows = site_rows(job.scenario, course, job.planner)
    if not rows:
        return [_note_row(place, "no local noon in the range")]
    return [_heading(place) | row for row in rows]


def _heading(place: Place) -> dict:
    return {column: getattr(place, column) for column in SITE_COLUMNS}


def _note_row(place: Place, note: str) -> dict:
    return _heading(place) | dict.fromkeys(DAY_COLUMNS) | {"notes": note}


def _chunks(places: list[Place], job: Job) -> list[list[int]]:
    """Numbers of the places in chunks of neighbours by longitude, whose days begin together.

    One by one where each is planned: that takes so long that all should share in it.
    """
    most = min(CHUNK_SITES, max(1, CHUNK_SAMPLES // scan_count(*job.range_s)))
    most = 1 if job.planner else most
    order = sorted(range(len(places)), key=lambda k: (places[k].longitude_deg % 360.0, k))
    return [order[start : start + most] for start in range(0, len(order), most)]


# ------------------------------------------------------------------------------ workers


def _worked(job: Job, chunks: dict[int, list[Place]], jobs, scheduler) -> Iterator[tuple]:
    """Number and rows of each chunk, in the order in which they are done."""
    if scheduler is not None:
        return _on_cluster(job, chunks, scheduler)
    jobs = jobs or len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else jobs
    jobs = min(jobs or os.cpu_count() or 1, len(chunks))
    if jobs <= 1:
        return ((number, chunk_rows(job, places)) for number, places in chunks.items())
    return _on_cores(job, chunks, jobs)


def _on_cores(job: Job, chunks: dict[int, list[Place]], jobs: int) -> Iterator[tuple]:
    left = dict(chunks)
    for _ in range(ATTEMPTS):
        with _one_thread_each():
            pool = ProcessPoolExecutor(jobs, mp_context=get_context("spawn"))
            try:
                waiting = {pool.submit(chunk_rows, job, places): n for n, places in left.items()}
                while waiting:
                    ready, _ = wait(waiting, return_when=FIRST_COMPLETED)
                    for future in sorted(ready, key=waiting.get):
                        number = waiting.pop(future)
                        rows = future.result()
                        del left[number]
                        yield number, rows
                return
            except BrokenProcessPool:
                continue
            finally:
                pool.shutdown(cancel_futures=True)
    raise ObsplanError(
        f"worker processes were lost {ATTEMPTS} times, probably for want of memory; ask for fewer "
        "with --jobs"
    )


@contextmanager
def _one_thread_each():
    """New processes with one thread for linear algebra each: there is one process a core."""
    names = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
    before = {name: os.environ.get(name) for name in names}
    os.environ.update({name: "1" for name in names if before[name] is None})
    try:
        yield
    finally:
        for name in names:
            if before[name] is None:
                os.environ.pop(name, None)


def _on_cluster(job: Job, chunks: dict[int, list[Place]], scheduler: str) -> Iterator[tuple]:
    try:
        from dask.distributed import Client, KilledWorker, as_completed
        from distributed.comm import get_address_host_port
    except ImportError:
        raise ObsplanError(
            "--scheduler needs Dask: install obsplan with the extra `cluster`"
        ) from None
    try:
        get_address_host_port(scheduler)
        client = Client(scheduler, timeout=CONNECT_S, set_as_default=False)
    except (OSError, TimeoutError, ValueError, RuntimeError) as problem:
        reason = (str(problem).splitlines() or [type(problem).__name__])[0]
        raise ObsplanError(
            f"the scheduler {scheduler} does not answer within {CONNECT_S} s ({reason}); give an "
            "address like tcp://127.0.0.1:8786"
        ) from None
    with client, client.as_current():
        futures = {
            client.submit(chunk_rows, job, places, pure=False, retries=ATTEMPTS - 1): number
            for number, places in chunks.items()
        }
        try:
            for future in as_completed(list(futures)):
                yield futures[future], future.result()
        except (CancelledError, KilledWorker, OSError) as problem:
            what = "its workers" if isinstance(problem, KilledWorker) else "the connection to it"
            raise ObsplanError(
                f"the scheduler {scheduler} lost {what}; ask again, and the survey goes on from "
                "the sites that are done"
            ) from None


# ------------------------------------------------------------------------------ resuming


class _Store:
    """Rows of finished chunks, one JSON file each; without a directory nothing is kept."""

    def __init__(self, directory: Path | None):
        self.directory = directory

    def read(self, number: int) -> list[list[dict]] | None:
        try:
            return json.loads(self._path(number).read_text()) if self.directory else None
        except (OSError, ValueError):
            return None

    def write(self, number: int, rows: list[list[dict]]) -> None:
        if self.directory:
            part = self._path(number).with_suffix(".part")
            with _writing(self.directory):
                part.write_text(json.dumps(rows))
                os.replace(part, self._path(number))

    def done(self) -> None:
        if self.directory:
            shutil.rmtree(self.directory, ignore_errors=True)

    def _path(self, number: int) -> Path:
        return self.directory / f"chunk-{number:05d}.json"


def _store(keep: Path | None, job: Job, places: list[Place], gap: float) -> _Store:
    """Where chunks are kept: a directory of a name that no other question has."""
    if keep is None:
        return _Store(None)
    kernels = open_ephemeris(job.ephemeris_directory).files
    asked = [
        obsplan.__version__,
        job.scenario.model_dump_json(),
        job.scenario.input_hash,
        job.range_s,
        gap if job.planner else None,
        kernels,
        [[*map(str, place), *_contents(place.skyline)] for place in places],
    ]
    key = hashlib.sha256(json.dumps(asked).encode()).hexdigest()[:12]
    directory = keep.parent / f".{keep.name}.{key}.parts"
    with _writing(directory):
        directory.mkdir(parents=True, exist_ok=True)
    return _Store(directory)


@contextmanager
def _writing(directory: Path) -> Iterator[None]:
    try:
        yield
    except OSError as problem:
        raise TableError(f"{directory}: cannot be written ({problem.strerror})") from None


def _contents(paths: tuple[Path, ...]) -> list[str]:
    """What the skyline files hold, shortened; a file that cannot be read is told later."""
    try:
        return [hashlib.sha256(path.read_bytes()).hexdigest() for path in paths]
    except OSError:
        return ["unreadable"]


# ------------------------------------------------------------------------------ reading


def _read_rows(path: Path) -> list[tuple[int, dict[str, str]]]:
    """Row numbers, the header being row 1, and cells by column."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
        records = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    except OSError as problem:
        raise TableError(f"{path}: cannot be read ({problem.strerror})") from None
    except (UnicodeDecodeError, csv.Error) as problem:
        raise TableError(f"{path}: not CSV in UTF-8 ({problem})") from None
    header = [cell.strip().lower() for cell in records[0]] if records else []
    lines = [
        f"row 1: column {c} is missing; needed are {', '.join(NEEDED)}"
        for c in NEEDED
        if c not in header
    ]
    lines += [f"row 1: column {c} is there twice" for c in COLUMNS if header.count(c) > 1]
    for column in header:
        if column not in COLUMNS:
            near = get_close_matches(column, COLUMNS, n=1, cutoff=0.5)
            hint = f"did you mean '{near[0]}'?" if near else f"known are {', '.join(COLUMNS)}"
            lines.append(f"row 1: column '{column}' is not known; {hint}")
    rows = []
    for number, cells in enumerate(records[1:], start=2):
        cells = [cell.strip() for cell in cells]
        if not any(cells):
            continue
        if len(cells) > len(header):
            lines.append(f"row {number}: {len(cells)} cells, the header has {len(header)}")
        rows.append((number, dict(zip(header, cells)) | dict.fromkeys(header[len(cells) :], "")))
    if not lines and not rows:
        lines.append("no site below the header; a survey needs at least one row")
    if lines:
        raise TableError("\n".join(f"{path}: {line}" for line in lines))
    return rows


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan
