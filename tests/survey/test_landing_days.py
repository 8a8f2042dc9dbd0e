"""Lunar days to land on: the figures against the sky and the environment, rank and words."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from tools.models import in_degrees
from tools.small import landing_table

import obsplan.survey.landing_days as landing_days_module
from obsplan.cli.main import main
from obsplan.common.csv_file import csv_text
from obsplan.common.errors import EphemerisError, ObsplanError, ScenarioError
from obsplan.common.intervals import intersect
from obsplan.environment.build import contact_windows, make_environment
from obsplan.environment.site_skyline import site_profile
from obsplan.ephemeris import open_ephemeris
from obsplan.inputs.read_scenario import scenario_from
from obsplan.inputs.sites_csv import Place
from obsplan.physics import earth_station, sky
from obsplan.physics.skyline import FLAT
from obsplan.reporting.figures.landing_days import days_figure
from obsplan.reporting.figures.save import save_figure
from obsplan.survey.day_columns import DAY_COLUMNS
from obsplan.survey.landing_days import (
    Planner,
    _off_target,
    landing_days,
    most_tolerant_days,
    range_seconds,
    site_rows,
)
from obsplan.survey.lunar_days import instants, lunar_days, range_of
from obsplan.survey.ranking import Argument, Notes, for_and_against, ranked, standing
from obsplan.survey.site_course import place_of, site_courses
from obsplan.survey.tolerances import least_difference

FIRST = datetime(2028, 6, 20, tzinfo=UTC)
LAST = datetime(2028, 9, 10, tzinfo=UTC)


SCENARIO = scenario_from(landing_table())


@pytest.fixture(scope="module")
def choice():
    return landing_days(SCENARIO, FIRST, LAST, late_h=24.0, offset_km=20.0)


@pytest.fixture(scope="module")
def first_stay(choice):
    """The environment of the first day's stay, by the minute."""
    row = choice.table.iloc[0]
    ends = (int(row[c].timestamp()) for c in ("landing_opens_utc", "last_light_utc"))
    moved = Planner(SCENARIO, 0.01).scenario_at(place_of(SCENARIO), *ends)
    # A step longer than needed, since the span is cut to whole steps.
    after = (row["last_light_utc"] + pd.Timedelta(hours=2)).floor("h").to_pydatetime()
    span = moved.span.model_copy(update={"end_utc": after})
    return row, make_environment(moved.model_copy(update={"span": span}))


def test_every_lunar_day_of_the_range_has_a_row(choice):
    table = choice.table
    assert list(table) == DAY_COLUMNS
    assert np.diff(table["lunar_day"].to_numpy(dtype=int)).tolist() == [1] * (len(table) - 1)
    noons = table["first_light_utc"] + (table["last_light_utc"] - table["first_light_utc"]) / 2
    assert (noons > FIRST).all() and (noons < LAST).all()
    assert sorted(table["rank"]) == [1, 2, 3]


def test_first_and_last_light_and_eclipses_are_those_of_the_sky(choice):
    ends = [
        np.datetime64(t.replace(tzinfo=None))
        for t in (FIRST - timedelta(days=15), LAST + timedelta(days=15))
    ]
    events = sky.sun_events(open_ephemeris(), *ends, *SCENARIO.site.place, FLAT)
    times = {name: [t for event, t in events if event == name] for name, _ in events}
    for row in choice.table.itertuples(index=False):
        assert np.datetime64(row.first_light_utc.tz_localize(None), "s") in times["first light"]
        assert np.datetime64(row.last_light_utc.tz_localize(None), "s") in times["last light"]
    minutes = sum(
        (end - start) / np.timedelta64(1, "m")
        for start, end in zip(times["eclipse begins"], times["eclipse ends"])
    )
    assert choice.table["eclipse_min"].sum() == pytest.approx(minutes, abs=0.05)  # 1 s each end
    assert minutes > 100


