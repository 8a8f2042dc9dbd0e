"""Orbit Ephemeris Messages are read in both notations, and everything wrong is told in one line."""

import numpy as np
import pytest
from ccsds_ndm.ndm_io import NdmIo
from tools.orbits import circle, kvn, segment

from obsplan.common.errors import ScenarioError
from obsplan.inputs.oem_file import read_oem
from obsplan.inputs.orbit_states import FRAMES, TIME_SYSTEMS

START = "2028-07-02T00:00:00"
# The layout of the standard's figures with several segments, comments, accelerations and a
# covariance: CCSDS 502.0-B-3, figures G-7 to G-9; names and numbers are invented.
LAYOUT = """CCSDS_OEM_VERS = 2.0

COMMENT invented
CREATION_DATE = 2026-11-04T17:22:31Z
ORIGINATOR = EXAMPLE

META_START
OBJECT_NAME = EXAMPLE ORBITER
OBJECT_ID = 2028-999A
CENTER_NAME = MOON
REF_FRAME = EME2000
TIME_SYSTEM = UTC
START_TIME = 2028-12-18T12:00:00.331
USEABLE_START_TIME = 2028-12-18T12:01:00.331
USEABLE_STOP_TIME = 2028-12-18T12:03:00.331
STOP_TIME = 2028-12-18T12:04:00.331
INTERPOLATION = Hermite
INTERPOLATION_DEGREE = 3
META_STOP

COMMENT from 2028-12-17T00:00:00
COMMENT and a second line

2028-12-18T12:00:00.331 1800.1 300.2 -120.3 0.73001 -1.495 -0.041
2028-12-18T12:01:00.331  1839.2 208.3  -122.4 .56421   -1.528E0  -0.04331
2028-353T12:02:00.331Z 1868.3 +116.4 -124.5 4.1E-1 -1.551 -0.0451 0.001 0.008 -4.8
2028-12-18T12:03:00.331 1887.4 22.5 -126.6 0.24 -1.57 -0.047
2028-12-18T12:04:00.331 1896.5 -72.6 -128.7 0.07 -1.58 -0.049

COVARIANCE_START
EPOCH = 2028-12-18T12:02:00.331
COV_REF_FRAME = RTN
3.3e-04
4.6e-04 6.7e-04
-3.0e-04 -4.2e-04 3.2e-04
-3.3e-07 -2.2e-07 2.4e-07 4.2e-10
-2.2e-07 -2.8e-07 1.7e-07 2.6e-10 1.7e-10
-3.0e-07 -4.9e-07 3.5e-07 1.8e-10 8.8e-11 6.2e-10
COVARIANCE_STOP

META_START
OBJECT_NAME = EXAMPLE ORBITER
OBJECT_ID = 2028-999A
CENTER_NAME = MOON
REF_FRAME = EME2000
TIME_SYSTEM = UTC
START_TIME = 2028-12-28T21:29:07.267
STOP_TIME = 2028-12-30T01:28:02.267
META_STOP
2028-12-28T21:29:07.267 -1800.1 300.2 -120.3 0.73001 -1.495 -0.041
2028-12-28T21:59:02.267 -1839.2 208.3  -122.4 .56421   -1.528E0  -0.04331
2028-12-28T22:00:02.267 -1839.2 208.3  -122.4 .56421   -1.528E0  -0.04331
2028-12-30T01:28:02.267 -1873.7 106.4 -124.5 4.1E-1 -1.551 -0.0451
"""
XML = """<?xml version="1.0" encoding="UTF-8"?>
<oem xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" id="CCSDS_OEM_VERS" version="2.0">
<header><COMMENT>invented</COMMENT><CREATION_DATE>2026-11-04T17:22:31</CREATION_DATE>
<ORIGINATOR>EXAMPLE</ORIGINATOR></header>
<body><segment><metadata><COMMENT>none</COMMENT><OBJECT_NAME>EXAMPLE ORBITER</OBJECT_NAME>
<OBJECT_ID>2028-999A</OBJECT_ID><CENTER_NAME>Moon</CENTER_NAME><REF_FRAME>ICRF</REF_FRAME>
<TIME_SYSTEM>TDB</TIME_SYSTEM><START_TIME>2028-12-18T12:00:00.331</START_TIME>
<STOP_TIME>2028-12-18T12:01:00.331</STOP_TIME><INTERPOLATION>LAGRANGE</INTERPOLATION>
<INTERPOLATION_DEGREE>1</INTERPOLATION_DEGREE></metadata><data>
<stateVector><EPOCH>2028-12-18T12:00:00.331</EPOCH><X units="km">1800.1</X><Y>300.2</Y>
<Z>-120.3</Z><X_DOT units="km/s">0.73</X_DOT><Y_DOT>-1.495</Y_DOT><Z_DOT>-0.041</Z_DOT>
<X_DDOT>0.1</X_DDOT><Y_DDOT>0.1</Y_DDOT><Z_DDOT>0.1</Z_DDOT></stateVector>
<stateVector><EPOCH>2028-12-18T12:01:00.331</EPOCH><X>1839.2</X><Y>208.3</Y><Z>-122.4</Z>
<X_DOT>0.56</X_DOT><Y_DOT>-1.528</Y_DOT><Z_DOT>-0.043</Z_DOT></stateVector>
</data></segment></body></oem>
"""


