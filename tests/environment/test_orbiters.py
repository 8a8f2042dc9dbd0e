"""Platforms in orbit: their sky, contacts and power, and all that can be wrong with an orbit."""

import numpy as np
import pandas as pd
import pytest
from tools.flying import (
    LANDER,
    NORTH,
    OEM,
    ORBIT_MINUTES,
    ORBIT_START,
    ORBITER,
    SOUTH,
    SPAN,
    flying,
)
from tools.orbits import circle, kvn, segment, write_spk

from obsplan.common.errors import ScenarioError
from obsplan.environment.build import (
    link_environment_around,
    make_environment,
    make_link_environment,
)
from obsplan.environment.orbiter_columns import HIDDEN_COLUMNS, ORBITER_COLUMNS
from obsplan.environment.orbits import orbit_of
from obsplan.ephemeris import open_ephemeris
from obsplan.physics.orbit import position_km
from obsplan.physics.time_scales import tdb_of_utc

EPHEMERIS = open_ephemeris()
# A contact begins three minutes before data flow.
HEAD = SPAN + NORTH + "set_up_min = 3\n" + SOUTH


def scene(folder, oem=OEM, text=HEAD + ORBITER):
    return flying(folder, text, oem)


@pytest.fixture(scope="module")
def alone(tmp_path_factory):
    return make_environment(scene(tmp_path_factory.mktemp("alone")))


@pytest.fixture(scope="module")
def beside(tmp_path_factory):
    """An orbiter beside a lander."""
    folder = tmp_path_factory.mktemp("beside")
    return make_environment(scene(folder, text=HEAD + LANDER + ORBITER))


def refused(folder, oem=OEM, text=HEAD + ORBITER, make=make_link_environment):
    """The lines with which a scenario is refused, without the folder."""
    with pytest.raises(ScenarioError) as problem:
        make(scene(folder, oem, text))
    return [line.replace(f"{folder}/", "") for line in problem.value.lines]


def test_its_table_has_the_columns_that_are_explained_by_the_minute_and_without_gaps(alone):
    table = alone.skies["orbiter"]
    assert list(table.columns) == ORBITER_COLUMNS
    assert len(table) == 360 and not table.isna().any().any()
    assert alone.sky.equals(table) and str(table.index.tz) == "UTC"
    assert list(alone.occultations.columns) == HIDDEN_COLUMNS
    for column, low, high in (
        ("sun_visible_fraction", 0, 1),
        ("earth_visible_fraction", 0, 1),
        ("earth_phase_deg", 0, 180),
        ("earth_longitude_deg", -180, 180),
        ("ground_longitude_deg", -180, 180),
        ("local_time_h", 0, 24),
        ("sun_azimuth_deg", 0, 360),
    ):
        assert table[column].between(low, high).all(), column
    assert table["height_km"].to_numpy() == pytest.approx(100.0, abs=1e-6)
    # Over the poles of the ICRF, 23 deg from those of the Moon.
    assert table["ground_latitude_deg"].abs().max() == pytest.approx(71.7, abs=0.1)


def test_fractions_and_edges_say_the_same(alone):
    table, rows = alone.skies["orbiter"], alone.occultations
    minutes = table.index
    for body, column in (("Earth", "earth_visible_fraction"), ("Sun", "sun_visible_fraction")):
        hidden = {}
        for kind in ("any part", "whole disc"):
            hidden[kind] = np.zeros(len(table), dtype=bool)
            mine = rows[(rows["body"] == body) & (rows["hidden"] == kind)]
            assert len(mine) >= 3
            for row in mine.itertuples():
                hidden[kind] |= (minutes >= row.from_utc) & (minutes < row.until_utc)
        near = [
            abs((minutes - edge) / pd.Timedelta(seconds=1)) < 1
            for edge in pd.concat([rows["from_utc"], rows["until_utc"]])
        ]
        clear = ~np.any(near, axis=0)  # edges are rounded to a second
        share = table[column].to_numpy()
        assert ((share < 1) == hidden["any part"])[clear].all()
        assert ((share == 0) == hidden["whole disc"])[clear].all()


