"""The command line: parse, one call, echo. Heavy imports wait until a command runs."""

import sys
from pathlib import Path

import click

from obsplan import __version__
from obsplan.cli.options import EPHEMERIS, FIGURE, SCENARIO, STATE, TABLE
from obsplan.cli.plan import plan
from obsplan.cli.replan import instant, replan
from obsplan.cli.survey import days, sites
from obsplan.common.errors import ObsplanError


class _Commands(click.Group):
    """Shows help in the order of the work, and every obsplan error as its own lines."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.commands)

    def invoke(self, ctx: click.Context):
        try:
            return super().invoke(ctx)
        except ObsplanError as problem:
            click.echo(str(problem), err=True)
            ctx.exit(problem.exit_code)


@click.group(cls=_Commands)
@click.version_option(__version__, prog_name="obsplan")
def main() -> None:
    """Plan one lunar day of surface science: Sun, ground, Earth link, power, timeline."""


@main.command()
@click.argument("directory", type=click.Path(path_type=Path))
@click.option("--minimal", is_flag=True, help="A short scenario that plans in seconds.")
def start(directory: Path, minimal: bool) -> None:
    """Write a commented scenario that runs as it is into DIRECTORY.

    Beside it stands its JSON Schema, with which editors complete and check the keys.
    """
    from obsplan.inputs.starter import write_starter

    for path in write_starter(directory, minimal):
        click.echo(path)
    first, place = directory / "scenario.toml", directory / "plan"
    click.echo(f"next: obsplan plan {first} -o {place}", err=True)


@main.command()
@click.argument(
    "models", metavar="DEM...", nargs=-1, required=True, type=click.Path(path_type=Path)
)
@click.option("--latitude", type=click.FloatRange(-90, 90), required=True, help="In degrees.")
@click.option("--longitude", type=click.FloatRange(-180, 360), required=True, help="East, degrees.")
@click.option(
    "--height-above-ground",
    type=click.FloatRange(0, 1000),
    default=2.0,
    show_default=True,
    metavar="M",
    help="How high the eye stands, in metres.",
)
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), required=True, help="The profile, as CSV."
)
def skyline(
    models: tuple[Path, ...],
    latitude: float,
    longitude: float,
    height_above_ground: float,
    output: Path,
) -> None:
    """How high does the terrain stand around a site?

    Reads one or more elevation models (GeoTIFF, in lunar degrees or a lunar projection),
    finest first wherever they overlap, and writes the skyline at 720 azimuths.
    """
    import pandas as pd

    from obsplan.inputs.timeline_csv import write_csv
    from obsplan.physics.elevation_model import site_view
    from obsplan.physics.skyline import COLUMNS

    for name, value in (
        ("--latitude", latitude),
        ("--longitude", longitude),
        ("--height-above-ground", height_above_ground),
    ):
        if value != value:
            raise click.BadParameter("must be a number", param_hint=name)
    seen = site_view(models, latitude, longitude, height_above_ground)
    write_csv(pd.DataFrame(seen.profile, columns=list(COLUMNS)), output)
    for model in seen.models:
        click.echo(f"{model.path}: {model.assumed}")
    click.echo(f"ground at the site: {seen.ground_height_m:.1f} m above 1737.4 km (height_m)")
    low, high = seen.profile[:, 1].min(), seen.profile[:, 1].max()
    click.echo(f"skyline from {low:.2f} to {high:.2f} deg, {height_above_ground:g} m above ground")
    for remark in seen.remarks:
        click.echo(remark)
    click.echo(f"written to {output}")


@main.command()
@SCENARIO
@TABLE
@FIGURE
@click.option("--above", type=float, metavar="K", help="List when the ground is this warm or more.")
@click.option("--below", type=float, metavar="K", help="List when it is this warm or less.")
@click.option("--depth", type=float, metavar="M", help="How deep, 0 to 2 m; else the surface.")
@EPHEMERIS
def sky(
    scenario: Path,
    output: Path | None,
    figure: Path | None,
    above: float | None,
    below: float | None,
    depth: float | None,
    ephemeris: Path | None,
) -> None:
    """Where do Sun and Earth stand, how warm is the ground?

    Prints the sky table, or writes it with -o, and below it first and last light and
    eclipses. With --above, --below or both it prints when the ground is that warm instead,
    as a table to the minute. The events go to the standard error when a table is printed.
    """
    asked = above is not None or below is not None
    _require_ground_question(above, below, depth)
    _require_picture(figure)
    from obsplan.reporting import plan_directory

    read, offered = _environment(scenario, ephemeris, depth)
    if output or not asked:
        _table(plan_directory.sky_table(offered), output)
    if asked:
        from obsplan.planning.problem.start_windows import ground_windows

        low_k = float("-inf") if above is None else above
        high_k = float("inf") if below is None else below
        found = ground_windows(offered, depth or 0.0, low_k, high_k)
        _table(found, None)
        if found.empty:
            how = "that warm" if below is None else "that cold" if above is None else "within both"
            click.echo(f"the ground is never {how} in the span", err=True)
    for event in offered.events.itertuples(index=False):
        line = f"{event.time_utc:%Y-%m-%dT%H:%M:%SZ}  {event.event}"
        click.echo(line, err=asked or not output)
    if figure:
        from obsplan.reporting.figures.sky import sky_figure

        _save(sky_figure(offered), figure)


@main.command()
@SCENARIO
@click.option("--at", help="Only answer: can I talk to Earth at this UTC time? Exit 1 for no.")
@TABLE
@FIGURE
@EPHEMERIS
def link(
    scenario: Path,
    at: str | None,
    output: Path | None,
    figure: Path | None,
    ephemeris: Path | None,
) -> None:
    """When can we talk to Earth, how much can we send?"""
    _require_picture(figure)
    from obsplan.ephemeris import open_ephemeris
    from obsplan.inputs.read_scenario import read_scenario
    from obsplan.reporting.text import link_answer

    instant = None if at is None else link_answer.instant_of(at, read_scenario(scenario))
    read, offered = _environment(scenario, ephemeris)
    can = True
    if output or at is None:
        _table(offered.contacts, output)
    if at is None:
        for line in link_answer.totals(offered):
            click.echo(line, err=True)
    else:
        can, lines = link_answer.answer(offered, open_ephemeris(ephemeris), instant)
        click.echo("\n".join(lines))
    if figure:
        from obsplan.reporting.figures.link import link_figure

        _save(link_figure(offered), figure)
    if not can:
        sys.exit(1)


main.add_command(plan)


@main.command()
@SCENARIO
@click.argument("timeline", type=click.Path(path_type=Path))
@TABLE
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "csv"]),
    default="text",
    show_default=True,
    help="Print sentences, or the broken rules as CSV.",
)
@STATE
@click.option("--now", help="With --state: what time it is; when telemetry was read, if left out.")
@EPHEMERIS
def check(
    scenario: Path,
    timeline: Path,
    output: Path | None,
    form: str,
    told: Path | None,
    now: str | None,
    ephemeris: Path | None,
) -> None:
    """Does this (hand-edited) timeline hold? Exit code 1 when a rule is broken.

    TIMELINE is a timeline or a plan directory.
    """
    if now is not None and told is None:
        raise click.UsageError("--now needs --state")
    from obsplan.checking.check import check_timeline as replay
    from obsplan.inputs.read_scenario import read_scenario
    from obsplan.inputs.timeline_csv import another_scenario, csv_text, read_timeline, write_csv
    from obsplan.reporting.text.sentences import verdict_lines

    read = read_scenario(scenario)
    timeline = timeline / "timeline.csv" if timeline.is_dir() else timeline
    slots = read_timeline(timeline, read)
    if origin := another_scenario(timeline, read):
        click.echo(f"note: {origin}; checked against this one", err=True)
    state = since_utc = None
    if told:
        from obsplan.inputs.telemetry_file import read_state
        from obsplan.operations.fixed_slots import as_told
        from obsplan.operations.telemetry import told_runs

        state = read_state(told, read, instant(now, read) if now else None)
        known = set(slots["slot"])
        for lost in dict.fromkeys(fate.slot for fate in state.slot if fate.slot not in known):
            click.echo(f'note: {told}: slot "{lost}": no such slot in the timeline', err=True)
        here = tuple(fate for fate in state.slot if fate.slot in known)
        ran = told_runs(state.model_copy(update={"slot": here}), slots)
        since_utc = instant(now, read) if now else state.at_utc
        slots = as_told(slots, ran, since_utc)
    read, offered = _environment(scenario, ephemeris, state=state)
    verdict = replay(offered, slots, since_utc)
    if told:
        from obsplan.analysis.command_deadlines import past_changing

        ahead = slots[(slots["state"] == "planned") & (slots["start_utc"] > since_utc)]
        if aboard := sorted(past_changing(offered, ahead, since_utc)):
            since = f"{since_utc:%Y-%m-%dT%H:%MZ}"
            click.echo(
                f"note: no contact after {since} can command these slots in time, they "
                f"must be aboard: {', '.join(aboard)}",
                err=True,
            )
    if output:
        write_csv(verdict.violations, output)
    lines = verdict_lines(verdict)
    if form == "csv":
        click.echo(csv_text(verdict.violations), nl=False)
        lines = lines[lines.index(verdict.summary) :]
    for line in lines:
        click.echo(line, err=form == "csv")
    if not verdict.is_valid:
        sys.exit(1)


@main.command()
@SCENARIO
@click.argument("planned", metavar="PLAN", type=click.Path(path_type=Path))
@click.argument("as_run", type=click.Path(path_type=Path))
@TABLE
@FIGURE
@EPHEMERIS
def compare(
    scenario: Path,
    planned: Path,
    as_run: Path,
    output: Path | None,
    figure: Path | None,
    ephemeris: Path | None,
) -> None:
    """What ran of what was planned? PLAN is a plan directory or a timeline, AS_RUN a CSV."""
    _require_picture(figure)
    from obsplan.inputs.read_scenario import read_scenario
    from obsplan.inputs.timeline_csv import another_scenario, read_as_run, read_timeline
    from obsplan.operations.as_run import compare_as_run as set_side_by_side
    from obsplan.reporting.text.sentences import comparison_lines

    read = read_scenario(scenario)
    timeline = planned / "timeline.csv" if planned.is_dir() else planned
    slots, ran = read_timeline(timeline, read), read_as_run(as_run, read)
    if origin := another_scenario(timeline, read):
        click.echo(f"note: {origin}; counted by this one", err=True)
    read, offered = _environment(scenario, ephemeris)
    table = set_side_by_side(offered, slots, ran)
    _table(table, output)
    for line in comparison_lines(table):
        click.echo(line, err=True)
    if figure:
        from obsplan.reporting.figures.as_run import compare_figure

        _save(compare_figure(offered, slots, ran), figure)


def _require_picture(path: Path | None) -> None:
    if path:
        from obsplan.reporting.figures.save import require_kind

        require_kind(path)


def _require_ground_question(above: float | None, below: float | None, depth: float | None) -> None:
    if depth is not None and above is None and below is None:
        raise click.UsageError("--depth needs --above or --below, a temperature in kelvin")
    for key, value, most in (("above", above, 1000), ("below", below, 1000), ("depth", depth, 2)):
        if value is not None and not 0 <= value <= most:
            raise click.BadParameter(f"{value:g} is not from 0 to {most}", param_hint=f"--{key}")
    if above is not None and below is not None and above > below:
        raise click.UsageError(f"--above {above:g} K must not exceed --below {below:g} K")


def _environment(path: Path, ephemeris: Path | None, depth_m: float | None = None, state=None):
    """The scenario and its physics, as `state` has it; with `depth_m` the ground there, too."""
    from obsplan.environment.build import make_environment
    from obsplan.inputs.read_scenario import read_scenario

    scenario = read_scenario(path)
    if depth_m:
        depths_m = (*scenario.site.depths_m, depth_m)
        site = scenario.site.model_copy(update={"depths_m": depths_m})
        scenario = scenario.model_copy(update={"site": site})
    click.echo("computing Sun, Earth, ground, power and link ...", err=True)
    if state is None:
        return scenario, make_environment(scenario, ephemeris)
    from obsplan.operations.telemetry import as_known, stations_out

    offered = make_environment(scenario, ephemeris, stations_out(scenario, state))
    return scenario, as_known(offered, state)


def _table(table, output: Path | None) -> None:
    from obsplan.inputs.timeline_csv import csv_text, write_csv

    if output:
        write_csv(table, output)
    else:
        click.echo(csv_text(table), nl=False)


def _save(figure, path: Path) -> None:
    from obsplan.reporting.figures.save import save_figure

    save_figure(figure, path)
    click.echo(path, err=True)


main.add_command(replan)
main.add_command(days)
main.add_command(sites)

if __name__ == "__main__":
    main()