def test_the_stay_is_that_of_the_environment(first_stay):
    row, offered = first_stay
    within = offered.sky.loc[: row["last_light_utc"]]
    ends = [
        np.datetime64(row[c].tz_localize(None), "s")
        for c in ("landing_opens_utc", "last_light_utc")
    ]
    heard = intersect(contact_windows(offered), np.array([ends]))
    heard_h = np.ptp(heard, axis=1).sum().astype(float) / 3600
    assert row["contact_h"] == pytest.approx(heard_h, abs=0.02)  # the span's first minute
    earth_deg = within["earth_elevation_deg"]
    assert row["earth_elevation_min_deg"] == pytest.approx(earth_deg.min(), abs=0.01)
    assert row["earth_elevation_max_deg"] == pytest.approx(earth_deg.max(), abs=0.01)
    assert row["sun_elevation_deg"] == pytest.approx(within["sun_elevation_deg"].iloc[0], abs=0.02)
    # Steps of an hour against 15 min: 1 K at the noon extreme.
    assert row["surface_max_k"] == pytest.approx(within["surface_temperature_k"].max(), abs=1.0)
    # Sums of ten-minute scans against sums of minutes.
    lost_h = (
        1 - within["sun_visible_fraction"].loc["2028-07-06T10:00Z":"2028-07-06T23:00Z"]
    ).sum() / 60
    assert row["sunlight_lost_h"] == pytest.approx(lost_h, abs=0.02)
    table = offered.platforms["lander"].loc[: row["last_light_utc"]]
    net_wh = (table["generation_w"] - table["base_load_w"]).sum() / 60
    stored_wh = (0.8 - 0.2) * 1000
    assert row["energy_supply_wh"] == pytest.approx(net_wh + stored_wh, rel=0.005)
    # The fastest station at a time: here both have one rate.
    link_mbit = row["contact_h"] * 3600 * 20 / 1000
    assert row["link_supply_mbit"] == pytest.approx(link_mbit, rel=1e-6)


def test_coldest_ground_of_a_day_is_that_of_fifteen_minute_steps(first_stay):
    row, offered = first_stay
    stay = offered.sky.loc[row["landing_opens_utc"] : row["last_light_utc"]]
    assert row["surface_min_k"] == pytest.approx(stay["surface_temperature_k"].min(), abs=1.0)


def test_what_is_asked_counts_runs_and_their_sending(choice):
    row = choice.table.iloc[0]
    assert row["link_requested_mbit"] == 90.0
    # Three runs of two hours at 20 W; 90 Mbit at 20 kbit/s take 1.25 h at 10 W.
    assert row["energy_requested_wh"] == pytest.approx(3 * 2 * 20 + 1.25 * 10)
    assert row["energy_share"] == pytest.approx(
        row["energy_supply_wh"] / row["energy_requested_wh"]
    )


@pytest.mark.parametrize("stations", [1, 2])
def test_inside_the_landing_window_all_that_a_landing_asks_holds(stations):
    asked = {"sun_elevation_deg": [4.0, 9.0], "earth_elevation_min_deg": 35.0, "stations": stations}
    scenario = scenario_from(landing_table(**asked))
    choice = landing_days(scenario, FIRST, FIRST + timedelta(days=30))
    windows = choice.windows[choice.windows["window"] == "landing"]
    minutes = pd.date_range(choice.table["first_light_utc"][0], periods=5 * 1440, freq="min")
    times = minutes.tz_localize(None).to_numpy().astype("datetime64[s]")
    inside = np.zeros(len(times), dtype=bool)
    for start, end in zip(windows["start_utc"], windows["end_utc"]):
        inside |= (minutes >= start) & (minutes < end)
    sun_km, earth_km, scale = sky.sun_and_earth_km(open_ephemeris(), times)
    sun_deg = sky.elevation_azimuth_range(sun_km, *scenario.site.place)[0]
    earth_deg = sky.elevation_azimuth_range(earth_km, *scenario.site.place, scale)[0]
    heard = np.zeros(len(times), dtype=int)
    for station in scenario.station:
        seen = earth_station.station_view(
            open_ephemeris(),
            times,
            *scenario.site.place,
            station.latitude_deg,
            station.longitude_deg,
            0.0,
        )
        heard += (
            (seen.station_elevation_deg > 10.0)
            & (seen.sun_separation_deg > 2.0)
            & (seen.site_elevation_deg > 0.0)
        )
    holds = (sun_deg > 4) & (sun_deg < 9) & (earth_deg > 35) & (heard >= stations)
    # A minute at each end of a window may be cut.
    assert (holds != inside).sum() <= 2 * len(windows)
    assert inside.any()


