"""Why runs are not in a plan, and the smallest single change that would fit one more.

Every change that is named has been tried: the run is inserted in a copy of the plan in which
that one thing is different, battery and store are simulated through the whole span, and the
replay by the minute accepts the result.
"""

from collections.abc import Mapping
from dataclasses import replace
from math import ceil
from threading import Event
from types import MappingProxyType

import numpy as np
import pandas as pd

from obsplan.common.interruption import interruptible
from obsplan.environment.model import Environment
from obsplan.inputs.conditions import requested
from obsplan.inputs.placed import DriveActivity, PlacedActivity
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Need, serves_goals_alone
from obsplan.planning.problem.start_windows import (
    all_of,
    room_for,
    start_masks,
)
from obsplan.planning.reasons import remedies
from obsplan.planning.reasons.blocking import (
    Constraint,
    blocking_amounts,
    rival_runs,
    tolerance_of,
)
from obsplan.planning.reasons.decision_changes import awaited, has_run, quicker_decision
from obsplan.planning.reasons.fix_wording import (
    Answer,
    LargerTeam,
    MoreBusPower,
    NoSingleFix,
    OrderLifted,
    RemovedSlot,
    ShorterGap,
    ShorterSettling,
)
from obsplan.planning.reasons.reason_wording import (
    Blocked,
    BlockedByAll,
    BrokenRules,
    Closed,
    Excluded,
    NoRoom,
    NotAnalysed,
    OutsideBins,
    Waiting,
)
from obsplan.planning.reasons.shortages import fits, fits_or_lacks_data, lacks_energy
from obsplan.planning.reasons.what_if import (
    Insertion,
    Replay,
    Variant,
    inserted,
    replayed,
    simulated,
)
from obsplan.planning.reasons.window_changes import (
    Changes,
    longer_contact,
    longer_hours,
    longer_latency,
    shorter_keep_out,
    shorter_lead,
    wider_range,
    wider_windows,
)

# Slots whose removal is tried.
MOST_SLOTS = 8
UNPLACED_TYPES = {
    "activity": "str",
    "requested": "int64",
    "placed": "int64",
    "reason": "str",
    "would_fit_if": "str",
}


def explain(
    environment: Environment,
    booking: Booking,
    timeline: pd.DataFrame,
    replay: Replay = replayed,
    barred: list[np.ndarray] | None = None,
    first: int = 0,
    expired: Event | None = None,
    of_stops: Mapping[str, Answer] = MappingProxyType({}),
) -> dict[str, Answer]:
    """Why one more run does not fit, for each activity with fewer runs than requested, by name.

    `booking` is the plan with its flow up to date, `timeline` the same plan as a table,
    whose ids name the slots. `replay` is needed if the timeline has more than the booking;
    `barred` has the steps at which a run of each activity may not start regardless of its
    conditions; nothing before step `first` can be changed any more. What is at stops that rovers
    leave out has the answer of its stop in `of_stops`. After Ctrl-C, and once `expired` is set, the
    remaining activities are not analysed.
    """
    slots = {(slot.activity, slot.start_utc): slot.slot for slot in timeline.itertuples()}
    answers: dict[str, Answer] = {}
    interrupted = ""
    for i, task in enumerate(booking.problem.tasks):
        if booking.wanted(i) <= 0:
            continue
        activity = environment.scenario.activity[i]
        if isinstance(activity, DriveActivity) and not task.must:
            continue  # nobody asks for a drive that is not on the way ahead
        if isinstance(activity, PlacedActivity) and activity.stop in of_stops:
            answers[task.name] = of_stops[activity.stop]
            continue
        if expired is not None and expired.is_set():
            interrupted = interrupted or "patience ran out"
        if not interrupted:
            shut = barred[i] if barred else np.zeros(booking.problem.steps, dtype=bool)
            try:
                with interruptible():
                    variant = _with_room_for_one(Variant(booking, environment), i, shut)
                    answers[task.name] = _explained(variant, slots, i, replay, shut, first)
            except KeyboardInterrupt:  # a second one; the existing plan must not be lost
                interrupted = "interrupted"
        if interrupted:
            answers[task.name] = Answer(NotAnalysed(interrupted), None)
    return answers


