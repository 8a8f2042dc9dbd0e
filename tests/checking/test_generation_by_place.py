"""What the referee finds about light where a rover stands, and about the way against the Sun."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pandas as pd
import pytest
from tools.places import with_drive

from obsplan.checking.check import check_timeline
from obsplan.checking.condition_rules import requirements
from obsplan.checking.generation_by_place import generated_w
from obsplan.checking.slots import Run
from obsplan.environment.build import make_environment
from obsplan.inputs.read_scenario import read_scenario
from obsplan.inputs.telemetry_file import PlatformState, State
from obsplan.planning.problem.start_windows import condition_masks

SHADE = "azimuth_deg,elevation_deg\n0,0\n158,0\n159,60\n170,60\n171,0\n"


def environment_of(folder, text):
    (folder / "r2.csv").write_text(SHADE)
    (folder / "s.toml").write_text(text)
    return make_environment(read_scenario(folder / "s.toml"))


@pytest.fixture(scope="module")
def environment(tmp_path_factory):
    text = with_drive(not_towards_sun_deg="20", when="{ sun_visible_fraction = [0.5, 1] }")
    text = text.replace('"R2"\nplatform', '"R2"\nskyline = "r2.csv"\nplatform', 1)
    text = text.replace('at = "stops"', 'at = "stops"\nwhen = { in_terrain_shadow = false }', 1)
    return environment_of(tmp_path_factory.mktemp("places"), text)


def slots(scenario, *rows):
    """A timeline of (activity, minutes after the start of the span)."""
    start = pd.Timestamp(scenario.span.start_utc)
    table = []
    for name, minute in rows:
        activity = scenario.activity_named(name)
        begins = start + pd.Timedelta(minutes=minute)
        ends = begins + pd.Timedelta(minutes=scenario.slot_min(activity))
        table.append(
            (name, scenario.platform_of(activity), activity.instrument, begins, ends, "planned")
        )
    columns = ["activity", "platform", "instrument", "start_utc", "end_utc", "state"]
    return pd.DataFrame(table, columns=columns)


def run(scenario, name, first, last, state="planned"):
    return Run(name, scenario.activity_named(name), "rover", first, last, state)


def test_planner_and_referee_judge_the_way_against_the_sun_alike(environment):
    scenario, minutes = environment.scenario, len(environment.sky)
    ways, met = 0, 0
    for drive in scenario.drive:
        found = [r for r in requirements(drive, environment, minutes) if r.rule == "Sun direction"]
        judged = np.all([requirement.met for requirement in found], axis=0)
        mask = condition_masks(environment, drive)["Sun direction"]
        assert np.array_equal(judged, mask), drive.name
        # And as vectors in the plane say, whichever way they are followed.
        sun = np.radians(environment.sky["sun_azimuth_deg"].to_numpy())
        way = np.radians(drive.azimuth_deg)
        cosine = np.abs(np.sin(sun) * np.sin(way) + np.cos(sun) * np.cos(way))
        seen = np.min([s["sun_visible_fraction"] for s in environment.skies_of(drive).values()], 0)
        clear = np.degrees(np.arccos(cosine)) >= 20
        sure = np.abs(np.degrees(np.arccos(cosine)) - 20) > 1e-6
        if (seen > 0).all():
            assert np.array_equal(mask[sure], clear[sure])
        ways, met = ways + mask.size, met + mask.sum()
    assert 0.2 < met / ways < 0.95


def test_a_drive_towards_the_sun_is_a_violation(environment):
    scenario = environment.scenario
    drive = scenario.activity_named("drive lander to R3")
    open_minutes = condition_masks(environment, drive)["Sun direction"]
    bad = int(np.flatnonzero(~open_minutes)[0]) // 30 * 30
    check = check_timeline(environment, slots(scenario, ("drive lander to R3", bad)))
    (found,) = [v for v in check.found if v.rule == "Sun direction"]
    assert "angle between its way and the line to the Sun" in found.message
    assert "20 deg or more" in found.message


def test_light_at_a_stop_is_that_of_its_own_skyline(environment):
    scenario = environment.scenario
    dark = environment.sky_at("R2")["in_terrain_shadow"].to_numpy()
    minute = int(np.flatnonzero(dark)[0]) // 30 * 30 + 30
    assert dark[minute] and not environment.sky["in_terrain_shadow"].any()
    rows = [("drive lander to R2", minute - 240), ("laser at R2", minute)]
    rules = {v.rule for v in check_timeline(environment, slots(scenario, *rows)).found}
    assert "terrain shadow" in rules
    rows = [("drive lander to R1", minute - 240), ("laser at R1", minute)]
    rules = {v.rule for v in check_timeline(environment, slots(scenario, *rows)).found}
    assert "terrain shadow" not in rules
    # A drive needs the Sun at both ends.
    drive = scenario.activity_named("drive R1 to R2")
    mask = condition_masks(environment, drive)["sun_visible_fraction"]
    assert not mask[dark].any()
    (at_site, at_stop) = [
        r for r in requirements(drive, environment, len(dark)) if "visible fraction" in r.rule
    ]
    assert np.array_equal(at_site.met & at_stop.met, mask)
    assert at_stop.name == 'visible fraction of the Sun at "R2"'


def test_arrays_yield_by_the_minute_what_they_do_where_the_rover_stands(environment):
    scenario, minutes = environment.scenario, len(environment.sky)
    at = {name: environment.generation_at_w("rover", name) for name in ("", "R2")}
    runs = [
        run(scenario, "drive lander to R2", 100, 190),
        run(scenario, "laser at R2", 400, 430),
        run(scenario, "drive R2 to R3 (1 of 2)", 600, 650),
        run(scenario, "drive R2 to R3 (2 of 2)", 700, 750),
    ]
    found = generated_w(environment, "rover", runs, minutes)
    both = np.minimum(at[""], at["R2"])
    expected = np.concatenate(
        [at[""][:100], both[100:190], at["R2"][190:600], both[600:750], at[""][750:]]
    )
    assert np.array_equal(found, expected)
    assert (expected != at[""]).sum() > 300
    short = [run(scenario, "drive lander to R2", 100, 130, "shortened")]
    assert np.array_equal(
        generated_w(environment, "rover", short, minutes), [*at[""][:100], *both[100:]]
    )
    failed = [run(scenario, "drive lander to R2", 100, 190, "failed")]
    assert np.array_equal(generated_w(environment, "rover", failed, minutes), at[""])
    assert np.array_equal(generated_w(environment, "rover", [], minutes), at[""])


def test_arrays_yield_what_they_do_where_telemetry_sees_the_rover(environment):
    scenario, minutes = environment.scenario, len(environment.sky)
    at = {name: environment.generation_at_w("rover", name) for name in ("", "R2")}
    start = scenario.span.start_utc
    seen = [
        PlatformState(name="rover", at_utc=start + timedelta(minutes=minute), at=place)
        for minute, place in [(120, "R3"), (200, "R2"), (500, "lander"), (700, "R2")]
    ]
    told = replace(environment, telemetry=State(platform=seen))
    # Seen on its way it still gets there; seen after it ended short it stands there.
    short = run(scenario, "drive lander to R2", 100, 130, "shortened")
    later = run(scenario, "drive R3 to R1", 600, 710)
    found = generated_w(told, "rover", [later, short], minutes)
    both = np.minimum(at[""], at["R2"])
    expected = [*at[""][:100], *both[100:200], *at["R2"][200:500], *at[""][500:]]
    assert np.array_equal(found, expected)
    assert (found != generated_w(environment, "rover", [later, short], minutes)).any()


def test_the_replay_counts_the_light_of_the_stop(environment):
    scenario = environment.scenario
    there, elsewhere = (
        check_timeline(environment, slots(scenario, (f"drive lander to {stop}", 90)))
        .resources["rover"]["generation_w"]
        .to_numpy()
        for stop in ("R2", "R1")
    )
    arrived = 90 + 90
    lit = environment.generation_at_w("rover", "R2")
    assert np.array_equal(there[arrived:], lit[arrived : len(there)])
    assert there[arrived:].sum() < elsewhere[arrived:].sum()
