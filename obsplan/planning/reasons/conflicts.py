"""Why no plan is feasible: a small set of conflicting rules, in the user's own names.

Rules are dropped as long as the rest stays infeasible. Each rule that is left is needed for
the conflict: without it the others can be met. This is an irreducible infeasible subset,
found by a deletion filter that drops halves first.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from threading import Event

import numpy as np

from obsplan.environment.model import Environment
from obsplan.inputs.hardware import Platform
from obsplan.inputs.scenario import Scenario
from obsplan.planning.problem.definition import Budget, Need, Node, Problem
from obsplan.planning.problem.from_scenario import (
    Exclusion,
    ExclusionKind,
    build_problem,
    exclusive_pairs,
    needs_of,
)
from obsplan.planning.problem.start_windows import condition_words, start_masks
from obsplan.planning.search.first_plan import required_alone, valued_by_count
from obsplan.planning.solver.dual_bound import relaxation
from obsplan.planning.solver.highs import is_impossible, loaded
from obsplan.planning.solver.model import build_model

# For so few runs, feasibility is mostly decided at the root of the search tree.
MOST_NODES = 500
MOST_STARTS = 2000


@dataclass(frozen=True, eq=False)
class Rule:
    """One rule of the scenario: its words, and what imposes it on a problem without it."""

    words: str
    impose: Callable[[Problem], Problem]


@dataclass(frozen=True)
class Conflict:
    """Rules that no plan can satisfy together.

    rules: their words; empty if time ran out before they were found. is_minimal: the others
    can be met if any one of them is dropped. step_min: the time step for which this was
    proven; None if it is true for every step.
    """

    rules: tuple[str, ...]
    is_minimal: bool
    step_min: int | None

    def __str__(self) -> str:
        where = f" in whole steps of {self.step_min} min" if self.step_min else ""
        fix = "; fix: a shorter span.step_min may be enough" if self.step_min else ""
        if not self.rules:
            return (
                f"the required runs conflict{where}; time ran out before the conflicting rules "
                f"were found{fix}"
            )
        rest = "; dropping any one of these makes the others feasible" if self.is_minimal else ""
        return f"conflicting rules{where}: {'; '.join(self.rules)}{rest}{fix}"


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
        named = () if stop.is_set() else tuple(rule.words for rule in rules if rule in kept)
        # A relaxation that can be met does not show that there is a plan.
        is_minimal = len(named) > 1 and not _is_large(required)
        return Conflict(named, is_minimal, None if relaxed else scenario.span.step_min)
    return None


def minimal(rules: list, infeasible: Callable[[set], bool]) -> set:
    """A minimal set of `rules` that is still infeasible, as all of them are.

    Halves are dropped at once if possible, so that few problems are solved. Those
    that are not decided within the limits of the search count as feasible.
    """
    kept = set(rules)

    def sift(block: list) -> None:
        if infeasible(kept - set(block)):
            kept.difference_update(block)
        elif len(block) > 1:
            sift(block[: len(block) // 2])
            sift(block[len(block) // 2 :])

    # The last rules are dropped first: those listed first tell a reader most.
    sift(rules[::-1])
    return kept


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
    placed = [(i, task, scenario.activity[i]) for i, task in enumerate(tasks) if task.count]
    for i, task, activity in placed:
        if task.must:
            times = f" {task.must} times" if task.must > 1 else ""
            yield Rule(f'"{activity.name}" must run{times}', _on_task(i, must=task.must))
    for i, _, activity in placed:
        conditions = condition_words(scenario, activity)
        for key, mask in start_masks(environment, activity).items():
            if key != "span":
                yield Rule(f'"{activity.name}" needs {conditions[key]}', partial(_only_at, i, mask))
    for i, task, activity in placed:
        if activity.gap_min:
            words = f'gap of {activity.gap_min} min between runs of "{activity.name}"'
            yield Rule(words, _on_task(i, gap=task.gap))
    for i, _, activity in placed:
        for words, need in needs_of(scenario, activity):
            yield Rule(f'"{activity.name}" {words}', partial(_needing, i, need))
    for (i, j), exclusion in sorted(exclusive_pairs(scenario).items()):
        if tasks[i].count and tasks[j].count:
            yield Rule(_exclusion(scenario, exclusion), partial(_exclusive, (i, j)))
    for budget in required.budgets:
        yield Rule(budget.rule, partial(_budgeted, budget))
    yield from _platform_rules(scenario, required.nodes)


def _platform_rules(scenario: Scenario, nodes: tuple[Node, ...]) -> Iterator[Rule]:
    """Bus, battery, store and link of every platform."""
    platforms = list(enumerate(zip(scenario.platform, nodes)))
    for n, (platform, node) in platforms:
        words = f'bus limit of {platform.bus_limit_w:g} W on "{platform.name}"'
        yield Rule(words, _on_node(n, bus_limit_w=node.bus_limit_w))
    for n, (platform, node) in platforms:
        yield Rule(reserve_words(platform), partial(_reserve, n, node.reserve_wh))
    for n, (platform, node) in platforms:
        words = f'storage of {platform.store.capacity_mbit:g} Mbit on "{platform.name}"'
        yield Rule(words, partial(_storage, n, node.store_mbit))
    for n, (platform, node) in platforms:
        link = ("send_mbit", "send_share", "transmit_w", "station")
        words = f'"{platform.name}" sends data only in contact'
        yield Rule(words, _on_node(n, **{field: getattr(node, field) for field in link}))
    for n, (platform, node) in platforms:
        if platform.battery.end is not None:
            yield Rule(end_charge_words(platform), partial(_end_charge, n, node.end_wh))
    for n, (platform, node) in platforms:
        if (limit_mbit := platform.store.end_limit_mbit) is not None:
            words = f'at most {limit_mbit:g} Mbit left on "{platform.name}" at the end'
            yield Rule(words, _on_node(n, store_end_mbit=node.store_end_mbit))


def reserve_words(platform: Platform) -> str:
    """The rule of the battery's reserve."""
    battery = platform.battery
    return f'battery reserve of {battery.reserve * battery.capacity_wh:g} Wh on "{platform.name}"'


