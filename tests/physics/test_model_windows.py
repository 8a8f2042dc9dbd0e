"""Large elevation models: near ground in full, far ground by its crests, every tile read once."""

import os
from itertools import groupby

import numpy as np
import pytest
from rasterio.crs import CRS
from rasterio.transform import Affine
from tools.models import DEGREES, RADIUS_M, SOUTH, away_m, in_degrees, stereographic, write

import obsplan.physics.model_windows as model_windows
from obsplan.physics.elevation_model import read_model
from obsplan.physics.model_windows import BLOCKS_AWAY, read_around
from obsplan.physics.site_view import site_view
from obsplan.physics.terrain_skyline import chain

PIXEL_M, PIXELS = 50.0, 2001
PLAIN_M, PEAK_M = 100, 3000


def peaks_model(path, peaks, **profile):
    """A plain with single pixels that rise from it, as (columns right, rows up) of the pole."""
    stored = np.full((PIXELS, PIXELS), PLAIN_M, "int16")
    middle = PIXELS // 2
    for right, up in peaks:
        stored[middle - up, middle + right] = PEAK_M
    half = PIXEL_M * PIXELS / 2
    transform = Affine(PIXEL_M, 0, -half, 0, -PIXEL_M, half)
    return write(path, stored, SOUTH, transform, **profile)


def written_down(right, up):
    """Azimuth and elevation of a peak from the pole at longitude 0, and its distance in pixels."""
    # Stereographic distances from the pole are 2 R tan of half the angle (Snyder 1987, 21-33).
    angle = 2 * np.arctan(np.hypot(right, up) * PIXEL_M / (2 * RADIUS_M))
    top_m, eye_m = RADIUS_M + PEAK_M, RADIUS_M + PLAIN_M + 2
    rise = (top_m * np.cos(angle) - eye_m) / (top_m * np.sin(angle))
    return np.degrees(np.arctan2(right, up)) % 360, np.degrees(np.arctan(rise))


def test_no_single_peak_is_lost_however_far_away_and_none_is_made_up(tmp_path):
    rng = np.random.default_rng(5)
    azimuth = np.radians(np.arange(0, 360, 12))
    pixels = rng.uniform(130, 990, len(azimuth))
    peaks = np.round(pixels * [np.sin(azimuth), np.cos(azimuth)]).astype(int).T
    seen = site_view([peaks_model(tmp_path / "peaks.tif", peaks)], -90.0, 0.0).view
    plain = np.ones(720, bool)
    for right, up in peaks:
        at_deg, elevation_deg = written_down(right, up)
        aside_deg = np.abs((seen.azimuth_deg - at_deg + 180) % 360 - 180)
        # A quarter of a degree to the nearest azimuth, and 0.17 for the place in its block.
        near = aside_deg <= 0.42
        plain &= ~near
        # A block is off by 0.71 / 240 of the distance: in tangent, and in the Moon's curve.
        away_deg = np.degrees(np.hypot(right, up) * PIXEL_M / RADIUS_M)
        slack_deg = 0.71 / BLOCKS_AWAY * (elevation_deg + away_deg)
        assert seen.elevation_deg[near].max() == pytest.approx(elevation_deg, abs=slack_deg)
        crest_m = seen.crest_m[near][seen.elevation_deg[near].argmax()]
        assert crest_m == pytest.approx(np.hypot(right, up) * PIXEL_M, rel=0.004)
    assert plain.mean() > 0.8 and seen.elevation_deg[plain].max() < 0


def test_blocks_are_never_wider_than_their_share_of_the_distance(tmp_path):
    model = read_model(peaks_model(tmp_path / "flat.tif", []))
    around = read_around(model, -89.9, 33.0)
    grids = list(chain(around.grid))
    assert [grid.pixel_m / model.pixel_m for grid in grids] == pytest.approx([1, 2, 4])
    for grid in grids[1:]:
        row, column = np.nonzero(np.ones(grid.height_m.shape))
        down, across = grid.hole
        inside = (row >= down.start) & (row < down.stop)
        inside &= (column >= across.start) & (column < across.stop)
        near_m = away_m(*grid.place(row[~inside], column[~inside]), (-89.9, 33.0)).min()
        assert near_m > (BLOCKS_AWAY - 1) * grid.pixel_m


