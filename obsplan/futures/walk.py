"""The execution of a timeline in many futures, minute by minute, over plain arrays.

`walk_futures` is compiled if there is a compiler; all that it calls stands in this file, as the
compiler's cache watches no other. The functions are plain Python too, and give the same numbers.
The rule in words is in `execution_rule`; with nothing uncertain the numbers are those of
`checking.replay`, and tests compare the two.
"""

from collections.abc import Callable
from math import exp, inf, isnan, log
from typing import NamedTuple

import numpy as np

from obsplan.common.constants import STEFAN_BOLTZMANN_W_M2_K4

try:
    from numba.extending import register_jitable
except Exception:  # whatever keeps the compiler from this machine; `compiled_walk` tells

    def register_jitable(function: Callable) -> Callable:  # type: ignore[no-redef]
        """The function as it is."""
        return function


# What becomes of a run; from FAILED on it is not made.
PENDING, RUNNING, MADE, FAILED, OUT, COMMANDS, CONTACT, ORDER, CONDITIONS, LATE = range(10)
POWER, CHARGE, STORAGE, SHED, TEMPERATURE, SPAN, CODES = range(10, 17)

# Columns of `figures`, of `runs`, of `activities`, of `orders` and of `nodes`.
CAPACITY, RESERVE, START_CHARGE, END_CHARGE, IN, OUT_OF, CHARGE_LIMIT, TAPER_ABOVE = range(8)
DISCHARGE_LIMIT, TRANSMIT, BUS, STORE, START_MBIT, FIGURES = range(8, 14)
PLATFORM, ACTIVITY, START, SLOT_END, WARM_MIN, RUN_MIN, PRIORITY, NODE, FORCED, SLIP = range(10)
HAS_FAILED, AGAIN, RUN_FIGURES = range(10, 13)
# How often a run may be tried.
TRIES = 2
INSTRUMENT, GAP, LINK, FIRST_RUNS, LEAD, LOADED, AWAY_MIN, ACTIVITY_FIGURES = range(8)
LATER, EARLIER, SETTLE, EACH, RECEIVED, DECIDE, DECIDED, SINCE, BEFORE, ORDER_FIGURES = range(10)
NODE_OF, HEAT_CAPACITY, GROUND, RADIATING, START_K, HEATER_W, ON_BELOW, OFF_ABOVE = range(8)
HEAT_SHARE, CHARGES_ABOVE, OPERATING_LOW, OPERATING_HIGH, SWITCH_LOW, SWITCH_HIGH = range(8, 14)
NODE_FIGURES = 14
# Links that an activity needs.
NO_LINK, LINK_AT_START, LINK_THROUGHOUT = range(3)
# Figures of a future: factors of a platform, and what of them has been measured.
ARRAYS, IDLE, HEATERS, RATE, FACTORS = range(5)
# Figures of a battery in a future.
FULL, RESERVE_WH, END_WH, TAPER, LEVELS = range(5)

MINUTE_H, MINUTE_S = 1.0 / 60.0, 60.0
# Slacks of the referee: rounding in sums over a span.
POWER_SLACK_W, ENERGY_SLACK_WH, DATA_SLACK_MBIT, TEMPERATURE_SLACK_K = 1e-9, 1e-6, 1e-6, 1e-6
DATA_DUST_MBIT, ROUNDING_MBIT = 1e-9, 1e-4
# Priorities 1 to 9; data that no run of the timeline has taken leave before all.
CLASSES = 10


class World(NamedTuple):
    """A timeline and its environment as arrays; see the constants above for their columns.

    Platforms are in order of name, runs in order of start. By platform and minute (p, n):
    generation_w, idle_w, heater_w (all but nodes), node_heater_w (as planned), planned_w (draw of
    the runs as planned), rate_mbit (per minute, 0 outside transmit windows), contact, station (a
    thing, -1 if none), charges (by thermal tables), plan_charges, reading_wh and reading_mbit (NaN
    without). relay (p,): the receiver, -1 for Earth. order (p,): those that relay first. By node
    and minute: node_heat_w, node_pull_w (conductance times ground temperature), node_reading_k.
    AGAIN of a run: how long after a try that came to nothing it may start again, -1 if never.
    run_w (runs, 2): W in warm-up and run; run_mbit (runs,). exclusive (a, a); turn (a, a): minutes
    between runs that point at different things; away (p, n): minutes in which the antenna points
    elsewhere as planned (AWAY_MIN of an activity: how long after its runs, -1 if they leave the
    antenna alone); teams (teams, a),
    at_once (teams,). missed (a, n + 1): minutes before each that do not meet what the whole slot
    needs; start_open (a, n). out (things, n): what telemetry says is out of service; things are
    instruments, stations, platforms, of which platforms begin at `first_platform`. now: the
    first minute in which anything may differ. every: minutes in a sample of the levels.
    """

    figures: np.ndarray
    relay: np.ndarray
    order: np.ndarray
    generation_w: np.ndarray
    idle_w: np.ndarray
    heater_w: np.ndarray
    node_heater_w: np.ndarray
    planned_w: np.ndarray
    rate_mbit: np.ndarray
    contact: np.ndarray
    station: np.ndarray
    charges: np.ndarray
    plan_charges: np.ndarray
    reading_wh: np.ndarray
    reading_mbit: np.ndarray
    nodes: np.ndarray
    node_heat_w: np.ndarray
    node_pull_w: np.ndarray
    node_reading_k: np.ndarray
    runs: np.ndarray
    run_w: np.ndarray
    run_mbit: np.ndarray
    activities: np.ndarray
    exclusive: np.ndarray
    turn: np.ndarray
    away: np.ndarray
    teams: np.ndarray
    at_once: np.ndarray
    missed: np.ndarray
    start_open: np.ndarray
    orders: np.ndarray
    out: np.ndarray
    first_platform: int
    now: int
    every: int


