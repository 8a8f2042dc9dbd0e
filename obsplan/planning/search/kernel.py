"""The inner loop of ruin and recreate, over plain arrays, compiled if there is a compiler.

`anneal` clears some hours of a plan, fills them again in another order, and keeps what comes out
if it is better or, ever more rarely, a little worse (simulated annealing). `first_fit` looks for a
run that battery and store still bear. All that they call stands in this file, as the compiler's
cache watches no other. The functions are plain Python too, and give the same numbers to the last
bit. Rules and figures are those of `problem.booking` and `problem.resource_flow`; a test compares
them.
"""

from collections.abc import Callable
from math import exp, inf, log
from typing import NamedTuple

import numpy as np

from obsplan.planning.problem.tolerances import BUS_TOLERANCE_W, TAKEN_OVER, TOLERANCE

try:
    from numba.core.options import DefaultOptions
    from numba.extending import register_jitable

    # Nobody but compiled functions calls these: doors for C take time to compile.
    OPTIONS = {"no_cfunc_wrapper": True} if hasattr(DefaultOptions, "no_cfunc_wrapper") else {}
except Exception:  # whatever keeps the compiler from this machine; `compiled` tells
    OPTIONS = {}

    def register_jitable(**options: bool) -> Callable:  # type: ignore[no-redef]
        """The function as it is."""
        return lambda function: function


# For what is called by compiled functions; and if it is called most often and has many arrays. What
# has no such line is compiled by itself (`compiled.PARTS`).
PART = {"forceinline": False, **OPTIONS}
jitted = register_jitable(**PART)
inlined = register_jitable(forceinline=True, **OPTIONS)


# Figures of a plan by node and step, the first index of `now`: what is left of them after the
# step at index step + 1 for STORED, NEEDED and HELD.
FIGURES = 12
LOAD, PEAK, DATA, CHANGE, STORED, NEEDED, SHARE, HELD, SENT, RELAYED, MAY, MUTED = range(FIGURES)
# Columns of `nodes`, first index of `supplies`, columns of `tasks` and first index of `profiles`.
(CAPACITY, RESERVE, START, END, CHARGING, DISCHARGING, CHARGE_LIMIT, TRANSMIT, BUS) = range(9)
STORE, STORE_START, STORE_END, NODE_FIGURES = range(9, 13)
GENERATION, SEND_MBIT, SEND_SHARE = range(3)
NODE, LENGTH, GAP, COUNT, MUST, AWAITED, NEARBY = range(7)
# Columns of `figures` and of `worth` of goals.
GROUPS, RUNS_EACH, MINIMUM_BINS, MINIMUM_RUNS, GOAL_FIGURES = range(5)
RUN_VALUE, BONUS, ALONE, GOAL_WORTHS = range(4)
# Counters and sums of a search; MOVES and GAIN are those of one try.
SEED_1, SEED_2, SPENT, WORK, NEXT_PERMIT, ACCEPTED, MOVES, FIRST, LAST, COUNTERS = range(10)
GAIN, AHEAD, BEST_AHEAD, MEAN_WORTH, FIRST_LOSS, LAST_LOSS, SUMS = range(7)

# Most hours cleared at once, and how far beyond them runs may come back.
CLEARED_H = 12.0
BESIDE_H = 6.0
# Probability that they may come back anywhere in the span.
ANYWHERE = 0.2
# Up to this share of the runs in the cleared hours is kept.
KEPT = 0.6
# Probability that runs which others need are cleared too.
WITH_NEEDED = 0.25
# Probability that sending is planned anew before the refill.
RESENT = 0.05
# Noise in the order in which runs come back: standard deviation of the logarithm.
SPREAD = 0.4
# Probability that runs come back with regard to prices first.
PRICED = 0.5
SMALLEST_GAIN = 1e-6
# Tries between two searches for another way of sending, and what one counts.
PERMIT_EVERY = 100
# Energy of a Mbit is told in so many classes; so much more than must leave may be sent at first.
CLASSES = 64
LEAVES, LAST_CLASS = CLASSES + 1, CLASSES + 2
# First index of `work`: charge gained and needed if nothing is sent, and the class of a step.
UNSENT_GAIN, UNSENT_NEED, CLASS = range(3)
# First index of `weights`: by task what its appeal counts, and its appeal; by resource how scarce.
WEIGHT, APPEAL, SCARCITY = range(3)
FIRST_MARGIN, LAST_MARGIN, WIDER = 0.01, 200.0, 3.0


class Worths(NamedTuple):
    """What runs are worth, by cells: starts of a task that are worth the same.

    runs (tasks, runs in a bin): by how many runs its own bin has. bins (1 + goals, tasks, cells):
    the task's own bin of a cell, and that in each goal, -1 if there is none; a row of own bins is
    filled up with -1. group (goals, tasks): which counter of its bin a run raises. figures (goals,
    figures) and worth (goals, figures): see the constants above.
    """

    runs: np.ndarray
    bins: np.ndarray
    group: np.ndarray
    figures: np.ndarray
    worth: np.ndarray


