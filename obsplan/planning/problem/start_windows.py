"""Windows of each activity: where on the grid of steps its slots may start.

Conditions are judged minute by minute. A slot covers whole steps, so a step is permitted
only if all its minutes are.
"""

import numpy as np
import pandas as pd

from obsplan.common import intervals
from obsplan.common.instants import MINUTE
from obsplan.environment.model import Environment
from obsplan.inputs.activity import Activity
from obsplan.inputs.conditions import QUANTITIES, depth_column, requested
from obsplan.inputs.placed import DriveActivity, PlacedActivity
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.team import hours_key
from obsplan.planning.problem.latency_starts import latency_starts
from obsplan.planning.problem.slot_profile import least_store_mbit
from obsplan.planning.problem.supplies import supplies_of
from obsplan.planning.problem.temperature_starts import temperature_starts, temperature_words
from obsplan.planning.problem.tolerances import REPLAY_SLACK

SUN_DIRECTION = "Sun direction"


def condition_masks(environment: Environment, activity: Activity) -> dict[str, np.ndarray]:
    """The minutes (n,) that meet each condition on the whole of a slot, by its key.

    Keys are those of `when`, "Sun direction", "contact", "instrument" (in service), those of
    `hours_key`, "keep-out" and "own windows".
    """
    masks: dict[str, np.ndarray] = {}
    for sky in environment.skies_of(activity).values():
        for key, mask in _met_under(sky, activity).items():
            masks[key] = mask & masks.get(key, True)
    if activity.contact == "whole":
        name = environment.scenario.platform_of(activity)
        masks["contact"] = environment.in_contact(name)
    if activity.instrument in environment.out:
        masks["instrument"] = ~environment.out[activity.instrument]
    minute = environment.sky.index.tz_localize(None).to_numpy(dtype="datetime64[s]")
    for team in activity.needs:
        if (shifts := environment.shifts.get(team)) is not None:
            # A minute counts if it lies wholly within one shift.
            k = np.searchsorted(shifts[:, 0], minute, side="right") - 1
            ends = np.append(shifts[:, 1], np.datetime64("NaT"))[k]
            masks[hours_key(team)] = (k >= 0) & (minute + np.timedelta64(60, "s") <= ends)
    if keep_outs := environment.scenario.keep_outs_of(activity):
        masks["keep-out"] = np.ones(len(environment.sky), dtype=bool)
        for each in keep_outs:
            times = map(environment.scenario.minutes_of, (each.from_utc, each.until_utc))
            since, until = (max(int(minute), 0) for minute in times)
            masks["keep-out"][since:until] = False
    if isinstance(activity, PlacedActivity | DriveActivity) and not activity.visited:
        masks["route"] = np.zeros(len(environment.sky), dtype=bool)
    if activity.name in environment.user_windows:
        masks["own windows"] = environment.user_windows[activity.name]
    return masks


def _met_under(sky: pd.DataFrame, activity: Activity) -> dict[str, np.ndarray]:
    """The minutes (n,) in which what is in the sky is as an activity needs it, by condition."""
    masks = {}
    for condition, _, column, allowed, upper_column in requested(activity.when):
        value = sky[column].to_numpy()
        if isinstance(allowed, bool):
            masks[condition.key] = value == allowed
            continue
        low, high = allowed
        above, below = value >= low, sky[upper_column].to_numpy() <= high
        # Only of a quantity that starts again may the range run from high to low.
        masks[condition.key] = above & below if low <= high else above | below
    if isinstance(activity, DriveActivity) and activity.not_towards_sun_deg > 0:
        # The angle of two lines, whichever way either of them is followed.
        turn = (sky["sun_azimuth_deg"].to_numpy() - activity.azimuth_deg) % 180.0
        aside = np.minimum(turn, 180.0 - turn) >= activity.not_towards_sun_deg
        masks[SUN_DIRECTION] = aside | (sky["sun_visible_fraction"].to_numpy() <= 0)
    return masks


def start_mask(environment: Environment, activity: Activity, relaxed: bool = False) -> np.ndarray:
    """Steps (n,) at which a slot of `activity` meets all its conditions."""
    return all_of(environment.scenario, start_masks(environment, activity, relaxed))


