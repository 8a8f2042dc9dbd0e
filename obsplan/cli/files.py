"""What several commands do with files: read a timeline, compute the physics, write results."""

from pathlib import Path

import click


def read_slots(path: Path, scenario, note: str):
    """The slots of a timeline or of the timeline in a plan directory.

    If the timeline was planned for another scenario, a line that ends in `note` says so.
    """
    from obsplan.inputs.timeline_csv import another_scenario, read_timeline

    path = timeline_path(path)
    slots = read_timeline(path, scenario)
    if origin := another_scenario(path, scenario):
        click.echo(f"note: {origin}; {note}", err=True)
    return slots


def timeline_path(path: Path) -> Path:
    """The timeline file, if `path` is a plan directory the one in it."""
    return path / "timeline.csv" if path.is_dir() else path


def environment_of(scenario, ephemeris: Path | None, telemetry=None):
    """The physics of the scenario, as telemetry corrects it."""
    from obsplan.environment.build import make_environment

    click.echo("computing Sun, Earth, ground, power and link ...", err=True)
    if telemetry is None:
        return make_environment(scenario, ephemeris)
    from obsplan.operations.telemetry import stations_out, with_telemetry

    environment = make_environment(scenario, ephemeris, stations_out(scenario, telemetry))
    return with_telemetry(environment, telemetry)


def write_or_print(table, output: Path | None) -> None:
    """Write a table to `output`, or print it as CSV if there is no output file."""
    from obsplan.common.csv_file import csv_text, write_csv

    if output:
        write_csv(table, output)
    else:
        click.echo(csv_text(table), nl=False)


def write_figure(figure, path: Path) -> None:
    """Write a figure and print its path to standard error."""
    from obsplan.reporting.figures.save import save_figure

    save_figure(figure, path)
    click.echo(path, err=True)
