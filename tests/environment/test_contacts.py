"""Who can talk to whom, when and at which rate, on the real sky."""

import tomllib

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tools.small import platform, scenario_table

from obsplan.common.errors import ScenarioError
from obsplan.environment import contacts
from obsplan.environment.model import span_ends
from obsplan.environment.viewpoint import viewpoints
from obsplan.ephemeris import open_ephemeris
from obsplan.inputs.read_scenario import read_scenario, scenario_from
from obsplan.physics import link_budget

EPHEMERIS = open_ephemeris()
BUDGET = {
    "frequency_mhz": 2250.0,
    "transmit_dbw": 7.0,
    "antenna_gain_dbi": 8.0,
    "losses_db": 2.5,
    "required_ebn0_db": 2.0,
    "margin_db": 3.0,
    "ceiling_kbps": 1000.0,
}
RELAY = {"to": "lander", "transmit_w": 2.0, "rate_kbps": 200.0, "range_limit_m": 300.0}


def made(stations=({}, {}), radio=None, platforms=(), hours=36.0, start=None):
    """A scenario with two stations half the world apart, changed as said."""
    own = {"transmit_w": 10.0, "rate_kbps": 20.0} if radio is None else radio
    lander = platform() | {"radio": own}
    raw = scenario_table(platforms=[lander, *platforms], hours=hours)
    for station, longitude_deg, changes in zip(raw["station"], (0.0, 150.0), stations):
        station |= {"longitude_deg": longitude_deg, "mask_deg": 10.0} | changes
    if start:
        end = pd.Timestamp(start) + pd.Timedelta(hours=hours)
        raw["span"] = {"start_utc": start, "end_utc": end.isoformat()}
    return scenario_from(raw)


def minutes_of(scene):
    return np.arange(*span_ends(scene), np.timedelta64(1, "m"))


def worked(scene):
    """The lander's columns as a table, and its contacts."""
    minutes = minutes_of(scene)
    seat = viewpoints(scene, EPHEMERIS, *span_ends(scene))[scene.platform[0].name]
    columns, rows, _ = contacts.link_columns(scene.platform[0], scene, seat, minutes)
    return pd.DataFrame(columns, index=pd.DatetimeIndex(minutes).tz_localize("UTC")), rows


def test_columns_and_contacts_tell_one_story():
    table, rows = worked(
        made([{"set_up_min": 25}, {}], {"transmit_w": 1.0, "rate_kbps": 20.0, "handover_min": 7})
    )
    assert list(rows.columns) == contacts.CONTACT_COLUMNS
    assert set(rows["station"]) == {"alpha", "beta"}
    assert rows["used_min"].sum() == table["in_contact"].sum() > 0
    assert (table["rate_kbps"] > 0).equals(table["in_contact"])
    assert (table["station"] != "").equals(table["in_contact"])
    used = contacts.station_use(table)
    assert used["duration_min"].sum() == table["in_contact"].sum()
    assert used["volume_mbit"].sum() == pytest.approx(table["rate_kbps"].sum() * 0.06)
    assert (used["from_utc"].iloc[1:].to_numpy() >= used["until_utc"].iloc[:-1].to_numpy()).all()
    for stretch in used.itertuples():
        inside = table.loc[stretch.from_utc : stretch.until_utc - pd.Timedelta(minutes=1)]
        assert set(inside["station"]) == {stretch.station}
        around = rows[
            (rows["station"] == stretch.station)
            & (rows["data_from_utc"] <= stretch.from_utc)
            & (rows["loss_utc"] >= stretch.until_utc)
        ]
        assert len(around) == 1


def test_data_flow_only_once_the_station_is_set_up():
    plain_table, plain = worked(made())
    table, rows = worked(made([{"set_up_min": 45}, {}]))
    ends = ["station", "acquisition_utc", "loss_utc", "duration_min"]
    pd.testing.assert_frame_equal(rows[ends], plain[ends])  # the contact itself is as long
    alpha = rows[rows["station"] == "alpha"].iloc[-1]
    assert alpha["data_from_utc"] - alpha["acquisition_utc"] == pd.Timedelta(minutes=45)
    setting_up = (table.index >= alpha["acquisition_utc"]) & (table.index < alpha["data_from_utc"])
    assert not (table["station"][setting_up] == "alpha").any()
    assert (table["station"] == "alpha").any()