class Instance(NamedTuple):
    """A problem as arrays; see the constants above for what an index means.

    In the order of their indices: nodes (nodes, figures); supplies (figures, nodes, steps); station
    (nodes, steps); receiver, order (nodes,); tasks (tasks, figures); task_order (tasks,); profiles
    (3, tasks, steps of a run); preference, price (tasks, steps); cells (tasks, steps): what of a
    start decides its worth; worths: what runs are worth; shares (tasks, resources); rivals (tasks,
    rivals), needs_of (tasks, 2): first and last of its needs; naming (tasks, needs that name it);
    teams (tasks, teams it needs) and members (teams, tasks that need it) and bars (tasks, bars),
    all filled up with -1; apart (tasks, rivals): steps between their runs; silenced (tasks,
    silences): nodes that send nothing while a run lasts, filled up with -1, silence_reach (tasks,
    silences) and silent (tasks, silences, steps) how far before and after it, and in which steps;
    reach (needs, 2, steps): the first start that a run of the needed task
    serves, and the first that it no longer does; bar_reach (bars, 2, steps): the same of starts of
    bar_of (bars,) that it bars; use (budgets, tasks); at_once (teams, steps); party (crowds,
    tasks): for which of the parties (crowds,) a run needs a station, -1 if it needs none; crowded
    (crowds, steps).
    """

    step_h: float
    nodes: np.ndarray
    supplies: np.ndarray
    station: np.ndarray
    receiver: np.ndarray
    order: np.ndarray
    tasks: np.ndarray
    task_order: np.ndarray
    profiles: np.ndarray
    preference: np.ndarray
    price: np.ndarray
    cells: np.ndarray
    worths: Worths
    shares: np.ndarray
    rivals: np.ndarray
    apart: np.ndarray
    silenced: np.ndarray
    silence_reach: np.ndarray
    silent: np.ndarray
    needs_of: np.ndarray
    naming: np.ndarray
    reach: np.ndarray
    use: np.ndarray
    teams: np.ndarray
    members: np.ndarray
    at_once: np.ndarray
    bars: np.ndarray
    bar_of: np.ndarray
    bar_reach: np.ndarray
    party: np.ndarray
    parties: np.ndarray
    crowded: np.ndarray


class State(NamedTuple):
    """A plan while it is searched, the best so far, and room to work in.

    now, kept (figures, nodes, steps + 1): the plan that is tried, and the last that was accepted.
    runs (tasks, runs), of which the first `placed` (tasks,) count. taken (tasks, bins): runs in the
    bin, those held elsewhere too; counts (goals, groups, bins): the same for goals. gains (tasks,
    cells): what one more run in the cell adds. barred (tasks, steps): how many runs bar a start.
    met (needs, steps): how many meet a need, less those needed beside one. left (budgets,). watched
    (teams, steps); present (crowds, parties, steps): how many runs each party has under way. moves
    (moves, 3): task, start and sign of what a try has changed. touched,
    changed (nodes, 2): first and last step of what it changed in `now`, and of that in loads and
    data. Room: weights (figures, tasks or resources); work (figures, nodes, steps + 1); busy
    (stations,), what of a step each receives; classes (nodes, CLASSES + 3), what can be sent in
    each, what must leave, and the last class permitted.
    """

    now: np.ndarray
    kept: np.ndarray
    runs: np.ndarray
    placed: np.ndarray
    taken: np.ndarray
    counts: np.ndarray
    gains: np.ndarray
    barred: np.ndarray
    met: np.ndarray
    left: np.ndarray
    watched: np.ndarray
    present: np.ndarray
    best_runs: np.ndarray
    best_placed: np.ndarray
    best_may: np.ndarray
    counters: np.ndarray
    sums: np.ndarray
    moves: np.ndarray
    touched: np.ndarray
    changed: np.ndarray
    weights: np.ndarray
    work: np.ndarray
    busy: np.ndarray
    classes: np.ndarray


@jitted
def drawn(counters):
    """A random number in (0, 1).

    Two multiplicative generators combined (L'Ecuyer 1988, figure 3), in integers of 64 bits.
    """
    counters[SEED_1] = counters[SEED_1] * 40014 % 2147483563
    counters[SEED_2] = counters[SEED_2] * 40692 % 2147483399
    difference = counters[SEED_1] - counters[SEED_2]
    if difference < 1:
        difference += 2147483562
    return difference / 2147483563.0


@jitted
def gain_wh(net_w, charging, discharging, limit_w, step_h):
    """What a step adds to the battery, or takes from it."""
    if net_w >= 0:
        return min(net_w, limit_w) * charging * step_h
    return net_w / discharging * step_h


@jitted
def least_count(counts, first, last, place):
    """The lowest of the counters first...last (groups, bins) of a goal's bin."""
    least = counts[first, place]
    for group in range(first + 1, last):
        least = min(least, counts[group, place])
    return least


@jitted
def gain_of_counters(counts, first, last, place, figures, worth):
    """What it adds if the lowest of the counters first...last of a goal's bin rises by one."""
    level, gain, higher = least_count(counts, first, last, place), 0.0, 0
    if level < figures[RUNS_EACH]:
        gain += worth[RUN_VALUE]
    if level < figures[MINIMUM_RUNS]:
        for other in range(counts.shape[1]):
            if least_count(counts, first, last, other) > level:
                higher += 1
                if higher >= figures[MINIMUM_BINS]:
                    break
        if higher < figures[MINIMUM_BINS]:
            gain += worth[BONUS]
    return gain


@jitted
def gain_in_goal(counts, group, place, figures, worth):
    """What one more run of a group promises in a bin of a goal, whose counters are (groups, bins).

    A bin has as many runs as its lowest counter says, which a run raises if that alone is lowest.
    """
    groups = figures[GROUPS]
    alone = gain_of_counters(counts, group, group + 1, place, figures, worth)
    if groups == 1:
        return alone
    raised = True
    for other in range(groups):
        if other != group and counts[other, place] <= counts[group, place]:
            raised = False
    gain = gain_of_counters(counts, 0, groups, place, figures, worth) if raised else 0.0
    return (1 - worth[ALONE]) * gain + worth[ALONE] / groups * alone


@jitted
def reckon(i, worths, taken, counts, gains):
    """What one more run of task `i` adds in each of its cells."""
    for cell in range(gains.shape[1]):
        own = worths.bins[0, i, cell]
        if own < 0:
            break
        gains[i, cell] = worths.runs[i, taken[i, own]]
    for g in range(len(worths.figures)):
        group, figures, worth = worths.group[g, i], worths.figures[g], worths.worth[g]
        # Where one counter tells, bins with as many runs are worth the same.
        known, gain = -1, 0.0
        for cell in range(gains.shape[1] if group >= 0 else 0):
            place = worths.bins[1 + g, i, cell]
            if worths.bins[0, i, cell] < 0:
                break
            if place < 0:
                continue
            level = counts[g, group, place]
            if level != known or figures[GROUPS] > 1:
                known, gain = level, gain_in_goal(counts[g], group, place, figures, worth)
            gains[i, cell] += gain


