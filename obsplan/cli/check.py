"""The command that checks a timeline."""

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from obsplan.cli.files import (
    echo_note,
    echo_oddities,
    environment_of,
    read_slots,
    reported_before,
    timeline_path,
    write_results,
)
from obsplan.cli.options import (
    ALLOW_OUTSIDE,
    EPHEMERIS,
    OUTPUT_FILE,
    SCENARIO,
    TELEMETRY,
    TIMELINE,
    example,
    instant_in_span,
)
from obsplan.cli.paths import command
from obsplan.cli.say import hand_over, say
from obsplan.common import interruption
from obsplan.common.errors import ObsplanError
from obsplan.common.instants import stamp

if TYPE_CHECKING:
    from obsplan.checking.check import Verdict

DETAILS = """Only the columns activity and start_utc are required (and end_utc for rows of the
radio); `obsplan keys timeline` explains them all. If you move a slot, clear its end_utc or move
that too. Columns may come in any order, and unknown ones are ignored. They are separated by
commas, semicolons or tabs. Times are UTC unless they have a zone, and rounded to the second. If a
timeline has no rows of the radio, platforms may send whenever they can. A note says if the
timeline was planned for another scenario (by the input hash in the summary.json beside it).

A fix changes one slot, a few slots or a key of the scenario. It was tried: it mends the rule and
breaks nothing more, all else as it is. Up to a hundred changes are tried, fewer if very much is
broken. What comes first is mended first; a line says for how many violations fixes were sought.

With --state the check uses what telemetry says, and fixes lie ahead of it; what was reported
before a replan is in reported.toml of its plan directory and is used too. Slots that are locked
or have begun are not moved. Slots that are done cannot be changed: rules
broken by them alone, and limits exceeded before telemetry was read, are not reported.

"""


@command(
    epilog=DETAILS
    + example(
        "obsplan check mine/scenario.toml mine/plan/timeline.csv",
        "obsplan check mine/scenario.toml mine/plan --state telemetry.toml",
        "obsplan check mine/scenario.toml mine/day5",
        "obsplan check mine/scenario.toml edited.csv --watch",
    ),
)
@SCENARIO
@click.argument("timeline", type=TIMELINE)
@click.option("-o", "--output", type=OUTPUT_FILE, help="Write the broken rules to this CSV file.")
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "csv"]),
    default="text",
    show_default=True,
    help="Print the broken rules as sentences or as CSV.",
)
@click.option(
    "--watch",
    is_flag=True,
    help="Check again whenever the timeline is saved, the worst first; Ctrl-C ends it.",
)
@TELEMETRY
@click.option(
    "--now",
    metavar="TIME",
    help="With telemetry: the time now. Default: when it was read, or when the last reported run "
    "ended, if that is later.",
)
@ALLOW_OUTSIDE
@EPHEMERIS
def check(
    scenario_path: Path,
    timeline: Path,
    output: Path | None,
    form: str,
    watch: bool,
    telemetry: Path | None,
    now: str | None,
    allow_outside: bool,
    ephemeris: Path | None,
) -> None:
    """Is this timeline valid, also after editing it by hand?

    TIMELINE is a timeline CSV or a plan directory. Every broken rule is named with slot,
    time, amount and fix. Then come the smallest margins, the rules that were checked, and what
    counts towards each goal.

    Exit code: 0 if no violation is found, 1 if there is one, 2 if the file cannot be read
    as a timeline (for example a time that is none, or an unknown name).
    """
    from obsplan.checking.check import check_timeline
    from obsplan.common.csv_file import csv_text
    from obsplan.inputs.read_scenario import read_scenario
    from obsplan.reporting.text.goal_lines import check_lines
    from obsplan.reporting.text.sentences import summary_lines, verdict_lines

    if watch and (output or form == "csv"):
        raise click.UsageError("--watch prints sentences: use it without -o and --format csv")
    scenario = read_scenario(scenario_path, allow_outside=allow_outside)
    slots = read_slots(timeline, scenario, "checked against this one")
    now_utc = instant_in_span(now, scenario, "--now") if now else None
    earlier = reported_before(timeline, scenario, now_utc)
    if now and not telemetry and not earlier:
        raise click.UsageError("--now needs --state")
    state, ran, since_utc = _reported(telemetry, scenario, now_utc, slots, earlier)
    environment = environment_of(scenario, ephemeris, state)

    if watch:

        def judge(fixes: bool) -> "tuple[Verdict, list[str]]":
            slots = read_slots(timeline, scenario, "checked against this one")
            _, ran, since_utc = _reported(telemetry, scenario, now_utc, slots, earlier)
            slots = _as_reported(environment, slots, ran, since_utc)
            verdict = check_timeline(environment, slots, since_utc, fixes=fixes)
            return verdict, check_lines(environment, slots, verdict.resources)

        sys.exit(_watched(timeline_path(timeline), judge))
    slots = _as_reported(environment, slots, ran, since_utc)
    verdict = check_timeline(environment, slots, since_utc, fixes=False)
    if not verdict.is_valid:
        say("trying what would mend the broken rules ...", err=True)
        verdict = check_timeline(environment, slots, since_utc)
    write_results({output: verdict.violations})
    if form == "csv":
        hand_over(csv_text(verdict.violations))
    told = summary_lines(verdict) if form == "csv" else verdict_lines(verdict)
    for line in (*told, *check_lines(environment, slots, verdict.resources)):
        say(line, err=form == "csv")
    if not verdict.is_valid:
        sys.exit(1)