class Draws(NamedTuple):
    """What is drawn for each of f futures.

    factor (f, p, FACTORS), capacity (f, p), draw (f, a): factors. run_min (f, runs): minutes after
    warm-up; fails (f, runs, TRIES): whether this try of it does. outages (k, 4): future, thing,
    first minute out, first in service.
    """

    factor: np.ndarray
    capacity: np.ndarray
    draw: np.ndarray
    run_min: np.ndarray
    fails: np.ndarray
    outages: np.ndarray


class Outcome(NamedTuple):
    """What becomes of a timeline in each of f futures.

    code (f, runs): the constants above. start_min (f, runs): -1 if it did not start.
    received_min (f, runs): when its last data reach Earth, -1 if not within the span. lowest (f, p,
    samples): least charge in each sample as a share of the full battery; most_mbit (f, p,
    samples): most in the store. below, empty (f, p): minutes below the reserve, and with an empty
    battery. end_short_wh (f, p): what is missing of the charge required at the end. aboard_mbit,
    lost_mbit (f, p): left in the store at the end, and lost as it was full.
    """

    code: np.ndarray
    start_min: np.ndarray
    received_min: np.ndarray
    lowest: np.ndarray
    most_mbit: np.ndarray
    below: np.ndarray
    empty: np.ndarray
    end_short_wh: np.ndarray
    aboard_mbit: np.ndarray
    lost_mbit: np.ndarray


class State(NamedTuple):
    """One future while it is walked.

    levels (p, LEVELS): figures of its battery. believed (p, FACTORS), believed_draw (a,): factors
    as far as they are measured. planned_w, under_w (p, n): draw by forecast of the runs that are
    not over, and of those under way. need_wh, plan_need_wh, rest_wh (p, n + 1): least charge that
    lasts to the end without sending, with these runs, with all runs as predicted, and with those
    under way. out (things, n); contact, rate_mbit, away (p, n). changes (n + 1,): minutes in which
    they change. wh, mbit (p,). came, left (p, CLASSES): Mbit that entered and left a store, by
    priority. code, started, ends, received (runs,). tried (runs,): tries that came to nothing.
    expected (runs,): the minute before which a run does not start, and from which forecasts have
    it. mark (runs,): what must have left the store
    `at` (runs,) for all data of a run to have left it. whole (runs,): needs contact throughout.
    running, waiting, awaited (runs + 1,): runs under way, due, and with data not yet on Earth, of
    which the first `counts` (COUNTS,) count; then come the next run that is not due and the next
    change. first_contact (p,). last_end, counted (a,): when a run last ended, and runs made or
    under way. temperature_k, is_on (nodes,). drawn_w (p,), node_w (nodes,), taken_mbit (runs,):
    what the runs under way draw, heat and yield. warm_enough (p,), work (WORK, p): of a minute.
    ahead (2, n): draw and data by forecast.
    """

    levels: np.ndarray
    believed: np.ndarray
    believed_draw: np.ndarray
    planned_w: np.ndarray
    under_w: np.ndarray
    need_wh: np.ndarray
    plan_need_wh: np.ndarray
    rest_wh: np.ndarray
    out: np.ndarray
    contact: np.ndarray
    rate_mbit: np.ndarray
    away: np.ndarray
    changes: np.ndarray
    wh: np.ndarray
    mbit: np.ndarray
    came: np.ndarray
    left: np.ndarray
    code: np.ndarray
    started: np.ndarray
    ends: np.ndarray
    received: np.ndarray
    tried: np.ndarray
    expected: np.ndarray
    mark: np.ndarray
    at: np.ndarray
    whole: np.ndarray
    running: np.ndarray
    waiting: np.ndarray
    awaited: np.ndarray
    counts: np.ndarray
    first_contact: np.ndarray
    last_end: np.ndarray
    counted: np.ndarray
    temperature_k: np.ndarray
    is_on: np.ndarray
    drawn_w: np.ndarray
    node_w: np.ndarray
    taken_mbit: np.ndarray
    warm_enough: np.ndarray
    work: np.ndarray
    ahead: np.ndarray


# What `counts` counts, and rows of `work`.
IN_PROGRESS, DUE, UNDERWAY, NEXT, CHANGE, COUNTS = range(6)
QUIET_WH, SENDING_WH, QUOTA, OFFER, HEAT_W, SENT, WORK = range(7)


# ------------------------------------------------------------------ battery


@register_jitable
def change_wh(net_w, limit_w, into, out_of):
    """Change of the stored energy by the surplus of a minute, ignoring the capacity."""
    if net_w >= 0:
        return min(net_w, limit_w) * into
    return net_w * out_of


@register_jitable
def charged(level_wh, change, full_wh, taper):
    """The level after a change: no more than full, and near full no faster than it takes."""
    if taper > 0:
        change = min(change, taper * (full_wh - level_wh))
    return min(level_wh + change, full_wh)


@register_jitable
def needed_before(need_wh, change, full_wh, taper, reserve_wh):
    """The least level before a change after which `need_wh` is left."""
    need_wh = min(need_wh, full_wh)
    least_wh = need_wh - change
    if 0 < taper < 1 and change > 0:
        least_wh = max(least_wh, (need_wh - taper * full_wh) / (1 - taper))
    return max(least_wh, reserve_wh)


@register_jitable
def renew(p, first, last, world, s):
    """The forecast needs of a platform over minutes first...last, after loads have changed."""
    n = world.generation_w.shape[1]
    full_wh, reserve_wh, taper = s.levels[p, FULL], s.levels[p, RESERVE_WH], s.levels[p, TAPER]
    into, out_of = world.figures[p, IN], world.figures[p, OUT_OF]
    most_w = world.figures[p, CHARGE_LIMIT]
    arrays, idle, heaters = s.believed[p, ARRAYS], s.believed[p, IDLE], s.believed[p, HEATERS]
    generation_w, idle_w, heater_w = world.generation_w[p], world.idle_w[p], world.heater_w[p]
    node_w, planned_w, reading_wh = world.node_heater_w[p], s.planned_w[p], world.reading_wh[p]
    need_wh, rest_wh, under_w = s.need_wh[p], s.rest_wh[p], s.under_w[p]
    charges = world.plan_charges[p]
    last = min(last, n)
    need, rest = need_wh[last], rest_wh[last]
    for m in range(last - 1, first - 1, -1):
        if m + 1 < n and not isnan(reading_wh[m + 1]):
            need = rest = reserve_wh
        limit_w = most_w if charges[m] else 0.0
        net_w = generation_w[m] * arrays - (idle_w[m] * idle + (heater_w[m] + node_w[m]) * heaters)
        change = change_wh(net_w - under_w[m], limit_w, into, out_of)
        rest = needed_before(rest, change, full_wh, taper, reserve_wh)
        change = change_wh(net_w - planned_w[m], limit_w, into, out_of)
        need = needed_before(need, change, full_wh, taper, reserve_wh)
        rest_wh[m], need_wh[m] = rest, need


