"""Contacts: when a platform and a ground station can talk, at which rate, who is used."""

import numpy as np
import pandas as pd

from obsplan.common.intervals import from_mask, subtract
from obsplan.ephemeris import Ephemeris
from obsplan.inputs.hardware import Platform, Radio, Station
from obsplan.inputs.scenario import Scenario
from obsplan.physics import link_budget, sky
from obsplan.physics.crossings import windows_where
from obsplan.physics.skyline import read_profile, skyline_elevation_deg

# A budget that closes only below a bit a second does not close.
LEAST_RATE_KBPS = 1e-3
MINUTE = np.timedelta64(60, "s")
CONTACT_COLUMNS = [
    "platform",
    "station",
    "acquisition_utc",
    "loss_utc",
    "duration_min",
    "max_station_elevation_deg",
    "earth_elevation_deg",
    "light_time_s",
    "rate_kbps",
    "volume_mbit",
    "data_from_utc",
    "used_min",
]

STRETCH_COLUMNS = [
    "station",
    "from_utc",
    "until_utc",
    "duration_min",
    "rate_kbps",
    "volume_mbit",
]


def link_columns(
    platform: Platform,
    scenario: Scenario,
    ephemeris: Ephemeris,
    profile: np.ndarray,
    minutes: np.ndarray,
    stations_out: dict[str, np.ndarray] | None = None,
) -> tuple[dict[str, np.ndarray], pd.DataFrame]:
    """Rate, station and contact of a platform that sends to Earth, and its contacts.

    `minutes` (n,) datetime64[s] are the whole minutes of the span; the columns are (n,).
    A contact lasts from acquisition to loss, as geometry has it. Data flow once the station
    is set up, `data_from_utc` (none where the contact ends before), in the minutes that lie
    wholly between that and the loss: `volume_mbit` is what those could carry, `used_min`
    how many of them the platform has with this station rather than another.
    `rate_kbps` of the columns is positive, and `in_contact` true, in the used minutes only.
    `stations_out` holds windows (k, 2) in which a station is out: a contact ends as it goes
    out, and is taken up anew, set-up included, when it is back.
    """
    radio = platform.radio
    first, last = minutes[0], minutes[-1] + MINUTE
    rates_kbps, rows = [], []
    for number, station in enumerate(scenario.station):
        mask = mask_profile(scenario, station)
        set_up = np.timedelta64(60 * station.set_up_min, "s")

        def margin_deg(times_utc, station=station, mask=mask):
            seen = view(scenario, ephemeris, station, times_utc)
            return margins_deg(seen, profile, mask, radio, station).min(axis=0)

        # From before the span, since a station may be set up by then.
        windows = windows_where(margin_deg, first - set_up, last)
        if stations_out and station.name in stations_out:
            windows = subtract(windows, stations_out[station.name])
        data = np.column_stack([windows[:, 0] + set_up, windows[:, 1]])
        seen = view(scenario, ephemeris, station, minutes)
        rate_kbps = rate_of(radio, station, seen, scenario.site.height_m)
        rates_kbps.append(np.where(_whole_minutes(data, minutes), rate_kbps, 0.0))
        for acquisition, loss in windows:
            data_from = max(acquisition + set_up, first)
            acquisition = max(acquisition, first)
            inside = (minutes >= acquisition) & (minutes < loss)
            if not inside.any():
                continue
            rows.append(
                {
                    "platform": platform.name,
                    "station": station.name,
                    "acquisition_utc": acquisition,
                    "loss_utc": loss,
                    "duration_min": (loss - acquisition) / MINUTE,
                    "max_station_elevation_deg": seen.station_elevation_deg[inside].max(),
                    "earth_elevation_deg": seen.site_elevation_deg[inside].mean(),
                    "light_time_s": link_budget.light_time_s(seen.range_km[inside]).mean(),
                    "rate_kbps": rate_kbps[inside].mean(),
                    "volume_mbit": rates_kbps[-1][inside].sum() * 60 / 1000,
                    "data_from_utc": data_from if data_from < loss else np.datetime64("NaT"),
                    "used_min": (number, inside),
                }
            )
    rates_kbps = np.array(rates_kbps)
    used = link_budget.assign_stations(rates_kbps, handover_steps=radio.handover_min)
    for row in rows:
        number, inside = row["used_min"]
        row["used_min"] = int((used[inside] == number).sum())
    names = np.array([s.name for s in scenario.station] + [""], dtype=object)
    columns = {
        "rate_kbps": np.where(used >= 0, rates_kbps[used, np.arange(len(minutes))], 0.0),
        "station": names[used],
        "in_contact": used >= 0,
    }
    contacts = pd.DataFrame(rows, columns=CONTACT_COLUMNS)
    for key in ("acquisition_utc", "loss_utc", "data_from_utc"):
        contacts[key] = pd.to_datetime(contacts[key], utc=True)
    return columns, contacts.sort_values(["acquisition_utc", "station"], ignore_index=True)


