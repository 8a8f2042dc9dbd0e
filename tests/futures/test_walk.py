"""The walk of a future is the replay of a timeline when nothing is uncertain."""

from math import inf

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tools.heated import heated_case
from tools.small import cases

from obsplan.checking.limits import limits_of
from obsplan.checking.reception import reception
from obsplan.checking.replay import replay
from obsplan.checking.slots import minutes_to_send, read_slots
from obsplan.common.errors import Infeasible
from obsplan.futures import walk
from obsplan.futures.compiled_walk import Walker, compiled_walk, walked
from obsplan.futures.draws import draw
from obsplan.futures.world import world_of
from obsplan.planning.plan import make_plan


def replayed(environment, runs, sending):
    """Books of the replay with the limits of the hardware: margins are there to be used."""
    scenario = environment.scenario
    minutes = scenario.steps * scenario.span.step_min
    may_send = minutes_to_send(scenario, sending, minutes)
    limits = {p.name: limits_of(p, keep_margins=False) for p in scenario.platform}
    return replay(environment, runs, may_send, minutes, limits)


def in_samples(levels, every, reduce):
    """The levels as minutes end, each sample reduced to one number."""
    ends = levels[1:]
    return np.array([reduce(ends[k : k + every]) for k in range(0, len(ends), every)])


def check_levels(environment, runs, sending, world, outcome) -> None:
    """Charge, data and reception of the only future are those of the replay of these runs."""
    books = replayed(environment, runs, sending)
    for p, name in enumerate(sorted(books)):
        book, full_wh = books[name], world.figures[p, walk.CAPACITY]
        lowest = in_samples(book.stored_wh, world.every, min) / full_wh
        lowest[0] = min(lowest[0], book.stored_wh[0] / full_wh)
        # Sums of the same figures in another order.
        assert outcome.lowest[0, p] == pytest.approx(lowest, abs=1e-9)
        most = in_samples(book.stored_mbit, world.every, max)
        assert outcome.most_mbit[0, p] == pytest.approx(most, abs=1e-6)
        assert outcome.aboard_mbit[0, p] == pytest.approx(book.stored_mbit[-1], abs=1e-6)
    found = [each.received_min for each in reception(environment, runs, books)]
    received = [-1 if at == inf else at for at in found]
    made = outcome.code[0] == walk.MADE
    assert outcome.received_min[0][made].tolist() == np.array(received)[made].tolist()


def check_certain_future(environment, compiled: bool) -> bool:
    """A plan runs as planned if nothing is uncertain; whether there is one."""
    try:
        made = make_plan(environment)
    except Infeasible:
        return False
    runs, sending = read_slots(environment.scenario, made.timeline)
    world = world_of(environment, runs, sending)
    walker = compiled_walk() if compiled else Walker(walk.walk_futures)
    outcome = walked(world, draw(environment.scenario, world, (), range(1), 1), walker)
    assert outcome.code[0].tolist() == [walk.MADE] * len(runs)
    assert outcome.start_min[0].tolist() == [run.first for run in runs]
    assert not outcome.below.any() and not outcome.lost_mbit.any()
    assert not outcome.end_short_wh.any() or outcome.end_short_wh.max() < 1e-6
    check_levels(environment, runs, sending, world, outcome)
    return True


@settings(max_examples=12)
@given(case=cases(hours=(2, 6)))
def test_a_future_with_nothing_uncertain_is_the_replay(case):
    check_certain_future(case, compiled=False)


@pytest.mark.long
@settings(max_examples=400)
@given(case=cases())
def test_hundreds_of_futures_with_nothing_uncertain_are_the_replay(case):
    check_certain_future(case, compiled=True)


@pytest.mark.parametrize("seed", [2, 5, 11])
def test_a_thermostat_in_a_future_is_that_of_the_replay(seed):
    assert check_certain_future(heated_case(seed), compiled=False)


@pytest.mark.long
@given(seed=st.integers(0, 10_000))
def test_many_thermostats_in_futures_are_those_of_the_replay(seed):
    check_certain_future(heated_case(seed), compiled=True)
