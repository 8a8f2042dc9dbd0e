"""Why there is no drive of a name that a timeline gives between two places of a rover."""

from itertools import permutations

from obsplan.inputs.hardware import Platform
from obsplan.inputs.legs import legs_of, places_of
from obsplan.inputs.placed import drive_name
from obsplan.inputs.scenario import Scenario


def why_no_drive(scenario: Scenario, name: str) -> str | None:
    """Why no drive has this name, in words; None if it is none of a rover between its places."""
    if not scenario.stop:
        return None
    for rover in (p for p in scenario.platform if p.drive is not None):
        for start, end in permutations(places_of(scenario, rover.name), 2):
            whole = drive_name(start, end)
            if name == whole or name.startswith(f"{whole} ("):
                return _why(scenario, rover, start, end)
    return None


def _why(scenario: Scenario, rover: Platform, start: str, end: str) -> str:
    leg = legs_of(scenario, rover).get((start, end))
    way = f"from {start} to {end}"
    if leg is None:
        return (
            f"no such drive: no way {way} keeps to permitted slopes, away from hazards, in reach "
            "of the relay and within the span"
        )
    first = drive_name(start, end, 1, leg.parts)
    if not scenario.is_drive(first):
        stops = ", ".join(rover.parking.stop)
        return f"no such drive: the rover has to end at {stops}, and does not go back to {end}"
    if leg.parts == 1:
        return f"no such drive: the rover drives {way} at once, '{first}'"
    return f"no such drive: the rover drives {way} in {leg.parts} parts, the first is '{first}'"