def _explained(
    variant: Variant,
    slots: dict[tuple[str, pd.Timestamp], str],
    i: int,
    replay: Replay,
    shut: np.ndarray,
    first: int,
) -> Answer:
    """Why one more run of task `i` does not fit, at a start at which it would add something."""
    booking = variant.booking
    if serves_goals_alone(booking.problem, i):
        adds = booking.next_promise(i) > 0
        starts = booking.problem.tasks[i].starts
        if starts.any() and not (starts & adds).any():
            return Answer(OutsideBins(), NoSingleFix())
        shut = shut | ~adds
        variant = variant.with_task(i, {}, starts=starts & adds)
    blocking = blocking_amounts(variant.booking, i)
    insertion = Insertion(variant, slots, i, blocking, replay, shut, first)
    answer = _answer(insertion)
    never = insertion.why_no_window
    return replace(answer, reason=Closed("", never)) if never else answer


def unplaced_table(booking: Booking, answers: dict[str, Answer]) -> pd.DataFrame:
    """Activities with fewer runs than requested: the columns of UNPLACED_TYPES.

    `would_fit_if` is one change that was tried and fits one more run, or says that none was
    found. `answers` is what `explain` says of the booking.
    """
    rows = []
    for i, (task, runs) in enumerate(zip(booking.problem.tasks, booking.runs)):
        if answer := answers.get(task.name):
            fix = "" if answer.fix is None else str(answer.fix)
            wanted = len(runs) + booking.wanted(i)
            rows.append((task.name, wanted, len(runs), str(answer.reason), fix))
    return pd.DataFrame(rows, columns=list(UNPLACED_TYPES)).astype(UNPLACED_TYPES)


def _with_room_for_one(variant: Variant, i: int, barred: np.ndarray) -> Variant:
    """The plan with those starts permitted at which nothing but the size of the store bars a run.

    What one run lacks then is found as what one more run lacks.
    """
    scenario = variant.scenario
    masks = start_masks(variant.environment, scenario.activity[i])
    if "storage" not in masks:
        return variant
    others = [mask for key, mask in masks.items() if key != "storage"]
    return variant.with_task(i, {}, starts=np.all(others, axis=0) & ~barred)


def _answer(insertion: Insertion) -> Answer:
    """The first change that lets a run fit; kinds of change with the least effort come first."""
    if answer := fits_or_lacks_data(insertion) or lacks_energy(insertion):
        return answer
    for changes in (
        _removed_slot,
        _shorter_gap,
        _more_bus_power,
        _less_waiting,
        quicker_decision,
        wider_range,
        shorter_lead,
        longer_contact,
        longer_latency,
        shorter_keep_out,
        longer_hours,
        _larger_team,
        wider_windows,
    ):
        for start, variant, answer in changes(insertion):
            fuller = inserted(variant.booking, insertion.task, start)
            if fuller is not None and insertion.is_valid_with(fuller, variant):
                return answer
    return _no_single_fix(insertion)


def _removed_slot(insertion: Insertion) -> Changes:
    """Slots whose time and resources may be enough for the run; least valuable first."""
    booking, missing_wh = insertion.booking, insertion.blocking[Constraint.ENERGY]
    alone = insertion.blocking[Constraint.EXCLUSION] == 1
    alone &= insertion.free_but_for(Constraint.EXCLUSION, Constraint.BUS_POWER, Constraint.ENERGY)
    removals = []
    for rival, began, blocked in rival_runs(booking, insertion.task):
        starts = np.flatnonzero(alone & blocked)
        if len(starts) and len(booking.runs[rival]) > booking.problem.tasks[rival].must:
            without = booking.copy()
            without.add(rival, began, -1)
            start = int(starts[np.argmin(missing_wh[starts])])
            loss = booking.value() - without.value()
            removals.append((loss, missing_wh[start], began, rival, start, without))
    removals.sort(key=lambda removal: removal[:4])
    for loss, _, began, rival, start, without in removals[:MOST_SLOTS]:
        gain = float(without.next_value(insertion.task)[start])
        name, at_utc = booking.problem.tasks[rival].name, insertion.at(began)
        fix = RemovedSlot(insertion.slots[name, at_utc], name, at_utc, loss, gain)
        answer = Answer(Excluded(name, gains_value=gain > loss), fix)
        yield start, insertion.variant.with_booking(without), answer


