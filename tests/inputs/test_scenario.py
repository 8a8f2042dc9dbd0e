"""A scenario is read whole, or every mistake in it is named in a line of its own."""

import copy
import datetime as dt
import tomllib

import numpy as np
import pandas as pd
import pytest
from conftest import DEMO
from hypothesis import given, settings
from hypothesis import strategies as st
from tools.small import platform, scenario, scenario_table

from obsplan.common.errors import ScenarioError
from obsplan.inputs.read_scenario import read_scenario, scenario_from
from obsplan.inputs.scenario import Scenario

RAW = tomllib.loads(DEMO.read_text())
GONE = object()
NAN, INF = float("nan"), float("inf")
UTC = dt.UTC


def changed(changes: dict[str, object]) -> dict:
    """The demo with values replaced, or taken out, at paths such as `platform.0.idle_w`."""
    raw = copy.deepcopy(RAW)
    for path, value in changes.items():
        *parents, last = (int(p) if p.isdigit() else p for p in path.split("."))
        holder = raw
        for part in parents:
            holder = holder[part]
        if value is GONE:
            del holder[last]
        else:
            holder[last] = value
    return raw


def complaints(raw: dict) -> list[str]:
    with pytest.raises(ScenarioError) as caught:
        scenario_from(raw, source="demo.toml")
    lines = str(caught.value).split("\n")
    assert all(line.startswith("demo.toml: ") and line.isprintable() for line in lines)
    return [line.removeprefix("demo.toml: ") for line in lines]


def test_demo_is_a_scenario():
    scene = read_scenario(DEMO)
    assert scene.steps == 1080
    assert [p.name for p in scene.platform] == ["lander", "rover"]
    assert scene.skyline_paths() == (DEMO.parent / "skyline.csv",)
    assert scene.sending_names == {"lander downlink": "lander", "rover relay": "rover"}


