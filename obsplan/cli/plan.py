"""The command that plans, or audits a scenario before planning."""

import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from obsplan.cli.alternatives import ALTERNATIVES, found_alternatives
from obsplan.cli.files import echo_cautions, echo_pass_cautions, known_judge
from obsplan.cli.options import (
    ALLOW_OUTSIDE,
    EPHEMERIS,
    FORMAT,
    FUTURES,
    GAP,
    JUDGE,
    KEEP_OUT,
    OUTPUT_DIRECTORY,
    PIN,
    SCENARIO,
    effort_option,
    example,
    with_keep_outs,
    with_pins,
)
from obsplan.cli.paths import command
from obsplan.cli.patience import PATIENCE, Patience
from obsplan.cli.say import hand_over, say, say_coloured
from obsplan.common import interruption

if TYPE_CHECKING:
    from obsplan.futures.surer_plans import Judge
    from obsplan.planning.search.strategy import Effort

DETAILS = """`obsplan keys files` lists the files of a plan directory; report.html is the one
to show to the board. For each activity, unplaced.csv names a change that lets one more run fit;
the replay has confirmed it. There, more energy means that both the capacity of the battery and
its charge at the start grow by that much, and a faster link uses the same power.

A plan replaces an older one in its directory once it is complete. If a file there was changed or
added by hand, nothing is planned and the file is named.

Import plan.ics into any calendar. Slots are tentative until they are locked or done, and
mark nobody as busy. An entry is recognised by the scenario's title and by what it is, for
example the third run of an activity. A plan written over an older one therefore moves the
entries and marks removed ones as cancelled. A plan in a new directory has no older plan to
compare with, so it cancels nothing.

The last lines name the margins of energy, power, storage and link that are used up, or nearly:
a plan without margin breaks as soon as less comes than was predicted.

With --alternatives, alternatives.csv compares plans that differ in at least 30 % of the slots of
each pair, at as little loss of value as a short search finds; alternatives.png shows their slots,
and timeline_2.csv and so on hold them.

With --futures, up to six plans are made for less than is predicted: arrays 95 and 90 %, link 90 %,
reserve +5 %, then the best two of these together, and half as much further. The last two have runs
as long as their uncertainty says at most and, if goals have a minimum, a spare run in each bin that
it needs. Each starts from the plan and is executed in the same futures (see obsplan futures). A
table, tries.csv, try_goals.csv and tries.png compare them. The best to --judge is the plan that is
written, with its chances from fresh futures, those of the next seed. To minimum-goals that is the
plan of the highest mean value among those whose chance that all goals reach their minimum is within
0.01 of the highest. Single changes of that plan are tried for the two goals that are least sure
(surer.csv): another run, a run moved earlier or left out, a pass booked.

With --worth, a table after the plan says what one more Wh of battery, W of array, hour of
contact and Mbit of storage would add to the upper bound. If the bound gives no price, since it
counts all runs as scheduled or more of the resource leaves it as it is, the plan is improved with
as much more as unplaced.csv names, or a tenth more, and the table says what that adds to its
value. Other tables say what the plan gains without each of its margins, and from one more pass if
a station has booked passes.

Colour only repeats what the text says; it is switched off in pipes and if NO_COLOR is set.

"""


