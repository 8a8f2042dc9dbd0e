"""The march of `heat_conduction` through many steps, for sites side by side; plain arrays.

Steps, formulae and tolerance are the same; guesses are a little better, and all sites of a call
are solved until the last one is. They stand in the inner loops, which the compiler
(`compiled_march`) turns into steps for eight or four at once, as long as it sees how many there
are, that arrays do not overlap and that no index is negative. The function is plain Python too,
and gives the same numbers.
"""

import numpy as np

LANES = 16  # sites of a call; with eight the compiler writes loops out instead
MOST_NODES = 65
# Room for all nodes, and for a row without ground above and below them. No multiple of a page, as
# the cache would mix up the same places of pages.
ROOM = (MOST_NODES + 2) * LANES
# Places in the array of a call, each with that room.
PLACES = 17
(
    NOW, BEFORE, HELD, HISTORY, GUESS, INVERSE, POTENTIAL, ENTHALPY, HEAT, PIVOT, SOLVED,
    NEXT, NEXT_HELD, NEXT_POTENTIAL, MOVED, LIGHT, EMISSION,
) = range(0, PLACES * ROOM, ROOM)  # fmt: skip


def march_sites(
    now, before, since_s, step_s, absorbed, mass, coupling, capacity, chi, heat_flow, emission,
    newton_k, newton_max, weight, mean_potential, row, at_depth, seen,
):  # fmt: skip
    """Step s = LANES sites through n steps; whether each step was solved.

    `now` and `before` (k, s), `since_s` apart, are the temperatures to begin with, and become those
    at the end; k is MOST_NODES at most. `step_s` (n,), `absorbed` (n, s). `mass` and `coupling`
    (k,) of the column, the last coupling 0; `capacity` (5,) the factors of the heat capacity, `chi`
    as in `Column.radiative_per_k3`; `heat_flow`, `emission` (s,). `mean_potential` (k, s) becomes
    the sum of `weight` (n,) times the potential. Where `row` (n,) is not negative, that row of
    `seen` (m, d, s) becomes the temperatures times `at_depth` (k, d).
    """
    nodes = min(len(now), MOST_NODES)
    end = (1 + nodes) * LANES
    # One array with fixed places for all: so the compiler sees that none overlaps another.
    w = np.zeros(PLACES * ROOM)
    weighed = np.zeros(ROOM)
    c0, c1, c2, c3, c4 = capacity[0], capacity[1], capacity[2], capacity[3], capacity[4]
    h0, h1, h2, h3, h4 = c0, c1 / 2, c2 / 3, c3 / 4, c4 / 5
    for k in range(nodes):
        for s in range(LANES):
            i = (1 + k) * LANES + s
            t = before[k, s]
            w[NOW + i], w[BEFORE + i] = t, t
            w[HELD + i] = t * (h0 + t * (h1 + t * (h2 + t * (h3 + t * h4))))
            t = now[k, s]
            w[NEXT + i] = t
            w[NEXT_HELD + i] = t * (h0 + t * (h1 + t * (h2 + t * (h3 + t * h4))))
    for s in range(LANES):
        w[EMISSION + s] = emission[s]
    for step in range(len(step_s)):
        # Second order backward differences. The guess goes on along the parabola through the last
        # three temperatures if they are evenly spaced, or else along the line through two.
        ratio = step_s[step] / since_s
        past = ratio * ratio / (1 + ratio)
        ahead, rate = (1 + ratio) / step_s[step], (1 + ratio - past) / step_s[step]
        behind = past / step_s[step]
        alike = step > 1 and abs(step_s[step - 2] - since_s) + abs(since_s - step_s[step]) < 1.0
        bend = 1.0 if alike else 0.0
        for i in range(LANES, end):
            t, was, held = w[NEXT + i], w[NOW + i], w[NEXT_HELD + i]
            rise, half = t - was, 0.5 * t
            guess = t + ratio * rise + bend * (rise - (was - w[BEFORE + i]))
            w[GUESS + i] = guess if guess > half else half
            w[HISTORY + i] = ahead * held - behind * w[HELD + i]
            w[NOW + i], w[BEFORE + i], w[HELD + i] = t, was, held
        for s in range(LANES):
            w[LIGHT + s] = absorbed[step, s]
        for turn in range(newton_max + 1):
            if turn == newton_max:
                return False
            # Newton for the potentials, by elimination downwards: each follows from the one below.
            link = 0.0
            for k in range(nodes):
                surface = 1.0 if k == 0 else 0.0
                held_kg, coupled, squared = mass[k], link + coupling[k], link * link
                kg_s = rate * held_kg
                for s in range(LANES):
                    i = (1 + k) * LANES + s
                    t = w[GUESS + i]
                    cube = t * t * t
                    radiative = chi * cube
                    inverse = 1 / (1 + radiative)
                    potential = t * (1 + radiative / 4)
                    enthalpy = t * (h0 + t * (h1 + t * (h2 + t * (h3 + t * h4))))
                    heat = inverse * (c0 + t * (c1 + t * (c2 + t * (c3 + t * c4))))
                    lost = surface * w[EMISSION + s] * cube
                    slope = kg_s * heat + 4 * lost * inverse
                    known = held_kg * w[HISTORY + i] - kg_s * enthalpy + slope * potential
                    known += surface * w[LIGHT + s] - lost * t
                    pivot = 1 / (slope + coupled - squared * w[PIVOT + i - LANES])
                    w[INVERSE + i], w[POTENTIAL + i] = inverse, potential
                    w[ENTHALPY + i], w[HEAT + i] = enthalpy, heat
                    w[PIVOT + i] = pivot
                    w[SOLVED + i] = pivot * (known + link * w[SOLVED + i - LANES])
                link = coupling[k]
            # Substitution upwards. The step conserves the linearised enthalpy.
            for s in range(LANES):
                i = max(nodes, 0) * LANES + s
                w[SOLVED + i] += w[PIVOT + i] * heat_flow[s]
                w[NEXT_POTENTIAL + i + LANES] = 0.0
                w[MOVED + i + LANES] = 0.0
            for below in range(nodes):
                k = min(max(nodes - 1 - below, 0), MOST_NODES)
                link = coupling[k]
                for s in range(LANES):
                    i = (1 + k) * LANES + s
                    found = w[SOLVED + i] + link * w[PIVOT + i] * w[NEXT_POTENTIAL + i + LANES]
                    change = found - w[POTENTIAL + i]
                    moved = change * w[INVERSE + i]
                    w[NEXT_POTENTIAL + i] = found
                    w[NEXT + i] = w[GUESS + i] + moved
                    w[NEXT_HELD + i] = w[ENTHALPY + i] + w[HEAT + i] * change
                    moved, most = abs(moved), w[MOVED + i + LANES]
                    w[MOVED + i] = moved if moved > most else most
            largest = 0.0
            for s in range(LANES):
                largest = max(largest, w[MOVED + LANES + s])
            if largest < newton_k:
                break
            # Light on very cold ground would make Newton overshoot and diverge.
            for i in range(LANES, end):
                t, to = w[GUESS + i], w[NEXT + i]
                to = to if to > 0.5 * t else 0.5 * t
                w[GUESS + i] = to if to < 2 * t else 2 * t
        since_s = step_s[step]
        share = weight[step]
        if share != 0.0:
            for i in range(LANES, end):
                weighed[i] += share * w[NEXT_POTENTIAL + i]
        if row[step] >= 0:
            for d in range(at_depth.shape[1]):
                for s in range(LANES):
                    seen[row[step], d, s] = 0.0
                for k in range(nodes):
                    share = at_depth[k, d]
                    if share != 0.0:
                        for s in range(LANES):
                            seen[row[step], d, s] += share * w[NEXT + (1 + k) * LANES + s]
    now[:, :] = w[NEXT + LANES : NEXT + end].reshape(nodes, LANES)
    before[:, :] = w[NOW + LANES : NOW + end].reshape(nodes, LANES)
    mean_potential[:, :] = weighed[LANES:end].reshape(nodes, LANES)
    return True