def start_masks(
    environment: Environment, activity: Activity, relaxed: bool = False
) -> dict[str, np.ndarray]:
    """The steps (n,) at which a slot that ends within the span meets each condition, by key.

    Keys are "span" (no other condition), those of `condition_masks`, and for the start of
    a slot "contact at the start", "uplink", "coverage" and "data latency". If a run yields more
    data than the store holds, "storage": enough of them can be sent meanwhile, if it was empty.
    Further keys are those of `temperature_starts`, which alone is `relaxed` at times.
    """
    scenario = environment.scenario
    steps, step_min = scenario.steps, scenario.span.step_min
    length = scenario.slot_min(activity) // step_min
    in_time = np.arange(steps) + length <= steps
    starts = {"span": in_time}
    for key, mask in condition_masks(environment, activity).items():
        unmet = np.concatenate([[0], np.cumsum(~mask.reshape(steps, step_min).all(axis=1))])
        ends = np.minimum(np.arange(steps) + length, steps)
        starts[key] = unmet[ends] == unmet[:-1]
    if activity.contact == "start":
        in_contact = environment.in_contact(scenario.platform_of(activity))
        starts["contact at the start"] = in_contact[::step_min]
    if scenario.command_lead_min(activity) is not None:
        starts["uplink"] = commandable(environment, activity)[::step_min]
    if activity.coverage is not None:
        starts["coverage"] = coverage_bin(environment, activity) >= 0
    if activity.received_by_h is not None:
        starts["data latency"] = latency_starts(environment, activity)
    starts |= temperature_starts(environment, activity, relaxed)
    if activity.data_mbit > _room_mbit(scenario, activity):
        needed_mbit = least_store_mbit(environment, activity)
        # The referee allows for rounding too.
        starts["storage"] = needed_mbit <= _room_mbit(scenario, activity) + REPLAY_SLACK
    return {key: mask & in_time for key, mask in starts.items()}


def commandable(environment: Environment, activity: Activity, since_min: int = 0) -> np.ndarray:
    """Minutes (n,) at which a slot may start whose commands go up from minute `since_min` on.

    They must be complete `lead_min` before it. From minute 0 on, slots whose commands were
    loaded before the span count too. Without a lead every minute does.
    """
    scenario = environment.scenario
    name, lead_min = scenario.platform_of(activity), scenario.command_lead_min(activity)
    if lead_min is None:
        return np.ones(len(environment.sky), dtype=bool)
    in_contact = environment.in_contact(name)
    in_contact = in_contact & (np.arange(len(in_contact)) >= since_min)
    # A command received in a minute is complete when that minute is over.
    received = np.logical_or.accumulate(in_contact)
    possible = np.concatenate([np.zeros(lead_min + 1, dtype=bool), received])[: len(received)]
    if since_min == 0 and scenario.uplink and scenario.uplink.loaded_until_utc:
        possible |= np.asarray(environment.sky.index < scenario.uplink.loaded_until_utc)
    return possible


def _room_mbit(scenario: Scenario, activity: Activity) -> float:
    """What the store of the activity's platform may hold."""
    return supplies_of(scenario.platform_named(scenario.platform_of(activity))).store_mbit


def all_of(scenario: Scenario, starts: dict[str, np.ndarray], but: str = "") -> np.ndarray:
    """The steps (n,) at which all conditions of `start_masks` are met, `but` one perhaps."""
    permitted = np.ones(scenario.steps, dtype=bool)
    for key, mask in starts.items():
        if key != but:
            permitted &= mask
    return permitted


def coverage_bin(environment: Environment, activity: Activity) -> np.ndarray:
    """The coverage bin (n,) of a start in each step: 0, 1, ..., or -1 outside all bins.

    Without coverage every start lies in bin 0.
    """
    coverage = activity.coverage
    if coverage is None:
        return np.zeros(environment.scenario.steps, dtype=int)
    sky_table = environment.sky_of(environment.scenario.platform_of(activity))
    return bins_at(sky_table, coverage.over, coverage.edges, step_minutes(environment))


def step_minutes(environment: Environment) -> np.ndarray:
    """The minute of the span at which each step begins (steps,)."""
    scenario = environment.scenario
    return np.arange(scenario.steps) * scenario.span.step_min


def bins_at(
    sky_table: pd.DataFrame, key: str, edges: tuple[float, ...], minutes: np.ndarray
) -> np.ndarray:
    """The bin (n,) of a quantity between rising edges at minutes (n,), -1 outside them all.

    `sky_table` is that of the platform which runs then. A quantity that starts again counts a turn
    higher or lower too.
    """
    value = minutes / 60 if key == "span_h" else sky_table[key].to_numpy()[minutes]
    if period := QUANTITIES[key].period:
        value = np.where(value < edges[0], value + period, value)
        value = np.where(value >= edges[-1], value - period, value)
    bins = np.searchsorted(edges, value, side="right") - 1
    bins[~((value >= edges[0]) & (value < edges[-1]))] = -1
    return np.asarray(bins)


def windows(environment: Environment, activity: Activity) -> np.ndarray:
    """Windows (k, 2) in steps that hold whole slots of `activity`."""
    scenario = environment.scenario
    length = scenario.slot_min(activity) // scenario.span.step_min
    starts = intervals.from_mask(start_mask(environment, activity))
    return intervals.union(starts + np.array([0, length - 1]))


def most_runs(environment: Environment, activity: Activity) -> int:
    """How many runs of `activity` its own windows and gap have room for, all else aside.

    Taking the earliest start each time leaves the most room for the rest.
    """
    scenario = environment.scenario
    step_min = scenario.span.step_min
    spacing = scenario.slot_min(activity) // step_min + -(-activity.gap_min // step_min)
    return room_for(start_mask(environment, activity), spacing)