@jitted
def count_run(i, cell, sign, worths, taken, counts, gains):
    """Count a run in a cell of task `i`, and reckon anew what further runs add."""
    own = worths.bins[0, i, cell]
    taken[i, own] += sign
    if len(worths.figures) == 0:
        # Its cells are its bins then.
        gains[i, cell] = worths.runs[i, taken[i, own]]
        return
    for g in range(len(worths.figures)):
        place = worths.bins[1 + g, i, cell]
        if place >= 0:
            counts[g, worths.group[g, i], place] += sign
    reckon(i, worths, taken, counts, gains)
    for j in range(len(gains)):
        for g in range(len(worths.figures)):
            if j != i and worths.group[g, j] >= 0 and worths.bins[1 + g, i, cell] >= 0:
                reckon(j, worths, taken, counts, gains)
                break


@jitted
def take_stations(instance, state, i, start, stop, sign):
    """Count a run in crowds: the only party without a run has no station meanwhile."""
    party, parties, crowded = instance.party, instance.parties, instance.crowded
    tasks, present, barred = instance.tasks, state.present, state.barred
    for c in range(len(party)):
        own = party[c, i]
        if own < 0:
            continue
        for t in range(start, stop):
            was_there = present[c, own, t] > 0
            present[c, own, t] += sign
            if crowded[c, t] == 0 or was_there == (present[c, own, t] > 0):
                continue
            absent, missing = 0, -1
            for other in range(parties[c]):
                if other != own and present[c, other, t] == 0:
                    absent, missing = absent + 1, other
            if absent != 1:
                continue
            for j in range(len(tasks)):
                if party[c, j] == missing:
                    for first in range(max(0, t - tasks[j, LENGTH] + 1), t + 1):
                        barred[j, first] += sign


@inlined
def book_place(instance, state, i, start, sign):
    """Book a run as far as it bars, meets, counts and uses up; `sign` -1 takes it back."""
    tasks, barred, met, left = instance.tasks, state.barred, state.met, state.left
    rivals, naming, reach, use = instance.rivals, instance.naming, instance.reach, instance.use
    apart = instance.apart
    bars, bar_of, bar_reach = instance.bars, instance.bar_of, instance.bar_reach
    teams, members, at_once = instance.teams, instance.members, instance.at_once
    watched, runs, placed = state.watched, state.runs, state.placed
    steps, length = barred.shape[1], tasks[i, LENGTH]
    spaced, stop = length + tasks[i, GAP], min(steps, start + length)
    for t in range(max(0, start - spaced + 1), min(steps, start + spaced)):
        barred[i, t] += sign
    for k in range(rivals.shape[1]):
        rival = rivals[i, k]
        if rival < 0:
            break
        first = max(0, start - tasks[rival, LENGTH] - apart[i, k] + 1)
        for t in range(first, min(steps, stop + apart[i, k])):
            barred[rival, t] += sign
    for k in range(naming.shape[1]):
        need = naming[i, k]
        if need < 0:
            break
        for t in range(reach[need, 0, start], reach[need, 1, start]):
            met[need, t] += sign
    for k in range(bars.shape[1]):
        bar = bars[i, k]
        if bar < 0:
            break
        for t in range(bar_reach[bar, 0, start], bar_reach[bar, 1, start]):
            barred[bar_of[bar], t] += sign
    for k in range(len(left)):
        left[k] -= sign * use[k, i]
    for k in range(teams.shape[1]):
        team = teams[i, k]
        if team < 0:
            break
        for t in range(start, stop):
            # A team that has no one free bars every run that needs it.
            was_busy = watched[team, t] >= at_once[team, t]
            watched[team, t] += sign
            if (watched[team, t] >= at_once[team, t]) == was_busy:
                continue
            for m in range(members.shape[1]):
                j = members[team, m]
                if j < 0:
                    break
                for first in range(max(0, t - tasks[j, LENGTH] + 1), t + 1):
                    barred[j, first] += sign
    if len(instance.party) > 0:
        take_stations(instance, state, i, start, stop, sign)
    cell = instance.cells[i, start]
    count_run(i, cell, sign, instance.worths, state.taken, state.counts, state.gains)
    if sign > 0:
        runs[i, placed[i]] = start
        placed[i] += 1
    else:
        placed[i] -= 1
        for k in range(placed[i]):
            if runs[i, k] == start:
                runs[i, k] = runs[i, placed[i]]


@jitted
def book_loads(instance, state, i, start, sign):
    """Add the draw and the data of a run, and whom it keeps from sending, or take them away."""
    tasks, profiles, now, changed = instance.tasks, instance.profiles, state.now, state.changed
    silenced, touched = instance.silenced, state.touched
    n, stop, steps = tasks[i, NODE], start + tasks[i, LENGTH], now.shape[2] - 1
    for k in range(tasks[i, LENGTH]):
        now[LOAD, n, start + k] += sign * profiles[0, i, k]
        now[PEAK, n, start + k] += sign * profiles[1, i, k]
        now[DATA, n, start + k] += sign * profiles[2, i, k]
    changed[n, 0] = min(changed[n, 0], start)
    changed[n, 1] = max(changed[n, 1], stop)
    for k in range(silenced.shape[1]):
        m = silenced[i, k]
        if m < 0:
            break
        low = max(0, start - instance.silence_reach[i, k])
        high = min(steps, stop + instance.silence_reach[i, k])
        for t in range(low, high):
            now[MUTED, m, t] += sign * instance.silent[i, k, t]
        changed[m, 0], changed[m, 1] = min(changed[m, 0], low), max(changed[m, 1], high)
        touched[m, 0], touched[m, 1] = min(touched[m, 0], low), max(touched[m, 1], high)