def test_arrays_yield_in_sunlight_alone_and_are_cold_where_the_moon_is_dark(alone):
    table = alone.platforms["orbiter"]
    lit = alone.skies["orbiter"]["sun_visible_fraction"].to_numpy()
    assert ((table["generation_w"] > 0) == (lit > 0)).all()
    most_w = 1.0 * 0.3 * alone.skies["orbiter"]["irradiance_w_m2"]
    assert (table["generation_w"] < most_w).all()
    full = lit == 1
    elevation_deg = alone.skies["orbiter"]["sun_elevation_deg"].to_numpy()
    warm, cold = (
        table["generation_w"].to_numpy()[full & side].mean()
        for side in (elevation_deg > 30, elevation_deg < 0)
    )
    # Ground at 330 K below warms the cells by some 30 degrees, 0.23 % each.
    assert 0.91 * cold < warm < 0.95 * cold


def test_contacts_end_at_the_limb_to_the_second(alone):
    """A station rises or sets where the limb covers it; the Earth is 1.9 deg wide."""
    (before, after), hidden = alone.contacts.itertuples(), alone.occultations
    assert {before.platform, after.platform} == {"orbiter"} and before.station == after.station
    limb = hidden[(hidden["body"] == "Earth") & (hidden["hidden"] == "any part")].iloc[0]
    whole = hidden[(hidden["body"] == "Earth") & (hidden["hidden"] == "whole disc")].iloc[0]
    assert limb.from_utc <= before.loss_utc <= whole.from_utc
    assert whole.until_utc <= after.acquisition_utc <= limb.until_utc
    in_contact = alone.in_contact("orbiter")
    seen = alone.skies["orbiter"]["earth_visible_fraction"].to_numpy()
    assert in_contact.any() and not in_contact[seen == 0].any()


def test_a_lander_beside_it_keeps_the_sky_of_the_site(beside, tmp_path):
    text = HEAD + LANDER
    lander_alone = make_environment(scene(tmp_path, text=text))
    pd.testing.assert_frame_equal(beside.sky, lander_alone.sky)
    for name in ("lander",):
        pd.testing.assert_frame_equal(beside.platforms[name], lander_alone.platforms[name])
    assert beside.sky_of("lander") is beside.sky
    assert beside.sky_of("orbiter") is beside.skies["orbiter"]
    contacts = beside.contacts
    assert set(contacts["platform"]) == {"lander", "orbiter"}
    mine = contacts[contacts["platform"] == "lander"].reset_index(drop=True)
    pd.testing.assert_frame_equal(mine, lander_alone.contacts)
    assert len(contacts[contacts["platform"] == "orbiter"]) > len(mine)


def test_an_spk_file_gives_the_same_as_an_oem(alone, tmp_path):
    """Hermite, Lagrange and two-body segments; written and read by SPICE."""
    text = (HEAD + ORBITER).replace('file = "a.oem"', 'file = "a.bsp", target = -999')
    oem = alone.skies["orbiter"]
    for kind in (13, 9, 5):
        write_spk(tmp_path / "a.bsp", ORBIT_START, ORBIT_MINUTES, kind=kind)
        spk = make_link_environment(scene(tmp_path, text=text)).skies["orbiter"]
        for column in ("earth_limb_angle_deg", "ground_latitude_deg", "height_km"):
            # The file is a millisecond off, since TDB is not TT there.
            assert spk[column].to_numpy() == pytest.approx(oem[column].to_numpy(), abs=2e-4)
        (tmp_path / "a.bsp").unlink()


