"""Small scenarios with hand-made environments, and tiny problems, for the planning tests."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pandas as pd
from hypothesis import strategies as st

from obsplan.environment.model import Environment
from obsplan.environment.team_shifts import team_shifts
from obsplan.environment.unit_columns import HEATER_COLUMN, unit_columns
from obsplan.environment.user_windows import with_windows
from obsplan.inputs.goal import Goal
from obsplan.inputs.keep_out import KeepOut
from obsplan.inputs.margins import Margins
from obsplan.inputs.read_scenario import scenario_from
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.team import Team

START = pd.Timestamp("2028-07-01T00:00Z")
STATIONS = ["alpha", "beta"]

# A scenario as a file: its site, span, stations and lander, and what the lander does.
SHELF = """
title = "small"
[site]
name = "test shelf"
latitude_deg = 40.0
longitude_deg = 10.0
[span]
start_utc = 2028-07-05T00:00:00Z
end_utc = 2028-07-05T12:00:00Z
step_min = 30
[[station]]
name = "north"
latitude_deg = 40.0
longitude_deg = 0.0
[[station]]
name = "south"
latitude_deg = -30.0
longitude_deg = 140.0
[[platform]]
name = "lander"
kind = "lander"
idle_w = 20.0
bus_limit_w = 100.0
array = [{ area_m2 = 0.3, efficiency = 0.3 }]
battery = { capacity_wh = 200.0, reserve = 0.3 }
radio = { transmit_w = 20.0, rate_kbps = 100.0 }
store = { capacity_mbit = 1000.0 }
"""
SMALL = (
    SHELF
    + """[[instrument]]
