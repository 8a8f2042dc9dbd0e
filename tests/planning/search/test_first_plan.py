"""Required runs are placed or refused soon, in small problems and in large ones."""

from dataclasses import replace
from threading import Event

import numpy as np
import pytest
from tools.small import scenario, world
from tools.tiny import level_node, task, waits

from obsplan.common.errors import Infeasible
from obsplan.planning import plan as plan_room
from obsplan.planning.problem.definition import Problem
from obsplan.planning.search import first_plan
from obsplan.planning.search.first_plan import NoPlaceFound, quick_plan

# More steps than the branching solver is asked for.
MANY = 1200


def in_the_way(steps: int) -> Problem:
    """The first run of a, taken at once, would leave b no room; a later one does not."""
    a = task("a", length=3, must=1, starts=np.isin(np.arange(steps), [1, 5]))
    b = task("b", length=4, must=1, starts=np.arange(steps) == 0)
    tasks = tuple(replace(t, bins=np.zeros(steps, int), preference=np.zeros(steps)) for t in (a, b))
    return Problem(steps, 0.25, tasks, (level_node(steps),), frozenset({(0, 1)}))


@pytest.mark.parametrize("steps", [8, MANY])
def test_required_runs_that_greedy_construction_leaves_no_room_are_placed(steps):
    assert quick_plan(in_the_way(steps)).runs == [[5], [0]]


@pytest.mark.parametrize("steps", [8, MANY])
def test_required_runs_without_a_place_are_named(steps):
    question = in_the_way(steps)
    early = replace(question.tasks[0], starts=np.arange(steps) == 1)
    question = replace(question, tasks=(early, question.tasks[1]))
    with pytest.raises(NoPlaceFound, match='^"a", "b"$'):
        quick_plan(question)


def test_large_problem_that_is_proven_to_have_no_place_is_not_searched(monkeypatch):
    question = in_the_way(MANY)
    few = replace(question.tasks[0], count=3, must=3)
    monkeypatch.setattr(first_plan, "ruin_and_recreate", None)
    with pytest.raises(NoPlaceFound):
        quick_plan(replace(question, tasks=(few, question.tasks[1])))


@pytest.mark.parametrize("steps", [8, MANY])
def test_no_place_is_sought_once_the_search_is_stopped(steps):
    stop = Event()
    stop.set()
    with pytest.raises(NoPlaceFound):
        quick_plan(in_the_way(steps), stop)


def test_optional_runs_fill_the_plan_beside_the_required_ones():
    question = in_the_way(MANY)
    more = replace(question.tasks[1], name="c", must=0, count=2, starts=np.arange(MANY) > 20, gap=1)
    question = replace(question, tasks=(*question.tasks, more))
    assert [len(runs) for runs in quick_plan(question).runs] == [1, 1, 2]


def test_run_that_is_done_is_not_planned_again_for_those_that_wait_for_it():
    """What is made anew counts it as met; it has no run left to place."""
    question = in_the_way(MANY)
    done = replace(question.tasks[0], name="done", count=0, must=0)
    waiting = replace(
        question.tasks[1], name="c", starts=np.arange(MANY) > 20, needs=(waits(2, 0, 0, MANY, 2),)
    )
    question = replace(question, tasks=(*question.tasks, done, waiting))
    assert [len(runs) for runs in quick_plan(question).runs] == [1, 1, 0, 1]


def test_run_that_others_wait_for_is_sought_at_other_places_too():
    """At 9 or 10 it leaves b no room, which shares of runs, asked every half hour, do not show."""
    question = in_the_way(MANY)
    a = replace(question.tasks[0], starts=np.isin(np.arange(MANY), [9, 10, 40]))
    b = replace(
        question.tasks[1],
        length=2,
        starts=np.arange(MANY) == 11,
        load_w=np.zeros(2),
        peak_w=np.zeros(2),
        data_mbit=np.zeros(2),
    )
    c = replace(
        question.tasks[0], name="c", starts=np.arange(MANY) > 60, needs=(waits(0, 0, MANY, MANY),)
    )
    assert quick_plan(replace(question, tasks=(a, b, c))).runs[:2] == [[40], [11]]


def test_required_runs_are_not_held_back_by_preferred_starts():
    question = in_the_way(MANY)
    preferring = replace(question.tasks[0], preference=np.where(np.arange(MANY) == 1, 50.0, 0.0))
    assert quick_plan(replace(question, tasks=(preferring, question.tasks[1]))).runs == [[5], [0]]


@pytest.mark.parametrize(
    "patience_s, said",
    [
        (0.01, "no place found before patience ran out for all required runs"),
        (None, 'conflicting rules: "drive" must run 7 times; "raster" must run 6 times'),
    ],
)
def test_patience_ends_the_search_for_a_first_plan_too(patience_s, said):
    """Twelve runs of eight hours in a hundred, required to be thirteen."""
    long = {"instrument": "probe", "duration_min": 480}
    scene = scenario(
        {"name": "drive", "count": 7, "must": 7} | long,
        {"name": "raster", "count": 6, "must": 6} | long,
        instruments=[{"name": "probe", "platform": "lander"}],
        hours=100,
        step_min=5,
    )
    assert 2 * scene.steps > first_plan.SOLVED_STEPS
    with pytest.raises(Infeasible, match=said):
        plan_room.make_plan(world(scene), patience_s=patience_s)
