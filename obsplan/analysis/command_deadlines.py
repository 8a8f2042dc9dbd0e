"""Command deadlines: the last contact in which each slot can be commanded."""

from datetime import datetime
from math import floor

import numpy as np
import pandas as pd

from obsplan.environment.model import Environment
from obsplan.inputs.activity import Activity
from obsplan.inputs.scenario import Scenario
from obsplan.physics.link_budget import light_time_s

DEADLINE_COLUMNS = (
    "deadline_utc",
    "station",
    "contact_opens_utc",
    "slot",
    "activity",
    "start_utc",
    "lead_min",
)
LOADED_BEFORE = "loaded before the span"


def has_uplink_lead(scenario: Scenario) -> bool:
    """Whether any activity needs its commands a stated time before a slot starts."""
    return any(scenario.command_lead_min(a) is not None for a in scenario.activity)


def uplink_deadlines(
    environment: Environment, timeline: pd.DataFrame, now_utc: datetime | None = None
) -> pd.DataFrame:
    """The next command deadlines in time order: columns as in `DEADLINE_COLUMNS`.

    A command must arrive in a whole minute of contact of the slot's platform, or of the
    platform that relays for it, at least the lead before the slot starts. `deadline_utc` is
    when it must leave `station` to arrive as the last such minute ends: earlier by the
    one-way light time. `contact_opens_utc` is when that station took up the link. A slot
    without such a minute has no deadline: its station reads "loaded before the span" if the
    scenario allows that, else "". Slots of activities without a lead and transmit windows
    are left out; with `now_utc`, also slots that have begun by then and those whose
    deadline has passed.
    """
    scenario = environment.scenario
    activities = {a.name: a for a in scenario.activity}
    rows = []
    for slot in timeline.itertuples(index=False):
        activity = activities.get(slot.activity)
        if activity is None or (lead_min := scenario.command_lead_min(activity)) is None:
            continue
        row = {
            "slot": slot.slot,
            "activity": slot.activity,
            "start_utc": slot.start_utc,
            "lead_min": lead_min,
            "station": "",
        }
        last_contact = _last_contact(environment, activity, slot.start_utc, lead_min)
        rows.append(row | (last_contact or _without_contact(scenario, slot.start_utc)))
    table = pd.DataFrame(rows, columns=list(DEADLINE_COLUMNS))
    for column in DEADLINE_COLUMNS:
        if column.endswith("_utc"):
            table[column] = pd.to_datetime(table[column], utc=True).astype("datetime64[s, UTC]")
    if now_utc is not None:
        table = table[(table["start_utc"] > now_utc) & ~(table["deadline_utc"] < now_utc)]
    return table.sort_values(
        ["deadline_utc", "start_utc", "slot"], na_position="first", ignore_index=True
    )


def _last_contact(
    environment: Environment, activity: Activity, start_utc: pd.Timestamp, lead_min: int
) -> dict:
    """Station, opening and deadline of the last contact at least the lead before a start."""
    scenario, minutes_utc = environment.scenario, environment.sky.index
    name = scenario.platform_of(activity)
    to = scenario.platform_named(name).radio.to
    receiver = name if to == "earth" else to
    station = environment.platforms[receiver]["station"].to_numpy()
    in_contact = environment.in_contact(name)
    before_min = floor(scenario.minutes_of(start_utc)) - lead_min
    possible = np.flatnonzero(in_contact[: max(before_min, 0)])
    if not len(possible):
        return {}
    last = possible[-1]
    same_link = in_contact[: last + 1] & (station[: last + 1] == station[last])
    opens = last + 1 - int(np.logical_and.accumulate(same_link[::-1]).sum())
    travel_s = light_time_s(environment.sky_of(receiver)["earth_range_km"].to_numpy()[last])
    arrives_utc = minutes_utc[0] + pd.Timedelta(minutes=int(last) + 1)
    leaves_utc = arrives_utc - pd.Timedelta(seconds=float(travel_s))
    return {
        "station": station[last],
        "contact_opens_utc": minutes_utc[opens],
        "deadline_utc": leaves_utc.floor("s"),
    }


def _without_contact(scenario: Scenario, start_utc: pd.Timestamp) -> dict:
    loaded_utc = scenario.uplink.loaded_until_utc if scenario.uplink else None
    loaded = loaded_utc is not None and start_utc < loaded_utc
    return {"station": LOADED_BEFORE} if loaded else {}


def beyond_command(environment: Environment, timeline: pd.DataFrame, now_utc: datetime) -> set[str]:
    """Ids of the slots that no command arriving after `now_utc` can change in time.

    Their deadline has passed, or they were loaded before a span that has begun.
    """
    if now_utc <= environment.scenario.span.start_utc:
        return set()
    table = uplink_deadlines(environment, timeline)
    passed = (table["deadline_utc"] < now_utc) | (table["station"] == LOADED_BEFORE)
    return set(table.loc[passed, "slot"])
