"""Why a run found no place, and the smallest single change that would let one more in.

Every change that is named has been tried: the run is booked on a copy of the plan in
which that one thing is different, battery and store run through the whole span, and the
replay by the minute agrees.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from math import ceil, floor

import numpy as np
import pandas as pd

from obsplan import remedies, trial
from obsplan.booking import TOLERANCE, Booking
from obsplan.check import figure
from obsplan.environment import Environment, depth_column
from obsplan.problem import Node, Task
from obsplan.replay import stamp
from obsplan.scenario import Activity, Scenario
from obsplan.trial import World
from obsplan.windows import COLUMN_OF, start_mask, why_no_window

# Starts, and slots, that are tried for one kind of change.
MOST_STARTS = 4
MOST_SLOTS = 8
# A link that would have to be more than twice as fast is no small change.
MOST_FASTER = 100.0
# Reason and would_fit_if.
Answer = tuple[str, str]


@dataclass(frozen=True)
class Case:
    """One activity that wants another run in the plan `booking`."""

    world: World
    slots: dict[tuple[str, str], str]
    task: int
    hurdles: dict[str, np.ndarray]
    holds: Callable[[World], bool]
    barred: np.ndarray

    @property
    def scenario(self) -> Scenario:
        return self.world.scenario

    @property
    def environment(self) -> Environment:
        return self.world.environment

    @property
    def booking(self) -> Booking:
        return self.world.booking

    @property
    def activity(self) -> Activity:
        return self.scenario.activity[self.task]

    @property
    def asked(self) -> Task:
        return self.booking.problem.tasks[self.task]

    @property
    def node(self) -> Node:
        return self.booking.problem.nodes[self.asked.node]

    def at(self, step: int) -> str:
        """The step's first instant, as the user reads it."""
        return stamp(self.scenario, step * self.scenario.span.step_min)

    def free_but_for(self, *families: str) -> np.ndarray:
        """Starts at which no other family than `families` stands in the way."""
        others = [h > TOLERANCE for family, h in self.hurdles.items() if family not in families]
        return ~np.any(others, axis=0)

    def only(self, family: str) -> np.ndarray:
        """Starts at which `family` stands in the way, and nothing else does."""
        return self.free_but_for(family) & (self.hurdles[family] > TOLERANCE)

    def holds_with(self, twin: Booking, world: World | None = None) -> bool:
        """Whether the replay agrees with `twin`, in the world as it is or as changed."""
        return trial.holds_somehow((world or self.world).with_booking(twin), self.holds)

    def best(self, amount: np.ndarray, where: np.ndarray) -> Iterator[int]:
        """A few starts of `where`, least `amount` first, a slot's length apart."""
        left = np.where(where & np.isfinite(amount), amount, np.inf)
        for _ in range(MOST_STARTS):
            if np.isinf(left).all():
                return
            start = int(np.argmin(left))
            yield start
            left[max(0, start - self.asked.length + 1) : start + self.asked.length] = np.inf


def unplaced(
    scenario: Scenario,
    environment: Environment,
    booking: Booking,
    timeline: pd.DataFrame,
    holds: Callable[[World], bool] = trial.holds_by_the_minute,
    barred: list[np.ndarray] | None = None,
) -> pd.DataFrame:
    """Activities with fewer runs than asked: `activity, wanted, placed, reason, would_fit_if`.

    `booking` is the plan with its flow up to date, `timeline` the same plan as a table,
    whose ids name the slots. `would_fit_if` is one change that was tried and lets one
    more run in, or says that none was found. `holds` is the replay where the booking is not
    all there is in the timeline, `barred` the steps at which a run of each activity may not
    start whatever its conditions.
    """
    slots = {
        (slot.activity, f"{slot.start_utc:%Y-%m-%dT%H:%MZ}"): slot.slot
        for slot in timeline.itertuples()
    }
    rows, asking = [], True
    for i, task in enumerate(booking.problem.tasks):
        if len(booking.runs[i]) < task.count:
            shut = barred[i] if barred else np.zeros(scenario.steps, dtype=bool)
            hurdles = trial.hurdles(booking, i)
            world = World(booking, scenario, environment)
            case = Case(world, slots, i, hurdles, holds, shut)
            answer = "not looked into: interrupted", ""
            try:
                answer = _answer(case) if asking else answer
            except KeyboardInterrupt:  # a second one; the plan that there is must not be lost
                asking = False
            rows.append((task.name, task.count, len(booking.runs[i]), *answer))
    kinds = {"activity": "str", "wanted": "int64", "placed": "int64", "reason": "str",
             "would_fit_if": "str"}  # fmt: skip
    return pd.DataFrame(rows, columns=list(kinds)).astype(kinds)


