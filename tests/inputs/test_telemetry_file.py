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
