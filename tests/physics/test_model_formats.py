"""Elevation models as they come: PDS labels, JPEG 2000, lost scales, heights that disagree."""

import numpy as np
import pytest
import rasterio
from click.testing import CliRunner
from rasterio.transform import Affine
from tools.models import (
    RADIUS_M,
    SOUTH,
    in_degrees,
    jpeg2000,
    map_object,
    pds3,
    pds4,
    stereographic,
    write,
)
from tools.small import small_elsewhere

from obsplan.cli.main import main
from obsplan.common.errors import ScenarioError
from obsplan.common.model_files import files_of
from obsplan.environment.build import make_environment
from obsplan.environment.site_skyline import site_profile, skyline_cautions
from obsplan.inputs.read_scenario import read_scenario
from obsplan.physics.elevation_model import read_model
from obsplan.physics.site_view import site_view
from obsplan.reporting.page.sections import assumptions_part

SITE = (-89.9, 40.0)
PIXEL_M, PIXELS = 60.0, 301
ROW, COLUMN = np.meshgrid(np.arange(PIXELS), np.arange(PIXELS), indexing="ij")
# Half metres, as in the archives: hills of a kilometre, around -1920 m.
STORED = np.round(-3840 + 900 * np.sin(ROW / 17) * np.cos(COLUMN / 23)).astype("int16")
HALF = {"scaling_factor": 0.5, "unit": "METER"}


def plain_model(path, **tags):
    half = PIXEL_M * PIXELS / 2
    transform = Affine(PIXEL_M, 0, -half, 0, -PIXEL_M, half)
    return write(path, STORED, SOUTH, transform, scale=0.5, **tags)


@pytest.fixture
def plain(tmp_path):
    return site_view([plain_model(tmp_path / "plain.tif")], *SITE)


def refusal(*paths, site=SITE, **kwargs):
    with pytest.raises(ScenarioError) as caught:
        site_view(paths, *site, **kwargs)
    line = str(caught.value)
    assert line.startswith(f"{paths[0]}") and "\n" not in line
    return line


@pytest.mark.parametrize("attached", [False, True])
@pytest.mark.parametrize("offset", [0.0, RADIUS_M])
def test_pds3_label_gives_the_skyline_of_the_same_ground(tmp_path, plain, attached, offset):
    path = tmp_path / ("dem.img" if attached else "dem.LBL")
    pds3(path, STORED, PIXEL_M, attached, offset=offset, **HALF)
    seen = site_view([path], *SITE)
    assert seen.profile == pytest.approx(plain.profile, abs=1e-4)
    assert seen.ground_height_m == pytest.approx(plain.ground_height_m, abs=1e-3)
    assert f"scale 0.5, offset {offset:g}" in seen.assumed[0]
    if not attached:
        # The image's own name serves as well: the label beside it describes it.
        image = site_view([path.with_suffix(".IMG")], *SITE)
        assert np.array_equal(image.profile, seen.profile)
        assert "described by dem.LBL" in image.assumed[0]


@pytest.mark.parametrize("projection", ["SIMPLE CYLINDRICAL", "EQUIRECTANGULAR"])
@pytest.mark.parametrize("middle_deg, sample", [(180.0, 719.5), (0.0, -0.5)])
def test_cylindrical_pds_map_of_the_whole_moon_has_no_seam(
    tmp_path, projection, middle_deg, sample
):
    def waves(latitude, longitude):
        turn, up = np.radians(longitude), np.radians(latitude)
        return 2000 * np.cos(9 * turn) * np.cos(7 * up)

    latitude = 90 - 0.25 * (np.arange(720)[:, None] + 0.5)
    stored = np.round(2 * waves(latitude, 0.25 * (np.arange(1440) + 0.5)))
    on_map = {"projection": projection, "centre": (0.0, middle_deg), "sample": sample}
    pixel_m = np.radians(0.25) * RADIUS_M
    path = pds3(tmp_path / "all.LBL", stored, pixel_m, on_map=on_map, **HALF)
    on_seam, inland = (site_view([path], 10.0, longitude) for longitude in (0.0, 120.0))
    # Heights are whole half metres, rounded alike a ninth of a turn away.
    assert on_seam.view.elevation_deg == pytest.approx(inland.view.elevation_deg, abs=1e-3)
    # Between pixels of 7.6 km the hills of 300 km curve by 6 m, and most at their tops.
    there = site_view([path], 20.1, 217.3)
    assert there.ground_height_m == pytest.approx(float(waves(20.1, 217.3)), abs=10)


