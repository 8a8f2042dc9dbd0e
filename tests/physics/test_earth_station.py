"""A ground station on the Earth and a site on the Moon, each seen from the other."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skyfield.api import Angle, Distance, wgs84
from skyfield.planetarylib import PlanetTopos

from obsplan.common.constants import MOON_RADIUS_KM
from obsplan.ephemeris import HERE, open_ephemeris
from obsplan.physics import earth_station, sky

EPHEMERIS = open_ephemeris()
START = np.datetime64("2027-03-01T00:00:00")
MONTH = START + np.arange(0, 30 * 86400, 1800).astype("timedelta64[s]")
STATION = (-35.4, 148.98, 692.0)
SITE = (26.0, 3.0, -1800.0)


def test_station_view_is_the_full_topocentric_computation():
    """Against Skyfield's own chain of apparent places from station and from site."""
    times = MONTH[::20]
    elevation, azimuth, separation, site_elevation, site_azimuth, range_km = (
        earth_station.station_view(EPHEMERIS, times, *SITE, *STATION)
    )
    time = EPHEMERIS.time(times)
    station = EPHEMERIS.earth + wgs84.latlon(STATION[0], STATION[1], elevation_m=STATION[2])
    site = EPHEMERIS.moon + PlanetTopos.from_latlon_distance(
        EPHEMERIS.moon_frame,
        Angle(degrees=SITE[0]),
        Angle(degrees=SITE[1]),
        Distance(km=MOON_RADIUS_KM + SITE[2] / 1000),
    )
    to_site, to_sun = (
        station.at(time).observe(body).apparent(deflectors=(10,)) for body in (site, EPHEMERIS.sun)
    )
    # What differs is aberration between centre and station, 8000 km x 1e-4 at the distance
    # of the Moon, and half as much from the Earth's turning in the light time.
    assert elevation == pytest.approx(to_site.altaz()[0].degrees, abs=2e-4)
    at_station = to_site.altaz()
    apart = sky.angular_separation_deg(
        elevation, azimuth, at_station[0].degrees, at_station[1].degrees
    )
    assert apart.max() < 3e-4  # both angles at once
    assert separation == pytest.approx(to_sun.separation_from(to_site).degrees, abs=2e-4)
    assert range_km == pytest.approx(to_site.distance().km, abs=1.0)
    from_site = site.at(time).observe(station).apparent(deflectors=(10,))
    local = from_site.altaz()
    apart = sky.angular_separation_deg(
        site_elevation, site_azimuth, local[0].degrees, local[1].degrees
    )
    assert apart.max() < 2e-4


def test_precession_and_nutation_between_their_knots_are_right():
    times = MONTH[0] + np.arange(0, 15 * 86400, 60).astype("timedelta64[s]")
    sample = np.arange(7, len(times), 331)
    exact = EPHEMERIS.time(times[sample]).C
    near = earth_station.celestial_to_intermediate(EPHEMERIS, times)[:, :, sample]
    assert np.degrees(np.abs(near - exact).max()) < 1e-6  # straight lines over 6 h: 1.3e-7


def test_station_view_of_a_few_scattered_instants():
    few = MONTH[[900, 3, 3, 400]]
    for one, many in zip(
        earth_station.station_view(EPHEMERIS, few, *SITE, *STATION),
        earth_station.station_view(EPHEMERIS, MONTH, *SITE, *STATION),
    ):
        # Nutation is interpolated for the month: 1e-7 deg, of 6378 km some 1e-5 km.
        assert one == pytest.approx(many[[900, 3, 3, 400]], abs=1e-4)


def test_station_at_the_pole_sees_the_moon_at_its_declination():
    elevation, *_ = earth_station.station_view(EPHEMERIS, MONTH[:1], *SITE, 90.0, 0.0, 0.0)
    moon = EPHEMERIS.earth.at(EPHEMERIS.time(MONTH[:1])).observe(EPHEMERIS.moon)
    declination = moon.apparent(deflectors=(10,)).radec("date")[1].degrees
    # Seen from the pole it stands lower by the parallax, up to a degree.
    assert 0.6 < (declination - elevation)[0] < 1.2


def test_stations_round_the_earth_share_the_sky():
    """At every instant some station of three sees the Moon, and none of them always."""
    rising = [
        earth_station.station_view(EPHEMERIS, MONTH, *SITE, latitude, longitude, 0.0)[0] > 0
        for latitude, longitude in ((35.0, -117.0), (40.0, -4.0), (-35.0, 149.0))
    ]
    assert np.any(rising, axis=0).mean() > 0.99
    assert all(0.4 < up.mean() < 0.6 for up in rising)


@settings(deadline=None, max_examples=20)
@given(st.floats(-90, 90), st.floats(-180, 180))
def test_a_sub_earth_site_sees_every_station_near_the_zenith(latitude, longitude):
    _, earth_km, _ = sky.sun_and_earth_km(EPHEMERIS, MONTH[5:6])
    sub_longitude, sub_latitude = sky.sub_point_deg(earth_km[:, 0])
    *_, elevation, _, range_km = earth_station.station_view(
        EPHEMERIS,
        MONTH[5:6],
        float(sub_latitude),
        float(sub_longitude),
        0.0,
        latitude,
        longitude,
        0.0,
    )
    # The Earth's disc is one degree in radius from here.
    assert elevation[0] > 88.9
    centre_km = np.linalg.norm(earth_km[:, 0]) - MOON_RADIUS_KM
    assert abs(range_km[0] - centre_km) < 6380


@pytest.mark.long
def test_the_moon_rises_at_stations_when_a_general_library_says_so():
    """astropy (Astropy Collaboration 2022, Astrophysical Journal 935, 167), its Earth orientation.

    A site at the centre of the Moon, so that no orientation of the Moon enters. 2 s are 0.008 deg
    of the Earth's turn.
    """
    coordinates = pytest.importorskip("astropy.coordinates")
    from astropy import units
    from astropy.time import Time
    from astropy.utils import iers

    centre_m = -1000 * MOON_RADIUS_KM
    minutes = np.datetime64("2025-03-01", "s") + np.arange(0, 28 * 1440, 3).astype("timedelta64[m]")
    for latitude, longitude in ((37.2, -7.4), (-33.1, 137.8), (68.0, 20.0)):
        place = coordinates.EarthLocation.from_geodetic(
            longitude * units.deg, latitude * units.deg, 100 * units.m
        )
        kernel = HERE / next(name for name in EPHEMERIS.files if name.endswith(".bsp"))
        with (
            iers.conf.set_temp("auto_download", False),
            coordinates.solar_system_ephemeris.set(kernel.as_uri()),
        ):
            at = Time(minutes.astype(str), scale="utc")
            moon = coordinates.get_body("moon", at, place)
            frame = coordinates.AltAz(obstime=at, location=place)
            theirs = moon.transform_to(frame).alt.deg
        view = earth_station.station_view(
            EPHEMERIS, minutes, 0.0, 0.0, centre_m, latitude, longitude, 100.0
        )
        ours = view.station_elevation_deg
        rises = np.flatnonzero((theirs[:-1] < 10) != (theirs[1:] < 10))
        assert len(rises) > 30
        crossed = [
            rises + (10 - elevation[rises]) / np.diff(elevation)[rises]
            for elevation in (ours, theirs)
        ]
        assert np.abs(180 * (crossed[0] - crossed[1])).max() < 2.0
