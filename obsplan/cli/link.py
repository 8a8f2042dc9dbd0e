"""The command that shows the link to Earth."""

import sys
from pathlib import Path

import click

from obsplan.cli.files import echo_cautions, echo_pass_cautions, write_or_print
from obsplan.cli.options import (
    ALLOW_OUTSIDE,
    EPHEMERIS,
    FIGURE,
    SCENARIO,
    TABLE,
    example,
    instant_of,
    is_in_span,
)
from obsplan.cli.paths import command
from obsplan.cli.say import say
from obsplan.common.instants import full_stamp


@command(
    epilog=example(
        "obsplan link mine/scenario.toml --figure link.png",
        "obsplan link mine/scenario.toml --at 2028-07-05T10:00:00Z",
    ),
)
@SCENARIO
@click.option(
    "--at", metavar="TIME", help="Only answer which platforms can reach Earth at this time."
)
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
    platform on standard error. `obsplan keys contacts` explains the columns.

    With --at, it says for each platform whether it can reach Earth at this time, inside or
    outside the span of the scenario. If it can: through which station, at which rate and until
    when; if not: what prevents it and when the next contact begins. The exit code is 0 if all
    platforms can, and 1 if at least one cannot.
    """
    from obsplan.environment.build import link_environment_around, make_link_environment
    from obsplan.ephemeris import open_ephemeris
    from obsplan.inputs.read_scenario import read_scenario
    from obsplan.reporting.text import link_answer

    scenario = read_scenario(scenario_path, allow_outside=allow_outside)
    at_utc = None if at is None else instant_of(at, "--at")
    inside = at_utc is None or is_in_span(at_utc, scenario)
    if inside or output or figure:
        say("computing Sun, Earth and link ...", err=True)
        echo_cautions(scenario)
        environment = make_link_environment(scenario, ephemeris)
        echo_pass_cautions(environment)
        table, drawing = environment.contacts if output or at is None else None, None
        if figure:
            from obsplan.reporting.figures.link import link_figure

            drawing = link_figure(environment)
        write_or_print(table, output, figure, drawing)
    if at_utc is None:
        for line in link_answer.totals(environment):
            say(line, err=True)
        return
    if not inside:
        environment = link_environment_around(scenario, at_utc, ephemeris)
        say(f"note: {full_stamp(at_utc)} is outside the span of the scenario", err=True)
    can, lines = link_answer.answer(environment, open_ephemeris(ephemeris), at_utc)
    for line in lines:
        say(line)
    if not all(can.values()):
        sys.exit(1)
