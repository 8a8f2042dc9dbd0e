"""Why a run found no place, and the smallest single change that would let one more in.

Every change that is named has been tried: the run is booked on a copy of the plan in
which that one thing is different, battery and store run through the whole span, and the
replay by the minute agrees.
"""

from collections.abc import Callable, Iterator
from math import ceil, floor

import numpy as np
import pandas as pd

from obsplan.common.text import number_text
from obsplan.environment.model import Environment
from obsplan.inputs.conditions import requested
from obsplan.inputs.scenario import Activity
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.resource_flow import TOLERANCE
from obsplan.planning.problem.start_windows import start_mask, why_no_window
from obsplan.planning.reasons import remedies, what_if
from obsplan.planning.reasons.case import Answer, Case
from obsplan.planning.reasons.shortages import as_it_is_or_more_for_data, more_energy
from obsplan.planning.reasons.what_if import World

# Slots that are tried for giving way.
MOST_SLOTS = 8


def unplaced(
    environment: Environment,
    booking: Booking,
    timeline: pd.DataFrame,
    holds: Callable[[World], bool] = what_if.holds_by_the_minute,
    barred: list[np.ndarray] | None = None,
) -> pd.DataFrame:
    """Activities with fewer runs than asked: `activity, wanted, placed, reason, would_fit_if`.

    `booking` is the plan with its flow up to date, `timeline` the same plan as a table,
    whose ids name the slots. `would_fit_if` is one change that was tried and lets one
    more run in, or says that none was found. `holds` is the replay where the booking is not
    all there is in the timeline, `barred` the steps at which a run of each activity may not
    start whatever its conditions.
    """
    scenario = environment.scenario
    slots = {
        (slot.activity, f"{slot.start_utc:%Y-%m-%dT%H:%MZ}"): slot.slot
        for slot in timeline.itertuples()
    }
    rows, asking = [], True
    for i, task in enumerate(booking.problem.tasks):
        if len(booking.runs[i]) < task.count:
            shut = barred[i] if barred else np.zeros(scenario.steps, dtype=bool)
            hurdles = what_if.hurdles(booking, i)
            world = World(booking, environment)
            case = Case(world, slots, i, hurdles, holds, shut)
            answer = "not looked into: interrupted", ""
            try:
                answer = _answer(case) if asking else answer
            except KeyboardInterrupt:  # a second one; the plan that there is must not be lost
                asking = False
            rows.append((task.name, task.count, len(booking.runs[i]), *answer))
    kinds = {
        "activity": "str",
        "wanted": "int64",
        "placed": "int64",
        "reason": "str",
        "would_fit_if": "str",
    }
    return pd.DataFrame(rows, columns=list(kinds)).astype(kinds)


def _answer(case: Case) -> Answer:
    """The first change that lets a run in, the kinds in order of what they ask of a team."""
    answer = as_it_is_or_more_for_data(case) or more_energy(case)
    if answer:
        return answer
    for changes in (
        _slot_gives_way,
        _shorter_gap,
        _more_bus_power,
        _less_waiting,
        _wider_range,
        _shorter_lead,
        _longer_contact,
    ):
        for start, changed, answer in changes(case):
            twin = what_if.let_in(changed.booking, case.task, start)
            if twin is not None and case.holds_with(twin, changed):
                return answer
    return _no_single_change(case)


# Each of these yields a start, the world as changed, and the answer if that lets the run in.
Changes = Iterator[tuple[int, World, Answer]]


def _slot_gives_way(case: Case) -> Changes:
    """Slots whose place, and what they used, may be enough for the run; least worthy first."""
    booking, missing_wh = case.booking, case.hurdles["energy"]
    lone = case.free_but_for("exclusion", "bus power", "energy") & (case.hurdles["exclusion"] == 1)
    offers = []
    for rival, began, barred in what_if.rival_runs(booking, case.task):
        starts = np.flatnonzero(lone & barred)
        if len(starts) and len(booking.runs[rival]) > booking.problem.tasks[rival].must:
            without = booking.copy()
            without.add(rival, began, -1)
            start = int(starts[np.argmin(missing_wh[starts])])
            loss = booking.value() - without.value()
            offers.append((loss, missing_wh[start], began, rival, start, without))
    for loss, _, began, rival, start, without in sorted(offers, key=lambda o: o[:4])[:MOST_SLOTS]:
        gain = float(without.next_value(case.task)[start])
        name, at = booking.problem.tasks[rival].name, case.at(began)
        worth = "" if gain > loss else ": worth no more than what it would displace"
        change = f"slot {case.slots[name, at]} ({name}, {at}) gave way"
        change += f": -{loss:.1f} + {gain:.1f} in value"
        yield start, case.world.with_booking(without), (f'exclusion with "{name}"{worth}', change)


