"""Elevation models in GeoTIFFs: conventions, projections, refusals, the command."""

import os
import sys

import numpy as np
import pytest
import rasterio
from click.testing import CliRunner
from rasterio.crs import CRS
from rasterio.transform import Affine
from tools.models import DEGREES, RADIUS_M, SOUTH, in_degrees, stereographic, write
from tools.small import SMALL

from obsplan.cli.main import main
from obsplan.common.errors import ScenarioError
from obsplan.environment.site_skyline import read_skyline, site_profile
from obsplan.inputs.read_scenario import read_scenario
from obsplan.physics.elevation_model import read_model
from obsplan.physics.site_view import site_view
from obsplan.physics.skyline import read_profile

SITE = (40.0, 10.0)
PIXEL_DEG = 0.004


def hills(latitude, longitude):
    """Hills of a few kilometres that any grid can sample, the same at any longitude turn."""
    x, y = np.radians(latitude) * 600, np.cos(np.radians(longitude)) * 300
    return np.round(300 * np.sin(x) * np.cos(y) + 700 * np.sin(x / 7 + y / 5) - 200, 1)


def polar_hills(latitude, longitude):
    """Hills by distances from the pole, where longitudes crowd; from 22 km on they sink."""
    away_km = (latitude + 90) * 30.3
    x, y = (away_km * f(np.radians(longitude)) for f in (np.sin, np.cos))
    sunk = 3000 * np.clip((away_km - 22) / 6, 0, 1)
    return 400 * np.sin(x / 2) * np.cos(y / 3) + 900 * np.sin(x / 13 + y / 9) - sunk


def hills_model(path, pixels=301, **tags):
    return in_degrees(path, hills, SITE, PIXEL_DEG, pixels, **tags)


def elevation_deg(*paths, site=SITE):
    return site_view(paths, *site).view.elevation_deg


def tagged(path, change, site=SITE, **tags):
    return in_degrees(path, lambda *at: change(hills(*at)), site, PIXEL_DEG, 301, **tags)


def test_heights_radii_and_scaled_values_give_the_same_skyline(tmp_path):
    plain = elevation_deg(hills_model(tmp_path / "heights.tif"))
    real, tenths = {"dtype": "float64"}, {"dtype": "int16", "scale": 0.1}
    files = [
        tagged(tmp_path / "radii.tif", lambda h: h + RADIUS_M, **real),
        tagged(tmp_path / "radii_km.tif", lambda h: (h + RADIUS_M) / 1000, unit="km", **real),
        tagged(tmp_path / "km.tif", lambda h: h / 1000, unit="km", **real),
        tagged(tmp_path / "tenths.tif", lambda h: h * 10, **tenths),
        tagged(tmp_path / "offset.tif", lambda h: h * 10, offset=RADIUS_M, **tenths),
    ]
    assert np.ptp(plain) > 3
    for path in files:
        # Heights are held as float32, 6e-5 m at 1 km; values are rounded to 0.1 m, and
        # int16 cuts off another 0.1 m at worst, which 400 m away is 0.014 deg.
        assert elevation_deg(path) == pytest.approx(plain, abs=0.015), path.name
    told = [site_view([path], *SITE).assumed[0] for path in files]
    assert "radii, less 1737.4 km in m (by their size)" in told[0]
    assert "in km (as the file says)" in told[2]
    assert "scale 0.1, offset 1.7374e+06" in told[4]


@pytest.mark.parametrize("site", [(40.0, 0.0), (40.0, 180.0), (-20.0, 359.9)])
@pytest.mark.parametrize("east", [-360.0, 0.0, 360.0])
def test_longitudes_may_be_written_either_way(tmp_path, site, east):
    path = in_degrees(tmp_path / "a.tif", hills, site, PIXEL_DEG, 201)
    turned = in_degrees(tmp_path / "b.tif", hills, site, PIXEL_DEG, 201, east=east)
    there = site[0], site[1] - 360 if site[1] > 180 else site[1]
    plain = elevation_deg(path, site=site)
    # Written as 360 more or less, a longitude has lost its last digits.
    assert elevation_deg(turned, site=there) == pytest.approx(plain, abs=1e-3)