def _answer(case: Case) -> Answer:
    """The first change that lets a run in, the kinds in order of what they ask of a team."""
    answer = _as_it_is_or_more_room(case) or _more_energy(case)
    if answer:
        return answer
    for changes in (_slot_gives_way, _shorter_gap, _more_bus_power, _less_waiting,
                    _wider_range, _shorter_lead, _longer_contact):  # fmt: skip
        for start, changed, answer in changes(case):
            twin = trial.let_in(changed.booking, case.task, start)
            if twin is not None and case.holds_with(twin, changed):
                return answer
    return _no_single_change(case)


def _fits(case: Case, twin: Booking, start: int) -> Answer | None:
    """The answer when `twin`, the plan with the run at `start`, holds as it is."""
    if twin.flow.short or not case.holds_with(twin):
        return None
    worth = case.booking.next_value(case.task)[start]
    reason = "left out by the search" if worth > 0 else "one more run is worth nothing"
    return reason, f"nothing: it fits at {case.at(start)}"


def _as_it_is_or_more_room(case: Case) -> Answer | None:
    """Where nothing but a store may stand in the way: no change, or what the data lack."""
    tries: list[tuple[int, Booking]] = []
    for start in case.best(trial.crowding_mbit(case.booking, case.task), case.free_but_for()):
        twin = trial.with_run(case.booking, case.task, start)
        if answer := _fits(case, twin, start):
            return answer
        tries.append((start, twin))
    # What holds in steps may lack charge within one.
    in_steps = [(start, twin) for start, twin in tries if not twin.flow.short]
    return _more_for_data(case, tries) or _more_charge(case, in_steps)


def _more_for_data(case: Case, tries: list[tuple[int, Booking]]) -> Answer | None:
    """More room, contact, speed or energy to send with, each enough by itself.

    `tries` are starts and plans with the run; the changes are all for the same start.
    """
    crowded = [(start, twin, over) for start, twin in tries if (over := trial.overfull(twin))]
    if not crowded:
        return None
    n, excess, step, room, left = crowded[0][2]
    node, store = case.booking.problem.nodes[n], case.scenario.platform[n].store
    left &= store.end_limit_mbit is not None and store.end_limit_mbit < store.capacity_mbit
    silent = remedies.last_silence(case.world, n, (step + 1) * case.scenario.span.step_min)
    ways = (
        (partial(remedies.larger_store, n, room, left), excess, excess + node.store_mbit),
        (partial(remedies.longer_contact, n, silent[0]), 10.0, silent[1] - silent[0]),
        (partial(remedies.faster_link, n), 10.0, MOST_FASTER if node.send_mbit.any() else 0.0),
        (partial(remedies.larger_battery, n), 1.0, node.capacity_wh),
    )
    same = [(start, twin, over.step) for start, twin, over in crowded if over.node == n]
    found: list[float | None] = []
    for remedy, guess, most in ways:
        worlds = [case.world.with_booking(twin) for _, twin, _ in same]
        enough = remedies.smallest(remedy, worlds, case.holds, guess, most)
        found.append(enough[0] if enough else None)
        same = [same[enough[1]]] if enough else same
    start, _, step = same[0]
    name, silent_from = f'"{node.name}"', stamp(case.scenario, silent[0])
    more_room = f"Mbit more room in the store of {name} by {case.at(step + 1)}"
    end = "as much more left at the end"
    words = (
        {(True, False): more_room, (True, True): f"{more_room}, {end}"}.get(
            (room, left), f"Mbit more left in the store of {name} at the end"
        ),
        f"min more contact of {name} from {silent_from}",
        f"% faster link of {name}",
        f"Wh more in the battery of {name}",
    )
    if found[1] is not None:
        found[1] = ceil(found[1])  # contact is counted in whole minutes
    said = [f"{figure(least)} {what}" for least, what in zip(found, words) if least is not None]
    if not said:
        return None
    return f"storage and downlink of {name}", f"{', or '.join(said)} (start {case.at(start)})"


def _more_energy(case: Case) -> Answer | None:
    # Where not even a full battery would do, a larger one may.
    missing_wh = np.minimum(case.hurdles["energy"], case.node.capacity_wh)
    tries = []
    for start in case.best(missing_wh, case.only("energy")):
        twin = trial.with_run(case.booking, case.task, start)
        if answer := _fits(case, twin, start):
            return answer
        tries.append((start, twin))
    return _more_charge(case, tries)


