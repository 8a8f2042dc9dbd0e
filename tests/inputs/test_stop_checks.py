"""What may be wrong about stops, drives and parking: a clear line each."""

import pytest
from tools.places import PLACES, with_drive

from obsplan.common.errors import ScenarioError
from obsplan.futures.draws import is_meant
from obsplan.inputs.along_routes import on_route
from obsplan.inputs.placed import Route
from obsplan.inputs.read_scenario import read_scenario


def lines_of(tmp_path, text):
    path = tmp_path / "s.toml"
    path.write_text(text)
    try:
        read_scenario(path)
    except ScenarioError as problem:
        return [line.removeprefix(f"{path}: ") for line in str(problem).splitlines()]
    return []


def changed(old, new, text=PLACES):
    assert old in text
    return text.replace(old, new, 1)


GOAL = '[[goal]]\nname = "g"\nruns_of = ["laser"]\nover = "stop"\nvalue = 1\nstops = '
STOP = '[[stop]]\nname = "R1"\n'
PARK = 'store = { capacity_mbit = 300.0 }\nparking = { stop = ["lander"] }\n'
AT = 'at = "stops"\n'
PLACE = "east_m = 30.0\nnorth_m = 10.0\n"
PROBE = 'instrument = "probe"\n'

MISTAKES = [
    (changed('"R2"', '"R1"'), 'stop "R1": the name is used 2 times; names must differ'),
    (
        changed(STOP, STOP.replace("R1", "lander")),
        'stop "lander": the name stands for where rovers start; choose another',
    ),
    (
        changed(STOP, STOP.replace("R1", "stops")),
        'stop "stops": the name stands for all stops of a rover; choose another',
    ),
    (
        changed('"R1"\nplatform = "rover"', '"R1"\nplatform = "rovr"'),
        'stop "R1".platform = "rovr": no such platform; did you mean \'rover\'?',
    ),
    (
        changed('"R1"\nplatform = "rover"', '"R1"\nplatform = "lander"'),
        'stop "R1".platform = "lander": has no [platform.drive], so it cannot drive',
    ),
    (
        changed(PLACE, PLACE + "latitude_deg = 40.0\n"),
        'stop "R1": give either east_m and north_m or latitude_deg and longitude_deg, not east_m '
        "and north_m and latitude_deg",
    ),
    (
        # Whole numbers or not.
        changed(PLACE, "east_m = -20\nnorth_m = 35\n"),
        'stop "R2": lies where stop "R1" does; places must differ',
    ),
    (
        changed('"R1"', '"A"', changed('"R2"', '"A to A"')),
        'stop "A": the drive there from A to A and that from A to A to A would have one name; '
        "choose another",
    ),
    (
        changed('"R3"', '"R2 (1 of 2)"'),
        'stop "R2 (1 of 2)": the name stands for a part of the way to R2; choose another',
    ),
    (
        changed(PLACE, ""),
        'stop "R1": give either east_m and north_m or latitude_deg and longitude_deg, not none',
    ),
    (
        changed("east_m = -20.0\nnorth_m = 35.0", PLACE.strip()),
        'stop "R2": lies where stop "R1" does; places must differ',
    ),
    (changed(AT, 'at = ["R1", "R9"]\n'), 'activity "laser".at = "R9": no such stop; '),
    (
        changed(PROBE, PROBE + 'at = ["R1"]\n'),
        'activity "sweep".at = "R1": is no stop of platform "lander"',
    ),
    (
        changed(PROBE, PROBE + AT),
        'activity "sweep".at = "stops": platform "lander" has no stops',
    ),
    (
        changed(AT, 'at = ["stops", "R1"]\n'),
        'activity "laser".at: give either "stops", for all of them, or names',
    ),
    (
        changed(PROBE, PROBE + 'after = [{ activity = "laser" }]\n'),
        'activity "sweep".after = "laser": is made at R1, R2, R3, but this one anywhere; allowed '
        "are activities at the same stops",
    ),
    (
        changed('after = [{ activity = "laser" }]', 'after = [{ activity = "lasr" }]'),
        'platform "rover".drive.after = "lasr": no such activity; did you mean \'laser\'?',
    ),
    (
        changed('after = [{ activity = "laser" }]', 'after = [{ activity = "sweep" }]'),
        'platform "rover".drive.after = "sweep": is made at none of this rover\'s stops',
    ),
    (
        with_drive(needs='["drivers"]'),
        'platform "rover".drive.needs = "drivers": no such team; known: none',
    ),
    (
        changed("[[20, 0.15]]", "", PLACES.replace("[20, 0.15]", "[[20, 0.15]]", 1)).replace(
            "[15, 0.3], ]", "[15, 0.6]]", 1
        ),
        "the speed must not rise with the slope, but after 0.5 comes 0.6",
    ),
    (
        changed("store = { capacity_mbit = 300.0 }\n", PARK.replace('"lander"', '"garage"')),
        'platform "rover".parking.stop = "garage": no such stop; ',
    ),
    (
        changed("store = { capacity_mbit = 1000.0 }\n", PARK),
        'platform "lander".parking: applies only to a platform with [platform.drive]',
    ),
    (
        changed(
            "store = { capacity_mbit = 300.0 }\n",
            PARK.replace('stop = ["lander"]', 'stop = ["R1", "R3"], within_m = 20.0'),
        ),
        'platform "rover".parking.within_m = 20: the nearest place to park, stop "R1", is 32 m',
    ),
    (
        changed('name = "sweep"', 'name = "laser at R1"'),
        'activity "laser at R1": the name stands for "laser" at a stop; choose another',
    ),
    (
        changed('name = "sweep"', 'name = "drive R1 to R2"'),
        'activity "drive R1 to R2": the name stands for a drive; choose another',
    ),
    (
        PLACES.replace('"probe"', '"rover drive"'),
        'instrument "rover drive": the name stands for the wheels of a rover; choose another',
    ),
    (
        changed(
            "store = { capacity_mbit = 300.0 }\n",
            "store = { capacity_mbit = 300.0 }\n"
            "track = [{ from_utc = 2028-07-05T00:00:00Z, distance_m = 20.0 }]\n",
        ),
        'platform "rover".track: the stops say where the rover is; leave the track out',
    ),
    (
        changed('[[instrument]]\nname = "laser head"', '[[instrument]]\nname = "laser head"', (
            PLACES[: PLACES.index("[[stop]]")] + PLACES[PLACES.index("[[activity]]") :]
        )).replace(AT, ""),
        'platform "rover".drive: no stop has platform = "rover"',
    ),
    (
        f'{PLACES}{GOAL}["R7"]\n',
        'goal "g".stops = "R7": no such stop; ',
    ),
    (
        changed(AT, 'at = ["R1"]\n') + f'{GOAL}["R2"]\n',
        'goal "g".stops = "R2": none of its activities is at this stop',
    ),
    (
        PLACES + '[[pin]]\nactivity = "laser"\nstart_utc = 2028-07-05T01:00:00Z\n',
        'pin 1.activity = "laser": no such activity; did you mean \'laser at R',
    ),
]  # fmt: skip


