"""A plan made anew from now on: what must stay stays, the rest is solved again.

Two aims in order: most science, and among plans within a chosen share of it the fewest
moves. The old plan is repaired first; then the search goes from there, at first holding on
to the old starts, then letting go of them.
"""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import partial
from threading import Event

import numpy as np
import pandas as pd

from obsplan.checking.check import Verdict, check_timeline
from obsplan.checking.resource_rules import RESOURCE_RULES
from obsplan.checking.violation import Violation
from obsplan.environment.model import Environment
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.timeline_csv import AS_RUN_COLUMNS
from obsplan.operations.fixed_slots import first_step, remarks, stays
from obsplan.operations.plan_changes import (
    Difference,
    changes_table,
    cheapest,
    differences,
    price_list,
)
from obsplan.operations.remaining_problem import rest
from obsplan.planning.minute_repair import Replayed, lighter_plan, tightened_problem, valid_plan
from obsplan.planning.plan import Plan, Report
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem, worth_of_all
from obsplan.planning.problem.timeline_table import booked_rows, described, slots_table
from obsplan.planning.reasons.unplaced import unplaced
from obsplan.planning.search.first_plan import quick_plan
from obsplan.planning.search.from_old_plan import repaired
from obsplan.planning.search.strategy import better_plans
from obsplan.planning.search.window_by_window import reoptimised_windows, time_windows

# What an old start is worth to the search beyond the run, in shares of the mean run: at
# first it lets go for clear gains alone, then it breaks ties, then it leans back.
CLINGING, LOOSE, LEANING = 0.5, 0.01, 0.2
# Hours planned anew at a time, and how far beyond them the plan must bear it.
STRETCH_H, TAIL_H = 8, 4
# Two replays may differ by this much, in rounding.
AMOUNT_SLACK = 1e-6
# Ids of what stays while candidates are replayed; no row of a booking bears one.
STAYS = "="


@dataclass(frozen=True)
class Replan:
    """A plan made anew.

    plan: the whole timeline, what was done included; its verdict names what no plan can avoid:
    rules that what stays breaks by itself (bus, battery and store no earlier and no worse than
    it does), and required runs that find no place any more. changes, price_list: as in `obsplan.operations.plan_changes`. stay: what stays and why
    (see `stays`). kept: runs left to be planned that stay where they were. value_left: worth of the old timeline, had it gone on as it was. remarks: what was taken
    for granted.
    """

    plan: Plan
    changes: pd.DataFrame
    price_list: pd.DataFrame
    stay: pd.DataFrame
    kept: int
    value_left: float
    remarks: tuple[str, ...]


@dataclass(frozen=True)
class Scene:
    """What every candidate is held against."""

    environment: Environment
    stay: pd.DataFrame
    left: pd.DataFrame
    unavoidable: tuple[Violation, ...]
    given_up: frozenset[str]

    @property
    def scenario(self) -> Scenario:
        """What is asked."""
        return self.environment.scenario

    def judge(self, booking: Booking) -> Verdict:
        """The replay of what stays and `booking`, less what is broken whatever is planned."""
        rows = slots_table(self.scenario, booked_rows(self.scenario, booking))
        verdict = check_timeline(self.environment, _joined(self.stay, rows))
        fresh = tuple(v for v in verdict.found if not self._is_unavoidable(v))
        return replace(verdict, found=fresh)

    def _is_unavoidable(self, violation: Violation) -> bool:
        """Whether the fixed slots break the same rule by themselves, as early and as badly."""
        if violation.rule == "must":
            return violation.activity in self.given_up
        same = [
            known
            for known in self.unavoidable
            if (known.rule, known.platform, known.activity)
            == (violation.rule, violation.platform, violation.activity)
        ]
        if violation.slots and violation.rule not in RESOURCE_RULES:
            return any(known.slots == violation.slots for known in same)
        return any(
            known.time_utc <= violation.time_utc and known.amount >= violation.amount - AMOUNT_SLACK
            for known in same
        )