def _more_charge(case: Case, tries: list[tuple[int, Booking]]) -> Answer | None:
    """The charge with which one of `tries`, start and plan with the run, holds."""
    if not tries:
        return None
    node, worlds = case.node, [case.world.with_booking(twin) for _, twin in tries]
    remedy = partial(remedies.larger_battery, case.asked.node)
    most = node.capacity_wh - node.reserve_wh
    guess = min(case.hurdles["energy"][tries[0][0]], most)
    found = remedies.smallest(remedy, worlds, case.holds, guess, most)
    if found is None:
        return None
    wh, k = found
    return f'energy of "{node.name}"', (
        f'{figure(wh)} Wh more in the battery of "{node.name}" before {case.at(tries[k][0])}'
    )


# Each of these yields a start, the world as changed, and the answer if that lets the run in.
Changes = Iterator[tuple[int, World, Answer]]


def _slot_gives_way(case: Case) -> Changes:
    """Slots whose place, and what they used, may be enough for the run; least worthy first."""
    booking, missing_wh = case.booking, case.hurdles["energy"]
    lone = case.free_but_for("exclusion", "bus power", "energy") & (case.hurdles["exclusion"] == 1)
    offers = []
    for rival, began, barred in trial.rival_runs(booking, case.task):
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
        change = f'{figure(more_w)} W more bus power on "{node.name}" (start {case.at(start)})'
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
    scenario, environment, when = case.scenario, case.environment, case.activity.when
    ranges = {key: (column, getattr(when, key), key) for key, column in COLUMN_OF.items()}
    if when.ground is not None:
        depth_m = when.ground.depth_m
        what = f"ground temperature_k at {depth_m:g} m"
        ranges["ground"] = depth_column(depth_m), when.ground.temperature_k, what
    for key, (column, limits, what) in ranges.items():
        # A local time that runs over midnight has no end that could be moved outwards.
        if limits is None or limits[0] > limits[1]:
            continue
        slots = _slots(case, environment.sky[column].to_numpy())
        lowest, highest = slots.min(axis=1), slots.max(axis=1)
        lacking = np.maximum(limits[0] - lowest, highest - limits[1])
        otherwise = start_mask(scenario, environment, _allowing(case.activity, key, None))
        otherwise &= ~case.barred
        open_ = case.only("window") & otherwise[: len(slots)] & (lacking > 0)
        for start in case.best(lacking, open_):
            low = min(limits[0], floor(lowest[start] * remedies.TENTHS) / remedies.TENTHS)
            high = max(limits[1], ceil(highest[start] * remedies.TENTHS) / remedies.TENTHS)
            wider = _allowing(case.activity, key, (low, high))
            starts = start_mask(scenario, environment, wider) & ~case.barred
            change = f"{what} might run from {figure(low)} to {figure(high)}"
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
    in_contact = environment.platforms[case.node.name]["in_contact"].to_numpy(dtype=bool)
    if lead_min is None or not in_contact.any():
        return

    def starts_with(left_min: int) -> np.ndarray:
        eased = case.activity.model_copy(update={"lead_min": left_min})
        return start_mask(scenario, environment, eased) & ~case.barred

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
    in_contact = case.environment.platforms[case.node.name]["in_contact"].to_numpy(dtype=bool)
    silent = _slots(case, ~in_contact)
    missing_min = silent.sum(axis=1) if whole else silent[:, 0].astype(int)
    unbound = case.activity.model_copy(update={"contact": "none"})
    starts = start_mask(case.scenario, case.environment, unbound) & ~case.barred
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
    why = why_no_window(case.scenario, case.environment, case.activity)
    return f"no window: {why}" if why else f"window: {condition}"


def _no_single_change(case: Case) -> Answer:
    """What bars the permitted start that the fewest rules bar."""
    none = "no single change found"
    why = why_no_window(case.scenario, case.environment, case.activity)
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
    short = trial.settled(twin).flow.short
    if not short and "energy" in families:
        # Sending put off leaves enough after all.
        families.remove("energy")
    # With a battery twice as large, data may still find no room.
    n, world = case.asked.node, case.world.with_booking(twin)
    full = trial.settled(remedies.larger_battery(n, world, case.node.capacity_wh).booking)
    if "storage" in short or "storage" in full.flow.short:
        families.append("storage")
    families = families or ["the replay by the minute"]
    rules = "1 rule stands" if len(families) == 1 else f"{len(families)} rules at once stand"
    return f"no window: {why}" if why else " and ".join(families), (
        f"{none}; {rules} in the way at the best start, {case.at(start)} ({', '.join(families)})"
    )
