"""Every field of `when` has a row and a column, and planner and referee both heed it."""

from typing import get_args

import numpy as np
import pandas as pd
import pytest
from tools.orbits import kvn, segment
from tools.small import platform, scenario, scenario_table, slots, world

from obsplan.checking.check import check_timeline
from obsplan.common.errors import ScenarioError
from obsplan.environment.build import make_environment
from obsplan.inputs.activity import Coverage
from obsplan.inputs.conditions import (
    CONDITIONS,
    QUANTITIES,
    Condition,
    depth_column,
    range_text,
    requested,
)
from obsplan.inputs.read_scenario import scenario_from
from obsplan.inputs.when import When
from obsplan.planning.problem.start_windows import coverage_bin, start_mask, why_no_window

# The fields themselves, so that a new one is tried without a word here.
FIELDS = sorted(When.model_fields)
BAD_MIN = 95  # in the second hour only
BOX = {"name": "box", "table": "box.csv"}
BOX_SKY = {"box_cold_k": 245.0, "box_hot_k": 245.0, "box_heater_w": 0.0}


def row_of(key: str) -> Condition:
    return next(condition for condition in CONDITIONS if condition.key == key)


def allowed_good_bad(key: str) -> list[tuple]:
    """What `when` may ask in the field: (what is allowed, a value that is, values that are not)."""
    condition = row_of(key)
    if condition.states:
        return [(True, True, [False]), (False, False, [True])]
    if key == "ground":
        return [({"depth_m": 0.3, "temperature_k": [240, 250]}, 245.0, [239.0, 251.0])]
    if key == "unit":
        return [({"name": "box", "temperature_k": [240, 250]}, 245.0, [239.0, 251.0])]
    asked = [([3, 5], 4.0, [2.9, 5.1])]
    if key == "earth_longitude_deg":
        return [*asked, ([170, -170], 180.0, [169.0, -169.0])]
    if condition.period:
        high = condition.period - 1
        asked += [([high, 1], value, [high - 0.1, 1.1]) for value in (high + 0.5, 0.5)]
    return asked


def carried(activity: dict, in_orbit: bool):
    """A scenario in which a lander, or an orbiter of the same name, has the activity."""
    if not in_orbit:
        return scenario(activity, platforms=[platform(unit=[BOX])])
    flying = platform(kind="orbiter", orbit={"file": "orbit.oem"})
    return scenario(activity, platforms=[flying], step_min=5)


def place(key: str, allowed, good, bad=None):
    """An environment in which all but one minute are good, and one is `bad`."""
    scene = carried({"name": "look", "when": {key: allowed}}, row_of(key).only == "orbit")
    (asked,) = requested(scene.activity[0].when)
    minutes = np.arange(1440)
    value = np.where(minutes == BAD_MIN, good if bad is None else bad, good)
    return world(scene, BOX_SKY | {asked.column: value, asked.upper_column: value})


def test_every_field_has_one_row_and_every_row_a_field():
    keys = [condition.key for condition in CONDITIONS]
    assert sorted(keys) == FIELDS
    assert all(condition.words for condition in CONDITIONS)
    assert len({condition.words for condition in CONDITIONS}) == len(keys)


@pytest.fixture(scope="module")
def skies(tmp_path_factory):
    """Sky tables from the physics: of a site, with a ground temperature, and of an orbit."""
    when = {"ground": GROUND, "unit": {"name": "box", "temperature_k": [100, 300]}}
    look = {"name": "look", "when": when}
    flying = platform("orbiter", kind="orbiter", orbit={"file": "orbit.oem"})
    parts = [platform(unit=[BOX]), flying]
    table = scenario_table(look, platforms=parts, hours=1.0, step_min=5)
    folder = tmp_path_factory.mktemp("scene")
    (folder / "box.csv").write_text("local_time_h,cold_k,hot_k\n0,200,210\n24,220,230\n")
    (folder / "orbit.oem").write_text(kvn([segment("2028-07-01T00:00:00", 120)]))
    made = make_environment(scenario_from(table).model_copy(update={"folder": folder}))
    return {"": made.sky, "ground": made.sky, "orbit": made.skies["orbiter"]}


GROUND = {"depth_m": 0.42, "temperature_k": [100, 300]}