def test_every_pixel_counts_once(tmp_path):
    """The chain of windows has neither gaps nor doubles, for odd sizes and sites near a border."""
    for pixels, site in ((1307, (-89.9, 10.0)), (1101, (-89.2, 45.0))):
        path = stereographic(tmp_path / f"{pixels}.tif", lambda lat, _: 0 * lat, 60.0, pixels)
        model = read_model(path)
        hits = np.zeros((pixels, pixels), int)
        for grid in chain(read_around(model, *site).grid):
            row, column = np.indices(grid.height_m.shape)
            counts = np.ones(grid.height_m.shape, bool)
            if grid.hole:
                counts[grid.hole] = False
            latitude, longitude = grid.place(row[counts], column[counts])
            at_row, at_column = model.map.locate(latitude, longitude)
            block = round(grid.pixel_m / model.pixel_m)
            first = [np.rint(at - (block - 1) / 2).astype(int) for at in (at_row, at_column)]
            for i in range(block):
                for j in range(block):
                    r, c = first[0] + i, first[1] + j
                    on = (r < pixels) & (c < pixels)
                    np.add.at(hits, (r[on], c[on]), 1)
        assert (hits == 1).all()


@pytest.fixture
def tiles_read(monkeypatch):
    read, tile = [], model_windows._tile

    def counted(values):
        read.append(values.size)
        return tile(values)

    monkeypatch.setattr(model_windows, "_tile", counted)
    monkeypatch.setattr(model_windows, "_kept", type(model_windows._kept)())
    return read


def test_sites_share_the_tiles_of_a_model(tmp_path, tiles_read):
    path = peaks_model(tmp_path / "a.tif", [(500, 300)])
    first = site_view([path], -89.9, 10.0)
    assert sum(tiles_read) == PIXELS**2
    site_view([path], -89.8, 200.0)
    assert sum(tiles_read) == PIXELS**2
    # The same values give the same bytes whether tiles were kept or not.
    model_windows._kept.clear()
    assert np.array_equal(site_view([path], -89.9, 10.0).profile, first.profile)


def test_tiles_of_a_file_written_anew_are_not_used(tmp_path, tiles_read):
    path = peaks_model(tmp_path / "a.tif", [(500, 300)])
    with_peak = site_view([path], -90.0, 0.0).profile
    peaks_model(path, [])
    os.utime(path, ns=(1, 1))
    assert not np.array_equal(site_view([path], -90.0, 0.0).profile, with_peak)


def test_only_the_tiles_of_the_last_model_are_kept_if_there_is_little_room(
    tmp_path, tiles_read, monkeypatch
):
    path = peaks_model(tmp_path / "a.tif", [(500, 300)])
    monkeypatch.setattr(model_windows, "KEPT_BYTES", 300_000)
    site_view([path], -89.9, 10.0)
    site_view([path], -89.8, 10.0)
    assert sum(tiles_read) == PIXELS**2
    other = stereographic(tmp_path / "b.tif", lambda lat, _: 0 * lat, 60.0, 301)
    site_view([other], -89.9, 10.0)
    assert len(model_windows._kept) == 3  # as many as there is room for
    site_view([path], -89.9, 10.0)
    assert sum(tiles_read) > 1.9 * PIXELS**2


