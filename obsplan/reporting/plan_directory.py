"""The plan directory: every table, figure and summary, written together or not at all."""

import hashlib
import json
from pathlib import Path

import pandas as pd

import obsplan
from obsplan.analysis.command_deadlines import asks_uplink, uplink_deadlines
from obsplan.analysis.missing_runs import runs_in
from obsplan.checking.check import resources_table
from obsplan.common.atomic_write import write_directory
from obsplan.common.caution import CAUTION
from obsplan.common.csv_file import write_csv
from obsplan.common.errors import TableError
from obsplan.environment.model import Environment
from obsplan.planning.plan import Plan
from obsplan.reporting.calendar import calendar_bytes, entries_of, sequence_of
from obsplan.reporting.page.report import report_page

FIGURES = ("sky", "plan", "resources")
FORMATS = ("png", "svg", "pdf")
FILES = {
    "timeline.csv",
    "sky.csv",
    "contacts.csv",
    "resources.csv",
    "unplaced.csv",
    "deadlines.csv",
    "plan.ics",
    "changes.csv",
    "price_list.csv",
    "summary.json",
    "report.html",
    *(f"{name}.{form}" for name in FIGURES for form in FORMATS),
}


def sky_table(environment: Environment) -> pd.DataFrame:
    """The sky table at the step of the plan (UTC index)."""
    return environment.sky.iloc[:: environment.scenario.span.step_min]


def write_plan(
    plan: Plan,
    directory: Path,
    form: str = "png",
    tables: dict[str, pd.DataFrame] | None = None,
    facts: dict | None = None,
    follows: Path | None = None,
) -> None:
    """Write the plan directory; an older plan of the same name gives way only when all is there.

    The figures are written as `form`, one of `FORMATS`. `tables` are further ones, by file
    name, `facts` further entries of the summary. The calendar goes on from that of the plan
    replaced, and from that in the directory `follows`.
    Raises TableError when the place cannot be written, or holds something that is not a
    plan of obsplan.
    """
    environment = plan.environment
    scenario = environment.scenario
    from obsplan.reporting.figures.plan import plan_figure
    from obsplan.reporting.figures.resources import resources_figure
    from obsplan.reporting.figures.save import save_figure
    from obsplan.reporting.figures.sky import sky_figure

    directory = Path(directory).resolve()
    require_replaceable(directory)

    def fill(part: Path) -> None:
        write_csv(plan.timeline, part / "timeline.csv")
        write_csv(sky_table(environment), part / "sky.csv")
        write_csv(environment.contacts, part / "contacts.csv")
        write_csv(resources_table(scenario, plan.verdict), part / "resources.csv")
        write_csv(plan.unplaced, part / "unplaced.csv")
        if asks_uplink(scenario):
            deadlines = uplink_deadlines(environment, plan.timeline, plan.now_utc)
            write_csv(deadlines, part / "deadlines.csv")
        calendar = calendar_bytes(plan, calendar_of(follows, directory))
        (part / "plan.ics").write_bytes(calendar)
        drawn = (
            sky_figure(environment),
            plan_figure(plan),
            resources_figure(plan),
        )
        for name, figure in zip(FIGURES, drawn):
            save_figure(figure, part / f"{name}.{form}")
        page = report_page(plan)
        (part / "report.html").write_text(page, encoding="utf-8")
        for name, rows in (tables or {}).items():
            write_csv(rows, part / name)
        told = summary_of(plan) | (facts or {})
        told["timeline_sha256_16"] = _digest(part / "timeline.csv")
        summary = json.dumps(told, indent=2) + "\n"
        (part / "summary.json").write_text(summary, encoding="utf-8")
        # Someone may have edited the old plan while this one was drawn.
        require_replaceable(directory)

    try:
        write_directory(directory, fill)
    except OSError as problem:
        raise TableError(f"{directory}: cannot be written ({problem.strerror})") from None


def require_replaceable(directory: Path) -> None:
    """Raise TableError unless `directory` is free, empty, or a plan that nobody touched."""
    while True:
        before = _identity(directory)
        try:
            return _require_untouched(directory)
        except (TableError, OSError) as problem:
            # Another run may have put its plan there while this one looked.
            if _identity(directory) != before:
                continue
            if isinstance(problem, TableError):
                raise
            raise TableError(f"{directory}: cannot be read ({problem.strerror})") from None


def _identity(directory: Path) -> tuple[int, int] | None:
    try:
        status = directory.stat()
    except OSError:
        return None
    return status.st_dev, status.st_ino


def _require_untouched(directory: Path) -> None:
    if not directory.exists():
        return
    names = {entry.name for entry in directory.iterdir()} if directory.is_dir() else {""}
    if not names:
        return
    if not {"summary.json", "timeline.csv"} <= names:
        raise TableError(
            f"{directory}: is there and is no plan directory of obsplan; name another with -o"
        )
    if names - FILES:
        raise TableError(
            f"{directory}: a new plan would delete {', '.join(sorted(names - FILES))}; move it "
            "away, or name another directory with -o"
        )
    try:
        written = json.loads((directory / "summary.json").read_text())["timeline_sha256_16"]
    except (ValueError, KeyError, TypeError, OSError):
        written = None
    calendar_of(directory)
    if written != _digest(directory / "timeline.csv"):
        raise TableError(
            f"{directory / 'timeline.csv'}: was edited since it was written; move it away, or "
            "name another directory with -o"
        )


def calendar_of(*directories: Path | None) -> dict:
    """The entries of the calendars that lie there, the later version of each.

    Raises TableError when one of them is no calendar of obsplan's.
    """
    entries = {}
    for path in (directory / "plan.ics" for directory in directories if directory):
        try:
            found = entries_of(path.read_bytes(), str(path))
        except FileNotFoundError:
            continue
        for uid, entry in found.items():
            if uid not in entries or sequence_of(entry) > sequence_of(entries[uid]):
                entries[uid] = entry
    return entries


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()[:16]


def summary_of(plan: Plan) -> dict:
    """What a machine reads first: versions, hashes, value, bound, gap, margins, counts."""
    environment = plan.environment
    scenario = environment.scenario
    placed = runs_in(scenario, plan.timeline, plan.unplaced)
    return {
        "obsplan": obsplan.__version__,
        "title": scenario.title,
        "input_sha256_16": scenario.input_hash,
        "kernels": {name: digest[:16] for name, digest in environment.kernels.items()},
        "span": {
            "start_utc": f"{scenario.span.start_utc:%Y-%m-%dT%H:%M:%SZ}",
            "end_utc": f"{scenario.span.end_utc:%Y-%m-%dT%H:%M:%SZ}",
            "step_min": scenario.span.step_min,
        },
        "value": round(plan.value, 6),
        "bound": round(plan.bound, 6),
        "gap": round(plan.gap, 6),
        "interrupted": plan.interrupted,
        "check": plan.verdict.summary,
        "margins": [
            {
                "margin": row.margin,
                "where": row.where,
                "time_utc": f"{row.time_utc:%Y-%m-%dT%H:%M:%SZ}",
                "amount": round(row.amount, 3),
                "unit": row.unit,
            }
            for row in plan.verdict.margins.itertuples(index=False)
        ],
        "counts": {
            activity.name: {"wanted": activity.count, "placed": placed[activity.name]}
            for activity in scenario.activity
        },
        "hazards": {i.name: i.hazard for i in scenario.instrument if i.hazard != "none"},
        "caution": CAUTION,
    }
