"""What is told of mistakes stays readable, however many there are."""

from obsplan.common.errors import MOST_LINES, ScenarioError


def test_of_very_many_mistakes_the_first_are_told_and_the_rest_counted():
    lines = [f"scenario.toml: row {k}: wrong" for k in range(200)]
    told = str(ScenarioError(*lines)).splitlines()
    assert told == [*lines[:MOST_LINES], f"... and {200 - MOST_LINES} more"]
    assert str(ScenarioError(*lines[:MOST_LINES])).splitlines() == lines[:MOST_LINES]
