"""The last chance to command each slot: the contact, and when the command must leave."""

from datetime import datetime
from math import floor

import numpy as np
import pandas as pd

from obsplan.environment.model import Environment
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
ABOARD = "loaded before the span"


def asks_uplink(scenario: Scenario) -> bool:
    """Whether the scenario says how long before a slot its commands must be aboard."""
    return any(scenario.command_lead_min(a) is not None for a in scenario.activity)


def uplink_deadlines(
    environment: Environment, timeline: pd.DataFrame, now_utc: datetime | None = None
) -> pd.DataFrame:
    """The next decisions in time order: columns as in `DEADLINE_COLUMNS`.

    A command must arrive in a whole minute of contact of the slot's platform, or of the
    platform that relays for it, at least the lead before the slot starts. `deadline_utc` is
    when it must leave `station` to arrive as the last such minute ends: earlier by the
    one-way light time. `contact_opens_utc` is when that station took up the link. A slot
    for which there is no such minute has no deadline: its station reads "loaded before the
    span" where the scenario allows that, else nothing. Slots of activities without a lead
    and rows of sending are left out; with `now_utc` also slots that have begun by then, and
    those whose deadline has passed.
    """
    scenario = environment.scenario
    sky = environment.sky
    start_utc = sky.index[0]
    activities = {a.name: a for a in scenario.activity}
    loaded_utc = scenario.uplink.loaded_until_utc if scenario.uplink else None
    rows = []
    for slot in timeline.itertuples(index=False):
        activity = activities.get(slot.activity)
        lead_min = scenario.command_lead_min(activity) if activity else None
        if lead_min is None:
            continue
        platform = scenario.platform_named(scenario.platform_of(activity))
        relayed = platform.radio.to != "earth"
        receiver = environment.platforms[platform.radio.to if relayed else platform.name]
        in_contact = environment.in_contact(platform.name)
        before_min = floor(scenario.minutes_of(slot.start_utc)) - lead_min
        heard = np.flatnonzero(in_contact[: max(before_min, 0)])
        row = {
            "slot": slot.slot,
            "activity": slot.activity,
            "start_utc": slot.start_utc,
            "lead_min": lead_min,
            "station": "",
        }
        if len(heard):
            last, station = heard[-1], receiver["station"].to_numpy()
            held = in_contact[: last + 1] & (station[: last + 1] == station[last])
            opens = last + 1 - int(np.logical_and.accumulate(held[::-1]).sum())
            travel_s = light_time_s(sky["earth_range_km"].to_numpy()[last])
            arrives_utc = start_utc + pd.Timedelta(minutes=int(last) + 1)
            leaves_utc = arrives_utc - pd.Timedelta(seconds=float(travel_s))
            row |= {
                "station": station[last],
                "contact_opens_utc": sky.index[opens],
                "deadline_utc": leaves_utc.floor("s"),
            }
        elif loaded_utc is not None and slot.start_utc < loaded_utc:
            row["station"] = ABOARD
        rows.append(row)
    table = pd.DataFrame(rows, columns=list(DEADLINE_COLUMNS))
    for column in DEADLINE_COLUMNS:
        if column.endswith("_utc"):
            table[column] = pd.to_datetime(table[column], utc=True).astype("datetime64[s, UTC]")
    if now_utc is not None:
        table = table[(table["start_utc"] > now_utc) & ~(table["deadline_utc"] < now_utc)]
    return table.sort_values(
        ["deadline_utc", "start_utc", "slot"], na_position="first", ignore_index=True
    )


def past_changing(environment: Environment, timeline: pd.DataFrame, now_utc: datetime) -> set[str]:
    """Ids of the slots that no command which arrives after `now_utc` reaches in time.

    Their deadline has passed, or they were loaded before a span that has begun.
    """
    if now_utc <= environment.scenario.span.start_utc:
        return set()
    table = uplink_deadlines(environment, timeline)
    passed = (table["deadline_utc"] < now_utc) | (table["station"] == ABOARD)
    return set(table.loc[passed, "slot"])
