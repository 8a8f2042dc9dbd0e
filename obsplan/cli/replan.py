"""The command for every day after the first: plan again from now on."""

import sys
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from obsplan.cli.alternatives import ALTERNATIVES, found_alternatives
from obsplan.cli.files import (
    echo_oddities,
    environment_of,
    read_slots,
    reported_before,
    timeline_path,
)
from obsplan.cli.options import (
    ALLOW_OUTSIDE,
    EPHEMERIS,
    FORMAT,
    GAP,
    INPUT,
    KEEP_OUT,
    OUTPUT_DIRECTORY,
    PIN,
    SCENARIO,
    TELEMETRY,
    TIMELINE,
    Finite,
    Hours,
    effort_option,
    example,
    instant_in_span,
    with_keep_outs,
    with_pins,
)
from obsplan.cli.paths import command
from obsplan.cli.patience import PATIENCE, Patience
from obsplan.cli.say import say
from obsplan.common import interruption

if TYPE_CHECKING:
    from obsplan.planning.search.strategy import Effort

DETAILS = """\b
Fixed slots are those that
  - were done, or are over and were not reported (they count as done)
  - are running, or start within --freeze
  - have the `state` locked
  - with [uplink]: cannot be commanded in time by any contact from now on;
    nothing new is placed there either
The column `why` of the new timeline gives the reason.

A failed run does not count, and activities that come after it cannot start. A shortened run
counts as a run, is worth its share of the time, and activities that come after it can start;
report it as failed if it must be repeated. What cannot have run is refused: outside the span,
after --now, more than half a day from its slot, longer than its slot by more than a step, or while
its instrument was busy. What is only odd is noted.

If fixed slots break a rule, or a required run no longer fits, the violation is named, the plan
is made around it, and the exit code is 1.

Replan from the latest plan directory. It keeps what was reported for it, in timeline.csv (what
became of slots) and in reported.toml (readings, array factors, outages), and the next replan goes
on from there. A later reading or array factor counts from its time on; what a later file says of
an instrument or a station replaces what was said of it before.

The plan directory has the files of `obsplan plan`, and also changes.csv (what moved, was
dropped or was added, why, and what it costs or gains) and price_list.csv (science against
moves, each plan with the --keep that chooses it). With --alternatives, alternatives.csv compares
plans that differ in at least 30 % of the slots from now on, as `obsplan plan` does. plan.ics
continues the calendar of the old plan; deadlines before --now are left out of it and of
deadlines.csv.

"""


@command(
    epilog=DETAILS
    + example(
        "obsplan replan mine/scenario.toml mine/plan --now 2028-07-06T12:00:00Z "
        "--state telemetry.toml -o mine/day5",
        "obsplan replan mine/scenario.toml mine/day5 --now 2028-07-07T12:00:00Z "
        "--state telemetry6.toml -o mine/day6",
    ),
)
@SCENARIO
@click.argument("timeline", type=TIMELINE)
@click.option("--now", metavar="TIME", required=True, help="Plan from this UTC time on.")
@click.option(
    "-o", "--output", type=OUTPUT_DIRECTORY, required=True, help="Another plan directory."
)
@TELEMETRY
@click.option("--as-run", type=INPUT, metavar="CSV", help="What ran, as for `obsplan compare`.")
@click.option(
    "--freeze",
    type=Hours(zero_allowed=True),
    default="2h",
    show_default=True,
    help="Slots that start within this time stay as they are.",
)
@click.option(
    "--keep",
    type=Finite(0, 1),
    default=0.01,
    show_default=True,
    help="Largest share of the best science to give up for fewer moves.",
)
@GAP
@effort_option("low")
@PATIENCE
@FORMAT
@KEEP_OUT
@PIN
@ALTERNATIVES
@ALLOW_OUTSIDE
@EPHEMERIS
def replan(
    scenario_path: Path,
    timeline: Path,
    now: str,
    output: Path,
    telemetry: Path | None,
    as_run: Path | None,
    freeze: float,
    keep: float,
    gap: float,
    effort: "Effort",
    patience: Patience,
    form: str,
    keep_outs: tuple[tuple[str, str, str], ...],
    pins: tuple[str, ...],
    plans: int | None,
    allow_outside: bool,
    ephemeris: Path | None,
) -> None:
    """Things went differently: what now? Writes a plan directory.

    TIMELINE is a timeline CSV or a plan directory. Some slots stay fixed (see below);
    everything else is planned again from --now on. Of the plans that give up no more than
    the share --keep of the best science found, the one with the fewest moves is chosen. A
    move is an old slot that was free to change and is no longer where it was; rows of the
    radio do not count. Slots that are kept or moved keep their ids.
    """
    from obsplan.inputs.read_scenario import read_scenario
    from obsplan.operations.replan import make_replan
    from obsplan.reporting import calendar, plan_directory
    from obsplan.reporting.text.terminal import progress

    plan_directory.require_replaceable(output)
    scenario = read_scenario(scenario_path, allow_outside=allow_outside)
    scenario = with_pins(with_keep_outs(scenario, keep_outs), pins)
    now_utc = instant_in_span(now, scenario, "--now")
    slots = read_slots(timeline, scenario, "planned for this one", now_utc)
    calendar.calendar_of(timeline_path(timeline).parent)
    earlier = reported_before(timeline, scenario, now_utc)
    state, ran = _reported(telemetry, as_run, scenario, now_utc, slots, earlier)
    environment = environment_of(scenario, ephemeris, state)
    echo_oddities(environment, slots, ran, now_utc)
    report = progress(sys.stderr)
    interruption.hold()
    made = make_replan(
        environment,
        slots,
        now_utc,
        ran=ran,
        freeze=timedelta(hours=freeze),
        keep=keep,
        gap=gap,
        effort=effort,
        patience_s=patience.search_s,
        report=report,
    )
    others = _alternatives(made, plans, patience, report)
    report("writing tables and figures ...")
    plan_directory.write_plan(made, output, form, timeline_path(timeline).parent, others)
    _end(made, others, output)


def _alternatives(made, plans: int | None, patience: Patience, report) -> list:
    from obsplan.operations.alternative_replans import alternative_replans

    return found_alternatives(partial(alternative_replans, made), plans, patience, report)


def _end(made, others: list, output: Path) -> None:
    """Tell the replan; the exit code is 1 if it breaks a rule."""
    from obsplan.reporting.text.alternative_lines import alternative_lines
    from obsplan.reporting.text.goal_lines import goal_lines, state_lines
    from obsplan.reporting.text.sentences import replan_lines
    from obsplan.reporting.text.stop_lines import stop_lines

    goals = [*goal_lines(made.plan), *state_lines(made.plan)]
    told = alternative_lines([made.plan, *others]) if others else []
    stops = stop_lines(made.plan)
    for line in (*replan_lines(made), *goals, *stops, *told, f"written to {output}"):
        say(line)
    if not made.plan.verdict.is_valid:
        sys.exit(1)


def _reported(telemetry: Path | None, as_run: Path | None, scenario, now_utc, slots, earlier):
    """The state that telemetry tells, now and earlier, None without any; and what ran."""
    from obsplan.inputs.read_state import read_state
    from obsplan.inputs.timeline_csv import read_as_run
    from obsplan.operations.telemetry import reported_runs

    state = earlier
    if telemetry:
        state = read_state(telemetry, scenario, now_utc, slots, earlier=earlier)
    listed = read_as_run(as_run, scenario, slots, now_utc) if as_run else None
    return state, reported_runs(state, slots, listed)
