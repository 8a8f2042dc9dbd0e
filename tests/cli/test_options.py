"""Values of options that several commands share."""

from datetime import UTC, datetime

import pytest
from tools.small import scenario

from obsplan.cli.options import instant_in_span
from obsplan.common.errors import ScenarioError


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("soon", "not a time"),
        ("2028-07-01T05:00:00", "no zone"),
        ("2028-07-02T00:00:00Z", "outside the span; allowed is 2028-07-01T00:00:00Z to before"),
        ("2028-06-30T23:59:59Z", "outside the span"),
        ("0001-01-01T00:00:00+14:00", "the year is out of range; allowed are 1900 to 2200"),
        ("9999-12-31T23:59:59-14:00", "the year is out of range"),
    ],
)
def test_bad_instants_are_one_line(text, words):
    with pytest.raises(ScenarioError, match="^--at ") as caught:
        instant_in_span(text, scenario(), "--at")
    assert words in str(caught.value) and "\n" not in str(caught.value)


def test_instants_of_any_zone_are_understood():
    found = instant_in_span("2028-07-01T02:30:05+02:00", scenario(), "--at")
    assert found == datetime(2028, 7, 1, 0, 30, 5, tzinfo=UTC)