def test_station_that_saw_the_moon_before_the_span_is_set_up_by_then():
    _, rows = worked(made())
    risen = rows[rows["station"] == "alpha"].iloc[-1]["acquisition_utc"]
    under_way = f"{risen + pd.Timedelta(hours=1):%Y-%m-%dT%H:%MZ}"
    table, rows = worked(made([{"set_up_min": 45}, {}], start=under_way, hours=2))
    alpha = rows[rows["station"] == "alpha"].iloc[0]
    assert alpha["acquisition_utc"] == alpha["data_from_utc"] == table.index[0]
    table, _ = worked(made([{"set_up_min": 90}, {"mask_deg": 90.0}], start=under_way, hours=2))
    assert 29 <= np.argmax(table["in_contact"]) <= 31  # 90 min less the 60 before the span


def test_contact_shorter_than_its_set_up_carries_nothing():
    _, rows = worked(made([{"set_up_min": 1440}, {}]))
    alpha = rows[rows["station"] == "alpha"]
    assert len(alpha) and alpha["data_from_utc"].isna().all()
    assert (alpha["volume_mbit"] == 0).all() and (alpha["used_min"] == 0).all()


def test_nothing_is_sent_while_stations_change():
    radio = {"transmit_w": 1.0, "rate_kbps": 20.0, "handover_min": 30}
    table, _ = worked(made(radio=radio, hours=72))
    used = contacts.station_use(table)
    changes = used["station"].to_numpy()[1:] != used["station"].to_numpy()[:-1]
    pauses = used["from_utc"].iloc[1:].to_numpy() - used["until_utc"].iloc[:-1].to_numpy()
    pauses = pauses[changes]
    assert len(pauses) >= 2 and pauses.min() == np.timedelta64(30, "m")


def in_folder(scene, folder):
    return scene.model_copy(update={"folder": folder})


def test_level_skyline_at_a_station_is_a_mask(tmp_path):
    (tmp_path / "level.csv").write_text("azimuth_deg,elevation_deg\n0,17\n")
    masked, _ = worked(made([{"mask_deg": 17.0}, {}]))
    raw = made().model_dump(exclude_none=True)
    del raw["station"][0]["mask_deg"]
    raw["station"][0]["skyline"] = "level.csv"
    walled, _ = worked(in_folder(scenario_from(raw), tmp_path))
    pd.testing.assert_frame_equal(walled, masked)


def test_wall_in_the_west_of_a_station_ends_its_contacts_early(tmp_path):
    """The Moon rises in the east and sets in the west of every station."""
    (tmp_path / "wall.csv").write_text("azimuth_deg,elevation_deg\n0,10\n179,10\n181,40\n359,40\n")
    _, plain = worked(made(hours=48))
    raw = made(hours=48).model_dump(exclude_none=True)
    del raw["station"][0]["mask_deg"]
    raw["station"][0]["skyline"] = "wall.csv"
    _, walled = worked(in_folder(scenario_from(raw), tmp_path))
    both = plain.merge(walled, on=["station", "acquisition_utc"], suffixes=("", "_walled"))
    alpha = both[both["station"] == "alpha"].iloc[0]
    # The sky turns 15 deg an hour; 30 deg more of it take two hours or a little less.
    assert alpha["loss_utc"] - alpha["loss_utc_walled"] > pd.Timedelta(hours=1.9)
    assert both[both["station"] == "beta"].eval("loss_utc == loss_utc_walled").all()


@settings(max_examples=8)
@given(st.floats(0, 80), st.floats(0, 30))
def test_a_higher_mask_never_adds_contact(mask_deg, more_deg):
    tables = [
        worked(made([{"mask_deg": m}, {"mask_deg": 90.0}], hours=26))[0]["in_contact"]
        for m in (mask_deg, min(mask_deg + more_deg, 90.0))
    ]
    assert not (tables[1] & ~tables[0]).any()


