"""Numbers and names as sentences have them."""

import pytest

from obsplan.common.text import did_you_mean, printable


@pytest.mark.parametrize(
    ("name", "known", "hint"),
    [
        ("panoram", ["close-up", "panorama"], "did you mean 'panorama'?"),
        ("panoram", iter(["close-up", "panorama"]), "did you mean 'panorama'?"),
        ("drill", ["camera", "radio"], "known: camera, radio"),
        ("", ["camera"], "known: camera"),
        ("camera", [], "known: none"),
    ],
)
def test_the_nearest_name_is_offered_or_all_names_are(name, known, hint):
    assert did_you_mean(name, known) == hint


def test_marks_that_a_terminal_obeys_are_spelled_out():
    assert printable("a\x1b[31mb\rc\nd\u202ee") == r"a\x1b[31mb\rc\nd\u202ee"
    assert printable("plain °C, naïve") == "plain °C, naïve"
