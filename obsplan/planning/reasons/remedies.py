"""The least of something more that lets a run in: charge, room for data, contact, speed.

Each amount is sought in steps first, then raised until the replay by the minute agrees as
well. What is changed is what a scenario could say, so that a reader can try it too.
"""

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from math import ceil, floor

import numpy as np

from obsplan.checking.replay import MBIT_PER_KBPS_MIN
from obsplan.common.intervals import from_mask
from obsplan.planning.reasons.what_if import World, holds_somehow, settled

# Changes are sought in tenths of a unit: finer means nothing to a reader.
TENTHS = 10
# The world with so much more of something.
Remedy = Callable[[World, float], World]


def smallest(
    remedy: Remedy, tries: list[World], holds: Callable[[World], bool], guess: float, most: float
) -> tuple[float, int] | None:
    """An amount, up to `most`, with which one of `tries` holds, and which of them.

    It is the smallest in steps, and where the replay by the minute asks for more, within a
    hundredth of the smallest then. `guess` says where to look first; None when no amount
    will do.
    """
    in_steps = []
    for k, world in enumerate(tries):
        amount = least(partial(_holds_in_steps, remedy, world), guess, most)
        if amount is not None:
            in_steps.append((amount, k))
    for amount, k in sorted(in_steps):
        agreed = partial(_holds_by_the_minute, remedy, tries[k], holds)
        grain = max(1, round(amount * TENTHS / 100))
        found = least(agreed, amount, most, amount - 1 / TENTHS, grain)
        if found is not None:
            return found, k
    return None


def least(
    enough: Callable[[float], bool],
    guess: float,
    most: float,
    below: float = -1 / TENTHS,
    grain: int = 1,
) -> float | None:
    """The smallest amount up to `most`, in tenths, found `enough`; None if none is.

    The amount returned was itself tried. `guess` says where to look first; nothing up to
    `below` is looked at. With a `grain` it may be less than so many tenths too much.
    """
    low, top, stride = floor(below * TENTHS + 1e-6), floor(most * TENTHS + 1e-6), grain
    high = min(max(0, low + 1, ceil(guess * TENTHS - 1e-6)), top)
    if not enough(high / TENTHS):
        if high == top or not enough(top / TENTHS):
            return None
        low, high = high, min(high + stride, top)
        while high < top and not enough(high / TENTHS):
            stride *= 2
            low, high = high, min(high + stride, top)
    while high - low > grain:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle / TENTHS) else (middle, high)
    return high / TENTHS


def _holds_in_steps(remedy: Remedy, world: World, amount: float) -> bool:
    return not settled(remedy(world, amount).booking).flow.short


def _holds_by_the_minute(
    remedy: Remedy, world: World, holds: Callable[[World], bool], amount: float
) -> bool:
    return holds_somehow(remedy(world, amount), holds)


def larger_battery(n: int, world: World, wh: float) -> World:
    """A battery of platform `n` that holds `wh` more, and holds them from the start."""
    node, battery = world.booking.problem.nodes[n], world.scenario.platform[n].battery
    capacity_wh = battery.capacity_wh + wh

    def share(of_old: float, more_wh: float = 0.0) -> float:
        return (of_old * battery.capacity_wh + more_wh) / capacity_wh

    larger = {
        "capacity_wh": capacity_wh,
        "reserve": share(battery.reserve),
        "start": share(battery.start, wh),
        "end": None if battery.end is None else share(battery.end),
    }
    asked = {"battery": battery.model_copy(update=larger)}
    levels = {"capacity_wh": node.capacity_wh + wh, "start_wh": node.start_wh + wh}
    changed = world.with_node(n, asked, **levels)
    reading = world.environment.readings.get(node.name)
    if reading is None or reading.stored_wh is None:
        return changed
    readings = world.environment.readings | {
        node.name: replace(reading, stored_wh=reading.stored_wh + wh)
    }
    return replace(changed, environment=replace(changed.environment, readings=readings))


def larger_store(n: int, room: bool, left: bool, world: World, mbit: float) -> World:
    """A store of platform `n` with more `room`, or more allowed to be `left` at the end."""
    node, store = world.booking.problem.nodes[n], world.scenario.platform[n].store
    more_room, more_left = mbit if room else 0.0, mbit if left else 0.0
    larger = {"capacity_mbit": store.capacity_mbit + more_room}
    if store.end_limit_mbit is None:
        more_left = more_room  # what may be full at the end may be so too when it is larger
    else:
        larger["end_limit_mbit"] = store.end_limit_mbit + more_left
        if not left:
            more_left = min(more_room, max(0.0, store.end_limit_mbit - store.capacity_mbit))
    return world.with_node(
        n,
        {"store": store.model_copy(update=larger)},
        store_mbit=node.store_mbit + more_room,
        store_end_mbit=node.store_end_mbit + more_left,
    )


def faster_link(n: int, world: World, percent: float) -> World:
    """A link of platform `n` that carries so many percent more, for the same energy."""
    factor, node = 1 + percent / 100, world.booking.problem.nodes[n]
    changed = world.with_node(n, {}, send_mbit=node.send_mbit * factor)
    rate_kbps = world.environment.platforms[node.name]["rate_kbps"] * factor
    return changed.with_columns(n, rate_kbps=rate_kbps)


def last_silence(world: World, n: int, before_min: int) -> tuple[int, int]:
    """The last minutes before `before_min` without a link to Earth; none for a relay's user."""
    node = world.booking.problem.nodes[n]
    rate_kbps = world.environment.platforms[node.name]["rate_kbps"].to_numpy(dtype=float)
    silences = from_mask(rate_kbps[:before_min] <= 0.0).tolist()
    if node.receiver >= 0 or not silences or not rate_kbps.any():
        return before_min, before_min
    return tuple(silences[-1])


def longer_contact(n: int, first_min: int, world: World, minutes: float) -> World:
    """Contact of platform `n` for so many whole minutes from `first_min` on, at a usual rate."""
    node, step_min = world.booking.problem.nodes[n], world.scenario.span.step_min
    table = world.environment.platforms[node.name]
    rate_kbps, in_contact = (table[c].to_numpy(copy=True) for c in ("rate_kbps", "in_contact"))
    more = slice(first_min, first_min + ceil(minutes))
    rate_kbps[more], in_contact[more] = np.median(rate_kbps[rate_kbps > 0]), True
    steps = np.unique(np.arange(more.start, more.stop) // step_min)
    by_step = rate_kbps[: len(node.send_mbit) * step_min].reshape(-1, step_min)[steps]
    send_mbit, send_share = node.send_mbit.copy(), node.send_share.copy()
    send_mbit[steps] = by_step.sum(axis=1) * MBIT_PER_KBPS_MIN
    send_share[steps] = (by_step > 0).mean(axis=1)
    changed = world.with_node(n, {}, send_mbit=send_mbit, send_share=send_share)
    return changed.with_columns(n, rate_kbps=rate_kbps, in_contact=in_contact)
