"""What the Sun does over the span: one line for each event, or one that says there is none."""

from obsplan.common.instants import full_stamp
from obsplan.environment.model import Environment
from obsplan.reporting.hours import darkness

# What is told of the Earth: nothing else covers it.
COVERS = (("Earth", "Moon"), ("Sun", "Moon"), ("Sun", "Earth"))
# What of the Earth a span offers.
OFFERED = (
    ("earth_phase_deg", "phase angle at the Earth"),
    ("sun_angle_deg", "angle between Sun and Earth"),
    ("earth_latitude_deg", "latitude of the Earth below"),
)
LIGHT_EVENTS = ("first light", "last light")


def sky_lines(environment: Environment, platform: str | None = None) -> list[str]:
    """A line for each event of the Sun; without first or last light, whether the Sun is up.

    For a platform in orbit, or without a site, how often and how long Earth and Sun are hidden.
    """
    if platform in environment.skies:
        return [*_hidden_lines(environment, platform), *_angle_lines(environment, platform)]
    events = environment.events
    lines = [f"{full_stamp(e.time_utc)}  {e.event}" for e in events.itertuples(index=False)]
    if events["event"].isin(LIGHT_EVENTS).any():
        return lines
    nights, _ = darkness(environment)
    where = "below the skyline" if len(nights) else "up"
    return [*lines, f"no first or last light: the Sun is {where} throughout the span"]


def _hidden_lines(environment: Environment, platform: str) -> list[str]:
    """A line for each body and what hides it."""
    table = environment.occultations
    table, lines = table[table["platform"] == platform], []
    span_s = 60.0 * len(environment.sky)
    for body, behind in COVERS:
        rows = table[(table["body"] == body) & (table["behind"] == behind)]
        parts = []
        for hidden in ("whole disc", "any part"):
            lasting_s = rows.loc[rows["hidden"] == hidden, "duration_s"]
            if len(lasting_s):
                parts.append(
                    f"{hidden} {len(lasting_s)} {'time' if len(lasting_s) == 1 else 'times'}, "
                    f"{100 * lasting_s.sum() / span_s:.2f} % of the span, at most "
                    f"{lasting_s.max() / 60:.1f} min"
                )
        words = "; ".join(parts) or "never"
        lines.append(f"{platform}: the {body} is behind the {behind}: {words}")
    return lines


def _angle_lines(environment: Environment, platform: str) -> list[str]:
    """A line for each angle: what it is in the span, and while the whole Earth is in view."""
    table = environment.sky_of(platform)
    whole = table[table["earth_visible_fraction"] == 1]
    lines = []
    for column, words in OFFERED:
        parts = [f"{table[column].min():.1f} to {table[column].max():.1f} deg"]
        if len(whole):
            there = whole[column]
            parts.append(f"{there.min():.1f} to {there.max():.1f} deg with the whole Earth in view")
        lines.append(f"{platform}: {words}: {', '.join(parts)}")
    return lines
