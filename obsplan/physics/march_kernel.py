"""The march of `heat_conduction` through many steps, for sites side by side; plain arrays.

Steps, formulae and tolerance are the same; guesses are a little better, and a site whose balance
is solved is left alone while others are not yet. All sites stand in the inner loops, which the
compiler (`compiled_march`) turns into steps for many at once, as long as it sees that arrays do not
overlap and that no index is negative. The function is plain Python too, and gives the same numbers.
"""

import numpy as np

# Nodes of sites in a call: they fit into the processor's cache. No multiple of a page, as the
# cache would mix up the same places of pages.
ROOM = 1960
# Places in the array of a call, each with room for all nodes.
PLACES = 20
(
    NOW, BEFORE, EARLIER, HELD, HELD_BEFORE, HISTORY, GUESS, INVERSE, POTENTIAL, ENTHALPY, HEAT,
    SURPLUS, DIAGONAL, MASS, COUPLING, COUPLED, NEXT, NEXT_HELD, NEXT_POTENTIAL, WEIGHED,
) = range(0, PLACES * ROOM, ROOM)  # fmt: skip


def march_sites(
    now, before, since_s, step_s, absorbed, mass, coupling, capacity, chi, heat_flow, emission,
    newton_k, newton_max, weight, mean_potential, row, at_depth, seen,
):  # fmt: skip
    """Step s sites through n steps; whether each step was solved.

    `now` and `before` (k, s), `since_s` apart, are the temperatures to begin with, and become those
    at the end. `step_s` (n,), `absorbed` (n, s). `mass` and `coupling` (k,) of the column, the last
    coupling 0; `capacity` (5,) the factors of the heat capacity, `chi` as in
    `Column.radiative_per_k3`; `heat_flow`, `emission` (s,). `mean_potential` (k, s) becomes the
    sum of `weight` (n,) times the potential. Where `row` (n,) is not negative, that row of
    `seen` (m, d, s) becomes the temperatures times `at_depth` (k, d). There is room for ROOM
    nodes of sites.
    """
    nodes, sites = now.shape
    size = nodes * sites
    if size > ROOM:
        return False
    # One array with fixed places for all: so the compiler sees that none overlaps another.
    w = np.zeros(PLACES * ROOM)
    active, keep = np.empty(sites, dtype=np.int64), np.empty(sites, dtype=np.int64)
    largest, upward = np.empty(sites), np.empty(ROOM)
    pivots, changes = np.empty(ROOM), np.empty(ROOM)
    c0, c1, c2, c3, c4 = capacity[0], capacity[1], capacity[2], capacity[3], capacity[4]
    h0, h1, h2, h3, h4 = c0, c1 / 2, c2 / 3, c3 / 4, c4 / 5
    first_k, earlier_k = now.reshape(size), before.reshape(size)
    for i in range(min(size, ROOM)):
        t = earlier_k[i]
        w[HELD_BEFORE + i] = t * (h0 + t * (h1 + t * (h2 + t * (h3 + t * h4))))
        w[BEFORE + i] = t
        t = first_k[i]
        w[HELD + i] = t * (h0 + t * (h1 + t * (h2 + t * (h3 + t * h4))))
        w[NOW + i] = t
    filled = 0
    for step in range(len(step_s)):
        # Second order backward differences. The guess goes on along the parabola through the last
        # three temperatures if they are evenly spaced, or else along the line through two.
        ratio = step_s[step] / since_s
        past = ratio * ratio / (1 + ratio)
        ahead, rate = (1 + ratio) / step_s[step], (1 + ratio - past) / step_s[step]
        behind = past / step_s[step]
        alike = step > 1 and abs(step_s[step - 2] - since_s) + abs(since_s - step_s[step]) < 1.0
        bend = 1.0 if alike else 0.0
        for i in range(min(size, ROOM)):
            w[HISTORY + i] = ahead * w[HELD + i] - behind * w[HELD_BEFORE + i]
            rise, half = w[NOW + i] - w[BEFORE + i], 0.5 * w[NOW + i]
            t = w[NOW + i] + ratio * rise + bend * (rise - (w[BEFORE + i] - w[EARLIER + i]))
            w[GUESS + i] = t if t > half else half
        some = sites
        for s in range(sites):
            active[s] = s
        # Newton, first for all sites, then for the few that are not solved yet, closed up.
        for turn in range(newton_max + 1):
            if turn == newton_max:
                return False
            of_some = nodes * some
            if filled != some:
                filled = some
                for k in range(nodes):
                    above = coupling[k - 1] if k > 0 else 0.0
                    for i in range(k * some, (k + 1) * some):
                        w[MASS + i], w[COUPLING + i] = mass[k], coupling[k]
                        w[COUPLED + i] = above + coupling[k]
            for i in range(min(of_some, ROOM)):
                t = w[GUESS + i]
                cube = chi * t * t * t
                inverse = 1 / (1 + cube)
                enthalpy = t * (h0 + t * (h1 + t * (h2 + t * (h3 + t * h4))))
                heat = c0 + t * (c1 + t * (c2 + t * (c3 + t * c4)))
                w[INVERSE + i] = inverse
                w[POTENTIAL + i] = t * (1 + cube / 4)
                w[ENTHALPY + i], w[HEAT + i] = enthalpy, heat
                w[SURPLUS + i] = w[MASS + i] * (w[HISTORY + i] - rate * enthalpy)
                w[DIAGONAL + i] = rate * w[MASS + i] * heat * inverse + w[COUPLED + i]
            for s in range(some):
                t = w[GUESS + s]
                lost = emission[active[s]] * t * t * t
                w[SURPLUS + s] += absorbed[step, active[s]] - lost * t
                w[DIAGONAL + s] += 4 * lost * w[INVERSE + s]
                w[SURPLUS + of_some - some + s] += heat_flow[active[s]]
            potential, surplus = w[POTENTIAL : POTENTIAL + of_some], w[SURPLUS : SURPLUS + of_some]
            potential_below, surplus_below = potential[some:], surplus[some:]
            for i in range(of_some - some):
                upward[i] = w[COUPLING + i] * (potential_below[i] - potential[i])
            for i in range(of_some - some):
                surplus[i] += upward[i]
            for i in range(of_some - some):
                surplus_below[i] -= upward[i]
            # Elimination downwards, substitution upwards; what is written has its own arrays.
            diagonal = w[DIAGONAL : DIAGONAL + of_some].reshape(nodes, some)
            known = surplus.reshape(nodes, some)
            slope = w[INVERSE : INVERSE + of_some].reshape(nodes, some)
            pivot = pivots[:of_some].reshape(nodes, some)
            change = changes[:of_some].reshape(nodes, some)
            for s in range(some):
                pivot[0, s] = 1 / diagonal[0, s]
                change[0, s] = known[0, s]
            for k in range(1, nodes):
                link = coupling[k - 1]
                for s in range(some):
                    pivot[k, s] = 1 / (diagonal[k, s] - link * link * pivot[k - 1, s])
                for s in range(some):
                    change[k, s] = known[k, s] + link * pivot[k - 1, s] * change[k - 1, s]
            for s in range(some):
                change[nodes - 1, s] *= pivot[nodes - 1, s]
                largest[s] = abs(change[nodes - 1, s] * slope[nodes - 1, s])
            for k in range(nodes - 2, -1, -1):
                link = coupling[k]
                for s in range(some):
                    change[k, s] = pivot[k, s] * (change[k, s] + link * change[k + 1, s])
                for s in range(some):
                    moved = abs(change[k, s] * slope[k, s])
                    largest[s] = moved if moved > largest[s] else largest[s]
            # The step conserves the linearised enthalpy.
            if turn == 0:
                for i in range(min(size, ROOM)):
                    moved = changes[i] * w[INVERSE + i]
                    w[NEXT + i] = w[GUESS + i] + moved
                    w[NEXT_HELD + i] = w[ENTHALPY + i] + w[HEAT + i] * moved
                    w[NEXT_POTENTIAL + i] = w[POTENTIAL + i] + changes[i]
            else:
                for k in range(nodes):
                    for s in range(some):
                        i, at = k * some + s, k * sites + active[s]
                        moved = changes[i] * w[INVERSE + i]
                        w[NEXT + at] = w[GUESS + i] + moved
                        w[NEXT_HELD + at] = w[ENTHALPY + i] + w[HEAT + i] * moved
                        w[NEXT_POTENTIAL + at] = w[POTENTIAL + i] + changes[i]
            open_yet = 0
            for s in range(some):
                if not largest[s] < newton_k:
                    active[open_yet] = active[s]
                    keep[open_yet] = s
                    open_yet += 1
            if open_yet == 0:
                break
            # Light on very cold ground would make Newton overshoot and diverge.
            for k in range(nodes):
                for s in range(open_yet):
                    i, to = k * some + keep[s], k * open_yet + s
                    t = w[GUESS + i]
                    moved = t + changes[i] * w[INVERSE + i]
                    moved = moved if moved > 0.5 * t else 0.5 * t
                    w[GUESS + to] = moved if moved < 2 * t else 2 * t
                    w[HISTORY + to] = w[HISTORY + i]
            some = open_yet
        since_s = step_s[step]
        share = weight[step]
        for i in range(min(size, ROOM)):
            w[EARLIER + i], w[BEFORE + i] = w[BEFORE + i], w[NOW + i]
            w[HELD_BEFORE + i] = w[HELD + i]
            w[NOW + i], w[HELD + i] = w[NEXT + i], w[NEXT_HELD + i]
            w[WEIGHED + i] += share * w[NEXT_POTENTIAL + i]
        if row[step] >= 0:
            for d in range(at_depth.shape[1]):
                for s in range(sites):
                    seen[row[step], d, s] = 0.0
                for k in range(nodes):
                    share = at_depth[k, d]
                    if share != 0.0:
                        for s in range(sites):
                            seen[row[step], d, s] += share * w[NOW + k * sites + s]
    now[:, :] = w[NOW : NOW + size].reshape(nodes, sites)
    before[:, :] = w[BEFORE : BEFORE + size].reshape(nodes, sites)
    mean_potential[:, :] = w[WEIGHED : WEIGHED + size].reshape(nodes, sites)
    return True
