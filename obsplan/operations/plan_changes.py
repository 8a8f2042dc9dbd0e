"""What a new plan changes of an old one: kept, moved, dropped, added, why, and the value."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from obsplan.common.text import number_text
from obsplan.environment.model import Environment
from obsplan.inputs.scenario import Scenario
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem
from obsplan.planning.problem.start_windows import (
    commandable,
    condition_masks,
    condition_words,
)
from obsplan.planning.problem.tolerances import TOLERANCE
from obsplan.planning.reasons.blocking import (
    Constraint,
    blocking_amounts,
    rival_runs,
    tolerance_of,
)
from obsplan.planning.reasons.what_if import with_run

CHANGE_COLUMNS = ("activity", "slot", "change", "from_utc", "to_utc", "why", "value_change")
PRICE_COLUMNS = (
    "value",
    "value_share",
    "moves",
    "kept",
    "moved",
    "dropped",
    "added",
    "keep",
    "chosen",
)
# Why a run is where a pin wants it.
PINNED = "it is pinned to this time"


@dataclass(frozen=True)
class Difference:
    """Old and new starts of one activity in minutes of the span; a run keeps its place or not."""

    kept: tuple[float, ...]
    moved: tuple[tuple[float, float], ...]
    dropped: tuple[float, ...]
    added: tuple[float, ...]

    @property
    def moves(self) -> int:
        """Old runs that are moved or dropped."""
        return len(self.moved) + len(self.dropped)


def difference(old_min: list[float], new_min: list[float]) -> Difference:
    """Kept, moved, dropped and added runs; each new run is matched with the nearest old one."""
    gone, fresh, kept = sorted(old_min), sorted(new_min), []
    for start in list(fresh):
        if start in gone:
            gone.remove(start)
            fresh.remove(start)
            kept.append(start)
    moved = []
    while gone and fresh:
        apart = np.abs(np.subtract.outer(gone, fresh))
        i, j = np.unravel_index(int(apart.argmin()), apart.shape)
        moved.append((gone.pop(i), fresh.pop(j)))
    return Difference(tuple(kept), tuple(sorted(moved)), tuple(gone), tuple(fresh))


def differences(
    scenario: Scenario, movable: pd.DataFrame, booking: Booking
) -> dict[str, Difference]:
    """Per activity, what `booking` changes of the `movable` slots."""
    step, found = scenario.span.step_min, {}
    for task, starts in zip(booking.problem.tasks, booking.runs):
        own = movable.loc[movable["activity"] == task.name, "start_utc"]
        new_min = [float(start * step) for start in starts]
        found[task.name] = difference(scenario.minutes_of(own).tolist(), new_min)
    return found


def price_list(
    plans: list[tuple[float, dict[str, Difference]]], chosen: int, fixed_value: float
) -> pd.DataFrame:
    """Science against moves: columns `PRICE_COLUMNS`, fewest moves first.

    `plans` holds remaining value and differences; those that another beats in one and equals
    in the other are left out. `value` includes the `fixed_value` of fixed slots; `value_share`
    is that of the remaining value. `moves` are old runs that are moved or dropped,
    `keep` is the least share of the remaining value to give up with which a plan is chosen.
    """
    best = max(value for value, _ in plans)
    rows: list[tuple[Any, ...]] = []
    order = sorted(range(len(plans)), key=lambda k: (_moves(plans[k][1]), -plans[k][0], k))
    for k in order:
        value, found = plans[k]
        if rows and value + fixed_value <= rows[-1][0] + TOLERANCE:
            continue
        count = {
            part: sum(len(getattr(d, part)) for d in found.values())
            for part in ("kept", "moved", "dropped", "added")
        }
        share = value / best if best > 0 else 1.0
        rows.append(
            (value + fixed_value, share, _moves(found), *count.values(), 1 - share, k == chosen)
        )
    return pd.DataFrame(rows, columns=list(PRICE_COLUMNS))


def _moves(found: dict[str, Difference]) -> int:
    return sum(difference.moves for difference in found.values())


def fewest_moves(plans: list[tuple[float, dict[str, Difference]]], keep: float) -> int:
    """Of the plans within a share `keep` of the best value, the one with the fewest moves."""
    best = max(value for value, _ in plans)
    # What is left may be worth less than nothing, where old runs no longer count.
    least = best - keep * abs(best) - TOLERANCE
    able = [k for k, (value, _) in enumerate(plans) if value >= least]
    return min(able, key=lambda k: (_moves(plans[k][1]), -plans[k][0], k))


def changes_table(
    environment: Environment,
    movable: pd.DataFrame,
    fixed: pd.DataFrame,
    booking: Booking,
    ids: dict[tuple[str, float], str],
    found: dict[str, Difference],
) -> pd.DataFrame:
    """Every run that moves, is dropped or is added: columns `CHANGE_COLUMNS`, in time order.

    `ids` names the slots of the new plan by activity and minute. `value_change` sums to the value
    of the new plan minus that of the old plan left unchanged; in a bin, runs that are kept count
    first.
    """
    scenario = environment.scenario
    rows = []
    names = {
        (slot.activity, start): slot.slot
        for slot, start in zip(
            movable.itertuples(index=False), scenario.minutes_of(movable["start_utc"])
        )
    }
    of_tasks = [found[task.name] for task in booking.problem.tasks]
    kept = [parts.kept for parts in of_tasks]
    gone = [[*(old for old, _ in parts.moved), *parts.dropped] for parts in of_tasks]
    fresh = [[*(new for _, new in parts.moved), *parts.added] for parts in of_tasks]
    values_gone = _values(scenario, booking.problem, kept, gone)
    values_fresh = _values(scenario, booking.problem, kept, fresh)
    failed = fixed.loc[fixed["share"] < 1, ["activity", "slot", "state"]]
    pinned = {(pin.activity, scenario.minutes_of(pin.start_utc)) for pin in scenario.pin}
    for i, task in enumerate(booking.problem.tasks):
        parts = found[task.name]
        before, after = values_gone[i], values_fresh[i]
        for old, new in parts.moved:
            is_pinned = (task.name, new) in pinned
            why = PINNED if is_pinned else _why_not(environment, booking, fixed, i, old, new)
            rows.append(
                (task.name, ids[task.name, new], "moved", old, new, why, after[new] - before[old])
            )
        for old in parts.dropped:
            why = _why_not(environment, booking, fixed, i, old, None)
            rows.append(
                (task.name, names[task.name, old], "dropped", old, np.nan, why, -before[old])
            )
        lost = failed[(failed["activity"] == task.name) & (failed["state"] != "done")]
        for k, new in enumerate(parts.added):
            why = PINNED if (task.name, new) in pinned else "it fits now"
            if k < len(lost):
                one = lost.iloc[k]
                outcome = one["state"] if one["state"] != "locked" else "lost"
                why = f"replaces slot {one['slot']} ({outcome})"
            rows.append((task.name, ids[task.name, new], "added", np.nan, new, why, after[new]))
    table = pd.DataFrame(rows, columns=list(CHANGE_COLUMNS))
    start = pd.Timestamp(scenario.span.start_utc)
    order = table["from_utc"].fillna(table["to_utc"]).astype(float)
    for column in ("from_utc", "to_utc"):
        since = pd.to_timedelta(table[column].astype(float), unit="min")
        table[column] = (start + since).astype("datetime64[s, UTC]")
    table = table.assign(order=order).sort_values(["order", "activity"], kind="stable")
    return table.drop(columns="order").reset_index(drop=True)


def _values(
    scenario: Scenario,
    problem: Problem,
    kept: list[tuple[float, ...]],
    others: list[list[float]],
) -> list[dict[float, float]]:
    """The value of each of `others`, by task and start, counted after the runs that are kept."""
    step = scenario.span.step_min
    worth: list[dict[float, float]] = []
    counted: list[list[int]] = []
    further: list[tuple[float, int]] = []
    for i, task in enumerate(problem.tasks):

        def bin_of(start_min: float, bins: np.ndarray = task.bins) -> int:
            at = int(start_min // step)
            return int(bins[at]) if 0 <= at < problem.steps else -1

        places: dict[int, int] = {}
        for start in kept[i]:
            places[bin_of(start)] = places.get(bin_of(start), 0) + 1
        counted.append([int(s // step) for s in kept[i] if 0 <= s // step < problem.steps])
        room, own = task.count - len(kept[i]), dict[float, float]()
        for start in sorted(others[i]):
            bin_ = bin_of(start)
            counts = bin_ >= 0 and room > 0
            earlier = places.get(bin_, 0)
            own[start] = own.get(start, 0.0) + (task.run_value(bin_, earlier) if counts else 0.0)
            places[bin_] = earlier + counts
            room -= counts
            further += [(start, i)] if counts else []
        worth.append(own)
    for start, i in sorted(further):
        before = sum(goal.planned_value(counted) for goal in problem.goals)
        counted[i].append(int(start // step))
        worth[i][start] += sum(goal.planned_value(counted) for goal in problem.goals) - before
    return worth


def _why_not(
    environment: Environment,
    booking: Booking,
    fixed: pd.DataFrame,
    i: int,
    old: float,
    new: float | None,
) -> str:
    """Why a run is not at its old start, all else as in the new plan."""
    task, step = booking.problem.tasks[i], environment.scenario.span.step_min
    at = int(old // step)
    last = booking.problem.steps - task.length
    if old % step or not 0 <= at <= last:
        return "its start is not on the time grid"
    if not task.starts[at]:
        return _why_barred(environment, fixed, i, at)
    without = booking.copy()
    if new is not None:
        without.add(i, int(new // step), -1)
        without.flow = without.simulate()
    if len(without.runs[i]) >= task.count:
        return "no more runs are requested"
    amounts = {key: amount[at] for key, amount in blocking_amounts(without, i).items()}
    blocks = {key: amount > tolerance_of(key) for key, amount in amounts.items()}
    node = booking.problem.nodes[task.node]
    if blocks[Constraint.EXCLUSION]:
        rivals = [
            booking.problem.tasks[j].name for j, _, barred in rival_runs(without, i) if barred[at]
        ]
        return f'its time is taken by "{rivals[0]}"'
    if blocks[Constraint.ORDER]:
        waits = [
            booking.problem.tasks[need.task].name
            for need in task.needs
            if not without.met(need)[at]
        ]
        between = [booking.problem.tasks[wait.earlier].name for wait in without.waits[i]]
        return f'it must wait for "{(waits + between)[0]}"'
    if blocks[Constraint.GAP]:
        return "its time is taken by other runs of the same activity"
    if blocks[Constraint.BUS_POWER]:
        return f'bus power of "{node.name}" is taken by other runs'
    for budget in booking.problem.budgets:
        if blocks[budget.name]:
            return f"{budget.name} is used up by other runs"
    for k in booking.teams[i]:
        if blocks[(team := booking.problem.teams[k].name)]:
            return f"{team} watches other runs"
    if blocks[Constraint.ENERGY]:
        missing = amounts[Constraint.ENERGY]
        lack = f": {number_text(missing)} Wh short" if np.isfinite(missing) else ""
        return f'not enough energy of "{node.name}"{lack}'
    if short := with_run(without, i, at).flow.short:
        # It may be the store of another platform, the one that relays for this.
        return f"not enough {short.words(booking.problem)}"
    how = "without it" if new is None else "this way"
    return f"the plan has a higher value {how}"


def _why_barred(environment: Environment, fixed: pd.DataFrame, i: int, at: int) -> str:
    """Why a start is barred regardless of the plan: a condition, or a fixed slot."""
    scenario = environment.scenario
    activity, step = scenario.activity[i], scenario.span.step_min
    inside = slice(at * step, at * step + scenario.slot_min(activity))
    masks = condition_masks(environment, activity)
    failing = [key for key, mask in masks.items() if not mask[inside].all()]
    if "instrument" in failing:
        return f'"{activity.instrument}" is out of service'
    if activity.contact == "start":
        contact = environment.in_contact(scenario.platform_of(activity))
        failing += [] if contact[at * step] else ["contact at the start"]
    if failing:
        words = condition_words(scenario, activity)
        return f"that start does not have {' or '.join(words[key] for key in failing)}"
    if not commandable(environment, activity)[inside.start]:
        return "no contact can command it in time"
    begin, end = inside.start, inside.stop
    start_min, end_min = (scenario.minutes_of(fixed[c]) for c in ("start_utc", "end_utc"))
    near = fixed[
        (start_min < end + activity.gap_min)
        & (end_min > begin - activity.gap_min)
        & ~fixed["activity"].isin(list(scenario.sending_names))
    ]
    same = near[near["activity"] == activity.name]
    for slot in (same if len(same) else near).itertuples(index=False):
        return f'it conflicts with slot {slot.slot} ("{slot.activity}"), which is fixed: {slot.why}'
    return "it can no longer run then"