@jitted
def recharge(instance, state, n, low, high):
    """Charge and charge needed after loads or sending have changed in the steps low...high.

    Charge is known up to the LAST step of the try then, and charge needed from its FIRST on;
    `spread` does the rest for a plan that is kept.
    """
    step_h, nodes, supplies = instance.step_h, instance.nodes, instance.supplies
    now, touched, counters = state.now, state.touched, state.counters
    first, last = counters[FIRST], counters[LAST]
    charging, discharging = nodes[n, CHARGING], nodes[n, DISCHARGING]
    limit_w, transmit_w = nodes[n, CHARGE_LIMIT], nodes[n, TRANSMIT]
    capacity, reserve = nodes[n, CAPACITY], nodes[n, RESERVE]
    for t in range(low, high):
        net = supplies[GENERATION, n, t] - now[LOAD, n, t]
        change = gain_wh(net, charging, discharging, limit_w, step_h)
        on = now[SHARE, n, t] * supplies[SEND_SHARE, n, t]
        if on > 0:
            sending = gain_wh(net - transmit_w, charging, discharging, limit_w, step_h)
            change += on * (sending - change)
        now[CHANGE, n, t] = change
    t = low
    level = now[STORED, n, t]
    while t < last:
        level = min(level + now[CHANGE, n, t], capacity)
        t += 1
        if t >= high and abs(level - now[STORED, n, t]) <= TAKEN_OVER:
            break
        now[STORED, n, t] = level
    touched[n, 1] = max(touched[n, 1], t)
    t = high - 1
    need = now[NEEDED, n, high]
    while t >= first:
        need = max(reserve, need - now[CHANGE, n, t])
        if t < low and abs(need - now[NEEDED, n, t]) <= TAKEN_OVER:
            break
        now[NEEDED, n, t] = need
        t -= 1
    touched[n, 0] = min(touched[n, 0], max(t, 0))


@jitted
def spread(instance, state, n):
    """Charge after the LAST step of the try, and charge needed before its FIRST, as far as they
    change."""
    nodes, now, touched, counters = instance.nodes, state.now, state.touched, state.counters
    first, last = counters[FIRST], counters[LAST]
    steps, capacity, reserve = now.shape[2] - 1, nodes[n, CAPACITY], nodes[n, RESERVE]
    t = last
    level = now[STORED, n, t]
    while t < steps:
        level = min(level + now[CHANGE, n, t], capacity)
        t += 1
        if abs(level - now[STORED, n, t]) <= TAKEN_OVER:
            break
        now[STORED, n, t] = level
    touched[n, 1] = max(touched[n, 1], t)
    t = first - 1
    need = now[NEEDED, n, first]
    while t >= 0:
        need = max(reserve, need - now[CHANGE, n, t])
        if abs(need - now[NEEDED, n, t]) <= TAKEN_OVER:
            break
        now[NEEDED, n, t] = need
        t -= 1
    touched[n, 0] = min(touched[n, 0], max(t, 0))


@jitted
def is_free(nodes, now, n, t):
    """Whether no run keeps a node from sending, and its bus has room for the transmitter."""
    fits = now[PEAK, n, t] + nodes[n, TRANSMIT] <= nodes[n, BUS] + BUS_TOLERANCE_W
    return fits and now[MUTED, n, t] == 0


@jitted
def restock(instance, state):
    """Data held, with sending as it was, after data have changed; whether they fit.

    What a relay sends changes them at its receiver.
    """
    nodes, supplies, order = instance.nodes, instance.supplies, instance.order
    receiver, now, touched, changed = instance.receiver, state.now, state.touched, state.changed
    steps = now.shape[2] - 1
    fits = True
    for k in range(len(order)):
        n = order[k]
        t, last, to = changed[n, 0], changed[n, 1], receiver[n]
        if t >= last:
            continue
        touched[n, 0] = min(touched[n, 0], t)
        held = now[HELD, n, t]
        while t < steps:
            data = held + now[DATA, n, t] + now[RELAYED, n, t]
            sent = 0.0
            if is_free(nodes, now, n, t):
                sent = min(data, now[SHARE, n, t] * supplies[SEND_MBIT, n, t])
            held = data - sent
            if held > nodes[n, STORE] + TOLERANCE:
                fits = False
            if to >= 0 and sent != now[SENT, n, t]:
                now[RELAYED, to, t] += sent - now[SENT, n, t]
                changed[to, 0] = min(changed[to, 0], t)
                changed[to, 1] = max(changed[to, 1], t + 1)
            now[SENT, n, t] = sent
            t += 1
            if t >= last and abs(held - now[HELD, n, t]) <= TAKEN_OVER:
                break
            now[HELD, n, t] = held
        touched[n, 1] = max(touched[n, 1], t)
        if now[HELD, n, steps] > nodes[n, STORE_END] + TOLERANCE:
            fits = False
    return fits


@jitted
def rest(instance, state):
    """Charge gained and needed if nothing were sent, into `work`; whether the charge suffices."""
    step_h, nodes, supplies = instance.step_h, instance.nodes, instance.supplies
    now, work = state.now, state.work
    steps = now.shape[2] - 1
    for n in range(len(nodes)):
        need = nodes[n, END]
        work[UNSENT_NEED, n, steps] = need
        for t in range(steps - 1, -1, -1):
            net = supplies[GENERATION, n, t] - now[LOAD, n, t]
            quiet = gain_wh(
                net,
                nodes[n, CHARGING],
                nodes[n, DISCHARGING],
                nodes[n, CHARGE_LIMIT],
                step_h,
            )
            work[UNSENT_GAIN, n, t] = quiet
            need = max(nodes[n, RESERVE], need - quiet)
            work[UNSENT_NEED, n, t] = need
            # More than a full battery can never be there.
            if need > nodes[n, CAPACITY] + TOLERANCE:
                return False
        if need > nodes[n, START] + TOLERANCE:
            return False
    return True