def make_replan(
    environment: Environment,
    slots: pd.DataFrame,
    now_utc: datetime,
    *,
    ran: pd.DataFrame | None = None,
    freeze: timedelta = timedelta(hours=2),
    keep: float = 0.01,
    gap: float = 0.01,
    report: Report = lambda line: None,
) -> Replan:
    """The timeline `slots` (see `read_timeline`) made anew from `now_utc` on.

    `environment` is as telemetry has it (see `as_known`), `ran` what ran (see `told_runs`).
    What `stays` says stays. Of all plans found whose rest is worth at least (1 - `keep`) of
    the best, the one with the fewest moves is taken. Where what stays breaks a rule by itself,
    the plan is made around it, and its verdict says so. Rows of the radio are planned
    freely and are no moves. Raises StateError when what ran contradicts the timeline.
    """
    scenario = environment.scenario
    ran = pd.DataFrame(columns=list(AS_RUN_COLUMNS)) if ran is None else ran
    stay, left = stays(environment, slots, ran, now_utc, freeze)
    first = first_step(scenario, now_utc)
    alone = check_timeline(environment, _joined(stay, _open_sending(scenario, first)))
    levels = _levels(scenario, alone, first)
    question, barred = rest(environment, stay, first, levels)
    relaxed, _ = rest(environment, stay, first, levels, relaxed=True)
    old = _old_starts(scenario, question, left)
    question, relaxed, given_up = _possible(question, relaxed, old)
    scene = Scene(environment, stay, left, alone.found, given_up)
    report(f"{len(stay)} rows stay, {len(left)} slots may move")

    plans: list[tuple[Booking, Verdict]] = []
    bound = np.inf
    interrupted = False
    try:
        for booking, verdict, bound in _candidates(scene, question, relaxed, old, first, gap):
            plans.append((booking, verdict))
            moves = sum(d.moves for d in differences(scenario, left, booking).values())
            report(
                f"{'another plan' if plans[1:] else 'old plan repaired'}: value of the rest "
                f"{booking.value():.1f}, {moves} moves"
            )
    except KeyboardInterrupt:
        if not plans:
            raise
        interrupted = True
        report("interrupted: going on with the plans so far")
    bound = min(bound, worth_of_all(relaxed))
    offers = [(b.value(), differences(scenario, left, b)) for b, _ in plans]
    chosen = cheapest(offers, keep)
    return _told(scene, barred, plans, offers, chosen, bound, interrupted, now_utc)


def _told(
    scene: Scene,
    barred: list[np.ndarray],
    plans: list[tuple[Booking, Verdict]],
    offers: list[tuple[float, dict[str, Difference]]],
    chosen: int,
    bound: float,
    interrupted: bool,
    now_utc: datetime,
) -> Replan:
    """The plan chosen, as tables."""
    scenario, environment, stay, left = scene.scenario, scene.environment, scene.stay, scene.left
    booking, found = plans[chosen][0], offers[chosen][1]
    rows, ids = _named(scenario, stay, left, booking, found)
    slots = pd.concat([stay[rows.columns], rows], ignore_index=True)
    slots = slots.sort_values(["start_utc", "end_utc", "activity"], ignore_index=True)
    verdict = check_timeline(environment, slots, now_utc)
    whole = replace(
        booking.problem,
        tasks=tuple(replace(t, held=np.zeros_like(t.held)) for t in booking.problem.tasks),
    )
    shares = dict(zip(stay["slot"], stay["share"]))
    timeline = described(environment, whole, slots, shares)
    why = dict(zip(stay["slot"], stay["why"]))
    timeline["why"] = [why.get(slot, "") for slot in slots["slot"]]
    value = float(timeline["value"].sum())
    changes = changes_table(environment, left, stay, booking, ids, found)
    fixed = value - booking.value()
    plan = Plan(
        environment,
        timeline,
        _unplaced(scene, booking, barred, timeline),
        verdict,
        value,
        max(bound + fixed, value),
        interrupted,
        now_utc,
    )
    return Replan(
        plan,
        changes,
        price_list(offers, chosen, fixed),
        stay,
        sum(len(parts.kept) for parts in found.values()),
        value - float(changes["value_change"].sum()),
        tuple(
            [
                *remarks(scenario, stay),
                *(
                    f'no place was found any more for all required runs of "{name}"'
                    for name in sorted(scene.given_up)
                ),
            ]
        ),
    )


