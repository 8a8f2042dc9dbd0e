"""A plan made again for less than is predicted: less of arrays and link, more reserve, spare runs.

The search starts from the plan; what it finds must pass the replay as predicted too.
"""

from dataclasses import replace
from threading import Event
from typing import NamedTuple

from obsplan.analysis.alternatives import plan_like
from obsplan.analysis.gain_from_more import booked_in_steps
from obsplan.common.errors import Infeasible
from obsplan.environment.model import Environment, times_generation
from obsplan.operations.old_plan_repair import repaired
from obsplan.planning.counted_runs import with_goals, worth_by
from obsplan.planning.last_runs import with_last_runs
from obsplan.planning.minute_repair import valid_plan
from obsplan.planning.plan import Plan
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

    spare: further runs that count like those of the minimum of a goal, in each bin of it.
    """

    arrays: float = 1.0
    link: float = 1.0
    reserve: float = 0.0
    spare: int = 0

    def __str__(self) -> str:
        parts = [
            f"arrays {100 * self.arrays:g} %" if self.arrays != 1 else "",
            f"link {100 * self.link:g} %" if self.link != 1 else "",
            f"reserve +{100 * self.reserve:g} %" if self.reserve else "",
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
    as_it_is, replay = build_problem(environment), replay_of(environment)
    problem = with_spare_runs(as_it_is, less.spare)
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
    verdict = replay_of(plan.environment)(made.booking)
    if not verdict.is_valid:
        return None
    booking = with_goals(made.booking, as_it_is.goals)
    return plan_like(plan, made._replace(booking=booking, verdict=verdict), MADE_FOR_LESS)


def with_spare_runs(problem: Problem, spare: int) -> Problem:
    """The problem in which so many further runs in a bin count like those of a goal's minimum."""
    return replace(problem, goals=tuple(goal.with_spare_runs(spare) for goal in problem.goals))


def with_less(environment: Environment, less: Less) -> Environment:
    """The environment with a share of arrays and link, and a higher reserve, on all platforms."""
    scenario, platforms = environment.scenario, {}
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