def test_pds4_label_gives_the_skyline_of_the_same_ground(tmp_path, plain):
    path = pds4(tmp_path / "dem.xml", STORED, PIXEL_M, 0.5, RADIUS_M)
    assert site_view([path], *SITE).profile == pytest.approx(plain.profile, abs=1e-4)


def test_jpeg_2000_without_its_scale_is_noticed(tmp_path, plain):
    path = jpeg2000(tmp_path / "dem.jp2", STORED, PIXEL_M)
    assert plain.ground_height_m == pytest.approx(-1920, abs=500)
    alone = site_view([path], *SITE)
    assert alone.ground_height_m == pytest.approx(2 * plain.ground_height_m, abs=0.1)
    assert any("states no scale or offset, and no PDS label" in line for line in alone.cautions)
    line = refusal(path, height_m=plain.ground_height_m)
    assert "it would fit if its values were scaled by 0.5 (lost by the file?)" in line


@pytest.mark.parametrize("named", ["dem.jp2", "dem.LBL"])
def test_jpeg_2000_takes_from_its_label_what_the_format_lost(tmp_path, plain, named):
    stored = STORED.copy()
    stored[:5] = -32768
    jpeg2000(tmp_path / "dem.jp2", stored, PIXEL_M, label=True, missing_constant=-32768, **HALF)
    seen = site_view([tmp_path / named], *SITE, height_m=plain.ground_height_m)
    assert seen.ground_height_m == pytest.approx(plain.ground_height_m, abs=1e-3)
    assert "scale 0.5" in seen.assumed[0] and "nodata 1.7 %" in seen.assumed[0]
    assert not any("states no scale" in line for line in seen.cautions)


def test_label_of_another_image_is_left_alone(tmp_path):
    pds3(tmp_path / "other.LBL", STORED, PIXEL_M, **HALF)
    jpeg2000(tmp_path / "dem.jp2", STORED, PIXEL_M)
    (tmp_path / "other.LBL").rename(tmp_path / "dem.LBL")
    assert read_model(tmp_path / "dem.jp2").scale == 1.0


def test_label_may_not_lead_out_of_its_folder(tmp_path):
    (tmp_path / "in").mkdir()
    path = pds3(tmp_path / "in" / "dem.LBL", STORED, PIXEL_M, **HALF)
    (tmp_path / "in" / "dem.IMG").rename(tmp_path / "dem.IMG")
    path.write_text(path.read_text().replace('"dem.IMG"', '"../dem.IMG"'))
    assert "names a file outside its folder" in refusal(path)


@pytest.mark.parametrize(
    "told, what",
    [
        ("", "its label has no SAMPLE_TYPE"),
        ("SAMPLE_TYPE = LSB_INTEGERS", "its label says SAMPLE_TYPE = LSB_INTEGERS"),
        ("SAMPLE_TYPE = VAX_REAL", "its label says SAMPLE_TYPE = VAX_REAL"),
    ],
)
def test_pds3_label_that_does_not_say_in_which_order_bytes_are_is_refused(tmp_path, told, what):
    path = pds3(tmp_path / "dem.LBL", STORED, PIXEL_M, **HALF)
    path.write_text(path.read_text().replace("SAMPLE_TYPE = LSB_INTEGER", told))
    line = refusal(path)
    assert f"{what}; allowed are LSB_INTEGER, MSB_INTEGER," in line


