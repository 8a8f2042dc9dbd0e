"""Contacts: when a platform and a ground station can talk, and at which rate."""

from typing import NamedTuple

import numpy as np
import pandas as pd

from obsplan.common.intervals import from_mask, intersect, subtract
from obsplan.environment.booked_passes import booked_windows
from obsplan.environment.contact_columns import CONTACT_COLUMNS
from obsplan.environment.model import UNSEEN_COLUMNS
from obsplan.environment.station_choice import REACH, assign_stations, stations_in_reach
from obsplan.environment.viewpoint import Viewpoint
from obsplan.inputs.hardware import Platform, Radio, Station
from obsplan.inputs.scenario import Scenario
from obsplan.physics import earth_station, link_budget
from obsplan.physics.crossings import windows_where
from obsplan.physics.skyline import read_profile, skyline_elevation_deg

# A budget that closes only below one bit per second counts as not closed.
LEAST_RATE_KBPS = 1e-3
MINUTE = np.timedelta64(60, "s")

STATION_USE_COLUMNS = [
    "station",
    "from_utc",
    "until_utc",
    "duration_min",
    "rate_kbps",
    "volume_mbit",
]


class StationPasses(NamedTuple):
    """The passes of one station over the minutes (n,) of a span.

    windows: acquisition and loss (k, 2), datetime64[s], possibly from before the span.
    seen: the line of sight in each minute. rate_kbps: what the radio reaches in each minute
    (n,), in contact or not. data_kbps: the same in the minutes in which data flow, else 0.
    unbooked_kbps: the same in those in which data would flow if more of the visible time were
    booked. unseen: booked time (j, 2) within the span that is not visible.
    """

    station: Station
    windows: np.ndarray
    seen: earth_station.StationView
    rate_kbps: np.ndarray
    data_kbps: np.ndarray
    unbooked_kbps: np.ndarray
    unseen: np.ndarray


def link_columns(
    platform: Platform,
    scenario: Scenario,
    viewpoint: Viewpoint,
    minutes: np.ndarray,
    stations_out: dict[str, np.ndarray] | None = None,
) -> tuple[dict[str, np.ndarray], pd.DataFrame, pd.DataFrame]:
    """Rate, station and contact of a platform that sends to Earth, its contacts, and the booked
    time that is not visible.

    `minutes` (n,) datetime64[s] are the whole minutes of the span; the columns are (n,).
    A contact lasts from acquisition to loss by geometry, and no longer than the station is booked
    (if it has passes). Data flow once the station is set
    up, from `data_from_utc` on (none if the contact ends before), in the minutes that lie
    wholly between that and the loss: `volume_mbit` is what those could carry, `used_min`
    how many of them the platform spends with this station rather than another.
    In the columns, `rate_kbps` is positive and `in_contact` true in the used minutes only;
    `in_reach` names all stations with which data could flow.
    `stations_out` gives windows (k, 2) in which a station is out of service: a contact ends
    when they begin, and starts again, set-up included, when they end.
    """
    passes = []
    for station in scenario.station:
        out = (stations_out or {}).get(station.name)
        passes.append(_station_passes(scenario, viewpoint, platform, station, minutes, out))
    data_kbps = np.array([p.data_kbps for p in passes])
    used = assign_stations(data_kbps, handover_steps=platform.radio.handover_min)
    names = np.array([s.name for s in scenario.station] + [""], dtype=object)
    columns = {
        "rate_kbps": np.where(used >= 0, data_kbps[used, np.arange(len(minutes))], 0.0),
        "station": names[used],
        "in_contact": used >= 0,
        REACH: stations_in_reach([s.name for s in scenario.station], data_kbps),
    }
    unbooked_kbps = np.where(used < 0, [p.unbooked_kbps for p in passes], 0.0)
    fastest = np.where(unbooked_kbps.any(axis=0), unbooked_kbps.argmax(axis=0), -1)
    columns |= {"unbooked_kbps": unbooked_kbps.max(axis=0), "unbooked_station": names[fastest]}
    unseen = [(platform.name, p.station.name, *window) for p in passes for window in p.unseen]
    return columns, _contact_table(platform.name, passes, used, minutes), _unseen_table(unseen)


