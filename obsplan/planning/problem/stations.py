"""Stations of several spacecraft, in whole steps: a run in contact throughout has its own."""

from collections.abc import Iterable
from dataclasses import replace
from itertools import combinations
from math import ceil, floor

import numpy as np
import pandas as pd

from obsplan.environment.model import Environment
from obsplan.environment.station_choice import reach_of
from obsplan.inputs.activity import Activity
from obsplan.planning.problem.definition import Crowd, Problem, Silence

# A run: its activity, start and end in minutes of the span.
Span = tuple[str, float, float]


def silences_at_stations(
    environment: Environment, activity: Activity, relaxed: bool
) -> tuple[Silence, ...]:
    """The spacecraft that send nothing to the station that a run of the activity has alone.

    A step counts if their stations are the same in any of its minutes; if `relaxed`, in all.
    """
    scenario = environment.scenario
    if activity.contact != "whole":
        return ()
    own = scenario.outlet_of(scenario.platform_of(activity))
    silences = []
    for n, platform in enumerate(scenario.platform):
        if platform.radio.to == "earth" and platform.name != own:
            by_step = _same(environment, own, platform.name)
            steps = by_step.all(axis=1) if relaxed else by_step.any(axis=1)
            silences += [Silence(n, 0, np.asarray(steps))] if steps.any() else []
    return tuple(silences)


def crowds_of(environment: Environment, fixed: Iterable[Span] = ()) -> tuple[Crowd, ...]:
    """The sets of spacecraft that have too few stations between them in some steps, and then not
    all have runs in contact throughout at a time.

    A spacecraft is one that sends to Earth by itself, with those that send through it. By Hall's
    theorem all can have a station of their own if no set of them has fewer in reach than it has
    members. Runs last whole steps, so a step counts if any minute does. `fixed` are runs outside
    the problem; of those in a set the rest is crowded while they last.
    """
    scenario = environment.scenario
    outlets = [
        scenario.outlet_of(scenario.platform_of(a)) if a.contact == "whole" else ""
        for a in scenario.activity
    ]
    names = [p.name for p in scenario.platform if p.name in outlets]
    if len(names) < 2:
        return ()
    reach = {name: _open(environment, name) for name in names}
    under_way = {name: np.zeros(len(environment.sky), dtype=bool) for name in names}
    for activity, start_min, end_min in fixed:
        if outlet := outlets[[a.name for a in scenario.activity].index(activity)]:
            under_way[outlet][max(0, floor(start_min)) : max(0, ceil(end_min))] = True
    found: dict[tuple[str, ...], np.ndarray] = {}
    for count in range(2, len(names) + 1):
        for some in combinations(names, count):
            crowded = np.logical_or.reduce([reach[name] for name in some]).sum(axis=0) < count
            crowded &= np.logical_and.reduce([reach[name].any(axis=0) for name in some])
            for rest in _rests(some):
                gone = [under_way[name] for name in some if name not in rest]
                minutes = np.logical_and.reduce([crowded, *gone])
                found[rest] = found.get(rest, np.zeros(len(minutes), dtype=bool)) | minutes
    step_min, steps = scenario.span.step_min, scenario.steps
    crowds = []
    for some, minutes in found.items():
        crowded = np.asarray(minutes[: steps * step_min].reshape(steps, step_min).any(axis=1))
        if crowded.any():
            party = np.array([some.index(name) if name in some else -1 for name in outlets])
            crowds.append(Crowd(party, len(some), crowded))
    return tuple(crowds)


def crowds_beside(
    environment: Environment, problem: Problem, runs: pd.DataFrame
) -> tuple[Crowd, ...]:
    """The crowds of a problem, with parties by its tasks, beside `runs` that are fixed: columns
    `activity`, `start_min`, `end_min`."""
    names = [activity.name for activity in environment.scenario.activity]
    places = [names.index(task.name) for task in problem.tasks]
    spans = zip(runs["activity"], runs["start_min"], runs["end_min"])
    found = crowds_of(environment, spans)
    return tuple(replace(crowd, party=crowd.party[places]) for crowd in found)


def without_station(problem: Problem, crowds: tuple[Crowd, ...], i: int) -> np.ndarray:
    """Starts (steps,) of task `i` whose runs would have no station, as fixed runs have them all."""
    alone = [c.crowded for c in crowds if c.parties == 1 and c.party[i] == 0]
    taken = np.logical_or.reduce([np.zeros(problem.steps, dtype=bool), *alone])
    return problem.tasks[i].steps_in(taken) > 0


def _rests(some: tuple[str, ...]) -> list[tuple[str, ...]]:
    """All of them, and what is left of them without some."""
    return [rest for count in range(len(some), 0, -1) for rest in combinations(some, count)]


def _open(environment: Environment, name: str) -> np.ndarray:
    """Which stations (stations, minutes) could serve a spacecraft."""
    stations, reach = environment.scenario.station, reach_of(environment.platforms[name])
    return np.array([[station.name in there for there in reach] for station in stations])


def _same(environment: Environment, one: str, other: str) -> np.ndarray:
    """Minutes (steps, minutes) in which two spacecraft have the same station."""
    scenario = environment.scenario
    first, second = (environment.platforms[name]["station"].to_numpy() for name in (one, other))
    same = (first == second) & (first != "")
    return np.asarray(same.reshape(scenario.steps, scenario.span.step_min), dtype=bool)
