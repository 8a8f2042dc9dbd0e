"""Plans that survive: a plan made again for less than is predicted, and judged by its futures.

One factor at a time: less of the arrays, less of the link, a higher reserve; then the best two
together. Each try starts from the plan, is repaired and improved, and executed in the same futures.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from threading import Event
from typing import Literal, NamedTuple, get_args

import pandas as pd

from obsplan.analysis.alternatives import plan_like
from obsplan.analysis.gain_from_more import booked_in_steps
from obsplan.checking.goal_worth import minimum_reached
from obsplan.common.errors import Infeasible
from obsplan.environment.model import Environment, times_generation
from obsplan.futures.columns import TRY_COLUMNS
from obsplan.futures.execute import Futures, each_alone, make_futures
from obsplan.operations.old_plan_repair import repaired
from obsplan.planning.counted_runs import worth_by
from obsplan.planning.last_runs import with_last_runs
from obsplan.planning.minute_repair import valid_plan
from obsplan.planning.plan import Plan
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.prompt_sending import sent_promptly
from obsplan.planning.replayed import replay_of
from obsplan.planning.search.first_plan import NoPlaceFound
from obsplan.planning.search.ruin_and_recreate import ruin_and_recreate

Judge = Literal["mean", "mean-worst-10-percent"]
JUDGES: tuple[str, ...] = get_args(Judge)
# Rounds of the search for each try, which starts from a plan already.
ROUNDS = 100
AS_PREDICTED = "as predicted"
MADE_FOR_LESS = "this plan was made for less than is predicted"


class Less(NamedTuple):
    """What a plan is made for instead of the prediction: factors, and more reserve."""

    arrays: float = 1.0
    link: float = 1.0
    reserve: float = 0.0

    def __str__(self) -> str:
        parts = [
            f"arrays {100 * self.arrays:g} %" if self.arrays != 1 else "",
            f"link {100 * self.link:g} %" if self.link != 1 else "",
            f"reserve +{100 * self.reserve:g} %" if self.reserve else "",
        ]
        return ", ".join(filter(None, parts)) or AS_PREDICTED


SINGLE = (
    Less(arrays=0.97),
    Less(arrays=0.95),
    Less(arrays=0.9),
    Less(link=0.9),
    Less(reserve=0.05),
)


class Try(NamedTuple):
    """A plan, what it was made for, and its futures."""

    less: Less
    plan: Plan
    futures: Futures

    def worth(self, judge: Judge) -> float:
        """What the judge counts."""
        return self.futures.mean_value if judge == "mean" else self.futures.worst_value


def surer_plans(
    plan: Plan,
    judge: Judge = "mean",
    *,
    samples: int | None = None,
    seed: int | None = None,
    report: Callable[[str], None] = lambda line: None,
) -> list[Try]:
    """The plan and up to six others, made for less than is predicted, each with the same futures.

    The first is the plan itself. Each passes the replay as predicted, with its margins kept. A try
    for which no plan is found is left out. Raises ValueError for a replan or another judge.
    """
    if plan.now_utc is not None:
        raise ValueError("surer_plans: this is a replan; allowed are plans of the whole span")
    if judge not in JUDGES:
        raise ValueError(f"surer_plans: judge = {judge!r}; allowed are {', '.join(JUDGES)}")

    def tried(less: Less) -> Iterator[Try]:
        is_plan = less == Less()
        report("walking the futures of the plan ..." if is_plan else f"planning for {less} ...")
        made = plan if is_plan else _made_for(plan, less)
        if made is None:
            report(f"no plan found for {less}")
        else:
            yield Try(
                less,
                made,
                make_futures(plan.environment, made.timeline, samples=samples, seed=seed),
            )

    found = [each for less in (Less(), *SINGLE) for each in tried(less)]
    both = _best_two(found, judge)
    return [*found, *(tried(both) if both else ())]


class Survival(NamedTuple):
    """The plan that is worth most to a judge, and how surely.

    plan: the chosen one. tries: all that were tried, see `tries_table`. futures: of the chosen
    plan, fresh ones that nothing was chosen on; alone: those with one uncertainty each.
    """

    plan: Plan
    tries: pd.DataFrame
    futures: Futures
    alone: list[Futures]


def surest_plan(
    plan: Plan,
    judge: Judge = "mean",
    *,
    samples: int | None = None,
    seed: int | None = None,
    report: Callable[[str], None] = lambda line: None,
) -> Survival:
    """The best of the plan and those made for less (see `surer_plans`), in fresh futures too.

    Fresh futures have the next seed. `judge` is the mean value or that of the worst tenth.
    """
    environment = plan.environment
    seed = environment.scenario.futures.seed if seed is None else seed
    tries = surer_plans(plan, judge, samples=samples, seed=seed, report=report)
    best = best_try(tries, judge)
    report("walking fresh futures ...")
    places = sorted({0, next(k for k, each in enumerate(tries) if each is best)})
    fresh = [
        make_futures(environment, tries[k].plan.timeline, samples=samples, seed=seed + 1)
        for k in places
    ]
    report("walking them with one uncertainty at a time ...")
    alone = each_alone(fresh[-1])
    table = tries_table(tries, best, dict(zip(places, fresh)))
    return Survival(best.plan, table, fresh[-1], alone)


def best_try(tries: Sequence[Try], judge: Judge = "mean") -> Try:
    """The plan that is worth most to the judge; of equals the first."""
    return max(tries, key=lambda each: each.worth(judge))


def _best_two(found: Sequence[Try], judge: Judge) -> Less | None:
    """The best two of arrays, link and reserve together, if both are better than the plan."""
    plain = found[0].worth(judge)
    better = [each for each in found[1:] if each.worth(judge) > plain]
    best: dict[str, Try] = {}
    for each in sorted(better, key=lambda each: -each.worth(judge)):
        kind = next(k for k, v in each.less._asdict().items() if v != Less._field_defaults[k])
        best.setdefault(kind, each)
    kinds = list(best)[:2]
    if len(kinds) < 2:
        return None
    return Less(**{kind: getattr(best[kind].less, kind) for kind in kinds})


def _made_for(plan: Plan, less: Less) -> Plan | None:
    """The plan made again for less; None if none is found that the replay accepts."""
    environment = with_less(plan.environment, less)
    problem, replay = build_problem(environment), replay_of(environment)
    try:
        start = repaired(problem, booked_in_steps(plan).runs)
        better = list(ruin_and_recreate(start, Event(), 0, ROUNDS))
        made = valid_plan(environment, problem, better[-1] if better else start, None, replay)
    except (Infeasible, NoPlaceFound):
        return None
    worth = worth_by(environment, problem.goals)
    made = sent_promptly(with_last_runs(made, replay, tries=1), replay, worth)
    verdict = replay_of(plan.environment)(made.booking)
    if not verdict.is_valid:
        return None
    return plan_like(plan, made._replace(verdict=verdict), MADE_FOR_LESS)


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


def tries_table(
    tries: Sequence[Try], chosen: Try, fresh: Mapping[int, Futures] | None = None
) -> pd.DataFrame:
    """The tries side by side: columns `TRY_COLUMNS`; `fresh` are fresh futures of some of them."""
    again, rows = fresh or {}, []
    for k, each in enumerate(tries):
        futures = each.futures
        rows.append(
            {
                "made_for": str(each.less),
                "planned_value": each.plan.value,
                "mean_value": futures.mean_value,
                "worst_value": futures.worst_value,
                "received_percent": 100 * float(futures.received.mean()) if futures.runs else 100.0,
                "aboard_mbit": float(futures.outcome.aboard_mbit.sum(axis=1).mean()),
                "below_reserve": float((futures.outcome.below > 0).any(axis=1).mean()),
                "minimum_goals": minimum_chance(futures),
                "chosen": each is chosen,
                "fresh_mean_value": again[k].mean_value if k in again else None,
                "fresh_worst_value": again[k].worst_value if k in again else None,
                "fresh_minimum_goals": minimum_chance(again[k]) if k in again else None,
            }
        )
    table = pd.DataFrame(rows, columns=TRY_COLUMNS)
    return table.astype({c: float for c in TRY_COLUMNS if c not in ("made_for", "chosen")})


def minimum_chance(futures: Futures) -> float | None:
    """Share of the futures in which the minimum of every goal that has one is there."""
    goals = [goal for goal in futures.environment.scenario.goal if goal.minimum]
    if not goals:
        return None
    reached = [minimum_reached(goal, futures.goal_counts(goal)) for goal in goals]
    return float(pd.DataFrame(reached).all(axis=0).mean())
