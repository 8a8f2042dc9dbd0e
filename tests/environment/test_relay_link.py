"""A relay in orbit: passes over a site by geometry, rates by range, contact end to end."""

from dataclasses import replace
from functools import cache, partial

import numpy as np
import pytest
from tools.orbits import MOON_RADIUS_KM, circle, kvn, period_s, segment
from tools.small import platform, scenario_table, slots

from obsplan.checking.check import check_timeline
from obsplan.common.intervals import from_mask
from obsplan.environment.build import make_environment
from obsplan.environment.contact_columns import RELAY_PASS_COLUMNS
from obsplan.environment.relay_link import relay_rate_kbps
from obsplan.environment.relay_passes import relay_passes
from obsplan.inputs.cross_checks import reference_errors
from obsplan.inputs.hardware import Budget, Radio
from obsplan.inputs.read_scenario import scenario_from

HEIGHT_KM, HOURS, LEAST_DEG = 400.0, 24, 5.0
BUDGET = {
    "frequency_mhz": 2100.0,
    "transmit_dbw": 5.0,
    "antenna_gain_dbi": 3.0,
    "losses_db": 3.0,
    "required_ebn0_db": 2.5,
    "margin_db": 3.0,
    "ceiling_kbps": 512.0,
}
LATITUDE_DEG, NEAR_DEG, FAR_DEG = -75.0, 10.0, 150.0
TO_ORBITER = {"to": "orbiter", "transmit_w": 5.0, "minimum_elevation_deg": LEAST_DEG}


def table(longitude_deg=FAR_DEG, lander_radio=None, orbiter_radio=None, **lander):
    radio = {"transmit_w": 10.0, "rate_kbps": 20.0, "receive_g_over_t_db_k": -22.0}
    orbiter = platform("orbiter", kind="orbiter", orbit={"file": "orbit.oem"})
    orbiter["radio"] = radio if orbiter_radio is None else orbiter_radio
    landed = platform(**lander) | {"radio": lander_radio or TO_ORBITER | {"budget": BUDGET}}
    scene = scenario_table(platforms=[landed, orbiter], hours=HOURS, step_min=5)
    site = {"name": "ground", "latitude_deg": LATITUDE_DEG, "longitude_deg": longitude_deg}
    return scene | {"site": site}


@pytest.fixture(scope="module")
def environment_at(tmp_path_factory):
    """The environment with a lander at a longitude."""
    folder = tmp_path_factory.mktemp("orbit")
    state = partial(circle, height_km=HEIGHT_KM)
    flown = segment("2028-06-30T23:00:00", 60 * HOURS + 120, step_s=300.0, state=state)
    (folder / "orbit.oem").write_text(kvn([flown]))

    @cache
    def made(longitude_deg):
        scene = scenario_from(table(longitude_deg))
        return make_environment(scene.model_copy(update={"folder": folder}))

    return made


def seen_from_site(environment):
    """Elevation and range of the orbiter at the site, by the angle between their zeniths.

    Plane trigonometry in the triangle of site, orbiter and the Moon's centre.
    """
    below = environment.skies["orbiter"]
    site = environment.scenario.site
    north, south = np.radians(below["ground_latitude_deg"]), np.radians(site.latitude_deg)
    apart = np.radians(below["ground_longitude_deg"] - site.longitude_deg)
    cos = np.sin(north) * np.sin(south) + np.cos(north) * np.cos(south) * np.cos(apart)
    radius_km = MOON_RADIUS_KM + below["height_km"]
    elevation = np.arctan2(cos - MOON_RADIUS_KM / radius_km, np.sqrt(1 - cos**2))
    square = radius_km**2 + MOON_RADIUS_KM**2 - 2 * radius_km * MOON_RADIUS_KM * cos
    return np.degrees(elevation).to_numpy(), np.sqrt(square).to_numpy()


