"""The walk compiled, once for each machine and version; plain Python if there is no compiler."""

from collections.abc import Callable
from functools import cache
from typing import NamedTuple

import numpy as np

from obsplan.futures import walk


class Walker(NamedTuple):
    """The walk as quick as it can be had, and a line if it is not compiled and cached."""

    walk: Callable[[walk.World, walk.Draws, walk.State, walk.Outcome], None]
    told: str = ""


# So many minutes of platforms take less time as plain Python than compiling does.
MOST_PLAIN = 100_000


@cache
def compiled_walk() -> Walker:
    """The walk compiled, which takes half a minute once for each machine and version."""
    told, smallest = "", _smallest()
    for cached in (True, False):
        try:
            # Imported here, as it takes half a second.
            from numba import njit

            found = njit(nogil=True, cache=cached)(walk.walk_futures)
            found(*smallest)
        except Exception as why:  # whatever keeps the compiler from this machine
            told = told or " ".join(f"{type(why).__name__}: {why}".split())[:200]
            continue
        said = f"the walk was compiled without a cache, as in every run ({told})"
        return Walker(found, "" if cached else said)
    return Walker(walk.walk_futures, f"the walk is not compiled and takes very long ({told})")


def walker_for(world: walk.World, futures: int) -> Walker:
    """The walk compiled, or as plain Python if that is done sooner; both give the same."""
    minutes = futures * world.generation_w.size
    return Walker(walk.walk_futures) if minutes <= MOST_PLAIN else compiled_walk()


def walked(world: walk.World, draws: walk.Draws, walker: Walker | None = None) -> walk.Outcome:
    """What becomes of the timeline in each of the futures drawn."""
    walker = walker or walker_for(world, len(draws.capacity))
    outcome = _no_outcome(world, len(draws.capacity))
    walker.walk(world, draws, room_of(world), outcome)
    return outcome


def _no_outcome(world: walk.World, futures: int) -> walk.Outcome:
    """Room for what becomes of a timeline."""
    platforms, n = world.generation_w.shape
    runs, samples = len(world.runs), -(-n // world.every)
    start = world.figures[:, walk.START_CHARGE]
    outcome = walk.Outcome(
        code=np.zeros((futures, runs), dtype=np.int64),
        start_min=np.zeros((futures, runs), dtype=np.int64),
        received_min=np.zeros((futures, runs), dtype=np.int64),
        lowest=np.broadcast_to(np.inf, (futures, platforms, samples)).copy(),
        most_mbit=np.zeros((futures, platforms, samples)),
        below=np.zeros((futures, platforms), dtype=np.int64),
        empty=np.zeros((futures, platforms), dtype=np.int64),
        end_short_wh=np.zeros((futures, platforms)),
        aboard_mbit=np.zeros((futures, platforms)),
        lost_mbit=np.zeros((futures, platforms)),
    )
    outcome.lowest[:, :, 0] = start
    return outcome


def room_of(world: walk.World) -> walk.State:
    """Room for one future."""
    platforms, n = world.generation_w.shape
    runs, activities, nodes = len(world.runs), len(world.activities), len(world.nodes)

    def whole(*shape: int) -> np.ndarray:
        return np.zeros(shape, dtype=np.int64)

    return walk.State(
        levels=np.zeros((platforms, walk.LEVELS)),
        believed=np.zeros((platforms, walk.FACTORS)),
        believed_draw=np.zeros(activities),
        planned_w=np.zeros((platforms, n)),
        under_w=np.zeros((platforms, n)),
        need_wh=np.zeros((platforms, n + 1)),
        plan_need_wh=np.zeros((platforms, n + 1)),
        rest_wh=np.zeros((platforms, n + 1)),
        out=np.zeros(world.out.shape, dtype=bool),
        contact=np.zeros((platforms, n), dtype=bool),
        rate_mbit=np.zeros((platforms, n)),
        away=np.zeros((platforms, n), dtype=bool),
        changes=whole(n + 1),
        wh=np.zeros(platforms),
        mbit=np.zeros(platforms),
        came=np.zeros((platforms, walk.CLASSES)),
        left=np.zeros((platforms, walk.CLASSES)),
        code=whole(runs),
        started=whole(runs),
        ends=whole(runs),
        received=whole(runs),
        tried=whole(runs),
        expected=whole(runs),
        mark=np.zeros(runs),
        at=whole(runs),
        whole=np.zeros(runs, dtype=bool),
        running=whole(runs + 1),
        waiting=whole(runs + 1),
        awaited=whole(runs + 1),
        counts=whole(walk.COUNTS),
        first_contact=whole(platforms),
        last_end=whole(activities),
        counted=whole(activities),
        temperature_k=np.zeros(nodes),
        is_on=np.zeros(nodes, dtype=bool),
        drawn_w=np.zeros(platforms),
        node_w=np.zeros(nodes),
        taken_mbit=np.zeros(runs + 1),
        warm_enough=np.zeros(platforms, dtype=bool),
        work=np.zeros((walk.WORK, platforms)),
        ahead=np.zeros((2, n)),
    )


def _smallest() -> tuple[walk.World, walk.Draws, walk.State, walk.Outcome]:
    """Arrays of the walk, of the kinds that all have, and no future to walk."""

    def table(columns: int, kind: type = float) -> np.ndarray:
        return np.zeros((1, columns), dtype=kind)

    by_minute = dict.fromkeys(
        ("generation_w", "idle_w", "heater_w", "node_heater_w", "planned_w", "rate_mbit"), table(1)
    )
    by_minute |= dict.fromkeys(("reading_wh", "reading_mbit"), table(1))
    by_minute |= dict.fromkeys(("node_heat_w", "node_pull_w", "node_reading_k"), table(1))
    flags = (
        "contact",
        "charges",
        "plan_charges",
        "exclusive",
        "away",
        "teams",
        "start_open",
        "out",
    )
    world = walk.World(
        figures=table(walk.FIGURES),
        relay=np.zeros(1, dtype=np.int64),
        order=np.zeros(1, dtype=np.int64),
        station=table(1, np.int64),
        nodes=table(walk.NODE_FIGURES),
        runs=table(walk.RUN_FIGURES, np.int64),
        run_w=table(2),
        run_mbit=np.zeros(1),
        activities=table(walk.ACTIVITY_FIGURES, np.int64),
        turn=table(1, np.int64),
        at_once=np.zeros(1, dtype=np.int64),
        missed=table(2, np.int64),
        orders=table(walk.ORDER_FIGURES, np.int64),
        first_platform=0,
        now=0,
        every=1,
        **by_minute,
        **dict.fromkeys(flags, table(1, bool)),
    )
    draws = walk.Draws(
        np.ones((0, 1, walk.FACTORS)),
        np.ones((0, 1)),
        np.ones((0, 1)),
        np.zeros((0, 1), dtype=np.int64),
        np.zeros((0, 1, walk.TRIES), dtype=bool),
        np.zeros((0, 4), dtype=np.int64),
    )
    return world, draws, room_of(world), _no_outcome(world, 0)