def _candidates(
    scene: Scene, question: Problem, relaxed: Problem, old: list[list[int]], first: int, gap: float
) -> Iterator[tuple[Booking, Verdict, float]]:
    """Plans that the replay accepts, from the old one repaired to the one worth most.

    The bound with the last holds for the rest of the plan; it is infinite before.
    """
    _scenario, environment, judge = scene.scenario, scene.environment, scene.judge
    spared, booking = tightened_problem(
        environment, question, judge, lambda problem: repaired(problem, old)
    )
    booking, verdict = valid_plan(
        environment, question, booking or repaired(question, old), None, judge
    )
    yield booking, verdict, np.inf
    best = Replayed(booking, verdict)
    swept = _swept(booking, _favoured(spared, old, CLINGING), first)
    if (verdict := judge(swept)).is_valid:
        best = max(best, Replayed(swept, verdict), key=lambda plan: plan.booking.value())
        yield swept, verdict, np.inf
    # The old plan may be far from the best that is possible now: so begin afresh, too,
    # with little effort: the team waits.
    loose = _favoured(spared, old, LOOSE)
    try:
        afresh = quick_plan(loose)
    except LookupError:
        # The old plan showed places for required runs that are not found afresh.
        afresh = booking.copy()
        afresh.problem = loose
    lightly = partial(lighter_plan, replay=judge)
    found = list(better_plans(loose, relaxed, gap, afresh, effort="low", lighter=lightly))
    booking, bound = found[-1]
    # What the replay accepts may be worth more than the last, mended.
    for worthy, _ in sorted(found, key=lambda plan: plan[0].value(), reverse=True):
        if worthy.value() > best.booking.value() and (verdict := judge(worthy)).is_valid:
            best = Replayed(worthy, verdict)
            break
    fresh = valid_plan(environment, question, booking, best, judge)
    yield *fresh, bound
    if fresh[0] is swept:
        return  # which holds on to the old starts more than leaning would
    swept = _swept(fresh[0], _favoured(spared, old, LEANING), first, old)
    if (verdict := judge(swept)).is_valid:
        yield swept, verdict, bound


def _swept(
    booking: Booking, problem: Problem, first: int, unless_at: list[list[int]] | None = None
) -> Booking:
    """`booking` improved as `problem` prefers it, a window at a time.

    Stretches are left out in which it has all the starts of `unless_at`.
    """
    booking = booking.copy()
    booking.problem = problem
    moved = [
        start
        for runs, starts in zip(booking.runs, unless_at or [])
        for start in starts
        if start not in runs
    ]
    windows = [
        window
        for window in time_windows(problem, STRETCH_H, TAIL_H, first)
        if unless_at is None or any(window.free[0] <= start < window.free[1] for start in moved)
    ]
    with ThreadPoolExecutor(max_workers=2) as pool:
        for booking in reoptimised_windows(booking, windows, pool, Event()):
            pass
    return booking


def _possible(
    question: Problem, relaxed: Problem, old: list[list[int]]
) -> tuple[Problem, Problem, frozenset[str]]:
    """The problem without the required runs that find no place any more, and their names."""
    given_up: dict[str, int] = {}

    def eased(problem: Problem) -> Problem:
        tasks = (replace(t, must=t.must - given_up.get(t.name, 0)) for t in problem.tasks)
        return replace(problem, tasks=tuple(tasks))

    while True:
        try:
            if any(task.must for task in eased(question).tasks):
                repaired(eased(question), old)
            return eased(question), eased(relaxed), frozenset(given_up)
        except LookupError:
            required = [t for t in eased(question).tasks if t.must]
            # First what has no start left at all, then what is worth least, a run at a time.
            least = min(required, key=lambda t: (bool(t.starts.any()), t.value, t.name))
            lost = 1 if least.starts.any() else least.must
            given_up[least.name] = given_up.get(least.name, 0) + lost