NUMBER = "must be a number"
WHOLE = "must be a whole number"
MISTAKES = [
    # numbers out of range, not finite, or not numbers
    (
        {"site.latitude_deg": 95.0},
        "site.latitude_deg = 95.0: out of range: allowed is -90 to 90",
    ),
    (
        {"platform.0.battery.reserve": 1.2},
        'platform 1 "lander".battery.reserve = 1.2: out of range: allowed is 0 to 1',
    ),
    (
        {"activity.2.power_w": -3.0},
        'activity 3 "probe insertion".power_w = -3.0: out of range: allowed is 0 to 1000000000',
    ),
    (
        {"platform.0.battery.capacity_wh": 0.0},
        'platform 1 "lander".battery.capacity_wh = 0.0: '
        "out of range: allowed is 1e-06 to 1000000000",
    ),
    (
        {"platform.0.radio.budget.transmit_dbw": 4e5},
        'platform 1 "lander".radio.budget.'
        "transmit_dbw = 400000.0: out of range: allowed is -300 to 300",
    ),
    ({"platform.0.idle_w": NAN}, 'platform 1 "lander".idle_w = nan: must be a finite number'),
    ({"activity.0.value": INF}, 'activity 1 "plasma sweep".value = inf: must be a finite number'),
    (
        {"site.depths_m": [0.1, 9]},
        "site.depths_m 2 = 9: out of range: allowed is more than 0, up to 2",
    ),
    (
        {"site.latitude_deg": "62"},
        f'site.latitude_deg = "62": {NUMBER}; allowed is -90 to 90',
    ),
    (
        {"span.step_min": True},
        f"span.step_min = True: {WHOLE}; allowed is 1 to 120",
    ),
    (
        {"activity.0.count": 0},
        'activity 1 "plasma sweep".count = 0: out of range: allowed is 1 to 2000',
    ),
    (
        {"activity.0.duration_min": 1.5},
        f'activity 1 "plasma sweep".duration_min = 1.5: {WHOLE}; allowed is 1 to 60000',
    ),
    # texts, words, truth
    ({"title": 3}, "title = 3: must be text in quotes"),
    (
        {"title": "a\x1b[31m\nb"},
        r'title = "a\x1b[31m\nb": must have at most 200 characters and no line break or other '
        "control character",
    ),
    (
        {"title": "t" * 201},
        f'title = "{"t" * 69}... (203 characters): must have at most 200 characters and no line '
        "break or other control character",
    ),
    ({"activity.0.quiet": 1}, 'activity 1 "plasma sweep".quiet = 1: must be true or false'),
    (
        {"activity.0.contact": "hole"},
        "activity 1 \"plasma sweep\".contact = \"hole\": allowed are 'whole', 'start' or 'none'",
    ),
    (
        {"platform.1.kind": "hopper"},
        "platform 2 \"rover\".kind = \"hopper\": allowed are 'lander', 'rover' or 'orbiter'",
    ),
    (
        {"instrument.1.hazard": "fire"},
        'instrument 2 "thermal probe".hazard = "fire": allowed '
        "are 'none', 'laser', 'radioactive source', 'mechanism' or 'radio transmitter'",
    ),
    # times
    (
        {"span.start_utc": dt.datetime(2028, 7, 2)},
        "span.start_utc = 2028-07-02 00:00:00: the time has no zone; end it with Z for UTC",
    ),
    (
        {"span.start_utc": "2028-07-02T00:00:30Z"},
        'span.start_utc = "2028-07-02T00:00:30Z": the time must be a whole minute',
    ),
    (
        {"span.start_utc": dt.date(2028, 7, 2)},
        "span.start_utc = 2028-07-02: not a time; write it like 2028-07-01T00:00:00Z",
    ),
    (
        {"span.start_utc": "noon"},
        'span.start_utc = "noon": not a time; write it like 2028-07-01T00:00:00Z',
    ),
    (
        {"span.start_utc": "0001-01-01T00:00:00+01:00"},
        "span.start_utc = "
        '"0001-01-01T00:00:00+01:00": the year is out of range; allowed are 1900 to 2200',
    ),
    (
        {"span.start_utc": dt.datetime(2028, 8, 1, tzinfo=UTC)},
        "span.end_utc = 2028-07-13T06:00Z: must be after span.start_utc, 2028-08-01T00:00Z",
    ),
    (
        {"span.end_utc": dt.datetime(2028, 7, 2, 0, 10, tzinfo=UTC)},
        "span: shorter than one step of 15 min",
    ),
    (
        {"span.end_utc": dt.datetime(2028, 10, 2, tzinfo=UTC)},
        "span: 92 days long; at most 90 are allowed",
    ),
    # keys
    (
        {"colour": 1},
        "colour: unknown key; known: title, site, span, station, platform, "
        "instrument, stop, activity, goal, team, keep_out, pin, margins, uplink, landing, futures, "
        "uncertainty",
    ),
    (
        {"activity.0.durationmin": 3},
        "activity 1 \"plasma sweep\".durationmin: unknown key; did you mean 'duration_min'?",
    ),
    (
        {"platform.0.battery.capacity": 3},
        "platform 1 \"lander\".battery.capacity: unknown key; did you mean 'capacity_wh'?",
    ),
    (
        {"unit": [{"name": "box"}]},
        "unit: unknown key here; it belongs to a platform: [[platform.unit]], or to the when of "
        "the drive of a platform: [platform.drive.when.unit], or to the when of an "
        "activity: [activity.when.unit]",
    ),
    ({"battery": {}}, "battery: unknown key here; it belongs to a platform: [platform.battery]"),
    (
        {"budget": {}},
        "budget: unknown key here; it belongs to the radio of a platform: [platform.radio.budget]",
    ),
    (
        {"activity.0.station": []},
        'activity 1 "plasma sweep".station: unknown key here; it belongs at the top of the file: '
        "[[station]]",
    ),
    ({"folder": "x"}, "folder: unknown key"),
    ({"input_hash": "x"}, "input_hash: unknown key"),
    ({"title": GONE}, "title: required but missing"),
    (
        {"platform.1.radio.transmit_w": GONE},
        'platform 2 "rover".radio.transmit_w: required but missing',
    ),
    # kinds of tables
    ({"station": []}, "station: must have 1 or more entries"),
    ({"station": 3}, "station = 3: must be a list of tables, each begun with [[station]]"),
    (
        {"station": RAW["station"][0]},
        "station: must be a list of tables, each begun with [[station]]",
    ),
    (
        {"station": [3]},
        "station 1 = 3: must be a table, begun with [[station]] or written in braces",
    ),
    ({"site": [RAW["site"]]}, "site: must be a table, begun with [site] or written in braces"),
    ({"span": "July"}, 'span = "July": must be a table, begun with [span] or written in braces'),
    (
        {"platform.0.array": RAW["platform"][0]["array"][0]},
        'platform 1 "lander".array: must be a list of tables, each begun with [[platform.array]]',
    ),
    (
        {"activity.3.after": ["drive"]},
        'activity 4 "heater run".after 1 = "drive": must be a '
        "table, begun with [[activity.after]] or written in braces",
    ),
    (
        {"activity.3.not_with": "drive"},
        'activity 4 "heater run".not_with = "drive": must be a list in brackets',
    ),
    # pairs and lists
    (
        {"activity.8.when": {"sun_elevation_deg": [9, 5]}},
        'activity 9 "drive".when.sun_elevation_deg: the range must be [low, high] with low <= high',
    ),
    (
        {"activity.8.when": {"surface_temperature_k": [-20, 40]}},
        'activity 9 "drive".when.surface_temperature_k: kelvin are never below 0; add 273.15 to '
        "degrees Celsius",
    ),
    (
        {"activity.8.when": {"sun_elevation_deg": [NAN, 5]}},
        'activity 9 "drive".when.sun_elevation_deg: the range must be [low, high] with low <= high',
    ),
    (
        {"activity.8.when": {"sun_elevation_deg": [5]}},
        'activity 9 "drive".when.sun_elevation_deg: must be a pair [low, high]',
    ),
    (
        {"activity.8.when": {"sun_elevation_deg": [5, 6, 7]}},
        'activity 9 "drive".when.sun_elevation_deg: must have no more than 2 entries',
    ),
    (
        {"activity.8.when": {"local_time_h": [7, 25]}},
        'activity 9 "drive".when.local_time_h: the '
        "range must be [from, to] with both from 0 to 24 h",
    ),
    (
        {"activity.8.when": {"local_time_h": [NAN, 5]}},
        'activity 9 "drive".when.local_time_h: the '
        "range must be [from, to] with both from 0 to 24 h",
    ),
    (
        {"activity.0.coverage": {"over": "span_h", "edges": [6, 6]}},
        'activity 1 "plasma sweep".coverage.edges: the bin edges must rise',
    ),
    (
        {"activity.0.coverage": {"over": "span_h", "edges": [6]}},
        'activity 1 "plasma sweep".coverage.edges: must have 2 or more entries',
    ),
    (
        {"margins": {"energy_share": 1.0}},
        "margins.energy_share = 1.0: out of range: allowed is 0 to 0.9",
    ),
    (
        {"margins": {"link_share": -0.1}},
        "margins.link_share = -0.1: out of range: allowed is 0 to 0.9",
    ),
    (
        {"platform.1.margins": {"energy": 0.1}},
        "platform 2 \"rover\".margins.energy: unknown key; did you mean 'energy_share'?",
    ),
    # names that lead nowhere, and contradictions
    (
        {"platform.0.unit.0.instruments": True},
        'platform 1 "lander".unit 1 "electronics".instruments = True: must be a list in brackets',
    ),
    (
        {"activity.7.name": "drive"},
        'activity "drive": the name is used 2 times; names must differ',
    ),
    (
        {"activity.4.instrument": "thermal prob"},
        'activity "passive log".instrument = "thermal '
        "prob\": no such instrument; did you mean 'thermal probe'?",
    ),
    (
        {"instrument.4.platform": "rver"},
        'instrument "apxs".platform = "rver": no such platform; did you mean \'rover\'?',
    ),
    (
        {"activity.9.after": [{"activity": "drove"}]},
        'activity "libs raster".after = "drove": no such activity; did you mean \'drive\'?',
    ),
    (
        {"activity.9.not_with": ["drove"]},
        'activity "libs raster".not_with = "drove": no such activity; did you mean \'drive\'?',
    ),
    (
        {"activity.2.must": 3},
        'activity "probe insertion".must = 3: more runs are required than '
        "requested (count = 1); allowed is 0 to 1",
    ),
    (
        {"activity.2.after": [{"activity": "heater run"}]},
        "activity.after: circular order, "
        "heater run after probe insertion after heater run; none of them can run first",
    ),
    (
        {"platform.0.battery.start": 0.2},
        'platform "lander".battery.start = 0.2: below the reserve; allowed is 0.35 to 1',
    ),
    (
        {"platform.0.battery.end": 0.2},
        'platform "lander".battery.end = 0.2: below the reserve; allowed is 0.35 to 1',
    ),
    (
        {"platform.0.store.start_mbit": 6001},
        'platform "lander".store.start_mbit = 6001: more than '
        "the storage capacity; allowed is 0 to 6000.0",
    ),
    (
        {"platform.0.radio.rate_kbps": 8.0},
        'platform "lander".radio: give either rate_kbps or a budget table',
    ),
    (
        {"platform.0.radio.budget": GONE},
        'platform "lander".radio: give either rate_kbps or a budget table',
    ),
    (
        {"station.1.g_over_t_db_k": GONE},
        'station "Saltmarsh".g_over_t_db_k: required, because platform "lander".radio has a budget',
    ),
    (
        {"platform.1.radio.to": "landr"},
        'platform "rover".radio.to = "landr": no such receiver; did you mean \'lander\'?',
    ),
]