@register_jitable
def plan_draw(r, start, since, factor, world, drawn_w):
    """Add the draw of a run times `factor` to a forecast (p, n), from minute `since` on.

    Gives the minute in which the run is done if it takes as long as planned.
    """
    p, n = world.runs[r, PLATFORM], world.generation_w.shape[1]
    warm = start + world.runs[r, WARM_MIN]
    done = warm + world.runs[r, RUN_MIN]
    for m in range(max(start, since), min(done, n)):
        drawn_w[p, m] += factor * world.run_w[r, 0 if m < warm else 1]
    return done


# ------------------------------------------------------------------ runs


@register_jitable
def end_run(k, t, code, world, s):
    """The k-th run in progress ends at minute t."""
    r = s.running[k]
    p, a = world.runs[r, PLATFORM], world.runs[r, ACTIVITY]
    s.code[r] = code
    s.last_end[a] = max(s.last_end[a], t)
    if code == MADE:
        s.ends[r] = t
        if s.mark[r] < 0:  # no data
            s.received[r] = t
    else:
        s.counted[a] -= 1
    for j in range(k, s.counts[IN_PROGRESS] - 1):
        s.running[j] = s.running[j + 1]
    s.counts[IN_PROGRESS] -= 1
    if t < s.started[r] + world.runs[r, WARM_MIN] + world.runs[r, RUN_MIN]:
        plan_draw(r, s.started[r], t, -s.believed_draw[a], world, s.under_w)
        last = plan_draw(r, s.started[r], t, -s.believed_draw[a], world, s.planned_w)
        renew(p, t, last, world, s)
    if code != MADE and world.runs[r, AGAIN] >= 0 and s.tried[r] + 1 < TRIES:
        try_again(r, t, world, s)


@register_jitable
def try_again(r, t, world, s):
    """A run that came to nothing at minute t is due again after a look, if it may wait so long."""
    expected = t + world.runs[r, AGAIN]
    if expected > min(world.runs[r, START] + world.runs[r, SLIP], world.generation_w.shape[1] - 1):
        return
    s.code[r], s.started[r], s.expected[r] = PENDING, -1, expected
    s.tried[r] += 1
    k = s.counts[DUE]
    while k and s.waiting[k - 1] > r:
        s.waiting[k] = s.waiting[k - 1]
        k -= 1
    s.waiting[k] = r
    s.counts[DUE] += 1
    p, factor = world.runs[r, PLATFORM], s.believed_draw[world.runs[r, ACTIVITY]]
    renew(p, t, plan_draw(r, expected, t, factor, world, s.planned_w), world, s)


@register_jitable
def end_runs(t, world, draws, f, s):
    """Runs that are over at minute t, and those that cannot go on."""
    k = 0
    while k < s.counts[IN_PROGRESS]:
        r = s.running[k]
        p, a, node = world.runs[r, PLATFORM], world.runs[r, ACTIVITY], world.runs[r, NODE]
        code = RUNNING
        if t >= s.ends[r]:
            code = FAILED if draws.fails[f, r, s.tried[r]] else MADE
        elif not world.runs[r, FORCED]:
            if s.out[world.activities[a, INSTRUMENT], t] or s.out[world.first_platform + p, t]:
                code = OUT
            elif s.whole[r] and not s.contact[p, t]:
                code = CONTACT
            elif node >= 0 and is_outside(
                s.temperature_k[node],
                world.nodes[node, OPERATING_LOW],
                world.nodes[node, OPERATING_HIGH],
            ):
                code = TEMPERATURE
        if code == RUNNING:
            k += 1
        else:
            end_run(k, t, code, world, s)


@register_jitable
def is_outside(value_k, low_k, high_k):
    """Whether a temperature is outside a range by more than rounding."""
    return value_k < low_k - TEMPERATURE_SLACK_K or value_k > high_k + TEMPERATURE_SLACK_K


@register_jitable
def start_runs(t, world, draws, f, s):
    """Runs that are due at minute t start, wait or are skipped, in the order of the plan."""
    while s.counts[NEXT] < len(world.runs) and world.runs[s.counts[NEXT], START] <= t:
        s.waiting[s.counts[DUE]] = s.counts[NEXT]
        s.counts[DUE] += 1
        s.counts[NEXT] += 1
    k = 0
    while k < s.counts[DUE]:
        r = s.waiting[k]
        code = PENDING
        if not world.runs[r, FORCED]:
            code = blocked(k, t, world, s)
            waits = code != PENDING or world.runs[r, AGAIN] >= 0
            if code == PENDING:
                code = refused(r, t, world, s)
            if waits and code != PENDING and t < world.runs[r, START] + world.runs[r, SLIP]:
                k += 1
                continue
        for j in range(k, s.counts[DUE] - 1):
            s.waiting[j] = s.waiting[j + 1]
        s.counts[DUE] -= 1
        if code == PENDING:
            begin_run(r, t, world, draws, f, s)
            continue
        s.code[r] = code
        p, factor = world.runs[r, PLATFORM], s.believed_draw[world.runs[r, ACTIVITY]]
        last = plan_draw(r, s.expected[r], t, -factor, world, s.planned_w)
        renew(p, t, last, world, s)


