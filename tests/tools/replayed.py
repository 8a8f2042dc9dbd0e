"""A day of one platform for the tests of the replay, and what the check says of slots in it."""

import numpy as np
import pandas as pd

from obsplan.checking.check import check_timeline
from tools import small
from tools.small import START, platform  # noqa: F401  the tests of the replay take both from here

DAY_MIN = 1440


def scenario(*activities, **parts):
    """A scenario in which every activity wants nine runs unless it says how many."""
    return small.scenario(*({"count": 9} | a for a in activities), **parts)


def environment(scene, **columns):
    """Every condition on a straight line over the day; contact from 02:00 to 08:00.

    `columns` replace columns of every platform, or of one as `lander_rate_kbps`.
    """
    minute = np.arange(scene.steps * scene.span.step_min)
    contact = (minute >= 120) & (minute < 480)
    offered = {"base_load_w": 0.0, "in_contact": contact}
    for part in scene.platform:
        relays = part.radio.to != "earth"
        own = {
            "rate_kbps": np.where(contact | relays, part.radio.rate_kbps, 0.0),
            "station": np.where(contact & (not relays), "alpha", ""),
        }
        offered |= {f"{part.name}_{key}": columns.get(key, own[key]) for key in own}
    lit = np.where((minute >= 1200) & (minute < 1260), 0.0, 1.0)
    return small.world(scene, {"sun_visible_fraction": lit}, **offered | columns)


def slots(*rows):
    """Slots as (activity, minute of start) or (activity, minute of start, minute of end)."""
    table = pd.DataFrame(
        [
            (f"s{k}", row[0], row[1], row[2] if len(row) > 2 else None)
            for k, row in enumerate(rows, start=1)
        ],
        columns=["slot", "activity", "start_utc", "end_utc"],
    )
    for column in ("start_utc", "end_utc"):
        minutes = table[column].astype(float) * 60
        table[column] = START + pd.to_timedelta(minutes, unit="s")
    return table


def broken(scene, *rows, **columns):
    return check_timeline(environment(scene, **columns), slots(*rows)).violations


def the_one(scene, *rows, **columns):
    """The only violation of a timeline; its time in minutes of the span."""
    found = broken(scene, *rows, **columns)
    assert len(found) == 1, found["message"].tolist()
    row = found.iloc[0]
    minute = (row["time_utc"] - START) / pd.Timedelta(minutes=1)
    return row["rule"], row["slots"], minute, row["amount"], row["unit"]