@pytest.mark.parametrize(
    "profile",
    [
        {"tiled": True, "blockxsize": 256, "blockysize": 256, "compress": "deflate"},
        {"compress": "deflate", "blockysize": 7},
    ],
)
def test_the_layout_of_a_file_changes_nothing(tmp_path, profile):
    plain = site_view([peaks_model(tmp_path / "a.tif", [(500, 300), (-900, 20)])], -89.9, 10.0)
    other = peaks_model(tmp_path / "b.tif", [(500, 300), (-900, 20)], **profile)
    assert np.array_equal(site_view([other], -89.9, 10.0).profile, plain.profile)


@pytest.mark.parametrize("cache_mb", [model_windows.CACHE_MB, 1])
def test_a_tall_block_is_left_only_once_all_its_tiles_are_read(tmp_path, monkeypatch, cache_mb):
    """Blocks of 512 x 1024 pixels; as many as GDAL keeps are read side by side."""
    profile = {"tiled": True, "blockxsize": 1024, "blockysize": 512}
    path = peaks_model(tmp_path / "a.tif", [], **profile)
    monkeypatch.setattr(model_windows, "CACHE_MB", cache_mb)
    read, pixels = [], model_windows._pixels

    def remembered(model, source, window):
        read.append(window)
        return pixels(model, source, window)

    monkeypatch.setattr(model_windows, "_pixels", remembered)
    site_view([path], -89.9, 10.0)
    tiles = [w for w in read if w.bottom - w.top == 256 and w.left % 1024 == w.right % 1024 == 0]
    groups = [(w.top // 512, w.left // 1024 if cache_mb == 1 else 0) for w in tiles]
    assert [g for g, _ in groupby(groups)] == sorted(set(groups))
    assert sum((w.right - w.left) // 1024 for w in tiles) == 2 * len(range(0, PIXELS, 256))


def jpeg2000_peaks(path, **profile):
    """The same plain with a peak as JPEG 2000, all of it decoded as it was."""
    profile |= {"driver": "JP2OpenJPEG", "REVERSIBLE": "YES", "QUALITY": "100"}
    return peaks_model(path, [(500, 300), (-900, 20)], **profile)


@pytest.mark.parametrize("block", [256, 600, 1024, PIXELS])
def test_blocks_of_jpeg_2000_are_decoded_once_for_all_their_tiles(tmp_path, monkeypatch, block):
    """GDAL keeps none of them. Tiles of 256 rows that lie in two blocks need both."""
    size = {"BLOCKXSIZE": str(block), "BLOCKYSIZE": str(block)}
    path = jpeg2000_peaks(tmp_path / "a.jp2", **size)
    plain = site_view([peaks_model(tmp_path / "a.tif", [(500, 300), (-900, 20)])], -89.9, 10.0)
    read, pixels = [], model_windows._pixels

    def remembered(model, source, window):
        read.append(window)
        return pixels(model, source, window)

    monkeypatch.setattr(model_windows, "_pixels", remembered)
    assert np.array_equal(site_view([path], -89.9, 10.0).profile, plain.profile)
    tiles = [w for w in read if w.left % 1024 == w.right % 1024 == 0]
    for window in tiles if block > 256 else []:
        assert window.top % block == 0 and window.bottom in {*range(0, PIXELS, block), PIXELS}
    rows = sum((w.bottom - w.top) * (w.right - w.left) for w in tiles) / 2048
    assert rows <= PIXELS * (2 if block == 600 else 1.03)


# ------------------------------------------------------------------ maps of the whole Moon


def waves(latitude, longitude):
    """Three kilometres of hills, the same every ninth of a turn."""
    turn, up = np.radians(longitude), np.radians(latitude)
    return 3000 * np.cos(9 * turn) * np.cos(7 * up) * np.cos(up)


def whole_moon(path, first_deg, step_deg, metres):
    rows, columns = round(180 / step_deg), round(360 / step_deg)
    latitude = 90 - step_deg * (np.arange(rows)[:, None] + 0.5)
    longitude = first_deg + step_deg * (np.arange(columns) + 0.5)
    heights = waves(latitude, longitude).astype("float32")
    transform = Affine(step_deg, 0, first_deg, 0, -step_deg, 90)
    if not metres:
        return write(path, heights, DEGREES, transform)
    middle = first_deg + 180
    crs = CRS.from_proj4(f"+proj=eqc +lat_ts=0 +lon_0={middle} +R=1737400 +units=m +no_defs")
    size_m = np.radians(step_deg) * RADIUS_M
    return write(
        path,
        heights,
        crs,
        Affine(size_m, 0, -size_m * columns / 2, 0, -size_m, size_m * rows / 2),
    )


@pytest.mark.parametrize("metres", [False, True])
@pytest.mark.parametrize("first_deg", [-180, 0])
@pytest.mark.parametrize("latitude", [3.0, -72.0])
def test_a_map_of_the_whole_moon_has_no_seam(tmp_path, first_deg, metres, latitude):
    path = whole_moon(tmp_path / "all.tif", first_deg, 0.25, metres)
    on_seam = site_view([path], latitude, float(first_deg))
    # A ninth of the way around the pattern is the same again.
    inland = site_view([path], latitude, first_deg + 120.0)
    assert np.ptp(inland.profile[:, 1]) > 0.05
    assert on_seam.view.elevation_deg == pytest.approx(inland.view.elevation_deg, abs=1e-5)
    assert on_seam.view.covered_m == pytest.approx(inland.view.covered_m)


def test_of_the_whole_moon_only_what_may_rise_over_the_horizon_is_read(tmp_path):
    path = whole_moon(tmp_path / "all.tif", 0, 0.25, False)
    seen = site_view([path], 10.0, 200.0)
    assert "of which" in seen.assumed[0]
    # 18.3 deg: acos(R - 10 km / R + 12 km) and as much for ground 11 km high.
    assert np.degrees(seen.view.covered_m.min() / RADIUS_M) == pytest.approx(18.3, abs=0.3)
    assert np.degrees(seen.view.covered_m.max() / RADIUS_M) < 28


def test_columns_that_crowd_at_a_pole_are_joined_and_the_ground_is_the_same(tmp_path):
    def hills(latitude, longitude):
        away_km = (latitude + 90) * 30.3
        x, y = (away_km * f(np.radians(longitude)) for f in (np.sin, np.cos))
        return 90 * np.sin(x / 2.3) * np.cos(y / 3.1) + 50 * np.sin(x / 5.7 + y / 4.1)

    rows, columns = 600, 18_000
    latitude = -88.8 - 0.002 * (np.arange(rows)[:, None] + 0.5)
    longitude = -180 + 0.02 * (np.arange(columns) + 0.5)
    heights = hills(latitude, longitude).astype("float32")
    degrees = tmp_path / "degrees.tif"
    write(degrees, heights, DEGREES, Affine(0.02, 0, -180, 0, -0.002, -88.8))
    polar = stereographic(tmp_path / "polar.tif", hills, 60.0, 1201)
    site = (-89.95, 15.0)
    # Columns are up to 11 m wide around the site, beside rows of 60 m: four are joined.
    joined = read_around(read_model(degrees), *site).grid.height_m.shape[1]
    assert columns / 4 <= joined <= columns / 4 + 4
    apart = site_view([degrees], *site).profile[:, 1] - site_view([polar], *site).profile[:, 1]
    # The same hills of 2 km in pixels of 60 m, laid out differently.
    assert np.median(np.abs(apart)) < 0.02 and np.abs(apart).max() < 0.5


def test_a_regional_map_across_the_turn_of_longitude_is_one_ground(tmp_path):
    east = in_degrees(tmp_path / "a.tif", waves, (20.0, 180.0), 0.05, 301)
    west = in_degrees(tmp_path / "b.tif", waves, (20.0, 180.0), 0.05, 301, east=-360.0)
    for longitude in (179.0, -179.0):
        one, other = (site_view([path], 20.0, longitude).profile for path in (east, west))
        assert one == pytest.approx(other, abs=1e-3)
