"""What would make the least sure goals surer: single changes of a timeline, each tried.

Another run, a run moved earlier, a run left out that takes charge or link before, a pass booked.
Each must pass the replay as predicted, and is then executed in the same futures as the timeline.
"""

from collections.abc import Callable, Iterator
from datetime import datetime
from itertools import islice
from typing import Literal, NamedTuple

import numpy as np
import pandas as pd

from obsplan.analysis.gain_from_more import booked_slots
from obsplan.checking.goal_worth import all_reached, minimum_reached
from obsplan.environment.booked_passes import unbooked_passes, with_pass_booked
from obsplan.environment.model import Environment
from obsplan.futures import walk
from obsplan.futures.binomial import interval
from obsplan.futures.columns import SURER_COLUMNS
from obsplan.futures.execute import Futures, make_futures
from obsplan.futures.goal_chances import minimum_chance
from obsplan.inputs.goal import Goal
from obsplan.planning.counted_runs import valued_timeline, worth_by
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.problem.pinned_runs import without_pins
from obsplan.planning.prompt_sending import sent_promptly
from obsplan.planning.replayed import Replayed, replay_of
from obsplan.planning.solver.transmit_windows import COARSE, ways_to_send

Kind = Literal["another run", "moved earlier", "left out", "another pass"]

# Goals as sure as this need nothing; so many of the others are looked at, the least sure first.
SURE, MOST_GOALS = 0.995, 2
# Changes of each kind that are tried for each of them.
MOST_TRIED = 2
# Outcomes by which a run lacks charge or power, and how often they matter.
LACKS_POWER, OFTEN = (walk.CHARGE, walk.SHED, walk.POWER), 0.005


class Change(NamedTuple):
    """One change: of what, and the plan and environment that follow from it."""

    kind: Kind
    booking: Booking
    environment: Environment
    task: int = -1
    start: int = -1
    to: int = -1
    station: str = ""
    times: tuple[datetime | None, datetime | None] = (None, None)


def surer_changes(
    futures: Futures,
    slots: pd.DataFrame,
    *,
    report: Callable[[str], None] = lambda line: None,
) -> pd.DataFrame:
    """What each change of the timeline `slots` does to the goals that are least sure in `futures`.

    Columns `SURER_COLUMNS`: the changes that pass the replay, by goal, what raises its chance most
    first. Raises ValueError if there is telemetry, or a slot starts where the scenario does not
    permit it.
    """
    environment = futures.environment
    if environment.telemetry is not None:
        raise ValueError("surer_changes: start from an environment without telemetry")
    booking, rows = booked_slots(environment, slots), []
    for goal in least_sure(futures):
        report(f'trying what would make "{goal.name}" surer ...')
        for change in _changes(environment, booking, futures, goal):
            row = _tried(change, futures, goal)
            if row is not None:
                rows.append(row | _told(environment, booking, slots, change))
    table = pd.DataFrame(rows, columns=SURER_COLUMNS)
    for name in ("from_utc", "to_utc"):
        table[name] = pd.to_datetime(table[name], utc=True).astype("datetime64[s, UTC]")
    order = [goal.name for goal in least_sure(futures)]
    table["order"] = table["goal"].map({name: k for k, name in enumerate(order)})
    table = table.sort_values(["order", "gain"], ascending=[True, False], kind="stable")
    return table[SURER_COLUMNS].reset_index(drop=True)


def reached(futures: Futures, goal: Goal) -> np.ndarray:
    """In which futures (f,) the minimum of a goal is there, or all of it if it has none."""
    counts = futures.goal_counts(goal)
    return minimum_reached(goal, counts) if goal.minimum else all_reached(goal, counts)


def least_sure(futures: Futures) -> list[Goal]:
    """The goals that are looked at, the least sure first; those without a minimum only if no goal
    has one."""
    goals = futures.environment.scenario.goal
    asked = [goal for goal in goals if goal.minimum] or list(goals)
    chances = {goal.name: float(reached(futures, goal).mean()) for goal in asked}
    weak = sorted(asked, key=lambda goal: chances[goal.name])
    return [goal for goal in weak if chances[goal.name] < SURE][:MOST_GOALS]


def _changes(
    environment: Environment, booking: Booking, futures: Futures, goal: Goal
) -> Iterator[Change]:
    """What is tried for a goal: the most promising of each kind, as far as steps can tell."""
    k = [each.name for each in environment.scenario.goal].index(goal.name)
    for found in (
        _another_run(environment, booking, futures, k),
        _moved_earlier(environment, booking, futures, k),
        _left_out(environment, booking, futures, k),
        _another_pass(environment, booking),
    ):
        yield from islice(found, MOST_TRIED)


def _another_run(
    environment: Environment, booking: Booking, futures: Futures, k: int
) -> Iterator[Change]:
    """A run more in the bins that are least sure, as early in them as it fits."""
    goal, counted = environment.scenario.goal[k], booking.problem.goals[k]
    least = goal.minimum.runs_each if goal.minimum else goal.runs_each
    sure = (futures.goal_counts(goal) >= least).mean(axis=0)
    for place in np.argsort(sure, kind="stable").tolist():
        for i in np.flatnonzero(counted.group >= 0).tolist():
            if booking.problem.tasks[i].pinned:
                continue
            open_ = booking.open_starts(i) & (counted.bins[i] == place)
            for start in np.flatnonzero(open_)[:1].tolist():
                more = booking.copy()
                more.add(i, start)
                yield Change("another run", more, environment, i, to=start)