def _levels(scenario: Scenario, alone: Verdict, first: int) -> dict[str, tuple[float, float]]:
    """Wh and Mbit of every platform when step `first` begins."""
    levels = {}
    for platform in scenario.platform:
        table = alone.resources[platform.name]
        minute = min(first * scenario.span.step_min, len(table) - 1)
        row = table.iloc[minute]
        levels[platform.name] = float(row["stored_wh"]), float(row["stored_mbit"])
    return levels


def _old_starts(scenario: Scenario, question: Problem, left: pd.DataFrame) -> list[list[int]]:
    """Steps at which the old plan starts runs, as far as they lie on steps of the span."""
    step = scenario.span.step_min
    names = [task.name for task in question.tasks]
    starts: list[list[int]] = [[] for _ in names]
    for name, minute in zip(left["activity"], scenario.minutes_of(left["start_utc"])):
        if minute % step == 0 and 0 <= minute < question.steps * step:
            starts[names.index(name)].append(int(minute // step))
    return starts


def _favoured(problem: Problem, old: list[list[int]], share: float) -> Problem:
    """The problem in which the search prefers old starts by a share of the mean run's worth."""
    worths = [task.value for task in problem.tasks if task.count and task.starts.any()]
    favour, tasks = share * float(np.mean(worths or [0.0])), []
    for task, starts in zip(problem.tasks, old):
        liked = np.zeros(problem.steps)
        liked[starts] = favour
        tasks.append(replace(task, preference=liked))
    return replace(problem, tasks=tuple(tasks))


def _open_sending(scenario: Scenario, first: int) -> pd.DataFrame:
    """Rows that let every platform send from step `first` on."""
    names = scenario.sending_names if first < scenario.steps else ()
    return slots_table(scenario, [(name, first, scenario.steps) for name in names])


def _joined(stay: pd.DataFrame, rows: pd.DataFrame | None = None) -> pd.DataFrame:
    """What stays and what is booked as one table of slots; each keeps an id of its own."""
    held = stay[["slot", "activity", "start_utc", "end_utc", "state"]]
    held = held.assign(slot=STAYS + held["slot"].astype(str))
    if rows is None:
        return held
    return pd.concat([held, rows.assign(state="planned")], ignore_index=True)


def _named(
    scenario: Scenario,
    stay: pd.DataFrame,
    left: pd.DataFrame,
    booking: Booking,
    found: dict[str, Difference],
) -> tuple[pd.DataFrame, dict[tuple[str, float], str]]:
    """What is booked, as slots with ids: a run kept or moved keeps its own.

    Also the ids of the runs by activity and minute.
    """
    old = {}
    for slot, minute in zip(left.itertuples(index=False), scenario.minutes_of(left["start_utc"])):
        old.setdefault((slot.activity, minute), slot.slot)
    ids = {}
    for name, parts in found.items():
        for before, after in [*((k, k) for k in parts.kept), *parts.moved]:
            ids[name, after] = old[name, before]
    taken = set(stay["slot"]) | set(left["slot"])
    rows = slots_table(scenario, booked_rows(scenario, booking)).assign(state="planned")
    digits, number, names = max(3, len(str(len(rows) + len(taken)))), 0, []
    for activity, minute in zip(rows["activity"], scenario.minutes_of(rows["start_utc"])):
        name = ids.get((activity, minute))
        while name is None:
            number += 1
            fresh = f"s{number:0{digits}d}"
            name = None if fresh in taken else fresh
        taken.add(name)
        names.append(name)
        if activity not in scenario.sending_names:
            ids[activity, minute] = name
    return rows.assign(slot=names), ids


def _unplaced(
    scene: Scene, booking: Booking, barred: list[np.ndarray], timeline: pd.DataFrame
) -> pd.DataFrame:
    """What is still wanted, counted over the whole timeline."""
    table = unplaced(
        scene.environment,
        booking,
        timeline,
        lambda variant: (
            replace(scene, environment=variant.environment).judge(variant.booking).is_valid
        ),
        barred,
    )
    count = {a.name: a.count for a in scene.scenario.activity}
    table["placed"] += [count[name] for name in table["activity"]] - table["requested"]
    return table.assign(requested=[count[name] for name in table["activity"]])