def test_a_model_of_the_whole_moon_has_no_seam(tmp_path):
    def waves(latitude, longitude):
        turn, up = np.radians(longitude), np.radians(latitude)
        return 4000 * np.cos(9 * turn) * np.cos(5 * up)

    row, column = np.meshgrid(np.arange(180), np.arange(360), indexing="ij")
    heights = waves(89.5 - row, column + 0.5).astype("float32")
    path = write(tmp_path / "all.tif", heights, DEGREES, Affine(1, 0, 0, 0, -1, 90))
    # A ninth of the way around the pattern is the same again: 0 is on the seam, 40 is not.
    assert elevation_deg(path, site=(3.0, 0.0)) == pytest.approx(
        elevation_deg(path, site=(3.0, 40.0)), abs=1e-6
    )


@pytest.mark.parametrize("site", [(-89.3, 75.0), (-89.6, -140.0), (-89.9, 10.0)])
def test_projections_of_the_same_ground_give_the_same_skyline(tmp_path, site):
    polar = stereographic(tmp_path / "polar.tif", polar_hills, 60.0, 1001)
    row, column = np.meshgrid(np.arange(1500), np.arange(1440), indexing="ij")
    transform = Affine(0.25, 0, -180, 0, -0.002, -87.0)
    heights = polar_hills(-87.001 - 0.002 * row, -179.875 + 0.25 * column).astype("float32")
    degrees = write(tmp_path / "degrees.tif", heights, DEGREES, transform)
    in_polar, in_deg = (site_view([path], *site).view for path in (polar, degrees))
    difference = np.abs(in_polar.elevation_deg - in_deg.elevation_deg)
    # Pixels of 60 m to the one side and up to 400 m to the other flatten crests of these
    # hills by some metres. Where hill stands before hill the skyline is steep, up to 2 in 1,
    # and only the model of small pixels counts a quarter of a degree to either side.
    assert np.median(difference) < 0.01
    assert np.quantile(difference, 0.95) < 0.1
    assert difference.max() < 0.5


def test_rotated_and_south_up_projected_grids_are_the_same_ground(tmp_path):
    plain = stereographic(tmp_path / "plain.tif", polar_hills, 60.0, 501)
    with rasterio.open(plain) as source:
        heights, turn = source.read(1), source.transform
    flipped = turn * Affine(1, 0, 0, 0, -1, 501)
    quarter = turn * Affine(0, 1, 0, 1, 0, 0)
    south_up = write(tmp_path / "south_up.tif", heights[::-1], SOUTH, flipped)
    turned = write(tmp_path / "turned.tif", heights.T.copy(), SOUTH, quarter)
    before, *after = (elevation_deg(p, site=(-89.7, 20.0)) for p in (plain, south_up, turned))
    # Directions are interpolated from other pixels, a hundredth of a pixel off at most.
    for skyline in after:
        assert skyline == pytest.approx(before, abs=1e-3)


def test_nodata_is_not_ground(tmp_path):
    def pitted(latitude, longitude):
        return np.where(longitude > SITE[1] + 0.1, -32768.0, hills(latitude, longitude))

    path = in_degrees(tmp_path / "a.tif", pitted, SITE, PIXEL_DEG, 301, nodata=-32768.0)
    (told,) = site_view([path], *SITE).assumed
    assert "nodata 42 %" in told
    assert float(told.split("heights ")[-1].split(" to ")[0]) > -2000


def refused(path, *site):
    with pytest.raises(ScenarioError) as caught:
        site_view([path], *(site or SITE))
    line = str(caught.value)
    assert line.startswith(f"{path}: ") and "\n" not in line
    return line