@pytest.mark.parametrize("changes, line", MISTAKES)
def test_mistake_is_one_line_that_says_what_is_allowed(changes, line):
    assert complaints(changed(changes)) == [line]


BAD_NAME = (
    "must have 1 to 60 characters, no comma, semicolon, quote or line break, and no space at "
    "either end"
)


@pytest.mark.parametrize(
    "name", ["", " ", " probe", "probe ", "a,b", "a;b", 'a"b', "a\nb", "\x00", "a\x7fb", "x" * 61]
)
def test_name_that_would_not_survive_a_csv_cell_is_refused(name):
    (line,) = complaints(changed({"site.name": name}))
    assert line.startswith("site.name = ") and line.endswith(BAD_NAME)


@pytest.mark.parametrize("name", ["a", "Träger Süd", "x" * 60, "probe #2 (left)", "探査機"])
def test_name_may_have_blanks_and_letters_of_any_script(name):
    assert scenario_from(changed({"site.name": name})).site.name == name


def test_platform_may_not_be_called_earth():
    raw = scenario_table(platforms=[platform("earth")])
    (line,) = complaints(raw)
    assert line == 'platform "earth": the name is reserved for the Earth itself; choose another'


def test_all_mistakes_are_shown_together():
    lines = complaints(
        changed(
            {
                "site.latitude_deg": 95.0,
                "platform.0.battery.reserve": 1.2,
                "activity.2.power_w": -3.0,
                "activity.4.instrument": "thermal prob",
                "activity.2.must": 2,
                "colour": 1,
            }
        )
    )
    keys = ["site.latitude_deg", "reserve", "power_w", "colour", "thermal prob", "must"]
    assert len(lines) == len(keys)
    assert all(any(key in line for line in lines) for key in keys)