def _shorter_gap(case: Case) -> Changes:
    short, step_min = case.hurdles["gap"], case.scenario.span.step_min
    for start in case.best(short, case.only("gap") & (short <= case.asked.gap)):
        gap = case.asked.gap - int(short[start])
        change = f"the gap were {case.activity.gap_min - gap * step_min} min shorter"
        changed = case.world.with_task(case.task, {"gap_min": gap * step_min}, gap=gap)
        yield start, changed, ("gap", f"{change} (start {case.at(start)})")


def _more_bus_power(case: Case) -> Changes:
    excess_w, node = case.hurdles["bus power"], case.node
    for start in case.best(excess_w, case.only("bus power")):
        more_w = ceil(excess_w[start] * remedies.TENTHS - 1e-6) / remedies.TENTHS
        change = f'{number_text(more_w)} W more bus power on "{node.name}" (start {case.at(start)})'
        limit_w = case.scenario.platform[case.asked.node].bus_limit_w + more_w
        changed = case.world.with_node(
            case.asked.node, {"bus_limit_w": limit_w}, bus_limit_w=node.bus_limit_w + more_w
        )
        yield start, changed, (f'bus power of "{node.name}"', change)


def _less_waiting(case: Case) -> Changes:
    """A shorter settling time, or no waiting for one activity at all."""
    booking, wait, earlier = case.booking, case.hurdles["order"], case.asked.earlier
    for start in case.best(wait, case.only("order")):
        k = max(range(len(earlier)), key=lambda k: booking.met_from(*earlier[k][:2]))
        awaited, settle, met_from = earlier[k]
        name, left = booking.problem.tasks[awaited].name, settle - int(wait[start])
        reason, change = f'order: waits for "{name}"', f'it did not have to wait for "{name}"'
        eased, after = (), list(case.activity.after)
        step_min, waited = case.scenario.span.step_min, after.pop(k)
        if not booking.runs[awaited] and met_from >= booking.problem.steps:
            reason += ", which has no run"
        elif left >= 0:
            eased = ((awaited, left, met_from),)
            after.insert(k, waited.model_copy(update={"settle_min": left * step_min}))
            less_min = waited.settle_min - left * step_min
            change = f'the settling time after "{name}" were {less_min} min shorter'
        eased = earlier[:k] + eased + earlier[k + 1 :]
        changed = case.world.with_task(case.task, {"after": tuple(after)}, earlier=eased)
        yield start, changed, (reason, f"{change} (start {case.at(start)})")


def _wider_range(case: Case) -> Changes:
    """One range of the activity's conditions a little wider."""
    environment = case.environment
    for condition, name, column, limits in requested(case.activity.when):
        # A local time that runs over midnight has no end that could be moved outwards.
        if isinstance(limits, bool) or limits[0] > limits[1]:
            continue
        key = condition.key
        what = name if key == "ground" else key
        slots = _slots(case, environment.sky[column].to_numpy())
        lowest, highest = slots.min(axis=1), slots.max(axis=1)
        lacking = np.maximum(limits[0] - lowest, highest - limits[1])
        otherwise = start_mask(environment, _allowing(case.activity, key, None))
        otherwise &= ~case.barred
        open_ = case.only("window") & otherwise[: len(slots)] & (lacking > 0)
        for start in case.best(lacking, open_):
            low = min(limits[0], floor(lowest[start] * remedies.TENTHS) / remedies.TENTHS)
            high = max(limits[1], ceil(highest[start] * remedies.TENTHS) / remedies.TENTHS)
            wider = _allowing(case.activity, key, (low, high))
            starts = start_mask(environment, wider) & ~case.barred
            change = f"{what} might run from {number_text(low)} to {number_text(high)}"
            answer = _window_reason(case, what), f"{change} (start {case.at(start)})"
            changed = case.world.with_task(case.task, {"when": wider.when}, starts=starts)
            yield start, changed, answer


def _allowing(activity: Activity, key: str, limits: tuple[float, float] | None) -> Activity:
    """The activity with other limits in `when.<key>`, or none."""
    if key == "ground" and limits is not None:
        limits = activity.when.ground.model_copy(update={"temperature_k": limits})
    when = activity.when.model_copy(update={key: limits})
    return activity.model_copy(update={"when": when})


