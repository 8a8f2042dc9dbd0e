"""Contacts: when a platform and a ground station can talk, at which rate, who is used."""

import numpy as np
import pandas as pd

from obsplan import link, sky
from obsplan.ephemeris import Ephemeris
from obsplan.events import windows_where
from obsplan.scenario import Platform, Radio, Scenario, Station
from obsplan.skyline import skyline_elevation_deg

# A budget that closes only below a bit a second does not close.
LEAST_RATE_KBPS = 1e-3
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
]


def link_columns(
    platform: Platform, scenario: Scenario, ephemeris: Ephemeris, profile: np.ndarray, minutes
) -> tuple[dict[str, np.ndarray], pd.DataFrame]:
    """Rate, station and contact of a platform that sends to Earth, and its contacts.

    `minutes` (n,) datetime64 are the whole minutes of the span; the columns are (n,).
    """
    radio = platform.radio
    first, last = minutes[0], minutes[-1] + np.timedelta64(60, "s")
    rates_kbps, rows = [], []
    for station in scenario.station:

        def margin_deg(times_utc, station=station):
            return _view(scenario, ephemeris, profile, radio, station, times_utc)["margin_deg"]

        windows = windows_where(margin_deg, first, last)
        view = _view(scenario, ephemeris, profile, radio, station, minutes)
        rate_kbps = _rate_kbps(radio, station, view["range_km"])
        rates_kbps.append(np.where(_whole_minutes(windows, minutes), rate_kbps, 0.0))
        for acquisition, loss in windows:
            inside = (minutes >= acquisition) & (minutes < loss)
            if not inside.any():
                continue
            rows.append(
                {
                    "platform": platform.name,
                    "station": station.name,
                    "acquisition_utc": acquisition,
                    "loss_utc": loss,
                    "duration_min": (loss - acquisition) / np.timedelta64(1, "m"),
                    "max_station_elevation_deg": view["station_elevation_deg"][inside].max(),
                    "earth_elevation_deg": view["site_elevation_deg"][inside].mean(),
                    "light_time_s": link.light_time_s(view["range_km"][inside]).mean(),
                    "rate_kbps": rate_kbps[inside].mean(),
                    "volume_mbit": rates_kbps[-1][inside].sum() * 60 / 1000,
                }
            )
    rates_kbps = np.array(rates_kbps)
    used = link.assign_stations(rates_kbps)
    names = np.array([s.name for s in scenario.station] + [""], dtype=object)
    columns = {
        "rate_kbps": np.where(used >= 0, rates_kbps[used, np.arange(len(minutes))], 0.0),
        "station": names[used],
        "in_contact": used >= 0,
    }
    contacts = pd.DataFrame(rows, columns=CONTACT_COLUMNS)
    for key in ("acquisition_utc", "loss_utc"):
        contacts[key] = pd.to_datetime(contacts[key], utc=True)
    return columns, contacts.sort_values(["acquisition_utc", "station"], ignore_index=True)


def _view(scenario, ephemeris, profile, radio: Radio, station: Station, times_utc) -> dict:
    """The line between site and station: elevations at both ends, range, margin."""
    station_elevation, sun_separation, site_elevation, site_azimuth, range_km = sky.station_view(
        ephemeris,
        times_utc,
        *scenario.site.place,
        station.latitude_deg,
        station.longitude_deg,
        station.height_m,
    )
    margin_deg = link.contact_margin_deg(
        site_elevation,
        skyline_elevation_deg(profile, site_azimuth),
        radio.minimum_elevation_deg,
        station_elevation,
        station.mask_deg,
        sun_separation,
        station.sun_limit_deg,
    )
    return {
        "margin_deg": margin_deg,
        "station_elevation_deg": station_elevation,
        "site_elevation_deg": site_elevation,
        "range_km": range_km,
    }


def _rate_kbps(radio: Radio, station: Station, range_km: np.ndarray) -> np.ndarray:
    if radio.budget is None:
        return np.full(len(range_km), radio.rate_kbps)
    budget = radio.budget
    cn0 = link.cn0_db_hz(
        budget.transmit_dbw + budget.antenna_gain_dbi,
        link.path_loss_db(range_km, budget.frequency_mhz),
        budget.losses_db,
        station.g_over_t_db_k,
    )
    return link.rate_kbps(
        cn0, budget.required_ebn0_db, budget.margin_db, budget.ceiling_kbps, LEAST_RATE_KBPS
    )


def _whole_minutes(windows: np.ndarray, minutes: np.ndarray) -> np.ndarray:
    """Minutes that lie wholly inside a window."""
    inside = np.zeros(len(minutes), dtype=bool)
    for acquisition, loss in windows:
        inside |= (minutes >= acquisition) & (minutes + np.timedelta64(60, "s") <= loss)
    return inside
