"""An orbit against SPICE: places, angles, and the edges of occultations and eclipses.

spiceypy wraps the toolkit of NAIF (Acton 1996, Planetary and Space Science 44, 65). The invented
orbit in `orbit/`, 100 km high and near the poles, is the same in both files; events.csv was found
with SPICE's own geometry finder (gfoclt). Sure: A, both sides compute from the same data.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import spiceypy

from obsplan.environment.build import make_environment
from obsplan.environment.orbiter_table import EDGES, hidden_windows
from obsplan.environment.orbits import orbit_of
from obsplan.ephemeris import HERE, open_ephemeris
from obsplan.inputs.read_scenario import read_scenario
from obsplan.physics import sky
from obsplan.physics.orbit import position_km
from obsplan.physics.orbiter_sky import discs_deg
from obsplan.physics.orbiter_track import orbiter_track
from obsplan.physics.time_scales import tdb_of_utc, utc_of_tdb

DATA = Path(__file__).parent / "orbit"
EPHEMERIS = open_ephemeris()
# 2028-07-02T00:00:00 and 24 h later, TDB seconds past J2000.
BEGIN_S, END_S = 899_380_800.0, 899_467_200.0
FIRST, LAST = np.array(["2028-07-01T23:58:52", "2028-07-02T23:58:50"], dtype="datetime64[s]")
SCENARIO = """
title = "events"
[span]
start_utc = 2028-07-02T00:00:00Z
end_utc = 2028-07-02T23:58:00Z
step_min = 1
[[station]]
name = "dish"
latitude_deg = 40.0
longitude_deg = -4.0
[[platform]]
name = "orbiter"
kind = "orbiter"
idle_w = 20.0
bus_limit_w = 100.0
orbit = { FILE }
battery = { capacity_wh = 500.0, reserve = 0.3 }
radio = { transmit_w = 20.0, rate_kbps = 100.0 }
store = { capacity_mbit = 1000.0 }
"""
FILES = {
    "OEM": f'file = "{DATA / "orbiter.oem"}"',
    "SPK": f'file = "{DATA / "orbiter.bsp"}", target = -999',
}


@pytest.fixture(scope="module", autouse=True)
def kernels():
    for path in (*(HERE / name for name in EPHEMERIS.files), DATA / "orbiter.bsp"):
        spiceypy.furnsh(str(path))
    yield
    spiceypy.kclear()


def scenario(folder, kind="OEM"):
    path = folder / f"{kind}.toml"
    path.write_text(SCENARIO.replace("FILE", FILES[kind]))
    return read_scenario(path, allow_outside=True)


@pytest.fixture(scope="module", params=["OEM", "SPK"])
def orbit(request, tmp_path_factory):
    read = scenario(tmp_path_factory.mktemp("orbit"), request.param)
    return orbit_of(read, read.platform[0], EPHEMERIS, FIRST, LAST)


@pytest.fixture(scope="module")
def instants():
    """A thousand whole seconds, and their TDB seconds past J2000."""
    since = np.random.default_rng(20280702).integers(0, (LAST - FIRST).astype(int), 1000)
    times_utc = FIRST + np.sort(since).astype("timedelta64[s]")
    return times_utc, tdb_of_utc(EPHEMERIS, times_utc)


def spice_km(target, observer, seconds, frame="J2000", correction="NONE"):
    return spiceypy.spkpos(target, seconds, frame, correction, observer)[0].T


def test_places_are_those_of_spice_to_a_metre(orbit, instants):
    times_utc, seconds = instants
    theirs = spice_km("-999", "MOON", seconds)
    assert np.abs(position_km(orbit, seconds) - theirs).max() < 1e-5  # a centimetre
    # Turned with the Moon, by what is interpolated over three hours.
    around = orbiter_track(EPHEMERIS, orbit, FIRST, LAST)(times_utc)
    theirs = spice_km("-999", "MOON", seconds, "MOON_ME_DE421")
    assert np.abs(around.orbiter_km - theirs).max() < 1e-4


def geometric(times_utc, orbiter_km):
    """Sun and Earth from the orbiter without light time, along the ICRF."""
    time = EPHEMERIS.time(times_utc)
    moon = EPHEMERIS.moon.at(time)
    return [(body.at(time) - moon).xyz.km - orbiter_km for body in (EPHEMERIS.sun, EPHEMERIS.earth)]


def test_geometric_angles_are_those_of_spice_to_a_millionth_of_a_degree(orbit, instants):
    times_utc, seconds = instants
    orbiter_km = position_km(orbit, seconds)
    sun_km, earth_km = geometric(times_utc, orbiter_km)
    discs = discs_deg(orbiter_km, sun_km, earth_km)
    sun, earth, moon = (spice_km(body, "-999", seconds).T for body in ("SUN", "EARTH", "MOON"))
    theirs = {
        "apart": [spiceypy.vsep(a, b) for a, b in zip(sun, earth)],
        "earth": [spiceypy.vsep(a, b) for a, b in zip(earth, moon)],
        "sun": [spiceypy.vsep(a, b) for a, b in zip(sun, moon)],
        "phase": [spiceypy.vsep(a - b, -b) for a, b in zip(sun, earth)],
        "right ascension": [spiceypy.recrad(b)[1] for b in earth],
    }
    ours = {
        "apart": discs.apart,
        "earth": discs.earth_limb + discs.limb_radius,
        "sun": discs.sun_limb + discs.limb_radius,
        "phase": sky.earth_phase_deg(sun_km, earth_km),
        "right ascension": sky.sub_point_deg(earth_km)[0] % 360.0,
    }
    for key, values in theirs.items():
        assert np.abs(ours[key] - np.degrees(values)).max() < 1e-6, key


def test_phases_at_the_ends_are_as_published(orbit):
    """122.11767 deg at the start, 134.60978 deg after 24 h, geometric, with SPICE."""
    times_utc = utc_of_tdb(EPHEMERIS, np.array([BEGIN_S, END_S]))
    orbiter_km = position_km(orbit, np.array([BEGIN_S, END_S]))
    phase_deg = sky.earth_phase_deg(*geometric(times_utc, orbiter_km))
    assert phase_deg == pytest.approx([122.11767, 134.60978], abs=1e-4)


def test_edges_of_occultations_and_eclipses_are_those_of_spice_to_a_second(orbit):
    events = pd.read_csv(DATA / "events.csv", comment="#")
    names = {
        ("Earth", "Moon", "any part"): "earth any part hidden by the Moon",
        ("Earth", "Moon", "whole disc"): "earth whole disc hidden by the Moon",
        ("Sun", "Moon", "any part"): "sun any part hidden by the Moon",
        ("Sun", "Moon", "whole disc"): "sun whole disc hidden by the Moon",
    }

    def discs(times_utc):
        orbiter_km = position_km(orbit, tdb_of_utc(EPHEMERIS, times_utc))
        return discs_deg(orbiter_km, *geometric(times_utc, orbiter_km))

    assert set(names) | {("Sun", "Earth", "any part"), ("Sun", "Earth", "whole disc")} == set(EDGES)
    for kind, event in names.items():
        rows = events[events["event"] == event].iloc[:, 2:].to_numpy()
        windows = hidden_windows(kind, discs, FIRST, LAST)[: len(rows)]
        found_s = tdb_of_utc(EPHEMERIS, windows.ravel()).reshape(-1, 2) - BEGIN_S
        assert len(rows) == 6 and np.abs(found_s - rows).max() < 0.55, event


@pytest.mark.parametrize("kind", ["OEM", "SPK"])
def test_the_table_of_a_scenario_agrees_with_apparent_places_of_spice(tmp_path, kind):
    environment = make_environment(scenario(tmp_path, kind))
    table = environment.skies["orbiter"].iloc[::7]
    assert environment.sky is environment.skies["orbiter"]
    assert environment.sky_of("orbiter") is environment.skies["orbiter"]
    seconds = tdb_of_utc(EPHEMERIS, table.index.tz_localize(None).to_numpy())
    sun, earth, moon = (
        spice_km(body, "-999", seconds, correction="LT+S").T for body in ("SUN", "EARTH", "MOON")
    )
    at_earth = [np.degrees(spiceypy.vsep(a - b, -b)) for a, b in zip(sun, earth)]
    apart = [np.degrees(spiceypy.vsep(a, b)) for a, b in zip(sun, earth)]
    # Aberration by the orbiter's own 1.6 km/s is left out: 3e-4 deg.
    assert table["earth_phase_deg"].to_numpy() == pytest.approx(at_earth, abs=4e-4)
    assert table["sun_angle_deg"].to_numpy() == pytest.approx(apart, abs=4e-4)
    # Light grazes a limb that is at rest with the Moon, whatever both do in the solar system.
    earth, moon = (spice_km(body, "-999", seconds).T for body in ("EARTH", "MOON"))
    limb = [
        np.degrees(spiceypy.vsep(b, m) - np.arcsin(1737.4 / spiceypy.vnorm(m)))
        for b, m in zip(earth, moon)
    ]
    assert table["earth_limb_angle_deg"].to_numpy() == pytest.approx(limb, abs=4e-4)
    centre_km = spice_km("MOON", "-999", seconds, "MOON_ME_DE421").T
    below = np.array([spiceypy.reclat(-vector) for vector in centre_km])
    across = np.degrees(below[:, 1]) - table["ground_longitude_deg"].to_numpy()
    assert np.abs((across + 180) % 360 - 180).max() < 1e-5
    assert table["ground_latitude_deg"].to_numpy() == pytest.approx(
        np.degrees(below[:, 2]), abs=1e-6
    )
    assert table["height_km"].to_numpy() == pytest.approx(below[:, 0] - 1737.4, abs=1e-5)


def test_events_of_the_environment_differ_from_geometric_ones_by_light_time_alone(tmp_path):
    """Light time and aberration move edges by 0.6 s at most, and rounding by half a second."""
    events = pd.read_csv(DATA / "events.csv", comment="#")
    table = make_environment(scenario(tmp_path)).occultations
    for event, rows in events.groupby("event"):
        body, rest = event.split(" ", 1)
        hidden = rest.removesuffix(" hidden by the Moon")
        ours = table[
            (table["body"] == body.capitalize())
            & (table["behind"] == "Moon")
            & (table["hidden"] == hidden)
        ].iloc[:6]
        for ends, column in ((rows.iloc[:, 2], "from_utc"), (rows.iloc[:, 3], "until_utc")):
            instants = ours[column].dt.tz_localize(None).to_numpy()
            found_s = tdb_of_utc(EPHEMERIS, instants) - BEGIN_S
            assert found_s == pytest.approx(ends.to_numpy(), abs=1.2), event