def test_what_is_not_a_model_of_the_moon_is_refused_in_one_line(tmp_path):
    heights, turn = np.ones((20, 20), "float32"), Affine(0.01, 0, 9.9, 0, -0.01, 40.1)
    earth = write(tmp_path / "earth.tif", heights, CRS.from_epsg(4326), turn)
    assert "radius 6378.1 km, not the Moon's" in refused(earth)
    assert "no reference system" in refused(write(tmp_path / "none.tif", heights, None, turn))
    turned = write(tmp_path / "turned.tif", heights, DEGREES, turn * Affine.rotation(10))
    assert "rotated geographic grid" in refused(turned)
    empty = write(tmp_path / "empty.tif", heights, DEGREES, turn, nodata=1.0)
    assert "nothing but nodata" in refused(empty)
    for k, end in enumerate((np.nan, np.inf)):
        nowhere = write(
            tmp_path / f"nowhere{k}.tif", heights, DEGREES, Affine(0.01, 0, end, 0, 1, 9)
        )
        assert "no geotransform" in refused(nowhere)
    (tmp_path / "text.tif").write_text("heights")
    assert "cannot be read" in refused(tmp_path / "text.tif")
    assert "cannot be read" in refused(tmp_path / "missing.tif")
    os.mkfifo(tmp_path / "endless.tif")
    assert "(a device or a pipe, not a file)" in refused(tmp_path / "endless.tif")
    feet = write(tmp_path / "feet.tif", heights, DEGREES, turn, unit="ft")
    assert "its unit is 'ft'; allowed are m and km" in refused(feet)


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_reference_system_that_is_not_text_is_refused_in_one_line(tmp_path, capfd):
    path = hills_model(tmp_path / "garbled.tif", pixels=20, unit="m")
    content = path.read_bytes()
    name = content.rindex(b"unknown|Ellipsoid")  # the file holds it twice, and the last counts
    path.write_bytes(content[:name] + b"\xff" + content[name + 1 :])
    assert "its reference system or its tags are not UTF-8 text" in refused(path)
    # A remark on tags that are not text is none of the user's business.
    tags = content.replace(b"</GDALMetadata>", b"</GDALMetadata\xe8")
    assert tags != content
    path.write_bytes(tags)
    read_model(path)
    assert capfd.readouterr().err == ""


def test_a_file_that_only_refers_to_other_files_is_no_elevation_model(tmp_path):
    """Such a file could name any other one, outside the folder of the scenario or in a net."""
    hills_model(tmp_path / "hills.tif", pixels=20)
    (tmp_path / "refers.tif").write_text(
        '<VRTDataset rasterXSize="20" rasterYSize="20"><VRTRasterBand dataType="Float32" band="1">'
        '<SimpleSource><SourceFilename relativeToVRT="1">hills.tif</SourceFilename>'
        "<SourceBand>1</SourceBand></SimpleSource></VRTRasterBand></VRTDataset>"
    )
    assert "cannot be read as an elevation model" in refused(tmp_path / "refers.tif")


@pytest.mark.parametrize(
    "value, spread, unit, complaint",
    [
        (1735.0, 10.0, None, "could be heights in m or radii in km"),
        (2.0, 3.0, None, "could be heights in m or heights in km"),
        (50_000.0, 10.0, None, "are neither heights nor radii"),
        (1_900_000.0, 10.0, None, "are neither heights nor radii"),
        (1735.0, 10.0, "m", ""),
        (1735.0, 10.0, "km", ""),
        (2.0, 3.0, "m", ""),
    ],
)
def test_values_that_could_be_either_are_refused_until_the_unit_is_set(
    tmp_path, value, spread, unit, complaint
):
    heights = value + spread * np.linspace(0, 1, 10_000, dtype="float32").reshape(100, 100)
    transform = Affine(0.01, 0, 9.5, 0, -0.01, 40.5)
    path = write(tmp_path / "a.tif", heights, DEGREES, transform, unit=unit)
    if complaint:
        assert complaint in refused(path)
    else:
        assert np.all(np.isfinite(elevation_deg(path)))


def test_site_beyond_the_model_is_told(tmp_path):
    path = hills_model(tmp_path / "a.tif")
    assert "latitude 50, longitude 10 lies outside" in refused(path, 50.0, 10.0)


def test_without_rasterio_one_line_says_what_to_install(tmp_path, monkeypatch):
    path = hills_model(tmp_path / "a.tif")
    for name in [n for n in sys.modules if n.split(".")[0] == "rasterio"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "rasterio", None)
    with pytest.raises(ScenarioError, match=r"pip install 'obsplan\[terrain\]'$"):
        read_model(path)


# ------------------------------------------------------------------ command and scenario


def command(*words):
    return CliRunner().invoke(main, ["skyline", *map(str, words)], catch_exceptions=False)


