"""Arguments and options that several commands share, and the kinds of their values."""

from datetime import UTC, datetime
from pathlib import Path

import click


class Instant(click.ParamType):
    """A date or an instant; without a zone it is UTC."""

    name = "date"

    def convert(self, value, param, ctx) -> datetime:
        if isinstance(value, datetime):
            return value
        try:
            instant = datetime.fromisoformat(value)
        except ValueError:
            self.fail(f"'{value}' is not a date; write it like 2028-07-01 or 2028-07-01T00:00:00Z")
        if instant.tzinfo is None:
            instant = instant.replace(tzinfo=UTC)
        if not 1900 <= instant.year <= 2200:
            self.fail(f"'{value}': the year is out of range; allowed are 1900 to 2200")
        return instant.astimezone(UTC)


class Hours(click.ParamType):
    """A length of time like 24h, 90min or 2d, in hours; 0h only with `or_none`."""

    name = "time"
    UNITS = {"min": 1 / 60, "h": 1.0, "d": 24.0}

    def __init__(self, or_none: bool = False):
        self.or_none = or_none

    def convert(self, value, param, ctx) -> float:
        if isinstance(value, float):
            return value
        unit = next((u for u in self.UNITS if value.endswith(u)), "")
        try:
            hours = float(value.removesuffix(unit)) * self.UNITS[unit]
        except (KeyError, ValueError):
            hours = -1.0
        if not 0 <= hours <= 700 or (hours == 0 and not self.or_none):
            self.fail(f"'{value}' is not a time up to 700 h; write it like 24h, 90min or 2d")
        return hours


class Share(click.FloatRange):
    """A share from 0 to 1; what is no number at all is refused, too."""

    def __init__(self):
        super().__init__(0, 1)

    def convert(self, value, param, ctx) -> float:
        share = super().convert(value, param, ctx)
        if share != share:
            self.fail("must be a number from 0 to 1", param, ctx)
        return share


SCENARIO = click.argument("scenario", type=click.Path(path_type=Path))
EPHEMERIS = click.option(
    "--ephemeris",
    type=click.Path(path_type=Path),
    help="Directory with other kernels: one .bsp, one .bpc, one .tf.",
)
TABLE = click.option(
    "-o", "--output", type=click.Path(path_type=Path), help="Write the table here, as CSV."
)
FIGURE = click.option(
    "--figure", type=click.Path(path_type=Path), help="Draw it: .png, .svg or .pdf."
)
GAP = click.option(
    "--gap",
    type=Share(),
    default=0.01,
    show_default=True,
    help="Stop once the plan is proven this close to the best possible.",
)
STATE = click.option(
    "--state",
    "told",
    type=click.Path(path_type=Path),
    help="What telemetry says now, as TOML: charge, data, what is out, fate of slots.",
)