@register_jitable
def begin_run(r, t, world, draws, f, s):
    """A run starts at minute t."""
    p, a = world.runs[r, PLATFORM], world.runs[r, ACTIVITY]
    s.code[r] = RUNNING
    s.started[r] = t
    length = world.runs[r, SLOT_END] - world.runs[r, START]
    s.ends[r] = t + max(length, world.runs[r, WARM_MIN] + draws.run_min[f, r])
    s.whole[r] = is_whole(r, world, s)
    s.counted[a] += 1
    s.running[s.counts[IN_PROGRESS]] = r
    s.counts[IN_PROGRESS] += 1
    if world.activities[a, AWAY_MIN] >= 0:
        s.away[p, t : s.ends[r] + world.activities[a, AWAY_MIN]] = True
    factor = s.believed_draw[a]
    if t > s.expected[r]:
        plan_draw(r, s.expected[r], t, -factor, world, s.planned_w)
        plan_draw(r, t, t, factor, world, s.planned_w)
    renew(p, t, plan_draw(r, t, t, factor, world, s.under_w), world, s)


@register_jitable
def is_whole(r, world, s):
    """Whether the next run of its activity must be in contact throughout."""
    a = world.runs[r, ACTIVITY]
    is_early = s.counted[a] < world.activities[a, FIRST_RUNS]
    return is_early or world.activities[a, LINK] == LINK_THROUGHOUT


@register_jitable
def blocked(k, t, world, s):
    """What the k-th run that is due waits for: other runs or a decision; PENDING if for nothing."""
    r = s.waiting[k]
    a = world.runs[r, ACTIVITY]
    if t < s.expected[r]:
        return LATE
    if s.last_end[a] >= 0 and t < s.last_end[a] + world.activities[a, GAP]:
        return LATE
    for other in range(len(world.turn)):
        if s.last_end[other] >= 0 and t < s.last_end[other] + world.turn[a, other]:
            return LATE
    for j in range(s.counts[IN_PROGRESS]):
        if world.exclusive[a, world.runs[s.running[j], ACTIVITY]]:
            return LATE
    for j in range(k):
        if world.exclusive[a, world.runs[s.waiting[j], ACTIVITY]]:
            return LATE
    for team in range(len(world.at_once)):
        if world.teams[team, a]:
            busy = 0
            for j in range(s.counts[IN_PROGRESS]):
                busy += world.teams[team, world.runs[s.running[j], ACTIVITY]]
            if busy >= world.at_once[team]:
                return LATE
    for o in range(len(world.orders)):
        applies = world.orders[o, LATER] == a
        applies = applies and world.orders[o, SINCE] <= t < world.orders[o, BEFORE]
        if applies and not is_ready(o, r, t, world, s):
            return ORDER
    return PENDING


@register_jitable
def is_ready(o, r, t, world, s):
    """Whether a run may start at minute t after the runs that it comes after."""
    chosen, ready = -1, False
    for j in range(s.counts[NEXT]):
        is_other = world.runs[j, ACTIVITY] != world.orders[o, EARLIER] or s.started[j] >= t
        if is_other or s.code[j] not in (RUNNING, MADE):
            continue
        if not world.orders[o, EACH]:
            ready = ready or is_after(o, r, j, t, world, s)
        elif chosen < 0 or s.started[j] >= s.started[chosen]:
            chosen = j
    return is_after(o, r, chosen, t, world, s) if chosen >= 0 else ready


@register_jitable
def is_after(o, r, j, t, world, s):
    """Whether run j is over, looked at and decided on at minute t, and the commands are aboard."""
    if s.code[j] != MADE:
        return False
    down = s.ends[j] + world.orders[o, SETTLE]
    if world.orders[o, RECEIVED]:
        if s.received[j] < 0:
            return False
        down = max(down, s.received[j])
    decided = down + world.orders[o, DECIDE]
    lead = world.activities[world.runs[r, ACTIVITY], LEAD]
    if not world.orders[o, DECIDED] or lead < 0:
        return decided <= t
    p = world.runs[r, PLATFORM]
    return s.contact[p, decided : t - lead].any() if decided < t - lead else False


@register_jitable
def refused(r, t, world, s):
    """Why a run cannot start at minute t; PENDING if it can."""
    p, a, node = world.runs[r, PLATFORM], world.runs[r, ACTIVITY], world.runs[r, NODE]
    last = t + world.runs[r, SLOT_END] - world.runs[r, START]
    if s.out[world.activities[a, INSTRUMENT], t] or s.out[world.first_platform + p, t]:
        return OUT
    if last > world.generation_w.shape[1]:
        return SPAN
    if world.activities[a, LEAD] >= 0 and t >= world.activities[a, LOADED]:
        first = s.first_contact[p]
        if first < 0 or first + 1 + world.activities[a, LEAD] > t:
            return COMMANDS
    whole = is_whole(r, world, s)
    outlet = p if world.relay[p] < 0 else world.relay[p]
    if world.activities[a, LINK] == LINK_THROUGHOUT and has_other(outlet, t, world, s):
        return CONTACT
    if (whole or world.activities[a, LINK] == LINK_AT_START) and not s.contact[p, t]:
        return CONTACT
    if whole:
        for m in range(t, last):
            if not world.contact[p, m]:
                return CONTACT
    if world.missed[a, last] > world.missed[a, t] or not world.start_open[a, t]:
        return CONDITIONS
    if node >= 0:
        for low in (OPERATING_LOW, SWITCH_LOW):
            allowed = world.nodes[node, low], world.nodes[node, low + 1]
            if is_outside(s.temperature_k[node], allowed[0], allowed[1]):
                return TEMPERATURE
    return lacking(r, t, world, s)


