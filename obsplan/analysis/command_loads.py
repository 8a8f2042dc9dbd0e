"""Commands grouped into loads: what must go up in each contact, and by when."""

from datetime import datetime

import pandas as pd

from obsplan.analysis.command_deadlines import uplink_deadlines
from obsplan.analysis.load_columns import LOAD_COLUMNS
from obsplan.environment.model import Environment
from obsplan.inputs.scenario import Scenario


def command_loads(
    environment: Environment, timeline: pd.DataFrame, now_utc: datetime | None = None
) -> pd.DataFrame:
    """One row for each contact in which slots must be commanded, in order of `by_utc`: columns
    `LOAD_COLUMNS`.

    A slot belongs to the last contact in which it can be commanded. Ids and activities are
    separated by semicolons. With `now_utc`, slots whose deadline has passed are left out.
    """
    scenario = environment.scenario
    due = uplink_deadlines(environment, timeline, now_utc).dropna(subset="deadline_utc")
    due = due.assign(platform=[_receiver(scenario, name) for name in due["activity"]])
    contacts = due.groupby(["platform", "station", "contact_opens_utc"], sort=False)
    rows = [
        {
            "platform": platform,
            "station": station,
            "contact_opens_utc": opens_utc,
            "by_utc": own["deadline_utc"].min(),
            "commands": len(own),
            "slots": "; ".join(own["slot"]),
            "activities": "; ".join(dict.fromkeys(own["activity"])),
            "first_start_utc": own["start_utc"].min(),
        }
        for (platform, station, opens_utc), own in contacts
    ]
    table = pd.DataFrame(rows, columns=LOAD_COLUMNS)
    for column in LOAD_COLUMNS:
        if column.endswith("_utc"):
            table[column] = pd.to_datetime(table[column], utc=True).astype("datetime64[s, UTC]")
    table = table.sort_values(["by_utc", "platform"], ignore_index=True)
    return table.assign(load=range(1, len(table) + 1))


def _receiver(scenario: Scenario, activity: str) -> str:
    """The platform that hears the station: that of the activity, or its relay."""
    name = scenario.platform_of(scenario.activity_named(activity))
    to = scenario.platform_named(name).radio.to
    return name if to == "earth" else to
