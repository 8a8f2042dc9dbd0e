"""The limits of bus, battery and store: one violation for each unbroken stretch beyond one."""

from collections.abc import Iterator
from dataclasses import dataclass
from math import inf

import numpy as np

from obsplan.checking.limits import Limits, limits_of
from obsplan.checking.replay import POWER_SLACK_W, Books, known
from obsplan.checking.slots import Run, SendingRow
from obsplan.checking.violation import Violation
from obsplan.common.intervals import from_mask
from obsplan.common.text import number_text
from obsplan.environment.model import Environment
from obsplan.inputs.hardware import Platform
from obsplan.inputs.scenario import Scenario

# Slack for rounding in sums over a span: far below anything a battery or a store can show.
ENERGY_SLACK_WH = 1e-6
DATA_SLACK_MBIT = 1e-6


@dataclass(frozen=True)
class ResourceRule:
    """A limit of a platform and its words: `holder` "lander" `verb` 5 Wh `limit` 20 Wh.

    kept: the words instead of `limit` for a limit less its margin. More than `slack` beyond the
    limit breaks it. lag: by how many minutes the quantity follows what the runs do. keys: those of
    the platform with which the limit may be kept.
    """

    name: str
    unit: str
    slack: float
    lag: int
    holder: str
    verb: str
    limit: str
    kept: str
    keys: tuple[str, ...]


BATTERY = "Wh", ENERGY_SLACK_WH, 1, "the battery of"
STORE = "Mbit", DATA_SLACK_MBIT, 1, "the storage of"
LOADS = "idle_w", "heater.power_w"
SUPPLY = "battery.capacity_wh", "array.area_m2", *LOADS
LINK = "radio.rate_kbps", "radio.range_limit_m"
RULES = (
    ResourceRule(
        "bus power",
        "W",
        POWER_SLACK_W,
        0,
        "the bus of",
        "supplies",
        "more than its limit of",
        "more than its limit less its margin,",
        ("margins.power_share", "bus_limit_w", *LOADS),
    ),
    ResourceRule(
        "battery power",
        "W",
        POWER_SLACK_W,
        0,
        "the battery of",
        "delivers",
        "more than its limit of",
        "more than its limit of",
        ("battery.discharge_limit_w", *LOADS, "array.area_m2"),
    ),
    ResourceRule(
        "state of charge",
        *BATTERY,
        "is",
        "short of its reserve of",
        "short of its reserve and margin, together",
        ("margins.energy_share", *SUPPLY, "battery.reserve"),
    ),
    ResourceRule(
        "end charge",
        *BATTERY,
        "ends the span",
        "short of the required",
        "short of the required charge and margin, together",
        ("margins.energy_share", *SUPPLY, "battery.end"),
    ),
    ResourceRule(
        "storage",
        *STORE,
        "is",
        "above its capacity of",
        "above its capacity less its margin,",
        ("margins.store_share", "margins.link_share", "store.capacity_mbit", *LINK),
    ),
    ResourceRule(
        "end storage",
        *STORE,
        "ends the span",
        "above its limit of",
        "above its limit of",
        ("margins.link_share", "store.end_limit_mbit", *LINK),
    ),
)
RESOURCE_RULES = tuple(rule.name for rule in RULES)


def resource_violations(
    environment: Environment,
    runs: list[Run],
    books: dict[str, Books],
    sending: list[SendingRow],
    may_send: dict[str, np.ndarray],
    limits: dict[str, Limits],
) -> Iterator[Violation]:
    """Broken `limits` of every platform, from the last telemetry on."""
    scenario = environment.scenario
    for platform in scenario.platform:
        name, book = platform.name, books[platform.name]
        since = environment.read_until(name)
        unused = unused_contact(environment, name, may_send, len(book.load_w))
        whole = limits_of(platform, keep_margins=False)
        amounts, hardware = (_amounts(platform, book, each) for each in (limits[name], whole))
        for rule in RULES:
            limit, excess = amounts[rule.name]
            words = rule.limit if limit == hardware[rule.name][0] else rule.kept
            # Sending may keep margins of other limits, and so let this one be broken.
            kept = "" if limits[name] == whole or words == rule.kept else " with the margins kept"
            beyond = excess > rule.slack
            beyond[:since] = False
            own = [run for run in runs if run.platform in users(scenario, platform, rule)]
            for first, after in from_mask(beyond).tolist():
                worst = first + int(excess[first:after].argmax())
                amount = float(excess[worst])
                near = near_runs(own, max(first - rule.lag, 0), max(worst - rule.lag, 0))
                row = ""
                if rule.unit == "Mbit" and (late := unsent(book, unused, first)):
                    row = _nearest_row(sending, name, *late)
                much = f"{number_text(amount)} {rule.unit}"
                yield Violation(
                    rule.name,
                    scenario.instant_at(first),
                    amount,
                    rule.unit,
                    f'{rule.holder} "{name}" {rule.verb} {much} {words} {number_text(limit)} '
                    f"{rule.unit}{kept} at {scenario.stamp_at(worst)}"
                    f"{lasting(scenario, first, after, len(book.load_w))}",
                    platform=name,
                    slots=tuple(filter(None, [*(run.slot for run in near), row])),
                    until_utc=scenario.instant_at(after),
                )


