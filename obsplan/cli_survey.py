"""The commands that choose: on which lunar day, at which site."""

import time
from datetime import datetime, timezone
from pathlib import Path

import click


class _Instant(click.ParamType):
    """A date or an instant; without a zone it is UTC."""

    name = "date"

    def convert(self, value, param, ctx) -> datetime:
        if isinstance(value, datetime):
            return value
        try:
            instant = datetime.fromisoformat(value)
        except ValueError:
            self.fail(f"'{value}' is not a date; write it like 2028-07-01 or 2028-07-01T00:00:00Z")
        if instant.tzinfo is None:
            instant = instant.replace(tzinfo=timezone.utc)
        if not 1900 <= instant.year <= 2200:
            self.fail(f"'{value}': the year is out of range; allowed are 1900 to 2200")
        return instant.astimezone(timezone.utc)


class Hours(click.ParamType):
    """A length of time like 24h, 90min or 2d, in hours; 0h only with `or_none`."""

    name = "time"
    UNITS = {"min": 1 / 60, "h": 1.0, "d": 24.0}

    def __init__(self, or_none: bool = False):
        self.or_none = or_none

    def convert(self, value, param, ctx) -> float:
        if isinstance(value, float):
            return value
        unit = next((u for u in self.UNITS if value.endswith(u)), "")
        try:
            hours = float(value.removesuffix(unit)) * self.UNITS[unit]
        except (KeyError, ValueError):
            hours = -1.0
        if not 0 <= hours <= 700 or (hours == 0 and not self.or_none):
            self.fail(f"'{value}' is not a time up to 700 h; write it like 24h, 90min or 2d")
        return hours


SCENARIO = click.argument("scenario", type=click.Path(path_type=Path))
FROM = click.option("--from", "first", type=_Instant(), required=True, help="First date, UTC.")
TO = click.option("--to", "last", type=_Instant(), required=True, help="Last date, UTC.")
PLAN = click.option("--plan", "planned", is_flag=True, help="Run the planner for each day.")
GAP = click.option(
    "--gap",
    type=click.FloatRange(0, 1),
    default=0.01,
    show_default=True,
    help="With --plan: stop once a plan is proven this close to the best possible.",
)
EPHEMERIS = click.option(
    "--ephemeris",
    type=click.Path(path_type=Path),
    help="Directory with other kernels: one .bsp, one .bpc, one .tf.",
)


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
    from obsplan import figures
    from obsplan.days import days as all_days
    from obsplan.errors import TableError
    from obsplan.scenario import read_scenario
    from obsplan.tables import write_csv

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
    picture = figures.days_figure(read, choice)
    try:
        output.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise TableError(f"{output}: cannot be written ({problem.strerror})") from None
    write_csv(choice.table, output / "days.csv")
    write_csv(choice.windows, output / "windows.csv")
    if len(choice.losses):
        write_csv(choice.losses, output / "losses.csv")
    figures.save(picture, output / "days.png")
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
@click.option(
    "--figure", type=click.Path(path_type=Path), help="Draw a map: .png, .svg or .pdf."
)
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
    from obsplan.scenario import read_scenario
    from obsplan.sites import read_sites, survey
    from obsplan.tables import write_csv

    read, places = read_scenario(scenario), read_sites(sites)
    if figure:
        from obsplan import figures

        figures.require_kind(figure)
        figures.require_column(colour)
    report = _clock()
    report(f"{len(places)} sites from {first:%Y-%m-%d} to {last:%Y-%m-%d}")
    table = survey(
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
        figures.save(figures.survey_map(read.title, table, colour), figure)
    _echo_sites(table)
    click.echo(f"written to {output}")


def _clock():
    began = time.monotonic()

    def report(line: str) -> None:
        click.echo(f"{time.monotonic() - began:6.1f} s  {line}", err=True)

    return report


def _echo_days(choice) -> None:
    from obsplan.days import loses_least

    best = choice.table.dropna(subset="rank").sort_values("rank").head(3)
    for row in best.itertuples(index=False):
        worth = f"value {row.value:.1f} of at most {row.bound:.1f}" if row.value == row.value else (
            f"{row.useful_light_h:.0f} h of useful light")  # fmt: skip
        click.echo(f"{row.rank}. lunar day {row.lunar_day}, landing from "
                   f"{row.landing_opens_utc:%Y-%m-%dT%H:%MZ}: {worth}; {row.notes}")  # fmt: skip
    if best.empty:
        click.echo("no lunar day in the range offers a landing; the notes say why")
    least = loses_least(choice)
    if least:
        click.echo(f"loses least late or off: lunar day {least[0]}, which keeps "
                   f"{100 * least[1]:.0f} % in its worst case")  # fmt: skip


def _echo_sites(table) -> None:
    best = table.dropna(subset="rank").sort_values("rank").head(3)
    for row in best.itertuples(index=False):
        click.echo(f"{row.rank}. {row.name}, lunar day {row.lunar_day}, landing from "
                   f"{row.landing_opens_utc:%Y-%m-%dT%H:%MZ}: {row.notes}")  # fmt: skip
    broken = table["notes"].str.startswith("not computed").sum()
    if broken:
        click.echo(f"{broken} sites could not be computed; their rows say why", err=True)
    if best.empty:
        click.echo("no site offers a landing in the range; the notes say why")