def _station_passes(
    scenario: Scenario,
    viewpoint: Viewpoint,
    platform: Platform,
    station: Station,
    minutes: np.ndarray,
    out: np.ndarray | None,
) -> StationPasses:
    """When a platform and a station can talk by geometry and booking, and at which rate."""
    mask, radio = mask_profile(scenario, station), platform.radio
    set_up = _set_up(station)

    def margin_deg(times_utc):
        return margins_from(viewpoint, times_utc, mask, radio, station).min(axis=0)

    # From before the span, since a station may be set up by then.
    earliest = max(minutes[0] - set_up, viewpoint.first_utc)
    visible = windows_where(
        margin_deg,
        earliest,
        minutes[-1] + MINUTE,
        scan_s=viewpoint.scan_s,
        merge_s=viewpoint.merge_s,
    )
    booked = booked_windows(scenario, station, platform.name)
    windows = visible if booked is None else intersect(visible, booked)
    span = np.array([[minutes[0], minutes[-1] + MINUTE]])
    unseen = windows[:0] if booked is None else intersect(subtract(booked, visible), span)
    unbooked = subtract(visible, windows)
    if out is not None:
        windows, unbooked = subtract(windows, out), subtract(unbooked, out)
    seen = viewpoint.view(station, minutes)
    rate_kbps = rate_of(radio, station, seen, viewpoint.height_m(minutes))

    def flowing_kbps(served: np.ndarray) -> np.ndarray:
        with_data = np.column_stack([served[:, 0] + set_up, served[:, 1]])
        return np.where(_whole_minutes(with_data, minutes), rate_kbps, 0.0)

    data_kbps, unbooked_kbps = flowing_kbps(windows), flowing_kbps(unbooked)
    return StationPasses(station, windows, seen, rate_kbps, data_kbps, unbooked_kbps, unseen)


def _contact_table(
    platform: str, passes: list[StationPasses], used: np.ndarray, minutes: np.ndarray
) -> pd.DataFrame:
    """One row per contact that includes a minute of the span; `used` (n,) numbers the stations."""
    rows = []
    for number, (station, windows, seen, rate_kbps, data_kbps, *_) in enumerate(passes):
        for acquisition, loss in windows:
            data_from = max(acquisition + _set_up(station), minutes[0])
            acquisition = max(acquisition, minutes[0])
            inside = (minutes >= acquisition) & (minutes < loss)
            if not inside.any():
                continue
            row = {
                "platform": platform,
                "station": station.name,
                "acquisition_utc": acquisition,
                "loss_utc": loss,
                "duration_min": (loss - acquisition) / MINUTE,
                "max_station_elevation_deg": seen.station_elevation_deg[inside].max(),
                "earth_elevation_deg": seen.site_elevation_deg[inside].mean(),
                "light_time_s": link_budget.light_time_s(seen.range_km[inside]).mean(),
                "rate_kbps": rate_kbps[inside].mean(),
                "volume_mbit": data_kbps[inside].sum() * 60 / 1000,
                "data_from_utc": data_from if data_from < loss else np.datetime64("NaT"),
                "used_min": int((used[inside] == number).sum()),
            }
            rows.append(row)
    contacts = pd.DataFrame(rows, columns=CONTACT_COLUMNS)
    for key in ("acquisition_utc", "loss_utc", "data_from_utc"):
        contacts[key] = pd.to_datetime(contacts[key], utc=True)
    return contacts.sort_values(["acquisition_utc", "station"], ignore_index=True)


def _unseen_table(rows: list[tuple]) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=list(UNSEEN_COLUMNS))
    for column in UNSEEN_COLUMNS[2:]:
        table[column] = pd.to_datetime(table[column], utc=True)
    return table


def _set_up(station: Station) -> np.timedelta64:
    return np.timedelta64(60 * station.set_up_min, "s")


def relay_columns(
    platform: Platform, receiver_in_contact: np.ndarray, minutes: np.ndarray
) -> dict[str, np.ndarray]:
    """Rate, station and contact (n,) of a platform that sends through another.

    It can send whenever the receiver is in range, and reaches Earth while the receiver is
    also in contact.
    """
    in_range = np.ones(len(minutes), dtype=bool)
    assert platform.radio.rate_kbps is not None  # read_scenario requires it of a relayed radio
    if platform.radio.range_limit_m is not None and platform.track:
        in_range = distance_m(platform, minutes) <= platform.radio.range_limit_m
    return {
        "rate_kbps": np.where(in_range, platform.radio.rate_kbps, 0.0),
        "station": np.full(len(minutes), "", dtype=object),
        "in_contact": in_range & np.asarray(receiver_in_contact, dtype=bool),
        "unbooked_kbps": np.zeros(len(minutes)),
        "unbooked_station": np.full(len(minutes), "", dtype=object),
    }


