"""Booked passes: which of the visible time a station serves, and what else it could serve."""

from dataclasses import replace
from typing import NamedTuple

import numpy as np
import pandas as pd

from obsplan.common.instants import stamp
from obsplan.common.intervals import from_mask, union
from obsplan.environment.model import Environment
from obsplan.environment.station_choice import REACH, reach_of, with_reach
from obsplan.inputs.hardware import Station
from obsplan.inputs.passes_csv import read_passes
from obsplan.inputs.scenario import Scenario


class Pass(NamedTuple):
    """A stretch in which a station could serve a platform, and what it could carry."""

    platform: str
    station: str
    from_utc: pd.Timestamp
    until_utc: pd.Timestamp
    duration_min: int
    volume_mbit: float


def booked_windows(scenario: Scenario, station: Station, platform: str) -> np.ndarray | None:
    """Windows (k, 2) datetime64[s] booked for a platform; None if the station is never booked.

    Raises TableError for mistakes in the file of the passes.
    """
    path = scenario.passes_path(station)
    if path is None:
        return None
    earthward = [p.name for p in scenario.platform if p.radio.to == "earth"]
    rows = read_passes(path, earthward, [s.name for s in scenario.station])
    rows = rows[(rows["station"] == station.name) & rows["platform"].isin(["", platform])]
    times = rows[["acquisition_utc", "loss_utc"]].apply(lambda column: column.dt.tz_localize(None))
    windows = union(times.to_numpy(dtype="datetime64[s]"))
    # contacts.csv begins with the span: what is booked from there on was booked before.
    first = np.datetime64(scenario.span.start_utc.replace(tzinfo=None), "s")
    since = first - np.timedelta64(60 * station.set_up_min, "s")
    starts = np.where(windows[:, :1] == first, since, windows[:, :1])
    return np.concatenate([starts, windows[:, 1:]], axis=1)


def unbooked_passes(environment: Environment) -> pd.DataFrame:
    """Time in which a station could serve a platform that has no contact, were it booked.

    One row per unbroken stretch, most data first: the fields of `Pass` are the columns. Of several
    stations the fastest is named.
    """
    rows = []
    for name, table in environment.platforms.items():
        station, rate_kbps = table["unbooked_station"], table["unbooked_kbps"].to_numpy()
        for each in pd.unique(station[station != ""]):
            for start, end in from_mask((station == each).to_numpy()):
                since, minutes = table.index[start], int(end - start)
                volume_mbit = rate_kbps[start:end].sum() * 60 / 1000
                until = since + pd.Timedelta(minutes=minutes)
                rows.append(Pass(name, each, since, until, minutes, volume_mbit))
    found = pd.DataFrame(rows, columns=list(Pass._fields))
    order = ["volume_mbit", "from_utc"]
    return found.sort_values(order, ascending=[False, True], kind="stable", ignore_index=True)


def with_pass_booked(environment: Environment, booked: Pass) -> Environment:
    """The environment in which one more pass, a row of `unbooked_passes`, is booked.

    It fills minutes without contact alone, and leaves the radio its pause between stations.
    """
    platform = environment.scenario.platform_named(booked.platform)
    table = environment.platforms[platform.name]
    other = table["in_contact"] & (table["station"] != booked.station)
    pause = 2 * platform.radio.handover_min + 1
    near = other.rolling(pause, center=True, min_periods=1).max() > 0
    inside = (table.index >= booked.from_utc) & (table.index < booked.until_utc) & ~near
    served = table.assign(
        rate_kbps=table["rate_kbps"].mask(inside, table["unbooked_kbps"]),
        station=table["station"].mask(inside, booked.station),
        in_contact=table["in_contact"] | inside,
        **{REACH: with_reach(reach_of(table), inside.to_numpy(), booked.station, True)},
    )
    platforms = environment.platforms | {platform.name: served}
    for relayed in environment.scenario.platform:
        if relayed.radio.to == platform.name:
            through = platforms[relayed.name]
            in_contact = (through["rate_kbps"] > 0) & served["in_contact"]
            platforms[relayed.name] = through.assign(in_contact=in_contact)
    return replace(environment, platforms=platforms)


def pass_cautions(environment: Environment) -> list[str]:
    """A sentence for each stretch of booked time that is not visible and so does not count."""
    return [
        f'station "{row.station}" is booked for "{row.platform}" from {stamp(row.from_utc)} to '
        f"{stamp(row.until_utc)}, when the site is not in view; that time does not count"
        for row in environment.unseen.itertuples(index=False)
    ]
