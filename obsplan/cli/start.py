"""The commands to begin with: write a first scenario, compute its skyline."""

from pathlib import Path

import click

from obsplan.cli.files import write_results
from obsplan.cli.options import OUTPUT_FILE, Finite, example
from obsplan.cli.paths import InputPath, OutputFolder, command
from obsplan.cli.say import say
from obsplan.common.model_files import files_of


@command(
    epilog=example("obsplan start mine", "obsplan plan mine/scenario.toml -o mine/plan"),
)
@click.argument("directory", type=OutputFolder())
@click.option("--minimal", is_flag=True, help="Write a short scenario that plans in seconds.")
def start(directory: Path, minimal: bool) -> None:
    """Write a commented scenario into DIRECTORY, ready to be planned.

    Its JSON Schema is written beside it. An editor with a TOML language server uses the
    schema to complete and check the keys as you type. Existing files are never overwritten.
    """
    from obsplan.inputs.starter import write_starter

    for path in write_starter(directory, minimal):
        say(path)
    scenario, plan = directory / "scenario.toml", directory / "plan"
    say(f"next: obsplan plan {scenario} -o {plan}", err=True)


@command(
    epilog=example(
        "obsplan skyline near.tif far.tif --latitude 62.4 --longitude 11.8 -o skyline.csv"
    ),
)
@click.argument("models", metavar="DEM...", nargs=-1, required=True, type=InputPath(named=files_of))
@click.option(
    "--latitude", type=Finite(-90, 90), required=True, metavar="DEG", help="Latitude of the site."
)
@click.option(
    "--longitude",
    type=Finite(-180, 360),
    required=True,
    metavar="DEG",
    help="East longitude of the site.",
)
@click.option(
    "--height-above-ground",
    type=Finite(0, 1000),
    default=2.0,
    show_default=True,
    metavar="M",
    help="Height of the observer above the ground.",
)
@click.option(
    "--height",
    type=Finite(-20_000, 20_000),
    metavar="M",
    help="Height of the site above 1737.4 km, to compare the models with.",
)
@click.option(
    "-o", "--output", type=OUTPUT_FILE, required=True, help="Write the profile to this CSV."
)
def skyline(
    models: tuple[Path, ...],
    latitude: float,
    longitude: float,
    height_above_ground: float,
    height: float | None,
    output: Path,
) -> None:
    """Compute the terrain skyline around a site from elevation models.

    Reads one or more elevation models (GeoTIFF, JPEG 2000, or PDS labels and images, in lunar
    degrees or a lunar projection such as polar stereographic) and writes the skyline at 720
    azimuths as CSV. Where models overlap, the finest one counts. Terrain outside the models is
    assumed not to rise. Edit the CSV if you like, and name it as `skyline` in the scenario.

    Ground that differs by more than 100 m from --height, from the range that a model states or
    from another model is an error: a scale may be lost.

    A GeoTIFF or PDS image of 20 000 x 20 000 pixels takes seconds to read and up to 500 MB of
    memory; one in few compressed strips takes as much as three strips: rewrite it in tiles. JPEG
    2000 takes 10 to 20 s on two cores, since all of it is decoded: it pays to convert one that is
    read often.

    Needs an extra package: pip install 'obsplan[terrain]'.
    """
    import pandas as pd

    from obsplan.physics.site_view import site_view
    from obsplan.physics.skyline import COLUMNS

    say("reading the elevation models ...", err=True)
    seen = site_view(models, latitude, longitude, height_above_ground, height)
    write_results({output: pd.DataFrame(seen.profile, columns=list(COLUMNS))})
    for line in seen.assumed:
        say(line)
    say(f"ground at the site: {seen.ground_height_m:.1f} m above 1737.4 km (height_m)")
    low, high = seen.profile[:, 1].min(), seen.profile[:, 1].max()
    say(f"skyline from {low:.2f} to {high:.2f} deg, {height_above_ground:g} m above ground")
    for line in (*seen.remarks, *(f"caution: {caution}" for caution in seen.cautions)):
        say(line)
    say(f"written to {output}")
