"""A platform on the ground that sends through one in orbit: passes from geometry, rate by range."""

from typing import NamedTuple

import numpy as np

from obsplan.environment.site_skyline import site_profile
from obsplan.environment.viewpoint import Viewpoint
from obsplan.inputs.hardware import Platform, Radio
from obsplan.inputs.scenario import Scenario
from obsplan.physics import link_budget
from obsplan.physics.crossings import windows_where
from obsplan.physics.sky import site_km
from obsplan.physics.skyline import skyline_elevation_deg
from obsplan.physics.vectors import local_angles

# A pass over a low orbiter lasts some minutes.
SCAN_S = 60.0
LEAST_RATE_KBPS = 1e-3
MINUTE = np.timedelta64(60, "s")


class RelayView(NamedTuple):
    """A relay in orbit as seen from the site at n instants, and by how much it is in view (n,)."""

    elevation_deg: np.ndarray
    azimuth_deg: np.ndarray
    range_km: np.ndarray
    margin_deg: np.ndarray


def relay_view(
    scenario: Scenario, platform: Platform, relay: Viewpoint, times_utc: np.ndarray
) -> RelayView:
    """Where the relay of a platform at the site stands at UTC instants (n,).

    It is in view while it is above the skyline and above the radio's minimum elevation. Light time,
    some milliseconds, is left aside.
    """
    assert relay.around is not None  # it is in orbit
    place = scenario.landing_site.place
    line_km = relay.around(times_utc).orbiter_km - site_km(*place)[:, None]
    elevation_deg, azimuth_deg, range_km = local_angles(line_km, *np.radians(place[:2]))
    hidden_deg = skyline_elevation_deg(site_profile(scenario), azimuth_deg)
    least_deg = np.maximum(hidden_deg, platform.radio.minimum_elevation_deg)
    return RelayView(elevation_deg, azimuth_deg, range_km, elevation_deg - least_deg)


def relay_windows(
    scenario: Scenario,
    platform: Platform,
    relay: Viewpoint,
    first_utc: np.datetime64,
    last_utc: np.datetime64,
) -> np.ndarray:
    """Windows (k, 2) datetime64[s] in first_utc..last_utc in which the relay is in view."""

    def margin_deg(times_utc: np.ndarray) -> np.ndarray:
        return relay_view(scenario, platform, relay, times_utc).margin_deg

    return windows_where(margin_deg, first_utc, last_utc, scan_s=SCAN_S, merge_s=1.0)


def orbit_relay_columns(
    scenario: Scenario,
    platform: Platform,
    relay: Viewpoint,
    receiver_in_contact: np.ndarray,
    minutes: np.ndarray,
) -> dict[str, np.ndarray]:
    """Rate, station and contact (n,) of a platform at the site that sends through one in orbit.

    It can send in the minutes (n,) datetime64[s] that lie wholly in a pass, and reaches Earth while
    the relay is also in contact: contact counts end to end.
    """
    windows = relay_windows(scenario, platform, relay, minutes[0], minutes[-1] + MINUTE)
    in_view = np.zeros(len(minutes), dtype=bool)
    for start, end in windows:
        in_view |= (minutes >= start) & (minutes + MINUTE <= end)
    seen = relay_view(scenario, platform, relay, minutes)
    to = scenario.platform_named(platform.radio.to)
    rate_kbps = np.where(in_view, relay_rate_kbps(platform.radio, to.radio, seen.range_km), 0.0)
    return {
        "rate_kbps": rate_kbps,
        "station": np.full(len(minutes), "", dtype=object),
        "in_contact": (rate_kbps > 0) & np.asarray(receiver_in_contact, dtype=bool),
        "unbooked_kbps": np.zeros(len(minutes)),
        "unbooked_station": np.full(len(minutes), "", dtype=object),
    }


def relay_rate_kbps(radio: Radio, receiver: Radio, range_km: np.ndarray) -> np.ndarray:
    """Bit rate (n,) in kbit/s over a distance (n,) to the receiver of a relay."""
    if radio.budget is None:
        return np.full(len(range_km), radio.rate_kbps)
    # read_scenario requires it of a relay to which a budget leads.
    assert receiver.receive_g_over_t_db_k is not None
    budget = radio.budget
    cn0_db_hz = link_budget.cn0_db_hz(
        budget.transmit_dbw + budget.antenna_gain_dbi,
        link_budget.path_loss_db(range_km, budget.frequency_mhz),
        budget.losses_db,
        receiver.receive_g_over_t_db_k,
    )
    return link_budget.rate_kbps(
        cn0_db_hz,
        budget.required_ebn0_db,
        budget.margin_db,
        budget.ceiling_kbps,
        LEAST_RATE_KBPS,
    )