def read(tmp_path, text, name="a.oem"):
    (tmp_path / name).write_text(text)
    return read_oem(tmp_path / name)


def complaints(tmp_path, text):
    with pytest.raises(ScenarioError) as refused:
        read(tmp_path, text)
    return [line.replace(f"{tmp_path}/", "") for line in refused.value.lines]


def test_the_layout_of_the_standard_is_read_with_all_that_may_stand_in_it(tmp_path):
    first, second = read(tmp_path, LAYOUT)
    assert (first.interpolation, first.degree, first.time_system) == ("HERMITE", 3, "UTC")
    assert [str(first.first), str(first.last)] == [
        "2028-12-18T12:01:00.331",
        "2028-12-18T12:03:00.331",
    ]
    assert list(first.day) == [np.datetime64("2028-12-18")] * 5
    assert first.second == pytest.approx(43200.331 + 60 * np.arange(5), abs=1e-9)
    assert first.position_km[2] == pytest.approx([1868.3, 116.4, -124.5])
    assert first.velocity_km_s[1] == pytest.approx([0.56421, -1.528, -0.04331])
    # Where nothing is declared.
    assert (second.interpolation, second.degree, len(second.day)) == ("HERMITE", 7, 4)
    assert str(second.last) == "2028-12-30T01:28:02.267"


@pytest.mark.parametrize("wrapped", [False, True])
def test_xml_gives_the_same_states(tmp_path, wrapped):
    text = XML
    if wrapped:
        text = text.replace("<oem", '<ndm xmlns="urn:example"><oem').replace(
            "</oem>", "</oem></ndm>"
        )
    (states,) = read(tmp_path, text, "a.xml")
    assert (states.interpolation, states.degree, states.time_system) == ("LAGRANGE", 1, "TDB")
    assert states.position_km.tolist() == [[1800.1, 300.2, -120.3], [1839.2, 208.3, -122.4]]
    assert states.velocity_km_s.tolist() == [[0.73, -1.495, -0.041], [0.56, -1.528, -0.043]]
    assert states.second.tolist() == [43200.331, 43260.331]


def test_another_reader_finds_the_same(tmp_path):
    """ccsds-ndm, made from the schemas of the standard, on the layouts above."""
    for text, name in ((LAYOUT, "a.oem"), (XML, "a.xml")):
        ours = read(tmp_path, text, name)
        theirs = NdmIo().from_path(tmp_path / name).body.segment
        assert len(ours) == len(theirs)
        for mine, other in zip(ours, theirs):
            rows = [
                [float(getattr(s, key).value) for key in ("x", "y", "z", "x_dot", "y_dot", "z_dot")]
                for s in other.data.state_vector
            ]
            assert np.hstack([mine.position_km, mine.velocity_km_s]).tolist() == rows
            assert other.metadata.object_name == mine.object_name