def test_lunar_days_go_from_midnight_to_midnight():
    ends = range_seconds(FIRST, LAST)
    shared = range_of(*ends, SCENARIO.station, None)
    for longitude_deg in (-180.0, -90.0, 0.0, 20.0, 179.9, 340.0):
        numbered = lunar_days(shared, longitude_deg, *ends)
        local = sky.local_time_h(shared.track(instants(numbered[:, 1:].ravel()))[0], longitude_deg)
        hours = local.reshape(-1, 3)
        # Between scans the number runs on linearly: a second or so.
        assert (np.abs((hours[:, [0, 2]] + 12) % 24 - 12) < 1e-3).all()
        assert (np.abs(hours[:, 1] - 12) < 1e-3).all()
        assert (numbered[1:, 1] == numbered[:-1, 3]).all()


def test_late_or_off_loses_light_and_contact(choice):
    losses = choice.losses
    assert set(losses["case"]) == {
        "window closes",
        "24 h late",
        "20 km north",
        "20 km east",
        "20 km south",
        "20 km west",
    }
    late = losses[losses["case"] == "24 h late"]
    eclipse = choice.table["eclipse_min"].to_numpy() > 0
    assert late["daylight_remaining_h_change"].to_numpy() == pytest.approx(-24.0, abs=1e-6)
    assert (late["contact_h_change"] < 0).all() and eclipse.any()
    # 20 km along the parallel of 40 deg are 0.86 deg, 1.7 h of the Sun's way.
    shift_h = np.degrees(20 / 1737.4 / np.cos(np.radians(40))) / 360 * 708.7
    for side, sign in (("east", -1), ("west", 1)):
        moved = losses[losses["case"] == f"20 km {side}"]
        # Lunations differ in length by 1 %.
        assert moved["daylight_remaining_h_change"].to_numpy() == pytest.approx(
            sign * shift_h, rel=0.03
        )
    [number, *_], kept = most_tolerant_days(choice)
    worst = losses.groupby("lunar_day")["useful_light_h"].min()
    wished = choice.table.set_index("lunar_day")["useful_light_h"]
    assert kept == pytest.approx((worst / wished).max())
    assert (worst / wished)[number] >= kept - 0.01


@given(
    st.sampled_from([-90.0, 90.0]) | st.floats(-90.0, 90.0),
    st.sampled_from([179.99, 360.0]) | st.floats(-180.0, 360.0),
)
def test_a_place_off_is_as_far_as_asked_to_each_side(latitude_deg, longitude_deg):
    home = Place("here", latitude_deg, longitude_deg, 2600.0)

    def outward(place):
        latitude, longitude = np.radians([place.latitude_deg, place.longitude_deg])
        return np.array(
            [
                np.cos(latitude) * np.cos(longitude),
                np.cos(latitude) * np.sin(longitude),
                np.sin(latitude),
            ]
        )

    moved = [outward(place) for place in _off_target(home, 20.0).values()]
    assert all(-180 <= place.longitude_deg < 180 for place in _off_target(home, 20.0).values())
    arc = 20.0 / (1737.4 + 2.6)
    for side, opposite in zip(moved, moved[2:] + moved[:2]):
        # To a centimetre: rounding of double precision is far below.
        assert np.linalg.norm(side - outward(home)) == pytest.approx(2 * np.sin(arc / 2), abs=5e-9)
        assert np.linalg.norm(side - opposite) == pytest.approx(2 * np.sin(arc), abs=5e-9)