name = "probe"
platform = "lander"
hazard = "laser"
[[activity]]
name = "sweep"
instrument = "probe"
duration_min = 40
power_w = 10.0
data_mbit = 5.0
count = 3
value = 2.0
"""
)


def small_elsewhere(latitude_deg, longitude_deg, height_m, skyline, days=0) -> str:
    """The file SMALL with its site elsewhere, and a span that is longer by some days."""
    site = f"latitude_deg = {latitude_deg}\nlongitude_deg = {longitude_deg}\n"
    site += f'height_m = {height_m}\nskyline = "{skyline}"\n'
    text = SMALL.replace("latitude_deg = 40.0\nlongitude_deg = 10.0\n", site, 1)
    return text.replace("end_utc = 2028-07-05T12", f"end_utc = 2028-07-{5 + days:02}T12", 1)


def platform(name: str = "lander", **changes) -> dict:
    """A platform that loses nothing on the way into and out of its battery."""
    battery = {
        "capacity_wh": 1000.0,
        "reserve": 0.2,
        "start": 0.8,
        "charge_efficiency": 1.0,
        "discharge_efficiency": 1.0,
    }
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


def scenario_table(
    *activities: dict, platforms=(platform(),), instruments=(), hours=24.0, step_min=15
) -> dict:
    """A scenario as parsed; activities without an instrument have one of their own name."""
    own = [
        {"name": a["name"], "platform": a.get("platform", "lander")}
        for a in activities
        if "instrument" not in a
    ]
    asked = [{k: v for k, v in a.items() if k != "platform"} for a in activities]
    return {
        "title": "small",
        "site": {"name": "plain", "latitude_deg": 10.0, "longitude_deg": 20.0},
        "span": {
            "start_utc": START.isoformat(),
            "end_utc": (START + pd.Timedelta(hours=hours)).isoformat(),
            "step_min": step_min,
        },
        "station": [
            {"name": name, "latitude_deg": 0.0, "longitude_deg": 90.0 * k}
            for k, name in enumerate(STATIONS)
        ],
        "platform": list(platforms),
        "instrument": own + list(instruments),
        "activity": [{"instrument": a["name"], "duration_min": 60} | a for a in asked],
    }


def scenario(*activities: dict, **parts) -> Scenario:
    return scenario_from(scenario_table(*activities, **parts))


def world(scene: Scenario, sky: dict | None = None, **columns) -> Environment:
    """An environment by the minute: a Sun that rises, contact all the time, no generation.

    `sky` replaces columns of the sky, `columns` those of every platform, or of one as
    `lander_rate_kbps`; each may be a number or one value a minute. Heaters of units are added to
    the base load; units with a table need their columns in `sky`.
    """
    minute = np.arange(scene.steps * scene.span.step_min)
    index = pd.date_range(START, periods=len(minute), freq="min", name="time_utc")
    sky_table = {
        "sun_elevation_deg": 5 + minute / 144,
        "sun_azimuth_deg": 90 + minute / 120,
        "sun_visible_fraction": 1.0,
        "irradiance_w_m2": 1361.0,
        "earth_elevation_deg": 30 - minute / 144,
        "earth_azimuth_deg": 180.0,
        "earth_range_km": 384_400.0,
        "earth_phase_deg": 60 + minute / 48,
        "in_magnetotail": minute >= 720,
        "surface_temperature_k": 200 + minute / 14.4,
        "temperature_30cm_k": 240 + minute / 144,
        "local_time_h": (20 + minute / 60) % 24,
    }
    sky_table = pd.DataFrame(sky_table | (sky or {}), index=index)
    platforms = {}
    for part in scene.platform:
        relays = part.radio.to != "earth"
        table = {
            "generation_w": 0.0,
            "base_load_w": part.idle_w,
            "rate_kbps": part.radio.rate_kbps or 0.0,
            "station": "" if relays else "alpha",
            "in_contact": True,
        }
        for key in table:
            table[key] = columns.get(f"{part.name}_{key}", columns.get(key, table[key]))
        units = unit_columns(part, sky_table)
        table["base_load_w"] = table["base_load_w"] + units.get(HEATER_COLUMN, 0.0)
        platforms[part.name] = pd.DataFrame(table | units, index=index)
    none = pd.DataFrame()
    return Environment(
        scene,
        sky_table,
        platforms,
        contacts=none,
        events=none,
        kernels={},
        shifts=team_shifts(scene),
    )


def slots(*rows: tuple[str, int]) -> pd.DataFrame:
    """Slots as (activity, minute of start)."""
    start_utc = START + pd.to_timedelta([minute for _, minute in rows], unit="min")
    return pd.DataFrame(
        {
            "slot": [f"s{k}" for k in range(1, len(rows) + 1)],
            "activity": [name for name, _ in rows],
            "start_utc": pd.DatetimeIndex(start_utc),
        }
    )


# --- random small scenarios

SHARES = st.sampled_from([0.0, 0.0, 0.05, 0.2])


def _pieces(draw, minutes: int, values, grid: int) -> np.ndarray:
    """A quantity that is level for a while, then jumps, on whole multiples of `grid`."""
    cells = -(-minutes // grid)
    turns = sorted(draw(st.lists(st.integers(1, max(1, cells - 1)), max_size=2)))
    levels = [draw(values) for _ in range(len(turns) + 1)]
    level = np.searchsorted(turns, np.arange(cells), side="right")
    return np.repeat(np.array(levels)[level], grid)[:minutes]


@st.composite
def cases(draw, hours=(2, 8), activities=(1, 4), level=False, lossless=False) -> Environment:
    """The environment of a scenario of a few hours with something of everything.

    With `level`, nothing changes within a step. With `lossless`, batteries lose nothing,
    stores are large and no two platforms share a station, so that it does not matter when
    within a step something is sent; and nothing is required and idling always possible.
    """
    step = draw(st.sampled_from([15, 30]))
    span_h = draw(st.integers(*hours))
    minutes = span_h * 60
    grid = step if level else 5
    lengths = st.integers(1, 90 // grid).map(lambda k: k * grid)
    watts = st.sampled_from([0.0, 4.0, 9.0, 15.0, 22.0])
    names = ["lander"] + draw(st.sampled_from([[], ["rover"]]))
    parts = [
        platform(
            name,
            kind="lander" if name == "lander" else "rover",
            bus_limit_w=draw(st.sampled_from([25.0, 40.0, 60.0])),
            one_at_a_time=draw(st.booleans()),
            battery={
                "capacity_wh": draw(st.sampled_from([20.0, 40.0, 80.0])),
                "reserve": draw(st.sampled_from([0.2, 0.4])),
                "start": draw(st.sampled_from([0.6, 0.8, 1.0])),
                "charge_efficiency": 1.0 if lossless else draw(st.sampled_from([0.8, 0.95])),
                "discharge_efficiency": 1.0 if lossless else draw(st.sampled_from([0.8, 0.95])),
            }
            | draw(
                st.sampled_from([{}, {"end": 0.5}, {} if lossless else {"charge_limit_w": 9.0}])
            ),
            radio={
                "to": "earth" if name == "lander" else draw(st.sampled_from(["earth", "lander"])),
                "transmit_w": draw(st.sampled_from([0.0, 3.0, 10.0])),
                "rate_kbps": draw(st.sampled_from([2.0, 5.0, 20.0])),
            },
            store={"capacity_mbit": draw(st.sampled_from([200.0] if lossless else [10.0, 25.0]))}
            | draw(st.sampled_from([{}, {"end_limit_mbit": 2.0}, {"start_mbit": 5.0}])),
        )
        for name in names
    ]
    asked = []
    for k in range(draw(st.integers(*activities))):
        count = draw(st.integers(1, 3))
        activity = {
            "name": f"a{k}",
            "platform": draw(st.sampled_from(names)),
            "duration_min": draw(lengths),
            "warm_up_min": draw(st.sampled_from([0, 0, grid])),
            "warm_up_w": draw(watts),
            "power_w": draw(watts),
            "data_mbit": draw(st.sampled_from([0.0, 2.0, 7.0, 15.0])),
            "count": count,
            "must": 0 if lossless else draw(st.sampled_from([0, 0, 0, 0, 0, 1])),
            "value": draw(st.sampled_from([1.0, 2.0, 5.0, 7.5])),
            "repeat_worth": draw(st.sampled_from([0.0, 0.5, 1.0])),
            "gap_min": draw(st.sampled_from([0, 0, 20, 60])),
            "contact": draw(st.sampled_from(["none", "none", "start", "whole"])),
            "quiet": draw(st.booleans()),
            "disturbs": draw(st.booleans()),
            "not_with": draw(st.sampled_from([[], [f"a{k - 1}"]])) if k else [],
        }
        if k and draw(st.booleans()):
            settle = draw(st.sampled_from([0, 10, 30]))
            activity["after"] = [{"activity": f"a{k - 1}", "settle_min": settle}]
            if draw(st.booleans()):
                yields = asked[k - 1]["data_mbit"] > 0
                activity["after"][0] |= {
                    "each": draw(st.booleans()),
                    "received": yields and draw(st.booleans()),
                    "decide_min": draw(st.sampled_from([0, 20, 60])),
                }
            if draw(st.integers(0, 3)) == 0:
                key, at = draw(st.sampled_from(["from_utc", "until_utc"])), minutes // 10 * 5
                activity["after"][0][key] = (START + pd.Timedelta(minutes=at)).isoformat()
        if draw(st.integers(0, 3)) == 0:
            activity["first_runs_in_contact"] = draw(st.integers(1, 2))
        if activity["data_mbit"] and draw(st.integers(0, 3)) == 0:
            activity["received_by_h"] = draw(st.sampled_from([0.25, 1.0, 3.0]))
        if draw(st.integers(0, 3)) == 0:
            edges = [0, span_h / 2, span_h]
            activity["coverage"] = {"over": "span_h", "edges": edges}
        if draw(st.integers(0, 3)) == 0:
            low = 5 + draw(st.integers(0, minutes // 2)) / 144
            activity["when"] = {"sun_elevation_deg": [low, 90.0]}
        asked.append(activity)
    _turn(draw, parts, asked, grid)
    scene = _with_fixed_arrays(draw, scenario(*asked, platforms=parts, hours=span_h, step_min=step))
    if draw(st.integers(0, 2)) == 0:
        scene = _watched(draw, scene, minutes, grid)
    many = draw(st.sampled_from([0, 0, 0, 1, 2]))
    goals = tuple(_goal(draw, scene, k, span_h) for k in range(many))
    scene = scene.model_copy(update={"goal": goals})
    if draw(st.integers(0, 3)) == 0:
        scene = scene.model_copy(update={"keep_out": (_keep_out(draw, scene, minutes, grid),)})
    if draw(st.integers(0, 3)) == 0:
        kept = draw(st.fixed_dictionaries(dict.fromkeys(Margins.model_fields, SHARES)))
        parts = (p.model_copy(update={"margins": Margins(**kept)}) for p in scene.platform)
        scene = scene.model_copy(update={"platform": tuple(parts)})
    columns = {}
    sunlight = st.sampled_from([6.0, 9.0, 15.0, 22.0]) if lossless else watts
    for part in scene.platform:
        contact = _pieces(draw, minutes, st.booleans(), grid)
        direct = part.radio.to == "earth"
        factor = _pieces(draw, minutes, st.sampled_from([0.3, 1.0]), grid) if direct else 1.0
        heard_by = {"lander": ["alpha"], "rover": ["beta"]}[part.name] if lossless else STATIONS
        station = _pieces(draw, minutes, st.sampled_from(heard_by), grid)
        columns |= {
            f"{part.name}_generation_w": _pieces(draw, minutes, sunlight, grid),
            f"{part.name}_base_load_w": _pieces(draw, minutes, st.sampled_from([1.0, 4.0]), grid),
            f"{part.name}_in_contact": contact,
            f"{part.name}_station": np.where(contact & direct, station, ""),
            f"{part.name}_rate_kbps": np.where(
                contact | (not direct), part.radio.rate_kbps * factor, 0.0
            ),
        }
    if level:
        # The one condition that these scenarios pose must not turn within a step either.
        minute = np.arange(minutes) // step * step
        offered = world(scene, {"sun_elevation_deg": 5 + minute / 144}, **columns)
    else:
        offered = world(scene, **columns)
    if draw(st.integers(0, 3)) == 0:
        offered = with_windows(offered, "a0", _pieces(draw, minutes, st.booleans(), grid))
    return offered


def _goal(draw, scene, number, span_h) -> Goal:
    """A goal of some activities over hours of the span, the Sun's height, both or neither."""
    names = [a.name for a in scene.activity]
    runs_of = draw(st.lists(st.sampled_from(names), min_size=1, max_size=3, unique=True))
    axes = {
        "span_h": [0.0, span_h / 3, span_h / 2],
        "sun_elevation_deg": [5.5, 6.0, 6.0 + span_h / 5],
    }
    over = draw(st.lists(st.sampled_from(sorted(axes)), max_size=2, unique=True))
    runs_each, bins = draw(st.integers(1, 2)), 2 ** len(over)
    value, least = draw(st.sampled_from([6.0, 12.0])), {}
    if draw(st.booleans()):
        minimum = {"bins": draw(st.integers(1, bins)), "runs_each": draw(st.integers(1, runs_each))}
        least = {"minimum": minimum}
        least["required"] = draw(st.sampled_from(["none", "none", "minimum"]))
        if minimum["bins"] * minimum["runs_each"] < bins * runs_each:
            least["minimum_value"] = value * draw(st.sampled_from([0.9, 1.0]))
    return Goal(
        name=f"goal {number}",
        runs_of=runs_of,
        **({"over": over, "edges": [axes[key] for key in over]} if over else {}),
        runs_each=runs_each,
        value=value,
        together=len(runs_of) > 1 and draw(st.booleans()),
        counted=draw(st.sampled_from(["received", "done"])),
        **least,
    )