def _shorter_lead(case: Case) -> Changes:
    """Commands that may reach the platform later before a start."""
    scenario, environment = case.scenario, case.environment
    lead_min = scenario.command_lead_min(case.activity)
    in_contact = environment.in_contact(case.node.name)
    if lead_min is None or not in_contact.any():
        return

    def starts_with(left_min: int) -> np.ndarray:
        eased = case.activity.model_copy(update={"lead_min": left_min})
        return start_mask(environment, eased) & ~case.barred

    # A command of the first minute in contact is aboard when that minute is over.
    steps = np.arange(len(case.hurdles["window"]))
    left_min = steps * scenario.span.step_min - (int(np.argmax(in_contact)) + 1)
    open_ = case.only("window") & starts_with(0)[steps] & (left_min >= 0) & (left_min < lead_min)
    for start in case.best(-left_min.astype(float), open_):
        lead = int(left_min[start])
        changed = case.world.with_task(case.task, {"lead_min": lead}, starts=starts_with(lead))
        change = f"the lead of its commands were {lead_min - lead} min shorter"
        yield start, changed, (_window_reason(case, "uplink"), f"{change} (start {case.at(start)})")


def _longer_contact(case: Case) -> Changes:
    """Contact in those minutes of a slot that lack it."""
    whole = case.activity.contact == "whole"
    if case.activity.contact == "none":
        return
    in_contact = case.environment.in_contact(case.node.name)
    silent = _slots(case, ~in_contact)
    missing_min = silent.sum(axis=1) if whole else silent[:, 0].astype(int)
    unbound = case.activity.model_copy(update={"contact": "none"})
    starts = start_mask(case.environment, unbound) & ~case.barred
    open_ = case.only("window") & starts[: len(silent)] & (missing_min > 0)
    for start in case.best(missing_min, open_):
        change, end = f"there were contact at {case.at(start)}", start + case.asked.length
        if whole:
            change = f"contact were {missing_min[start]} min longer"
            change += f" between {case.at(start)} and {case.at(end)}"
        minutes = in_contact.copy()
        begin, step_min = start * case.scenario.span.step_min, case.scenario.span.step_min
        minutes[begin : end * step_min if whole else begin + 1] = True
        changed = case.world.with_task(case.task, {}, starts=starts)
        changed = changed.with_columns(case.asked.node, in_contact=minutes)
        yield start, changed, (_window_reason(case, "contact"), change)


def _slots(case: Case, minutes: np.ndarray) -> np.ndarray:
    """The minutes of a slot from each start: (starts, minutes of a slot)."""
    step_min = case.scenario.span.step_min
    within = minutes[: case.booking.problem.steps * step_min]
    if not len(case.hurdles["window"]):
        return np.zeros((0, 1), dtype=minutes.dtype)
    view = np.lib.stride_tricks.sliding_window_view(within, case.asked.length * step_min)
    return view[::step_min]


def _window_reason(case: Case, condition: str) -> str:
    why = why_no_window(case.environment, case.activity)
    return f"no window: {why}" if why else f"window: {condition}"


def _no_single_change(case: Case) -> Answer:
    """What bars the permitted start that the fewest rules bar."""
    none = "no single change found"
    why = why_no_window(case.environment, case.activity)
    barred = np.array([amount > TOLERANCE for amount in case.hurdles.values()])
    if not barred.size:
        return f"no window: {why}", none
    overlaps_own = case.hurdles["gap"] > case.asked.gap
    count = barred.sum(axis=0) + overlaps_own
    start = int(np.lexsort((case.hurdles["energy"], count, case.hurdles["window"]))[0])
    families = [family for family, bars in zip(case.hurdles, barred[:, start]) if bars]
    if overlaps_own[start]:
        families[families.index("gap")] = "its other runs"
    twin = case.booking.copy()
    twin.add(case.task, start)
    settled = what_if.settled(twin)
    if settled.flow.short is None and "energy" in families:
        # Sending put off leaves enough after all.
        families.remove("energy")
    # With a battery twice as large, data may still find no room.
    n, world = case.asked.node, case.world.with_booking(twin)
    full = what_if.settled(remedies.larger_battery(n, world, case.node.capacity_wh).booking)
    if any(plan.flow.short and plan.flow.short.kind == "storage" for plan in (settled, full)):
        families.append("storage")
    families = families or ["the replay by the minute"]
    rules = "1 rule stands" if len(families) == 1 else f"{len(families)} rules at once stand"
    return f"no window: {why}" if why else " and ".join(families), (
        f"{none}; {rules} in the way at the best start, {case.at(start)} ({', '.join(families)})"
    )
