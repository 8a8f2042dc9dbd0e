"""The telemetry file: every mistake in a line of its own that a terminal can show."""

import pytest
from tools.small import scenario

from obsplan.common.errors import StateError
from obsplan.inputs.read_state import read_state


def test_mistakes_in_several_tables_are_named_at_once_without_marks_that_a_terminal_obeys(tmp_path):
    scene = scenario({"name": "look"})
    path = tmp_path / "state.toml"
    path.write_text(
        '[[platform]]\nname = "landr"\n[[station]]\nname = "nowhere"\n'
        '[[slot]]\nslot = "s\\u001b[2J1"\noutcome = "shortened"\n'
    )
    with pytest.raises(StateError) as caught:
        read_state(path, scene, scene.span.start_utc)
    lines = str(caught.value).splitlines()
    assert all(line.isprintable() and line.startswith(f"{path}: ") for line in lines)
    assert [line.removeprefix(f"{path}: ") for line in lines] == [
        r'slot 1 "s\x1b[2J1".slot = "s\x1b[2J1": must have at most 200 characters and no line '
        "break or other control character",
        "platform \"landr\": no such platform in the scenario; did you mean 'lander'?",
        'station "nowhere": no such station in the scenario; known: '
        + ", ".join(s.name for s in scene.station),
    ]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"\xff", "not UTF-8 text"),
        (b"a = ", "not valid TOML: Invalid value"),
        (b"a = lander", "not valid TOML: Invalid value (at line 1, column 5); texts need quotes"),
        (
            b"at_utc = 2028-07-01T06:00Z",
            "not valid TOML: Expected newline or end of document after a statement (at line 1, "
            "column 20); write a time like 2028-07-01T00:00:00Z",
        ),
        (
            b"at_utc = 1/7/2028 06:00",
            "not valid TOML: Expected newline or end of document after a statement (at line 1, "
            "column 11); write a time like 2028-07-01T00:00:00Z",
        ),
        (b"now = 1", "now: unknown key; did you mean 'at_utc'?"),
        (
            b'[[platform]]\nname = "lander"\nsoc = 0.7',
            'platform 1 "lander".soc: unknown key; did you ',
        ),
        (
            b'[[slot]]\nslot = "s1"\noutcome = "done"\nstatus = "ok"',
            "slot 1 \"s1\".status: unknown key; did you mean 'outcome'?",
        ),
        (b"colour = 1", "colour: unknown key; known: at_utc"),
    ],
)
def test_what_is_no_telemetry_file_is_refused(tmp_path, content, words):
    path = tmp_path / "state.toml"
    path.write_bytes(content)
    with pytest.raises(StateError) as caught:
        read_state(path, scenario({"name": "look"}))
    assert str(caught.value).startswith(f"{path}: {words}")
    with pytest.raises(StateError, match="cannot be read"):
        read_state(tmp_path, scenario({"name": "look"}))


def test_a_mistake_hides_no_other_of_the_same_entry(tmp_path):
    path = tmp_path / "state.toml"
    path.write_text(
        "[platform]\nname = 'landr'\nstate_of_charge = 64\n"
        "[[unit]]\nname = 'arm'\ntemperature_k = -15\nat_utc = 2027-07-01T00:00:00Z\n"
        "[[unit]]\nname = 'leg'\n"
    )
    scene = scenario({"name": "look"})
    with pytest.raises(StateError) as caught:
        read_state(path, scene, scene.span.start_utc)
    assert [line.removeprefix(f"{path}: ") for line in str(caught.value).splitlines()] == [
        "platform: must be a list of tables, each begun with [[platform]]",
        'platform 1 "landr".state_of_charge = 64: out of range: allowed is 0 to 1',
        'unit 1 "arm".temperature_k = -15: out of range: allowed is 20 to 600',
        'unit 2 "leg".temperature_k: required but missing',
        'unit "arm".at_utc = 2027-07-01T00:00Z: allowed is 2028-07-01T00:00Z to 2028-07-01T00:00Z',
        "platform \"landr\": no such platform in the scenario; did you mean 'lander'?",
        'unit "arm": no such unit in the scenario; known: none',
        'unit "leg": no such unit in the scenario; known: none',
    ]
