"""The plan directory: every table, figure and summary, written together or not at all.

`FILES` is the one list of what a plan directory contains: a new output file is one row there.
"""

import json
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import icalendar
import pandas as pd

from obsplan.analysis.alternatives import MOST_PLANS, alternatives_table
from obsplan.analysis.command_deadlines import has_uplink_lead, uplink_deadlines
from obsplan.analysis.command_loads import command_loads
from obsplan.analysis.contact_use import used_contacts
from obsplan.analysis.data_latency import latency_table
from obsplan.analysis.decision_table import decision_table, has_decisions
from obsplan.analysis.goal_table import goal_table
from obsplan.analysis.quiet_hours import has_quiet, quiet_hours
from obsplan.analysis.traverse import drives_and_stops_left_out, has_stops
from obsplan.checking.check import resources_table
from obsplan.common import whole_directory
from obsplan.common.csv_file import write_csv
from obsplan.common.instants import full_stamp
from obsplan.futures.surer_plans import Survival
from obsplan.inputs.reported_file import REPORTED, reported_text
from obsplan.operations.replan import Replan
from obsplan.planning.plan import Plan
from obsplan.reporting import futures_directory
from obsplan.reporting.calendar import calendar_bytes, calendar_of
from obsplan.reporting.page.report import report_page
from obsplan.reporting.sky_files import SKY_FILES, SkyFile
from obsplan.reporting.summary import summary_of

if TYPE_CHECKING:
    from obsplan.reporting.figures.layout import Figure

FORMATS = ("png", "svg", "pdf")


class Results(NamedTuple):
    """What the files are made from: a plan, its replan and alternatives if any, the older calendar.

    alternatives: plans that differ from the plan. survival: what the plan was chosen by, if by its
    futures.
    """

    plan: Plan
    replan: Replan | None
    calendar: dict[str, icalendar.Event]
    alternatives: tuple[Plan, ...] = ()
    survival: Survival | None = None


class OutputFile(NamedTuple):
    """A file of a plan directory: its content in one line, what makes it, when it is written.

    `content` gives a table, text, bytes or a figure, or None if this plan has no such file.
    """

    holds: str
    content: "Callable[[Results], pd.DataFrame | Figure | str | bytes | None]"
    when: str = "always"


def _deadlines(results: Results) -> pd.DataFrame | None:
    plan = results.plan
    if not has_uplink_lead(plan.environment.scenario):
        return None
    return uplink_deadlines(plan.environment, plan.timeline, plan.now_utc)


def _loads(results: Results) -> pd.DataFrame | None:
    plan = results.plan
    if not has_uplink_lead(plan.environment.scenario):
        return None
    return command_loads(plan.environment, plan.timeline, plan.now_utc)


def _decisions(results: Results) -> pd.DataFrame | None:
    is_asked = has_decisions(results.plan.environment.scenario)
    return decision_table(results.plan) if is_asked else None


def _traverse(results: Results) -> pd.DataFrame | None:
    plan = results.plan
    return drives_and_stops_left_out(plan) if has_stops(plan.environment.scenario) else None


def _reported(results: Results) -> str | None:
    telemetry = results.plan.environment.telemetry
    return None if telemetry is None else reported_text(telemetry)


def _resources(results: Results) -> pd.DataFrame:
    return resources_table(results.plan.environment.scenario, results.plan.verdict)


# The drawing library is slow to load, so it is imported only to draw.


def _plan_figure(results: Results) -> "Figure":
    from obsplan.reporting.figures.plan import plan_figure

    return plan_figure(results.plan)


def _resources_figure(results: Results) -> "Figure":
    from obsplan.reporting.figures.resources import resources_figure

    return resources_figure(results.plan)


def _goal_grids_figure(results: Results) -> "Figure | None":
    from obsplan.reporting.figures.goal_grids import goal_grids_figure, grids_of

    plan = results.plan
    return goal_grids_figure(plan) if grids_of(plan.environment) else None


def _map(results: Results) -> "Figure | None":
    from obsplan.reporting.figures.traverse_map import traverse_map

    plan = results.plan
    return traverse_map(plan) if has_stops(plan.environment.scenario) else None


def _alternatives_figure(results: Results) -> "Figure | None":
    from obsplan.reporting.figures.alternatives import alternatives_figure

    if not results.alternatives:
        return None
    return alternatives_figure([results.plan, *results.alternatives])