@settings(max_examples=8)
@given(st.integers(0, 600), st.integers(0, 600), st.integers(0, 30))
def test_set_up_never_adds_volume(set_up_min, more_min, handover_min):
    radio = {"transmit_w": 1.0, "rate_kbps": 20.0, "handover_min": handover_min}
    volumes, contact_volumes = [], []
    for minutes in (set_up_min, set_up_min + more_min):
        table, rows = worked(made([{"set_up_min": minutes}, {"mask_deg": 90.0}], radio, hours=26))
        volumes.append(table["rate_kbps"].sum())
        contact_volumes.append(rows["volume_mbit"].to_numpy())
    assert volumes[1] <= volumes[0]
    assert (contact_volumes[1] <= contact_volumes[0]).all()


def test_moon_noise_takes_from_the_budget_what_the_formula_says():
    radio = {"transmit_w": 10.0, "budget": BUDGET}
    empty_sky = {"g_over_t_db_k": 20.0}
    warm = empty_sky | {"system_temperature_k": 120.0, "beam_width_deg": 0.3}  # within the disc
    plain, _ = worked(made([empty_sky, empty_sky], radio, hours=12))
    noisy, _ = worked(made([warm, warm], radio, hours=12))
    both = plain["in_contact"] & noisy["in_contact"]
    loss_db = 10 * np.log10(plain["rate_kbps"][both] / noisy["rate_kbps"][both])
    assert both.any()
    assert loss_db.to_numpy() == pytest.approx(10 * np.log10(1 + 240 / 120), abs=1e-9)  # rounding
    wide = empty_sky | {"system_temperature_k": 120.0, "beam_width_deg": 5.0}
    little, _ = worked(made([wide, wide], radio, hours=12))
    loss_db = 10 * np.log10(plain["rate_kbps"][both] / little["rate_kbps"][both])
    # (disc / beam)^2 = (0.48 to 0.57 / 5)^2 of 240 K, over 120 K.
    assert 0.07 < loss_db.min() <= loss_db.max() < 0.12


def relay(track, **radio):
    return platform("rover", kind="rover", radio=RELAY | radio, track=track)


def test_relay_reaches_no_further_than_its_limit():
    track = [
        {"from_utc": "2028-07-01T00:00:00Z", "distance_m": 40.0},
        {"from_utc": "2028-07-01T02:00:00Z", "distance_m": 300.0},
        {"from_utc": "2028-07-01T03:00:00Z", "distance_m": 301.0},
        {"from_utc": "2028-07-01T05:00:00Z", "distance_m": 120.0},
    ]
    scene = made(platforms=[relay(track)], hours=6)
    receiver = np.arange(360) < 330
    columns = contacts.relay_columns(scene.platform[1], receiver, minutes_of(scene))
    away = (np.arange(360) >= 180) & (np.arange(360) < 300)
    np.testing.assert_array_equal(columns["rate_kbps"], np.where(away, 0.0, 200.0))
    np.testing.assert_array_equal(columns["in_contact"], receiver & ~away)
    assert set(columns["station"]) == {""}


def test_relay_without_a_limit_always_reaches():
    rover = platform("rover", radio={"to": "lander", "rate_kbps": 200.0})
    scene = made(platforms=[rover], hours=6)
    columns = contacts.relay_columns(scene.platform[1], np.zeros(360, bool), minutes_of(scene))
    assert (columns["rate_kbps"] == 200.0).all() and not columns["in_contact"].any()


HERE = [{"from_utc": "2028-07-01T00:00:00Z", "distance_m": 40.0}]