def _moved_earlier(
    environment: Environment, booking: Booking, futures: Futures, k: int
) -> Iterator[Change]:
    """The runs of the goal that are least sure, each as early in its bin as it fits."""
    counted = booking.problem.goals[k]
    for _, (i, start) in _runs_of(booking, futures, k):
        if booking.problem.tasks[i].pinned:
            continue
        moved = booking.copy()
        moved.add(i, start, -1)
        moved.flow = moved.simulate()
        open_ = moved.open_starts(i) & (counted.bins[i] == counted.bins[i, start])
        for earlier in np.flatnonzero(open_[:start])[:1].tolist():
            moved.add(i, earlier)
            yield Change("moved earlier", moved, environment, i, start, earlier)


def _left_out(
    environment: Environment, booking: Booking, futures: Futures, k: int
) -> Iterator[Change]:
    """Runs before the first that lacks charge or whose data come too late, those first that are
    worth least for what they take."""
    counted, problem = booking.problem.goals[k], booking.problem
    lacking = [
        (start, i, _lacks_power(futures, r))
        for r, (i, start) in _runs_of(booking, futures, k)
        if _lacks_power(futures, r) or _comes_late(futures, r)
    ]
    if not lacking:
        return
    until, task, for_charge = max(lacking)
    found = []
    for i, what in enumerate(problem.tasks):
        spends = what.node == problem.tasks[task].node or not for_charge
        if counted.group[i] >= 0 or i in problem.prerequisites or what.pinned or not spends:
            continue
        takes = what.load_w.sum() if for_charge else what.data_mbit.sum()
        for start in booking.runs[i]:
            if start < until and len(booking.runs[i]) > what.must and takes > 0:
                fewer = booking.copy()
                fewer.add(i, start, -1)
                loss = (booking.value() - fewer.value()) / takes
                change = Change("left out", fewer, environment, i, start)
                found.append((loss, -start, change))
    yield from (change for *_, change in sorted(found, key=lambda row: row[:2]))


def _another_pass(environment: Environment, booking: Booking) -> Iterator[Change]:
    """The largest passes that could be booked."""
    if not any(station.passes for station in environment.scenario.station):
        return
    for booked in unbooked_passes(environment).itertuples(index=False):
        fuller, served = booking.copy(), with_pass_booked(environment, booked)
        fuller.problem = build_problem(served)
        times = booked.from_utc, booked.until_utc
        yield Change("another pass", fuller, served, station=booked.station, times=times)


def _runs_of(booking: Booking, futures: Futures, k: int) -> Iterator[tuple[int, tuple[int, int]]]:
    """The runs that serve a goal in the timeline, the least sure first: number, task and start."""
    counted = booking.problem.goals[k]
    sure, step_min = futures.received.mean(axis=0), round(60 * booking.problem.step_h)
    for r in np.argsort(sure, kind="stable").tolist():
        run = futures.runs[r]
        start = int(run.start_min // step_min)
        for i in np.flatnonzero(counted.group >= 0).tolist():
            if booking.problem.tasks[i].name == run.activity.name and start in booking.runs[i]:
                yield r, (i, start)


def _lacks_power(futures: Futures, r: int) -> bool:
    return bool(np.isin(futures.outcome.code[:, r], LACKS_POWER).mean() > OFTEN)


def _comes_late(futures: Futures, r: int) -> bool:
    return bool((futures.made[:, r] & ~futures.received[:, r]).mean() > OFTEN)


def _tried(change: Change, futures: Futures, goal: Goal) -> dict | None:
    """How sure the goal is with a change, in the same futures; None if the replay refuses it."""
    environment, replay = change.environment, replay_of(change.environment)
    change.booking.flow = change.booking.simulate()
    ways = ways_to_send(change.booking, (COARSE,))
    replayed = (Replayed(way, replay(way)) for way in ways)
    valid = next((way for way in replayed if way.verdict.is_valid), None)
    if valid is None:
        return None
    prompt = sent_promptly(valid, replay, worth_by(environment, change.booking.problem.goals))
    timeline = valued_timeline(environment, without_pins(prompt.booking), prompt.verdict)
    changed = make_futures(
        environment,
        timeline,
        samples=len(futures.value),
        seed=futures.seed,
        uncertain=futures.uncertain,
    )
    before, after = reached(futures, goal), reached(changed, goal)
    low, high = interval(np.array(after.sum()), len(after))
    differs = after.astype(float) - before
    return {
        "goal": goal.name,
        "chance": before.mean(),
        "new_chance": after.mean(),
        "new_chance_low": float(low),
        "new_chance_high": float(high),
        "gain": differs.mean(),
        "gain_error": float(differs.std() / np.sqrt(len(differs))),
        "minimum_goals": minimum_chance(changed),
        "mean_value": changed.mean_value,
        "value_change": changed.mean_value - futures.mean_value,
    }


def _told(
    environment: Environment, booking: Booking, slots: pd.DataFrame, change: Change
) -> dict[str, object]:
    """The cells that say what the change is."""
    scenario, step_min = environment.scenario, environment.scenario.span.step_min
    from_utc, to_utc = (
        time if step < 0 else scenario.instant_at(step * step_min)
        for step, time in zip((change.start, change.to), change.times)
    )
    activity = booking.problem.tasks[change.task].name if change.task >= 0 else ""
    same = (slots["activity"] == activity) & (slots["start_utc"] == from_utc)
    return {
        "change": change.kind,
        "activity": activity,
        "slot": "; ".join(slots.loc[same, "slot"]),
        "station": change.station,
        "from_utc": from_utc,
        "to_utc": to_utc,
    }