def test_a_lander_sends_in_the_minutes_that_lie_wholly_in_a_pass(environment_at):
    environment = environment_at(FAR_DEG)
    elevation_deg, _ = seen_from_site(environment)
    sends = environment.platforms["lander"]["rate_kbps"].to_numpy() > 0
    # Of a minute the sky table knows the beginning, and the next minute's is its end.
    both = np.minimum(elevation_deg[:-1], elevation_deg[1:])
    clear = np.abs(elevation_deg[:-1] - LEAST_DEG) > 0.01
    clear &= np.abs(elevation_deg[1:] - LEAST_DEG) > 0.01
    assert (sends[:-1] == (both > LEAST_DEG))[clear].all()
    assert sends.sum() > 100 and clear.mean() > 0.99


def test_a_pass_lasts_as_long_as_the_circle_is_above_the_horizon(environment_at):
    """It begins and ends acos(R cos e / r) - e from the site, seen from the Moon's centre; between
    that and the nearest point of the circle is a right-angled triangle on the sphere."""
    least = np.radians(LEAST_DEG)
    radius_km = MOON_RADIUS_KM + HEIGHT_KM
    farthest = np.arccos(MOON_RADIUS_KM * np.cos(least) / radius_km) - least
    environment = environment_at(FAR_DEG)
    _, range_km = seen_from_site(environment)
    square = radius_km**2 + MOON_RADIUS_KM**2 - range_km**2
    apart = np.arccos(square / (2 * radius_km * MOON_RADIUS_KM))
    sends = environment.platforms["lander"]["rate_kbps"].to_numpy() > 0
    passes = from_mask(sends).tolist()
    for start, end in passes[1:-1]:
        nearest = apart[start:end].min()
        half = np.arccos(np.cos(farthest) / np.cos(nearest))
        # Whole minutes are lost at both ends, and the Moon turns by 0.1 deg.
        assert -2.5 < end - start - half / np.pi * period_s(HEIGHT_KM) / 60 < 0.5
    assert len(passes) > 8


def test_the_rate_follows_the_square_of_the_distance(environment_at):
    """Free-space loss (ITU-R P.525): twice as far, a quarter of the bits."""
    table = environment_at(FAR_DEG).platforms["lander"]
    _, range_km = seen_from_site(environment_at(FAR_DEG))
    rate_kbps = table["rate_kbps"].to_numpy()
    below = (rate_kbps > 0) & (rate_kbps < BUDGET["ceiling_kbps"])
    scaled = rate_kbps[below] * range_km[below] ** 2
    assert below.sum() > 50 and np.ptp(scaled) < 1e-4 * scaled.mean()
    # EIRP 8 dBW, loss at 1000 km and 2100 MHz 158.896 dB, by hand: 10^(...) bits in a second.
    budget = Radio(transmit_w=1.0, budget=Budget(**BUDGET))
    receiver = Radio(transmit_w=1.0, rate_kbps=1.0, receive_g_over_t_db_k=-22.0)
    by_hand_db = 8 - (32.4478 + 20 * np.log10(1000 * 2100)) - 3 - 22 + 228.5991 - 5.5
    (at_1000_km,) = relay_rate_kbps(budget, receiver, np.array([1000.0]))
    assert at_1000_km == pytest.approx(10 ** (by_hand_db / 10) / 1000, rel=2e-4)


def test_passes_are_listed_with_what_they_carry_and_their_minutes_end_to_end(environment_at):
    environment = environment_at(FAR_DEG)
    table, passes = environment.platforms["lander"], relay_passes(environment)
    assert list(passes.columns) == RELAY_PASS_COLUMNS
    assert passes["duration_min"].sum() == (table["rate_kbps"] > 0).sum()
    assert passes["volume_mbit"].sum() == pytest.approx(table["rate_kbps"].sum() * 60 / 1000)
    assert passes["contact_min"].sum() == table["in_contact"].sum()
    assert (passes["until_utc"].iloc[:-1].to_numpy() < passes["from_utc"].iloc[1:]).all()


