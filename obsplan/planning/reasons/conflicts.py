"""Why no plan is feasible: a small set of conflicting rules, in the user's own names.

Rules are dropped as long as the rest stays infeasible. What is not decided within the limits of
the search counts as feasible, so a named rule may also be one that was not needed.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from threading import Event

from obsplan.environment.key_changes import KeyChange, changed
from obsplan.environment.levers import (
    activity_lever,
    condition_ways,
    order_ways,
    platform_lever,
    team_lever,
)
from obsplan.environment.model import Environment
from obsplan.inputs.hardware import Platform
from obsplan.inputs.scenario import Scenario
from obsplan.planning.problem.definition import Problem
from obsplan.planning.problem.from_scenario import (
    Exclusion,
    ExclusionKind,
    build_problem,
    exclusive_pairs,
    needs_of,
)
from obsplan.planning.problem.start_windows import condition_words, start_masks
from obsplan.planning.reasons.imposed_rules import (
    budgeted,
    excluding,
    keeping_end_charge,
    keeping_reserve,
    keeping_storage,
    needing,
    on_node,
    on_task,
    only_at,
    pointing,
    reaching,
    watched,
    without_rules,
)
from obsplan.planning.reasons.minimal_set import minimal
from obsplan.planning.reasons.permitting_changes import Way
from obsplan.planning.search.first_plan import required_alone, required_runs, valued_by_count
from obsplan.planning.solver.dual_bound import relaxation
from obsplan.planning.solver.highs import is_impossible, loaded
from obsplan.planning.solver.model import build_model

# For so few runs, feasibility is mostly decided at the root of the search tree.
MOST_NODES = 500
MOST_STARTS = 2000
# How much finer than today's the steps are that are tried: steps of problems this much larger.
MOST_FINER = 8


@dataclass(frozen=True, eq=False)
class Rule:
    """One rule of the scenario: its words, and what imposes it on a problem without it.

    ways: changes of the scenario that ease it, or keys to change step by step.
    """

    words: str
    impose: Callable[[Problem], Problem]
    ways: tuple[Way, ...] = ()


@dataclass(frozen=True)
class Conflict:
    """Rules that no plan can satisfy together.

    rules: their words; empty if time ran out before they were found. step_min: the time step
    for which this was proven; None if it is true for every step. ways: what eases each rule.
    """

    rules: tuple[str, ...]
    step_min: int | None
    ways: tuple[tuple[Way, ...], ...] = ()

    def __str__(self) -> str:
        where = f" in whole steps of {self.step_min} min" if self.step_min else ""
        if not self.rules:
            return (
                f"the required runs conflict{where}; time ran out before the conflicting rules "
                "were found"
            )
        return f"conflicting rules{where}: {'; '.join(self.rules)}"


def find_conflict(environment: Environment, stop: Event | None = None) -> Conflict | None:
    """A minimal set of rules under which the required runs cannot all be placed, if found.

    Tested first with the tolerances of the replay, where a conflict does not depend on the time
    step; then in whole steps, as the planner sees them. In a large problem the set is minimal for
    the linear relaxation. Once `stop` is set, a conflict proven by then is returned, without its
    rules.
    """
    scenario = environment.scenario
    stop = stop or Event()
    for relaxed in (True, False):
        required = required_alone(build_problem(environment, relaxed))
        rules = list(_rules(environment, required))
        infeasible = partial(_conflicting, without_rules(required), rules, stop)
        if not infeasible(set(rules)):
            continue
        kept = minimal(rules, infeasible)
        named = [] if stop.is_set() else [rule for rule in rules if rule in kept]
        words, ways = tuple(r.words for r in named), tuple(r.ways for r in named)
        if relaxed:
            return Conflict(words, None, ways)
        finer = tuple(_finer_steps(environment))
        return Conflict(words, scenario.span.step_min, (finer, *ways))
    return None


def _finer_steps(environment: Environment) -> Iterator[KeyChange]:
    """Shorter steps on the same minutes; those of a large problem would take too long to try."""
    span, minutes = environment.scenario.span, len(environment.sky)
    for step_min in range(span.step_min // 2, 0, -1):
        if span.step_min % step_min == 0 and environment.scenario.steps * MOST_FINER < MOST_STARTS:
            change = KeyChange("span", "", ("step_min",), span.step_min, step_min)
            if changed(environment, change).scenario.steps * step_min == minutes:
                yield change


def _conflicting(free: Problem, rules: list[Rule], stop: Event, among: set[Rule]) -> bool:
    """Whether `free` is proven infeasible under those of `rules` that are `among` the set."""
    for rule in rules:
        if rule in among:
            free = rule.impose(free)
    return _is_infeasible(free, stop)


def _is_infeasible(problem: Problem, stop: Event) -> bool:
    """Whether it is proven that no plan is feasible; False once `stop` is set.

    A problem too large to branch on is judged by the dual bound on how many of the required
    runs any plan can have, which proves less but is quick.
    """
    if stop.is_set():
        return False
    if _is_large(problem):
        required = required_runs(problem)
        return relaxation(valued_by_count(problem), stop).bound < required
    model = build_model(problem)
    model.cost[:] = 0.0
    solver = loaded(model, mixed=True, mip_max_nodes=MOST_NODES)
    solver.run()
    return is_impossible(solver)


def _is_large(problem: Problem) -> bool:
    return sum(task.count > 0 for task in problem.tasks) * problem.steps > MOST_STARTS


# --- the rules


def _rules(environment: Environment, required: Problem) -> Iterator[Rule]:
    """Every rule that affects the required runs, the most informative first."""
    scenario, tasks = environment.scenario, required.tasks
    placed = [
        (i, task, scenario.activity_named(task.name)) for i, task in enumerate(tasks) if task.count
    ]
    for i, task, activity in placed:
        if task.pinned:
            at = scenario.stamp_at(int(task.starts.argmax()) * scenario.span.step_min)
            yield Rule(f'pin of "{activity.name}" at {at}', on_task(i, must=1))
        elif task.must:
            times = f" {task.must} times" if task.must > 1 else ""
            fewer = activity_lever(activity, "must", 0)
            yield Rule(f'"{activity.name}" must run{times}', on_task(i, must=task.must), (fewer,))
    yield from _goal_rules(required)
    for i, _, activity in placed:
        conditions = condition_words(scenario, activity)
        for key, mask in start_masks(environment, activity).items():
            if key != "span":
                ways = tuple(condition_ways(environment, activity, key))
                words = f'"{activity.name}" needs {conditions[key]}'
                yield Rule(words, partial(only_at, i, mask), ways)
    for i, task, activity in placed:
        if activity.gap_min:
            words = f'gap of {activity.gap_min} min between runs of "{activity.name}"'
            shorter = activity_lever(activity, "gap_min", 0)
            yield Rule(words, on_task(i, gap=task.gap), (shorter,))
    for i, _, activity in placed:
        orders = list(order_ways(activity))
        pairs = zip(needs_of(environment, activity), tasks[i].needs)
        for k, ((words, _), need) in enumerate(pairs):
            ways = orders[k] if k < len(orders) else ()
            waits = tuple(
                wait
                for wait in required.waits
                if wait.later == i and k < len(orders) and wait.number == k
            )
            yield Rule(f'"{activity.name}" {words}', partial(needing, i, need, waits), ways)
    exclusions, names = exclusive_pairs(scenario), [a.name for a in scenario.activity]
    for i, j in sorted(required.exclusive):
        if tasks[i].count and tasks[j].count:
            first, second = sorted(names.index(tasks[k].name) for k in (i, j))
            words, way = _exclusion(scenario, exclusions.get((first, second)), first, second)
            yield Rule(words, partial(excluding, (i, j)), (way,) if way else ())
    for budget in required.budgets:
        yield Rule(budget.rule, partial(budgeted, budget))
    for team, known in zip(required.teams, scenario.team):
        yield Rule(team.rule, partial(watched, team), (team_lever(scenario, known),))
    yield from _platform_rules(scenario, required)


def _goal_rules(required: Problem) -> Iterator[Rule]:
    """The minimums that are required."""
    for goal in required.goals:
        bins = f"{goal.minimum_bins} of its bins" if goal.minimum_bins > 1 else "a bin"
        many = f"{goal.minimum_runs} runs" if goal.minimum_runs > 1 else "a run"
        yield Rule(f'goal "{goal.name}" requires {many} in {bins}', partial(reaching, goal))


def _platform_rules(scenario: Scenario, required: Problem) -> Iterator[Rule]:
    """Pointing, bus, battery, store and link of every platform."""
    platforms = list(enumerate(zip(scenario.platform, required.nodes)))
    for n, (platform, _) in platforms:
        if platform.pointing:
            words = f'"{platform.name}" points at one thing at a time'
            yield Rule(words, partial(pointing, n, required))
    for n, (platform, node) in platforms:
        words, keys = f"bus limit of {platform.bus_limit_w:g} W", ["bus_limit_w"]
        if (battery_w := platform.battery.discharge_limit_w) is not None:
            words += f" or battery power of {battery_w:g} W"
            keys = ["battery.discharge_limit_w", *keys]
        words += f'{_margin(platform, "power_share")} on "{platform.name}"'
        ways = _levers(platform, "margins.power_share", *keys)
        yield Rule(words, on_node(n, bus_limit_w=node.bus_limit_w), ways)
    for n, (platform, node) in platforms:
        ways = _levers(platform, "margins.energy_share", *SUPPLY, "battery.reserve")
        yield Rule(reserve_words(platform), partial(keeping_reserve, n, node.reserve_wh), ways)
    for n, (platform, node) in platforms:
        words = f"storage of {platform.store.capacity_mbit:g} Mbit"
        words += f'{_margin(platform, "store_share")} on "{platform.name}"'
        ways = _levers(platform, "margins.store_share", "store.capacity_mbit")
        yield Rule(words, partial(keeping_storage, n, node.store_mbit), ways)
    for n, (platform, node) in platforms:
        link = ("send_mbit", "send_share", "transmit_w", "station")
        words = f'"{platform.name}" sends data only in contact{_margin(platform, "link_share")}'
        ways = _levers(platform, "margins.link_share", "radio.rate_kbps", "radio.range_limit_m")
        yield Rule(words, on_node(n, **{field: getattr(node, field) for field in link}), ways)
    for n, (platform, node) in platforms:
        if platform.battery.end is not None:
            ways = _levers(platform, "margins.energy_share", "battery.end", *SUPPLY)
            yield Rule(
                end_charge_words(platform), partial(keeping_end_charge, n, node.end_wh), ways
            )
    for n, (platform, node) in platforms:
        if (limit_mbit := platform.store.end_limit_mbit) is not None:
            words = f'at most {limit_mbit:g} Mbit left on "{platform.name}" at the end'
            ways = _levers(platform, "store.end_limit_mbit")
            yield Rule(words, on_node(n, store_end_mbit=node.store_end_mbit), ways)


SUPPLY = "battery.capacity_wh", "array.area_m2"


def _levers(platform: Platform, *keys: str) -> tuple[Way, ...]:
    return tuple(filter(None, (platform_lever(platform, key) for key in keys)))


def reserve_words(platform: Platform) -> str:
    """The rule of the battery's reserve."""
    reserve_wh = platform.battery.reserve * platform.battery.usable_wh
    margin = _margin(platform, "energy_share")
    return f'battery reserve of {reserve_wh:g} Wh{margin} on "{platform.name}"'


