"""A skyline from a PDS model against brute force over all its pixels, through the environment.

The brute force shares no line with the package: it reads the image by the numbers of the label,
places pixels by the inverse polar stereographic projection on a sphere (Snyder 1987, Map
Projections: A Working Manual, USGS Professional Paper 1395, equations 20-14 to 20-18 and 21-15),
and finds bearing and distance by spherical trigonometry (Snyder, 5-3 and 5-4b).
"""

import numpy as np
import pytest
from tools.models import RADIUS_M, pds3
from tools.small import small_elsewhere

from obsplan.environment.build import make_environment
from obsplan.environment.site_skyline import site_profile
from obsplan.inputs.read_scenario import read_scenario

PIXEL_M, PIXELS = 60.0, 1001
LATITUDE, LONGITUDE = -89.7, 140.0
PLAIN_M = -1920.0  # around the site, where rays and pixels would otherwise differ


def invented_ground(x, y):
    """Hills beyond a plain of 9 km radius, with jagged crests; half metres, as stored."""
    colatitude = np.radians(90 + LATITUDE)
    rho = 2 * RADIUS_M * np.tan(colatitude / 2)
    east, north = rho * np.sin(np.radians(LONGITUDE)), rho * np.cos(np.radians(LONGITUDE))
    away_km = np.hypot(x - east, y - north) / 1000
    noise = np.random.default_rng(20).normal(size=x.shape)
    hills = 700 * np.sin(x / 5300) * np.cos(y / 4100) + 500 * np.sin((x + 2 * y) / 9100)
    rise = np.clip((away_km - 9) / 12, 0, 1)
    return np.round(2 * (PLAIN_M + rise * (hills - 200 + 25 * noise))).astype("<i2")


def brute_force(path, eye_above_ground_m):
    """Highest elevation within a quarter of a degree of 720 azimuths, from every pixel."""
    text = path.read_text()

    def number(key):
        return float(text.split(f"{key} = ")[1].split()[0])

    columns, rows = int(number("LINE_SAMPLES")), int(number("\nLINES"))
    stored = np.fromfile(path.with_suffix(".IMG"), "<i2").reshape(rows, columns)
    radius_m = number("SCALING_FACTOR") * stored + number("\nOFFSET")
    scale_m = number("MAP_SCALE") * 1000
    x = (np.arange(columns) - number("SAMPLE_PROJECTION_OFFSET")) * scale_m
    y = (number("\nLINE_PROJECTION_OFFSET") - np.arange(rows))[:, None] * scale_m
    rho = np.hypot(x, y)
    latitude = -(np.pi / 2 - 2 * np.arctan(rho / (2 * number("A_AXIS_RADIUS") * 1000)))
    longitude = np.arctan2(x, y)
    site, turn = np.radians(LATITUDE), longitude - np.radians(LONGITUDE)
    away = 2 * np.arcsin(
        np.sqrt(
            np.sin((latitude - site) / 2) ** 2
            + np.cos(site) * np.cos(latitude) * np.sin(turn / 2) ** 2
        )
    )
    bearing = np.arctan2(
        np.cos(latitude) * np.sin(turn),
        np.cos(site) * np.sin(latitude) - np.sin(site) * np.cos(latitude) * np.cos(turn),
    )
    eye_m = RADIUS_M + PLAIN_M + eye_above_ground_m
    elevation = np.degrees(np.arctan2(radius_m * np.cos(away) - eye_m, radius_m * np.sin(away)))
    bins = np.round(np.degrees(bearing) * 2).astype(int) % 720
    order = np.argsort(bins, axis=None)
    starts = np.searchsorted(bins.ravel()[order], np.arange(720))
    return np.maximum.reduceat(elevation.ravel()[order], starts)


@pytest.fixture(scope="module")
def case(tmp_path_factory):
    folder = tmp_path_factory.mktemp("terrain")
    across = (np.arange(PIXELS) - (PIXELS - 1) / 2) * PIXEL_M
    stored = invented_ground(*np.meshgrid(across, -across))
    keys = {"scaling_factor": 0.5, "offset": RADIUS_M, "unit": "METER"}
    pds3(folder / "dem.LBL", stored, PIXEL_M, **keys)
    text = small_elsewhere(LATITUDE, LONGITUDE, PLAIN_M, "dem.LBL", days=20)
    (folder / "small.toml").write_text(text)
    return read_scenario(folder / "small.toml"), brute_force(folder / "dem.LBL", 2.0)


def test_skyline_of_a_pds_model_is_that_of_all_its_pixels(case):
    scenario, brute_deg = case
    profile = site_profile(scenario)
    assert np.ptp(brute_deg) > 1.5 and brute_deg.max() > 2
    apart = profile[:, 1] - brute_deg
    # Blocks stand up to 0.71 of their size off, under 0.3 % of their distance: 0.01 deg of 2.5
    # and of the Moon's curve over 40 km. What lies near the border of two azimuths may change
    # sides, so that single azimuths differ by as much as their neighbours do.
    assert np.quantile(np.abs(apart), 0.9) < 0.01
    aside = np.stack([np.roll(brute_deg, k) for k in (-1, 0, 1)])
    assert np.all(profile[:, 1] <= aside.max(axis=0) + 0.015)
    assert np.all(profile[:, 1] >= aside.min(axis=0) - 0.015)


def test_minutes_of_sunlight_are_those_over_all_pixels(case):
    scenario, brute_deg = case
    sky = make_environment(scenario).sky
    azimuth_deg, elevation_deg = sky["sun_azimuth_deg"], sky["sun_elevation_deg"]
    at = np.interp(azimuth_deg, np.append(np.arange(720) / 2, 360.0), [*brute_deg, brute_deg[0]])
    over_deg = elevation_deg.to_numpy() - at
    visible = sky["sun_visible_fraction"].to_numpy()
    # The Sun's radius is 0.262 to 0.272 deg; between azimuths the crest rises by 0.05 deg.
    assert (visible[over_deg > 0.33] > 0.999).all() and (over_deg > 0.33).any()
    assert (visible[over_deg < -0.33] < 0.001).all() and (over_deg < -0.33).any()
    # Where the crest is level, the share is that of a disc cut by a straight line.
    cut = np.clip(over_deg / 0.267, -1, 1)
    share = 0.5 + (np.arcsin(cut) + cut * np.sqrt(1 - cut**2)) / np.pi
    assert np.median(np.abs(visible - share)[np.abs(over_deg) < 0.267]) < 0.02