@jitted
def send(instance, state):
    """Send anew, as early as the permitted steps allow; whether the data fit.

    `work` is as `rest` leaves it.
    """
    step_h, nodes, supplies = instance.step_h, instance.nodes, instance.supplies
    station, receiver, order = instance.station, instance.receiver, instance.order
    now, touched, work, busy = state.now, state.touched, state.work, state.busy
    steps = now.shape[2] - 1
    for n in range(len(nodes)):
        touched[n, 0], touched[n, 1] = 0, steps
        now[STORED, n, 0] = nodes[n, START]
        now[HELD, n, 0] = nodes[n, STORE_START]
        for t in range(steps):
            now[RELAYED, n, t] = 0.0
    for t in range(steps):
        for k in range(len(busy)):
            busy[k] = 0.0
        for k in range(len(order)):
            n = order[k]
            data = now[HELD, n, t] + now[DATA, n, t] + now[RELAYED, n, t]
            quiet, able = work[UNSENT_GAIN, n, t], supplies[SEND_MBIT, n, t]
            share, change, at, to = 0.0, quiet, station[n, t], receiver[n]
            if now[MAY, n, t] > 0 and able > 0 and data > 0 and is_free(nodes, now, n, t):
                share = min(1.0, data / able)
                if to >= 0:
                    there = now[HELD, to, t] + now[RELAYED, to, t]
                    share = min(share, max(0.0, nodes[to, STORE] - there) / able)
                elif at >= 0:
                    share = min(share, 1.0 - busy[at])
                net = supplies[GENERATION, n, t] - now[LOAD, n, t] - nodes[n, TRANSMIT]
                sending = gain_wh(
                    net,
                    nodes[n, CHARGING],
                    nodes[n, DISCHARGING],
                    nodes[n, CHARGE_LIMIT],
                    step_h,
                )
                taken = supplies[SEND_SHARE, n, t] * (quiet - sending)
                if taken > 0 and share > 0:
                    spare = now[STORED, n, t] + quiet - work[UNSENT_NEED, n, t + 1]
                    share = max(0.0, min(share, spare / taken))
                if share > 0:
                    change -= share * taken
                    if to >= 0:
                        now[RELAYED, to, t] += share * able
                    elif at >= 0:
                        busy[at] += share
            now[SHARE, n, t] = share
            now[SENT, n, t] = share * able
            now[CHANGE, n, t] = change
            data -= share * able
            now[HELD, n, t + 1] = data
            now[STORED, n, t + 1] = min(now[STORED, n, t] + change, nodes[n, CAPACITY])
            if data > nodes[n, STORE] + TOLERANCE:
                return False
    fits = True
    for n in range(len(nodes)):
        if now[HELD, n, steps] > nodes[n, STORE_END] + TOLERANCE:
            fits = False
        need = nodes[n, END]
        now[NEEDED, n, steps] = need
        for t in range(steps - 1, -1, -1):
            need = max(nodes[n, RESERVE], need - now[CHANGE, n, t])
            now[NEEDED, n, t] = need
    return fits


@jitted
def walk(instance, state):
    """Send anew, as early as the permitted steps allow; whether charge and data fit."""
    return rest(instance, state) and send(instance, state)


@jitted
def sort_steps(instance, state, n):
    """Class of what a Mbit takes from the battery in each step, -1 where nothing can be sent; and
    how much can be sent in each class."""
    step_h, nodes, supplies = instance.step_h, instance.nodes, instance.supplies
    now, kept, work, classes = state.now, state.kept, state.work, state.classes
    steps, capacity, transmit_w = now.shape[2] - 1, nodes[n, CAPACITY], nodes[n, TRANSMIT]
    most = 0.0
    for t in range(steps):
        able = supplies[SEND_MBIT, n, t]
        cost = -1.0
        if able > 0 and is_free(nodes, now, n, t):
            sending = gain_wh(
                supplies[GENERATION, n, t] - now[LOAD, n, t] - transmit_w,
                nodes[n, CHARGING],
                nodes[n, DISCHARGING],
                nodes[n, CHARGE_LIMIT],
                step_h,
            )
            # What a full battery refuses is free.
            taken_in = min(work[UNSENT_GAIN, n, t], capacity - kept[STORED, n, t])
            cost = supplies[SEND_SHARE, n, t] * max(0.0, taken_in - sending) / able
            most = max(most, cost)
        work[CLASS, n, t] = cost
    for k in range(CLASSES + 1):
        classes[n, k] = 0.0
    scale = CLASSES / most if most > 0 else 0.0
    for t in range(steps):
        if work[CLASS, n, t] >= 0:
            k = int(work[CLASS, n, t] * scale)
            work[CLASS, n, t] = k
            classes[n, k] += supplies[SEND_MBIT, n, t]


@jitted
def permit(instance, state):
    """Permit sending where a Mbit takes least from the battery; whether charge and data fit.

    So much that what must leave can, with some margin, and more if that does not do. What is
    not sent then is not permitted either, so that later runs find the energy.
    """
    nodes, order, receiver = instance.nodes, instance.order, instance.receiver
    now, work, classes = state.now, state.work, state.classes
    steps = now.shape[2] - 1
    if not rest(instance, state):
        return False
    for k in range(len(order)):
        n = order[k]
        sort_steps(instance, state, n)
        leaves = nodes[n, STORE_START] - nodes[n, STORE_END]
        for t in range(steps):
            leaves += now[DATA, n, t]
        for m in range(len(nodes)):
            if receiver[m] == n:
                leaves += classes[m, LEAVES]
        # As `order` has relays first, what they pass on is known here.
        classes[n, LEAVES] = max(0.0, leaves)
        classes[n, LAST_CLASS] = -1.0
    margin = FIRST_MARGIN
    while margin <= LAST_MARGIN:
        is_wider = False
        for n in range(len(nodes)):
            last, room = 0, classes[n, 0]
            while last < CLASSES and room < (1 + margin) * classes[n, LEAVES]:
                last += 1
                room += classes[n, last]
            is_wider = is_wider or last > classes[n, LAST_CLASS]
            classes[n, LAST_CLASS] = last
            for t in range(steps):
                now[MAY, n, t] = 1.0 if 0 <= work[CLASS, n, t] <= last else 0.0
        if is_wider and send(instance, state):
            for n in range(len(nodes)):
                for t in range(steps):
                    now[MAY, n, t] = 1.0 if now[SHARE, n, t] > 0 else 0.0
            return True
        margin *= WIDER
    return False