@register_jitable
def lacking(r, t, world, s):
    """What a run that starts at minute t lacks by forecast: bus, charge or storage.

    The forecast has the runs in progress and this one, sends nothing for the charge and all that
    the link takes for the storage.
    """
    p, a, n = world.runs[r, PLATFORM], world.runs[r, ACTIVITY], world.generation_w.shape[1]
    s.started[r] = t
    s.running[s.counts[IN_PROGRESS]] = r
    last = min(loads_ahead(p, t, s.counts[IN_PROGRESS] + 1, world, s), n)
    s.started[r] = -1
    full_wh, reserve_wh, taper = s.levels[p, FULL], s.levels[p, RESERVE_WH], s.levels[p, TAPER]
    into, out_of = world.figures[p, IN], world.figures[p, OUT_OF]
    most_w, store_mbit = world.figures[p, CHARGE_LIMIT], world.figures[p, STORE]
    arrays, idle, heaters = s.believed[p, ARRAYS], s.believed[p, IDLE], s.believed[p, HEATERS]
    level_wh, held_mbit = s.wh[p], s.mbit[p]
    for m in range(t, last):
        generation_w = world.generation_w[p, m] * arrays
        heaters_w = (world.heater_w[p, m] + world.node_heater_w[p, m]) * heaters
        load_w = world.idle_w[p, m] * idle + heaters_w + s.ahead[0, m]
        delivered_w = generation_w + world.figures[p, DISCHARGE_LIMIT]
        if load_w > min(world.figures[p, BUS], delivered_w) + POWER_SLACK_W:
            return POWER
        limit_w = most_w if world.plan_charges[p, m] else 0.0
        change = change_wh(generation_w - load_w, limit_w, into, out_of)
        level_wh = charged(level_wh, change, full_wh, taper)
        if level_wh < reserve_wh - ENERGY_SLACK_WH:
            return CHARGE
        held_mbit += s.ahead[1, m]
        if world.activities[a, AWAY_MIN] < 0 and not s.away[p, m]:
            held_mbit -= world.rate_mbit[p, m] * s.believed[p, RATE]
        held_mbit = max(held_mbit, 0.0)
        if held_mbit > store_mbit + DATA_SLACK_MBIT:
            return STORAGE
    return CHARGE if level_wh < s.rest_wh[p, last] - ENERGY_SLACK_WH else PENDING


@register_jitable
def loads_ahead(p, t, count, world, s):
    """Fill in what the first `count` runs in progress draw and yield on a platform from minute t
    on, if they take as long as planned; the minute in which the last of them is done."""
    n, last = world.generation_w.shape[1], t
    for k in range(count):
        r = s.running[k]
        if world.runs[r, PLATFORM] == p:
            done = s.started[r] + world.runs[r, WARM_MIN] + world.runs[r, RUN_MIN]
            last = max(last, done)
    s.ahead[:, t : min(last, n)] = 0.0
    for k in range(count):
        r = s.running[k]
        if world.runs[r, PLATFORM] != p:
            continue
        factor = s.believed_draw[world.runs[r, ACTIVITY]]
        warm = s.started[r] + world.runs[r, WARM_MIN]
        mbit = world.run_mbit[r] / max(world.runs[r, RUN_MIN], 1)
        for m in range(t, min(warm + world.runs[r, RUN_MIN], n)):
            s.ahead[0, m] += world.run_w[r, 0 if m < warm else 1] * factor
            s.ahead[1, m] += 0.0 if m < warm else mbit
    return last


# ------------------------------------------------------------------ minutes


@register_jitable
def node_step(figures, gain_w, now_k, is_on):
    """Temperature of a node after a minute, whether its heater is on then, and its mean power.

    The arithmetic is that of physics.unit_temperature, without its tables.
    """
    slope_w_k = 4 * figures[RADIATING] * STEFAN_BOLTZMANN_W_M2_K4 * now_k**3
    per_k, drive_w = figures[GROUND] + slope_w_k, gain_w + 0.75 * slope_w_k * now_k
    rate, left_s, on_s = per_k / figures[HEAT_CAPACITY], MINUTE_S, 0.0
    while True:
        limit_k = (drive_w + figures[HEATER_W] * is_on) / per_k
        end_k = limit_k + (now_k - limit_k) * exp(-rate * left_s)
        switches = end_k >= figures[OFF_ABOVE] if is_on else end_k < figures[ON_BELOW]
        if not switches:
            return end_k, is_on, figures[HEATER_W] * (on_s + left_s * is_on) / MINUTE_S
        switch_k = figures[OFF_ABOVE] if is_on else figures[ON_BELOW]
        passed_s = min(log((now_k - limit_k) / (switch_k - limit_k)) / rate, left_s)
        on_s += passed_s * is_on
        now_k, is_on, left_s = switch_k, not is_on, left_s - passed_s


@register_jitable
def find_loads(t, world, draws, f, s):
    """What runs in progress draw and yield in minute t, and until which minute that stays so."""
    s.drawn_w[:] = 0.0
    s.node_w[:] = 0.0
    until = world.generation_w.shape[1]
    for k in range(s.counts[IN_PROGRESS]):
        r = s.running[k]
        a, warm = world.runs[r, ACTIVITY], s.started[r] + world.runs[r, WARM_MIN]
        done = warm + draws.run_min[f, r]
        drawn_w, s.taken_mbit[k] = 0.0, 0.0
        factor = 1.0 if world.runs[r, FORCED] else draws.draw[f, a]
        if t < warm:
            drawn_w = world.run_w[r, 0] * factor
            until = min(until, warm)
        elif t < done:
            drawn_w = world.run_w[r, 1] * factor
            if not draws.fails[f, r, s.tried[r]]:
                s.taken_mbit[k] = world.run_mbit[r] / draws.run_min[f, r]
            until = min(until, done)
        until = min(until, s.ends[r])
        if s.believed_draw[a] != factor and not world.runs[r, FORCED]:
            until = min(until, t + 1)  # it is measured then
        s.drawn_w[world.runs[r, PLATFORM]] += drawn_w
        node = world.runs[r, NODE]
        if node >= 0:
            s.node_w[node] += world.nodes[node, HEAT_SHARE] * drawn_w
    if s.counts[DUE]:
        until = min(until, t + 1)
    elif s.counts[NEXT] < len(world.runs):
        until = min(until, world.runs[s.counts[NEXT], START])
    while s.changes[s.counts[CHANGE]] <= t:
        s.counts[CHANGE] += 1
    return max(min(until, s.changes[s.counts[CHANGE]]), t + 1)


