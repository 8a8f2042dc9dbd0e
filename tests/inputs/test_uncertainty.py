"""What may be uncertain: mistakes are told in one line each, with what is allowed."""

import pytest
from tools.small import platform, scenario_table

from obsplan.common.errors import ScenarioError
from obsplan.inputs.read_scenario import scenario_from


def told(*rows, **changes):
    table = scenario_table(
        {"name": "look", "instrument": "camera"},
        platforms=[platform()],
        instruments=[{"name": "camera", "platform": "lander"}],
    )
    with pytest.raises(ScenarioError) as refusal:
        scenario_from(table | {"uncertainty": list(rows)} | changes)
    return "\n".join(line.removeprefix("scenario: ") for line in refusal.value.lines)


ARRAYS = {"what": "array output", "of": "lander", "factor": [0.9, 0.96, 1.0]}


@pytest.mark.parametrize(
    ("row", "line"),
    [
        (ARRAYS | {"factor": [0.9, 0.8, 1.1]}, "uncertainty 1.factor: must rise: [low, likely"),
        (ARRAYS | {"factor": [1.0, 1.0, 1.0]}, "uncertainty 1.factor: must rise: [low, likely"),
        (ARRAYS | {"factor": [0.9, 1.0]}, "uncertainty 1.factor: must be three numbers [low"),
        (ARRAYS | {"factor": [-1, 0, 1]}, "uncertainty 1.factor 1 = -1: out of range: allowed is"),
        (
            ARRAYS | {"of": "lader"},
            'uncertainty 1 "array output".of = "lader": no such platform; did you mean \'lander\'?',
        ),
        (ARRAYS | {"of": "look"}, 'uncertainty 1 "array output".of = "look": no such platform'),
        (
            {"what": "run fails", "chance": 1.2},
            "uncertainty 1.chance = 1.2: out of range: allowed is 0 to 1",
        ),
        ({"what": "run fails"}, 'uncertainty 1 "run fails".chance: required but missing'),
        (
            {"what": "run fails", "chance": 0.1, "factor": [0.9, 1, 1.1]},
            'uncertainty 1 "run fails".factor: does not apply to run fails; allowed is chance',
        ),
        ({"what": "out of service", "per_day": 0.1}, '"out of service".of: required; name an'),
        (
            {"what": "out of service", "of": "camera", "per_day": 0},
            "uncertainty 1.per_day = 0: out of range: allowed is more than 0, up to 1000",
        ),
        ({"what": "rain"}, "uncertainty 1.what = \"rain\": allowed are 'array output'"),
    ],
)
def test_a_mistake_is_told_with_what_is_allowed(row, line):
    assert line in told(row)


def test_an_uncertainty_told_twice_is_refused():
    assert told(ARRAYS, ARRAYS) == 'uncertainty 2 "array output": is there already; give each once'


def test_an_outage_of_a_name_that_two_things_have_is_refused():
    table = scenario_table({"name": "look"}, platforms=[platform()])
    table["station"][0]["name"] = "lander"
    row = {"what": "out of service", "of": "lander", "per_day": 0.1}
    with pytest.raises(ScenarioError, match="is the name of a station and a platform; give them"):
        scenario_from(table | {"uncertainty": [row]})


@pytest.mark.parametrize("key, value", [("samples", 0), ("seed", -1), ("slip_min", -5)])
def test_samples_seed_and_slip_have_their_ranges(key, value):
    assert f"futures.{key} = {value}: out of range: allowed is" in told(futures={key: value})