def test_a_leap_second_is_the_last_second_of_its_day(tmp_path):
    rows = [
        f"2016-12-31T23:59:59 {state(0)}",
        f"2016-12-31T23:59:60 {state(1)}",
        f"2017-01-01T00:00:00 {state(2)}",
    ]
    text = kvn([segment("2016-12-31T23:59:59", 0, STOP_TIME="2017-01-01T00:00:00")])
    text = text.replace(
        "INTERPOLATION = HERMITE\nINTERPOLATION_DEGREE = 7",
        "INTERPOLATION = LINEAR\nINTERPOLATION_DEGREE = 1",
    )
    head, _, _ = text.partition("2016-12-31T23:59:59.000 1")
    (states,) = read(tmp_path, head + "\n".join(rows) + "\n")
    assert states.second.tolist() == [86399.0, 86400.0, 0.0]
    assert str(states.clock(1)) == "2016-12-31T23:59:60"
    wrong = (head + "\n".join(rows) + "\n").replace("TIME_SYSTEM = UTC", "TIME_SYSTEM = TAI")
    assert complaints(tmp_path, wrong) == [
        "a.oem: segment 1, line 19: 2016-12-31T23:59:60 is not a time"
    ]


def state(second):
    return " ".join(f"{x:.9f}" for x in circle(second))


@pytest.mark.parametrize("frame", [*FRAMES, "icrf"])
def test_frames_with_the_axes_of_the_icrf_are_read(tmp_path, frame):
    assert read(tmp_path, kvn([segment(START, 20, REF_FRAME=frame)]))


def test_frames_centres_and_time_systems_that_are_not_supported_are_refused_by_name(tmp_path):
    assert FRAMES == ("ICRF", "EME2000", "J2000")
    assert TIME_SYSTEMS == ("TDB", "UTC", "TAI", "TT", "GPS")
    frames = ("ITRF2000", "TOD", "MCI", "TEME", "MOON_ME", "GCRF", "GRC")
    for key, allowed, names in (
        ("REF_FRAME", "allowed are ICRF, EME2000, J2000", frames),
        ("CENTER_NAME", "allowed is MOON", ("EARTH", "EARTH BARYCENTER", "MARS")),
        (
            "TIME_SYSTEM",
            "allowed are TDB, UTC, TAI, TT, GPS",
            ("TCB", "TCG", "GMST", "MET", "MRT", "SCLK", "UT1", "LOCAL"),
        ),
        ("INTERPOLATION", "allowed are HERMITE, LAGRANGE, LINEAR", ("SPLINE", "PROPAGATE")),
    ):
        for name in names:
            lines = complaints(tmp_path, kvn([segment(START, 20, **{key: name})]))
            assert lines == [f"a.oem: segment 1: {key} = {name} is not supported; {allowed}"]