@register_jitable
def shed(p, t, world, s):
    """Stop the run of a platform that started last; whether there was one."""
    for k in range(s.counts[IN_PROGRESS] - 1, -1, -1):
        r = s.running[k]
        if world.runs[r, PLATFORM] == p and not world.runs[r, FORCED]:
            end_run(k, t, SHED, world, s)
            return True
    return False


@register_jitable
def go_on(t, world, draws, f, s, outcome):
    """March from minute t to the next in which runs start or end, or something is learned.

    All that a minute does to charge, data and temperatures is here, in one piece: it is quicker so.
    """
    until = find_loads(t, world, draws, f, s)
    platforms, nodes = len(world.relay), len(world.nodes)
    factor, figures, levels = draws.factor[f], world.figures, s.levels
    quiet_wh, sending_wh, quota_mbit = s.work[QUIET_WH], s.work[SENDING_WH], s.work[QUOTA]
    offer, heat_w, sent_mbit = s.work[OFFER], s.work[HEAT_W], s.work[SENT]
    wh, mbit, warm_enough = s.wh, s.mbit, s.warm_enough
    while t < until:
        differs, has_changed = t >= world.now, False
        for p in range(platforms):
            heat_w[p], warm_enough[p] = 0.0, world.charges[p, t]
        for node in range(nodes):
            p = int(world.nodes[node, NODE_OF])
            now_k = s.temperature_k[node]
            if now_k < world.nodes[node, CHARGES_ABOVE]:
                warm_enough[p] = False
            gain_w = world.node_heat_w[node, t] + s.node_w[node] + world.node_pull_w[node, t]
            now_k, is_on, power_w = node_step(world.nodes[node], gain_w, now_k, s.is_on[node])
            s.temperature_k[node], s.is_on[node] = now_k, is_on
            heat_w[p] += power_w
            low_k, high_k = world.nodes[node, OPERATING_LOW], world.nodes[node, OPERATING_HIGH]
            has_changed = has_changed or (s.node_w[node] > 0 and is_outside(now_k, low_k, high_k))
        for p in range(platforms):
            generation_w, idle_w = world.generation_w[p, t], world.idle_w[p, t]
            heaters_w = world.heater_w[p, t] + heat_w[p]
            quota_mbit[p] = s.rate_mbit[p, t]
            if differs:
                for k, shows in enumerate(
                    (generation_w > 0, idle_w > 0, heaters_w > 0, quota_mbit[p] > 0)
                ):
                    has_changed = has_changed or (shows and s.believed[p, k] != factor[p, k])
                generation_w *= factor[p, ARRAYS]
                idle_w *= factor[p, IDLE]
                heaters_w *= factor[p, HEATERS]
                quota_mbit[p] *= factor[p, RATE]
            limit_w = min(figures[p, BUS], generation_w + figures[p, DISCHARGE_LIMIT])
            limit_w += POWER_SLACK_W
            base_w = idle_w + heaters_w
            while base_w + s.drawn_w[p] > limit_w and shed(p, t, world, s):
                find_loads(t, world, draws, f, s)
                has_changed = True
            quiet_w = base_w + s.drawn_w[p]
            is_free = not s.away[p, t] and not has_other(p, t, world, s)
            if quiet_w + figures[p, TRANSMIT] > limit_w or not is_free:
                quota_mbit[p] = 0.0
            net_w = generation_w - quiet_w
            charge_w = figures[p, CHARGE_LIMIT] if warm_enough[p] else 0.0
            quiet_wh[p] = change_wh(net_w, charge_w, figures[p, IN], figures[p, OUT_OF])
            net_w -= figures[p, TRANSMIT]
            sending_wh[p] = change_wh(net_w, charge_w, figures[p, IN], figures[p, OUT_OF])
        for k in range(s.counts[IN_PROGRESS]):
            if s.taken_mbit[k] > 0:
                take(k, t, world, draws, f, s)
        for k in range(platforms):
            p = world.order[k]
            receiver = world.relay[p]
            sent_mbit[p] = offer[p] = 0.0
            if mbit[p] <= DATA_DUST_MBIT or quota_mbit[p] <= DATA_DUST_MBIT:
                continue
            amount = min(mbit[p], quota_mbit[p])
            cost_wh = quiet_wh[p] - sending_wh[p]
            if cost_wh > 0:
                # If the battery is short even without sending, sending may not make it worse.
                silent = charged(wh[p], quiet_wh[p], levels[p, FULL], levels[p, TAPER])
                least_wh = min(s.need_wh[p, t + 1], s.plan_need_wh[p, t + 1])
                least_wh = min(max(least_wh, s.rest_wh[p, t + 1]), silent)
                spare_wh = wh[p] + quiet_wh[p] - least_wh
                amount = min(amount, quota_mbit[p] * spare_wh / cost_wh)
            if receiver >= 0:
                amount = min(amount, figures[receiver, STORE] - mbit[receiver])
            if amount > DATA_DUST_MBIT:
                offer[p] = amount
                if receiver >= 0:
                    sent_mbit[p] = amount
                    mbit[p] -= amount
                    mbit[receiver] += amount
                    leave(p, amount, t, world, s)
        for p in range(platforms):
            if world.relay[p] < 0 and offer[p] > 0 and is_heard(p, t, world, offer, mbit):
                sent_mbit[p] = offer[p]
        for p in range(platforms):
            if world.relay[p] < 0 and sent_mbit[p] > 0:
                mbit[p] -= sent_mbit[p]
                leave(p, sent_mbit[p], t, world, s)
            change = quiet_wh[p]
            if sent_mbit[p] > 0:
                on = sent_mbit[p] / quota_mbit[p]
                change = on * sending_wh[p] + (1 - on) * change
            wh[p] = charged(wh[p], change, levels[p, FULL], levels[p, TAPER])
            if wh[p] < levels[p, RESERVE_WH] - ENERGY_SLACK_WH:
                outcome.below[f, p] += 1
                if wh[p] <= 0:
                    outcome.empty[f, p] += 1
                    wh[p] = 0.0
                has_changed = shed(p, t + 1, world, s) or has_changed
            if mbit[p] > figures[p, STORE] + DATA_SLACK_MBIT:
                outcome.lost_mbit[f, p] += lose_data(p, world, s)
            sample = t // world.every
            share = wh[p] / levels[p, FULL]
            outcome.lowest[f, p, sample] = min(outcome.lowest[f, p, sample], share)
            outcome.most_mbit[f, p, sample] = max(outcome.most_mbit[f, p, sample], mbit[p])
        t += 1
        if has_changed or (differs and t == until):
            measure(t - 1, world, draws, f, s)
            return t
    return t