@pytest.mark.parametrize(("latitude_deg", "longitude_deg"), [(89.8, 0.0), (85.0, 179.9)])
def test_off_across_a_pole_or_the_far_meridian_is_the_same_stay(latitude_deg, longitude_deg):
    table = landing_table(sun_elevation_deg=[0.2, 3.0])
    table["site"] |= {"latitude_deg": latitude_deg, "longitude_deg": longitude_deg}
    first, last = (datetime(2028, month, 1, tzinfo=UTC) for month in (2, 10))
    choice = landing_days(scenario_from(table), first, last, offset_km=20.0)
    rows = choice.table.dropna(subset="landing_opens_utc").set_index("lunar_day")
    off = choice.losses.join(rows["landing_opens_utc"], on="lunar_day")
    assert len(off) == 4 * len(rows) > 0
    # 20 km are 0.66 deg of arc: the Sun stands that much higher or lower at the same instant.
    wished_deg = rows["sun_elevation_deg"].reindex(off["lunar_day"]).to_numpy()
    assert np.abs(off["sun_elevation_deg"] - wished_deg).max() < 0.67
    assert (off["touchdown_utc"] == off["landing_opens_utc"]).all()
    # The Earth stands as much higher or lower: contact comes and goes with its libration,
    # and so does light at 85 deg, where 20 km are 15 h; at the pole the Sun grazes for days.
    assert off["contact_h_change"].abs().max() < 20
    if latitude_deg == 85.0:
        assert off["daylight_remaining_h_change"].abs().max() < 20


def test_places_off_target_stand_on_the_ground_of_the_elevation_model(tmp_path, monkeypatch):
    def slope(latitude, longitude):
        return 9000 * (latitude - 40.0) + 300 * np.sin(longitude * 40)

    path = in_degrees(tmp_path / "slope.tif", slope, (40.0, 20.0), 0.004, 301)
    table = landing_table()
    ground_m = float(slope(40.0, 20.0))
    table["site"] |= {"latitude_deg": 40.0, "longitude_deg": 20.0, "height_m": ground_m}
    table["site"] |= {"skyline": str(path)}
    scenario, seen = scenario_from(table), {}

    def courses(scenario, places, *rest):
        if len(places) > 1:
            seen.update(places=places, profiles=rest[-1])
        return site_courses(scenario, places, *rest)

    monkeypatch.setattr(landing_days_module, "site_courses", courses)
    choice = landing_days(scenario, FIRST, LAST, offset_km=5.0)
    assert len(choice.losses) > 0
    home, north, _, south, _ = seen["places"]
    # 5 km of latitude are 0.165 deg, up and down the slope.
    assert north.height_m - home.height_m == pytest.approx(9000 * 0.165, abs=5)
    assert south.height_m - home.height_m == pytest.approx(-9000 * 0.165, abs=5)
    assert not np.array_equal(seen["profiles"][0], seen["profiles"][1])
    # So a plan can be made there: the scenario agrees with the model.
    stay = datetime(2028, 7, 5, tzinfo=UTC).timestamp()
    there = Planner(scenario, 0.01).scenario_at(north, int(stay), int(stay) + 7 * 86400)
    assert np.array_equal(site_profile(there), seen["profiles"][1])


def test_a_contact_counts_once_the_station_is_set_up(choice):
    table = landing_table()
    table["station"] = [station | {"set_up_min": 240} for station in table["station"]]
    late = landing_days(scenario_from(table), FIRST, LAST)
    environ = choice.windows[choice.windows["window"] == "contact"]
    shorter = late.windows[late.windows["window"] == "contact"]
    assert shorter["end_utc"].isin(environ["end_utc"]).all()
    assert (late.table["contact_h"] < choice.table["contact_h"]).all()
    contact = shorter[["start_utc", "end_utc"]]
    for opens in late.table["landing_opens_utc"]:
        assert ((contact["start_utc"] <= opens) & (opens < contact["end_utc"])).any()