def test_value_too_long_to_show_is_cut():
    (line,) = complaints(changed({"activity.0.value": 10**400}))
    assert len(line) < 250 and "(401 characters)" in line


def test_key_with_a_line_break_stays_in_one_line():
    (line,) = complaints(changed({"a\nb": 1}))
    assert line.startswith('"a\\nb": unknown key')


def test_key_in_quotes_is_shown_in_quotes():
    site = RAW["site"] | {"": 1, "a b": 1}
    keys = [line.split(": unknown key")[0] for line in complaints(RAW | {"": 1, "site": site})]
    assert keys == ['site.""', 'site."a b"', '""']


@pytest.mark.parametrize(
    "content, complaint",
    [
        (b"title = \n", "not valid TOML: Invalid value (at line 1, column 9)"),
        (b"title = 'a'\ntitle = 'b'\n", "not valid TOML: Cannot overwrite a value"),
        (b"title = '\xff'\n", "not UTF-8 text"),
    ],
)
def test_file_that_is_no_toml_is_refused_in_one_line(tmp_path, content, complaint):
    path = tmp_path / "broken.toml"
    path.write_bytes(content)
    with pytest.raises(ScenarioError) as caught:
        read_scenario(path)
    assert str(caught.value).startswith(f"{path}: {complaint}")
    assert "\n" not in str(caught.value)