def test_contact_counts_end_to_end(environment_at):
    environment = environment_at(FAR_DEG)
    lander, orbiter = (environment.platforms[name] for name in ("lander", "orbiter"))
    both = (lander["rate_kbps"] > 0) & orbiter["in_contact"]
    assert lander["in_contact"].equals(both)
    assert 0 < both.sum() < (lander["rate_kbps"] > 0).sum()
    # The Earth never rises there, so no direct contact would.
    assert environment.sky["earth_elevation_deg"].max() < -5


def test_contacts_of_orbiter_and_lander_differ_as_they_must(tmp_path):
    """The same radio and stations: the lander has the Earth up all day, the orbiter loses it behind
    the Moon once an orbit."""
    state = partial(circle, height_km=HEIGHT_KM)
    flown = segment("2028-06-30T23:00:00", 60 * HOURS + 120, step_s=300.0, state=state)
    (tmp_path / "orbit.oem").write_text(kvn([flown]))
    radio = {"transmit_w": 10.0, "rate_kbps": 20.0}
    scene = scenario_from(table(NEAR_DEG, radio, radio)).model_copy(update={"folder": tmp_path})
    environment = make_environment(scene)
    lander, orbiter = (environment.in_contact(name) for name in ("lander", "orbiter"))
    sky = environment.skies["orbiter"]
    hidden = sky["earth_limb_angle_deg"].to_numpy() < -1.0
    assert environment.sky["earth_elevation_deg"].min() > 5
    assert not (orbiter & hidden).any() and (lander & hidden).any()
    # Whenever the lander has contact and the Earth is clear of the limb, so has the orbiter; the
    # Earth sinks by 3 deg a minute.
    clear = sky["earth_limb_angle_deg"].to_numpy() > 4.0
    # In a station's sky the two are a third of a degree apart, two minutes.
    surely = np.roll(lander, 3) & lander & np.roll(lander, -3) & clear
    assert surely.sum() > 200 and orbiter[surely].all()
    contacts = environment.contacts["platform"].value_counts()
    assert contacts["orbiter"] > 3 * contacts["lander"]


def test_data_of_a_lander_beyond_the_limb_wait_in_the_orbiter_and_reach_the_earth(environment_at):
    environment = environment_at(FAR_DEG)
    instrument = {"name": "probe", "platform": "lander"}
    activity = {"name": "look", "instrument": "probe", "duration_min": 30, "data_mbit": 20.0}
    scene = scenario_from(
        table() | {"instrument": [instrument], "activity": [activity], "title": "look"}
    )
    known = replace(environment, scenario=scene)
    verdict = check_timeline(known, slots(("look", 0)), fixes=False)
    lander, orbiter = (verdict.resources[name] for name in ("lander", "orbiter"))
    assert lander["sent_mbit"].sum() == pytest.approx(20.0)
    assert orbiter["sent_mbit"].sum() == pytest.approx(20.0)
    assert orbiter["stored_mbit"].max() > 0 and orbiter["stored_mbit"].iloc[-1] < 1e-6


MISTAKES = {
    'platform "lander".radio.range_limit_m: not for a relay in orbit; give minimum_elevation_deg': (
        TO_ORBITER | {"rate_kbps": 5.0, "range_limit_m": 9e5},
        None,
    ),
    'platform "orbiter".radio.receive_g_over_t_db_k: required, because platform "lander".radio has '
    "a budget": (None, {"transmit_w": 1.0, "rate_kbps": 1.0}),
    'platform "orbiter".radio.to = \'lander\': an orbiter sends to "earth" itself': (
        {"transmit_w": 1.0, "rate_kbps": 1.0},
        {"to": "lander", "transmit_w": 1.0, "rate_kbps": 1.0},
    ),
}


@pytest.mark.parametrize("line", MISTAKES)
def test_each_mistake_is_named(line):
    assert line in reference_errors(table(FAR_DEG, *MISTAKES[line]))