def test_plan_fills_in_value_and_bound_and_ranks_by_value():
    table = landing_table()
    table["activity"][0]["coverage"] = {"over": "sun_elevation_deg", "edges": [5, 30, 49.3, 60]}
    choice = landing_days(scenario_from(table), FIRST, FIRST + timedelta(days=60), planned=True)
    assert (choice.table["value"] <= choice.table["bound"] + 1e-9).all()
    by_rank = choice.table.sort_values("rank")
    assert by_rank["value"].is_monotonic_decreasing
    assert choice.table["value"].max() > 0


def test_a_day_that_cannot_be_planned_says_why():
    table = landing_table()
    table["activity"][0] |= {"must": 1, "when": {"sun_elevation_deg": [80, 90]}}
    choice = landing_days(scenario_from(table), FIRST, FIRST + timedelta(days=30), planned=True)
    assert choice.table["value"].isna().all() and choice.table["rank"].isna().all()
    assert choice.table["notes"].str.contains("no plan: .*sweep").all()


def test_a_moved_scenario_keeps_its_end_after_last_light_and_moves_its_instants():
    table = landing_table()
    table["uplink"] = {"lead_min": 30, "loaded_until_utc": "2028-06-30T12:00:00Z"}
    scenario = scenario_from(table)
    planner = Planner(scenario, 0.01)
    touchdown_s, last_s = 1_900_000_030, 1_901_000_000
    moved = planner.scenario_at(place_of(scenario)._replace(latitude_deg=41.0), touchdown_s, last_s)
    assert moved.site.latitude_deg == 41.0
    assert moved.span.start_utc.timestamp() == 1_900_000_080 - 1_900_000_080 % 60
    assert moved.uplink.loaded_until_utc - moved.span.start_utc == timedelta(hours=12)
    assert moved.span.end_utc.timestamp() == (last_s + planner.after_light_s) // 60 * 60


def test_every_figure_of_a_day_has_its_column():
    [course] = site_courses(SCENARIO, [place_of(SCENARIO)], *range_seconds(FIRST, LAST))
    for found in site_rows(SCENARIO, course):
        assert set(found) == set(DAY_COLUMNS)


# --- rank and words


def row(**changes) -> dict:
    figures_of = {
        "lunar_day": 350,
        "landing_opens_utc": pd.Timestamp("2028-01-01", tz="UTC"),
        "landing_h": 20.0,
        "landing_windows": 1,
        "daylight_remaining_h": 300.0,
        "contact_h": 250.0,
        "longest_gap_h": 5.0,
        "earth_hidden_h": 0.0,
        "eclipse_min": 0.0,
        "sunlight_lost_h": 0.0,
        "surface_max_k": 300.0,
        "energy_share": 1.2,
        "link_share": 1.1,
        "energy_platform": "lander",
        "useful_light_h": 300.0,
        "value": np.nan,
    }
    return figures_of | changes


def days_at(*rows: dict) -> pd.DataFrame:
    """Rows of days, a day apart, each with these figures."""
    opens = pd.date_range("2028-01-01", periods=len(rows), tz="UTC")
    table = pd.DataFrame([row(landing_opens_utc=at) | new for at, new in zip(opens, rows)])
    return table.assign(landing_opens_utc=pd.to_datetime(table["landing_opens_utc"], utc=True))


