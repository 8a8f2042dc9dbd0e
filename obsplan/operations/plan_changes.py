"""What a new plan changes of an old one: kept, moved, dropped, added, why, and its worth."""

from dataclasses import dataclass

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
from obsplan.planning.reasons.blocking import Constraint, blocking_amounts, rival_runs
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


@dataclass(frozen=True)
class Difference:
    """Old and new starts of one activity in minutes of the span; a run keeps its place or not."""

    kept: tuple[float, ...]
    moved: tuple[tuple[float, float], ...]
    dropped: tuple[float, ...]
    added: tuple[float, ...]

    @property
    def moves(self) -> int:
        """Old runs that do not stay where they were."""
        return len(self.moved) + len(self.dropped)


def difference(old_min: list[float], new_min: list[float]) -> Difference:
    """Of the old runs that are not kept, each new one takes the nearest for its own."""
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


def differences(scenario: Scenario, left: pd.DataFrame, booking: Booking) -> dict[str, Difference]:
    """Per activity, what `booking` makes of the slots `left` to be planned anew."""
    step, found = scenario.span.step_min, {}
    for task, starts in zip(booking.problem.tasks, booking.runs):
        own = left.loc[left["activity"] == task.name, "start_utc"]
        new_min = [float(start * step) for start in starts]
        found[task.name] = difference(scenario.minutes_of(own).tolist(), new_min)
    return found


def price_list(
    plans: list[tuple[float, dict[str, Difference]]], chosen: int, fixed: float
) -> pd.DataFrame:
    """Science against moves: columns `PRICE_COLUMNS`, fewest moves first.

    `plans` holds value of the rest and differences; those that another beats in one and
    equals in the other are left out. `value` counts what stays too, which is worth `fixed`;
    `value_share` is that of the rest. `moves` are old runs that do not stay where they were,
    `keep` is the least share of the rest to give up with which a plan is chosen.
    """
    best = max(value for value, _ in plans)
    rows = []
    order = sorted(range(len(plans)), key=lambda k: (_moves(plans[k][1]), -plans[k][0], k))
    for k in order:
        value, found = plans[k]
        if rows and value + fixed <= rows[-1][0] + TOLERANCE:
            continue
        count = {
            part: sum(len(getattr(d, part)) for d in found.values())
            for part in ("kept", "moved", "dropped", "added")
        }
        share = value / best if best > 0 else 1.0
        rows.append((value + fixed, share, _moves(found), *count.values(), 1 - share, k == chosen))
    return pd.DataFrame(rows, columns=list(PRICE_COLUMNS))


def _moves(found: dict[str, Difference]) -> int:
    return sum(difference.moves for difference in found.values())


def cheapest(plans: list[tuple[float, dict[str, Difference]]], keep: float) -> int:
    """Of the plans within a share `keep` of the best value, the one with the fewest moves."""
    best = max(value for value, _ in plans)
    able = [k for k, (value, _) in enumerate(plans) if value >= (1 - keep) * best - TOLERANCE]
    return min(able, key=lambda k: (_moves(plans[k][1]), -plans[k][0], k))


def changes_table(
    environment: Environment,
    left: pd.DataFrame,
    stay: pd.DataFrame,
    booking: Booking,
    ids: dict[tuple[str, float], str],
    found: dict[str, Difference],
) -> pd.DataFrame:
    """Every run that moves, is dropped or is added: columns `CHANGE_COLUMNS`, in time order.

    `ids` names the slots of the new plan by activity and minute. `value_change` sums to what
    the new plan is worth beyond the old one, had that run as it was from now on: in a bin,
    runs that stay take the first places.
    """
    scenario = environment.scenario
    rows = []
    names = {
        (slot.activity, start): slot.slot
        for slot, start in zip(left.itertuples(index=False), scenario.minutes_of(left["start_utc"]))
    }
    failed = stay.loc[stay["share"] < 1, ["activity", "slot", "state"]]
    for i, task in enumerate(booking.problem.tasks):
        parts = found[task.name]
        before = _worths(
            scenario,
            booking.problem,
            i,
            parts.kept,
            [*(old for old, _ in parts.moved), *parts.dropped],
        )
        after = _worths(
            scenario,
            booking.problem,
            i,
            parts.kept,
            [*(new for _, new in parts.moved), *parts.added],
        )
        for old, new in parts.moved:
            why = _why_not(environment, booking, stay, i, old, new)
            rows.append(
                (task.name, ids[task.name, new], "moved", old, new, why, after[new] - before[old])
            )
        for old in parts.dropped:
            why = _why_not(environment, booking, stay, i, old, None)
            rows.append(
                (task.name, names[task.name, old], "dropped", old, np.nan, why, -before[old])
            )
        lost = failed[(failed["activity"] == task.name) & (failed["state"] != "done")]
        for k, new in enumerate(parts.added):
            why = "it fits now"
            if k < len(lost):
                one = lost.iloc[k]
                outcome = one["state"] if one["state"] != "locked" else "lost"
                why = f"makes up for slot {one['slot']} ({outcome})"
            rows.append((task.name, ids[task.name, new], "added", np.nan, new, why, after[new]))
    table = pd.DataFrame(rows, columns=list(CHANGE_COLUMNS))
    start = pd.Timestamp(scenario.span.start_utc)
    order = table["from_utc"].fillna(table["to_utc"]).astype(float)
    for column in ("from_utc", "to_utc"):
        since = pd.to_timedelta(table[column].astype(float), unit="min")
        table[column] = (start + since).astype("datetime64[s, UTC]")
    table = table.assign(order=order).sort_values(["order", "activity"], kind="stable")
    return table.drop(columns="order").reset_index(drop=True)