SOUND = segment(START, 20)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("", "has no segment (META_START in KVN, segment in XML)"),
        ("OEM = 2", "line 1: an OEM begins with CCSDS_OEM_VERS = 2.0"),
        (kvn([SOUND], "4.0"), "CCSDS_OEM_VERS = 4.0; allowed are 1.0, 2.0, 3.0"),
        ("<oem>", "is not well-formed XML (no element found: line 1, column 5)"),
        ("<aem/>", "holds a message of the kind aem; allowed is oem"),
        ("<ndm/>", "holds 0 messages of the kind oem; allowed is one"),
        (
            '<!DOCTYPE a [<!ENTITY b "c">]><oem/>',
            "has a DOCTYPE or an ENTITY, which an OEM in XML does not need",
        ),
        (
            XML.replace('<X units="km">', '<X units="m">'),
            "segment 1, state 1: X is in m; allowed are km and km/s",
        ),
        (kvn([segment(START, 20, OBJECT_NAME=None)]), "segment 1: OBJECT_NAME is missing"),
        (
            kvn([segment(START, 20, INTERPOLATION_DEGREE=None)]),
            "segment 1: INTERPOLATION_DEGREE is missing, required with INTERPOLATION",
        ),
        (
            kvn([segment(START, 20, INTERPOLATION_DEGREE="8")]),
            "segment 1: INTERPOLATION_DEGREE = 8; allowed with HERMITE are odd numbers from 1 to "
            "27",
        ),
        (
            kvn([segment(START, 20, INTERPOLATION="LINEAR")]),
            "segment 1: INTERPOLATION_DEGREE = 7; allowed with LINEAR is 1",
        ),
        (
            kvn([segment(START, 4, INTERPOLATION="LAGRANGE")]),
            "segment 1: has 5 states; LAGRANGE of degree 7 needs 8",
        ),
        (
            kvn([segment(START, 20, STOP_TIME="2028-07-01T00:00:00")]),
            "segment 1: the usable time 2028-07-02T00:00:00 to 2028-07-01T00:00:00 must rise and "
            "lie within START_TIME 2028-07-02T00:00:00 and STOP_TIME 2028-07-01T00:00:00",
        ),
        (
            kvn([segment(START, 20, USEABLE_STOP_TIME="noon")]),
            "segment 1: USEABLE_STOP_TIME = noon is not a time",
        ),
        (
            kvn([SOUND.replace("T00:07:00.000", "T00:05:00.000")]),
            "segment 1, line 25: 2028-07-02T00:05:00 is not after 2028-07-02T00:06:00; states must "
            "rise in time",
        ),
        (
            kvn([SOUND.replace("2028-07-02T00:07:00.000", "2028-07-32T00:07:00")]),
            "segment 1, line 25: 2028-07-32T00:07:00 is not a time",
        ),
        (
            kvn([SOUND, segment(START, 20, OBJECT_NAME="OTHER")]),
            "segment 2: OBJECT_NAME = OTHER, but EXAMPLE ORBITER in segment 1; all segments must "
            "have the same",
        ),
        (
            kvn([SOUND, segment(START, 20, TIME_SYSTEM="TDB")]),
            "segment 2: TIME_SYSTEM = TDB, but UTC in segment 1; all segments must have the same",
        ),
        (kvn([SOUND]).replace("META_STOP", "META_END"), "line 16: META_END is not KEY = value"),
    ],
)
def test_a_mistake_is_one_line_with_segment_and_place(tmp_path, text, line):
    assert complaints(tmp_path, text)[0] == f"a.oem: {line}"


def test_metadata_without_an_end_are_one_line_however_many_states_follow(tmp_path):
    text = kvn([SOUND]).replace("META_STOP\n", "")
    assert complaints(tmp_path, text) == [
        "a.oem: segment 1: no META_STOP before the state in line 17"
    ]


def test_a_state_needs_six_finite_numbers(tmp_path):
    for cut in (" 1", "", " nan", " 1e999"):
        text = kvn([SOUND])
        row = next(line for line in text.splitlines() if "T00:07:00" in line)
        lines = complaints(tmp_path, text.replace(row, row.rsplit(" ", 1)[0] + cut + cut[:2]))
        if cut != " 1":
            assert lines == [
                "a.oem: segment 1, line 25, 2028-07-02T00:07:00.000: a state has three numbers of "
                "position (km) and three of velocity (km/s)"
            ]


def test_what_cannot_be_read_is_told(tmp_path):
    (tmp_path / "binary.oem").write_bytes(b"\xff\xfe\x00")
    for name, why in (
        ("binary.oem", "is not a text; allowed is an OEM in KVN or XML"),
        ("none.oem", "cannot be read (No such file or directory)"),
        (".", "cannot be read (Is a directory)"),
    ):
        with pytest.raises(ScenarioError, match="^[^\n]*$") as refused:
            read_oem(tmp_path / name)
        assert str(refused.value).endswith(why)
