"""The command that compares a plan with what ran."""

from pathlib import Path

import click

from obsplan.cli.files import (
    echo_note,
    echo_oddities,
    environment_of,
    read_slots,
    reported_before,
    write_or_print,
)
from obsplan.cli.options import (
    ALLOW_OUTSIDE,
    EPHEMERIS,
    FIGURE,
    INPUT,
    SCENARIO,
    TABLE,
    TIMELINE,
    example,
    instant_of,
)
from obsplan.cli.paths import command
from obsplan.cli.say import say
from obsplan.common.instants import stamp


@command(
    epilog=example(
        "obsplan compare mine/scenario.toml mine/day5 as_run.csv --now 2028-07-07T00:00:00Z "
        "-o compare.csv --figure compare.png"
    ),
)
@SCENARIO
@click.argument("planned", metavar="PLAN", type=TIMELINE)
@click.argument("as_run", type=INPUT)
@click.option(
    "--now",
    metavar="TIME",
    help="The UTC time now: slots that end later are to come. "
    "Default: when the last reported run ended, or telemetry was read for the plan.",
)
@TABLE
@FIGURE
@ALLOW_OUTSIDE
@EPHEMERIS
def compare(
    scenario_path: Path,
    planned: Path,
    as_run: Path,
    now: str | None,
    output: Path | None,
    figure: Path | None,
    allow_outside: bool,
    ephemeris: Path | None,
) -> None:
    """What ran, compared with the plan?

    PLAN is a plan directory or a timeline CSV; after replans take the latest, which knows all
    slots. AS_RUN is a CSV with the columns slot, activity, start_utc, end_utc, outcome (done,
    shortened or failed) and reason; only activity and start_utc are required. A run without a slot
    id is matched with the planned slot of its activity that it overlaps longest. What the plan
    itself says has run need not be listed again. A run that cannot have been is refused, with its
    row: outside the span, after --now, more than half a day from its slot, longer than its slot by
    more than a step, or while its instrument was busy. What is only odd is noted.

    The table has one row per activity: runs planned, done, shortened, failed, not reported, to come
    and unplanned; minutes, energy, data and coverage bins, planned until now and as run; what was
    lost and why. Energy and data of a run follow from its length and the scenario's figures, not
    from telemetry. What counts towards each goal by now is told in a line.
    """
    from obsplan.inputs.read_scenario import read_scenario
    from obsplan.inputs.timeline_csv import read_as_run
    from obsplan.operations.as_run import compare_as_run, latest_report
    from obsplan.operations.goals_as_run import goals_as_run
    from obsplan.reporting.text.goal_lines import as_run_lines
    from obsplan.reporting.text.sentences import comparison_lines

    scenario = read_scenario(scenario_path, allow_outside=allow_outside)
    now_utc = min(instant_of(now, "--now"), scenario.span.end_utc) if now else None
    slots = read_slots(planned, scenario, "compared using this one", now_utc)
    ran = read_as_run(as_run, scenario, slots, now_utc)
    earlier = reported_before(planned, scenario)
    if now_utc is None:
        now_utc, what = latest_report(scenario, slots, ran), "the end of the last reported run"
        if earlier and earlier.at_utc and earlier.at_utc > now_utc:
            now_utc, what = earlier.at_utc, "when telemetry was read for this plan"
        echo_note(f"compared at {stamp(now_utc)}, {what}; see --now")
    environment = environment_of(scenario, ephemeris, earlier)
    table = compare_as_run(environment, slots, ran, now_utc)
    echo_oddities(environment, slots, ran, now_utc)
    drawing = None
    if figure:
        from obsplan.reporting.figures.as_run import compare_figure

        drawing = compare_figure(environment, slots, ran, now_utc)
    write_or_print(table, output, figure, drawing)
    goals = as_run_lines(goals_as_run(environment, slots, ran, now_utc))
    for line in (*comparison_lines(table, now_utc), *goals):
        say(line, err=True)