@pytest.mark.parametrize(
    ("station", "rover", "line"),
    [
        ({"skyline": "s.csv"}, None, 'station "alpha": give either mask_deg or a skyline file'),
        (
            {"beam_width_deg": 0.5},
            None,
            'station "alpha": give both system_temperature_k and beam_width_deg, or neither',
        ),
        (
            {"beam_width_deg": 0.5, "system_temperature_k": 90.0},
            None,
            'station "alpha".g_over_t_db_k: required with system_temperature_k',
        ),
        ({"set_up_min": -1}, None, "set_up_min = -1: out of range"),
        (
            {"system_temperature_k": 0.0, "beam_width_deg": 1.0, "g_over_t_db_k": 9.0},
            None,
            "out of range: allowed is 1 to 100000",
        ),
        ({}, relay([]), 'platform "rover": give both radio.range_limit_m and a track, or neither'),
        ({}, relay(HERE, range_limit_m=None), "give both radio.range_limit_m and a track"),
        (
            {},
            relay(HERE, to="earth"),
            "radio.range_limit_m: applies only to a radio that sends to a relay",
        ),
        (
            {},
            relay(HERE + HERE),
            'platform "rover".track: each from_utc must be after the one before',
        ),
        (
            {},
            relay([HERE[0] | {"from_utc": "2028-07-01T01:00:00Z"}]),
            "it must begin at span.start_utc, 2028-07-01T00:00Z, or earlier",
        ),
        ({}, relay([HERE[0] | {"distance_m": -1.0}]), "distance_m = -1.0: out of range"),
    ],
)
def test_contradictions_about_the_link_are_one_line(station, rover, line):
    with pytest.raises(ScenarioError) as caught:
        made([station, {}], platforms=[rover] if rover else [])
    assert line in str(caught.value) and "\n" not in str(caught.value)


SCENARIO = """
title = "two walls"
site = { name = "plain", latitude_deg = 10.0, longitude_deg = 20.0 }
span = { start_utc = 2028-07-01T00:00:00Z, end_utc = 2028-07-02T00:00:00Z }
[[station]]
name = "alpha"
latitude_deg = 0.0
longitude_deg = 0.0
skyline = "alpha.csv"
[[platform]]
name = "lander"
kind = "lander"
idle_w = 1.0
bus_limit_w = 10.0
battery = { capacity_wh = 10.0, reserve = 0.3 }
radio = { transmit_w = 1.0, rate_kbps = 1.0 }
store = { capacity_mbit = 1.0 }
"""


def test_hash_follows_a_stations_skyline_and_a_missing_one_is_named(tmp_path):
    path, wall = tmp_path / "s.toml", tmp_path / "alpha.csv"
    path.write_text(SCENARIO)
    assert tomllib.loads(SCENARIO)["station"][0]["skyline"] == wall.name
    with pytest.raises(ScenarioError, match='station "alpha".skyline = "alpha.csv": no such file'):
        read_scenario(path)
    hashes = set()
    for elevation_deg in (5, 6):
        wall.write_text(f"azimuth_deg,elevation_deg\n0,{elevation_deg}\n")
        scene = read_scenario(path)
        hashes.add(scene.input_hash)
        profile = contacts.mask_profile(scene, scene.station[0])
        np.testing.assert_array_equal(profile, [[0.0, elevation_deg]])
    assert len(hashes) == 2


def test_least_margin_ends_where_the_contact_does():
    scene = made()
    _, rows = worked(scene)
    for row in rows.itertuples():
        station = next(s for s in scene.station if s.name == row.station)
        if row.loss_utc == pd.Timestamp(span_ends(scene)[1], tz="UTC"):
            continue
        ends = np.array([row.loss_utc.tz_localize(None)], "datetime64[s]") + np.arange(-1, 1)
        seat = viewpoints(scene, EPHEMERIS, ends[0], ends[1])[scene.platform[0].name]
        seen, mask = seat.view(station, ends), contacts.mask_profile(scene, station)
        margins = contacts.margins_from(seat, ends, mask, scene.platform[0].radio, station)
        assert (margins.min(axis=0) > 0).tolist() == [True, False]
        assert np.argmin(margins[:, 1]) == 2  # the Moon sets behind the mask
        assert link_budget.light_time_s(seen.range_km) == pytest.approx(
            1.3, abs=0.1
        )  # 0.36-0.41 Gm
