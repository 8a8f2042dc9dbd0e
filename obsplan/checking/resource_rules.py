"""The limits of bus, battery and store: one violation for each unbroken stretch beyond one."""

from collections.abc import Iterator
from dataclasses import dataclass
from math import inf

import numpy as np

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

    More than `slack` beyond the limit breaks it. lag: by how many minutes the quantity follows
    what the runs do. The fix is: `do` 5 Wh `how`.
    """

    name: str
    unit: str
    slack: float
    lag: int
    holder: str
    verb: str
    limit: str
    do: str
    how: str


BATTERY = "Wh", ENERGY_SLACK_WH, 1, "the battery of"
STORE = "Mbit", DATA_SLACK_MBIT, 1, "the storage of"
KEEP = "keep", "more in the battery by then"
SEND = "take", "less, or send that much more, before then"
RULES = (
    ResourceRule(
        "bus power",
        "W",
        POWER_SLACK_W,
        0,
        "the bus of",
        "supplies",
        "more than its limit of",
        "draw",
        "less then",
    ),
    ResourceRule("state of charge", *BATTERY, "is", "short of its reserve of", *KEEP),
    ResourceRule("end charge", *BATTERY, "ends the span", "short of the required", *KEEP),
    ResourceRule("storage", *STORE, "is", "above its capacity of", *SEND),
    ResourceRule("end storage", *STORE, "ends the span", "above its limit of", *SEND),
)
RESOURCE_RULES = tuple(rule.name for rule in RULES)


def resource_violations(
    environment: Environment,
    runs: list[Run],
    books: dict[str, Books],
    sending: list[SendingRow],
    may_send: dict[str, np.ndarray],
) -> Iterator[Violation]:
    """Broken limits of every platform, from the last telemetry on."""
    scenario = environment.scenario
    for platform in scenario.platform:
        name, book = platform.name, books[platform.name]
        since = environment.read_until(name)
        unused = np.zeros(len(book.load_w), dtype=bool)
        if name in may_send:
            rate_kbps = known(environment.platforms[name], "rate_kbps", name, len(unused))
            unused = (rate_kbps > 0) & ~may_send[name]
        limits = _limits(platform, book)
        for rule in RULES:
            limit, excess = limits[rule.name]
            beyond = excess > rule.slack
            beyond[:since] = False
            own = [run for run in runs if run.platform in _users(scenario, platform, rule)]
            for first, after in from_mask(beyond).tolist():
                worst = first + int(excess[first:after].argmax())
                amount = float(excess[worst])
                near = _near(own, max(first - rule.lag, 0), max(worst - rule.lag, 0))
                row, by_sending = "", ""
                if rule.unit == "Mbit":
                    row, by_sending = _unsent(scenario, platform, book, sending, unused, first)
                much = f"{number_text(amount)} {rule.unit}"
                yield Violation(
                    rule.name,
                    scenario.instant_at(first),
                    amount,
                    rule.unit,
                    f'{rule.holder} "{name}" {rule.verb} {much} {rule.limit} {number_text(limit)} '
                    f"{rule.unit} at {scenario.stamp_at(worst)}"
                    f"{_lasting(scenario, first, after, len(book.load_w))}",
                    f"{rule.do} {much} {rule.how}{_by_moving(near)}{by_sending}",
                    platform=name,
                    slots=tuple(filter(None, [*(run.slot for run in near), row])),
                )


def _limits(platform: Platform, book: Books) -> dict[str, tuple[float, np.ndarray]]:
    """Per rule, the limit and by how much each minute is beyond it."""
    battery, store = platform.battery, platform.store
    reserve_wh = battery.reserve * battery.capacity_wh
    end_wh = -inf if battery.end is None else battery.end * battery.capacity_wh
    end_mbit = inf if store.end_limit_mbit is None else store.end_limit_mbit
    earlier = np.full(len(book.load_w), -inf)
    return {
        "bus power": (platform.bus_limit_w, book.load_w - platform.bus_limit_w),
        "state of charge": (reserve_wh, reserve_wh - book.stored_wh),
        "end charge": (end_wh, np.append(earlier, end_wh - book.stored_wh[-1])),
        "storage": (store.capacity_mbit, book.stored_mbit - store.capacity_mbit),
        "end storage": (end_mbit, np.append(earlier, book.stored_mbit[-1] - end_mbit)),
    }


def _users(scenario: Scenario, platform: Platform, rule: ResourceRule) -> set[str]:
    """The platforms whose runs use the resource: a store takes what others relay through it."""
    relayed = {p.name for p in scenario.platform if p.radio.to == platform.name}
    return {platform.name} | (relayed if rule.unit == "Mbit" else set())


def _lasting(scenario: Scenario, first: int, after: int, minutes: int) -> str:
    if first == minutes:
        return ""
    until = scenario.stamp_at(after) if after <= minutes else "the end of the span"
    return f" (from {scenario.stamp_at(first)} until {until})"


def _unsent(
    scenario: Scenario,
    platform: Platform,
    book: Books,
    sending: list[SendingRow],
    unused: np.ndarray,
    end: int,
) -> tuple[str, str]:
    """The transmit window to widen, and in words the contact it leaves unused before `end`.

    `unused` are the minutes in which the link is open and the platform may not send. Contact while
    the store is empty would change nothing.
    """
    empty = np.flatnonzero(book.stored_mbit[:end] <= DATA_SLACK_MBIT)
    since = int(empty[-1]) if len(empty) else 0
    stretches = since + from_mask(unused[since:end])
    if not len(stretches):
        return "", ""
    first, after = max(stretches.tolist(), key=lambda stretch: stretch[1] - stretch[0])
    name = next(n for n, owner in scenario.sending_names.items() if owner == platform.name)
    own = [row for row in sending if row.platform == platform.name]
    nearest = min(own, key=lambda r: max(first - r.end_min, r.start_min - after), default=None)
    row = f'a row "{name}"' if nearest is None else f'"{name}" (slot {nearest.slot})'
    words = f"from {scenario.stamp_at(first)} to {scenario.stamp_at(after)}"
    # Whether that takes energy from what is sent now is not tried here.
    spared = "if later sending does not need that energy"
    way = f", or by letting {row} send in the contact {words} too, {spared}"
    return nearest.slot if nearest else "", way


def _near(runs: list[Run], *minutes: int) -> list[Run]:
    """The runs in progress in these minutes, else the one that ended last before them."""
    running = [r for r in runs if any(r.first <= minute < r.last for minute in minutes)]
    ended = [r for r in runs if r.last <= minutes[-1]]
    return running or ([max(ended, key=lambda r: r.end_min)] if ended else [])


def _by_moving(runs: list[Run]) -> str:
    named = [str(run) for run in runs[:3]]
    named += [f"{len(runs) - 3} more that run then"] if len(runs) > 3 else []
    return f", for instance by moving or dropping {' or '.join(named)}" if runs else ""
