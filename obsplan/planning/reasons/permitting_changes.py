"""Changes of a scenario that permit a plan where there is none: each was tried, or all together.

To try a change is to make a plan for the changed scenario, which the replay accepts.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import islice

from obsplan.environment.key_changes import KeyChange, changed
from obsplan.environment.levers import COARSE, Lever, least_change
from obsplan.environment.model import Environment
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.search.greedy import greedy_plan

# Changes of one rule, and in all; more would not be read.
MOST_OF_A_RULE, MOST_WAYS = 2, 4

# Whether a plan is found for a scenario.
HasPlan = Callable[[Environment], bool]
Way = Lever | KeyChange


@dataclass(frozen=True)
class Permitting:
    """Changes that permit a plan: each of `ways` by itself, and `together` all at once."""

    ways: tuple[KeyChange, ...] = ()
    together: tuple[KeyChange, ...] = ()

    def __str__(self) -> str:
        parts = []
        if self.ways:
            many = "any one of these changes" if len(self.ways) > 1 else "this change"
            parts.append(f"{many} permits a plan: {', or '.join(map(str, self.ways))}")
        if self.together:
            many = "these changes together permit" if len(self.together) > 1 else "this permits"
            parts.append(f"{many} a plan: {', and '.join(map(str, self.together))}")
        return "; or ".join(parts)


def permitting_changes(
    environment: Environment, candidates: Iterable[Iterable[Way]], has_plan: HasPlan
) -> Permitting:
    """The first few candidates that permit a plan by themselves.

    If no single one asks for fewer required runs, then also fewer runs of several activities.
    """
    ways: list[KeyChange] = []
    for several in candidates:
        most = min(MOST_OF_A_RULE, MOST_WAYS - len(ways))
        ways += list(islice(_tried(environment, several, has_plan), most))
    eased = any(change.path == ("must",) for change in ways)
    together = () if eased else fewer_required_runs(environment, has_plan)
    return Permitting(tuple(ways), together)


def _tried(
    environment: Environment, candidates: Iterable[Way], has_plan: HasPlan
) -> Iterator[KeyChange]:
    for candidate in candidates:
        if isinstance(candidate, Lever):
            if change := least_change(environment, candidate, has_plan, COARSE):
                yield change
        elif has_plan(changed(environment, candidate)):
            yield candidate


def fewer_required_runs(environment: Environment, has_plan: HasPlan) -> tuple[KeyChange, ...]:
    """Other values of `must` that together permit a plan; none if no such values do.

    They ask for as many runs as greedy construction places; no one of them can be left out.
    """
    booking = greedy_plan(build_problem(environment))
    activities = environment.scenario.activity
    changes = tuple(
        KeyChange("activity", activity.name, ("must",), activity.must, len(runs))
        for activity, runs in zip(activities, booking.runs)
        if len(runs) < activity.must and activity.split_min is None
    )
    if not changes or not has_plan(changed(environment, *changes)):
        changes = tuple(
            KeyChange("activity", activity.name, ("must",), activity.must, 0)
            for activity in activities
            if activity.must and activity.split_min is None
        )
        if not changes or not has_plan(changed(environment, *changes)):
            return ()
    for change in changes:
        others = tuple(other for other in changes if other is not change)
        if others and has_plan(changed(environment, *others)):
            changes = others
    return changes
