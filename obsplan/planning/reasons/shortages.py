"""How much a run lacks: charge of the battery, or room, contact or speed for its data.

Where it turns out to lack nothing, the answer says so.
"""

from functools import partial
from math import ceil

import numpy as np

from obsplan.checking.replay import stamp
from obsplan.common.text import number_text
from obsplan.planning.problem.booking import Booking
from obsplan.planning.reasons import remedies, what_if
from obsplan.planning.reasons.case import Answer, Case

# A link that would have to be more than twice as fast is no small change.
MOST_FASTER = 100.0


def _fits(case: Case, twin: Booking, start: int) -> Answer | None:
    """The answer when `twin`, the plan with the run at `start`, holds as it is."""
    if twin.flow.short or not case.holds_with(twin):
        return None
    worth = case.booking.next_value(case.task)[start]
    reason = "left out by the search" if worth > 0 else "one more run is worth nothing"
    return reason, f"nothing: it fits at {case.at(start)}"


def as_it_is_or_more_for_data(case: Case) -> Answer | None:
    """Where nothing but a store may stand in the way: no change, or what the data lack."""
    tries: list[tuple[int, Booking]] = []
    for start in case.best(what_if.crowding_mbit(case.booking, case.task), case.free_but_for()):
        twin = what_if.with_run(case.booking, case.task, start)
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
    crowded = [(start, twin, over) for start, twin in tries if (over := what_if.overfull(twin))]
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
        enough = most > 0 and remedies.smallest(remedy, worlds, case.holds, guess, most)
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
    said = [
        f"{number_text(least)} {what}" for least, what in zip(found, words) if least is not None
    ]
    if not said:
        return None
    return f"storage and downlink of {name}", f"{', or '.join(said)} (start {case.at(start)})"


def more_energy(case: Case) -> Answer | None:
    """Where nothing but energy may stand in the way: no change, or the charge it lacks."""
    # Where not even a full battery would do, a larger one may.
    missing_wh = np.minimum(case.hurdles["energy"], case.node.capacity_wh)
    tries = []
    for start in case.best(missing_wh, case.only("energy")):
        twin = what_if.with_run(case.booking, case.task, start)
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
        f'{number_text(wh)} Wh more in the battery of "{node.name}" before {case.at(tries[k][0])}'
    )