def _watched(path: Path, judge: "Callable[[bool], tuple[Verdict, list[str]]]") -> int:
    """Print a verdict after each save, fixes once the file rests; the last exit code."""
    from obsplan.cli.watch import saves
    from obsplan.reporting.text.sentences import verdict_lines, worst_first

    code = 0
    try:
        with interruption.interruptible():
            for is_new in saves(path):
                if not is_new and code != 1:
                    continue
                try:
                    verdict, goals = judge(not is_new)
                    lines = [*verdict_lines(worst_first(verdict)), *goals]
                    code = int(not verdict.is_valid)
                except ObsplanError as problem:
                    lines, code = problem.lines, problem.exit_code
                click.clear()
                say(f"{path}, as saved:" if is_new else f"{path}, with fixes:")
                for line in lines:
                    say(line)
                say(f"{path}: Ctrl-C ends the watch")
    except KeyboardInterrupt:
        say("no longer watched; the exit code is that of the last check", err=True)
    return code


def _reported(path: Path | None, scenario, now_utc, slots, earlier):
    """The state that telemetry tells, what ran, and the time from which it applies, if any."""
    if path is None and earlier is None:
        return None, None, None
    from obsplan.inputs.read_state import read_state
    from obsplan.operations.as_run import latest_report
    from obsplan.operations.telemetry import reported_runs

    state = earlier
    if path:
        state = read_state(path, scenario, now_utc, slots, echo_note, earlier)
    ran = reported_runs(state, slots)
    # What the timeline says has run is past.
    return state, ran, now_utc or max(state.at_utc, latest_report(scenario, slots, ran))


def _as_reported(environment, slots, ran, since_utc):
    """The slots with what became of them, and notes on what is odd or too late."""
    if since_utc is None:
        return slots
    from obsplan.operations.fixed_slots import with_outcomes

    echo_oddities(environment, slots, ran, since_utc)
    slots = with_outcomes(environment.scenario, slots, ran, since_utc)
    _echo_too_late(environment, slots, since_utc)
    return slots


def _echo_too_late(environment, slots, since_utc) -> None:
    """A note on slots that no contact from now on can command in time."""
    from obsplan.analysis.command_deadlines import beyond_command

    ahead = slots[(slots["state"] == "planned") & (slots["start_utc"] > since_utc)]
    if loaded := sorted(beyond_command(environment, ahead, since_utc)):
        say(
            f"note: no contact after {stamp(since_utc)} can command these slots in "
            f"time, so they must already be loaded: {', '.join(loaded)}",
            err=True,
        )
