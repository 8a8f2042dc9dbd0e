"""Is there contact with Earth at an instant, and how much in the whole span."""

from collections.abc import Iterator
from datetime import datetime

import numpy as np
import pandas as pd

from obsplan.common import intervals
from obsplan.common.instants import full_stamp
from obsplan.environment.booked_passes import unbooked_passes
from obsplan.environment.contacts import (
    MINUTE,
    distance_m,
    margins_from,
    mask_profile,
    station_use,
)
from obsplan.environment.model import Environment, span_ends
from obsplan.environment.relay_link import relay_view
from obsplan.environment.viewpoint import Viewpoint, viewpoints
from obsplan.ephemeris import Ephemeris
from obsplan.inputs.hardware import Platform, Station
from obsplan.inputs.scenario import Scenario
from obsplan.physics import link_budget

# Passes without a booking that are listed; the rest is counted.
MOST_UNBOOKED = 5


def answer(
    environment: Environment, ephemeris: Ephemeris, instant: datetime
) -> tuple[dict[str, bool], list[str]]:
    """Whether each platform is in contact with Earth at the UTC time `instant`, and why.

    The answer is that for the minute of the instant, as in plan and check. If it is no, every
    failing condition is named, station by station.
    """
    scenario = environment.scenario
    at_utc = np.array([instant.replace(tzinfo=None)], "datetime64[s]")
    minute = int((at_utc[0] - span_ends(scenario)[0]) // MINUTE)
    lines, can = [], {}
    begin = environment.sky.index[minute].tz_localize(None).to_datetime64().astype("datetime64[s]")
    seats = viewpoints(scenario, ephemeris, begin, begin + MINUTE)
    for platform in scenario.platform:
        table = environment.platforms[platform.name]
        can[platform.name] = open_ = bool(environment.in_contact(platform.name)[minute])
        if platform.radio.to != "earth":
            relay = seats[platform.radio.to]
            found = [_through_relay(scenario, platform, relay, table, minute, at_utc)]
        elif open_:
            seat = seats[platform.name]
            found = [_through_station(scenario, seat, table, minute, at_utc)]
        else:
            found = _reasons(environment, seats[platform.name], platform, minute, at_utc)
        lines += [f"{platform.name}: {line}" for line in found]
        if not open_:
            lines.append(f"{platform.name}: {_next(environment, platform, minute)}")
    return can, [f"{_in_short(can)} at {_text(at_utc[0])}", *lines]


def _in_short(can: dict[str, bool]) -> str:
    """Yes, no, or which platforms can and which cannot."""
    if len(set(can.values())) == 1:
        return "yes," if all(can.values()) else "no,"
    return ", ".join(f"{name} {'yes' if open_ else 'no'}" for name, open_ in can.items()) + ","


def totals(environment: Environment) -> list[str]:
    """Per station and per platform: contacts, time used, volume, cover and longest gap."""
    scenario = environment.scenario
    lines, contacts = [], environment.contacts
    first, last = span_ends(scenario)
    edges = np.append(np.arange(first, last, MINUTE), last)
    unbooked = unbooked_passes(environment)
    for platform in scenario.platform:
        table = environment.platforms[platform.name]
        in_contact = environment.in_contact(platform.name)
        earthward = platform.radio.to == "earth"
        used = station_use(table)
        for station in scenario.station if earthward else ():
            seen = contacts[
                (contacts["platform"] == platform.name) & (contacts["station"] == station.name)
            ]
            mine = used[used["station"] == station.name]
            lines.append(
                f"{platform.name} through {station.name}: {len(seen)} contacts, "
                f"{seen['duration_min'].sum() / 60:.1f} h; {len(mine)} used, "
                f"{mine['duration_min'].sum() / 60:.1f} h, up to "
                f"{mine['volume_mbit'].sum():.0f} Mbit"
            )
        lines += _unbooked(unbooked[unbooked["platform"] == platform.name])
        if not in_contact.any():
            lines.append(f"{platform.name}: no contact in the span")
            continue
        windows = intervals.from_mask(in_contact, edges)
        gap_h = intervals.longest_gap(windows, first, last) / np.timedelta64(1, "h")
        way = "" if earthward else f" through {platform.radio.to}"
        lines.append(
            f"{platform.name}{way}: in contact "
            f"{100 * intervals.covered_share(windows, first, last):.1f} % of the span, "
            f"longest contact gap {gap_h:.1f} h, {_capacity(platform, table)}"
        )
    return lines


def _unbooked(passes: pd.DataFrame) -> Iterator[str]:
    """The largest passes of a platform that no one has booked."""
    for row in passes.head(MOST_UNBOOKED).itertuples(index=False):
        yield (
            f"{row.platform} through {row.station}: visible and not booked from "
            f"{_text(row.from_utc)} to {_text(row.until_utc)}, up to {row.volume_mbit:.0f} Mbit"
        )
    if (more := len(passes) - MOST_UNBOOKED) > 0:
        yield f"{passes['platform'].iloc[0]}: and {more} smaller passes that are not booked"


def _capacity(platform: Platform, table: pd.DataFrame) -> str:
    """What a platform could send over the span, and to whom."""
    rate_kbps = table["rate_kbps"]
    amount = f"up to {rate_kbps.sum() * 60 / 1000:.0f} Mbit"
    if platform.radio.to == "earth":
        return f"{amount} in total"
    # A relay also takes data while it has no contact itself.
    return (
        f"in range of {platform.radio.to} {100 * (rate_kbps > 0).mean():.1f} % of the span: "
        f"{amount} to its storage, with or without contact"
    )


def _through_station(scenario, seat: Viewpoint, table, minute, at_utc) -> str:
    name, rate_kbps = table["station"].iloc[minute], table["rate_kbps"].iloc[minute]
    station = next(s for s in scenario.station if s.name == name)
    range_km = seat.view(station, at_utc).range_km[0]
    until = minute + _run(table["station"].to_numpy()[minute:] == name)
    closes = minute + _run(table["in_contact"].to_numpy()[minute:])
    line = (
        f"through {name} at {rate_kbps:.6g} kbit/s, "
        f"light time {link_budget.light_time_s(range_km):.2f} s, until {_minute(table, until)}"
    )
    if closes > until:
        return f"{line}, then through {table['station'].iloc[until]}"
    return line


def _through_relay(
    scenario: Scenario, platform: Platform, relay: Viewpoint, table, minute, at_utc
) -> str:
    to, radio = platform.radio.to, platform.radio
    if table["in_contact"].iloc[minute]:
        until = minute + _run(table["in_contact"].to_numpy()[minute:])
        rate_kbps = table["rate_kbps"].iloc[minute]
        return f"through {to} at {rate_kbps:.6g} kbit/s, until {_minute(table, until)}"
    if table["rate_kbps"].iloc[minute] > 0:
        return f"in range of {to}, which has no contact with Earth"
    if relay.around is not None:
        low_deg = -relay_view(scenario, platform, relay, at_utc).margin_deg[0]
        if low_deg <= 0:
            return f"{to} is in view for a part of the minute alone"
        least = f" and minimum elevation of {radio.minimum_elevation_deg:g} deg"
        return (
            f"{to} is {low_deg:.1f} deg below skyline{least if radio.minimum_elevation_deg else ''}"
        )
    distance = distance_m(platform, at_utc)[0]
    return f"{distance:.6g} m from {to}, beyond its range limit of {radio.range_limit_m:.6g} m"


def _reasons(environment, seat: Viewpoint, platform, minute, at_utc) -> list[str]:
    """Per station, what prevents contact."""
    scenario = environment.scenario
    found = []
    for station in scenario.station:
        mask = mask_profile(scenario, station)
        margins = margins_from(seat, at_utc, mask, platform.radio, station)[:, 0]
        words = _margin_words(platform, station)
        failing = [w.format(-m) for w, m in zip(words, margins) if w and not m > 0]
        failing = failing or [_not_yet(environment, platform, station, minute, at_utc[0])]
        found.append(f"{station.name}: {'; '.join(failing)}")
    return found


def _margin_words(platform: Platform, station: Station) -> tuple[str, ...]:
    """What it means that a margin is not met, by so many degrees."""
    least, limit = platform.radio.minimum_elevation_deg, station.sun_limit_deg
    if platform.flies:
        return (
            "the station is {:.1f} deg behind the Moon's limb",
            f"the station is {{:.1f}} deg below the least angle of {least:g} deg to the limb"
            if least
            else "",
            f"{platform.name} is {{:.1f}} deg below the mask of the station",
            f"the Sun is {{:.1f}} deg too close to {platform.name}, the limit is {limit:g} deg",
        )
    return (
        "the Earth is {:.1f} deg below the skyline",
        f"the Earth is {{:.1f}} deg below the minimum elevation of {least:g} deg",
        "the Moon is {:.1f} deg below the mask of the station",
        f"the Sun is {{:.1f}} deg too close to the Moon, the limit is {limit:g} deg",
    )


def _not_yet(environment, platform, station, minute, instant) -> str:
    """Why no data flow although geometry allows a contact."""
    contact = _contact(environment, platform, station.name, pd.Timestamp(instant, tz="UTC"))
    if contact is None and station.passes is not None:
        return "the station is not booked"
    if contact is None:
        return "the contact lasts less than a minute"
    minute_start = environment.sky.index[minute]
    minute_end = minute_start + pd.Timedelta(minutes=1)
    if pd.isna(contact["data_from_utc"]):
        return f"the contact ends before its {station.set_up_min} min of set-up"
    if contact["data_from_utc"] > minute_start:
        return f"acquired; data from {_text(contact['data_from_utc'])}"
    if contact["loss_utc"] < minute_end:
        return f"lost at {_text(contact['loss_utc'])}, within this minute; only whole minutes count"
    if contact["rate_kbps"] <= 0:
        return "the link budget does not close"
    return "in contact; handover between stations"


def _contact(environment, platform, station: str, at: pd.Timestamp) -> pd.Series | None:
    """The current contact of platform and station, if there is one."""
    rows = environment.contacts
    rows = rows[(rows["platform"] == platform.name) & (rows["station"] == station)]
    rows = rows[(rows["acquisition_utc"] <= at) & (at < rows["loss_utc"])]
    return None if rows.empty else rows.iloc[0]


def _next(environment: Environment, platform: Platform, minute: int) -> str:
    table = environment.platforms[platform.name]
    later = np.flatnonzero(environment.in_contact(platform.name)[minute:])
    if not len(later):
        return f"no further contact before {_text(span_ends(environment.scenario)[1])}"
    step = minute + later[0]
    data_from, station = table.index[step], table["station"].iloc[step]
    if not station:
        return f"next contact from {_text(data_from)} through {platform.radio.to}"
    contact = _contact(environment, platform, station, data_from)
    assert contact is not None  # a platform has a station only within a contact
    if contact["acquisition_utc"] < table.index[minute]:
        return f"data next from {_text(data_from)} through {station}"
    words = f"next contact from {_text(contact['acquisition_utc'])} through {station}"
    return f"{words}, data from {_text(data_from)}"


def _run(mask: np.ndarray) -> int:
    """How many cells are true before the first that is not."""
    return len(mask) if mask.all() else int(np.argmin(mask))


def _minute(table: pd.DataFrame, minute: int) -> str:
    if minute == len(table):
        return f"at least {_text(table.index[-1] + pd.Timedelta(minutes=1))}"
    return _text(table.index[minute])


def _text(time) -> str:
    return full_stamp(pd.Timestamp(time))
