"""Goals: what they request of activities, their bins, and a line for every contradiction."""

import pytest
from tools.small import scenario_table

from obsplan.common.errors import ScenarioError
from obsplan.inputs.read_scenario import scenario_from

EDGES = [-2, 4, 10, 16, 22, 30]


def table(*activities, **keys):
    given = {"name": "heights", "runs_of": ["sweep"], "value": 100.0}
    activities = activities or ({"name": "sweep"},)
    return scenario_table(*activities) | {"goal": [given | keys]}


def read(*activities, **keys):
    return scenario_from(table(*activities, **keys))


def complaints(*activities, **keys) -> list[str]:
    with pytest.raises(ScenarioError) as caught:
        read(*activities, **keys)
    return [line.removeprefix("scenario: ") for line in caught.value.lines]


def test_activities_have_as_many_runs_as_goals_request_and_no_value_of_their_own():
    scene = read({"name": "sweep"}, {"name": "other"}, over="span_h", edges=EDGES, runs_each=3)
    sweep, other = scene.activity
    assert (sweep.count, sweep.value) == (15, 0.0)
    assert (other.count, other.value) == (1, 1.0)
    (kept,) = read({"name": "sweep", "count": 4, "value": 2.0}, over="span_h", edges=EDGES).activity
    assert (kept.count, kept.value) == (4, 2.0)


def test_requests_of_several_goals_add_up():
    raw = table({"name": "sweep"}, runs_each=3)
    raw["goal"] += [raw["goal"][0] | {"name": "more", "over": "span_h", "edges": EDGES}]
    assert scenario_from(raw).activity[0].count == 3 + 15


def test_the_minimum_is_worth_its_share_of_the_runs_unless_told():
    least = {"bins": 3, "runs_each": 1}
    keys = {"over": "span_h", "edges": EDGES, "runs_each": 3, "minimum": least}
    (even,) = read(**keys).goal
    assert even.minimum_run_value == even.run_value == pytest.approx(100 / 15)
    (told,) = read(**keys, minimum_value=60.0).goal
    assert told.minimum_run_value == pytest.approx(20.0)
    assert told.run_value == pytest.approx(40 / 12)


def test_bins_of_a_grid_are_named_with_units_the_second_quantity_changing_first():
    (grid,) = read(over=["sun_elevation_deg", "local_time_h"], edges=[[0, 5, 10], [6, 12, 18]]).goal
    assert grid.bins == 4
    assert grid.bin_words() == [
        "Sun elevation 0 to 5 deg, local time 6 to 12 h",
        "Sun elevation 0 to 5 deg, local time 12 to 18 h",
        "Sun elevation 5 to 10 deg, local time 6 to 12 h",
        "Sun elevation 5 to 10 deg, local time 12 to 18 h",
    ]


OVER = {"over": "span_h", "edges": EDGES}


@pytest.mark.parametrize(
    "keys, line",
    [
        ({"runs_of": ["sweeps"]}, ".runs_of = \"sweeps\": no such activity; did you mean 'sweep'?"),
        ({"runs_of": ["sweep", "sweep"]}, '.runs_of = "sweep": named twice'),
        ({"runs_of": []}, ".runs_of: must name at least one activity"),
        (
            {"over": "span_h"},
            ".edges: give one list of edges, not 0",
        ),
        (
            {"edges": EDGES},
            ".edges: needs over, the quantity",
        ),
        ({"together": True}, ".together: needs at least two activities in runs_of"),
        ({"minimum_value": 3.0}, ".minimum_value: needs a minimum"),
        ({"required": "minimum"}, '.required = "minimum": needs a minimum'),
        (OVER | {"minimum": {"bins": 6}}, ".minimum.bins = 6: allowed is 1 to 5, its bins"),
        (
            OVER | {"minimum": {"runs_each": 2}},
            ".minimum.runs_each = 2: more than is requested; allowed is 1 to 1, its runs_each",
        ),
        (
            OVER | {"minimum": {"bins": 3}, "minimum_value": 101.0},
            ".minimum_value = 101: more than the whole goal; allowed is up to 100",
        ),
        (
            OVER | {"minimum": {"bins": 3}, "minimum_value": 50.0},
            ".minimum_value = 50: a run would be worth more after the minimum than before; allowed "
            "is 60 to 100",
        ),
        (
            OVER | {"minimum": {"bins": 5}, "minimum_value": 50.0},
            ".minimum_value = 50: the minimum is all that is requested; allowed is 100, its value",
        ),
        (
            {"over": "local_time_h", "edges": [22, 26]},
            ".edges: local_time_h is from 0 to 24 h; allowed are edges within that",
        ),
        (
            {"over": ["span_h", "local_time_h"], "edges": [list(range(22)), list(range(21))]},
            ".edges: 420 bins; at most 400 are allowed",
        ),
    ],
)
def test_a_contradiction_is_one_line_that_says_what_is_allowed(keys, line):
    assert complaints(**keys) == [f'goal "heights"{line}']


@pytest.mark.parametrize(
    "keys, line",
    [
        (
            {"over": "sun_height", "edges": EDGES},
            '.over 1 = "sun_height": allowed are',
        ),
        ({"over": ["span_h", "span_h"], "edges": [EDGES, EDGES]}, ".over: the two quantities must"),
        ({"over": "span_h", "edges": [3, 2]}, ".edges: the bin edges must rise"),
        ({"over": "span_h", "edges": ["a", 2]}, ".edges: must be a list of at least two numbers"),
        ({"over": "span_h", "edges": [[1, 2], 3]}, ".edges: must be a list of at least two"),
        ({"over": "span_h", "edges": [1, float("nan")]}, ".edges: must be a list of at least two"),
        ({"over": "span_h", "edges": [1, 10**400]}, ".edges: must be a list of at least two"),
        ({"value": -1.0}, ".value = -1.0: out of range: allowed is 0 to 1000000000"),
        ({"runs_each": 0}, ".runs_each = 0: out of range: allowed is 1 to 2000"),
        ({"minimum": {"bins": 0}}, ".minimum.bins = 0: out of range: allowed is 1 to 400"),
        ({"counted": "sent"}, ".counted = \"sent\": allowed are 'received' or 'done'"),
        ({"runs_of": "sweep"}, '.runs_of = "sweep": must be a list in brackets'),
    ],
)
def test_a_wrong_value_is_named_with_its_key(keys, line):
    (told,) = complaints(**keys)
    assert told.startswith(f'goal 1 "heights"{line}')


def test_two_goals_of_one_name_are_named():
    raw = table()
    with pytest.raises(ScenarioError) as caught:
        scenario_from(raw | {"goal": raw["goal"] * 2})
    assert caught.value.lines == [
        'scenario: goal "heights": the name is used 2 times; names must differ',
    ]
