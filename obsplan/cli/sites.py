"""The command that surveys many sites."""

import sys
from pathlib import Path

import click

from obsplan.cli.days import ranked_lines
from obsplan.cli.files import write_results
from obsplan.cli.options import (
    ALLOW_OUTSIDE,
    EPHEMERIS,
    FIRST_DATE,
    GAP,
    LAST_DATE,
    OUTPUT_FILE,
    PICTURE,
    PLANNED,
    SCENARIO,
    example,
)
from obsplan.cli.paths import InputPath, command
from obsplan.cli.say import say

DETAILS = """All cores share the work, or a Dask cluster with --scheduler (pip install
'obsplan[cluster]'); the rows are the same. An interrupted survey resumes when rerun with the same
-o: results so far are kept in a hidden directory beside the output.

"""


def _files_of_sites(path: Path) -> list[Path]:
    from obsplan.common.model_files import files_of
    from obsplan.inputs.sites_csv import read_sites

    named = {file for place in read_sites(path, allow_outside=True) for file in place.skyline}
    return [file for name in sorted(named) for file in files_of(name)]


@command(
    epilog=DETAILS
    + example(
        "obsplan sites mine/scenario.toml sites.csv --from 2028-01-01 --to 2029-01-01 "
        "-o survey.csv --figure map.png --colour link_share"
    ),
)
@SCENARIO
@click.argument("sites", type=InputPath(named=_files_of_sites))
@FIRST_DATE
@LAST_DATE
@PLANNED
@click.option(
    "-o", "--output", type=OUTPUT_FILE, required=True, help="Write the table to this CSV file."
)
@click.option("--figure", type=PICTURE, help="Draw a map into this .png, .svg or .pdf file.")
@click.option(
    "--colour",
    default="useful_light_h",
    show_default=True,
    help="The column of the table that colours the map.",
)
@click.option("--jobs", type=click.IntRange(1), help="Number of processes. Default: all cores.")
@click.option("--scheduler", metavar="ADDRESS", help="Share the work with a Dask cluster.")
@GAP
@ALLOW_OUTSIDE
@EPHEMERIS
def sites(
    scenario_path: Path,
    sites: Path,
    first,
    last,
    planned: bool,
    output: Path,
    figure: Path | None,
    colour: str,
    jobs: int | None,
    scheduler: str | None,
    gap: float,
    allow_outside: bool,
    ephemeris: Path | None,
) -> None:
    """Which of these sites and lunar days is best?

    SITES is a CSV with the columns name, latitude_deg, longitude_deg and height_m, and
    optionally slope_deg, aspect_deg and skyline. Stations, platforms and activities come
    from the scenario. The table has a row per site and lunar day, with the columns of
    days.csv (`obsplan days --help`). If a row of SITES is wrong, or a site cannot be computed, its
    `notes` say why.
    """
    from obsplan.inputs.read_scenario import read_scenario
    from obsplan.inputs.sites_csv import read_sites
    from obsplan.physics.compiled_march import compiled_march
    from obsplan.physics.heat_conduction import MANY
    from obsplan.reporting.text.terminal import progress
    from obsplan.survey.site_survey import forget_saved, survey_sites

    scenario = read_scenario(scenario_path, allow_outside=allow_outside)
    places = read_sites(sites, allow_outside=allow_outside)
    if figure:
        from obsplan.reporting.figures.site_map import require_column, survey_map

        require_column(colour, planned)
    report = progress(sys.stderr)
    report(f"{len(places)} sites from {first:%Y-%m-%d} to {last:%Y-%m-%d}")
    if len(places) >= MANY and not (planned or scheduler) and (told := compiled_march().told):
        report(told)
    table = survey_sites(
        scenario,
        places,
        first,
        last,
        planned=planned,
        gap=gap,
        jobs=jobs,
        scheduler=scheduler,
        keep=output.resolve(),
        report=lambda done, total: report(f"{done} of {total} sites"),
        ephemeris_directory=ephemeris,
    )
    drawing = survey_map(scenario.title, table, colour) if figure else None
    write_results({output: table, figure: drawing})
    forget_saved(output.resolve())
    _echo(table)
    say(f"written to {output}")


def _echo(table) -> None:
    best = table.dropna(subset="rank").sort_values("rank", kind="stable").drop_duplicates("name")
    for line in ranked_lines(best.head(3)):
        say(line)
    without = int(table["lunar_day"].isna().sum())
    if without:
        say(f"sites without a lunar day: {without}; their notes say why", err=True)
    if best.empty:
        say("no site allows a landing in the range; the notes say why")