@pytest.mark.parametrize(("text", "line"), MISTAKES, ids=[line[:60] for _, line in MISTAKES])
def test_a_mistake_about_places_is_told_in_one_line(tmp_path, text, line):
    found = lines_of(tmp_path, text)
    assert any(line in each for each in found), found
    assert all(len(each) < 400 for each in found)


def test_the_sound_scenario_has_none(tmp_path):
    assert lines_of(tmp_path, PLACES) == []
    pin = '[[pin]]\nactivity = "laser at R1"\nstart_utc = 2028-07-05T05:00:00Z\n'
    barred = (
        '[[keep_out]]\nactivity = "laser at R2"\nfrom_utc = 2028-07-05T05:00:00Z\n'
        "until_utc = 2028-07-05T06:00:00Z\n"
    )
    assert lines_of(tmp_path, PLACES + pin + barred) == []


def test_too_many_stops_and_runs_at_stops_are_refused(tmp_path):
    more = "".join(
        f'[[stop]]\nname = "S{k}"\nplatform = "rover"\neast_m = {k}.0\nnorth_m = 1.0\n'
        for k in range(28)
    )
    assert "stop: there are 31; at most 30 are allowed" in lines_of(tmp_path, PLACES + more)
    runs = "".join(
        f'[[activity]]\nname = "a{k}"\ninstrument = "laser head"\nduration_min = 30\n{AT}'
        for k in range(100)
    )
    (line,) = lines_of(tmp_path, PLACES + runs)
    assert line == ("activity: there are 304, one for each of their stops; at most 300 are allowed")


def test_uncertainties_and_keep_outs_may_mean_runs_at_stops_and_drives(tmp_path):
    more = """
[[uncertainty]]
what = "run length"
of = "laser"
factor = [1.0, 1.1, 1.5]
[[uncertainty]]
what = "run fails"
of = "rover drive"
chance = 0.1
[[uncertainty]]
what = "run draw"
of = "laser at R2"
factor = [1.0, 1.1, 1.5]
[[keep_out]]
instrument = "rover drive"
from_utc = 2028-07-05T05:00:00Z
until_utc = 2028-07-05T06:00:00Z
"""
    (tmp_path / "s.toml").write_text(PLACES + more)
    scenario = read_scenario(tmp_path / "s.toml")
    scenario = on_route(scenario, [Route("rover", ("lander", "R1", "R2"))])
    meant = [
        [a.name for a, yes in zip(scenario.activity, is_meant(scenario, each)) if yes]
        for each in scenario.uncertainty
    ]
    lasers = [f"laser at R{k}" for k in (1, 2, 3)]
    assert meant == [lasers, ["drive lander to R1", "drive R1 to R2"], ["laser at R2"]]
    drive, laser = (scenario.activity_named(n) for n in ("drive R1 to R2", "laser at R1"))
    assert len(scenario.keep_outs_of(drive)) == 1 and not scenario.keep_outs_of(laser)
