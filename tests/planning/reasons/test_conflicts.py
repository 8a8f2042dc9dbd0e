"""What cannot be met together is named, and without any one of it the rest could be met."""

from threading import Event

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tools.small import cases, platform, scenario, world

from obsplan.common.errors import Infeasible
from obsplan.planning.plan import make_plan
from obsplan.planning.reasons.conflicts import minimal, why_no_place, why_not_idle

PROBE = [{"name": "probe", "platform": "lander"}]
LONG = {"duration_min": 200, "must": 1, "instrument": "probe"}
DRILL = {"name": "drill", "must": 1}


def named(scene, **columns) -> list[str]:
    """The rules that planning names, in words."""
    with pytest.raises(Infeasible) as refused:
        make_plan(world(scene, **columns))
    assert refused.value.exit_code == 1
    (line,) = [s for s in str(refused.value).splitlines() if s.startswith("impossible together: ")]
    said = line.removeprefix("impossible together: ").split("; ")
    if said[-1] == "without any one of these the rest could be met":
        said.pop()
    return said


@given(st.lists(st.sets(st.integers(0, 12), min_size=1), min_size=1, max_size=4))
def test_the_set_is_impossible_and_every_smaller_one_is_not(conflicts):
    def impossible(rules: set) -> bool:
        return any(conflict <= rules for conflict in conflicts)

    kept = minimal(list(range(13)), impossible)
    assert impossible(kept)
    assert not any(impossible(kept - {rule}) for rule in kept)


# Each row: activities, parts of the scenario, columns of the platform, what is named, and
# changes to activities or parts that each drop one of the named rules.
CONFLICTS = {
    "one instrument": (
        [{"name": "a"} | LONG, {"name": "b"} | LONG, {"name": "c"}],
        {"hours": 6, "instruments": PROBE},
        {},
        ['"a" must run', '"b" must run', '"a" and "b" not at once (one slot of "probe" at a time)'],
    ),
    "gap, condition and rival": (
        [
            DRILL
            | {"count": 2, "must": 2, "gap_min": 165, "when": {"sun_elevation_deg": [10, 12]}},
            {
                "name": "b",
                "must": 1,
                "not_with": ["drill"],
                "when": {"sun_elevation_deg": [10, 10.7]},
            },
        ],
        {},
        {},
        [
            '"drill" must run 2 times',
            '"b" must run',
            'gap of "drill" 165 min',
            '"drill" only with Sun elevation 10 to 12 deg',
            '"b" only with Sun elevation 10 to 10.7 deg',
            '"b" not with "drill"',
        ],
    ),
    "order against a condition": (
        [
            {"name": "level", "when": {"sun_elevation_deg": [12, 13]}, "must": 1},
            DRILL
            | {
                "after": [{"activity": "level", "settle_min": 30}],
                "when": {"sun_elevation_deg": [6, 9]},
            },
        ],
        {},
        {},
        [
            '"drill" must run',
            '"level" only with Sun elevation 12 to 13 deg',
            '"drill" only with Sun elevation 6 to 9 deg',
            '"drill" after "level", settled 30 min',
        ],
    ),
    "bus": (
        [DRILL | {"power_w": 120.0}],
        {},
        {},
        ['"drill" must run', 'bus limit of "lander" 100 W'],
    ),
    "reserve": (
        [DRILL | {"power_w": 60.0, "count": 11, "must": 11}],
        {},
        {},
        ['"drill" must run 11 times', 'battery reserve of "lander" 200 Wh'],
    ),
    "end charge": (
        [DRILL | {"power_w": 60.0}],
        {"platforms": [platform(battery={"end": 0.8})]},
        {},
        ['"drill" must run', 'end charge of "lander" 800 Wh'],
    ),
    "store and link": (
        [DRILL | {"data_mbit": 90.0}],
        {},
        {"rate_kbps": 0.0, "in_contact": False},
        ['"drill" must run', 'store of "lander" 50 Mbit', 'data of "lander" leave in contact only'],
    ),
    "end storage": (
        [DRILL | {"data_mbit": 30.0}],
        {"platforms": [platform(store={"end_limit_mbit": 2.0})]},
        {"rate_kbps": 0.0},
        [
            '"drill" must run',
            'data of "lander" leave in contact only',
            'end storage of "lander" 2 Mbit',
        ],
    ),
}


@pytest.mark.parametrize("case", CONFLICTS)
def test_what_cannot_be_together_is_named(case):
    activities, parts, columns, words = CONFLICTS[case]
    assert sorted(named(scenario(*activities, **parts), **columns)) == sorted(words)