def test_days_whose_figures_differ_by_less_than_matters_share_a_rank():
    table = ranked(
        days_at(
            {"useful_light_h": 200.0},
            {"useful_light_h": 300.0, "contact_h": 250.0},
            {"useful_light_h": 301.0, "contact_h": 249.0},
            {"useful_light_h": 296.0},
            {"useful_light_h": np.nan, "landing_opens_utc": pd.NaT},
        ),
        False,
    )
    assert table["rank"].tolist()[:4] == [4, 1, 1, 3] and pd.isna(table["rank"][4])
    worth = "useful_light_h"
    assert table["decided_by"].tolist() == [worth, "", "", worth, ""]
    assert "equal to the one before: useful light, contact" in standing(table.iloc[2])
    assert standing(table.iloc[3]) == ""


@pytest.mark.parametrize(
    ("better", "figure"),
    [
        ({"contact_h": 258.0}, "contact_h"),
        ({"landing_h": 28.0}, "landing_h"),
        ({"link_share": 1.2}, "margin"),
    ],
)
def test_equal_days_go_by_contact_then_window_then_margin(better, figure):
    # A little more useful light, and more of all that counts later, does not help.
    later = {"useful_light_h": 302.0}
    for name in ("landing_h", "link_share"):
        if name not in better and figure == "contact_h":
            later |= {"landing_h": 40.0, "link_share": 2.0}
    table = ranked(days_at(later, better), False)
    assert table["rank"].tolist() == [2, 1]
    assert table["decided_by"].tolist() == [figure, ""]
    assert "equal useful light, less" in standing(table.iloc[0])


FIGURES = st.tuples(st.booleans(), *[st.floats(0.0, 400.0)] * 3, st.floats(0.0, 2.0))


@given(st.lists(FIGURES, min_size=1, max_size=9), st.booleans())
def test_no_day_ranks_behind_one_that_is_worth_less_by_what_matters(rows, planned):
    table = days_at(
        *(
            {
                "value": worth if planned and lands else np.nan,
                "useful_light_h": worth if lands else np.nan,
                "contact_h": contact_h,
                "landing_h": landing_h,
                "energy_share": share,
            }
            | ({} if lands else {"landing_opens_utc": pd.NaT})
            for lands, worth, contact_h, landing_h, share in rows
        )
    )
    table = ranked(table, planned)
    assert (table["rank"].notna() == [lands for lands, *_ in rows]).all()
    order = table.dropna(subset="rank").sort_values("rank", kind="stable")
    places = order["rank"].to_numpy(dtype=int)
    assert all(place == 1 + (places < place).sum() for place in places)
    assert (order["decided_by"].to_numpy() != "").tolist() == [
        k > 0 and place > places[k - 1] for k, place in enumerate(places)
    ]
    worth = order["value" if planned else "useful_light_h"].to_numpy(dtype=float)
    for k, mine in enumerate(worth):
        # Rounded to six decimals before they are compared.
        room = least_difference("value" if planned else "useful_light_h", worth.max()) + 1e-6
        assert worth[k + 1 :].max(initial=0.0) <= mine + room


def test_words_name_what_differs_from_the_median_day():
    table = pd.DataFrame(
        [
            row(),
            row(),
            row(daylight_remaining_h=320.0),
            row(eclipse_min=200.0, sunlight_lost_h=2.5, longest_gap_h=9.0, energy_share=0.7),
            row(landing_opens_utc=pd.NaT),
        ]
    )
    notes = for_and_against(table)
    words = [str(said) for said in notes]
    assert words[0] == "for: energy covers all requests, downlink covers all requests, no eclipse"
    assert "20 h more daylight than the median day" in words[2]
    assert "20 h more daylight" in notes[2].short_lines[0]
    assert "median day" not in notes[2].short_lines[0]
    against = ", ".join(map(str, notes[3].cons))
    assert "energy covers 70 % (lander)" in notes[3].short_lines[1]
    for said in (
        "eclipse of 200 min blocks 2.5 h",
        "contact gap 9.0 h",
        "energy covers 70 %",
        "lander",
    ):
        assert said in against
    assert words[4] == ""


