"""The command line: parse, one call, echo. Heavy imports wait until a command runs."""

import sys
import time
from pathlib import Path

import click

from obsplan import __version__
from obsplan.errors import ObsplanError

SCENARIO = click.argument("scenario", type=click.Path(path_type=Path))
EPHEMERIS = click.option(
    "--ephemeris",
    type=click.Path(path_type=Path),
    help="Directory with other kernels: one .bsp, one .bpc, one .tf.",
)
TABLE = click.option(
    "-o", "--output", type=click.Path(path_type=Path), help="Write the table here, as CSV."
)
FIGURE = click.option(
    "--figure", type=click.Path(path_type=Path), help="Draw it: .png, .svg or .pdf."
)


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
def start(directory: Path) -> None:
    """Write a commented scenario that runs as it is into DIRECTORY."""
    from obsplan.starter import write_starter

    for path in write_starter(directory):
        click.echo(path)
    click.echo(f"next: obsplan plan {directory / 'scenario.toml'} -o {directory / 'plan'}", err=True)


@main.command()
@SCENARIO
@TABLE
@FIGURE
@EPHEMERIS
def sky(scenario: Path, output: Path | None, figure: Path | None, ephemeris: Path | None) -> None:
    """Where do Sun and Earth stand, how warm is the ground?"""
    from obsplan import pages

    read, offered = _environment(scenario, ephemeris)
    _table(pages.sky_table(read, offered), output)
    for event in offered.events.itertuples(index=False):
        click.echo(f"{event.time_utc:%Y-%m-%dT%H:%M:%SZ}  {event.event}", err=True)
    if figure:
        from obsplan import figures

        _save(figures.sky_figure(read, offered), figure)


@main.command()
@SCENARIO
@TABLE
@FIGURE
@EPHEMERIS
def link(scenario: Path, output: Path | None, figure: Path | None, ephemeris: Path | None) -> None:
    """When can we talk to Earth, how much can we send?"""
    import numpy as np

    from obsplan.environment import contact_windows, span_ends
    from obsplan.link import covered_share, longest_gap

    read, offered = _environment(scenario, ephemeris)
    _table(offered.contacts, output)
    windows, ends = contact_windows(offered), span_ends(read)
    if len(windows):
        gap_h = longest_gap(windows, *ends) / np.timedelta64(1, "h")
        earthward = [p.name for p in read.platform if p.radio.to == "earth"]
        volume_mbit = sum(offered.platforms[name]["rate_kbps"].sum() for name in earthward) * 0.06
        click.echo(
            f"{len(offered.contacts)} contacts, Earth link for "
            f"{100 * covered_share(windows, *ends):.1f} % of the span, longest gap {gap_h:.1f} h, "
            f"at most {volume_mbit:.0f} Mbit with one station at a time",
            err=True,
        )
    else:
        click.echo("no contact in the span", err=True)
    if figure:
        from obsplan import figures

        _save(figures.link_figure(read, offered), figure)


@main.command()
@SCENARIO
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), required=True, help="The plan directory."
)
@click.option(
    "--gap",
    type=click.FloatRange(0, 1),
    default=0.01,
    show_default=True,
    help="Stop once the plan is proven this close to the best possible.",
)
@EPHEMERIS
def plan(scenario: Path, output: Path, gap: float, ephemeris: Path | None) -> None:
    """Which instrument runs when? Writes a plan directory."""
    from obsplan import pages
    from obsplan.plan import plan as make_plan

    if gap != gap:
        raise click.BadParameter("must be a number from 0 to 1", param_hint="--gap")
    pages.require_replaceable(output)
    began = time.monotonic()

    def report(line: str) -> None:
        click.echo(f"{time.monotonic() - began:6.1f} s  {line}", err=True)

    read, offered = _environment(scenario, ephemeris)
    report(f"physics of {read.steps} steps ready; planning {len(read.activity)} activities")
    for activity in read.activity:
        asked = activity.warm_up_min + activity.duration_min
        if read.slot_min(activity) != asked:
            report(f"{activity.name}: {asked} min rounded up to {read.slot_min(activity)} min")
    made = make_plan(read, offered, gap, report)
    pages.write_plan(read, offered, made, output)
    _echo_plan(read, made, output)


@main.command()
@SCENARIO
@click.argument("timeline", type=click.Path(path_type=Path))
@TABLE
@EPHEMERIS
def check(scenario: Path, timeline: Path, output: Path | None, ephemeris: Path | None) -> None:
    """Does this (hand-edited) timeline hold? Exit code 1 when a rule is broken."""
    from obsplan.check import check as replay
    from obsplan.scenario import read_scenario
    from obsplan.tables import read_timeline, write_csv

    slots = read_timeline(timeline, read_scenario(scenario))
    read, offered = _environment(scenario, ephemeris)
    verdict = replay(read, offered, slots)
    if output:
        write_csv(verdict.violations, output)
    for row in verdict.violations.itertuples(index=False):
        click.echo(f"{row.time_utc:%Y-%m-%dT%H:%M:%SZ}  {row.rule}: {row.message}")
    click.echo(verdict.summary)
    for line in _margin_lines(verdict):
        click.echo(line)
    click.echo(f"rules: {', '.join(verdict.rules)}", err=True)
    if not verdict.holds:
        sys.exit(1)


def _environment(path: Path, ephemeris: Path | None):
    from obsplan.environment import environment
    from obsplan.scenario import read_scenario

    scenario = read_scenario(path)
    click.echo("computing Sun, Earth, ground, power and link ...", err=True)
    return scenario, environment(scenario, ephemeris)


def _table(table, output: Path | None) -> None:
    from obsplan.tables import csv_text, write_csv

    if output:
        write_csv(table, output)
    else:
        click.echo(csv_text(table), nl=False)


def _save(figure, path: Path) -> None:
    from obsplan import figures

    figures.save(figure, path)
    click.echo(path, err=True)


def _echo_plan(scenario, made, directory: Path) -> None:
    from obsplan.pages import CAUTION

    placed = made.timeline["activity"].value_counts()
    worth = made.timeline.groupby("activity")["value"].sum()
    wide = max((len(a.name) for a in scenario.activity), default=8)
    click.echo(f"{'activity':<{wide}}  wanted  placed    value")
    for activity in scenario.activity:
        name = activity.name
        click.echo(
            f"{name:<{wide}}  {activity.count:6d}  {placed.get(name, 0):6d}  {worth.get(name, 0):7.1f}"
        )
    click.echo(
        f"value {made.value:.1f}; no plan on this grid can be worth more than {made.bound:.1f}: "
        f"within {100 * made.gap:.1f} % of the best possible"
    )
    click.echo(made.verdict.summary)
    for line in _margin_lines(made.verdict):
        click.echo(line)
    click.echo(f"written to {directory}")
    if any(i.hazard != "none" for i in scenario.instrument):
        click.echo(f"caution: {CAUTION}")


def _margin_lines(verdict) -> list[str]:
    return [
        f"smallest margin: {row.margin}, {row.where}: {row.amount:.1f} {row.unit} "
        f"at {row.time_utc:%Y-%m-%dT%H:%MZ}"
        for row in verdict.margins.itertuples(index=False)
    ]


if __name__ == "__main__":
    main()