def room_for(starts: np.ndarray, spacing: int) -> int:
    """How many of the permitted `starts` (steps,) can be taken, `spacing` steps apart."""
    runs, free = 0, 0
    for start in np.flatnonzero(starts).tolist():
        if start >= free:
            runs, free = runs + 1, start + spacing
    return runs


def windows_table(environment: Environment) -> pd.DataFrame:
    """All windows: `activity, opens_utc, closes_utc, duration_min`."""
    scenario = environment.scenario
    start = environment.sky.index[0]
    step = pd.Timedelta(minutes=scenario.span.step_min)
    rows = [
        (activity.name, start + opens * step, start + closes * step)
        for activity in scenario.activity
        for opens, closes in windows(environment, activity).tolist()
    ]
    table = pd.DataFrame(rows, columns=["activity", "opens_utc", "closes_utc"])
    table["duration_min"] = (table["closes_utc"] - table["opens_utc"]) / MINUTE
    return table


def ground_windows(
    environment: Environment, depth_m: float, above_k: float = -np.inf, below_k: float = np.inf
) -> pd.DataFrame:
    """When the ground is from `above_k` to `below_k` warm: `start_utc, end_utc, duration_min`.

    To the minute, half-open; `depth_m` 0 is the surface, another must be in the sky table.
    """
    sky_table = environment.sky
    temperature_k = sky_table[depth_column(depth_m)].to_numpy()
    permitted = intervals.from_mask((temperature_k >= above_k) & (temperature_k <= below_k))
    start_min, end_min = permitted.T
    table = pd.DataFrame(
        {
            "start_utc": sky_table.index[0] + pd.to_timedelta(start_min, unit="min"),
            "end_utc": sky_table.index[0] + pd.to_timedelta(end_min, unit="min"),
        }
    )
    table["duration_min"] = end_min - start_min
    return table


def condition_words(scenario: Scenario, activity: Activity) -> dict[str, str]:
    """What each key of `start_masks` means, in words that follow "needs" or "has"."""
    lead_min = scenario.command_lead_min(activity)
    return {
        **{r.condition.key: r.words for r in requested(activity.when)},
        SUN_DIRECTION: _direction_words(activity),
        "contact": "contact throughout",
        "instrument": f'"{activity.instrument}" in service',
        **{hours_key(t): f'its whole length within the hours of "{t}"' for t in activity.needs},
        "keep-out": "its whole length outside its keep-outs",
        "route": "its stop on the route",
        "own windows": "its whole length inside its own windows",
        "contact at the start": "contact at its start",
        "uplink": f"a contact to command it {lead_min} min or more before its start",
        "coverage": "its start in a coverage bin",
        "data latency": f"its data on Earth within {activity.received_by_h} h",
        "storage": _storage_words(scenario, activity),
        **temperature_words(scenario, activity),
    }


def _direction_words(activity: Activity) -> str:
    if not isinstance(activity, DriveActivity):
        return ""
    limit = f"{activity.not_towards_sun_deg:g} deg or more from the Sun and from away from it"
    return f"its way, at azimuth {activity.azimuth_deg:.0f} deg, {limit}"


def _storage_words(scenario: Scenario, activity: Activity) -> str:
    platform = scenario.platform_named(scenario.platform_of(activity))
    margin = f" less its margin of {platform.margins.store_share:g}"
    return (
        f"room for its {activity.data_mbit:g} Mbit with a store.capacity_mbit of "
        f"{platform.store.capacity_mbit:g}{margin if platform.margins.store_share else ''} on "
        f'"{platform.name}", even with what can be sent meanwhile'
    )


def why_no_window(environment: Environment, activity: Activity, first: int = 0) -> str:
    """Why `activity` has no window from step `first` on, in a sentence; "" when it has one.

    Conditions that no slot meets even alone are named first; else those whose removal
    alone would open a window; else all.
    """
    scenario = environment.scenario
    starts = start_masks(environment, activity)
    starts["span"][:first] = False
    when = "from now on" if first else "in the span"
    if all_of(scenario, starts).any():
        return ""
    ahead = starts.pop("span")
    if not ahead.any():
        return f"a slot is longer than {'what is left of ' if first else ''}the span"
    starts = {key: mask & ahead for key, mask in starts.items()}
    words = condition_words(scenario, activity)
    never = [words[key] for key, mask in starts.items() if not mask.any()]
    if never:
        return f"no slot {when} has {' or '.join(never)}"
    culprits = [words[key] for key in starts if all_of(scenario, starts, but=key).any()]
    if culprits:
        which = "this" if len(culprits) == 1 else "one of these"
        return (
            f"no slot {when} meets all conditions; dropping {which} would open a window: "
            f"{', '.join(culprits)}"
        )
    return f"no slot {when} has all of these at once: {', '.join(words[key] for key in starts)}"