def _amounts(
    platform: Platform, book: Books, limits: Limits
) -> dict[str, tuple[float, np.ndarray]]:
    """Per rule, the limit and by how much each minute is beyond it."""
    earlier, last = np.full(len(book.load_w), -inf), book.stored_mbit[-1]
    battery_w = platform.battery.discharge_limit_w or inf
    return {
        "bus power": (limits.bus_w, book.load_w - limits.bus_w),
        "battery power": (battery_w, book.load_w - book.generation_w - battery_w),
        "state of charge": (limits.reserve_wh, limits.reserve_wh - book.stored_wh),
        "end charge": (limits.end_wh, np.append(earlier, limits.end_wh - book.stored_wh[-1])),
        "storage": (limits.store_mbit, book.stored_mbit - limits.store_mbit),
        "end storage": (limits.end_mbit, np.append(earlier, last - limits.end_mbit)),
    }


def users(scenario: Scenario, platform: Platform, rule: ResourceRule) -> set[str]:
    """The platforms whose runs use the resource: a store takes what others relay through it."""
    relayed = {p.name for p in scenario.platform if p.radio.to == platform.name}
    return {platform.name} | (relayed if rule.unit == "Mbit" else set())


def lasting(scenario: Scenario, first: int, after: int, minutes: int) -> str:
    """From when until when a limit is broken, in brackets; "" at the end of the span."""
    if first == minutes:
        return ""
    until = scenario.stamp_at(after) if after <= minutes else "the end of the span"
    return f" (from {scenario.stamp_at(first)} until {until})"


def unused_contact(
    environment: Environment, platform: str, may_send: dict[str, np.ndarray], minutes: int
) -> np.ndarray:
    """The minutes (n,) in which the link of a platform is open and it may not send."""
    if platform not in may_send:
        return np.zeros(minutes, dtype=bool)
    rate_kbps = known(environment.platforms[platform], "rate_kbps", platform, minutes)
    closed: np.ndarray = (rate_kbps > 0) & ~may_send[platform]
    return closed


def unsent(book: Books, unused: np.ndarray, end: int) -> tuple[int, int] | None:
    """The longest contact left unused before minute `end` while there are data; None if none is.

    `unused` are the minutes in which the link is open and the platform may not send. Contact while
    the store is empty would change nothing.
    """
    empty = np.flatnonzero(book.stored_mbit[:end] <= DATA_SLACK_MBIT)
    since = int(empty[-1]) if len(empty) else 0
    stretches = (since + from_mask(unused[since:end])).tolist()
    if not stretches:
        return None
    first, after = max(stretches, key=lambda stretch: stretch[1] - stretch[0])
    return int(first), int(after)


def _nearest_row(sending: list[SendingRow], platform: str, first: int, after: int) -> str:
    """The id of the transmit window of a platform that is nearest to a stretch of minutes."""
    own = [row for row in sending if row.platform == platform]
    nearest = min(own, key=lambda r: max(first - r.end_min, r.start_min - after), default=None)
    return nearest.slot if nearest else ""


def near_runs(runs: list[Run], *minutes: int) -> list[Run]:
    """The runs in progress in these minutes, else the one that ended last before them."""
    running = [r for r in runs if any(r.first <= minute < r.last for minute in minutes)]
    ended = [r for r in runs if r.last <= minutes[-1]]
    return running or ([max(ended, key=lambda r: r.end_min)] if ended else [])
