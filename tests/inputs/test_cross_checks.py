"""Names inside a scenario lead somewhere, orders run in no ring, levels do not contradict."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tools.small import platform, scenario_table

from obsplan.inputs.cross_checks import reference_errors, sending_name


def errors(*activities, **changes):
    return reference_errors(scenario_table(*activities) | changes)


def after(name, *earlier):
    return {"name": name, "after": [{"activity": e} for e in earlier]}


def test_nothing_to_say_about_a_sound_scenario():
    assert errors({"name": "open"}, after("look", "open"), platforms=[platform()]) == []


def test_unknown_name_without_a_near_one_lists_what_there_is():
    (line,) = errors({"name": "open"}, {"name": "look", "not_with": ["zzz"]})
    assert line == 'activity "look".not_with = "zzz": no such activity; known: open, look'


def test_very_long_names_are_shortened():
    long = "x" * 5000
    radio = {"to": long, "rate_kbps": 1.0}
    lines = errors(
        {"name": long, "not_with": [long + "y"]},
        {"name": long},
        after("a", "b" * 5000),
        after("b" * 5000, "a"),
        platforms=[platform() | {"name": long, "radio": radio}],
    )
    assert len(lines) == 4
    assert max(map(len, lines)) < 600, lines


@pytest.mark.parametrize("loaded, wrong", [("2028-07-05", False), ("2029-07-01", True)])
def test_slots_loaded_until_after_the_span_are_named(loaded, wrong):
    span = {"start_utc": "2028-07-01T00:00:00Z", "end_utc": "2028-07-05T00:00:00Z"}
    told = errors(span=span, uplink={"lead_min": 30, "loaded_until_utc": f"{loaded}T00:00:00Z"})
    line = (
        "uplink.loaded_until_utc = 2029-07-01T00:00Z: after the end of the span; allowed is up to "
        "2028-07-05T00:00Z"
    )
    assert told == [line] * wrong


def test_unknown_name_where_there_is_none_at_all():
    (line,) = errors(instrument=[{"name": "camera", "platform": "x"}], platform=[])
    assert line == 'instrument "camera".platform = "x": no such platform; known: none'


def test_single_table_where_a_list_is_due_still_lends_its_name():
    assert errors({"name": "look"}, platform=platform()) == []


RINGS = [
    ([after("a", "a")], ["a after a"]),
    ([after("b", "a"), after("a", "b")], ["a after b after a"]),
    ([after("c", "b"), after("b", "a"), after("a", "c")], ["a after c after b after a"]),
    (
        [after("b", "a"), after("a", "b"), after("d", "c"), after("c", "d")],
        ["a after b after a", "c after d after c"],
    ),
    ([after("a"), after("b", "a"), after("c", "a", "b"), after("d", "c", "a")], []),
    (
        [after("a", "b", "c"), after("b", "a"), after("c", "a")],
        ["a after b after a", "a after c after a"],
    ),
]


@pytest.mark.parametrize("activities, rings", RINGS)
def test_each_ring_of_orders_is_named_once(activities, rings):
    lines = errors(*activities)
    assert lines == [
        f"activity.after: circular order, {ring}; none of them can run first" for ring in rings
    ]


def test_long_chain_of_orders_is_no_ring():
    chain = [after(f"a{k}", *([f"a{k - 1}"] if k else [])) for k in range(300)]
    assert errors(*chain) == []


RADIOS = [
    (
        {"to": "rover"},
        'platform "lander".radio.to = "rover": the relay itself must send to "earth"',
    ),
    (
        {"to": "lander"},
        'platform "lander".radio.to = "lander": no such receiver; known: earth, rover',
    ),
    (
        {"to": "moon"},
        'platform "lander".radio.to = "moon": no such receiver; known: earth, rover',
    ),
    ({"rate_kbps": None}, 'platform "lander".radio: give either rate_kbps or a budget table'),
    ({"budget": {}}, 'platform "lander".radio: give either rate_kbps or a budget table'),
]


@pytest.mark.parametrize("radio, line", RADIOS)
def test_radio_needs_one_rate_and_a_receiver_that_leads_to_earth(radio, line):
    rover = platform("rover", radio={"to": "lander"})
    lines = errors({"name": "look"}, platform=[platform(radio=radio), rover])
    assert line in lines
    assert all(".radio" in other for other in lines)


def test_budget_is_for_the_earth_and_orbiters_only():
    rover = platform("rover", radio={"to": "lander", "budget": {}, "rate_kbps": None})
    (line,) = errors({"name": "look"}, platform=[platform(), rover])
    assert line == (
        'platform "rover".radio.budget: a radio that sends to a relay at the site needs rate_kbps '
        "instead"
    )


def test_stations_take_over_from_one_another_and_relays_do_not():
    rover = platform("rover", radio={"to": "lander", "handover_min": 20})
    (line,) = errors({"name": "look"}, platform=[platform(radio={"handover_min": 20}), rover])
    assert line == (
        'platform "rover".radio.handover_min = 20: applies only to ground stations; '
        'for a radio to "lander" it must be 0'
    )


def test_budget_asks_every_station_for_its_figure_of_merit():
    lines = errors({"name": "look"}, platform=[platform(radio={"rate_kbps": None, "budget": {}})])
    assert lines == [
        f'station "{name}".g_over_t_db_k: required, because platform "lander".radio has a budget'
        for name in ("alpha", "beta")
    ]


@pytest.mark.parametrize(
    "start, end, wrong",
    [(0.2, None, 0), (0.19, None, 1), (0.5, 0.1, 1), (0.1, 0.1, 2), (1.0, 0.2, 0)],
)
def test_start_and_end_of_charge_lie_above_the_reserve(start, end, wrong):
    part = platform(battery={"reserve": 0.2, "start": start, "end": end})
    assert len(errors({"name": "look"}, platform=[part])) == wrong


def test_store_cannot_start_fuller_than_it_is():
    full = platform(store={"capacity_mbit": 50.0, "start_mbit": 50.0})
    assert errors({"name": "look"}, platform=[full]) == []
    over = platform(store={"capacity_mbit": 50.0, "start_mbit": 50.5})
    (line,) = errors({"name": "look"}, platform=[over])
    assert line == (
        'platform "lander".store.start_mbit = 50.5: more than the storage capacity; '
        "allowed is 0 to 50.0"
    )


def test_names_of_sending_are_kept_for_the_radio():
    assert sending_name("lander", "earth") == "lander downlink"
    assert sending_name("rover", "lander") == "rover relay"
    (line,) = errors({"name": "lander downlink"})
    assert line.endswith("the name is reserved for the radio; choose another")


NESTED = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=3)),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3),
        st.dictionaries(
            st.sampled_from(
                [
                    "name",
                    "to",
                    "radio",
                    "after",
                    "activity",
                    "must",
                    "count",
                    "reserve",
                    "start",
                    "battery",
                    "store",
                    "instrument",
                    "not_with",
                    "platform",
                ]
            ),
            inner,
            max_size=4,
        ),
    ),
    max_leaves=12,
)
TABLES = st.dictionaries(
    st.sampled_from(["span", "station", "platform", "instrument", "activity"]), NESTED
)


@given(raw=TABLES)
def test_any_nonsense_gives_lines_and_no_crash(raw):
    assert all(isinstance(line, str) for line in reference_errors(raw))


KEPT = {"from_utc": "2028-07-02T00:00:00Z", "until_utc": "2028-07-03T00:00:00Z"}
BAD_KEEP_OUTS = {
    "keep_out 1: give one of activity, instrument, platform, not none": KEPT,
    "keep_out 1: give one of activity, instrument, platform, not activity and platform": KEPT
    | {"activity": "look", "platform": "lander"},
    "keep_out 1.activity = \"loke\": no such activity; did you mean 'look'?": KEPT
    | {"activity": "loke"},
    "keep_out 1.until_utc = 2028-07-02T00:00Z: must be after its from_utc, 2028-07-02T00:00Z": KEPT
    | {"activity": "look", "until_utc": "2028-07-02T00:00:00Z"},
}


@pytest.mark.parametrize("line", BAD_KEEP_OUTS)
def test_keep_outs_that_mean_nothing_are_named(line):
    assert errors({"name": "look"}, keep_out=[BAD_KEEP_OUTS[line]]) == [line]
    assert errors({"name": "look"}, keep_out=[KEPT | {"activity": "look"}]) == []