@inlined
def may_start(instance, state, i, start):
    """Whether bus and charge suffice for a run at a start that nothing bars, with its needs."""
    step_h, nodes, supplies = instance.step_h, instance.nodes, instance.supplies
    tasks, profiles, needs_of = instance.tasks, instance.profiles, instance.needs_of
    met, now = state.met, state.now
    length, n, steps = tasks[i, LENGTH], tasks[i, NODE], now.shape[2] - 1
    if start + length > steps:
        return False
    for need in range(needs_of[i, 0], needs_of[i, 1]):
        if met[need, start] <= 0:
            return False
    charging, discharging = nodes[n, CHARGING], nodes[n, DISCHARGING]
    limit_w, transmit_w = nodes[n, CHARGE_LIMIT], nodes[n, TRANSMIT]
    capacity, most_w = nodes[n, CAPACITY], nodes[n, BUS] + BUS_TOLERANCE_W
    level = now[STORED, n, start]
    for k in range(length):
        t = start + k
        if now[PEAK, n, t] + profiles[1, i, k] > most_w:
            return False
        net = supplies[GENERATION, n, t] - now[LOAD, n, t] - profiles[0, i, k]
        change = gain_wh(net, charging, discharging, limit_w, step_h)
        on = now[SHARE, n, t] * supplies[SEND_SHARE, n, t]
        if on > 0:
            sending = gain_wh(net - transmit_w, charging, discharging, limit_w, step_h)
            change += on * (sending - change)
        level = min(level + change, capacity)
        if level < now[NEEDED, n, t + 1] - TOLERANCE:
            return False
    return True


@jitted
def most_gain(instance, state, i, low, high, part):
    """The most that one more run of `i` gains at a start in low...high that nothing bars.

    `part` of its price is taken off.
    """
    cells, preference, price = instance.cells, instance.preference, instance.price
    gains, barred = state.gains, state.barred
    most = 0.0
    for t in range(low, high):
        if barred[i, t] == 0:
            gain = gains[i, cells[i, t]] + preference[i, t] - part * price[i, t]
            most = max(most, gain)
    return most


@inlined
def best_start(instance, state, i, low, high, from_end, most, part):
    """The start in low...high at which a run gains most, of equal ones the first from one side.

    -1 if there is none; no start gains more than `most`.
    """
    step_h, nodes, tasks, profiles = (
        instance.step_h,
        instance.nodes,
        instance.tasks,
        instance.profiles,
    )
    cells, preference, price = instance.cells, instance.preference, instance.price
    gains, barred, now = state.gains, state.barred, state.now
    n, length = tasks[i, NODE], tasks[i, LENGTH]
    count = min(high, now.shape[2] - length) - low
    # With every watt a battery gains at least so much less, unless it is charged at its limit.
    lost = nodes[n, CHARGING] * step_h if nodes[n, CHARGE_LIMIT] == inf else 0.0
    drawn_wh = -TOLERANCE
    for k in range(length):
        drawn_wh += profiles[0, i, k] * lost
    first = low + count - 1 if from_end else low
    change = 0.0
    if count > 0:
        for k in range(length):
            change += now[CHANGE, n, first + k]
    best, start = SMALLEST_GAIN, -1
    for k in range(count):
        t = first - k if from_end else first + k
        if k > 0 and from_end:
            change += now[CHANGE, n, t] - now[CHANGE, n, t + length]
        elif k > 0:
            change += now[CHANGE, n, t + length - 1] - now[CHANGE, n, t - 1]
        if barred[i, t] != 0:
            continue
        if now[STORED, n, t] + change - drawn_wh < now[NEEDED, n, t + length]:
            continue
        gain = gains[i, cells[i, t]] + preference[i, t] - part * price[i, t]
        if gain > best + SMALLEST_GAIN and may_start(instance, state, i, t):
            best, start = gain, t
            if gain >= most - SMALLEST_GAIN:
                break
    return start


@jitted
def note(state, i, start, sign):
    """Note a move of the try."""
    moves, counters = state.moves, state.counters
    m = counters[MOVES]
    moves[m, 0], moves[m, 1], moves[m, 2] = i, start, sign
    counters[MOVES] += 1


@jitted
def clear(instance, state, middle, reach, only, keep, with_needed):
    """Take out runs near the `middle`, each with probability 1 - keep, if platform `only` (or
    -1 for any) has them; what others need stays unless `with_needed`."""
    tasks, runs, placed = instance.tasks, state.runs, state.placed
    counters = state.counters
    for i in range(len(tasks)):
        if only >= 0 and tasks[i, NODE] != only:
            continue
        first = -1
        if tasks[i, AWAITED] and not with_needed:
            if tasks[i, NEARBY]:
                continue
            # Any earlier run will do, so that only the first stays.
            first = instance.cells.shape[1]
            for k in range(placed[i]):
                first = min(first, runs[i, k])
        for k in range(placed[i]):
            start = runs[i, k]
            if abs(start - middle) < reach and start != first and drawn(counters) >= keep:
                note(state, i, start, -1)


@jitted
def worth_of(instance, state, i, start):
    """What one more run of `i` at a start adds to the objective."""
    return state.gains[i, instance.cells[i, start]] + instance.preference[i, start]


def put_in(instance, state, i, start):
    """Book a run that fits."""
    state.sums[GAIN] += worth_of(instance, state, i, start)
    book_place(instance, state, i, start, 1)
    book_loads(instance, state, i, start, 1)
    stop = start + instance.tasks[i, LENGTH]
    recharge(instance, state, instance.tasks[i, NODE], start, stop)
    note(state, i, start, 1)


