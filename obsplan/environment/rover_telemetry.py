"""What telemetry has told of the places of rovers."""

import pandas as pd

from obsplan.environment.model import Environment
from obsplan.inputs.telemetry_file import PlatformState


def seen_at(environment: Environment, rover: str) -> list[tuple[pd.Timestamp, str]]:
    """When a rover was seen at a place, in order of time, and where."""
    return sorted((at, part.at) for at, part in read_of(environment, rover) if part.at)


def unreachable_since(environment: Environment, rover: str) -> dict[str, pd.Timestamp]:
    """The stops that a rover can no longer reach, and when that was told first."""
    told = [(at, stop) for at, part in read_of(environment, rover) for stop in part.unreachable]
    return {stop: at for at, stop in sorted(told, reverse=True)}


def read_of(environment: Environment, rover: str) -> list[tuple[pd.Timestamp, PlatformState]]:
    """What was read of a rover, each with its time, in order of time."""
    told = environment.telemetry
    own = [part for part in told.platform if part.name == rover] if told else []
    read = [(pd.Timestamp(part.at_utc or told.at_utc), part) for part in own if told]
    return sorted(read, key=lambda each: each[0])
