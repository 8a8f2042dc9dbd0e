"""The command that compares a plan with what ran."""

from pathlib import Path

import click

from obsplan.cli.files import environment_of, read_slots, write_or_print
from obsplan.cli.options import ALLOW_OUTSIDE, EPHEMERIS, FIGURE, INPUT, SCENARIO, TABLE, example
from obsplan.cli.paths import command


@command(
    epilog=example(
        "obsplan compare mine/scenario.toml mine/plan as_run.csv -o compare.csv "
        "--figure compare.png"
    ),
)
@SCENARIO
@click.argument("planned", metavar="PLAN", type=INPUT)
@click.argument("as_run", type=INPUT)
@TABLE
@FIGURE
@ALLOW_OUTSIDE
@EPHEMERIS
def compare(
    scenario_path: Path,
    planned: Path,
    as_run: Path,
    output: Path | None,
    figure: Path | None,
    allow_outside: bool,
    ephemeris: Path | None,
) -> None:
    """What ran, compared with the plan?

    PLAN is a plan directory or a timeline CSV. AS_RUN is a CSV with the columns slot, activity,
    start_utc, end_utc, outcome (done, shortened or failed) and reason. A run without a slot id is
    matched with the planned slot of its activity that it overlaps longest.

    The table has one row per activity: runs planned, done, shortened, failed, not reported
    and unplanned; minutes, energy, data and coverage bins, planned and as run; what was
    lost and why. Energy and data of a run follow from its length and the scenario's
    figures, not from telemetry.
    """
    from obsplan.inputs.read_scenario import read_scenario
    from obsplan.inputs.timeline_csv import read_as_run
    from obsplan.operations.as_run import compare_as_run
    from obsplan.reporting.text.sentences import comparison_lines

    scenario = read_scenario(scenario_path, allow_outside=allow_outside)
    slots = read_slots(planned, scenario, "compared using this one")
    ran = read_as_run(as_run, scenario)
    environment = environment_of(scenario, ephemeris)
    table = compare_as_run(environment, slots, ran)
    drawing = None
    if figure:
        from obsplan.reporting.figures.as_run import compare_figure

        drawing = compare_figure(environment, slots, ran)
    write_or_print(table, output, figure, drawing)
    for line in comparison_lines(table):
        click.echo(line, err=True)
