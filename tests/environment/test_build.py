"""The tables that physics leaves: every minute, named columns, contacts by the second."""

from datetime import datetime

import astronomy
import numpy as np
import pandas as pd
import pytest

from obsplan.common.errors import EphemerisError, ScenarioError
from obsplan.environment.build import contact_windows, make_environment
from obsplan.environment.model import span_ends
from obsplan.inputs.read_scenario import scenario_from

SKY_COLUMNS = [
    "sun_elevation_deg",
    "sun_azimuth_deg",
    "sun_visible_fraction",
    "irradiance_w_m2",
    "local_time_h",
    "earth_elevation_deg",
    "earth_azimuth_deg",
    "earth_range_km",
    "earth_phase_deg",
    "in_magnetotail",
    "in_terrain_shadow",
    "surface_temperature_k",
    "temperature_10cm_k",
    "temperature_40cm_k",
]


def test_one_row_for_every_minute_of_the_span(demo):
    made = demo
    scenario = demo.scenario
    first, last = span_ends(scenario)
    assert list(made.sky.columns) == SKY_COLUMNS
    assert len(made.sky) == (last - first) / np.timedelta64(1, "m")
    assert made.sky.index[0] == pd.Timestamp(scenario.span.start_utc)
    assert made.sky.index.freq is None or made.sky.index.freqstr == "min"
    for table in (made.sky, *made.platforms.values()):
        assert table.index.equals(made.sky.index)
        assert table.notna().all().all()


def test_contact_minutes_lie_inside_the_refined_contacts(demo):
    made = demo
    _ = demo.scenario
    minutes = made.sky.index[made.platforms["lander"]["in_contact"]].tz_localize(None).to_numpy()
    windows = contact_windows(made)
    inside = [
        ((windows[:, 0] <= m) & (m + np.timedelta64(60, "s") <= windows[:, 1])).any()
        for m in minutes.astype("datetime64[s]")
    ]
    assert len(minutes) > 10_000 and all(inside)


def test_a_relay_is_in_contact_when_its_receiver_is(demo):
    made = demo
    _ = demo.scenario
    assert made.platforms["rover"]["in_contact"].equals(made.platforms["lander"]["in_contact"])
    assert (made.platforms["rover"]["rate_kbps"] == 200.0).all()


def test_heater_follows_the_ground(demo):
    made = demo
    _ = demo.scenario
    cold = made.sky["surface_temperature_k"] < 180.0
    load = made.platforms["lander"]["base_load_w"]
    assert cold.any() and (load[cold] == 60.0).all() and (load[~cold] == 46.0).all()


def test_no_light_no_power(demo):
    made = demo
    _ = demo.scenario
    dark = made.sky["sun_visible_fraction"] == 0
    assert dark.any()
    for table in made.platforms.values():
        assert (table["generation_w"][dark] == 0).all()
        assert (table["generation_w"] >= 0).all()


def with_site(scenario, **changes):
    return scenario.model_copy(update={"site": scenario.site.model_copy(update=changes)})


def test_slope_uncertainty_gives_a_band_that_holds_every_tilt(demo):
    scenario = short_demo(demo, "2028-07-04T00:00Z", "2028-07-04T06:00Z")
    assert "surface_temperature_low_k" not in make_environment(scenario).sky
    banded = make_environment(with_site(scenario, slope_uncertainty_deg=5.0)).sky
    low, high = banded["surface_temperature_low_k"], banded["surface_temperature_high_k"]
    assert (low < banded["surface_temperature_k"]).all()
    assert (banded["surface_temperature_k"] < high).all()
    # Downhill to the south by 2 deg, the Sun in the south-east: 7 deg is warmer, -3 deg colder.
    for slope_deg, aspect_deg in ((7.0, 180.0), (3.0, 0.0)):
        tilted = make_environment(
            with_site(scenario, slope_deg=slope_deg, aspect_deg=aspect_deg)
        ).sky
        # 0.1 K: sites solved together settle in as many passes as the slowest.
        assert (tilted["surface_temperature_k"] > low - 0.1).all()
        assert (tilted["surface_temperature_k"] < high + 0.1).all()
    assert (high - low).min() > 5.0


def test_magnetotail_is_some_five_days_around_full_moon(demo):
    made = demo
    inside = made.sky.index[made.sky["in_magnetotail"]]
    # The full Moon by an independent ephemeris.
    full = astronomy.SearchMoonPhase(180.0, astronomy.Time.Make(2028, 7, 1, 0, 0, 0.0), 15.0)
    middle = inside[0] + (inside[-1] - inside[0]) / 2
    assert abs(middle - pd.Timestamp(full.Utc(), tz="UTC")) < pd.Timedelta(hours=6)
    assert 4.0 < len(inside) / 1440 < 6.0
    none = short_demo(demo, "2028-07-06T12:00Z", "2028-07-07T00:00Z")
    assert make_environment(none).sky["in_magnetotail"].all()
    assert (
        not make_environment(with_site(none, magnetotail_limit_deg=0.0)).sky["in_magnetotail"].any()
    )