def _alternative_timeline(number: int, results: Results) -> pd.DataFrame | None:
    """The timeline of plan `number`, counted from 2 on."""
    plans = results.alternatives
    return plans[number - 2].timeline if len(plans) > number - 2 else None


def _of_sky(file: SkyFile, results: Results) -> "pd.DataFrame | Figure | None":
    return file.content(results.plan.environment)


WITH_STOPS = "with [[stop]]"
# Figures are listed as PNG; they may be written in any of FORMATS.
FILES = {
    "report.html": OutputFile(
        "the plan for review, in one page that needs no network",
        lambda results: report_page(
            results.replan or results.plan, results.alternatives, results.survival
        ),
    ),
    "plan.png": OutputFile(
        "figure: Sun, contacts, permitted windows, slots, battery, bus and storage", _plan_figure
    ),
    "timeline.csv": OutputFile(
        "every slot: when it runs, Sun, ground and contact, power, data, value",
        lambda results: results.plan.timeline,
    ),
    "goals.csv": OutputFile(
        "what is reached of each goal and in each of its bins, when, what is missing and why",
        lambda results: (
            goal_table(results.plan) if results.plan.environment.scenario.goal else None
        ),
        "with [[goal]]",
    ),
    "goal_grids.png": OutputFile(
        "figure: goals over two quantities, the runs in each bin and all permitted starts",
        _goal_grids_figure,
        "with a goal over two quantities",
    ),
    "unplaced.csv": OutputFile(
        "requested runs that are not scheduled, why, and a change that lets one more fit",
        lambda results: results.plan.unplaced,
    ),
    "changes.csv": OutputFile(
        "what the replan moved, dropped and added, why, and what it costs or gains",
        lambda results: results.replan.changes if results.replan else None,
        "from obsplan replan",
    ),
    "price_list.csv": OutputFile(
        "science against moves, each with the --keep that chooses it",
        lambda results: results.replan.price_list if results.replan else None,
        "from obsplan replan",
    ),
    REPORTED: OutputFile(
        "what telemetry has reported so far; the next replan, check and compare go on from it",
        _reported,
        "from obsplan replan with --state",
    ),
    "deadlines.csv": OutputFile(
        "when the command for each slot must leave, and through which station",
        _deadlines,
        "with [uplink]",
    ),
    "command_loads.csv": OutputFile(
        "per contact: which slots must be commanded in it, and by when", _loads, "with [uplink]"
    ),
    "decisions.csv": OutputFile(
        "per run that people decide on: picture down, decide by, command by, run at",
        _decisions,
        "with decisions in after",
    ),
    "traverse.csv": OutputFile(
        "every drive of a rover: from where to where, when, how far and steep, energy, data; "
        "then the stops left out and why",
        _traverse,
        WITH_STOPS,
    ),
    "map.png": OutputFile(
        "figure: the map of stops and legs, over the ground if there is a model", _map, WITH_STOPS
    ),
    "plan.ics": OutputFile(
        "calendar of slots, contacts and command loads",
        lambda results: calendar_bytes(results.plan, results.calendar),
    ),
    "resources.csv": OutputFile(
        "generation, load, charge, stored and sent data of every platform, step by step",
        _resources,
    ),
    "resources.png": OutputFile(
        "figure: charge, power, stored and sent data of every platform against their limits",
        _resources_figure,
    ),
    **{name: OutputFile(f.holds, partial(_of_sky, f), f.when) for name, f in SKY_FILES.items()},
    "contacts.csv": OutputFile(
        "every contact of a platform and a station, its rate and what it can carry",
        lambda results: used_contacts(results.plan),
    ),
    "quiet_hours.csv": OutputFile(
        "by hour of local time: how long nothing disturbs, and which activities do",
        lambda results: (
            quiet_hours(results.plan) if has_quiet(results.plan.environment.scenario) else None
        ),
        "with quiet in an activity",
    ),
    "latency.csv": OutputFile(
        "per activity: how long its data wait until they reach Earth",
        lambda results: latency_table(results.plan),
    ),
    "summary.json": OutputFile(
        "for machines: versions, hashes, value, upper bound, margins, counts",
        lambda results: _summary(results),
    ),
}
WITH_ALTERNATIVES = "with --alternatives"
FILES |= {
    "alternatives.csv": OutputFile(
        "plans that differ clearly, side by side: value, margin, latency, what differs",
        lambda results: (
            alternatives_table([results.plan, *results.alternatives])
            if results.alternatives
            else None
        ),
        WITH_ALTERNATIVES,
    ),
    "alternatives.png": OutputFile(
        "figure: the slots of all these plans over one time axis",
        _alternatives_figure,
        WITH_ALTERNATIVES,
    ),
    **{
        f"timeline_{number}.csv": OutputFile(
            f"the slots of plan {number} of these; check and replan read it too",
            partial(_alternative_timeline, number),
            WITH_ALTERNATIVES,
        )
        for number in range(2, MOST_PLANS + 1)
    },
}
WITH_FUTURES = "with --futures"