def end_charge_words(platform: Platform) -> str:
    """The rule of the charge at the end of the span."""
    end_wh = (platform.battery.end or 0.0) * platform.battery.usable_wh
    return f'end charge of {end_wh:g} Wh{_margin(platform, "energy_share")} on "{platform.name}"'


def _margin(platform: Platform, key: str) -> str:
    """The margin that is kept to a limit, "" if none is."""
    share = getattr(platform.margins, key)
    return f" with a margin of {100 * share:g} %" if share else ""


def _exclusion(
    scenario: Scenario, exclusion: Exclusion | None, i: int, j: int
) -> tuple[str, KeyChange | None]:
    """Why activities `i` and `j` may not overlap, and the change with which they may, if any."""
    if exclusion is None:
        names = " and ".join(f'"{scenario.activity[k].name}"' for k in (i, j))
        return f"{names} may not overlap (a station serves one spacecraft at a time)", None
    first, second = (scenario.activity[i] for i in (exclusion.first, exclusion.second))
    both = f'"{first.name}" and "{second.name}" may not overlap'
    platform = scenario.platform_of(first)
    match exclusion.kind:
        case ExclusionKind.NOT_WITH:
            others = tuple(name for name in first.not_with if name != second.name)
            change = KeyChange("activity", first.name, ("not_with",), first.not_with, others)
            return f'"{first.name}" not with "{second.name}"', change
        case ExclusionKind.QUIET:
            change = KeyChange("activity", first.name, ("quiet",), True, False)
            return f'"{first.name}" is quiet and "{second.name}" disturbs', change
        case ExclusionKind.INSTRUMENT:
            change = KeyChange("instrument", first.instrument, ("one_at_a_time",), True, False)
            return f'{both} (one slot at a time on "{first.instrument}")', change
        case ExclusionKind.PLATFORM:
            change = KeyChange("platform", platform, ("one_at_a_time",), True, False)
            return f'{both} (one slot at a time on "{platform}")', change
        case ExclusionKind.DRIVE:
            return f"{both} (the rover is at no stop while it drives)", None
