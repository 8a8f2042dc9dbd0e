"""Why no plan is feasible: a small set of conflicting rules, in the user's own names.

Rules are dropped as long as the rest stays infeasible. What is not decided within the limits of
the search counts as feasible, so a named rule may also be one that was not needed.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from threading import Event

import numpy as np

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
from obsplan.planning.problem.definition import Budget, Need, Node, Problem, Team, Wait
from obsplan.planning.problem.from_scenario import (
    Exclusion,
    ExclusionKind,
    build_problem,
    exclusive_pairs,
    needs_of,
)
from obsplan.planning.problem.start_windows import condition_words, start_masks
from obsplan.planning.reasons.minimal_set import minimal
from obsplan.planning.reasons.permitting_changes import Way
from obsplan.planning.search.first_plan import required_alone, valued_by_count
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
        infeasible = partial(_conflicting, _without_rules(required), rules, stop)
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
        required = sum(task.must for task in problem.tasks)
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
            yield Rule(f'pin of "{activity.name}" at {at}', _on_task(i, must=1))
        elif task.must:
            times = f" {task.must} times" if task.must > 1 else ""
            fewer = activity_lever(activity, "must", 0)
            yield Rule(f'"{activity.name}" must run{times}', _on_task(i, must=task.must), (fewer,))
    for i, _, activity in placed:
        conditions = condition_words(scenario, activity)
        for key, mask in start_masks(environment, activity).items():
            if key != "span":
                ways = tuple(condition_ways(environment, activity, key))
                words = f'"{activity.name}" needs {conditions[key]}'
                yield Rule(words, partial(_only_at, i, mask), ways)
    for i, task, activity in placed:
        if activity.gap_min:
            words = f'gap of {activity.gap_min} min between runs of "{activity.name}"'
            shorter = activity_lever(activity, "gap_min", 0)
            yield Rule(words, _on_task(i, gap=task.gap), (shorter,))
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
            yield Rule(f'"{activity.name}" {words}', partial(_needing, i, need, waits), ways)
    exclusions, names = exclusive_pairs(scenario), [a.name for a in scenario.activity]
    for i, j in sorted(required.exclusive):
        if tasks[i].count and tasks[j].count:
            first, second = sorted(names.index(tasks[k].name) for k in (i, j))
            words, way = _exclusion(scenario, exclusions[first, second])
            yield Rule(words, partial(_exclusive, (i, j)), (way,) if way else ())
    for budget in required.budgets:
        yield Rule(budget.rule, partial(_budgeted, budget))
    for team, known in zip(required.teams, scenario.team):
        yield Rule(team.rule, partial(_watched, team), (team_lever(scenario, known),))
    yield from _platform_rules(scenario, required.nodes)


def _platform_rules(scenario: Scenario, nodes: tuple[Node, ...]) -> Iterator[Rule]:
    """Bus, battery, store and link of every platform."""
    platforms = list(enumerate(zip(scenario.platform, nodes)))
    for n, (platform, node) in platforms:
        words, keys = f"bus limit of {platform.bus_limit_w:g} W", ["bus_limit_w"]
        if (battery_w := platform.battery.discharge_limit_w) is not None:
            words += f" or battery power of {battery_w:g} W"
            keys = ["battery.discharge_limit_w", *keys]
        words += f'{_margin(platform, "power_share")} on "{platform.name}"'
        ways = _levers(platform, "margins.power_share", *keys)
        yield Rule(words, _on_node(n, bus_limit_w=node.bus_limit_w), ways)
    for n, (platform, node) in platforms:
        ways = _levers(platform, "margins.energy_share", *SUPPLY, "battery.reserve")
        yield Rule(reserve_words(platform), partial(_reserve, n, node.reserve_wh), ways)
    for n, (platform, node) in platforms:
        words = f"storage of {platform.store.capacity_mbit:g} Mbit"
        words += f'{_margin(platform, "store_share")} on "{platform.name}"'
        ways = _levers(platform, "margins.store_share", "store.capacity_mbit")
        yield Rule(words, partial(_storage, n, node.store_mbit), ways)
    for n, (platform, node) in platforms:
        link = ("send_mbit", "send_share", "transmit_w", "station")
        words = f'"{platform.name}" sends data only in contact{_margin(platform, "link_share")}'
        ways = _levers(platform, "margins.link_share", "radio.rate_kbps", "radio.range_limit_m")
        yield Rule(words, _on_node(n, **{field: getattr(node, field) for field in link}), ways)
    for n, (platform, node) in platforms:
        if platform.battery.end is not None:
            ways = _levers(platform, "margins.energy_share", "battery.end", *SUPPLY)
            yield Rule(end_charge_words(platform), partial(_end_charge, n, node.end_wh), ways)
    for n, (platform, node) in platforms:
        if (limit_mbit := platform.store.end_limit_mbit) is not None:
            words = f'at most {limit_mbit:g} Mbit left on "{platform.name}" at the end'
            ways = _levers(platform, "store.end_limit_mbit")
            yield Rule(words, _on_node(n, store_end_mbit=node.store_end_mbit), ways)


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


def _exclusion(scenario: Scenario, exclusion: Exclusion) -> tuple[str, KeyChange | None]:
    """Why two activities may not overlap, and the change with which they may if there is one."""
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


# --- what each imposes


def _without_rules(required: Problem) -> Problem:
    """The same runs under no rule but the length of the span.

    Limits are set out of reach, not removed, so that the bound stays finite.
    """
    length = required.steps
    tasks = tuple(
        replace(
            task,
            must=0,
            gap=0,
            needs=(),
            starts=task.starts
            if task.pinned
            else (np.arange(length) + task.length <= length) & (task.count > 0),
        )
        for task in required.tasks
    )
    data_mbit = sum(node.store_start_mbit for node in required.nodes)
    data_mbit += sum(task.count * task.data_mbit.sum() for task in required.tasks)
    all_w = sum(task.peak_w.max() + task.load_w.max() for task in required.tasks)
    nodes = []
    for node in required.nodes:
        most_w = all_w + node.transmit_w + max(node.base_peak_w.max(), node.base_w.max())
        drawn_wh = most_w * length * required.step_h / node.discharge_efficiency
        nodes.append(
            replace(
                node,
                bus_limit_w=most_w,
                reserve_wh=-drawn_wh,
                end_wh=-drawn_wh,
                store_mbit=node.store_mbit + data_mbit,
                store_end_mbit=node.store_mbit + data_mbit,
                send_mbit=np.maximum(node.send_mbit, data_mbit),
                send_share=np.zeros(length),
                transmit_w=0.0,
                station=np.full(length, -1),
            )
        )
    return replace(
        required,
        tasks=tasks,
        nodes=tuple(nodes),
        exclusive=frozenset(),
        budgets=(),
        teams=(),
        waits=(),
    )


def _on_task(i: int, **figures) -> Callable[[Problem], Problem]:
    return lambda problem: _with_task(problem, i, **figures)


def _on_node(n: int, **figures) -> Callable[[Problem], Problem]:
    return lambda problem: _with_node(problem, n, **figures)


def _only_at(i: int, mask: np.ndarray, problem: Problem) -> Problem:
    return _with_task(problem, i, starts=problem.tasks[i].starts & mask)


def _needing(i: int, need: Need, waits: tuple[Wait, ...], problem: Problem) -> Problem:
    waiting = replace(problem, waits=(*problem.waits, *waits))
    return _with_task(waiting, i, needs=(*problem.tasks[i].needs, need))


def _exclusive(pair: tuple[int, int], problem: Problem) -> Problem:
    return replace(problem, exclusive=problem.exclusive | {pair})


def _budgeted(budget: Budget, problem: Problem) -> Problem:
    return replace(problem, budgets=(*problem.budgets, budget))


def _watched(team: Team, problem: Problem) -> Problem:
    return replace(problem, teams=(*problem.teams, team))


def _reserve(n: int, reserve_wh: float, problem: Problem) -> Problem:
    end_wh = max(problem.nodes[n].end_wh, reserve_wh)
    return _with_node(problem, n, reserve_wh=reserve_wh, end_wh=end_wh)


def _end_charge(n: int, end_wh: float, problem: Problem) -> Problem:
    return _with_node(problem, n, end_wh=max(problem.nodes[n].end_wh, end_wh))


def _storage(n: int, store_mbit: float, problem: Problem) -> Problem:
    return _with_node(problem, n, store_mbit=store_mbit, store_end_mbit=store_mbit)


def _with_task(problem: Problem, i: int, **figures) -> Problem:
    tasks = list(problem.tasks)
    tasks[i] = replace(tasks[i], **figures)
    return replace(problem, tasks=tuple(tasks))


def _with_node(problem: Problem, n: int, **figures) -> Problem:
    nodes = list(problem.nodes)
    nodes[n] = replace(nodes[n], **figures)
    return replace(problem, nodes=tuple(nodes))
