"""Numbers and names as sentences have them."""

import pickle

import pytest

from obsplan.common.errors import Infeasible, ObsplanError, TableError
from obsplan.common.text import did_you_mean, readable, shortened


@pytest.mark.parametrize(
    ("name", "known", "hint"),
    [
        ("panoram", ["close-up", "panorama"], "did you mean 'panorama'?"),
        ("panoram", iter(["close-up", "panorama"]), "did you mean 'panorama'?"),
        ("s3", ["s003", "s013", "s030"], "did you mean 's003'?"),
        ("Lander", ["sander", "lander"], "did you mean 'lander'?"),
        ("drill", ["camera", "radio"], "known: camera, radio"),
        ("", ["camera"], "known: camera"),
        ("camera", [], "known: none"),
        ("x", ["id"] * 50, f"known: {', '.join(['id'] * 30)} and 20 more"),
    ],
)
def test_the_nearest_name_is_offered_or_the_first_names_are(name, known, hint):
    assert did_you_mean(name, known) == hint


def test_marks_that_a_terminal_obeys_are_spelled_out():
    assert readable("a\x1b[31mb\rc\nd\u202ee") == r"a\x1b[31mb\rc\nd\u202ee"
    assert readable("plain °C, naïve") == "plain °C, naïve"


def test_a_value_of_megabytes_is_cut_and_the_line_keeps_both_ends():
    line = readable("a.toml: title = " + "x" * 3_000_000 + ": allowed are 60 characters")
    assert len(line) < 5000 and f"({3_000_000 + 16 + 27} characters)" in line
    assert line.startswith("a.toml: title = xxx") and line.endswith(": allowed are 60 characters")
    assert shortened("x" * 80) == "x" * 80
    assert shortened("y" * 81) == "y" * 70 + "... (81 characters)"
    # In a moment, not in hours: comparing takes time with the square of the length.
    assert did_you_mean("panoram" + "a" * 3_000_000, ["panorama"]) == "known: panorama"


@pytest.mark.parametrize("kind", [ObsplanError, TableError, Infeasible])
def test_every_error_spells_out_control_characters_and_keeps_its_lines_apart(kind):
    told = kind("row 2: '\x1b]0;\x07'", "row 3: 'a\nrow 9: forged'")
    assert str(told).splitlines() == [r"row 2: '\x1b]0;\x07'", r"row 3: 'a\nrow 9: forged'"]
    # Worker processes send their errors on.
    again = pickle.loads(pickle.dumps(told))
    assert str(again) == str(told) and again.exit_code == told.exit_code
