"""Teams on console: who must be there while an activity runs, and when they are."""

import re
from itertools import pairwise
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field

from obsplan.inputs.field_types import Form, Name, Several
from obsplan.inputs.frozen_model import FrozenModel

DAY_MIN = 24 * 60
CLOCK = re.compile(r"([01]\d|2[0-3]):[0-5]\d")
MIDNIGHT = "24:00"  # at the end of a day


def _pair(value: Any) -> Any:
    ends = list(value) if isinstance(value, list | tuple) else []
    clocks = ends[:1] if ends[1:] == [MIDNIGHT] else ends
    if len(ends) != 2 or not all(isinstance(c, str) and CLOCK.fullmatch(c) for c in clocks):
        raise ValueError('must be two times of day, such as ["08:00", "20:00"]')
    if ends[0] == ends[1]:
        raise ValueError('ends when it begins; the whole day is ["00:00", "24:00"]')
    return tuple(ends)


def _apart(pairs: tuple[tuple[str, str], ...]) -> tuple[tuple[str, str], ...]:
    hours = sorted(daily_minutes(pair) for pair in pairs)
    if hours:
        first, until = hours[0]
        hours.append((first + DAY_MIN, until + DAY_MIN))
    if any(later[0] < earlier[1] for earlier, later in pairwise(hours)):
        raise ValueError("pairs may not overlap")
    return pairs


def minute_of_day(clock: str) -> int:
    """Minutes since midnight of "08:30"; 1440 for "24:00"."""
    hours, minutes = clock.split(":")
    return 60 * int(hours) + int(minutes)


def daily_minutes(pair: tuple[str, str]) -> tuple[int, int]:
    """First and last minute of a pair of times of day, from the midnight before its first.

    If the second is not later than the first, it is of the next day.
    """
    since, until = map(minute_of_day, pair)
    return since, until if until > since else until + DAY_MIN


def hours_key(team: str) -> str:
    """What the condition that a team is on console is called."""
    return f'hours of "{team}"'


Hours = Annotated[tuple[str, str], BeforeValidator(_pair)]


class Team(FrozenModel):
    """People who must be on console while activities run."""

    name: Name
    """Name of the team, which the key needs of an activity names."""
    hours_utc: Annotated[
        Several[Hours], AfterValidator(_apart), Form('[["08:00", "20:00"]], pairs of times of day')
    ] = ()
    """Hours on console, the same every day; a pair may go past midnight.

    Without hours or shifts the team is on console all the time."""
    shifts: str | None = None
    """Shifts on console, instead of hours: only they count.

    The name of a CSV beside the scenario with the columns start_utc, end_utc. On other days and at
    other sites, as in `obsplan days`, the team is on console all the time."""
    at_once: Annotated[int, Field(ge=1, le=300)] = 1
    """How many runs that need the team it can watch at the same time, warm-up included."""