def relay_columns(
    platform: Platform, receiver_in_contact: np.ndarray, minutes: np.ndarray
) -> dict[str, np.ndarray]:
    """Rate, station and contact (n,) of a platform that sends through another.

    It sends whenever the receiver is in reach, and has a way to Earth when the receiver
    has one too.
    """
    in_reach = np.ones(len(minutes), dtype=bool)
    if platform.radio.range_limit_m is not None:
        in_reach = distance_m(platform, minutes) <= platform.radio.range_limit_m
    return {
        "rate_kbps": np.where(in_reach, platform.radio.rate_kbps, 0.0),
        "station": np.full(len(minutes), "", dtype=object),
        "in_contact": in_reach & np.asarray(receiver_in_contact, dtype=bool),
    }


def distance_m(platform: Platform, minutes: np.ndarray) -> np.ndarray:
    """Distance (n,) from the relay by the platform's track, which must not be empty."""
    begins = [np.datetime64(stay.from_utc.replace(tzinfo=None), "s") for stay in platform.track]
    stay = np.searchsorted(begins, minutes, side="right") - 1
    return np.array([stay.distance_m for stay in platform.track])[np.maximum(stay, 0)]


def stretches(table: pd.DataFrame) -> pd.DataFrame:
    """Who is used when: one row for each run of minutes with one station.

    `table` is a platform's of the environment. Columns `station, from_utc, until_utc,
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
    return pd.DataFrame(rows, columns=STRETCH_COLUMNS).sort_values("from_utc", ignore_index=True)


def mask_profile(scenario: Scenario, station: Station) -> np.ndarray:
    """What bounds the station's own sky: its skyline file, or a level mask."""
    path = scenario.mask_path(station)
    return np.array([[0.0, station.mask_deg]]) if path is None else read_profile(path)


def view(
    scenario: Scenario, ephemeris: Ephemeris, station: Station, times_utc: np.ndarray
) -> sky.StationView:
    """The line between the scenario's site and a station."""
    return sky.station_view(
        ephemeris,
        times_utc,
        *scenario.site.place,
        station.latitude_deg,
        station.longitude_deg,
        station.height_m,
    )


def margins_deg(
    seen: sky.StationView, profile: np.ndarray, mask: np.ndarray, radio: Radio, station: Station
) -> np.ndarray:
    """The four margins (4, n) of `link.contact_margins_deg`, from what is seen."""
    return link_budget.contact_margins_deg(
        seen.site_elevation_deg,
        skyline_elevation_deg(profile, seen.site_azimuth_deg),
        radio.minimum_elevation_deg,
        seen.station_elevation_deg,
        skyline_elevation_deg(mask, seen.station_azimuth_deg),
        seen.sun_separation_deg,
        station.sun_limit_deg,
    )


def rate_of(
    radio: Radio, station: Station, seen: sky.StationView, site_height_m: float
) -> np.ndarray:
    """The rate (n,) in kbit/s that the radio reaches at a station it is in contact with."""
    if radio.budget is None:
        return np.full(len(seen.range_km), radio.rate_kbps)
    budget, g_over_t_db_k = radio.budget, station.g_over_t_db_k
    if station.system_temperature_k is not None:
        moon_km = link_budget.moon_centre_range_km(
            seen.range_km, seen.site_elevation_deg, site_height_m
        )
        g_over_t_db_k = link_budget.g_over_t_with_moon_db(
            g_over_t_db_k, station.system_temperature_k, station.beam_width_deg, moon_km
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
    """Minutes that lie wholly inside a window."""
    inside = np.zeros(len(minutes), dtype=bool)
    for start, end in windows:
        inside |= (minutes >= start) & (minutes + MINUTE <= end)
    return inside
