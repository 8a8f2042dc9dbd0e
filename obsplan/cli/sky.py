"""The command that shows the sky and the ground of a site."""

from pathlib import Path

import click

from obsplan.cli.files import environment_of, write_or_print, write_results
from obsplan.cli.options import (
    ALLOW_OUTSIDE,
    EPHEMERIS,
    FIGURE,
    OUTPUT_FILE,
    SCENARIO,
    TABLE,
    Finite,
    example,
)
from obsplan.cli.paths import command
from obsplan.cli.say import say


@command(
    epilog=example(
        "obsplan sky mine/scenario.toml -o sky.csv --figure sky.png",
        "obsplan sky mine/scenario.toml --above 250 --depth 0.1",
        "obsplan sky mine/scenario.toml --platform orbiter -o sky.csv --occultations hidden.csv",
    ),
)
@SCENARIO
@TABLE
@FIGURE
@click.option(
    "--above", type=Finite(0, 1000), metavar="K", help="List when the ground is this warm or more."
)
@click.option(
    "--below", type=Finite(0, 1000), metavar="K", help="List when the ground is this warm or less."
)
@click.option(
    "--depth", type=Finite(0, 2), metavar="M", help="Depth for --above and --below, 0 to 2 m."
)
@click.option(
    "--platform", metavar="NAME", help="The sky of this platform; needed for one in orbit."
)
@click.option(
    "--occultations", type=OUTPUT_FILE, help="CSV for when Earth and Sun are hidden in orbit."
)
@ALLOW_OUTSIDE
@EPHEMERIS
def sky(
    scenario_path: Path,
    output: Path | None,
    figure: Path | None,
    above: float | None,
    below: float | None,
    depth: float | None,
    platform: str | None,
    occultations: Path | None,
    allow_outside: bool,
    ephemeris: Path | None,
) -> None:
    """Where are the Sun and the Earth, and how warm is the ground?

    Prints the sky table with one row per step, or writes it with -o. `obsplan keys
    activity.when` explains the columns that conditions use. After the table come first and
    last light, the times when the Sun's centre crosses the skyline, and eclipse contacts,
    to the second. These go to standard output with -o and otherwise to standard error, so
    that a piped table stays clean. If the Sun is up, or below the skyline, throughout the span,
    a line says so. Where the Sun grazes the terrain, light or darkness of
    less than ten minutes is not listed.

    For a platform in orbit, named by --platform or if the scenario has no site, the table has the
    columns of `obsplan keys orbiter`, and the lines say how often Moon or Earth hide Earth or Sun;
    --occultations writes each time, to the second.

    With --above, --below or both, the command instead prints when the ground is within
    these temperatures, to the minute: at the surface, or at --depth.
    """
    _require_consistent(above, below, depth)
    from obsplan.inputs.read_scenario import read_scenario
    from obsplan.reporting.sky_files import sky_table
    from obsplan.reporting.text.sky_lines import sky_lines

    lists_ground = above is not None or below is not None
    scenario = read_scenario(scenario_path, allow_outside=allow_outside)
    seen_from = _looking_from(scenario, platform, lists_ground, occultations)
    environment = environment_of(_with_depth(scenario, depth), ephemeris)
    table, drawing = None, None
    if output or not lists_ground:
        table = sky_table(environment, seen_from)
    if figure:
        drawing = _figure(environment, seen_from)
    write_results({occultations: environment.occultations})
    write_or_print(table, output, figure, drawing)
    if lists_ground:
        _print_ground(environment, above, below, depth)
    for line in sky_lines(environment, seen_from):
        say(line, err=lists_ground or not output)


def _looking_from(
    scenario, platform: str | None, lists_ground: bool, occultations: Path | None
) -> str | None:
    """The platform in orbit whose sky is shown; None for that of the site."""
    from obsplan.common.errors import ObsplanError
    from obsplan.common.text import did_you_mean

    names = [p.name for p in scenario.platform]
    if platform is not None and platform not in names:
        raise ObsplanError(
            f"--platform {platform}: no such platform; {did_you_mean(platform, names)}"
        )
    if platform is None and scenario.site is None:
        platform = names[0]
    flying = [p.name for p in scenario.platform if p.flies]
    if occultations and not flying:
        raise ObsplanError("--occultations: no platform of the scenario is in orbit")
    if platform not in flying:
        return None
    if lists_ground:
        raise ObsplanError(
            f'--above and --below: platform "{platform}" is in orbit, not on the ground'
        )
    return platform


def _figure(environment, seen_from: str | None):
    if seen_from is None:
        from obsplan.reporting.figures.sky import sky_figure

        return sky_figure(environment)
    from obsplan.reporting.figures.orbiter_sky import orbiter_sky_figure

    return orbiter_sky_figure(environment, [seen_from])


def _require_consistent(above: float | None, below: float | None, depth: float | None) -> None:
    if depth is not None and above is None and below is None:
        raise click.UsageError("--depth needs --above or --below, a temperature in kelvin")
    if above is not None and below is not None and above > below:
        raise click.UsageError(f"--above {above:g} K must not exceed --below {below:g} K")


def _with_depth(scenario, depth_m: float | None):
    """The scenario with the ground temperature at `depth_m` added to its tables."""
    if not depth_m:
        return scenario
    depths_m = (*scenario.landing_site.depths_m, depth_m)
    site = scenario.site.model_copy(update={"depths_m": depths_m})
    return scenario.model_copy(update={"site": site})


def _print_ground(
    environment, above: float | None, below: float | None, depth: float | None
) -> None:
    from obsplan.planning.problem.start_windows import ground_windows

    low_k = float("-inf") if above is None else above
    high_k = float("inf") if below is None else below
    windows = ground_windows(environment, depth or 0.0, low_k, high_k)
    write_or_print(windows, None)
    if windows.empty:
        how = "that warm" if below is None else "that cold" if above is None else "in this range"
        say(f"the ground is never {how} in the span", err=True)