def _worths(
    scenario: Scenario, problem: Problem, i: int, kept: tuple[float, ...], others: list[float]
) -> dict[float, float]:
    """What each of `others` is worth once those kept have taken their places."""
    task, step = problem.tasks[i], scenario.span.step_min
    places: dict[int, int] = {}

    def bin_of(start_min: float) -> int:
        at = int(start_min // step)
        return int(task.bins[at]) if 0 <= at < problem.steps else -1

    for start in kept:
        places[bin_of(start)] = places.get(bin_of(start), 0) + 1
    room, worth = task.count - len(kept), {}
    for start in sorted(others):
        bin_ = bin_of(start)
        counts = bin_ >= 0 and room > 0
        earlier = places.get(bin_, 0)
        worth[start] = worth.get(start, 0.0) + (task.run_value(bin_, earlier) if counts else 0.0)
        places[bin_] = earlier + counts
        room -= counts
    return worth


def _why_not(
    environment: Environment,
    booking: Booking,
    stay: pd.DataFrame,
    i: int,
    old: float,
    new: float | None,
) -> str:
    """What keeps a run from its old start, all else as in the new plan."""
    task, step = booking.problem.tasks[i], environment.scenario.span.step_min
    at = int(old // step)
    last = booking.problem.steps - task.length
    if old % step or not 0 <= at <= last:
        return "its start is not on a step of the span"
    if not task.starts[at]:
        return _shut(environment, stay, i, at)
    twin = booking.copy()
    if new is not None:
        twin.add(i, int(new // step), -1)
        twin.flow = twin.simulate()
    if len(twin.runs[i]) >= task.count:
        return "no more runs are wanted"
    amounts = {family: by[at] for family, by in blocking_amounts(twin, i).items()}
    node = booking.problem.nodes[task.node]
    if amounts[Constraint.EXCLUSION] > TOLERANCE:
        rivals = [
            booking.problem.tasks[j].name for j, _, barred in rival_runs(twin, i) if barred[at]
        ]
        return f'its time went to "{rivals[0]}"'
    if amounts[Constraint.ORDER] > TOLERANCE:
        waits = [
            booking.problem.tasks[need.task].name for need in task.needs if not twin.met(need)[at]
        ]
        return f'it must wait for "{waits[0]}"'
    if amounts[Constraint.GAP] > TOLERANCE:
        return "its time went to other runs of its own"
    if amounts[Constraint.BUS_POWER] > TOLERANCE:
        return f'bus power of "{node.name}" went to other runs'
    if amounts[Constraint.ENERGY] > TOLERANCE:
        missing = amounts[Constraint.ENERGY]
        lack = f": {number_text(missing)} Wh short" if np.isfinite(missing) else ""
        return f'energy of "{node.name}"{lack}'
    short = with_run(twin, i, at).flow.short
    if short:
        # It may be the store of another platform, the one that relays for this.
        return f"{short.words(booking.problem)} would not do"
    return (
        "the rest of the plan is worth more this way"
        if new is not None
        else ("the rest of the plan is worth more without it")
    )


def _shut(environment: Environment, stay: pd.DataFrame, i: int, at: int) -> str:
    """Why a start is barred whatever is planned: a condition, or a slot that stays."""
    scenario = environment.scenario
    activity, step = scenario.activity[i], scenario.span.step_min
    inside = slice(at * step, at * step + scenario.slot_min(activity))
    masks = condition_masks(environment, activity)
    failing = [key for key, mask in masks.items() if not mask[inside].all()]
    if "instrument" in failing:
        return f'"{activity.instrument}" is out'
    if activity.contact == "start":
        contact = environment.in_contact(scenario.platform_of(activity))
        failing += [] if contact[at * step] else ["contact at the start"]
    if failing:
        words = condition_words(scenario, activity)
        return f"that start does not have {' or '.join(words[key] for key in failing)}"
    if not commandable(environment, activity)[inside.start]:
        return "no contact can command it in time"
    begin, end = inside.start, inside.stop
    start_min, end_min = (scenario.minutes_of(stay[c]) for c in ("start_utc", "end_utc"))
    near = stay[
        (start_min < end + activity.gap_min)
        & (end_min > begin - activity.gap_min)
        & ~stay["activity"].isin(list(scenario.sending_names))
    ]
    same = near[near["activity"] == activity.name]
    for slot in (same if len(same) else near).itertuples(index=False):
        return f'in the way of slot {slot.slot} ("{slot.activity}"), which stays: {slot.why}'
    return "it can no longer be there"