def _shorter_gap(insertion: Insertion) -> Changes:
    short, step_min = insertion.blocking[Constraint.GAP], insertion.scenario.span.step_min
    where = insertion.blocked_only_by(Constraint.GAP) & (short <= insertion.what.gap)
    for start in insertion.best(short, where):
        gap = insertion.what.gap - int(short[start])
        fix = ShorterGap(insertion.activity.gap_min - gap * step_min, insertion.at(start))
        fields = {"gap_min": gap * step_min}
        variant = insertion.variant.with_task(insertion.task, fields, gap=gap)
        yield start, variant, Answer(Blocked(Constraint.GAP), fix)


def _more_bus_power(insertion: Insertion) -> Changes:
    excess_w, node, n = (
        insertion.blocking[Constraint.BUS_POWER],
        insertion.node,
        insertion.what.node,
    )
    for start in insertion.best(excess_w, insertion.blocked_only_by(Constraint.BUS_POWER)):
        platform = insertion.scenario.platform[n]
        used = 1 - platform.margins.power_share
        more_w = ceil(excess_w[start] / used * remedies.TENTHS - 1e-6) / remedies.TENTHS
        fix = MoreBusPower(node.name, more_w, insertion.at(start))
        fields = {"bus_limit_w": platform.bus_limit_w + more_w}
        more = {"bus_limit_w": node.bus_limit_w + used * more_w}
        variant = insertion.variant.with_node(n, fields, **more)
        yield start, variant, Answer(Blocked(Constraint.BUS_POWER, node.name), fix)


def _larger_team(insertion: Insertion) -> Changes:
    for k in insertion.booking.teams[insertion.task]:
        name, team = insertion.booking.problem.teams[k].name, insertion.scenario.team[k]
        more = insertion.blocking[name]
        for start in insertion.best(more, insertion.blocked_only_by(name)):
            at_once = team.at_once + int(more[start])
            fix = LargerTeam(team.name, at_once, insertion.at(start))
            yield start, insertion.variant.with_team(k, at_once), Answer(Blocked(name), fix)


def _less_waiting(insertion: Insertion) -> Changes:
    """A shorter settling time, or no order after one activity at all."""
    booking, wait = insertion.booking, insertion.blocking[Constraint.ORDER]
    needs, step_min = insertion.what.needs, insertion.scenario.span.step_min
    orders = range(len(insertion.activity.after))
    for start in insertion.best(wait, insertion.blocked_only_by(Constraint.ORDER)):
        if all(booking.met(needs[k])[start] for k in orders):
            continue
        # The order that is met last. A decision is not waived to fit a run.
        k = min(orders, key=lambda k: int(booking.met(needs[k]).sum()))
        if not insertion.activity.after[k].is_plain:
            continue
        need = needs[k]
        awaited = booking.problem.tasks[need.task]
        name = awaited.name
        left = -need.last - awaited.length - int(wait[start])
        after = list(insertion.activity.after)
        order = after.pop(k)
        eased: tuple[Need, ...] = ()
        fix: OrderLifted | ShorterSettling = OrderLifted(name, insertion.at(start))
        if has_run(insertion, k) and left >= 0:
            eased = (need._replace(last=need.last + int(wait[start])),)
            after.insert(k, order.model_copy(update={"settle_min": left * step_min}))
            less_min = order.settle_min - left * step_min
            fix = ShorterSettling(name, less_min, insertion.at(start))
        eased = needs[:k] + eased + needs[k + 1 :]
        fields = {"after": tuple(after)}
        variant = insertion.variant.with_task(insertion.task, fields, needs=eased)
        yield start, variant, Answer(Waiting(name, has_run(insertion, k)), fix)