def distance_m(platform: Platform, minutes: np.ndarray) -> np.ndarray:
    """Distance (n,) to the relay along the platform's track, which must not be empty."""
    begins = [np.datetime64(stay.from_utc.replace(tzinfo=None), "s") for stay in platform.track]
    stay = np.searchsorted(begins, minutes, side="right") - 1
    return np.array([stay.distance_m for stay in platform.track])[np.maximum(stay, 0)]


def station_use(table: pd.DataFrame) -> pd.DataFrame:
    """Which station is used when: one row per unbroken run of minutes with one station.

    `table` is that of a platform in the environment. Columns `station, from_utc, until_utc,
    duration_min, rate_kbps` (mean) and `volume_mbit`.
    """
    rate_kbps = table["rate_kbps"].to_numpy()
    station = np.where(table["in_contact"], table["station"], "")
    rows = []
    for name in pd.unique(station[station != ""]):
        for start, end in from_mask(station == name):
            duration_min, rates = int(end - start), rate_kbps[start:end]
            rows.append(
                {
                    "station": name,
                    "from_utc": table.index[start],
                    "until_utc": table.index[start] + pd.Timedelta(minutes=duration_min),
                    "duration_min": duration_min,
                    "rate_kbps": rates.mean(),
                    "volume_mbit": rates.sum() * 60 / 1000,
                }
            )
    uses = pd.DataFrame(rows, columns=STATION_USE_COLUMNS)
    return uses.sort_values("from_utc", ignore_index=True)


def mask_profile(scenario: Scenario, station: Station) -> np.ndarray:
    """The station's own skyline (n, 2): its file, or a level mask."""
    path = scenario.mask_path(station)
    return np.array([[0.0, station.mask_deg]]) if path is None else read_profile(path)


def margins_from(
    viewpoint: Viewpoint,
    times_utc: np.ndarray,
    mask: np.ndarray,
    radio: Radio,
    station: Station,
) -> np.ndarray:
    """The four margins (4, n) of `margins_deg` from a viewpoint at instants (n,)."""
    seen = viewpoint.view(station, times_utc)
    skyline_deg = viewpoint.skyline_deg(times_utc, seen.site_azimuth_deg)
    least_deg = radio.minimum_elevation_deg + viewpoint.least_from_skyline * skyline_deg
    return margins_deg(seen, skyline_deg, least_deg, mask, station)


def margins_deg(
    seen: earth_station.StationView,
    skyline_deg: np.ndarray,
    least_deg: float | np.ndarray,
    mask: np.ndarray,
    station: Station,
) -> np.ndarray:
    """The four margins (4, n) of `link_budget.contact_margins_deg` along a line of sight.

    `skyline_deg` (n,) is that of the platform towards the station, `least_deg` its least elevation.
    """
    return link_budget.contact_margins_deg(
        seen.site_elevation_deg,
        skyline_deg,
        least_deg,
        seen.station_elevation_deg,
        skyline_elevation_deg(mask, seen.station_azimuth_deg),
        seen.sun_separation_deg,
        station.sun_limit_deg,
    )


def rate_of(
    radio: Radio,
    station: Station,
    seen: earth_station.StationView,
    height_m: float | np.ndarray,
) -> np.ndarray:
    """Bit rate (n,) in kbit/s between the radio and a station, assuming they are in contact.

    `height_m` is that of the radio above the Moon's sphere.
    """
    if radio.budget is None:
        return np.full(len(seen.range_km), radio.rate_kbps)
    # read_scenario requires G/T of every station if a radio has a budget.
    assert station.g_over_t_db_k is not None
    budget = radio.budget
    g_over_t_db_k: float | np.ndarray = station.g_over_t_db_k
    if station.system_temperature_k is not None and station.beam_width_deg is not None:
        moon_km = link_budget.moon_centre_range_km(seen.range_km, seen.site_elevation_deg, height_m)
        g_over_t_db_k = link_budget.g_over_t_with_moon_db(
            station.g_over_t_db_k, station.system_temperature_k, station.beam_width_deg, moon_km
        )
    cn0 = link_budget.cn0_db_hz(
        budget.transmit_dbw + budget.antenna_gain_dbi,
        link_budget.path_loss_db(seen.range_km, budget.frequency_mhz),
        budget.losses_db,
        g_over_t_db_k,
    )
    return link_budget.rate_kbps(
        cn0, budget.required_ebn0_db, budget.margin_db, budget.ceiling_kbps, LEAST_RATE_KBPS
    )


def _whole_minutes(windows: np.ndarray, minutes: np.ndarray) -> np.ndarray:
    """Minutes (n,) that lie wholly inside a window."""
    inside = np.zeros(len(minutes), dtype=bool)
    for start, end in windows:
        inside |= (minutes >= start) & (minutes + MINUTE <= end)
    return inside