def test_command_writes_a_profile_and_says_what_it_assumed(tmp_path):
    coarse = in_degrees(tmp_path / "coarse.tif", hills, SITE, 0.01, 301)
    fine = in_degrees(tmp_path / "fine.tif", hills, SITE, 0.001, 301)
    place = ("--latitude", SITE[0], "--longitude", SITE[1])
    out = tmp_path / "skyline.csv"
    result = command(coarse, fine, *place, "--height-above-ground", 2, "-o", out)
    assert result.exit_code == 0
    fine_at, coarse_at = (result.output.index(f"{n}.tif: geographic") for n in ("fine", "coarse"))
    assert fine_at < coarse_at
    assert f"ground at the site: {hills(*SITE):.0f}" in result.output
    profile = read_profile(out)
    assert profile.shape == (720, 2)
    assert np.array_equal(profile, site_view([fine, coarse], *SITE, 2.0).profile)
    again = tmp_path / "again.csv"
    command(fine, coarse, *place, "-o", again)
    assert again.read_bytes() == out.read_bytes()


def test_command_cautions_where_a_model_ends_close_by(tmp_path):
    path = hills_model(tmp_path / "a.tif")
    result = command(
        path, "--latitude", SITE[0], "--longitude", SITE[1] + 0.55, "-o", tmp_path / "s.csv"
    )
    assert result.exit_code == 0
    caution = next(line for line in result.output.splitlines() if line.startswith("caution"))
    assert "within 10 km" in caution and "around azimuth 90" in caution


@pytest.mark.parametrize("wrong", [{"--latitude": "nan"}, {"--latitude": 91}, {"--longitude": 400}])
def test_command_refuses_places_that_are_none(tmp_path, wrong):
    place = {"--latitude": 40, "--longitude": 10} | wrong
    out = tmp_path / "s.csv"
    result = command(tmp_path / "a.tif", *[w for pair in place.items() for w in pair], "-o", out)
    assert result.exit_code == 2
    assert not out.exists()


def scenario_with(tmp_path, skyline, height_m):
    keys = f"[site]\nheight_m = {height_m}\nskyline = {skyline}\n"
    (tmp_path / "small.toml").write_text(SMALL.replace("[site]\n", keys, 1))
    return read_scenario(tmp_path / "small.toml")


def test_scenario_may_name_models_in_place_of_a_profile(tmp_path):
    fine = in_degrees(tmp_path / "fine.tif", hills, SITE, 0.001, 301)
    coarse = in_degrees(tmp_path / "coarse.TIF", hills, SITE, 0.01, 301)
    ground_m = float(hills(*SITE))
    several = scenario_with(tmp_path, '["fine.tif", "coarse.TIF"]', ground_m)
    profile = site_profile(several)
    assert np.array_equal(profile, site_view([fine, coarse], *SITE).profile)
    single = scenario_with(tmp_path, '"fine.tif"', ground_m)
    assert not np.array_equal(site_profile(single), profile)
    assert single.input_hash != several.input_hash
    in_degrees(fine, lambda *at: hills(*at) + 5, SITE, 0.001, 301)
    assert scenario_with(tmp_path, '"fine.tif"', ground_m).input_hash != single.input_hash


def test_profile_follows_a_model_written_anew(tmp_path):
    path = hills_model(tmp_path / "a.tif")
    before = read_skyline((path,), *SITE, float(hills(*SITE)))
    assert read_skyline((path,), *SITE, float(hills(*SITE))) is before
    in_degrees(path, lambda *at: 0.5 * hills(*at), SITE, PIXEL_DEG, 307)
    assert not np.array_equal(read_skyline((path,), *SITE, 0.5 * float(hills(*SITE))), before)


def test_site_far_from_the_models_ground_is_refused(tmp_path):
    hills_model(tmp_path / "a.tif")
    scene = scenario_with(tmp_path, '"a.tif"', float(hills(*SITE)) + 150)
    with pytest.raises(ScenarioError, match="a.tif: the ground at the site .* set height_m"):
        site_profile(scene)


@pytest.mark.parametrize(
    "skyline, complaint",
    [
        ('["a.tif", "b.csv"]', "a list may contain only elevation models"),
        ("[]", "must be a file name in quotes, or a list"),
        ("[3]", "must be a file name in quotes, or a list"),
        ("7", "must be a file name in quotes, or a list"),
        ('"none.tif"', "no such file; name a CSV profile beside the scenario"),
    ],
)
def test_skyline_key_names_files(tmp_path, skyline, complaint):
    with pytest.raises(ScenarioError, match=complaint) as caught:
        scenario_with(tmp_path, skyline, 0.0)
    assert "site.skyline" in str(caught.value) and "\n" not in str(caught.value)