@register_jitable
def take(k, t, world, draws, f, s):
    """Take in what the k-th run in progress yields in minute t."""
    r = s.running[k]
    p, priority = world.runs[r, PLATFORM], world.runs[r, PRIORITY]
    s.mbit[p] += s.taken_mbit[k]
    s.came[p, priority] += s.taken_mbit[k]
    if s.mark[r] < 0:
        s.mark[r], s.at[r] = inf, p
        s.awaited[s.counts[UNDERWAY]] = r
        s.counts[UNDERWAY] += 1
    done = s.started[r] + world.runs[r, WARM_MIN] + draws.run_min[f, r]
    if t + 1 == done or t + 1 == s.ends[r]:
        s.mark[r] = s.came[p, priority]


@register_jitable
def leave(p, mbit, t, world, s):
    """Data leave a store in minute t: by priority, and within one the oldest first."""
    receiver = world.relay[p]
    for priority in range(CLASSES):
        part = min(s.came[p, priority] - s.left[p, priority], mbit)
        if part <= DATA_DUST_MBIT:
            continue
        before = s.left[p, priority]
        s.left[p, priority] += part
        mbit -= part
        shift = 0.0
        if receiver >= 0:
            shift = s.came[receiver, priority] - before
            s.came[receiver, priority] += part
        kept = 0
        for k in range(s.counts[UNDERWAY]):
            r = s.awaited[k]
            has_left = s.at[r] == p and world.runs[r, PRIORITY] == priority
            has_left = has_left and s.left[p, priority] >= s.mark[r] - ROUNDING_MBIT
            if has_left and receiver < 0:
                s.received[r] = t + 1
                continue
            if has_left:
                s.at[r] = receiver
                s.mark[r] += shift
            s.awaited[kept] = r
            kept += 1
        s.counts[UNDERWAY] = kept


@register_jitable
def is_heard(p, t, world, offer, mbit):
    """Whether no other platform with a fuller store sends to the same station."""
    station = world.station[p, t]
    full = mbit[p] / world.figures[p, STORE]
    for q in range(len(world.relay)):
        is_rival = q != p and world.relay[q] < 0 and offer[q] > 0
        if is_rival and station >= 0 and world.station[q, t] == station:
            other = mbit[q] / world.figures[q, STORE]
            if other > full or (other == full and q < p):
                return False
    return True


@register_jitable
def has_other(p, t, world, s):
    """Whether the station of a platform serves a run of another, in contact throughout."""
    station = world.station[p, t]
    if world.relay[p] >= 0 or station < 0:
        return False
    for k in range(s.counts[IN_PROGRESS]):
        r = s.running[k]
        q = world.runs[r, PLATFORM]
        outlet = q if world.relay[q] < 0 else world.relay[q]
        is_held = world.activities[world.runs[r, ACTIVITY], LINK] == LINK_THROUGHOUT
        if is_held and outlet != p and world.station[outlet, t] == station:
            return True
    return False


@register_jitable
def lose_data(p, world, s):
    """What a full store cannot hold is lost, the newest first; how many Mbit."""
    beyond_mbit, lost_mbit = s.mbit[p] - world.figures[p, STORE], 0.0
    for k in range(s.counts[IN_PROGRESS] - 1, -1, -1):
        r = s.running[k]
        priority = world.runs[r, PRIORITY]
        if world.runs[r, PLATFORM] != p or world.runs[r, FORCED]:
            continue
        held_mbit = s.came[p, priority] - s.left[p, priority]
        part = min(min(s.taken_mbit[k], held_mbit), beyond_mbit - lost_mbit)
        if part > 0:
            s.came[p, priority] -= part
            s.mbit[p] -= part
            lost_mbit += part
            s.at[r] = -1  # never received
    return lost_mbit


@register_jitable
def measure(t, world, draws, f, s):
    """Factors that minute t has shown are known from now on, and forecasts with them."""
    n = world.generation_w.shape[1]
    for p in range(len(world.relay)):
        is_changed = False
        for k in range(FACTORS):
            shown = (
                (k == ARRAYS and world.generation_w[p, t] > 0)
                or (k == IDLE and world.idle_w[p, t] > 0)
                or (k == HEATERS and world.heater_w[p, t] + s.work[HEAT_W, p] > 0)
                or (k == RATE and s.rate_mbit[p, t] > 0)
            )
            if shown and s.believed[p, k] != draws.factor[f, p, k]:
                s.believed[p, k] = draws.factor[f, p, k]
                is_changed = is_changed or k != RATE
        for k in range(s.counts[IN_PROGRESS]):
            r = s.running[k]
            a = world.runs[r, ACTIVITY]
            is_own = world.runs[r, PLATFORM] == p and not world.runs[r, FORCED]
            if is_own and s.believed_draw[a] != draws.draw[f, a]:
                learn_draw(a, t + 1, draws.draw[f, a], world, s)
                is_changed = True
        if is_changed:
            renew(p, t + 1, n, world, s)


@register_jitable
def learn_draw(a, t, factor, world, s):
    """The draw of an activity's runs is known: those still to come are forecast with it."""
    more = factor - s.believed_draw[a]
    s.believed_draw[a] = factor
    for r in range(len(world.runs)):
        if world.runs[r, ACTIVITY] == a and s.code[r] <= RUNNING and not world.runs[r, FORCED]:
            start = s.expected[r]
            if s.code[r] == RUNNING:
                start = s.started[r]
                plan_draw(r, start, t, more, world, s.under_w)
            plan_draw(r, start, t, more, world, s.planned_w)


# ------------------------------------------------------------------ a future


