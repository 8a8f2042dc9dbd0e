"""A booked plan made better: a few activities at a time planned anew over a longer spell.

A stretch of time with all its runs finds how they fit best there; a group finds runs that
should trade places over days, which no stretch holds together.
"""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from random import Random
from threading import Event

import numpy as np

from obsplan.booking import Booking
from obsplan.stretches import Piece, piece_by_piece

# How many activities go together, and how many starts they have at most in all: the spell is
# as long as that makes it, so that no group keeps the solver long.
SIZES = (2, 3, 4, 5, 6, 8)
STARTS = 800
LONGEST_H = 144
TAIL_H = 4
# How often the first of a group is one that still wants runs, and how often another must be
# on its platform.
STILL_WANTED = 0.7
SAME_PLATFORM = 0.7


def regroup(
    booking: Booking,
    pool: ThreadPoolExecutor,
    stop: Event,
    seed: int,
    tries: int,
    vain_tries: int,
) -> Iterator[Booking]:
    """Plan up to `tries` groups anew, drawn by `seed`; yield what is better.

    The search ends when `vain_tries` in a row brought nothing.
    """
    draw, drawn, standing, vain = Random(seed), 0, booking, 0

    def next_group(booking: Booking) -> Piece | None:
        nonlocal drawn, standing, vain
        vain = vain + 1 if booking is standing else 0
        standing, drawn = booking, drawn + 1
        return _group(booking, draw) if drawn <= tries and vain <= vain_tries else None

    if any(task.starts.any() for task in booking.problem.tasks):
        yield from piece_by_piece(booking, next_group, pool, stop)


def _group(booking: Booking, draw: Random) -> Piece:
    """Some activities drawn together, and a spell of time drawn for them."""
    problem = booking.problem
    tasks = [i for i, task in enumerate(problem.tasks) if task.starts.any()]
    wanted = [i for i in tasks if len(booking.runs[i]) < problem.tasks[i].count]
    first = draw.choice(wanted if wanted and draw.random() < STILL_WANTED else tasks)
    others = [
        i
        for i in tasks
        if i != first
        and (
            problem.tasks[i].node == problem.tasks[first].node or draw.random() > SAME_PLATFORM
        )
    ]
    size = min(draw.choice(SIZES) - 1, len(others))
    group = frozenset([first, *draw.sample(others, size)])
    rest = booking.copy()
    for i in group:
        for start in booking.runs[i]:
            rest.add(i, start, -1)
    room = sum(rest.clear_starts(i).astype(int) for i in sorted(group))
    before = np.concatenate([[0], np.cumsum(room)])
    spell = _spell(before, draw.randrange(problem.steps), round(LONGEST_H / problem.step_h))
    tail = round(TAIL_H / problem.step_h)
    return Piece(spell, min(problem.steps, spell[1] + tail), group)


def _spell(before: np.ndarray, middle: int, longest: int) -> tuple[int, int]:
    """Steps around `middle` with at most STARTS starts; before[t] lie before step t."""
    reach = np.arange(1, max(1, longest // 2) + 1)
    low, high = np.maximum(0, middle - reach), np.minimum(len(before) - 1, middle + reach)
    k = max(0, int(np.searchsorted(before[high] - before[low], STARTS, side="right")) - 1)
    return int(low[k]), int(high[k])
