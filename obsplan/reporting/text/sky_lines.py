"""What the Sun does over the span: one line for each event, or one that says there is none."""

from obsplan.common.instants import full_stamp
from obsplan.environment.model import Environment
from obsplan.reporting.hours import darkness

LIGHT_EVENTS = ("first light", "last light")


def sky_lines(environment: Environment) -> list[str]:
    """A line for each event of the Sun; without first or last light, whether the Sun is up."""
    events = environment.events
    lines = [f"{full_stamp(e.time_utc)}  {e.event}" for e in events.itertuples(index=False)]
    if events["event"].isin(LIGHT_EVENTS).any():
        return lines
    nights, _ = darkness(environment)
    where = "below the skyline" if len(nights) else "up"
    return [*lines, f"no first or last light: the Sun is {where} throughout the span"]