@pytest.mark.parametrize("name", ["LSB_INTEGER", "PC_INTEGER", "msb_integer", "SUN_INTEGER"])
def test_pds3_samples_are_read_in_the_order_that_the_label_says(tmp_path, plain, name):
    path = pds3(tmp_path / "dem.LBL", STORED, PIXEL_M, **HALF)
    path.write_text(path.read_text().replace("LSB_INTEGER", name))
    order = "<" if name in ("LSB_INTEGER", "PC_INTEGER") else ">"
    path.with_suffix(".IMG").write_bytes(STORED.astype(f"{order}i2").tobytes())
    seen = site_view([path], *SITE)
    assert seen.ground_height_m == pytest.approx(plain.ground_height_m, abs=1e-3)


@pytest.mark.parametrize("nodata", [None, -32768])
def test_geotiff_that_leaves_out_blocks_needs_a_nodata_value(tmp_path, nodata):
    size = 64
    half = PIXEL_M * 4 * size / 2
    path = tmp_path / "dem.tif"
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=4 * size,
        height=4 * size,
        count=1,
        dtype="int16",
        crs=SOUTH,
        transform=Affine(PIXEL_M, 0, -half, 0, -PIXEL_M, half),
        nodata=nodata,
        tiled=True,
        blockxsize=size,
        blockysize=size,
        SPARSE_OK=True,
    ) as target:
        for row in range(3):
            window = ((row * size, (row + 1) * size), (0, 4 * size))
            target.write(np.full((size, 4 * size), -1900, "int16"), 1, window=window)
    if nodata is None:
        line = refusal(path)
        assert "4 of its 16 blocks are missing and would be read as zeros; set its nodata" in line
    else:
        assert "nodata 25 %" in site_view([path], *SITE).assumed[0]


# ------------------------------------------------------------------ heights that contradict


def test_ground_outside_the_range_that_the_model_states_is_refused(tmp_path):
    low, high = int(STORED.min()), int(STORED.max())
    good = pds3(tmp_path / "a.LBL", STORED, PIXEL_M, minimum=low, maximum=high, **HALF)
    assert not any("states" in line for line in site_view([good], *SITE).cautions)
    derived = {"derived_minimum": low / 2, "derived_maximum": high / 2}
    lost = pds3(tmp_path / "b.LBL", STORED, PIXEL_M, unit="METER", **derived)
    line = refusal(lost)
    assert f"but it states heights from {low / 2:.0f} to {high / 2:.0f} m" in line
    tagged = plain_model(tmp_path / "c.tif")
    with_statistics(tagged, low + 6000, high + 6000)
    assert f"states heights from {low / 2 + 3000:.0f} to {high / 2 + 3000:.0f}" in refusal(tagged)
    with_statistics(tagged, low, high - 1000)
    assert any("states values from" in line for line in site_view([tagged], *SITE).cautions)


def with_statistics(path, low, high):
    import rasterio

    with rasterio.open(path, "r+") as target:
        target.update_tags(1, STATISTICS_MINIMUM=low, STATISTICS_MAXIMUM=high)