@pytest.mark.parametrize("year", [1989, 2061])
def test_span_outside_the_kernels_is_told(demo, year):
    _ = demo
    scenario = demo.scenario
    raw = scenario.model_dump()
    raw["site"]["skyline"] = "flat"
    raw["span"]["start_utc"] = f"{year}-03-01T00:00:00Z"
    raw["span"]["end_utc"] = f"{year}-03-02T00:00:00Z"
    for radio in (p["radio"] for p in raw["platform"]):
        radio |= {k: v for k, v in radio.items() if v is not None}
    with pytest.raises(EphemerisError, match="the kernels cover"):
        make_environment(scenario_from(raw))


def short_demo(demo, start_utc: str, end_utc: str, skyline="flat"):
    """The demo over another span, its skyline file sought where the test says."""
    _ = demo
    scenario = demo.scenario
    start, end = (datetime.fromisoformat(t) for t in (start_utc, end_utc))
    return scenario.model_copy(
        update={
            "span": scenario.span.model_copy(update={"start_utc": start, "end_utc": end}),
            "site": scenario.site.model_copy(update={"skyline": str(skyline)}),
        }
    )


@pytest.mark.parametrize(
    "start_utc, end_utc",
    [
        # The ground is warmed through the two years before, which the kernels lack.
        ("1991-12-10T00:00Z", "1991-12-11T00:00Z"),
        ("2049-12-31T00:00Z", "2050-01-20T00:00Z"),
    ],
)
def test_span_that_reaches_over_the_edge_of_the_kernels_is_told(demo, start_utc, end_utc):
    with pytest.raises(EphemerisError, match="the kernels cover"):
        make_environment(short_demo(demo, start_utc, end_utc))


def test_rest_of_a_step_at_the_end_is_left_out(demo):
    scenario = short_demo(demo, "2028-07-04T00:00Z", "2028-07-04T01:10Z")
    made = make_environment(scenario)
    assert len(made.sky) == 60
    assert made.sky.index[-1] == pd.Timestamp("2028-07-04T00:59Z")


def test_same_instant_has_the_same_sky_whatever_the_span(demo):
    whole = demo
    part = make_environment(
        short_demo(demo, "2028-07-04T00:00Z", "2028-07-04T02:00Z", skyline="skyline.csv")
    )
    same = whole.sky.loc[part.sky.index]
    for column in SKY_COLUMNS:
        # The past of the ground is sampled two days later: at other hours of the same light.
        tolerance = 0.2 if column.endswith("_k") else 1e-6
        off = np.abs(same[column].astype(float) - part.sky[column])
        assert off.max() <= tolerance, column
    for name, table in part.platforms.items():
        assert table["in_contact"].equals(whole.platforms[name]["in_contact"].loc[table.index])


@pytest.mark.parametrize(
    "content, complaint",
    [
        ("azimuth_deg,elevation_deg\n0,2\nninety,3\n", "ninety"),
        ("azimuth_deg,elevation_deg\n", ""),
        ("", ""),
        ("azimuth_deg,elevation_deg\n0,95\n180,2\n", "95"),
    ],
)
def test_skyline_file_that_cannot_be_read_is_named(demo, tmp_path, content, complaint):
    path = tmp_path / "ridge.csv"
    path.write_text(content)
    scenario = short_demo(demo, "2028-07-04T00:00Z", "2028-07-04T01:00Z", skyline=path)
    with pytest.raises(ScenarioError) as caught:
        make_environment(scenario)
    assert "ridge.csv" in str(caught.value) and complaint in str(caught.value)


def test_folder_without_kernels_is_told(demo, tmp_path):
    with pytest.raises(EphemerisError, match=str(tmp_path)):
        make_environment(short_demo(demo, "2028-07-04T00:00Z", "2028-07-04T01:00Z"), tmp_path)


def test_contacts_are_rows_of_the_platforms_that_send_to_earth(demo):
    made = demo
    scenario = demo.scenario
    contacts = made.contacts
    assert set(contacts["platform"]) == {"lander"}
    assert set(contacts["station"]) <= {s.name for s in scenario.station}
    assert contacts["acquisition_utc"].is_monotonic_increasing
    assert (contacts["acquisition_utc"] < contacts["loss_utc"]).all()
    lasts = (contacts["loss_utc"] - contacts["acquisition_utc"]) / pd.Timedelta(minutes=1)
    assert contacts["duration_min"].to_numpy() == pytest.approx(lasts.to_numpy())
    lander = made.platforms["lander"]
    assert (lander["rate_kbps"] > 0).equals(lander["in_contact"])
    assert (lander["station"] == "").equals(~lander["in_contact"])