@command(
    epilog=DETAILS
    + example(
        "obsplan plan mine/scenario.toml -o mine/plan",
        "obsplan plan mine/scenario.toml --dry-run",
    ),
)
@SCENARIO
@click.option("-o", "--output", type=OUTPUT_DIRECTORY, help="The plan directory.")
@GAP
@effort_option("normal")
@PATIENCE
@FORMAT
@KEEP_OUT
@PIN
@click.option(
    "--worth", is_flag=True, help="Also print what one more unit of each resource would add."
)
@ALTERNATIVES
@FUTURES
@JUDGE
@click.option("--dry-run", is_flag=True, help="Only audit the scenario; write nothing.")
@click.option("--quiet", is_flag=True, help="Print nothing but errors; see the exit code.")
@click.option("--json", "as_json", is_flag=True, help="Print summary.json instead of a table.")
@ALLOW_OUTSIDE
@EPHEMERIS
def plan(
    scenario_path: Path,
    output: Path | None,
    gap: float,
    effort: "Effort",
    patience: Patience,
    form: str,
    keep_outs: tuple[tuple[str, str, str], ...],
    pins: tuple[str, ...],
    worth: bool,
    plans: int | None,
    judge: str | None,
    dry_run: bool,
    quiet: bool,
    as_json: bool,
    allow_outside: bool,
    ephemeris: Path | None,
) -> None:
    """Which instrument runs when? Writes a plan directory.

    The search stops once the plan is proven to be within --gap of the upper bound, or when the work
    of --effort is done. For the demo, low takes about 10 s, normal half a minute, high some
    minutes. Standard error shows the best value so far and the gap. Ctrl-C, TERM or HUP ends the
    search with the best plan found so far. Every plan is replayed minute by minute before it is
    written. If none is possible, conflicting rules are named and the exit code is 1.

    With --dry-run the scenario is audited instead, in a few seconds. A table compares what required
    and all requested runs need of energy, downlink and storage with what each platform has. Then
    come errors (no plan is possible; exit code 1), warnings and notes, with fixes.
    """
    directory = _directory(output, worth, dry_run, quiet, as_json)
    scenario = _scenario(scenario_path, allow_outside, is_planned=directory is not None)
    scenario = with_pins(with_keep_outs(scenario, keep_outs), pins)
    known = known_judge(scenario, scenario_path, judge)
    from obsplan.environment.build import make_environment
    from obsplan.planning.plan import make_plan
    from obsplan.reporting import plan_directory
    from obsplan.reporting.text.terminal import progress

    if directory:
        plan_directory.require_replaceable(directory)
    report = (lambda line: None) if quiet else progress(sys.stderr)
    report("computing Sun, Earth, ground, power and link ...")
    echo_cautions(scenario)
    environment = make_environment(scenario, ephemeris)
    if directory is None:
        _audit(environment, quiet, as_json)
        return
    _report_problem(environment, report)
    interruption.hold()
    made = make_plan(environment, gap, report, effort, patience_s=patience.search_s)
    made, survival = _surest(made, known, patience, report)
    others = _alternatives(made, plans, patience, report)
    report("writing tables and figures ...")
    plan_directory.write_plan(made, directory, form, alternatives=others, survival=survival)
    if not quiet:
        _print_plan(made, directory, others, survival, as_json)
    if worth:
        _print_worth(made, patience, report)


def _scenario(path: Path, allow_outside: bool, is_planned: bool):
    """The scenario; what plans it is compiled beside all that follows, if it was not yet."""
    from obsplan.inputs.read_scenario import read_scenario

    scenario = read_scenario(path, allow_outside=allow_outside)
    if is_planned:
        from obsplan.planning.search.compiled import compiling

        compiling()
    return scenario


def _alternatives(made, plans: int | None, patience: Patience, report) -> list:
    from obsplan.analysis.alternatives import alternative_plans

    return found_alternatives(partial(alternative_plans, made), plans, patience, report)


def _surest(made, judge: "Judge | None", patience: Patience, report: Callable[[str], None]):
    """The plan that is best in its futures, and what tells so.

    The plan itself and None without a judge, after Ctrl-C, and if no time is left.
    """
    from obsplan.futures.surer_plans import surest_plan

    if judge is None:
        return made, None
    if patience.leaves_no_search:
        report("patience ran out: plans for less than is predicted are left out")
        return made, None
    try:
        with interruption.interruptible():
            survival = surest_plan(made, judge, report=report)
            return survival.plan, survival
    except KeyboardInterrupt:
        report("interrupted: continuing with the plan as predicted")
        return made, None


def _print_plan(made, directory: Path, others: list, survival, as_json: bool) -> None:
    """What the terminal shows of the plan, its alternatives and its futures, or summary.json."""
    from obsplan.reporting.text import terminal
    from obsplan.reporting.text.futures_lines import futures_lines, surer_lines, tries_lines

    if as_json:
        hand_over((directory / "summary.json").read_text(encoding="utf-8"))
        return
    say_coloured(terminal.plan_lines(made, directory, terminal.colours(sys.stdout), others))
    if survival is not None:
        for line in tries_lines(survival.tries, survival.goals):
            say(line)
        for line in futures_lines(survival.futures, survival.alone):
            say(line)
        for line in surer_lines(survival.futures, survival.surer):
            say(line)