def test_missing_file_and_folder_are_refused(tmp_path):
    with pytest.raises(ScenarioError, match="none.toml: cannot be read .No such file"):
        read_scenario(tmp_path / "none.toml")
    with pytest.raises(ScenarioError, match="cannot be read"):
        read_scenario(tmp_path)


def copied_demo(tmp_path, text: str | None = None):
    path = tmp_path / "demo.toml"
    path.write_text(text or DEMO.read_text())
    (tmp_path / "skyline.csv").write_bytes((DEMO.parent / "skyline.csv").read_bytes())
    return path


@pytest.mark.parametrize(
    "skyline", ["other.csv", "", ".", "a\\u0000b", pytest.param("x" * 4000, id="long")]
)
def test_skyline_that_is_not_there_is_named(tmp_path, skyline):
    text = DEMO.read_text().replace('"skyline.csv"', f'"{skyline}"')
    with pytest.raises(
        ScenarioError, match="site.skyline = .*; name a CSV profile beside"
    ) as caught:
        read_scenario(copied_demo(tmp_path, text))
    assert str(caught.value).isprintable()


def test_byte_order_mark_and_line_ends_of_other_systems_are_read(tmp_path):
    path = copied_demo(tmp_path)
    plain = read_scenario(path)
    path.write_bytes(b"\xef\xbb\xbf" + DEMO.read_bytes().replace(b"\n", b"\r\n"))
    assert read_scenario(path).activity == plain.activity


def test_hash_follows_the_file_and_its_skyline(tmp_path):
    path = copied_demo(tmp_path)
    first = read_scenario(path).input_hash
    assert first == read_scenario(DEMO).input_hash and len(first) == 16
    path.write_text(DEMO.read_text() + "# a remark\n")
    second = read_scenario(path).input_hash
    (tmp_path / "skyline.csv").write_bytes(b"azimuth_deg,elevation_deg\n0,1\n180,2\n")
    assert len({first, second, read_scenario(path).input_hash}) == 3


def test_slots_are_whole_steps_and_a_rest_of_the_span_is_left():
    scene = scenario({"name": "dig", "duration_min": 50, "warm_up_min": 20}, hours=2.2)
    assert scene.slot_min(scene.activity[0]) == 75
    assert scene.steps == 8
    assert scene.platform_of(scene.activity[0]) == "lander"


def test_times_of_other_zones_are_utc():
    scene = scenario_from(changed({"span.start_utc": "2028-07-02T02:00:00+02:00"}))
    assert scene.span.start_utc == dt.datetime(2028, 7, 2, tzinfo=UTC)


