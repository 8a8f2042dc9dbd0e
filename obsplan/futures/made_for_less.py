"""A plan made again for less than is predicted: less of arrays and link, more reserve, longer runs,
spare runs.

The search starts from the plan; what it finds must pass the replay as predicted too.
"""

from dataclasses import replace
from math import ceil
from threading import Event
from typing import NamedTuple

from obsplan.analysis.alternatives import plan_like
from obsplan.analysis.gain_from_more import booked_in_steps
from obsplan.common.errors import Infeasible
from obsplan.environment.model import Environment, times_generation
from obsplan.futures.draws import is_meant
from obsplan.inputs.scenario import Scenario
from obsplan.operations.old_plan_repair import repaired
from obsplan.planning.counted_runs import worth_by
from obsplan.planning.last_runs import with_last_runs
from obsplan.planning.minute_repair import valid_plan
from obsplan.planning.plan import Plan
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.prompt_sending import sent_promptly
from obsplan.planning.replayed import Replayed, replay_of
from obsplan.planning.routed import same_way
from obsplan.planning.search.first_plan import NoPlaceFound
from obsplan.planning.search.ruin_and_recreate import ruin_and_recreate

# Rounds of the search, which starts from a plan already.
ROUNDS = 200
AS_PREDICTED = "as predicted"
MADE_FOR_LESS = "this plan was made for less than is predicted"
# How much further a plan for even less goes.
FURTHER = 1.5


class Less(NamedTuple):
    """What a plan is made for instead of the prediction: factors, more reserve, spare runs.

    spare: further runs that count nearly like those of the minimum of a goal, in each bin of it.
    longest: whether runs take as long as their uncertainty says at most.
    """

    arrays: float = 1.0
    link: float = 1.0
    reserve: float = 0.0
    spare: int = 0
    longest: bool = False

    def __str__(self) -> str:
        parts = [
            f"arrays {100 * self.arrays:g} %" if self.arrays != 1 else "",
            f"link {100 * self.link:g} %" if self.link != 1 else "",
            f"reserve +{100 * self.reserve:g} %" if self.reserve else "",
            "longest runs" if self.longest else "",
            "spare runs" if self.spare else "",
        ]
        return ", ".join(filter(None, parts)) or AS_PREDICTED

    @property
    def kind(self) -> str:
        """Which single factor it changes."""
        return next(name for name in self._fields if getattr(self, name) != getattr(Less(), name))

    def and_also(self, other: "Less") -> "Less":
        """Both at once, of different kinds."""
        return Less(
            self.arrays * other.arrays,
            self.link * other.link,
            self.reserve + other.reserve,
            self.spare + other.spare,
            self.longest or other.longest,
        )

    @property
    def further(self) -> "Less":
        """The same kinds, each half as much again."""
        return self._replace(
            arrays=round(1 - FURTHER * (1 - self.arrays), 6),
            link=round(1 - FURTHER * (1 - self.link), 6),
            reserve=round(FURTHER * self.reserve, 6),
        )


def made_for(plan: Plan, less: Less) -> Plan | None:
    """The plan made again for less; None if none is found that the replay accepts."""
    environment = with_less(plan.environment, less)
    as_predicted, replay = build_problem(plan.environment), replay_of(environment)
    problem = with_spare_runs(build_problem(environment), less.spare)
    try:
        old = booked_in_steps(plan)
        start = same_way(environment, problem, old) or repaired(problem, old.runs)
        better = [start, *ruin_and_recreate(start, Event(), 0, ROUNDS)]
        kept = Replayed(start, replay(start))
        # Where rovers drive, a plan that needs no repair is worth more than one that does.
        best = kept if kept.verdict.is_valid else None
        made = valid_plan(environment, problem, better[-1], best, replay)
    except (Infeasible, NoPlaceFound):
        return None
    worth = worth_by(environment, problem.goals)
    made = sent_promptly(with_last_runs(made, replay, tries=1), replay, worth)
    booking = _in(as_predicted, made.booking)
    verdict = replay_of(plan.environment)(booking)
    if not verdict.is_valid:
        return None
    return plan_like(plan, made._replace(booking=booking, verdict=verdict), MADE_FOR_LESS)


def _in(problem: Problem, plan: Booking) -> Booking:
    """A plan with its sending in another problem of the same tasks."""
    booking = Booking(problem)
    for i, starts in enumerate(plan.runs):
        for start in sorted(starts):
            booking.add(i, start)
    booking.may_send &= plan.may_send
    booking.flow = booking.simulate()
    return booking


def with_spare_runs(problem: Problem, spare: int) -> Problem:
    """The problem in which so many further runs in a bin count for a goal's minimum."""
    goals = (goal.with_spare_runs(spare) for goal in problem.goals)
    return replace(problem, goals=tuple(part for parts in goals for part in parts))


def with_less(environment: Environment, less: Less) -> Environment:
    """The environment with a share of arrays and link, more reserve, and longest runs if wanted."""
    scenario, platforms = environment.scenario, {}
    if less.longest:
        scenario = _with_longest_runs(scenario)
    for platform in scenario.platform:
        table = environment.platforms[platform.name]
        platforms[platform.name] = table.assign(
            **times_generation(table, less.arrays),
            rate_kbps=table["rate_kbps"].to_numpy() * less.link,
        )
        battery = platform.battery
        reserve = min(battery.reserve + less.reserve, battery.start)
        end = battery.end if battery.end is None else max(battery.end, reserve)
        changed = battery.model_copy(update={"reserve": reserve, "end": end})
        scenario = scenario.with_part("platform", platform.name, battery=changed)
    return replace(environment, scenario=scenario, platforms=platforms)


def _with_longest_runs(scenario: Scenario) -> Scenario:
    """The scenario in which runs of uncertain length take as long as that says at most."""
    longest = {a.name: float(a.duration_min) for a in scenario.activity}
    for each in scenario.uncertainty:
        if each.what == "run length" and each.factor is not None:
            for activity, meant in zip(scenario.activity, is_meant(scenario, each)):
                longest[activity.name] *= max(each.factor[2], 1.0) if meant else 1.0
    return scenario.model_copy(
        update={
            kind: tuple(
                each.model_copy(update={"duration_min": ceil(longest[each.name] - 1e-9)})
                if each.name in longest
                else each
                for each in getattr(scenario, kind)
            )
            for kind in ("activity", "drive")
        }
    )
