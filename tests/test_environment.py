"""The tables that physics leaves: every minute, named columns, contacts by the second."""

import numpy as np
import pandas as pd
import pytest

from obsplan.environment import contact_windows, environment, span_ends
from obsplan.errors import EphemerisError
from obsplan.scenario import scenario_from

SKY_COLUMNS = [
    "sun_elevation_deg", "sun_azimuth_deg", "sun_visible_fraction", "irradiance_w_m2",
    "local_time_h", "earth_elevation_deg", "earth_azimuth_deg", "earth_range_km",
    "earth_phase_deg", "surface_temperature_k", "temperature_10cm_k", "temperature_40cm_k",
]  # fmt: skip


def test_one_row_for_every_minute_of_the_span(demo):
    scenario, made = demo
    first, last = span_ends(scenario)
    assert list(made.sky.columns) == SKY_COLUMNS
    assert len(made.sky) == (last - first) / np.timedelta64(1, "m")
    assert made.sky.index[0] == pd.Timestamp(scenario.span.start_utc)
    assert made.sky.index.freq is None or made.sky.index.freqstr == "min"
    for table in (made.sky, *made.platforms.values()):
        assert table.index.equals(made.sky.index)
        assert table.notna().all().all()


def test_contact_minutes_lie_inside_the_refined_contacts(demo):
    _, made = demo
    minutes = made.sky.index[made.platforms["lander"]["in_contact"]].tz_localize(None).to_numpy()
    windows = contact_windows(made)
    inside = [
        ((windows[:, 0] <= m) & (m + np.timedelta64(60, "s") <= windows[:, 1])).any()
        for m in minutes.astype("datetime64[s]")
    ]
    assert len(minutes) > 10_000 and all(inside)


def test_a_relay_is_in_contact_when_its_receiver_is(demo):
    _, made = demo
    assert made.platforms["rover"]["in_contact"].equals(made.platforms["lander"]["in_contact"])
    assert (made.platforms["rover"]["rate_kbps"] == 200.0).all()


def test_heater_follows_the_ground(demo):
    _, made = demo
    cold = made.sky["surface_temperature_k"] < 180.0
    load = made.platforms["lander"]["base_load_w"]
    assert cold.any() and (load[cold] == 60.0).all() and (load[~cold] == 46.0).all()


def test_no_light_no_power(demo):
    _, made = demo
    dark = made.sky["sun_visible_fraction"] == 0
    assert dark.any()
    for table in made.platforms.values():
        assert (table["generation_w"][dark] == 0).all()
        assert (table["generation_w"] >= 0).all()


@pytest.mark.parametrize("year", [1989, 2061])
def test_span_outside_the_kernels_is_told(demo, year):
    scenario, _ = demo
    raw = scenario.model_dump()
    raw["site"]["skyline"] = "flat"
    raw["span"]["start_utc"] = f"{year}-03-01T00:00:00Z"
    raw["span"]["end_utc"] = f"{year}-03-02T00:00:00Z"
    for radio in (p["radio"] for p in raw["platform"]):
        radio |= {k: v for k, v in radio.items() if v is not None}
    with pytest.raises(EphemerisError, match="the kernels cover"):
        environment(scenario_from(raw))