@jitted
def take_out(instance, state, done):
    """Take back the runs that are listed in the moves from `done` on."""
    moves, changed = state.moves, state.changed
    for m in range(done, state.counters[MOVES]):
        i, start = moves[m, 0], moves[m, 1]
        book_place(instance, state, i, start, -1)
        book_loads(instance, state, i, start, -1)
        state.sums[GAIN] -= worth_of(instance, state, i, start)
    for n in range(len(changed)):
        if changed[n, 0] < changed[n, 1]:
            recharge(instance, state, n, changed[n, 0], changed[n, 1])


@jitted
def put_back(instance, state, low, high, done):
    """Runs that others need and that were taken out in the moves from `done` on, at random starts
    in low...high."""
    tasks, counters, moves = instance.tasks, state.counters, state.moves
    last, span = counters[MOVES], high - low
    for j in range(len(tasks)):
        i = instance.task_order[j]
        for m in range(done, last):
            if moves[m, 0] != i or not tasks[i, AWAITED]:
                continue
            first = low + int(drawn(counters) * span)
            for k in range(span):
                t = first + k if first + k < high else first + k - span
                if state.barred[i, t] == 0 and may_start(instance, state, i, t):
                    put_in(instance, state, i, t)
                    break


@jitted
def list_lacking(instance, state):
    """List all runs that lack a run they need among the moves, to be taken out."""
    needs_of, met, runs, placed = instance.needs_of, state.met, state.runs, state.placed
    counters, before = state.counters, state.counters[MOVES]
    for i in range(len(placed)):
        for k in range(placed[i]):
            for need in range(needs_of[i, 0], needs_of[i, 1]):
                if met[need, runs[i, k]] <= 0:
                    note(state, i, runs[i, k], -1)
                    break
    if counters[MOVES] > before:
        # They may lie anywhere.
        for n in range(len(instance.nodes)):
            spread(instance, state, n)
        counters[FIRST], counters[LAST] = 0, state.now.shape[2] - 1


@jitted
def appeal(instance, state, i, low, high, part):
    """The weight of task `i`, times the most that one more run gains in low...high."""
    return state.weights[WEIGHT, i] * most_gain(instance, state, i, low, high, part)


@jitted
def appeal_again(instance, state, i, low, high, part):
    """Update the appeal of all tasks to which a run of `i` has changed it."""
    rivals, bars, bar_of = instance.rivals, instance.bars, instance.bar_of
    teams, members, weights = instance.teams, instance.members, state.weights
    weights[APPEAL, i] = 0.0
    if state.placed[i] < instance.tasks[i, COUNT]:
        weights[APPEAL, i] = appeal(instance, state, i, low, high, part)
    for k in range(rivals.shape[1]):
        j = rivals[i, k]
        if j >= 0 and weights[APPEAL, j] > 0.0:
            weights[APPEAL, j] = appeal(instance, state, j, low, high, part)
    for k in range(bars.shape[1]):
        j = bar_of[bars[i, k]] if bars[i, k] >= 0 else i
        if weights[APPEAL, j] > 0.0:
            weights[APPEAL, j] = appeal(instance, state, j, low, high, part)
    for k in range(teams.shape[1]):
        for m in range(members.shape[1] if teams[i, k] >= 0 else 0):
            j = members[teams[i, k], m]
            if j >= 0 and weights[APPEAL, j] > 0.0:
                weights[APPEAL, j] = appeal(instance, state, j, low, high, part)
    for c in range(len(instance.party)):
        for j in range(len(instance.tasks) if instance.party[c, i] >= 0 else 0):
            if instance.party[c, j] >= 0 and weights[APPEAL, j] > 0.0:
                weights[APPEAL, j] = appeal(instance, state, j, low, high, part)


def refill(instance, state, low, high):
    """Book runs until none fits in low...high: the most worth for what it uses first.

    Weights of the resources, noise, and the side from which starts are taken are random. With some
    probability runs are chosen by their worth less a share of their price first, or sending is
    planned anew before. False if that fails.
    """
    tasks, shares, use, left = instance.tasks, instance.shares, instance.use, state.left
    counters, weights, count = state.counters, state.weights, len(instance.tasks)
    if drawn(counters) < RESENT and not permit(instance, state):
        return False
    power, from_end = drawn(counters), drawn(counters) < 0.5
    part = drawn(counters) if drawn(counters) < PRICED else 0.0
    for k in range(shares.shape[1]):
        weights[SCARCITY, k] = drawn(counters)
    for i in range(count):
        cost = 1e-9
        for k in range(shares.shape[1]):
            cost += shares[i, k] * weights[SCARCITY, k]
        # Of variance one.
        noise = 2 * (drawn(counters) + drawn(counters) + drawn(counters) - 1.5)
        weights[WEIGHT, i] = exp(SPREAD * noise - power * log(cost))
    while True:
        for i in range(count):
            weights[APPEAL, i] = 0.0
            if state.placed[i] < tasks[i, COUNT]:
                weights[APPEAL, i] = appeal(instance, state, i, low, high, part)
        while True:
            i = 0
            for j in range(1, count):
                if weights[APPEAL, j] > weights[APPEAL, i]:
                    i = j
            if weights[APPEAL, i] <= 0.0:
                break
            start = -1
            fits = True
            for k in range(len(left)):
                fits = fits and left[k] >= use[k, i] - TOLERANCE
            if fits:
                most = weights[APPEAL, i] / weights[WEIGHT, i]
                start = best_start(instance, state, i, low, high, from_end, most, part)
            weights[APPEAL, i] = 0.0
            if start >= 0:
                put_in(instance, state, i, start)
                appeal_again(instance, state, i, low, high, part)
        if part == 0.0:
            return True
        part = 0.0


@jitted
def is_new(moves, count):
    """Whether the first `count` moves do not cancel out."""
    for m in range(count):
        total = 0
        for k in range(count):
            if moves[k, 0] == moves[m, 0] and moves[k, 1] == moves[m, 1]:
                total += moves[k, 2]
        if total != 0:
            return True
    return False


