"""The command that shows the link to Earth."""

import sys
from pathlib import Path

import click

from obsplan.cli.files import environment_of, write_or_print
from obsplan.cli.options import (
    ALLOW_OUTSIDE,
    EPHEMERIS,
    FIGURE,
    SCENARIO,
    TABLE,
    example,
    instant_in_span,
)
from obsplan.cli.paths import command


@command(
    epilog=example(
        "obsplan link mine/scenario.toml --figure link.png",
        "obsplan link mine/scenario.toml --at 2028-07-05T10:00:00Z",
    ),
)
@SCENARIO
@click.option("--at", metavar="TIME", help="Only answer whether Earth can be reached at this time.")
@TABLE
@FIGURE
@ALLOW_OUTSIDE
@EPHEMERIS
def link(
    scenario_path: Path,
    at: str | None,
    output: Path | None,
    figure: Path | None,
    allow_outside: bool,
    ephemeris: Path | None,
) -> None:
    """When can we talk to Earth, and how much can we send?

    Prints one row per contact, or writes the table with -o, and then totals per station and
    platform on standard error.

    With --at, the answer is yes (exit code 0) or no (exit code 1). If yes, it says through
    which station, at which rate and until when; if no, what prevents it and when the next
    contact begins.
    """
    from obsplan.ephemeris import open_ephemeris
    from obsplan.inputs.read_scenario import read_scenario
    from obsplan.reporting.text import link_answer

    scenario = read_scenario(scenario_path, allow_outside=allow_outside)
    at_utc = None if at is None else instant_in_span(at, scenario, "--at")
    environment = environment_of(scenario, ephemeris)
    table, drawing = environment.contacts if output or at is None else None, None
    if figure:
        from obsplan.reporting.figures.link import link_figure

        drawing = link_figure(environment)
    write_or_print(table, output, figure, drawing)
    can = True
    if at_utc is None:
        for line in link_answer.totals(environment):
            click.echo(line, err=True)
    else:
        can, lines = link_answer.answer(environment, open_ephemeris(ephemeris), at_utc)
        click.echo("\n".join(lines))
    if not can:
        sys.exit(1)