def test_height_of_the_site_is_compared_always(tmp_path, plain):
    ground_m = plain.ground_height_m
    path = plain_model(tmp_path / "a.tif")
    assert site_view([path], *SITE, height_m=ground_m + 15).cautions == plain.cautions
    near = site_view([path], *SITE, height_m=ground_m + 40)
    assert any("the site's height_m is" in line for line in near.cautions)
    doubled = jpeg2000(tmp_path / "b.jp2", STORED // 30, PIXEL_M)
    (line,) = [c for c in site_view([doubled], *SITE, height_m=-64).cautions if "height_m" in c]
    assert "would fit if its values were scaled by 0.5" in line
    assert "a difference of 100 m is allowed" in refusal(path, height_m=ground_m + 101)


def test_far_model_that_lost_its_scale_is_refused_although_the_near_one_covers_the_site(tmp_path):
    def ground(latitude, longitude):
        return -1500 + 300 * np.sin((latitude + 90) * 40) * np.cos(np.radians(longitude))

    near = stereographic(tmp_path / "near.tif", ground, 20.0, 301)
    far = stereographic(tmp_path / "far.tif", ground, 100.0, 401)
    lost = stereographic(tmp_path / "lost.tif", lambda *at: 2 * ground(*at), 100.0, 401)
    height_m = float(ground(*SITE))
    assert site_view([near, far], *SITE, height_m=height_m).ground_height_m
    line = refusal(lost, near, height_m=height_m)
    assert f"but that of {near} is at" in line and "scaled by 0.5" in line


def test_far_model_whose_relief_is_doubled_is_refused_even_near_zero(tmp_path):
    def ground(latitude, longitude):
        return 60 * np.sin((latitude + 90) * 60) * np.cos(np.radians(longitude))

    near = stereographic(tmp_path / "near.tif", ground, 20.0, 301)
    far = stereographic(tmp_path / "far.tif", ground, 100.0, 401)
    lost = stereographic(tmp_path / "lost.tif", lambda *at: 2 * ground(*at), 100.0, 401)
    assert site_view([near, far], *SITE)
    assert f"is 2 times that of {near}, which shows the same ground" in refusal(lost, near)
    # Ground without relief, or another one in the gaps of the near model, is no such case.
    other = stereographic(tmp_path / "other.tif", lambda lat, _: 0 * lat, 100.0, 401)
    assert site_view([near, other], *SITE)


def test_share_of_azimuths_with_a_crest_within_three_pixels_is_named(tmp_path):
    def brink(latitude, longitude):
        # Level ground to the north of the site falls away two pixels from it.
        return np.where(latitude > SITE_NORTH[0] + 2 * 0.002, -3000.0, 0.0) + 0 * longitude

    path = in_degrees(tmp_path / "brink.tif", brink, SITE_NORTH, 0.002, 301)
    (line,) = [line for line in site_view([path], *SITE_NORTH).cautions if "crest" in line]
    share = int(line.split("in ")[1].split(" %")[0])
    # The brink is within three pixels over acos(2 / 3) to either side: 96 deg of 360. Ground
    # is straight between pixel centres, so that it begins to fall up to a pixel nearer.
    assert 26 <= share <= 38
    level = in_degrees(
        tmp_path / "level.tif", lambda *at: np.zeros_like(at[0]), SITE_NORTH, 0.002, 301
    )
    assert not any("crest" in line for line in site_view([level], *SITE_NORTH).cautions)


SITE_NORTH = (10.0, 20.0)


# ------------------------------------------------------------------ bad input


def test_site_in_nodata_and_site_outside_are_told_apart(tmp_path):
    hole = STORED.copy()
    hole[100:200, 100:200] = -32768
    path = pds3(tmp_path / "a.LBL", hole, PIXEL_M, missing_constant=-32768, **HALF)
    assert "there is nodata at the site at latitude -89.9" in refusal(path)
    assert "lies outside the elevation model" in refusal(path, site=(-85.0, 0.0))
    assert "lies outside the elevation model" in refusal(path, site=(10.0, 0.0))
    empty = pds3(tmp_path / "b.LBL", STORED * 0 - 1, PIXEL_M, missing_constant=-1, **HALF)
    assert "nothing but nodata around the site" in refusal(empty)


@pytest.mark.parametrize(
    "system, words",
    [
        ('LOCAL_CS["drawing board",UNIT["metre",1]]', "'drawing board' belongs to no body"),
        (
            'PROJCS["X",GEOGCS["Moon",DATUM["D",SPHEROID["S",1737400,0]],PRIMEM["R",0],'
            'UNIT["degree",0.0174532925199433]],PROJECTION["Orange_Peel"],UNIT["metre",1]]',
            "its projection 'orange peel' is unknown here",
        ),
        (
            'PROJCS["X",GEOGCS["Earth",DATUM["D",SPHEROID["S",6378137,298.257]],PRIMEM["R",0],'
            'UNIT["degree",0.0174532925199433]],PROJECTION["Polar_Stereographic"],'
            'PARAMETER["latitude_of_origin",-90],UNIT["metre",1]]',
            "a body of radius 6378.1 km, not the Moon's",
        ),
    ],
)
def test_reference_systems_that_cannot_be_used_are_named(tmp_path, system, words):
    transform = Affine(PIXEL_M, 0, -9000, 0, -PIXEL_M, 9000)
    path = write(tmp_path / "a.tif", STORED, system, transform)
    assert words in refusal(path)


def test_labels_that_are_damaged_are_refused_in_one_line(tmp_path):
    path = pds3(tmp_path / "a.LBL", STORED, PIXEL_M, **HALF)
    (tmp_path / "a.IMG").unlink()
    assert "cannot be read as an elevation model" in refusal(path)
    path = pds3(tmp_path / "b.LBL", STORED, PIXEL_M, scaling_factor=-0.5)
    assert "its scale is -0.5" in refusal(path)
    path = pds3(tmp_path / "c.LBL", STORED, PIXEL_M, **HALF)
    mapping = "\r\n".join(map_object(STORED.shape, PIXEL_M)).encode()
    path.write_bytes(path.read_bytes().replace(mapping, b""))
    assert "no reference system" in refusal(path)
    (tmp_path / "heights.dem").write_text("1 2 3")
    assert "not an elevation model by its name; allowed are .tif" in refusal(
        tmp_path / "heights.dem"
    )


@pytest.mark.parametrize("kind", ["detached", "attached", "records", "pds4"])
def test_image_that_is_cut_off_is_refused_although_gdal_reads_zeros(tmp_path, kind):
    if kind == "pds4":
        path = pds4(tmp_path / "a.xml", STORED, PIXEL_M, 0.5)
        image = tmp_path / "a.img"
    elif kind == "attached":
        path = image = pds3(tmp_path / "a.img", STORED, PIXEL_M, attached=True, **HALF)
    else:
        path = pds3(tmp_path / "a.LBL", STORED, PIXEL_M, **HALF)
        image = tmp_path / "a.IMG"
    if kind == "records":
        path.write_bytes(path.read_bytes().replace(b'"a.IMG"', b'("a.IMG", 3)'))
        image.write_bytes(bytes(4 * PIXELS) + image.read_bytes())
    assert site_view([path], *SITE).ground_height_m == pytest.approx(-1920, abs=500)
    image.write_bytes(image.read_bytes()[:-2])
    needed = 2 * PIXELS**2 + {"attached": 4096, "records": 4 * PIXELS}.get(kind, 0)
    line = refusal(path)
    assert f"{image.name} is cut off: {needed} bytes are needed, {needed - 2} are there" in line


# ------------------------------------------------------------------ commands and scenarios


def scenario_with(tmp_path, skyline, height_m):
    (tmp_path / "small.toml").write_text(small_elsewhere(*SITE, height_m, skyline))
    return read_scenario(tmp_path / "small.toml")


@pytest.mark.parametrize("name", ["dem.LBL", "dem.IMG", "dem.xml", "dem.jp2"])
def test_scenario_and_command_take_every_format_alike(tmp_path, plain, name):
    path = tmp_path / name
    if name == "dem.xml":
        pds4(path, STORED, PIXEL_M, 0.5)
    elif name == "dem.jp2":
        jpeg2000(path, STORED, PIXEL_M, label=True, **HALF)
    else:
        pds3(tmp_path / "dem.LBL", STORED, PIXEL_M, **HALF)
    ground_m = round(plain.ground_height_m, 1)
    scenario = scenario_with(tmp_path, name, ground_m)
    assert site_profile(scenario) == pytest.approx(plain.profile, abs=1e-4)
    words = ["skyline", path, "--latitude", SITE[0], "--longitude", SITE[1]]
    words += ["--height", ground_m, "-o", tmp_path / "out.csv"]
    result = CliRunner().invoke(main, [str(word) for word in words])
    assert result.exit_code == 0, result.output
    assert f"ground at the site: {plain.ground_height_m:.1f} m" in result.output


def test_command_compares_with_the_height_it_is_given(tmp_path):
    path = jpeg2000(tmp_path / "dem.jp2", STORED, PIXEL_M)
    words = ["skyline", path, "--latitude", SITE[0], "--longitude", SITE[1]]
    words += ["--height", -1920, "-o", tmp_path / "out.csv"]
    result = CliRunner().invoke(main, [str(word) for word in words])
    assert result.exit_code == 2 and "scaled by 0.5" in result.stderr
    assert not (tmp_path / "out.csv").exists()


@pytest.mark.parametrize("named", ["dem.LBL", "dem.IMG"])
@pytest.mark.parametrize("output", ["dem.LBL", "dem.IMG"])
def test_neither_label_nor_image_is_replaced_by_the_output(tmp_path, plain, named, output):
    pds3(tmp_path / "dem.LBL", STORED, PIXEL_M, **HALF)
    scenario_with(tmp_path, named, plain.ground_height_m)
    before = (tmp_path / output).read_bytes()
    place = ["--latitude", SITE[0], "--longitude", SITE[1]]
    for words in (["skyline", tmp_path / named, *place], ["sky", tmp_path / "small.toml"]):
        words = [*words, "-o", tmp_path / output]
        result = CliRunner().invoke(main, [str(word) for word in words])
        assert result.exit_code == 2 and "which this command reads" in result.stderr
    assert (tmp_path / output).read_bytes() == before


def test_hash_of_the_input_covers_the_image_that_a_label_names(tmp_path, plain):
    path = pds3(tmp_path / "dem.LBL", STORED, PIXEL_M, **HALF)
    assert [file.name for file in files_of(path)] == ["dem.LBL", "dem.IMG"]
    assert [file.name for file in files_of(path.with_suffix(".IMG"))] == ["dem.IMG", "dem.LBL"]
    before = scenario_with(tmp_path, "dem.LBL", plain.ground_height_m)
    skyline = site_profile(before)
    image = tmp_path / "dem.IMG"
    image.write_bytes((STORED + 1).astype("<i2").tobytes() + b"\0")
    after = scenario_with(tmp_path, "dem.LBL", plain.ground_height_m)
    assert after.input_hash != before.input_hash
    image.write_bytes((STORED // 2).astype("<i2").tobytes())
    with pytest.raises(ScenarioError, match="the ground at the site"):
        site_profile(after)
    assert skyline.shape == (720, 2)


def test_cautions_reach_whoever_plans_with_the_scenario(tmp_path, plain):
    jpeg2000(tmp_path / "dem.jp2", STORED // 2, PIXEL_M)
    scenario = scenario_with(tmp_path, "dem.jp2", plain.ground_height_m)
    cautions = skyline_cautions(scenario.skyline_paths(), *scenario.site.place)
    assert any("states no scale" in line for line in cautions)
    result = CliRunner().invoke(main, ["sky", str(tmp_path / "small.toml")])
    assert result.exit_code == 0
    (part, *_) = assumptions_part(make_environment(scenario))
    assert "Caution: " in str(part) and "states no scale" in str(part)
    audited = CliRunner().invoke(main, ["plan", str(tmp_path / "small.toml"), "--dry-run"])
    assert "site.skyline" in audited.output and "states no scale" in audited.output
    assert any(
        line.startswith("caution: ") and "states no scale" in line
        for line in result.stderr.splitlines()
    )
    flat = scenario.model_copy(
        update={"site": scenario.site.model_copy(update={"skyline": "flat"})}
    )
    assert skyline_cautions(flat.skyline_paths(), *flat.site.place) == ()