@register_jitable
def begin(world, draws, f, s):
    """The state of future f as the span begins."""
    platforms, n = world.generation_w.shape
    s.out[:] = world.out
    s.away[:] = world.away
    for k in range(len(draws.outages)):
        if draws.outages[k, 0] == f:
            s.out[draws.outages[k, 1], draws.outages[k, 2] : draws.outages[k, 3]] = True
    for k in range(platforms - 1, -1, -1):
        link_up(world.order[k], world, s)  # those that send to Earth first
    find_changes(world, s)
    s.believed[:] = 1.0
    s.believed_draw[:] = 1.0
    s.planned_w[:] = world.planned_w
    s.under_w[:] = 0.0
    for p in range(platforms):
        full_wh = world.figures[p, CAPACITY] * draws.capacity[f, p]
        s.levels[p, FULL] = full_wh
        s.levels[p, RESERVE_WH] = world.figures[p, RESERVE] * full_wh
        s.levels[p, END_WH] = world.figures[p, END_CHARGE] * full_wh
        s.levels[p, TAPER] = 0.0
        if world.figures[p, TAPER_ABOVE] < 1:
            slope_w = world.figures[p, CHARGE_LIMIT] / (1 - world.figures[p, TAPER_ABOVE])
            s.levels[p, TAPER] = slope_w * world.figures[p, IN] / full_wh
        s.wh[p] = world.figures[p, START_CHARGE] * full_wh
        s.mbit[p] = world.figures[p, START_MBIT]
        s.need_wh[p, n] = s.rest_wh[p, n] = max(s.levels[p, RESERVE_WH], s.levels[p, END_WH])
        renew(p, 0, n, world, s)
    s.plan_need_wh[:] = s.need_wh
    s.came[:] = 0.0
    s.came[:, 0] = s.mbit
    s.left[:] = 0.0
    for each in (s.started, s.ends, s.received, s.at, s.first_contact, s.last_end):
        each[:] = -1
    s.code[:] = PENDING
    s.expected[:] = world.runs[:, START]
    s.mark[:] = -1.0
    for each in (s.counts, s.counted, s.tried):
        each[:] = 0
    for node in range(len(world.nodes)):
        s.temperature_k[node] = world.nodes[node, START_K]
        s.is_on[node] = s.temperature_k[node] < world.nodes[node, ON_BELOW]


@register_jitable
def link_up(p, world, s):
    """Contact and rate of a platform with what is out of service in this future."""
    relay, own = world.relay[p], world.first_platform + p
    for t in range(world.generation_w.shape[1]):
        station = world.station[p, t]
        is_cut = s.out[own, t] or (station >= 0 and s.out[station, t])
        is_cut = is_cut or (relay >= 0 and s.out[world.first_platform + relay, t])
        s.rate_mbit[p, t] = 0.0 if is_cut else world.rate_mbit[p, t]
        is_lost = is_cut
        if relay >= 0 and world.contact[relay, t]:
            is_lost = is_lost or not s.contact[relay, t]
        s.contact[p, t] = world.contact[p, t] and not is_lost


@register_jitable
def find_changes(world, s):
    """The minutes in which contact, service or what telemetry knows changes."""
    n, count = world.generation_w.shape[1], 0
    for t in range(1, n):
        changes = t == world.now
        for p in range(len(world.relay)):
            changes = changes or s.contact[p, t] != s.contact[p, t - 1]
            changes = changes or not isnan(world.reading_wh[p, t])
            changes = changes or not isnan(world.reading_mbit[p, t])
        for node in range(len(world.nodes)):
            changes = changes or not isnan(world.node_reading_k[node, t])
        for thing in range(len(s.out)):
            changes = changes or s.out[thing, t] != s.out[thing, t - 1]
        if changes:
            s.changes[count] = t
            count += 1
    s.changes[count] = n


@register_jitable
def read_telemetry(t, world, s):
    """Go on from what was measured at the start of minute t, and note the first contact."""
    for p in range(len(world.relay)):
        if not isnan(world.reading_wh[p, t]):
            s.wh[p] = world.reading_wh[p, t]
        if not isnan(world.reading_mbit[p, t]):
            missing = world.reading_mbit[p, t] - s.mbit[p]
            if missing > ROUNDING_MBIT:
                s.came[p, 0] += missing
            elif missing < -ROUNDING_MBIT:
                leave(p, -missing, t, world, s)
            s.mbit[p] = world.reading_mbit[p, t]
        if s.contact[p, t] and s.first_contact[p] < 0:
            s.first_contact[p] = t
    for node in range(len(world.nodes)):
        if not isnan(world.node_reading_k[node, t]):
            s.temperature_k[node] = world.node_reading_k[node, t]
            s.is_on[node] = s.temperature_k[node] < world.nodes[node, ON_BELOW]


@register_jitable
def finish(world, draws, f, s, outcome):
    """What has become of future f when the span ends."""
    n = world.generation_w.shape[1]
    while s.counts[IN_PROGRESS]:
        r = s.running[0]
        code = FAILED if draws.fails[f, r, s.tried[r]] else MADE
        end_run(0, n, code if s.ends[r] <= n else SPAN, world, s)
    for r in range(len(world.runs)):
        if s.code[r] == PENDING:
            s.code[r] = SPAN if world.runs[r, START] >= n else LATE
    outcome.code[f] = s.code
    outcome.start_min[f] = s.started
    outcome.received_min[f] = s.received
    outcome.aboard_mbit[f] = s.mbit
    for p in range(len(world.relay)):
        outcome.end_short_wh[f, p] = max(s.levels[p, END_WH] - s.wh[p], 0.0)


def walk_futures(world, draws, s, outcome):
    """Walk each future of `draws` in the room of `s`, and enter it in `outcome`."""
    for f in range(len(draws.capacity)):
        begin(world, draws, f, s)
        t = 0
        while t < world.generation_w.shape[1]:
            read_telemetry(t, world, s)
            end_runs(t, world, draws, f, s)
            start_runs(t, world, draws, f, s)
            t = go_on(t, world, draws, f, s, outcome)
        finish(world, draws, f, s, outcome)