def test_a_gap_or_a_hidden_earth_of_less_than_an_hour_is_no_argument():
    table = pd.DataFrame(
        [*[row(longest_gap_h=0.1)] * 2, row(longest_gap_h=0.4, earth_hidden_h=0.4)]
    )
    assert not for_and_against(table)[2].cons
    table = pd.DataFrame(
        [*[row(longest_gap_h=0.1)] * 2, row(longest_gap_h=2.0, earth_hidden_h=1.9)]
    )
    assert [str(con) for con in for_and_against(table)[2].cons] == [
        "Earth below the skyline for 2 h",
        "longest contact gap 2.0 h",
    ]


def test_a_landing_window_in_parts_is_told_with_all_of_them():
    table = pd.DataFrame([row(), row(), row(landing_h=9.4, landing_windows=2)])
    [con] = for_and_against(table)[2].cons
    assert str(con) == "landing window open only 9.4 h in 2 parts"


def test_an_eclipse_that_takes_no_light_worth_a_digit_does_not_speak_against_a_day():
    grazed = row(eclipse_min=80.0, sunlight_lost_h=0.04)
    notes = for_and_against(pd.DataFrame([row(), row(), grazed]))[2]
    assert Argument("eclipse blocks hardly any sunlight") in notes.pros and not notes.cons


# --- bad input, and the command


def test_an_empty_range_and_one_without_noon_are_refused():
    with pytest.raises(ObsplanError, match="its end must come after its start"):
        landing_days(SCENARIO, LAST, FIRST)
    with pytest.raises(ObsplanError, match="no local noon .* 29.5 days"):
        landing_days(SCENARIO, FIRST, FIRST + timedelta(days=1))


@pytest.mark.parametrize("year", [1990, 2049])
def test_a_range_outside_the_kernels_is_refused_with_what_it_needs(year):
    first = datetime(year, 1, 1, tzinfo=UTC)
    with pytest.raises(EphemerisError, match="--ephemeris DIR\n.*two years and two months before"):
        landing_days(SCENARIO, first, first + timedelta(days=720))


@pytest.mark.parametrize(
    ("landing", "words"),
    [
        ({"stations": 3}, "landing.stations"),
        ({"sun_elevation_deg": [12.0, 6.0]}, "low <= high"),
        ({"sun_elevation": [6.0, 12.0]}, "did you mean 'sun_elevation_deg'"),
    ],
)
def test_bad_landing_rules_are_named(landing, words):
    with pytest.raises(ScenarioError, match=words):
        scenario_from(landing_table(**landing))


def test_figure_is_drawn_with_and_without_plans(choice, tmp_path):
    save_figure(days_figure(SCENARIO, choice), tmp_path / "days.png")
    first = (tmp_path / "days.png").read_bytes()
    save_figure(days_figure(SCENARIO, choice), tmp_path / "days.png")
    assert (tmp_path / "days.png").read_bytes() == first
    words = [text.get_text() for text in days_figure(SCENARIO, choice).texts]
    best = choice.table.set_index("rank").loc[1]
    assert any(f"lunar day {best['lunar_day']}" in text for text in words)
    planned = choice.table.assign(value=[3.0, 2.0, np.nan], bound=[4.0, 4.0, np.nan])
    days_figure(SCENARIO, replace(choice, table=ranked(planned, True)))


def test_the_figure_tells_equal_days_and_windows_in_parts_beside_its_axes(choice):
    same = {"useful_light_h": 300.0, "contact_h": 250.0, "landing_h": 20.0}
    shares = {"energy_share": 1.0, "link_share": 1.0}
    level = choice.table.assign(landing_windows=2, **same, **shares)
    figure = days_figure(SCENARIO, replace(choice, table=ranked(level, False)))
    figure.set_dpi(160)  # as saved
    figure.canvas.draw()
    axes, worth = figure.axes[:2]
    assert [text.get_text() for text in worth.texts].count("1=") == 3
    assert any("equal to the one before" in text.get_text() for text in figure.texts)
    landings = [text for text in axes.texts if "land  " in text.get_text()]
    assert len(landings) == 3
    for text in landings:
        assert "h in 2 parts)" in text.get_text()
        assert text.get_window_extent().x1 < axes.get_window_extent().x0


