"""Arguments and options that several commands share, and how their values are parsed."""

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import click

from obsplan.cli.paths import InputPath, OutputDirectory, OutputFile, Picture
from obsplan.common.errors import ScenarioError
from obsplan.common.instants import full_stamp, instant_from

# Where a name of --keep-out is looked for, in order.
KEEP_OUT_KINDS = ("activity", "instrument", "platform")


class Date(click.ParamType):
    """A date or a time; without a zone it is UTC."""

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
    """A length of time such as 24h, 90min or 2d, in hours; 0h only if `zero_allowed`."""

    name = "time"
    UNITS = {"min": 1 / 60, "h": 1.0, "d": 24.0}

    def __init__(self, zero_allowed: bool = False):
        self.zero_allowed = zero_allowed

    def convert(self, value, param, ctx) -> float:
        if isinstance(value, float):
            return value
        unit = next((u for u in self.UNITS if value.endswith(u)), "")
        try:
            hours = float(value.removesuffix(unit)) * self.UNITS[unit]
        except (KeyError, ValueError):
            hours = -1.0
        if not 0 <= hours <= 700 or (hours == 0 and not self.zero_allowed):
            self.fail(f"'{value}' is not a time up to 700 h; write it like 24h, 90min or 2d")
        return hours


class Finite(click.FloatRange):
    """A number within limits; unlike click's own range it rejects "nan"."""

    def convert(self, value, param, ctx) -> float:
        number = super().convert(value, param, ctx)
        if number != number:
            self.fail("must be a number", param, ctx)
        return number


def instant_of(text: str, option: str) -> datetime:
    """The UTC time `text`, to the second; `option` names it in errors.

    Raises ScenarioError if it is not a time, has no zone or is of an odd year.
    """
    try:
        return instant_from(text).replace(microsecond=0)
    except ValueError as problem:
        raise ScenarioError(f"{option} {text!r}: {problem}") from None


def with_keep_outs(scenario, given: Sequence[tuple[str, str, str]]):
    """The scenario with keep-outs of the option --keep-out: a name, from and until.

    The name is that of an activity, an instrument or a platform, the first that has it. Raises
    ScenarioError if nothing has it, for a time that is none, and if the times cross.
    """
    from obsplan.common.text import did_you_mean
    from obsplan.inputs.keep_out import KeepOut

    keep_outs = list(scenario.keep_out)
    for name, since, until in given:
        from_utc, until_utc = (instant_of(text, "--keep-out") for text in (since, until))
        if from_utc.second or until_utc.second:
            raise ScenarioError(f"--keep-out {name!r}: the times must be whole minutes")
        if until_utc <= from_utc:
            raise ScenarioError(f"--keep-out {name!r}: {until} must be after {since}")
        parts = {k: [p.name for p in getattr(scenario, k)] for k in KEEP_OUT_KINDS}
        kind = next((k for k in KEEP_OUT_KINDS if name in parts[k]), None)
        if kind is None:
            known = [each for names in parts.values() for each in names]
            raise ScenarioError(
                f"--keep-out {name!r}: no such activity, instrument or platform; "
                f"{did_you_mean(name, known)}"
            )
        keep_outs.append(KeepOut(**{kind: name}, from_utc=from_utc, until_utc=until_utc))
    return scenario.model_copy(update={"keep_out": tuple(keep_outs)})


def with_pins(scenario, given: Sequence[str]):
    """The scenario with pins of the option --pin, each ACTIVITY@TIME.

    Raises ScenarioError for an unknown activity, a time that is none, and pins that cannot be.
    """
    from obsplan.common.text import did_you_mean
    from obsplan.inputs.pin import Pin
    from obsplan.inputs.pin_checks import Pinned, pin_errors

    pins = [Pinned("pin", pin.activity, pin.start_utc) for pin in scenario.pin]
    names = [activity.name for activity in scenario.activity]
    for text in given:
        name, at, time = text.rpartition("@")
        if not at:
            raise ScenarioError(f"--pin {text!r}: write it like 'drive@2028-07-03T10:00:00Z'")
        if name not in names:
            raise ScenarioError(f"--pin {text!r}: no such activity; {did_you_mean(name, names)}")
        pins.append(Pinned(f"--pin {text!r}", name, instant_of(time, "--pin")))
    counts = {activity.name: activity.count for activity in scenario.activity}
    span = scenario.span
    if errors := [*pin_errors(pins, span.start_utc, span.end_utc, span.step_min, counts)]:
        raise ScenarioError(*errors)
    kept = tuple(Pin(activity=pin.activity, start_utc=pin.start_utc) for pin in pins)
    return scenario.model_copy(update={"pin": kept})


def instant_in_span(text: str, scenario, option: str) -> datetime:
    """The same for a time in the scenario's span; raises ScenarioError if it lies outside."""
    instant = instant_of(text, option)
    if not is_in_span(instant, scenario):
        first, end = scenario.span.start_utc, scenario.span.end_utc
        raise ScenarioError(
            f"{option} {text!r}: outside the span; allowed is {full_stamp(first)} to before "
            f"{full_stamp(end)}"
        )
    return instant


