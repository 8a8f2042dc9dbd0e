"""Tiny problems, in steps and without a scenario."""

from dataclasses import replace

import numpy as np
from hypothesis import strategies as st

from obsplan.planning.problem.definition import (
    Budget,
    Need,
    Node,
    Problem,
    Silence,
    Task,
    Team,
    Wait,
    after,
)
from obsplan.planning.problem.goals import Goal

STEPS = 24


def task(name, **changes):
    """A task of one step that may start anywhere in eight steps and draws nothing."""
    length = changes.get("length", 1)
    rest = {
        "node": 0,
        "length": length,
        "load_w": np.zeros(length),
        "peak_w": np.zeros(length),
        "data_mbit": np.zeros(length),
        "count": 1,
        "must": 0,
        "gap": 0,
        "value": 1.0,
        "repeat_worth": 1.0,
        "starts": np.arange(8) + length <= 8,
        "bins": np.zeros(8, dtype=int),
        "needs": (),
        "held": np.zeros(1, dtype=int),
        "preference": np.zeros(8),
    }
    return Task(**{"name": name} | rest | changes)


def heat(limit: float, *use: float) -> Budget:
    """A budget of `limit` Wh, of which a run of each task uses so much."""
    return Budget("heat", f"at most {limit:g} Wh of heat", np.array(use), limit)


def waits(earlier: int, settle: int, met_from: int = 8, steps: int = 8, length: int = 1) -> Need:
    """The need of a run that waits for one of task `earlier`, met from `met_from` on anyway."""
    return after(earlier, length, settle, np.arange(steps) >= met_from)


def tiny_problem(seed: int, nearby: bool = False) -> Problem:
    """A problem small enough to try every plan, with something of every rule.

    With `nearby`, some runs also need one of another task a few steps before or after.
    """
    rng = np.random.default_rng(seed)
    decides, waits = np.random.default_rng(seed + 1_000_000), []
    steps, hour = int(rng.integers(6, 11)), 0.25
    nodes = [_tiny_node(rng, steps, hour, k) for k in range(rng.choice([1, 1, 2]))]
    tasks: list[Task] = []
    for k in range(rng.integers(2, 4)):
        length = int(rng.integers(1, 4))
        settle = int(rng.integers(0, 2))
        unmet = np.zeros(steps, dtype=bool)
        kind, needs = rng.random() if k else 1.0, ()
        if kind < 0.3:
            needs = (after(k - 1, tasks[k - 1].length, settle, unmet),)
            if decides.random() < 0.5:
                later = np.arange(steps) + tasks[k - 1].length + settle
                ready = np.maximum.accumulate(later + decides.integers(0, 4, steps))
                ready = np.minimum(ready, steps)
                needs = (needs[0]._replace(ready=ready),)
                applies = slice(0, steps)
                if decides.random() < 0.4:
                    applies = slice(int(decides.integers(0, 3)), int(decides.integers(3, steps)))
                waits += [Wait(k - 1, k, ready, applies)] if decides.random() < 0.7 else []
        elif nearby and kind < 0.7:
            needs = (Need(k - 1, -tasks[k - 1].length - settle, length + settle, unmet),)
        draw_w = rng.choice([0.0, 4.0, 9.0, 16.0], length)
        tasks.append(
            Task(
                name=f"t{k}",
                node=int(rng.integers(len(nodes))),
                length=length,
                load_w=draw_w,
                peak_w=draw_w * rng.choice([1.0, 1.2]),
                data_mbit=rng.choice([0.0, 1.0, 3.0], length),
                count=(count := int(rng.integers(1, 3))),
                must=int(rng.random() < 0.15),
                gap=int(rng.integers(0, 3)),
                value=float(rng.choice([1.0, 2.5, 4.0])),
                repeat_worth=float(rng.choice([0.0, 0.5, 1.0])),
                starts=(rng.random(steps) < 0.6) & (np.arange(steps) + length <= steps),
                bins=(bins := rng.integers(0, rng.integers(1, 3), steps)),
                needs=needs,
                held=rng.integers(0, 2, bins.max() + 1) * int(rng.random() < 0.2),
                preference=np.zeros(steps),
            )
        )
        assert count >= tasks[-1].must
        if count > 1 and decides.random() < 0.2:
            # Its first run must be at one of some starts.
            own = Need(k, -steps, -1, (decides.random(steps) < 0.5).astype(int))
            tasks[-1] = replace(tasks[-1], needs=(*tasks[-1].needs, own))
    pairs = [(i, j) for j in range(len(tasks)) for i in range(j) if rng.random() < 0.5]
    budgets = [_tiny_budget(rng, len(tasks), k) for k in range(rng.choice([0, 0, 0, 1, 1, 2]))]
    teams = tuple(_tiny_team(rng, len(tasks), steps, k) for k in range(rng.choice([0, 0, 1, 2])))
    turning = np.random.default_rng(seed + 3_000_000)
    tasks = [_tiny_pointing(turning, task, len(nodes), steps) for task in tasks]
    nodes = [replace(node, slew=int(turning.integers(0, 3))) for node in nodes]
    wishes = np.random.default_rng(seed + 2_000_000)
    goals = (_tiny_goal(wishes, len(tasks), steps, k) for k in range(wishes.choice([0, 0, 1, 2])))
    return Problem(
        steps,
        hour,
        tuple(tasks),
        tuple(nodes),
        frozenset(pairs),
        tuple(budgets),
        teams,
        tuple(waits),
        tuple(goals),
    )