def _of_futures(name: str, results: Results) -> "pd.DataFrame | Figure | str | None":
    """A file of the directory of futures, of the plan in fresh futures."""
    survival = results.survival
    if survival is None:
        return None
    return futures_directory.FILES[name].content(
        futures_directory.Results(survival.futures, survival.alone, survival.surer)
    )


def _tries_figure(results: Results) -> "Figure | None":
    from obsplan.reporting.figures.tries import tries_figure

    if (survival := results.survival) is None:
        return None
    return tries_figure(results.plan.environment.scenario.title, survival.tries, survival.goals)


def _try_goals(results: Results) -> pd.DataFrame | None:
    survival = results.survival
    return survival.goals if survival is not None and len(survival.goals) else None


FILES |= {
    "tries.csv": OutputFile(
        "plans made for less than is predicted, side by side in the same futures",
        lambda results: results.survival.tries if results.survival else None,
        WITH_FUTURES,
    ),
    "tries.png": OutputFile(
        "figure: what these plans are worth against how surely goals reach their minimum",
        _tries_figure,
        WITH_FUTURES,
    ),
    "try_goals.csv": OutputFile(
        "per plan of these and goal: the chance of its minimum and of all",
        _try_goals,
        WITH_FUTURES,
    ),
    **{
        name: OutputFile(file.holds, partial(_of_futures, name), WITH_FUTURES)
        for name, file in futures_directory.FILES.items()
    },
}
FIGURES = tuple(Path(name).stem for name in FILES if name.endswith(".png"))
# All names that a file may have; `whole_directory.SUMS` comes on top.
NAMES = {*FILES, *(f"{figure}.{form}" for figure in FIGURES for form in FORMATS)}


def write_plan(
    made: Plan | Replan,
    directory: str | Path,
    form: str = "png",
    follows: str | Path | None = None,
    alternatives: Sequence[Plan] = (),
    survival: Survival | None = None,
) -> None:
    """Write the plan directory; it replaces an older plan there only once it is complete.

    The files are those of `FILES`, figures as `form`, one of `FORMATS`. The calendar continues that
    of the plan replaced, and that in the directory `follows`. `alternatives` are up to
    MOST_PLANS - 1 plans that differ from the plan (see `alternative_plans`); `survival` is what the
    plan was chosen by (see `surest_plan`). Raises TableError if
    the directory cannot be written, or contains something that is not a plan of obsplan.
    """
    directory = Path(directory)
    require_replaceable(directory)
    plan, replan = (made.plan, made) if isinstance(made, Replan) else (made, None)
    calendar = calendar_of(Path(follows) if follows else None, directory)
    results = Results(plan, replan, calendar, tuple(alternatives), survival)

    def fill(part: Path) -> None:
        for name, file in FILES.items():
            if (content := file.content(results)) is not None:
                _write(content, part / name, form)

    whole_directory.write_whole(directory, NAMES, fill)


def _write(content: "pd.DataFrame | Figure | str | bytes", path: Path, form: str) -> None:
    if isinstance(content, pd.DataFrame):
        write_csv(content, path)
    elif isinstance(content, bytes):
        path.write_bytes(content)
    elif isinstance(content, str):
        path.write_text(content, encoding="utf-8")
    else:
        from obsplan.reporting.figures.save import save_figure

        save_figure(content, path.with_suffix(f".{form}"))


def require_replaceable(directory: Path) -> None:
    """Raise TableError unless `directory` is new, empty, or a plan that no hand has changed."""
    whole_directory.require_replaceable(directory, NAMES)


def _summary(results: Results) -> str:
    """summary.json; a replan adds its start, unavoidable violations and assumptions."""
    summary = summary_of(results.plan)
    if replan := results.replan:
        assert replan.plan.now_utc is not None  # every replan has a start
        summary |= {
            "now_utc": full_stamp(replan.plan.now_utc),
            "unavoidable_violations": [
                violation.message for violation in replan.plan.verdict.found
            ],
            "assumptions": list(replan.assumptions),
        }
    return json.dumps(summary, indent=2) + "\n"