def is_in_span(instant: datetime, scenario) -> bool:
    """Whether an instant lies in the scenario's span."""
    return bool(scenario.span.start_utc <= instant < scenario.span.end_utc)


def example(*lines: str) -> str:
    """The end of a command's help: lines that can be copied into a shell."""
    return "\n".join(["\b", "Example:", *(f"  {line}" for line in lines)])


def _files_of_scenario(path: Path) -> list[Path]:
    from obsplan.inputs.named_files import files_of_scenario

    return files_of_scenario(path)


def _beside_timeline(path: Path) -> list[Path]:
    """What is read with a timeline if it lies in a plan directory."""
    return [path.with_name("summary.json"), path.with_name("plan.ics")]


INPUT, TIMELINE = InputPath(), InputPath(named=_beside_timeline)
OUTPUT_FILE, OUTPUT_DIRECTORY, PICTURE = OutputFile(), OutputDirectory(), Picture()

SCENARIO = click.argument(
    "scenario_path", metavar="SCENARIO", type=InputPath(named=_files_of_scenario)
)
KEEP_OUT = click.option(
    "--keep-out",
    "keep_outs",
    nargs=3,
    multiple=True,
    metavar="NAME FROM UNTIL",
    help="Another keep-out of an activity, instrument or platform, for a quick try.",
)
PIN = click.option(
    "--pin",
    "pins",
    multiple=True,
    metavar="ACTIVITY@TIME",
    help="Another pin: a run of the activity must start at this UTC time, for a quick try; as in "
    "'drive@2028-07-05T09:00:00Z'.",
)
ALLOW_OUTSIDE = click.option(
    "--allow-outside",
    is_flag=True,
    help="Files named in input files may lie outside their folders; only if you trust those.",
)
EPHEMERIS = click.option(
    "--ephemeris",
    type=INPUT,
    metavar="DIRECTORY",
    help="Use the kernels in this directory, not the built-in ones: one .bsp, one .bpc, one .tf.",
)
TABLE = click.option("-o", "--output", type=OUTPUT_FILE, help="Write the table to this CSV file.")
FIGURE = click.option(
    "--figure", type=PICTURE, help="Draw a figure into this .png, .svg or .pdf file."
)
FIRST_DATE = click.option("--from", "first", type=Date(), required=True, help="First date, UTC.")
LAST_DATE = click.option("--to", "last", type=Date(), required=True, help="Last date, UTC.")
PLANNED = click.option(
    "--plan", "planned", is_flag=True, help="Run the planner for each lunar day; rank by value."
)
GAP = click.option(
    "--gap",
    type=Finite(0, 1),
    default=0.01,
    show_default=True,
    help="Stop once the plan is proven to be within this share of the upper bound.",
)
FORMAT = click.option(
    "--format",
    "form",
    type=click.Choice(["png", "svg", "pdf"]),
    default="png",
    show_default=True,
    help="The file format of the figures.",
)
JUDGES = "minimum-goals", "mean", "mean-worst-10-percent"
# Minimum goals if the scenario has any, else the mean value.
BY_DEFAULT = "default"


def _keep_judge(ctx: click.Context, param: click.Parameter, value: str | None) -> None:
    ctx.meta[__name__] = value


def _judge(ctx: click.Context, param: click.Parameter, value: bool) -> str | None:
    """Who judges futures, None if there is nothing to judge.

    Raises UsageError if only the judge is named.
    """
    if ctx.meta[__name__] and not value:
        raise click.UsageError(f"--judge {ctx.meta[__name__]} needs --futures.", ctx)
    return (ctx.meta[__name__] or BY_DEFAULT) if value else None


FUTURES = click.option(
    "--futures",
    "judge",
    is_flag=True,
    callback=_judge,
    help="Also make plans for less of arrays and link, for more reserve and with spare runs; keep "
    "the best one in the futures of the [[uncertainty]] tables.",
)
JUDGE = click.option(
    "--judge",
    "judged_by",
    type=click.Choice(JUDGES),
    is_eager=True,
    expose_value=False,
    callback=_keep_judge,
    help="What --futures judges by: the chance that all goals reach their minimum (default if a "
    "goal has one), the mean value (default otherwise), or the mean of the worst tenth.",
)
TELEMETRY = click.option(
    "--state",
    "telemetry",
    type=INPUT,
    metavar="TOML",
    help="What telemetry says now; `obsplan keys telemetry` explains the file.",
)


def effort_option(default: str):
    """How much to search; `default` differs between commands."""
    return click.option(
        "--effort",
        type=click.Choice(["low", "normal", "high"]),
        default=default,
        show_default=True,
        help="How much to search, counted in work, not time: same plan on every machine.",
    )