def _tiny_pointing(rng: np.random.Generator, task: Task, nodes: int, steps: int) -> Task:
    """The task, for which nodes may point at one of two things, and which may keep one from
    sending."""
    pointed = [(n, int(rng.choice([-1, -1, 0, 1]))) for n in range(nodes)]
    silence = Silence(int(rng.integers(nodes)), int(rng.integers(0, 4)), rng.random(steps) < 0.7)
    return replace(
        task,
        points=tuple(pair for pair in pointed if pair[1] >= 0),
        silences=(silence,) if rng.random() < 0.3 else (),
    )


def _tiny_goal(rng: np.random.Generator, tasks: int, steps: int, k: int) -> Goal:
    """A goal of one to three bins over some tasks, perhaps with a minimum, or together."""
    bins, runs_each = int(rng.integers(1, 4)), int(rng.integers(1, 4))
    group = np.where(rng.random(tasks) < 0.7, 0, -1)
    serving = np.flatnonzero(group == 0)
    groups = 1
    if len(serving) > 1 and rng.random() < 0.4:
        groups = len(serving)
        group[serving] = np.arange(groups)
    minimum = rng.random() < 0.6
    return Goal(
        f"goal {k}",
        rng.integers(-1, bins, (tasks, steps)),
        group,
        rng.integers(0, 2, (groups, bins)) * int(rng.random() < 0.3),
        runs_each,
        int(rng.integers(1, bins + 1)) * minimum,
        int(rng.integers(1, runs_each + 1)) * minimum,
        float(rng.choice([0.0, 0.5, 2.0])),
        float(rng.choice([0.5, 3.0])) * minimum,
    )


def _tiny_team(rng: np.random.Generator, tasks: int, steps: int, k: int) -> Team:
    """A team that watches one or two runs at once, and fewer in some steps."""
    at_once = np.maximum(int(rng.integers(1, 3)) - (rng.random(steps) < 0.1), 0)
    return Team(f"team {k}", f"at most so many for team {k}", rng.random(tasks) < 0.7, at_once)


def _tiny_budget(rng: np.random.Generator, tasks: int, k: int) -> Budget:
    """A budget of a few runs; tenths, so that what just fits is not lost to rounding."""
    use, limit = rng.integers(0, 4, tasks) / 10, float(rng.choice([0.0, 0.3, 0.6, 0.6, 0.9]))
    return Budget(f"budget {k}", f"at most {limit:g} of budget {k}", use, limit)


