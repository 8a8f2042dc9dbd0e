"""The link in words: can I talk to Earth at an instant, and how much in all."""

import re
from datetime import datetime

import numpy as np
import pandas as pd
import pytest
from tools.small import START, platform, scenario_table, world

from obsplan.environment import contacts
from obsplan.environment.model import Environment, span_ends
from obsplan.environment.viewpoint import viewpoints
from obsplan.ephemeris import open_ephemeris
from obsplan.inputs.read_scenario import scenario_from
from obsplan.reporting.text import link_answer

EPHEMERIS = open_ephemeris()


def linked(hours=30.0, stations=({}, {}), radio=None, platforms=(), start=START, site=None):
    """A scenario and an environment whose link is the true one."""
    radio = {"transmit_w": 10.0} | (
        radio if radio and "budget" in radio else {"rate_kbps": 20.0} | (radio or {})
    )
    raw = scenario_table(platforms=[platform() | {"radio": radio}, *platforms], hours=hours)
    raw["site"] |= site or {}
    raw["span"] |= {
        "start_utc": start.isoformat(),
        "end_utc": (start + pd.Timedelta(hours=hours)).isoformat(),
    }
    for station, longitude_deg, changes in zip(raw["station"], (0.0, 150.0), stations):
        station |= {"longitude_deg": longitude_deg} | changes
    scene = scenario_from(raw)
    minutes = np.arange(*span_ends(scene), np.timedelta64(1, "m"))
    index = pd.DatetimeIndex(minutes, name="time_utc").tz_localize("UTC")
    around = world(scene)
    seat = viewpoints(scene, EPHEMERIS, *span_ends(scene))[scene.platform[0].name]
    columns, rows, _ = contacts.link_columns(scene.platform[0], scene, seat, minutes)
    tables = {"lander": around.platforms["lander"].set_axis(index).assign(**columns)}
    for part in scene.platform[1:]:
        relayed = contacts.relay_columns(part, columns["in_contact"], minutes)
        tables[part.name] = around.platforms[part.name].set_axis(index).assign(**relayed)
    return scene, Environment(scene, around.sky.set_axis(index), tables, rows, pd.DataFrame(), {})


@pytest.fixture(scope="module")
def plain():
    return linked()


def asked(scene, around, at):
    text = at if isinstance(at, str) else f"{at:%Y-%m-%dT%H:%M:%SZ}"
    can, lines = link_answer.answer(around, EPHEMERIS, datetime.fromisoformat(text))
    assert list(can) == [part.name for part in scene.platform]
    assert lines[0].endswith(f", at {text}")
    if len(set(can.values())) == 1:
        assert lines[0] == f"{'yes' if can['lander'] else 'no'}, at {text}"
    return can["lander"], lines[1:]


def end_of(scene):
    return f"{scene.span.end_utc:%Y-%m-%dT%H:%M:%SZ}"


def test_platforms_that_differ_are_told_one_by_one():
    track = [{"from_utc": "2028-07-01T00:00:00Z", "distance_m": 900.0}]
    rover = platform("rover", track=track, radio={"to": "lander", "range_limit_m": 500.0})
    scene, around = linked(platforms=[rover])
    heard = around.sky.index[around.platforms["lander"]["in_contact"]][0]
    can, lines = link_answer.answer(around, EPHEMERIS, heard.to_pydatetime())
    assert can == {"lander": True, "rover": False}
    assert lines[0] == f"lander yes, rover no, at {heard:%Y-%m-%dT%H:%M:%SZ}"


def test_a_contact_that_outlasts_the_span_is_told_with_its_end():
    scene, around = linked(6.0)
    heard = around.sky.index[around.platforms["lander"]["in_contact"]]
    assert heard[-1] == around.sky.index[-1]
    _, lines = asked(scene, around, heard[-1])
    assert lines[0].endswith(f"until at least {end_of(scene)}")