def _no_single_fix(insertion: Insertion) -> Answer:
    """What blocks the permitted start that the fewest constraints block."""
    never = insertion.why_no_window
    blocking, what = insertion.blocking, insertion.what
    blocked = np.array([amount > tolerance_of(key) for key, amount in blocking.items()])
    if not blocked.size:
        return Answer(Closed("", never), NoSingleFix())
    overlaps_own = blocking[Constraint.GAP] > what.gap
    count = blocked.sum(axis=0) + overlaps_own
    # What is over comes last, and is not told.
    is_over = np.arange(len(count)) < insertion.first
    keys = (blocking[Constraint.ENERGY], count, blocking[Constraint.WINDOW], is_over)
    start = int(np.lexsort(keys)[0])
    if is_over[start]:
        return Answer(_no_room(insertion) or Closed("", never), NoSingleFix())
    constraints = [key for key, blocks in zip(blocking, blocked[:, start]) if blocks]
    if overlaps_own[start]:
        constraints[constraints.index(Constraint.GAP)] = Constraint.OWN_RUNS
    fuller = insertion.booking.copy()
    fuller.add(insertion.task, start)
    as_it_is = simulated(fuller).flow.short
    if as_it_is is None and Constraint.ENERGY in constraints:
        # Later sending leaves enough charge after all.
        constraints.remove(Constraint.ENERGY)
    # There may be too little storage even with a battery twice as large.
    variant = insertion.variant.with_booking(fuller)
    larger = remedies.larger_battery(what.node, variant, insertion.node.capacity_wh)
    with_more_energy = simulated(larger.booking).flow.short
    if any(short and short.kind == "storage" for short in (as_it_is, with_more_energy)):
        constraints.append(Constraint.STORAGE)
    if not constraints and not never:
        return _refused_by_replay(insertion, simulated(fuller), start)
    named = tuple(constraints) or (Constraint.REPLAY,)
    waits = awaited(insertion, start) if named == (Constraint.ORDER,) else None
    reason = _no_room(insertion) or waits or BlockedByAll(named)
    return Answer(reason, NoSingleFix(named, insertion.at(start)))


def _no_room(insertion: Insertion) -> NoRoom | None:
    """The reason if the windows of an activity hold no more than its runs; None if they do."""
    scenario, what = insertion.scenario, insertion.what
    booking, spacing = insertion.booking, what.length + what.gap
    # Of an activity that serves goals alone, the starts are those in bins that want more runs.
    runs = int(what.starts[booking.runs[insertion.task]].sum())
    in_bins = serves_goals_alone(booking.problem, insertion.task)
    if room_for(what.starts, spacing) > runs:
        return None
    masks = start_masks(insertion.environment, insertion.activity)
    words = {r.condition.key: r.name for r in requested(insertion.activity.when)}
    limiting = [
        words.get(key, key)
        for key in masks
        if room_for(all_of(scenario, masks, but=key) & ~insertion.barred, spacing) > runs
    ]
    # Without its gap, more runs may fit between the same limits.
    if what.gap and room_for(what.starts, what.length) > runs:
        limiting.append(f"its gap of {insertion.activity.gap_min} min")
    return NoRoom(runs, tuple(limiting), from_now_on=insertion.first > 0, in_bins=in_bins)


def _refused_by_replay(insertion: Insertion, booking: Booking, start: int) -> Answer:
    """The rules that `booking`, the plan with the run at `start`, breaks by the minute only."""
    if answer := fits(insertion, booking, start):
        return answer
    verdict = insertion.replay(insertion.variant.with_booking(booking))
    start_utc, rules = insertion.at(start), tuple(dict.fromkeys(v.rule for v in verdict.found))
    if not rules:
        return Answer(Blocked(Constraint.REPLAY), NoSingleFix((Constraint.REPLAY,), start_utc))
    reason = BrokenRules(rules)
    return Answer(reason, NoSingleFix((reason.words,), start_utc))