@pytest.mark.parametrize(
    ("case", "activity", "change"),
    [
        ("one instrument", 0, {"must": 0}),
        ("one instrument", 1, {"must": 0}),
        ("one instrument", 1, {"instrument": "other"}),
        ("order against a condition", 1, {"must": 0}),
        ("order against a condition", 0, {"when": {}}),
        ("order against a condition", 1, {"when": {}}),
        ("order against a condition", 1, {"after": []}),
        ("gap, condition and rival", 0, {"must": 0}),
        ("gap, condition and rival", 1, {"must": 0}),
        ("gap, condition and rival", 0, {"gap_min": 0}),
        ("gap, condition and rival", 0, {"when": {}}),
        ("gap, condition and rival", 1, {"when": {}}),
        ("gap, condition and rival", 1, {"not_with": []}),
        ("bus", 0, {"must": 0}),
        ("reserve", 0, {"must": 0}),
        ("end charge", 0, {"must": 0}),
        ("store and link", 0, {"must": 0}),
        ("end storage", 0, {"must": 0}),
    ],
)
def test_without_one_of_the_named_there_is_a_plan(case, activity, change):
    activities, parts, columns, _ = CONFLICTS[case]
    asked = [a | change if k == activity else a for k, a in enumerate(activities)]
    spare = {"name": "other", "platform": "lander"}
    parts = parts | {"instruments": [*parts.get("instruments", []), spare]}
    scene = scenario(*asked, **parts)
    assert make_plan(world(scene, **columns)).verdict.is_valid


@pytest.mark.parametrize("case", ["reserve", "end charge", "store and link"])
def test_a_large_question_is_judged_by_its_relaxation(case, monkeypatch):
    monkeypatch.setattr("obsplan.planning.reasons.conflicts.MOST_STARTS", 0)
    activities, parts, columns, words = CONFLICTS[case]
    assert sorted(named(scenario(*activities, **parts), **columns)) == sorted(words)


def test_a_sound_question_has_nothing_impossible():
    scene = scenario(DRILL, {"name": "b", "must": 1})
    assert why_no_place(world(scene)) == why_not_idle(world(scene)) == ""


class Later(Event):
    """Is set from the second time on that it is asked."""

    def is_set(self) -> bool:
        was = super().is_set()
        self.set()
        return was


def test_what_is_proven_when_time_is_up_is_said_without_the_rules():
    activities, parts, _, _ = CONFLICTS["one instrument"]
    scene = scenario(*activities, **parts)
    said = why_no_place(world(scene), Later())
    assert said == "the required runs are impossible together, by which rules was not found in time"
    up = Event()
    up.set()
    assert why_no_place(world(scene), up) == ""


@settings(max_examples=40)
@given(cases(hours=(2, 4)))
def test_where_a_plan_holds_nothing_is_called_impossible(case):
    environment = case
    try:
        made = make_plan(environment)
    except Infeasible as refused:
        said = ("impossible together", "with no slot at all", "must run")
        assert any(words in str(refused) for words in said), str(refused)
        return
    assert made.verdict.is_valid
    assert not why_no_place(environment).startswith("impossible together:")


# --- idling


def test_idle_load_and_heater_are_told_apart():
    """800 Wh aboard, 200 in reserve; 10 W and 20 W of heater take 720 Wh in a day."""
    lander = platform(idle_w=10.0, heater={"power_w": 20.0, "below_k": 250.0})
    scene = scenario({"name": "a"}, platforms=[lander])
    dark = np.where(np.arange(1440) < 720, 0.0, 1.0)
    sky = {"sun_visible_fraction": dark}
    environment = world(scene, sky, base_load_w=30.0, generation_w=0.0)
    told = why_not_idle(environment).splitlines()
    assert "120 Wh short of its reserve of 200 Wh at 2028-07-02T00:00Z" in told[0]
    assert told[1] == (
        '"lander" from 2028-07-01T00:00Z to 2028-07-02T00:00Z: idling takes 240.0 Wh and the '
        "heater 480.0 Wh; its battery begins with 800.0 Wh and its arrays give 0.0 Wh; for "
        "12.0 h of that "
        "the Sun is below the skyline or behind the Earth"
    )
    assert told[2] == (
        'impossible together: idle load of "lander" 10 W; heater of "lander" 20 W below 250 K; '
        'battery reserve of "lander" 200 Wh; without any one of these the rest could be met'
    )


@pytest.mark.parametrize(
    ("idle_w", "battery", "words"),
    [
        (100.0, {}, ['idle load of "lander" 100 W']),
        (30.0, {}, ['idle load of "lander" 30 W', 'battery reserve of "lander" 200 Wh']),
        (20.0, {"end": 0.5}, ['idle load of "lander" 20 W', 'end charge of "lander" 500 Wh']),
    ],
)
def test_what_idling_asks_too_much_is_named(idle_w, battery, words):
    scene = scenario({"name": "a"}, platforms=[platform(idle_w=idle_w, battery=battery)])
    assert named(scene, generation_w=0.0) == words
    told = why_not_idle(world(scene, generation_w=0.0))
    assert " -" not in told
