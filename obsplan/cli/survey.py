"""The commands that choose: on which lunar day, at which site."""

import time
from pathlib import Path

import click

from obsplan.cli.options import EPHEMERIS, GAP, SCENARIO, Hours, Instant

FROM = click.option("--from", "first", type=Instant(), required=True, help="First date, UTC.")
TO = click.option("--to", "last", type=Instant(), required=True, help="Last date, UTC.")
PLAN = click.option("--plan", "planned", is_flag=True, help="Run the planner for each day.")


@click.command()
@SCENARIO
@FROM
@TO
@PLAN
@click.option("--late", type=Hours(), help="Also: what a landing so late loses, like 24h.")
@click.option(
    "--offset-km",
    type=click.FloatRange(0, 500, min_open=True),
    help="Also: what a landing so far off loses, to the north, east, south and west.",
)
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), required=True, help="The directory to fill."
)
@GAP
@EPHEMERIS
def days(scenario, first, last, planned, late, offset_km, output, gap, ephemeris) -> None:
    """On which lunar day should we land?

    Every lunar day whose local noon lies in the range, ranked: days.csv, windows.csv,
    days.png, and losses.csv with --late or --offset-km.
    """
    from obsplan.common.errors import TableError
    from obsplan.inputs.read_scenario import read_scenario
    from obsplan.inputs.timeline_csv import write_csv
    from obsplan.reporting.figures.landing_days import days_figure
    from obsplan.reporting.figures.save import save_figure
    from obsplan.survey.landing_days import landing_days as all_days

    read = read_scenario(scenario)
    if output.exists() and not output.is_dir():
        raise TableError(f"{output}: is a file; name a directory with -o")
    report = _clock()
    report("computing Sun, Earth, ground, power and contacts of every lunar day ...")
    choice = all_days(
        read,
        first,
        last,
        planned=planned,
        gap=gap,
        late_h=late,
        offset_km=offset_km,
        report=report,
        ephemeris_directory=ephemeris,
    )
    picture = days_figure(read, choice)
    try:
        output.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise TableError(f"{output}: cannot be written ({problem.strerror})") from None
    write_csv(choice.table, output / "days.csv")
    write_csv(choice.windows, output / "windows.csv")
    if len(choice.losses):
        write_csv(choice.losses, output / "losses.csv")
    else:
        # Those of another question would pass for these days'.
        (output / "losses.csv").unlink(missing_ok=True)
    save_figure(picture, output / "days.png")
    _echo_days(choice)
    click.echo(f"written to {output}")


@click.command()
@SCENARIO
@click.argument("sites", type=click.Path(path_type=Path))
@FROM
@TO
@PLAN
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), required=True, help="The table, as CSV."
)
@click.option("--figure", type=click.Path(path_type=Path), help="Draw a map: .png, .svg or .pdf.")
@click.option(
    "--colour",
    default="useful_light_h",
    show_default=True,
    help="Column of the table that colours the map.",
)
@click.option("--jobs", type=click.IntRange(1), help="Processes; all cores by default.")
@click.option("--scheduler", help="Address of a Dask scheduler that shares out the work.")
@GAP
@EPHEMERIS
def sites(
    scenario, sites, first, last, planned, output, figure, colour, jobs, scheduler, gap, ephemeris
) -> None:
    """Which of these sites and days is best?

    SITES is a CSV: name, latitude_deg, longitude_deg, height_m, and if wanted slope_deg,
    aspect_deg and skyline. Stations, platforms and activities are the scenario's. Run
    again after an interruption, the survey goes on from what it has.
    """
    from obsplan.common.errors import TableError
    from obsplan.inputs.read_scenario import read_scenario
    from obsplan.inputs.timeline_csv import write_csv
    from obsplan.survey.site_survey import read_sites, survey_sites

    if output.is_dir():
        raise TableError(f"{output}: is a directory; name a file")
    read, places = read_scenario(scenario), read_sites(sites)
    if figure:
        from obsplan.reporting.figures.save import require_kind, save_figure
        from obsplan.reporting.figures.site_map import require_column, survey_map

        require_kind(figure)
        require_column(colour, planned)
    report = _clock()
    report(f"{len(places)} sites from {first:%Y-%m-%d} to {last:%Y-%m-%d}")
    table = survey_sites(
        read,
        places,
        first,
        last,
        planned=planned,
        gap=gap,
        jobs=jobs,
        scheduler=scheduler,
        keep=output.resolve(),
        report=lambda done, whole: report(f"{done} of {whole} sites"),
        ephemeris_directory=ephemeris,
    )
    write_csv(table, output)
    if figure:
        save_figure(survey_map(read.title, table, colour), figure)
    _echo_sites(table)
    click.echo(f"written to {output}")


def _clock():
    began = time.monotonic()

    def report(line: str) -> None:
        click.echo(f"{time.monotonic() - began:6.1f} s  {line}", err=True)

    return report


def _echo_days(choice) -> None:
    from obsplan.survey.landing_days import loses_least

    best = choice.table.dropna(subset="rank").sort_values("rank").head(3)
    for row in best.itertuples(index=False):
        click.echo(_line(row, ""))
    if best.empty:
        click.echo("no lunar day in the range offers a landing; the notes say why")
    least = loses_least(choice)
    if least:
        click.echo(
            f"loses least late or off: lunar day {least[0]}, which keeps "
            f"{100 * least[1]:.0f} % in its worst case"
        )


def _line(row, where: str) -> str:
    """Rank, day, worth and reasons of a row."""
    worth = (
        f"{row.useful_light_h:.0f} h of useful light"
        if row.value != row.value
        else f"value {row.value:.1f} of at most {row.bound:.1f}"
    )
    return (
        f"{row.rank}. {where}lunar day {row.lunar_day}, landing from "
        f"{row.landing_opens_utc:%Y-%m-%dT%H:%MZ}: {worth}; {row.notes}"
    )


def _echo_sites(table) -> None:
    best = table.dropna(subset="rank").sort_values("rank").drop_duplicates("name").head(3)
    for row in best.itertuples(index=False):
        click.echo(_line(row, f"{row.name}, "))
    broken = table["notes"].str.startswith("not computed").sum()
    if broken:
        click.echo(f"sites that could not be computed: {broken}; their rows say why", err=True)
    if best.empty:
        click.echo("no site offers a landing in the range; the notes say why")