def test_answer_agrees_with_the_table_in_every_hour(plain):
    scene, around = plain
    said = [asked(scene, around, at)[0] for at in around.sky.index[::60]]
    assert said == around.platforms["lander"]["in_contact"].iloc[::60].tolist()
    assert len(set(said)) == 2


def test_yes_names_station_rate_light_time_and_end(plain):
    scene, around = plain
    stretch = contacts.station_use(around.platforms["lander"]).iloc[1]
    can, lines = asked(scene, around, stretch["from_utc"])
    assert can
    found = re.fullmatch(
        r"lander: through (\w+) at 20 kbit/s, light time 1\.\d\d s, until (\S+?)(, then .*)?",
        lines[0],
    )
    assert found[1] == stretch["station"]
    assert pd.Timestamp(found[2]) == stretch["until_utc"]


def test_no_names_the_failing_condition_of_every_station_and_the_next_contact():
    scene, around = linked(hours=30.0)
    table = around.platforms["lander"]
    silent = table.index[~table["in_contact"]]
    can, lines = asked(scene, around, silent[len(silent) // 2])
    assert not can
    text = "\n".join(lines)
    for name in ("alpha", "beta"):
        words = rf"lander: {name}: the Moon is \d+\.\d deg below the mask of the station"
        assert re.search(words, text)
    begins = pd.Timestamp(re.search(r"next contact from (\S+) through", text)[1])
    assert begins in set(around.contacts["acquisition_utc"])
    assert begins > silent[len(silent) // 2]


NEW_MOON = pd.Timestamp("2028-07-22T03:00Z")


@pytest.mark.parametrize(
    ("stations", "radio", "start", "words"),
    [
        (({}, {}), {"minimum_elevation_deg": 85.0}, START, "below the minimum elevation of 85 deg"),
        (
            ({"sun_limit_deg": 20.0}, {"sun_limit_deg": 20.0}),
            {},
            NEW_MOON,
            "the Sun is 1[0-9].[0-9] deg too close to the Moon, the limit is 20 deg",
        ),
        (
            ({"mask_deg": 89.0}, {"mask_deg": 89.0}),
            {},
            START,
            "the Moon is .* below the mask of the station",
        ),
    ],
)
def test_each_condition_is_told_in_words(stations, radio, start, words):
    scene, around = linked(2.0, stations, radio, start=start)
    can, lines = asked(scene, around, start)
    assert not can
    for line, station in zip(lines, scene.station):
        assert re.match(f"lander: {station.name}: .*{words}", line)
    assert lines[-1] == f"lander: no further contact before {end_of(scene)}"


def test_earth_below_the_skyline_is_told():
    scene, around = linked(2.0, site={"longitude_deg": 170.0})
    _, lines = asked(scene, around, START)
    words = r"lander: \w+: the Earth is (\d+\.\d) deg below the skyline"
    below = [re.match(words, line) for line in lines]
    # 170 deg from the middle of the near side and 10 deg north; libration takes up to 8.
    assert all(60 < float(found[1]) < 88 for found in below[:2])


def test_set_up_is_told():
    scene, around = linked(
        stations=({"set_up_min": 40}, {"set_up_min": 40}), radio={"handover_min": 60}
    )
    row = around.contacts.iloc[-1]
    _, lines = asked(scene, around, row["acquisition_utc"] + pd.Timedelta(minutes=5))
    data_from = f"{row['data_from_utc']:%Y-%m-%dT%H:%M:%SZ}"
    assert any(f"{row['station']}: acquired; data from {data_from}" in line for line in lines)


def test_handover_under_way_is_told():
    stations = {"mask_deg": 5.0}, {"longitude_deg": 30.0, "mask_deg": 5.0}
    scene, around = linked(48.0, stations, {"handover_min": 60})
    used = contacts.station_use(around.platforms["lander"])
    changes = used["station"].to_numpy()[1:] != used["station"].to_numpy()[:-1]
    close = (used["from_utc"].shift(-1) - used["until_utc"]).iloc[:-1] == pd.Timedelta(hours=1)
    ends = used["until_utc"].iloc[:-1][changes & close]
    assert len(ends)
    can, lines = asked(scene, around, ends.iloc[0] + pd.Timedelta(minutes=30))
    assert not can
    assert any("in contact; handover between stations" in line for line in lines)
    assert any("data next from" in line for line in lines)


def test_link_budget_that_does_not_close_is_told():
    budget = {
        "frequency_mhz": 2250.0,
        "transmit_dbw": -120.0,
        "antenna_gain_dbi": 0.0,
        "losses_db": 2.5,
        "required_ebn0_db": 2.0,
        "margin_db": 3.0,
        "ceiling_kbps": 9.0,
    }
    dish = {"g_over_t_db_k": 10.0}
    scene, around = linked(stations=(dish, dish), radio={"budget": budget})
    at = around.contacts["acquisition_utc"].iloc[0] + pd.Timedelta(minutes=5)
    can, lines = asked(scene, around, at)
    assert not can and any("the link budget does not close" in line for line in lines)


def test_relay_out_of_reach_and_relay_without_contact_are_told():
    track = [
        {"from_utc": "2028-07-01T00:00:00Z", "distance_m": 50.0},
        {"from_utc": "2028-07-01T20:00:00Z", "distance_m": 900.0},
    ]
    rover = platform("rover", track=track, radio={"to": "lander", "range_limit_m": 500.0})
    scene, around = linked(platforms=[rover])
    _, lines = asked(scene, around, "2028-07-01T21:00:00Z")
    assert "rover: 900 m from lander, beyond its range limit of 500 m" in lines
    assert f"rover: no further contact before {end_of(scene)}" in lines
    heard = around.platforms["rover"]["in_contact"].to_numpy()[: 20 * 60]
    _, lines = asked(scene, around, around.sky.index[np.argmin(heard)])
    assert "rover: in range of lander, which has no contact with Earth" in lines
    _, lines = asked(scene, around, around.sky.index[np.argmax(heard)])
    assert any(line.startswith("rover: through lander at 20 kbit/s, until") for line in lines)


def test_totals_add_up(plain):
    scene, around = plain
    table = around.platforms["lander"]
    lines = link_answer.totals(around)
    assert len(lines) == len(scene.station) + 1
    volumes = [int(re.search(r"up to (\d+) Mbit", line)[1]) for line in lines]
    assert sum(volumes[:-1]) == pytest.approx(volumes[-1], abs=1)  # rounded to a Mbit each
    assert volumes[-1] == round(table["rate_kbps"].sum() * 0.06)
    share = float(re.search(r"in contact (\S+) %", lines[-1])[1])
    assert share == pytest.approx(100 * table["in_contact"].mean(), abs=0.05)  # one decimal
    silent = max(map(len, "".join(".#"[int(c)] for c in table["in_contact"]).split("#")))
    assert f"longest contact gap {silent / 60:.1f} h" in lines[-1]


def test_totals_of_a_relayed_platform_say_what_its_volume_counts():
    track = [
        {"from_utc": "2028-07-01T00:00:00Z", "distance_m": 50.0},
        {"from_utc": "2028-07-01T20:00:00Z", "distance_m": 900.0},
    ]
    rover = platform("rover", track=track, radio={"to": "lander", "range_limit_m": 500.0})
    _, around = linked(platforms=[rover])
    # 20 of 30 h in range at 20 kbit/s.
    words = "in range of lander 66.7 % of the span: up to 1440 Mbit to its storage, with or without"
    assert words in link_answer.totals(around)[-1]


def test_totals_of_a_silent_span_say_so():
    scene, around = linked(2.0, ({"mask_deg": 89.9}, {"mask_deg": 89.9}))
    assert link_answer.totals(around)[-1] == "lander: no contact in the span"
