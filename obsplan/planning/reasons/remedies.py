"""The smallest increase of charge, storage, contact or link rate that lets a run fit.

Each amount is searched in steps first, then raised until the replay by the minute accepts it
too. Each change can be written into a scenario, so that a reader can try it.
"""

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from math import ceil, floor

import numpy as np

from obsplan.checking.replay import MBIT_PER_KBPS_MIN
from obsplan.common.intervals import from_mask
from obsplan.environment.model import times_generation
from obsplan.planning.reasons.what_if import Replay, Variant, is_valid_with_some_sending, simulated

# Amounts are searched in tenths of a unit: finer means nothing to a reader.
TENTHS = 10
# The variant with a given amount more of something.
Remedy = Callable[[Variant, float], Variant]


def smallest(
    remedy: Remedy, tries: list[Variant], replay: Replay, guess: float, most: float
) -> tuple[float, int] | None:
    """An amount, up to `most`, with which one of `tries` is valid, and which of them.

    It is the smallest in steps; if the replay by the minute needs more, it is within a hundredth of
    the smallest for that. `guess` says where to look first; None if no amount is enough.
    """
    in_steps = []
    for k, variant in enumerate(tries):
        amount = least(partial(_is_valid_in_steps, remedy, variant), guess, most)
        if amount is not None:
            in_steps.append((amount, k))
    for amount, k in sorted(in_steps):
        agreed = partial(_is_valid_by_the_minute, remedy, tries[k], replay)
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
    `below` is looked at. With a `grain` it may be too large by less than that many tenths.
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


def _is_valid_in_steps(remedy: Remedy, variant: Variant, amount: float) -> bool:
    return not simulated(remedy(variant, amount).booking).flow.short


def _is_valid_by_the_minute(
    remedy: Remedy, variant: Variant, replay: Replay, amount: float
) -> bool:
    return is_valid_with_some_sending(remedy(variant, amount), replay)


def larger_battery(n: int, variant: Variant, wh: float) -> Variant:
    """A battery of platform `n` with `wh` more capacity, charged from the start.

    Its reserve stays what it is in Wh; its margin stays a share, so that part of the `wh` is kept.
    """
    node, platform = variant.booking.problem.nodes[n], variant.scenario.platform[n]
    battery = platform.battery
    usable_wh = battery.usable_wh + wh

    def share(of_old: float, more_wh: float = 0.0) -> float:
        return (of_old * battery.usable_wh + more_wh) / usable_wh

    larger = {
        "capacity_wh": usable_wh / (1 - battery.fade),
        "reserve": share(battery.reserve),
        "start": share(battery.start, wh),
        "end": None if battery.end is None else share(battery.end),
    }
    fields = {"battery": battery.model_copy(update=larger)}
    kept_wh = platform.margins.energy_share * wh
    levels = {
        "capacity_wh": node.capacity_wh + wh,
        "start_wh": node.start_wh + wh,
        "reserve_wh": node.reserve_wh + kept_wh,
        "end_wh": node.end_wh + kept_wh,
    }
    changed = variant.with_node(n, fields, **levels)
    read = tuple(
        each if each.stored_wh is None else replace(each, stored_wh=each.stored_wh + wh)
        for each in variant.environment.readings.get(node.name, ())
    )
    readings = variant.environment.readings | {node.name: read}
    return replace(changed, environment=replace(changed.environment, readings=readings))


def larger_store(n: int, capacity: bool, end_limit: bool, variant: Variant, mbit: float) -> Variant:
    """A store of platform `n` with more `capacity`, a higher `end_limit`, or both."""
    node, platform = variant.booking.problem.nodes[n], variant.scenario.platform[n]
    store, used = platform.store, 1 - platform.margins.store_share
    more, more_at_end = mbit if capacity else 0.0, mbit if end_limit else 0.0
    larger = {"capacity_mbit": store.capacity_mbit + more}
    if store.end_limit_mbit is None:
        more_at_end = used * more  # a store without a limit at the end may end full
    else:
        larger["end_limit_mbit"] = store.end_limit_mbit + more_at_end
        if not end_limit:
            beyond_mbit = store.end_limit_mbit - used * store.capacity_mbit
            more_at_end = min(used * more, max(0.0, beyond_mbit))
    return variant.with_node(
        n,
        {"store": store.model_copy(update=larger)},
        store_mbit=node.store_mbit + used * more,
        store_end_mbit=node.store_end_mbit + more_at_end,
    )


def faster_link(n: int, variant: Variant, percent: float) -> Variant:
    """A link of platform `n` that carries `percent` % more, for the same energy."""
    factor, node = 1 + percent / 100, variant.booking.problem.nodes[n]
    changed = variant.with_node(n, {}, send_mbit=node.send_mbit * factor)
    rate_kbps = variant.environment.platforms[node.name]["rate_kbps"] * factor
    return changed.with_columns(n, rate_kbps=rate_kbps)


def larger_array(n: int, variant: Variant, watts: float) -> Variant:
    """Arrays of platform `n` that yield `watts` more at their best, and more in proportion."""
    node = variant.booking.problem.nodes[n]
    table = variant.environment.platforms[node.name]
    factor = 1 + watts / node.generation_w.max()
    changed = variant.with_node(n, {}, generation_w=node.generation_w * factor)
    return changed.with_columns(n, **times_generation(table, factor))


def last_contact_gap(variant: Variant, n: int, before_min: int) -> tuple[int, int]:
    """The last minutes before `before_min` without a link to Earth; none for a relay's user."""
    node = variant.booking.problem.nodes[n]
    rate_kbps = variant.environment.platforms[node.name]["rate_kbps"].to_numpy(dtype=float)
    gaps = from_mask(rate_kbps[:before_min] <= 0.0).tolist()
    if node.receiver >= 0 or not gaps or not rate_kbps.any():
        return before_min, before_min
    return tuple(gaps[-1])


def longer_contact(n: int, first_min: int, variant: Variant, minutes: float) -> Variant:
    """Contact of platform `n` for `minutes` whole minutes from `first_min` on, at a usual rate."""
    node, step_min = variant.booking.problem.nodes[n], variant.scenario.span.step_min
    table = variant.environment.platforms[node.name]
    rate_kbps, in_contact = (table[c].to_numpy(copy=True) for c in ("rate_kbps", "in_contact"))
    more = slice(first_min, first_min + ceil(minutes))
    rate_kbps[more], in_contact[more] = np.median(rate_kbps[rate_kbps > 0]), True
    steps = np.unique(np.arange(more.start, more.stop) // step_min)
    by_step = rate_kbps[: len(node.send_mbit) * step_min].reshape(-1, step_min)[steps]
    send_mbit, send_share = node.send_mbit.copy(), node.send_share.copy()
    used = 1 - variant.scenario.platform[n].margins.link_share
    send_mbit[steps] = used * by_step.sum(axis=1) * MBIT_PER_KBPS_MIN
    send_share[steps] = used * (by_step > 0).mean(axis=1)
    changed = variant.with_node(n, {}, send_mbit=send_mbit, send_share=send_share)
    return changed.with_columns(n, rate_kbps=rate_kbps, in_contact=in_contact)
