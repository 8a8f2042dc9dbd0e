"""A day of one platform for the tests of the replay, and what the check says of slots in it."""

import numpy as np
import pandas as pd

from obsplan.check import check
from obsplan.environment import Environment
from obsplan.scenario import scenario_from

START = pd.Timestamp("2028-07-01T00:00Z")


DAY_MIN = 1440


def platform(name="lander", **changes):
    """A platform whose battery loses nothing, so that sums are done in the head."""
    battery = {"capacity_wh": 1000.0, "reserve": 0.2, "start": 0.8,
               "charge_efficiency": 1.0, "discharge_efficiency": 1.0}  # fmt: skip
    parts = {
        "name": name,
        "kind": "lander",
        "idle_w": 0.0,
        "bus_limit_w": 100.0,
        "battery": battery | changes.pop("battery", {}),
        "radio": {"transmit_w": 10.0, "rate_kbps": 20.0} | changes.pop("radio", {}),
        "store": {"capacity_mbit": 50.0} | changes.pop("store", {}),
    }
    return parts | changes


def scenario(*activities, platforms=(platform(),), instruments=(), hours=24):
    """A scenario in which every activity has its own instrument unless it names another."""
    own = [
        {"name": a["name"], "platform": a.pop("platform", "lander")}
        for a in activities
        if "instrument" not in a
    ]
    return scenario_from(
        {
            "title": "test",
            "site": {"name": "plain", "latitude_deg": 10.0, "longitude_deg": 20.0},
            "span": {
                "start_utc": START.isoformat(),
                "end_utc": (START + pd.Timedelta(hours=hours)).isoformat(),
            },
            "station": [{"name": "alpha", "latitude_deg": 0.0, "longitude_deg": 0.0}],
            "platform": list(platforms),
            "instrument": own + list(instruments),
            "activity": [
                {"instrument": a["name"], "duration_min": 60, "count": 9} | a for a in activities
            ],
        }
    )


def environment(scene, **columns):
    """Every condition on a straight line over the day; contact from 02:00 to 08:00.

    `columns` replace columns of every platform, or of one as `lander_rate_kbps`.
    """
    minute = np.arange(scene.steps * scene.span.step_min)
    index = pd.date_range(START, periods=len(minute), freq="min", name="time_utc")
    sky = pd.DataFrame(
        {
            "sun_elevation_deg": 5 + minute / 144,
            "sun_visible_fraction": np.where((minute >= 1200) & (minute < 1260), 0.0, 1.0),
            "earth_elevation_deg": 30 - minute / 144,
            "earth_phase_deg": 60 + minute / 48,
            "in_magnetotail": minute >= 720,
            "surface_temperature_k": 200 + minute / 14.4,
            "temperature_30cm_k": 240 + minute / 144,
            "local_time_h": (20 + minute / 60) % 24,
        },
        index=index,
    )
    contact = (minute >= 120) & (minute < 480)
    platforms = {}
    for part in scene.platform:
        relays = part.radio.to != "earth"
        table = pd.DataFrame(
            {
                "generation_w": 0.0,
                "base_load_w": 0.0,
                "rate_kbps": np.where(contact | relays, part.radio.rate_kbps, 0.0),
                "station": np.where(contact & (not relays), "alpha", ""),
                "in_contact": contact,
            },
            index=index,
        )
        for key in table:
            for asked in (key, f"{part.name}_{key}"):
                if asked in columns:
                    table[key] = columns[asked]
        platforms[part.name] = table
    none = pd.DataFrame()
    return Environment(sky=sky, platforms=platforms, contacts=none, events=none, kernels={})


def slots(*rows):
    """Slots as (activity, minute of start) or (activity, minute of start, minute of end)."""
    table = pd.DataFrame(
        [(f"s{k}", row[0], row[1], row[2] if len(row) > 2 else None)
         for k, row in enumerate(rows, start=1)],
        columns=["slot", "activity", "start_utc", "end_utc"],
    )  # fmt: skip
    for column in ("start_utc", "end_utc"):
        minutes = table[column].astype(float) * 60
        table[column] = START + pd.to_timedelta(minutes, unit="s")
    return table


def broken(scene, *rows, **columns):
    return check(scene, environment(scene, **columns), slots(*rows)).violations


def the_one(scene, *rows, **columns):
    """The only violation of a timeline; its time in minutes of the span."""
    found = broken(scene, *rows, **columns)
    assert len(found) == 1, found["message"].tolist()
    row = found.iloc[0]
    minute = (row["time_utc"] - START) / pd.Timedelta(minutes=1)
    return row["rule"], row["slots"], minute, row["amount"], row["unit"]