@pytest.mark.parametrize(
    ("system", "ahead_s"), [("TAI", 37.0), ("GPS", 18.0), ("TT", 69.184), ("TDB", 69.184)]
)
def test_an_orbit_in_another_time_system_is_the_same_orbit(alone, tmp_path, system, ahead_s):
    """Taken as UTC it would be 1.6 km/s times that off."""
    oem = kvn([segment(ORBIT_START, ORBIT_MINUTES, TIME_SYSTEM=system, begin_s=-ahead_s)])
    table = make_link_environment(scene(tmp_path, oem)).skies["orbiter"]
    off = table["ground_latitude_deg"] - alone.skies["orbiter"]["ground_latitude_deg"]
    assert off.abs().max() < 2e-4  # TDB - TT, 2 ms


@pytest.mark.parametrize("frame", ["EME2000", "J2000"])
def test_frames_are_taken_as_the_icrf(alone, tmp_path, frame):
    table = make_link_environment(
        scene(tmp_path, kvn([segment(ORBIT_START, ORBIT_MINUTES, REF_FRAME=frame)]))
    )
    pd.testing.assert_frame_equal(
        table.skies["orbiter"], alone.skies["orbiter"][table.skies["orbiter"].columns]
    )


def test_segments_may_touch_and_the_later_one_counts(tmp_path):
    seam = "2028-07-05T03:00:00"
    oem = kvn([segment(ORBIT_START, 210), segment(seam, 210, begin_s=210 * 60, node_of=None)])
    oem = oem.replace("node_of = None\n", "")
    read = scene(tmp_path, oem)
    first, last = np.array(["2028-07-05T00:00", "2028-07-05T06:00"], dtype="datetime64[s]")
    orbit = orbit_of(read, read.platform[0], EPHEMERIS, first, last)
    times_utc = np.arange(first, last, 97)
    since_s = (times_utc - np.datetime64(ORBIT_START)) / np.timedelta64(1, "s")
    expected = np.array([circle(second)[:3] for second in since_s])
    ours = position_km(orbit, tdb_of_utc(EPHEMERIS, times_utc)).T
    assert len(orbit) == 2 and np.abs(ours - expected).max() < 1e-6


def holed(text, first, last):
    """Without the states between two clock times of the span's day."""
    return "\n".join(
        line
        for line in text.splitlines()
        if not (line.startswith("2028-07-05T") and first < line[11:16] < last)
    )


LATE = segment("2028-07-05T02:00:00", 300)


@pytest.mark.parametrize(
    ("oem", "line"),
    [
        (
            kvn([LATE]),
            "a.oem: no segment covers 2028-07-05T00:00:00Z to 2028-07-05T02:00:00Z; usable are: "
            "segment 1 2028-07-05T02:00:00Z to 2028-07-05T07:00:00Z",
        ),
        (
            kvn([segment(ORBIT_START, 60), LATE]),
            "a.oem: no segment covers 2028-07-05T00:30:00Z to 2028-07-05T02:00:00Z; usable are: "
            "segment 1 2028-07-04T23:30:00Z to 2028-07-05T00:30:00Z, segment 2 "
            "2028-07-05T02:00:00Z to 2028-07-05T07:00:00Z",
        ),
        (
            kvn([segment(ORBIT_START, ORBIT_MINUTES, USEABLE_STOP_TIME="2028-07-05T04:30:00")]),
            "a.oem: no segment covers 2028-07-05T04:30:00Z to 2028-07-05T06:00:00Z; usable are: "
            "segment 1 2028-07-04T23:30:00Z to 2028-07-05T04:30:00Z",
        ),
        (
            kvn([segment(ORBIT_START, 300), LATE]),
            "a.oem: segment 2: from 2028-07-05T02:00:00Z to 2028-07-05T04:30:00Z segment 1 is "
            "usable too; usable times of segments may only touch",
        ),
        (
            holed(OEM, "02:10", "02:50"),
            "a.oem: segment 1: between 2028-07-05T02:10:00Z and 2028-07-05T02:50:00Z, 2400 s, the "
            "declared interpolation is uncertain by 91.8 km; allowed is 1 km: states are wrong, "
            "missing or too far apart",
        ),
    ],
)
def test_what_an_orbit_lacks_is_told_with_segment_and_time(tmp_path, oem, line):
    assert refused(tmp_path, oem) == [line]