def _turn(draw, platforms: list[dict], activities: list[dict], grid: int) -> None:
    """Let platforms, at times, point at one thing at a time, and activities at one of two.

    Turns last whole multiples of `grid`.
    """
    if draw(st.integers(0, 2)):
        return
    for part in platforms:
        antenna = draw(st.sampled_from(["fixed", "steered"]))
        slews = [0, grid, -(-20 // grid) * grid]
        part["pointing"] = {"slew_min": draw(st.sampled_from(slews)), "antenna": antenna}
    for activity in activities:
        part = next(p for p in platforms if p["name"] == activity["platform"])
        to, own = part["radio"]["to"], ["ground", "ground", part["radio"]["to"]]
        if activity["contact"] != "none" or activity.get("first_runs_in_contact"):
            own = own if part["pointing"]["antenna"] == "steered" else [to]
        points = draw(st.sampled_from([None, *own]))
        activity |= {} if points is None else {"points": points}


def _with_fixed_arrays(draw, scene: Scenario) -> Scenario:
    """The same where some platforms, as if they flew, point at the Sun or generate nothing."""
    parts = []
    for part in scene.platform:
        if part.pointing and part.pointing.antenna == "steered" and draw(st.booleans()):
            part = part.model_copy(
                update={"pointing": part.pointing.model_copy(update={"arrays": "fixed"})}
            )
        parts.append(part)
    return scene.model_copy(update={"platform": tuple(parts)})


def _watched(draw, scene, minutes, grid) -> Scenario:
    """The scenario with teams, which some activities need: one in part of the span, one always."""
    since = draw(st.integers(0, minutes // grid - 1)) * grid
    until = min(since + draw(st.integers(3, 20)) * grid, 24 * 60 - 1)
    hours = tuple(f"{minute // 60:02}:{minute % 60:02}" for minute in (since, until))
    teams = (
        Team(name="drivers", hours_utc=(hours,), at_once=draw(st.sampled_from([1, 2]))),
        Team(name="desk", at_once=draw(st.sampled_from([1, 2]))),
    )
    needed = st.sampled_from([(), (), ("desk",), ("desk",), ("drivers",), ("drivers", "desk")])
    activities = (a.model_copy(update={"needs": draw(needed)}) for a in scene.activity)
    return scene.model_copy(update={"team": teams, "activity": tuple(activities)})


def _keep_out(draw, scene, minutes, grid) -> KeepOut:
    """A time of any length in which an activity, or all of a platform, may not run."""
    kind, parts = draw(
        st.sampled_from([("activity", scene.activity), ("platform", scene.platform)])
    )
    since = draw(st.integers(0, minutes // grid - 1)) * grid
    until = since + draw(st.integers(1, 6)) * grid
    return KeepOut(
        **{kind: draw(st.sampled_from(parts)).name},
        from_utc=scene.instant_at(since),
        until_utc=scene.instant_at(until),
    )


def landing_table(**landing) -> dict:
    """A lander that idles well and wants a few runs; an eclipse falls into its first day."""
    arrays = [{"area_m2": 0.3, "efficiency": 0.3}]
    table = scenario_table(
        {"name": "sweep", "duration_min": 120, "power_w": 20.0, "data_mbit": 30.0, "count": 3},
        platforms=[platform(idle_w=20.0, array=arrays)],
    )
    table["site"] = {"name": "shelf", "latitude_deg": 40.0, "longitude_deg": 20.0}
    table["span"] = {
        "start_utc": "2028-06-30T00:00:00Z",
        "end_utc": "2028-07-12T00:00:00Z",
        "step_min": 60,
    }
    return table | ({"landing": landing} if landing else {})


def first_days(environment: Environment, days: int, step_min: int = 15) -> Environment:
    """The first days of an environment, in steps of another length."""
    span = environment.scenario.span
    changed = {"end_utc": span.start_utc + timedelta(days=days), "step_min": step_min}
    span = span.model_copy(update=changed)
    minutes = days * 24 * 60
    return replace(
        environment,
        scenario=environment.scenario.model_copy(update={"span": span}),
        sky=environment.sky.iloc[:minutes],
        platforms={name: t.iloc[:minutes] for name, t in environment.platforms.items()},
    )