@pytest.mark.parametrize("key", FIELDS)
def test_every_row_has_a_column_that_the_physics_fill(key, skies):
    sky = skies[row_of(key).only]
    columns = {"ground": [depth_column(GROUND["depth_m"])], "unit": ["box_cold_k", "box_hot_k"]}
    for column in columns.get(key, [row_of(key).key]):
        assert column in sky.columns
        assert sky[column].notna().all()
        assert (sky[column].dtype == bool) == bool(row_of(key).states)


@pytest.mark.parametrize("key", FIELDS)
def test_row_says_what_kind_of_field_it_is(key):
    def accepts(value) -> bool:
        try:
            carried({"name": "look", "when": {key: value}}, row_of(key).only == "orbit")
        except ScenarioError:
            return False
        return True

    condition = row_of(key)
    # Only what is true or false has states, only what starts again may run from high to low.
    assert accepts(True) == bool(condition.states)
    assert accepts([22, 2]) == bool(condition.period)


@pytest.mark.parametrize("key", FIELDS)
def test_planner_gives_no_start_to_a_slot_that_breaks_the_condition(key):
    for allowed, good, bads in allowed_good_bad(key):
        fine = place(key, allowed, good)
        assert start_mask(fine, fine.scenario.activity[0])[4]
        for bad in bads:
            spoilt = place(key, allowed, good, bad)
            mask = start_mask(spoilt, spoilt.scenario.activity[0])
            # An hour's slot that starts up to an hour earlier touches the step of the bad minute.
            step = spoilt.scenario.span.step_min
            barred = step * np.flatnonzero(~mask[: 1350 // step])
            last = BAD_MIN // step * step
            assert barred.tolist() == list(range(last + step - 60, last + step, step))


@pytest.mark.parametrize("key", FIELDS)
def test_referee_refuses_a_slot_that_breaks_the_condition(key):
    for allowed, good, bads in allowed_good_bad(key):
        fine = check_timeline(place(key, allowed, good), slots(("look", 60)))
        assert fine.violations.empty and row_of(key).words in fine.rules
        for bad in bads:
            spoilt = place(key, allowed, good, bad)
            found = check_timeline(spoilt, slots(("look", 60)), fixes=False).violations
            assert found["rule"].tolist() == [row_of(key).words]
            assert (found["time_utc"] - pd.Timestamp("2028-07-01", tz="UTC")).tolist() == [
                pd.Timedelta(minutes=BAD_MIN)
            ]


@pytest.mark.parametrize("key", FIELDS)
def test_reasons_name_the_condition_in_its_words(key):
    for allowed, _, bads in allowed_good_bad(key):
        never = place(key, allowed, bads[0])
        (asked,) = requested(never.scenario.activity[0].when)
        assert asked.words in why_no_window(never, never.scenario.activity[0])


def test_every_quantity_of_a_coverage_has_words_and_values():
    for over in get_args(Coverage.model_fields["over"].annotation):
        edges = [-360, 0] if QUANTITIES[over].only == "orbit" else [-1, 1e4]
        look = {"name": "look", "coverage": {"over": over, "edges": edges}}
        scene = carried(look, QUANTITIES[over].only == "orbit")
        assert QUANTITIES[over].unit
        offered = world(scene, BOX_SKY | {"earth_longitude_deg": 180.0})
        assert (coverage_bin(offered, scene.activity[0]) == 0).all()
        assert check_timeline(offered, slots(("look", 60))).violations.empty


def test_conditions_in_words():
    when = When.model_validate(
        {
            "sun_elevation_deg": [6, 12.5],
            "sun_visible_fraction": [0.5, np.inf],
            "ground": {"depth_m": 0.3, "temperature_k": [-np.inf, 250]},
            "in_magnetotail": False,
        }
    )
    assert [condition.words for condition in requested(when)] == [
        "Sun elevation 6 to 12.5 deg",
        "visible fraction of the Sun at least 0.5",
        "ground temperature at 0.3 m at most 250 K",
        "the Moon outside the magnetotail",
    ]
    assert range_text(-10, 1e-3) == "-10 to 0.001"


def test_depths_are_named_in_centimetres():
    assert depth_column(0.3) == "temperature_30cm_k"
    assert depth_column(0.075) == "temperature_7.5cm_k"
    assert depth_column(0) == "surface_temperature_k"