def test_an_orbit_under_the_ground_is_told_with_its_time(tmp_path):
    def low(second):
        return circle(second, height_km=-3.0)

    (line,) = refused(tmp_path, kvn([segment(ORBIT_START, ORBIT_MINUTES, state=low)]))
    assert line == (
        "a.oem: segment 1: at 2028-07-05T00:00:00Z the orbiter is 3.0 km under the ground, a "
        "sphere of 1737.4 km"
    )


@pytest.mark.parametrize(
    ("of", "line"),
    [
        ({"body": -5}, "a.bsp: has no segment of body -999; bodies in it: -5"),
        (
            {"centre": 399},
            "a.bsp: segment 1: gives body -999 about body 399; allowed is about the Moon, 301",
        ),
        (
            {"frame": "ECLIPJ2000"},
            "a.bsp: segment 1: its frame ECLIPJ2000 is not supported; allowed is J2000",
        ),
    ],
)
def test_spk_files_that_cannot_serve_are_refused_by_name(tmp_path, of, line):
    write_spk(tmp_path / "a.bsp", ORBIT_START, ORBIT_MINUTES, **of)
    text = (HEAD + ORBITER).replace('file = "a.oem"', 'file = "a.bsp", target = -999')
    assert refused(tmp_path, text=text) == [line]


def test_without_spiceypy_one_line_says_how_to_get_it(tmp_path, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "spiceypy", None)
    (tmp_path / "a.bsp").write_bytes(b"DAF/SPK ")
    text = (HEAD + ORBITER).replace('file = "a.oem"', 'file = "a.bsp", target = -999')
    assert refused(tmp_path, text=text) == [
        "a.bsp: SPK files are read by spiceypy, which is not installed: pip install "
        "'obsplan[orbit]', or give the orbit as an OEM"
    ]


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (("orbit = {", "slot = {"), "orbit: required, because its kind is orbiter"),
        (('"orbiter"\nidle', '"lander"\nidle'), "orbit: not allowed, because its kind is lander"),
        (
            ('"a.oem" }', '"a.oem", target = 3 }'),
            "orbit.target: only allowed with an SPK file (.bsp)",
        ),
        (
            ("array = [{", 'array = [{ facing = "fixed",'),
            "array: how an orbiter is turned is not computed; its arrays follow the Sun, facing = "
            '"sun", without a shadow table',
        ),
        (
            ("radio = {", "heater = { power_w = 1.0, below_k = 200.0 }\nradio = {"),
            "heater: not allowed for an orbiter",
        ),
    ],
)
def test_what_contradicts_an_orbit_is_one_line(tmp_path, change, line):
    assert change[0] in ORBITER
    lines = refused(tmp_path, text=HEAD + ORBITER.replace(*change))
    assert f'scenario.toml: platform "orbiter".{line}' in lines


def test_a_platform_on_the_ground_needs_a_site(tmp_path):
    text = HEAD + LANDER.partition("[[platform]]")[1] + LANDER.partition("[[platform]]")[2]
    assert refused(tmp_path, text=text) == [
        'scenario.toml: site: required, because platform "lander" is on the ground'
    ]


def test_around_an_instant_the_orbit_limits_the_answer(tmp_path):
    read = scene(tmp_path)
    at = pd.Timestamp("2028-07-05T06:20:00Z").to_pydatetime()
    around = link_environment_around(read, at)
    first, last = pd.Timestamp("2028-07-04T23:30Z"), pd.Timestamp("2028-07-05T06:29Z")
    assert (around.sky.index[0], around.sky.index[-1]) == (first, last)
    # Its first minute can be asked about.
    assert link_environment_around(read, first.to_pydatetime()).sky.index[0] == first
    with pytest.raises(ScenarioError, match="no segment covers 2028-07-05T06:40:00Z"):
        link_environment_around(read, at + pd.Timedelta(minutes=20).to_pytimedelta())