def level_node(steps: int, **changes) -> Node:
    """A lossless node on which nothing changes; numbers given stand for every step."""
    figures = {
        "generation_w": 0.0,
        "above_mean_w": 0.0,
        "base_w": 0.0,
        "base_peak_w": changes.get("base_w", 0.0),
        "base_data_mbit": 0.0,
        "send_mbit": 0.0,
        "send_share": 1.0,
        "station": -1,
    }
    rest = {
        "name": "node",
        "bus_limit_w": 100.0,
        "capacity_wh": 100.0,
        "reserve_wh": 20.0,
        "start_wh": 100.0,
        "end_wh": 20.0,
        "charge_efficiency": 1.0,
        "discharge_efficiency": 1.0,
        "charge_limit_w": np.inf,
        "transmit_w": 0.0,
        "receiver": -1,
        "store_mbit": 100.0,
        "store_start_mbit": 0.0,
        "store_end_mbit": 100.0,
    }
    level = {k: np.full(steps, changes.get(k, v)) for k, v in figures.items()}
    return Node(**rest | changes | level)


def _tiny_node(rng: np.random.Generator, steps: int, hour: float, k: int) -> Node:
    base_w = rng.choice([1.0, 3.0], steps)
    capacity_wh = float(rng.choice([8.0, 15.0]))
    relays = k > 0 and rng.random() < 0.5
    rate_mbit = np.where(rng.random(steps) < 0.7, rng.choice([0.5, 2.0], steps), 0.0)
    return Node(
        name=f"n{k}",
        generation_w=rng.choice([0.0, 6.0, 14.0], steps),
        above_mean_w=np.zeros(steps),
        base_w=base_w,
        base_peak_w=base_w,
        base_data_mbit=np.zeros(steps),
        bus_limit_w=float(rng.choice([18.0, 26.0])),
        capacity_wh=capacity_wh,
        reserve_wh=0.3 * capacity_wh,
        start_wh=float(rng.choice([0.6, 1.0])) * capacity_wh,
        end_wh=float(rng.choice([0.3, 0.6])) * capacity_wh,
        charge_efficiency=float(rng.choice([0.8, 1.0])),
        discharge_efficiency=float(rng.choice([0.8, 1.0])),
        charge_limit_w=float(rng.choice([5.0, np.inf])),
        transmit_w=float(rng.choice([0.0, 6.0])),
        send_mbit=rate_mbit,
        send_share=np.where(rate_mbit > 0, rng.choice([0.4, 1.0], steps), 0.0),
        receiver=0 if relays else -1,
        station=np.where(rate_mbit > 0, rng.integers(0, 2, steps), -1),
        store_mbit=float(rng.choice([4.0, 9.0])),
        store_start_mbit=float(rng.choice([0.0, 1.0])),
        store_end_mbit=float(rng.choice([2.0, 9.0])),
    )


def crowd(draw, **changes) -> Problem:
    """Two lanes of three and two tasks, some of which exclude each other across."""
    tasks = []
    for k in range(5):
        length = draw(st.integers(1, 7))
        starts = np.arange(STEPS) + length <= STEPS
        starts &= np.arange(STEPS) >= draw(st.integers(0, 8))
        rest = {
            "length": length,
            "starts": starts,
            "value": float(draw(st.integers(1, 9))),
            "count": STEPS,
            "bins": np.arange(STEPS) // 6,
            "held": np.zeros(4, dtype=int),
            "preference": np.zeros(STEPS),
        }
        tasks.append(task(f"task {k}", **rest | {key: of(draw, k) for key, of in changes.items()}))
    pairs = {(0, 1), (0, 2), (1, 2), (3, 4)}
    pairs |= {pair for pair in ((0, 3), (0, 4), (1, 3), (1, 4), (2, 4)) if draw(st.booleans())}
    return Problem(STEPS, 0.25, tuple(tasks), (level_node(STEPS),), frozenset(pairs))