def test_height_of_the_figure_follows_its_days_and_nothing_leaves_the_page(choice):
    heights_in = []
    for count in (1, 3):
        table = ranked(choice.table.head(count), False)
        notes = (Notes(pros=(Argument("light " * 20 + "and no eclipse"),)),) * count
        figure = days_figure(SCENARIO, replace(choice, table=table, notes=notes))
        figure.set_dpi(160)  # as saved: hinting widens letters by other shares
        figure.canvas.draw()
        heights_in.append(figure.get_figheight())
        page = figure.bbox
        texts = [*figure.texts, *(text for ax in figure.axes for text in ax.texts)]
        boxes = [text.get_window_extent() for text in texts]
        assert all(box.y0 >= 0 and box.y1 <= page.y1 and box.x1 <= page.x1 for box in boxes)
        # One side alone has both lines for its reasons.
        assert sum("and no eclipse" in text.get_text() for text in texts) >= count
        heading = min(box.y0 for text, box in zip(texts, boxes) if text.get_va() == "top")
        assert figure.axes[0].get_window_extent().y1 < heading
    assert heights_in[1] - heights_in[0] == pytest.approx(2 * 0.5) and heights_in[1] < 8.27 / 2


def test_command_writes_table_windows_losses_and_picture(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    from tools.small import SMALL

    (tmp_path / "small.toml").write_text(SMALL)
    common = ["days", "small.toml", "--from", "2028-06-20", "--to", "2028-07-20"]
    made = CliRunner().invoke(main, [*common, "--late", "1d", "-o", "out"])
    assert made.exit_code == 0, made.output
    assert {p.name for p in (tmp_path / "out").iterdir()} == {
        "days.csv",
        "windows.csv",
        "losses.csv",
        "days.png",
        "SHA256SUMS",
    }
    assert (
        "most tolerant of a late or off-target landing" in made.stdout
        and "1. lunar day 352" in made.stdout
    )
    again = CliRunner().invoke(main, [*common, "-o", "out"])
    assert again.exit_code == 0 and not (tmp_path / "out" / "losses.csv").exists()
    for arguments, words in (
        (["--from", "2028-06-20", "--to", "2028-06-20"], "is empty"),
        (["--from", "soon", "--to", "2028-07-20"], "not a date"),
        (["--from", "2028-06-20", "--to", "2028-07-20", "--late", "1 week"], "like 24h"),
    ):
        refused = CliRunner().invoke(main, ["days", "small.toml", *arguments, "-o", "other"])
        assert refused.exit_code == 2 and words in refused.stderr
        assert not (tmp_path / "other").exists()


def test_days_never_replace_a_table_that_a_hand_changed_and_say_so_before_the_work(
    tmp_path, monkeypatch
):
    from tools.small import SMALL

    monkeypatch.chdir(tmp_path)
    (tmp_path / "small.toml").write_text(SMALL)
    common = ["days", "small.toml", "--from", "2028-06-20", "--to", "2028-07-20", "-o", "out"]
    assert CliRunner().invoke(main, common).exit_code == 0
    (tmp_path / "out" / "days.csv").write_text("edited by hand")
    monkeypatch.setattr(
        "obsplan.survey.landing_days.landing_days", lambda *_, **__: pytest.fail("works in vain")
    )
    refused = CliRunner().invoke(main, common)
    assert refused.exit_code == 2 and "out: days.csv: changed or added by hand" in refused.stderr
    assert (tmp_path / "out" / "days.csv").read_text() == "edited by hand"


def test_the_same_range_gives_the_same_bytes(choice):
    again = landing_days(SCENARIO, FIRST, LAST, late_h=24.0, offset_km=20.0)
    assert csv_text(again.table) == csv_text(choice.table)
    assert csv_text(again.losses) == csv_text(choice.losses)