def end_charge_words(platform: Platform) -> str:
    """The rule of the charge at the end of the span."""
    end_wh = (platform.battery.end or 0.0) * platform.battery.capacity_wh
    return f'end charge of {end_wh:g} Wh on "{platform.name}"'


def _exclusion(scenario: Scenario, exclusion: Exclusion) -> str:
    """Why two activities may not overlap."""
    first, second = (scenario.activity[i] for i in (exclusion.first, exclusion.second))
    both = f'"{first.name}" and "{second.name}" may not overlap'
    match exclusion.kind:
        case ExclusionKind.NOT_WITH:
            return f'"{first.name}" not with "{second.name}"'
        case ExclusionKind.QUIET:
            return f'"{first.name}" is quiet and "{second.name}" disturbs'
        case ExclusionKind.INSTRUMENT:
            return f'{both} (one slot at a time on "{first.instrument}")'
        case ExclusionKind.PLATFORM:
            return f'{both} (one slot at a time on "{scenario.platform_of(first)}")'


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
            starts=(np.arange(length) + task.length <= length) & (task.count > 0),
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
    return replace(required, tasks=tasks, nodes=tuple(nodes), exclusive=frozenset(), budgets=())


def _on_task(i: int, **figures) -> Callable[[Problem], Problem]:
    return lambda problem: _with_task(problem, i, **figures)


def _on_node(n: int, **figures) -> Callable[[Problem], Problem]:
    return lambda problem: _with_node(problem, n, **figures)


def _only_at(i: int, mask: np.ndarray, problem: Problem) -> Problem:
    return _with_task(problem, i, starts=problem.tasks[i].starts & mask)


def _needing(i: int, need: Need, problem: Problem) -> Problem:
    return _with_task(problem, i, needs=(*problem.tasks[i].needs, need))


def _exclusive(pair: tuple[int, int], problem: Problem) -> Problem:
    return replace(problem, exclusive=problem.exclusive | {pair})


def _budgeted(budget: Budget, problem: Problem) -> Problem:
    return replace(problem, budgets=(*problem.budgets, budget))


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