def test_reading_leaves_what_it_was_given_alone():
    raw = changed({})
    scenario_from(raw)
    assert raw == RAW


# --- any nonsense is either a scenario or named

JUNK = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=8),
    st.sampled_from(["lander", "rover", "earth", "drive", "libs", "2028-07-03T00:00Z", "flat"]),
    st.datetimes(timezones=st.sampled_from([None, UTC, dt.timezone(dt.timedelta(hours=-5))])),
    st.dates(),
    st.times(),
    st.sampled_from([[], {}, [[]], [{}], {"name": "x"}, [{"name": "x"}], [1, 2], ["a", 3]]),
)


def places(part, path=()):
    """Every path in a parsed file."""
    items = part.items() if isinstance(part, dict) else enumerate(part)
    for key, value in items:
        yield (*path, key)
        if isinstance(value, dict | list):
            yield from places(value, (*path, key))


PLACES = sorted(places(RAW), key=str)


@st.composite
def spoiled(draw) -> dict:
    raw = copy.deepcopy(RAW)
    for _ in range(draw(st.integers(1, 4))):
        *parents, last = draw(st.sampled_from(PLACES))
        holder = raw
        try:
            for part in parents:
                holder = holder[part]
            value = holder[last]
        except (KeyError, IndexError, TypeError):
            continue  # spoiled before
        if not isinstance(holder, dict | list):
            continue
        how = draw(st.sampled_from(["replace", "replace", "drop", "wrap", "double", "add"]))
        if how == "replace":
            holder[last] = draw(JUNK)
        elif how == "drop":
            del holder[last]
        elif how == "wrap":
            holder[last] = [value]
        elif how == "double":
            holder[last] = [value, value]
        elif isinstance(holder, dict):
            holder[draw(st.text(max_size=6))] = draw(JUNK)
    return raw


@given(raw=spoiled())
@settings(max_examples=400)
def test_spoiled_demo_is_a_scenario_or_its_mistakes_are_named(raw):
    try:
        assert isinstance(scenario_from(raw), Scenario)
    except ScenarioError as mistakes:
        lines = str(mistakes).split("\n")
        assert len(set(lines)) == len(lines)
        assert all(line.startswith("scenario: ") and line.isprintable() for line in lines)


def test_an_instant_is_the_inverse_of_its_minutes_and_shows_seconds_only_if_there_are_any():
    scene = scenario({"name": "look"})
    for minute in (-3.0, 0.0, 1.5, 61.0):
        assert scene.minutes_of(scene.instant_at(minute)) == minute
    assert scene.stamp_at(np.int64(61)) == "2028-07-01T01:01Z"
    assert scene.stamp_at(1.5) == "2028-07-01T00:01:30Z"


def test_minutes_count_from_the_start_of_the_span_for_one_time_and_for_a_column():
    scene = scenario({"name": "look"}, {"name": "listen"})
    start = scene.span.start_utc
    assert scene.minutes_of(start + dt.timedelta(seconds=90)) == 1.5
    assert scene.minutes_of(pd.Timestamp(start) - pd.Timedelta(minutes=3)) == -3.0
    times = pd.Series([start, None, start + dt.timedelta(hours=2)], dtype="datetime64[s, UTC]")
    assert scene.minutes_of(times).tolist() == pytest.approx([0.0, np.nan, 120.0], nan_ok=True)
    elsewhere = pd.DatetimeIndex(times).tz_convert("Asia/Kolkata")
    assert scene.minutes_of(elsewhere)[2] == 120.0


def test_parts_are_found_by_name():
    scene = scenario({"name": "look"}, {"name": "listen"})
    assert scene.platform_named("lander") is scene.platform[0]
    assert scene.activity_named(scene.activity[-1].name) is scene.activity[-1]
    with pytest.raises(KeyError, match="nobody"):
        scene.platform_named("nobody")
