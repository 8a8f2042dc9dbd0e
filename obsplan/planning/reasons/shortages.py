"""How much a run is short of: battery charge, or storage, contact or link rate for its data.

If it is short of nothing, the answer says so.
"""

from functools import partial
from math import ceil

import numpy as np

from obsplan.planning.problem.booking import Booking
from obsplan.planning.reasons import remedies
from obsplan.planning.reasons.blocking import Constraint, overflow_estimate_mbit
from obsplan.planning.reasons.fix_wording import (
    Answer,
    FasterLink,
    LargerBattery,
    LargerStore,
    MoreContact,
    MoreForData,
    NoFixNeeded,
)
from obsplan.planning.reasons.reason_wording import Blocked, LeftOut
from obsplan.planning.reasons.what_if import Insertion, overflow, with_run

# A link that would have to be more than twice as fast is no small change.
MOST_FASTER = 100.0


def fits_or_lacks_data(insertion: Insertion) -> Answer | None:
    """If nothing but a store may block the run: no change, or what its data need."""
    estimate_mbit = overflow_estimate_mbit(insertion.booking, insertion.task)
    tries: list[tuple[int, Booking]] = []
    for start in insertion.best(estimate_mbit, insertion.free_but_for()):
        booking = with_run(insertion.booking, insertion.task, start)
        if answer := fits(insertion, booking, start):
            return answer
        tries.append((start, booking))
    # A plan that is valid in steps may be short of charge within one.
    in_steps = [(start, booking) for start, booking in tries if not booking.flow.short]
    return _lacks_data(insertion, tries) or _lacks_charge(insertion, in_steps)


def lacks_energy(insertion: Insertion) -> Answer | None:
    """If nothing but energy may block the run: no change, or the missing charge."""
    # A larger battery may be enough where a full one is not.
    missing_wh = np.minimum(insertion.blocking[Constraint.ENERGY], insertion.node.capacity_wh)
    tries = []
    for start in insertion.best(missing_wh, insertion.blocked_only_by(Constraint.ENERGY)):
        booking = with_run(insertion.booking, insertion.task, start)
        if answer := fits(insertion, booking, start):
            return answer
        tries.append((start, booking))
    return _lacks_charge(insertion, tries)


def fits(insertion: Insertion, booking: Booking, start: int) -> Answer | None:
    """The answer if `booking`, the plan with the run at `start`, is valid as it is."""
    if booking.flow.short or not insertion.is_valid_with(booking):
        return None
    gain = insertion.booking.next_value(insertion.task)[start]
    return Answer(LeftOut(adds_value=gain > 0), NoFixNeeded(insertion.at(start)))


def _lacks_data(insertion: Insertion, tries: list[tuple[int, Booking]]) -> Answer | None:
    """More storage, contact, link rate or energy to send with, each enough by itself.

    `tries` are starts and plans with the run; the changes are all for the same start.
    """
    crowded = [(start, plan, over) for start, plan in tries if (over := overflow(plan))]
    if not crowded:
        return None
    n, excess, step, over_capacity, over_end_limit = crowded[0][2]
    node, store = insertion.booking.problem.nodes[n], insertion.scenario.platform[n].store
    over_end_limit &= (
        store.end_limit_mbit is not None and store.end_limit_mbit < store.capacity_mbit
    )
    gap_end_min = (step + 1) * insertion.scenario.span.step_min
    gap_min = remedies.last_contact_gap(insertion.variant, n, gap_end_min)
    gap_min = max(gap_min[0], insertion.first * insertion.scenario.span.step_min), gap_min[1]
    larger_store = partial(remedies.larger_store, n, over_capacity, over_end_limit)
    longest = gap_min[1] - gap_min[0]
    searches = (
        (larger_store, excess, excess + node.store_mbit + insertion.what.data_mbit.sum()),
        (partial(remedies.longer_contact, n, gap_min[0]), 10.0, longest),
        (partial(remedies.faster_link, n), 10.0, MOST_FASTER if node.send_mbit.any() else 0.0),
        (partial(remedies.larger_battery, n), 1.0, node.capacity_wh),
    )
    same = [(start, plan, over.step) for start, plan, over in crowded if over.node == n]
    amounts: list[float | None] = []
    for remedy, guess, most in searches:
        variants = [insertion.variant.with_booking(plan) for _, plan, _ in same]
        enough = most > 0 and remedies.smallest(remedy, variants, insertion.replay, guess, most)
        amounts.append(enough[0] if enough else None)
        same = [same[enough[1]]] if enough else same
    start, _, step = same[0]
    mbit, minutes, percent, wh = amounts
    start_utc, by_utc = insertion.at(start), insertion.at(step + 1)
    changes = (
        mbit is not None and LargerStore(node.name, mbit, over_capacity, over_end_limit, by_utc),
        # Contact is counted in whole minutes.
        minutes is not None
        and MoreContact(node.name, ceil(minutes), insertion.minute_at(gap_min[0])),
        percent is not None and FasterLink(node.name, percent),
        wh is not None and LargerBattery(node.name, wh, start_utc),
    )
    if not any(changes):
        return None
    fix = MoreForData(tuple(change for change in changes if change), start_utc)
    return Answer(Blocked(Constraint.STORAGE, node.name), fix)


def _lacks_charge(insertion: Insertion, tries: list[tuple[int, Booking]]) -> Answer | None:
    """The charge with which one of `tries`, start and plan with the run, is valid."""
    if not tries:
        return None
    node = insertion.node
    variants = [insertion.variant.with_booking(plan) for _, plan in tries]
    remedy = partial(remedies.larger_battery, insertion.what.node)
    most = node.capacity_wh - node.reserve_wh
    guess = min(insertion.blocking[Constraint.ENERGY][tries[0][0]], most)
    found = remedies.smallest(remedy, variants, insertion.replay, guess, most)
    if found is None:
        return None
    wh, k = found
    fix = LargerBattery(node.name, wh, insertion.at(tries[k][0]))
    return Answer(Blocked(Constraint.ENERGY, node.name), fix)