def _print_worth(made, patience: Patience, report: Callable[[str], None]) -> None:
    """What more of each resource adds to the bound, and to the plan if the bound has no price."""
    from obsplan.analysis.gain_from_margins import gain_from_margins
    from obsplan.analysis.gain_from_more import gain_from_more, nothing_to_gain
    from obsplan.analysis.gain_from_passes import gain_from_passes
    from obsplan.environment.booked_passes import unbooked_passes
    from obsplan.planning.reasons.marginal_worth import marginal_worth
    from obsplan.reporting.text import terminal

    if patience.is_over:
        report("patience ran out: what more of each resource would add is left out")
        return
    report("computing what more of each resource would add ...")
    try:
        with interruption.interruptible():
            worth, gains = marginal_worth(made.environment), None
            margins, passes = None, None
            if not nothing_to_gain(made):
                unpriced = worth[~(worth["worth"] > 0)]
                if len(unpriced):
                    report("improving the plan with a little more of what has no price ...")
                gains = gain_from_more(made, zip(unpriced["platform"], unpriced["what"]))
                if any(p.margins.kept for p in made.environment.scenario.platform):
                    report("improving the plan without its margins ...")
                    margins = gain_from_margins(made)
                if len(unbooked_passes(made.environment)):
                    report("improving the plan with passes that are not booked ...")
                    passes = gain_from_passes(made)
    except KeyboardInterrupt:
        raise KeyboardInterrupt("the plan is written, but not what more would add") from None
    colour = terminal.colours(sys.stdout)
    say_coloured(terminal.worth_lines(worth, gains, colour))
    if margins is not None:
        say_coloured(terminal.margin_worth_lines(margins, colour))
    if passes is not None:
        say_coloured(terminal.pass_lines(passes, colour))


def _directory(
    output: Path | None, worth: bool, dry_run: bool, quiet: bool, as_json: bool
) -> Path | None:
    """The plan directory; None if the scenario is only audited.

    Raises UsageError for options that cannot be combined.
    """
    if quiet and as_json:
        raise click.UsageError("--quiet and --json cannot be combined")
    if worth and (quiet or as_json or dry_run):
        raise click.UsageError(
            "--worth prints a table after a plan: use it without --quiet, --json and --dry-run"
        )
    if dry_run:
        return None
    if output is None:
        raise click.UsageError("name the plan directory with -o, or use --dry-run")
    return output


def _report_problem(environment, report: Callable[[str], None]) -> None:
    """Report the size of the problem, passes cut, and durations that the time grid rounds up."""
    from obsplan.inputs.placed import name_in_scenario
    from obsplan.planning.reasons.audit import many_starts

    echo_pass_cautions(environment)
    scenario = environment.scenario
    # What is done at several stops is told once.
    once = {name_in_scenario(activity): activity for activity in scenario.activity}
    report(f"physics of {scenario.steps} steps ready; planning {len(once)} activities")
    for name, activity in once.items():
        requested_min = activity.warm_up_min + activity.duration_min
        if scenario.slot_min(activity) != requested_min:
            rounded_min = scenario.slot_min(activity)
            report(f"{name}: {requested_min} min rounded up to {rounded_min} min")
        if activity.split_min is not None:
            report(f"{name}: in pieces of {activity.duration_min} min, each counted as a run")
    if many := many_starts(environment):
        report(many.line)


def _audit(environment, quiet: bool, as_json: bool) -> None:
    import json

    from obsplan.planning.reasons.audit import Severity, audit
    from obsplan.planning.reasons.balance import balance
    from obsplan.reporting.text import terminal

    findings, supply = audit(environment), balance(environment)
    infeasible = bool((findings["severity"] == Severity.INFEASIBLE).any())
    if as_json:
        report_data = {
            "title": environment.scenario.title,
            "input_sha256_16": environment.scenario.input_hash,
            "infeasible": infeasible,
            "findings": findings.to_dict("records"),
            "balance": supply.round(3).to_dict("records"),
        }
        hand_over(json.dumps(report_data, indent=2) + "\n")
    elif not quiet:
        say_coloured(terminal.audit_lines(findings, supply, terminal.colours(sys.stdout)))
    if infeasible:
        sys.exit(1)
