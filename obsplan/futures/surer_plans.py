"""Plans that survive: made again for less than is predicted, and judged by their futures.

One factor at a time: less of the arrays, less of the link, a higher reserve. Then the best two
together, and further; both with runs as long as they may get, and a spare run in each bin that the
minimum of a goal needs. Each try starts from the plan and is executed in the same futures.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Literal, NamedTuple, get_args

import pandas as pd

from obsplan.futures.columns import TRY_COLUMNS, TRY_GOAL_COLUMNS
from obsplan.futures.execute import Futures, each_alone, make_futures
from obsplan.futures.goal_chances import goal_futures_table, minimum_chance
from obsplan.futures.made_for_less import Less, made_for
from obsplan.futures.surer_changes import surer_changes
from obsplan.inputs.scenario import Scenario
from obsplan.planning.plan import Plan

Judge = Literal["minimum-goals", "mean", "mean-worst-10-percent"]
JUDGES: tuple[str, ...] = get_args(Judge)
# Chances that differ by no more are the same to the judge of minimum goals: 400 futures tell one
# of 0.98 to within 0.007 (standard error).
SAME_CHANCE = 0.01

SINGLE = (
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

    def rank(self, judge: Judge) -> tuple[float, ...]:
        """What the judge counts, the first first; more is better."""
        mean = self.futures.mean_value
        if judge == "mean-worst-10-percent":
            return (self.futures.worst_value,)
        return (minimum_chance(self.futures) or 0.0, mean) if judge == "minimum-goals" else (mean,)


class Survival(NamedTuple):
    """The best plan to a judge, and how surely it is worth that.

    plan: the chosen one. tries: all that were tried, see `tries_table`; goals: their goals, see
    `try_goals_table`. futures: of the chosen plan, fresh ones that nothing was chosen on; alone:
    those with one uncertainty each. surer: what would make its goals surer, see `surer_changes`.
    """

    plan: Plan
    tries: pd.DataFrame
    goals: pd.DataFrame
    futures: Futures
    alone: list[Futures]
    surer: pd.DataFrame


def judge_of(scenario: Scenario, judge: str | None = None) -> Judge:
    """The judge of that name; without one the minimum goals if there are any, else the mean value.

    Raises ValueError for another name, and if no goal has a minimum to judge by.
    """
    has_minimum = any(goal.minimum for goal in scenario.goal)
    if judge is None:
        return "minimum-goals" if has_minimum else "mean"
    for known in get_args(Judge):
        if judge == known and (has_minimum or judge != "minimum-goals"):
            return known
    if judge in JUDGES:
        raise ValueError(f"judge = {judge!r}: no goal has a minimum to judge by")
    raise ValueError(f"judge = {judge!r}; allowed are {', '.join(JUDGES)}")


def surer_plans(
    plan: Plan,
    judge: Judge | None = None,
    *,
    samples: int | None = None,
    seed: int | None = None,
    report: Callable[[str], None] = lambda line: None,
) -> list[Try]:
    """The plan and up to six others, made for less than is predicted, each with the same futures.

    The first is the plan itself. Each passes the replay as predicted, with its margins kept. A try
    for which no plan is found is left out. Raises ValueError for a replan and as `judge_of`.
    """
    if plan.now_utc is not None:
        raise ValueError("surer_plans: this is a replan; allowed are plans of the whole span")
    judge = judge_of(plan.environment.scenario, judge)

    def tried(less: Less) -> Iterator[Try]:
        is_plan = less == Less()
        report("walking the futures of the plan ..." if is_plan else f"planning for {less} ...")
        made = plan if is_plan else made_for(plan, less)
        if made is None:
            report(f"no plan found for {less}")
        else:
            yield Try(
                less,
                made,
                make_futures(plan.environment, made.timeline, samples=samples, seed=seed),
            )

    found = [each for less in (Less(), *SINGLE) for each in tried(less)]
    scenario = plan.environment.scenario
    both = best_two(found, judge)._replace(
        spare=int(any(goal.minimum for goal in scenario.goal)),
        longest=any(each.what == "run length" for each in scenario.uncertainty),
    )
    further = [less for less in dict.fromkeys((both, both.further)) if not _is_there(less, found)]
    return [*found, *(each for less in further for each in tried(less))]


def surest_plan(
    plan: Plan,
    judge: Judge | None = None,
    *,
    samples: int | None = None,
    seed: int | None = None,
    report: Callable[[str], None] = lambda line: None,
) -> Survival:
    """The best of the plan and those made for less (see `surer_plans`), in fresh futures too.

    Fresh futures have the next seed. The `judge` is of `JUDGES`; see `judge_of` and `best_try`.
    """
    environment = plan.environment
    judge = judge_of(environment.scenario, judge)
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
    surer = surer_changes(fresh[-1], best.plan.timeline, report=report)
    return Survival(best.plan, table, try_goals_table(tries), fresh[-1], alone, surer)


def best_try(tries: Sequence[Try], judge: Judge = "mean") -> Try:
    """The plan that is worth most to the judge; of equals the first.

    To "minimum-goals" that is the one with the highest mean value of those whose chance that all
    minimum goals are reached is within `SAME_CHANCE` of the highest.
    """
    if judge == "minimum-goals":
        most = max(each.rank(judge)[0] for each in tries)
        tries = [each for each in tries if each.rank(judge)[0] >= most - SAME_CHANCE]
        judge = "mean"
    return max(tries, key=lambda each: each.rank(judge))


def best_two(found: Sequence[Try], judge: Judge) -> Less:
    """The best two of arrays, link and reserve together, of those that are better than the plan.

    The judge of minimum goals goes by the mean value here: chances jump from try to try.
    """
    judge = "mean" if judge == "minimum-goals" else judge
    plain = found[0].rank(judge)
    better = [each for each in found[1:] if each.rank(judge) > plain]
    both = Less()
    kinds: set[str] = set()
    for each in sorted(better, key=lambda each: each.rank(judge), reverse=True):
        if each.less.kind not in kinds and len(kinds) < 2:
            kinds.add(each.less.kind)
            both = both.and_also(each.less)
    return both


def _is_there(less: Less, found: Sequence[Try]) -> bool:
    return any(each.less == less for each in found)


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


def try_goals_table(tries: Sequence[Try]) -> pd.DataFrame:
    """How surely each try reaches each goal: columns `TRY_GOAL_COLUMNS`, a row a try and goal."""
    parts = [
        goal_futures_table(each.futures).assign(
            made_for=str(each.less), planned_value=each.plan.value
        )
        for each in tries
    ]
    return pd.concat(parts, ignore_index=True)[TRY_GOAL_COLUMNS]
