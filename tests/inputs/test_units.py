"""Units of hardware in a scenario: one clear line for each mistake."""

import numpy as np
import pytest
from tools.small import platform, scenario_table

from obsplan.common.errors import ScenarioError
from obsplan.inputs.cross_checks import reference_errors
from obsplan.inputs.read_scenario import read_scenario, scenario_from
from obsplan.inputs.thermal_table import read_thermal_table

NODE = {"name": "box", "heat_capacity_j_k": 20_000.0, "start_k": 290.0, "ground_w_k": 0.2}
HEATER = {"power_w": 15.0, "on_below_k": 268.0, "off_above_k": 278.0}
TABLE = {"name": "box", "table": "box.csv"}


def errors(*units, when=None, **changes):
    activity = {"name": "look"} | ({"when": when} if when else {})
    return reference_errors(scenario_table(activity, platforms=[platform(unit=list(units))]))


def test_sound_units_are_accepted():
    sound = NODE | {"thermostat": HEATER, "instruments": ["look"], "operating_k": [250.0, 320.0]}
    assert errors(sound) == errors(TABLE) == []
    scenario_from(scenario_table({"name": "look"}, platforms=[platform(unit=[sound])]))


MISTAKES = [
    (
        [NODE | {"thermostat": HEATER | {"on_below_k": 280.0}}],
        'platform "lander".unit "box".thermostat.on_below_k = 280.0: must be at least 0.5 K below '
        "off_above_k, 278.0",
    ),
    (
        [NODE | {"ground_w_k": 0.0}],
        'platform "lander".unit "box": give ground_w_k or radiating_m2, or both, above 0; a node '
        "without conductance and radiation never cools",
    ),
    (
        [{"name": "box", "radiating_m2": 0.1}],
        'platform "lander".unit "box": give a table, or heat_capacity_j_k and start_k for a node',
    ),
    (
        [TABLE | {"ground_w_k": 0.1, "start_k": 290.0}],
        'platform "lander".unit "box": give either a table or start_k and ground_w_k, which is of '
        "a node",
    ),
    (
        [NODE | {"thermostat": HEATER | {"off_above_k": 268.5, "power_w": 5000.0}}],
        'platform "lander".unit "box".thermostat: heats from on_below_k to off_above_k in 2 s; '
        "allowed is 10 s or more",
    ),
    (
        [NODE | {"surviving_k": [233.0, 280.0]}],
        'platform "lander".unit "box".start_k = 290.0: outside surviving_k; allowed is 233.0 to '
        "280.0",
    ),
    (
        [NODE | {"instruments": ["lok"]}],
        'platform "lander".unit "box".instruments = "lok": no such instrument on its platform; '
        "did you mean 'look'?",
    ),
    ([NODE, TABLE], 'unit "box": the name is used 2 times; names must differ'),
    (
        [NODE | {"charges_above_k": 273.0}, TABLE | {"name": "bay", "charges_above_k": 273.0}],
        'platform "lander".unit: box and bay have charges_above_k; only the unit of the battery '
        "may",
    ),
]


@pytest.mark.parametrize("units, line", MISTAKES)
def test_each_mistake_is_one_line(units, line):
    assert errors(*units) == [line]


def test_condition_on_a_unit_needs_one_with_a_table():
    allowed = {"temperature_k": [250.0, 300.0]}
    assert errors(TABLE, when={"unit": {"name": "box"} | allowed}) == []
    (line,) = errors(NODE, when={"unit": {"name": "box"} | allowed})
    assert line.startswith('activity "look".when.unit.name = "box": the unit has no table')
    (line,) = errors(TABLE, when={"unit": {"name": "bax"} | allowed})
    assert "no such unit with a table; did you mean 'box'?" in line


# ------------------------------------------------------------------------------ the table


def table(tmp_path, text):
    path = tmp_path / "box.csv"
    path.write_text(text)
    return path


def test_between_rows_it_is_a_straight_line_and_the_larger_heater_counts(tmp_path):
    path = table(
        tmp_path,
        "sun_elevation_deg,cold_k,hot_k,cold_heater_w,hot_heater_w\n"
        "-90,200,220,12,10\n0,240,260,6,8\n90,300,340,0,0\n",
    )
    found = read_thermal_table(path)
    assert found.against == "sun_elevation_deg"
    cold_k, hot_k, heater_w = found.values(np.array([-90.0, -45.0, 45.0, 90.0]))
    assert cold_k.tolist() == [200, 220, 270, 300] and hot_k.tolist() == [220, 240, 300, 340]
    assert heater_w.tolist() == [12, 10, 4, 0]


BAD = [
    ("local_time_h,cold_k,hot_k\n0,200,210\n12,,300\n", "row 3, cold_k is missing"),
    ("local_time_h,cold_k,hot_k\n0,,210\n12,,300\n", "rows 2 and 3, cold_k is missing"),
    ("local_time_h,cold_k,hot_k\n0,200,210\n,250,300\n", "row 3, local_time_h is missing"),
    (
        "local_time_h,cold_k,hot_k\n12,200,210\n6,250,300\n",
        "row 3, local_time_h = '6': must be above 12, that of the row before",
    ),
    (
        "local_time_h,cold_k,hot_k,warm_k\n0,200,210,5\n24,250,300,5\n",
        "row 1: no such column 'warm_k'",
    ),
    ("local_time_h,cold_k\n0,200\n", "column hot_k is missing"),
    ("cold_k,hot_k\n200,210\n", "give either local_time_h or sun_elevation_deg in every row"),
    (
        "local_time_h,sun_elevation_deg,cold_k,hot_k\n0,1,200,210\n",
        "give either local_time_h or sun_elevation_deg in every row",
    ),
    (
        "local_time_h,cold_k,hot_k\n0,200,190\n",
        "row 2, hot_k = '190': must be 200, that of cold_k, or more",
    ),
    ("local_time_h,cold_k,hot_k\n0,2,190\n", "allowed is a number from 20 to 600"),
]


@pytest.mark.parametrize("text, what", BAD)
def test_each_mistake_in_a_table_is_told(tmp_path, text, what):
    with pytest.raises(ScenarioError) as caught:
        read_thermal_table(table(tmp_path, text))
    assert len(caught.value.args) == 1 and what in str(caught.value)


def test_a_table_that_the_span_exceeds_is_refused(tmp_path):
    found = read_thermal_table(table(tmp_path, "local_time_h,cold_k,hot_k\n6,200,210\n18,9e1,90\n"))
    with pytest.raises(ScenarioError, match=r"runs from 6 to 18; the span needs 5\.5 to 17"):
        found.values(np.array([5.5, 17.0]))


def test_a_table_must_be_there(tmp_path):
    from tools.small import SMALL

    text = SMALL.replace(
        "[[instrument]]", '[[platform.unit]]\nname = "box"\ntable = "box.csv"\n[[instrument]]', 1
    )
    path = tmp_path / "scene.toml"
    path.write_text(text)
    with pytest.raises(ScenarioError) as caught:
        read_scenario(path)
    assert str(caught.value) == (
        f'{path}: platform "lander".unit "box".table = "box.csv": no such file; name a CSV beside '
        "the scenario"
    )
    first = table(tmp_path, "local_time_h,cold_k,hot_k\n0,200,210\n24,200,210\n")
    before = read_scenario(path).input_hash
    first.write_text("local_time_h,cold_k,hot_k\n0,200,211\n24,200,210\n")
    assert read_scenario(path).input_hash != before