def is_accepted(instance, state):
    """Whether the try is kept: it has the required runs, is good enough, and battery and store
    suffice."""
    tasks, placed, counters, sums = instance.tasks, state.placed, state.counters, state.sums
    for i in range(len(tasks)):
        if placed[i] < tasks[i, MUST]:
            return False
    if not is_new(state.moves, counters[MOVES]):
        return False
    cooled = counters[SPENT] / counters[WORK]
    loss = sums[FIRST_LOSS] * exp(cooled * log(sums[LAST_LOSS] / sums[FIRST_LOSS]))
    if sums[GAIN] < sums[MEAN_WORTH] * loss * log(drawn(counters)):
        return False
    better = sums[AHEAD] + sums[GAIN] > sums[BEST_AHEAD] + SMALLEST_GAIN
    if restock(instance, state) and not better:
        return True
    if walk(instance, state):
        return True
    if not better or counters[SPENT] < counters[NEXT_PERMIT]:
        return False
    counters[NEXT_PERMIT] = counters[SPENT] + PERMIT_EVERY
    return permit(instance, state)


@jitted
def keep_best(state):
    """The plan as it is becomes the best."""
    runs, placed, best_runs, best_placed = (
        state.runs,
        state.placed,
        state.best_runs,
        state.best_placed,
    )
    now, best_may = state.now, state.best_may
    state.sums[BEST_AHEAD] = state.sums[AHEAD]
    for i in range(len(placed)):
        best_placed[i] = placed[i]
        for k in range(placed[i]):
            best_runs[i, k] = runs[i, k]
    for n in range(best_may.shape[0]):
        for t in range(best_may.shape[1]):
            best_may[n, t] = now[MAY, n, t]


@jitted
def copy_figures(source, target, touched):
    """Copy what was touched."""
    for f in range(FIGURES):
        for n in range(len(touched)):
            for t in range(touched[n, 0], touched[n, 1] + 1):
                target[f, n, t] = source[f, n, t]


def refuse(instance, state):
    """The plan becomes what it was before the try."""
    moves = state.moves
    for m in range(state.counters[MOVES] - 1, -1, -1):
        book_place(instance, state, moves[m, 0], moves[m, 1], -moves[m, 2])
    copy_figures(state.kept, state.now, state.touched)


def accept(instance, state):
    """The plan as tried becomes the one to go on from."""
    counters, sums = state.counters, state.sums
    counters[ACCEPTED] += 1
    sums[AHEAD] += sums[GAIN]
    if sums[AHEAD] > sums[BEST_AHEAD] + SMALLEST_GAIN:
        keep_best(state)
    for n in range(len(instance.nodes)):
        spread(instance, state, n)
    copy_figures(state.now, state.kept, state.touched)


def ruin(instance, state):
    """Clear a part of the plan; the hours that are to be filled again, none if it is empty."""
    counters, touched, changed = state.counters, state.touched, state.changed
    tasks, step_h = instance.tasks, instance.step_h
    steps, platforms = state.now.shape[2] - 1, state.now.shape[1]
    counters[MOVES] = 0
    state.sums[GAIN] = 0.0
    awaited = False
    for i in range(len(tasks)):
        awaited = awaited or tasks[i, AWAITED] > 0
    for n in range(platforms):
        touched[n, 0], touched[n, 1] = steps, 0
        changed[n, 0], changed[n, 1] = steps, 0
    middle = int(drawn(counters) * steps)
    around = drawn(counters) * CLEARED_H / 2 / step_h
    only = int(drawn(counters) * platforms) if drawn(counters) < 0.5 else -1
    keep = drawn(counters) * KEPT
    with_needed = awaited and drawn(counters) < WITH_NEEDED
    clear(instance, state, middle, around, only, keep, with_needed)
    if counters[MOVES] == 0:
        return 0, 0
    low, high = 0, steps
    if drawn(counters) >= ANYWHERE:
        low = max(0, int(middle - around - BESIDE_H / step_h))
        high = min(steps, int(middle + around + BESIDE_H / step_h))
    counters[FIRST] = low
    counters[LAST] = min(steps, high + instance.profiles.shape[2])
    done = 0
    while done < counters[MOVES]:
        take_out(instance, state, done)
        again, done = done, counters[MOVES]
        if with_needed:
            put_back(instance, state, low, high, again)
            done = counters[MOVES]
            list_lacking(instance, state)
    return low, high


def begin(instance, state):
    """Walk through a new plan; no tries are left if battery or store falls short."""
    if not walk(instance, state):
        state.counters[SPENT] = state.counters[WORK]
    copy_figures(state.now, state.kept, state.touched)


def anneal(instance, state, until):
    """Ruin and recreate until so many tries are spent; the best plan is in `state`.

    The state goes on from where it was left.
    """
    counters = state.counters
    if counters[SPENT] == 0:
        begin(instance, state)
    while counters[SPENT] < until:
        counters[SPENT] += 1
        low, high = ruin(instance, state)
        if low == high:
            continue
        if refill(instance, state, low, high) and is_accepted(instance, state):
            accept(instance, state)
        else:
            refuse(instance, state)


def first_fit(instance, state, starts):
    """Index of the first of `starts` (runs, 2), task and start, with which battery and store
    suffice; -1 if there is none.

    Data are sent where the plan in `state` permits it, or as early as can be. Nothing else is
    judged, and the plan is as it was afterwards.
    """
    now, touched = state.now, state.touched
    steps = now.shape[2] - 1
    for k in range(len(starts)):
        book_loads(instance, state, starts[k, 0], starts[k, 1], 1)
        fits, way = False, 0
        while way < 2 and not fits:
            if way == 1:
                for n in range(now.shape[1]):
                    for t in range(steps):
                        now[MAY, n, t] = 1.0
            fits = walk(instance, state)
            way += 1
        for n in range(now.shape[1]):
            touched[n, 0], touched[n, 1] = 0, steps
        copy_figures(state.kept, now, touched)
        if fits:
            return k
    return -1
