"""Public functions say at once that an argument is of the wrong kind."""

import inspect
import pickle
from datetime import UTC, datetime
from pathlib import Path
from typing import get_type_hints

import numpy as np
import pandas as pd
import pytest
from tools.small import scenario, slots, world

import obsplan
from obsplan.common.arguments import MAKERS, checked
from obsplan.planning import plan

FUNCTIONS = [name for name in obsplan.__all__ if inspect.isfunction(getattr(obsplan, name))]
SCENE = scenario({"name": "look"})


@pytest.mark.parametrize("name", FUNCTIONS)
def test_every_public_function_names_an_argument_of_the_wrong_kind(name):
    function = getattr(obsplan, name)
    needed = [
        p.name
        for p in inspect.signature(function).parameters.values()
        if p.default is inspect.Parameter.empty
    ]
    with pytest.raises(TypeError, match=f"^{name}: {needed[0]} is an object; allowed is "):
        function(*[object() for _ in needed])
    with pytest.raises(TypeError, match=needed[0]):
        function()


def test_a_scenario_is_no_environment_and_the_line_says_what_makes_one():
    with pytest.raises(TypeError) as caught:
        obsplan.make_plan(SCENE)
    assert str(caught.value) == (
        "make_plan: environment is a Scenario; allowed is an Environment, as make_environment "
        "gives it"
    )


def test_what_makes_a_kind_is_a_public_function_that_returns_it():
    for kind, maker in MAKERS.items():
        returned = get_type_hints(getattr(obsplan, maker))["return"]
        assert kind in str(returned), maker


@pytest.mark.parametrize(
    ("call", "line"),
    [
        (
            lambda: obsplan.make_plan(world(SCENE), gap="small"),
            "make_plan: gap is a str; allowed is a float",
        ),
        (
            lambda: obsplan.make_plan(world(SCENE), report="loud"),
            "make_plan: report is a str; allowed is a function",
        ),
        (
            lambda: obsplan.make_plan(world(SCENE), patience_s="a while"),
            "make_plan: patience_s is a str; allowed is a float or None",
        ),
        (
            lambda: obsplan.survey_sites(SCENE, ["rim"], *[datetime(2028, 1, 1, tzinfo=UTC)] * 2),
            "survey_sites: places is a list of str; allowed is a list of which each part is a "
            "Place, as read_sites gives it",
        ),
        (
            lambda: obsplan.check_timeline(world(SCENE), "timeline.csv"),
            "check_timeline: slots is a str; allowed is a DataFrame",
        ),
    ],
)
def test_the_line_says_what_is_allowed(call, line):
    with pytest.raises(TypeError) as caught:
        call()
    assert str(caught.value) == line


def test_kinds_that_are_as_good_are_accepted():
    def tell(share: float, many: int, on: bool, path: Path, when: datetime, parts: list[str]):
        return share, many, on, path, when, parts

    told = checked(tell, "tell")
    given = 1, np.int64(2), np.bool_(True), "a.csv", pd.Timestamp("2028-01-01"), ("a", "b")
    assert told(*given) == given
    assert told(*given[:5], parts=["a"])[5] == ["a"]
    for wrong in (*given[:5], ["a", 1]), (*given[:5], "ab"), ("1", *given[1:]):
        with pytest.raises(TypeError, match="^tell: "):
            told(*wrong)


def test_right_arguments_pass_and_functions_keep_name_help_and_signature():
    assert obsplan.check_timeline(world(SCENE), slots(("look", 60))).is_valid
    assert obsplan.make_plan.__doc__ == plan.make_plan.__doc__
    assert inspect.signature(obsplan.make_plan) == inspect.signature(plan.make_plan)
    # Processes that share work are sent functions by name.
    assert pickle.loads(pickle.dumps(obsplan.make_plan)) is obsplan.make_plan
