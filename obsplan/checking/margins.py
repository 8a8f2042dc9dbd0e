"""The tightest spots of a timeline: how near it comes to each of its limits, where and when."""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from obsplan.checking.condition_rules import Requirement, requirements
from obsplan.checking.replay import MBIT_PER_KBPS_MIN, Books, known
from obsplan.checking.slots import Run
from obsplan.checking.temperature_rules import RANGES, SURVIVAL, SWITCH_ON, room_k
from obsplan.environment.model import Environment
from obsplan.inputs.hardware import Platform
from obsplan.inputs.thermal import Unit

# Smaller amounts are rounding errors of sums.
DUST = 1e-9
# With less than this left, a margin is as good as used up: telemetry of a battery and predictions
# of arrays and links are hardly better than 2 %, and a pass is lost that much later or earlier.
# Common practice, no source.
THIN_SHARE = 0.02
THIN_MIN = 10.0
CONTACT_LEFT = "contact left after slot"


class Margin(NamedTuple):
    """How much is left to a limit, at its least; `minute` counts from the start of the span.

    where: a platform, a unit or the id of a slot. condition: the rule whose window a slot is in,
    "" for all other margins. room: the most that the amount could be, 0 for margins in time.
    """

    margin: str
    where: str
    condition: str
    minute: int
    amount: float
    unit: str
    room: float = 0.0

    @property
    def thin(self) -> bool:
        """Whether energy, power, storage or link are used up, or nearly."""
        if self.room > 0:
            return self.amount < THIN_SHARE * self.room
        return self.margin == CONTACT_LEFT and self.amount < THIN_MIN


def margins(
    environment: Environment, runs: list[Run], books: dict[str, Books], minutes: int, now: int = 0
) -> list[Margin]:
    """The margins from minute `now` to the first `minutes`.

    The least room of every battery, bus and store, what is left to a required end charge, and the
    link to an end limit of storage; the least distance of units to the ends of their ranges; of the
    slots that require contact the one with the least contact left; and of the slots with a
    condition those that begin soonest after the condition is first met and end soonest before it is
    no longer met. A window that is open when the span begins or ends has no edge there, and slots
    that are over have no margin.
    """
    rows: list[Margin] = []
    for platform in environment.scenario.platform:
        since = min(max(now, environment.read_until(platform.name)), minutes)
        rows += _platform_margins(environment, platform, books[platform.name], since, minutes)
        for unit in platform.unit:
            known = max(since, min(environment.measured_until(unit.name), minutes))
            rows += _unit_margins(unit, books[platform.name], runs, known)
    ahead = [run for run in runs if not run.is_over and run.last > now]
    rows += _contact_left(environment, ahead, minutes)
    rows += _window_edges(environment, ahead, minutes)
    return rows


def _platform_margins(
    environment: Environment, platform: Platform, book: Books, since: int, minutes: int
) -> Iterator[Margin]:
    """The margins of a platform's battery, bus, storage and link from minute `since` on."""
    name, battery, full_mbit = platform.name, platform.battery, platform.store.capacity_mbit

    def least(margin: str, left: np.ndarray, unit: str, room: float, first: int = since) -> Margin:
        tightest = first + int(left[first:].argmin())
        amount = float(left[tightest])
        amount = amount if abs(amount) > DUST else 0.0
        return Margin(margin, name, "", tightest, amount, unit, float(room))

    full_wh = battery.usable_wh
    usable_wh = full_wh * (1 - battery.reserve) or full_wh
    reserve_wh = battery.reserve * full_wh
    yield least("state of charge above reserve", book.stored_wh - reserve_wh, "Wh", usable_wh)
    if battery.end is not None and battery.end > battery.reserve:
        left_wh = book.stored_wh - battery.end * full_wh
        yield least("charge above the required end", left_wh, "Wh", usable_wh, minutes)
    bus_w = platform.bus_limit_w
    yield least("bus power headroom", bus_w - book.load_w, "W", bus_w, min(since, minutes - 1))
    if (limit_w := battery.discharge_limit_w) is not None:
        left_w = limit_w - (book.load_w - book.generation_w)
        yield least("battery power headroom", left_w, "W", limit_w, min(since, minutes - 1))
    yield least("free storage", full_mbit - book.stored_mbit, "Mbit", full_mbit)
    if platform.store.end_limit_mbit is not None:
        yield _link_left(environment, platform, book, since, minutes)


def _unit_margins(unit: Unit, book: Books, runs: list[Run], since: int) -> Iterator[Margin]:
    """How near a unit comes to the ends of its ranges, while it must keep them, from `since` on."""
    runs = [r for r in runs if r.activity.instrument in unit.instruments and not r.is_over]
    for rule, key in RANGES.items():
        if (allowed_k := getattr(unit, key)) is None:
            continue
        inside_k = room_k(unit, rule, book)
        bound = np.zeros(len(inside_k), dtype=bool)
        for run in runs:
            bound[max(run.first, 0) : run.first + 1 if rule == SWITCH_ON else run.last + 1] = True
        bound |= rule == SURVIVAL
        bound[:since] = False
        if bound.any():
            tightest = int(np.where(bound, inside_k, np.inf).argmin())
            amount = float(inside_k[tightest])
            room = float(allowed_k[1] - allowed_k[0]) / 2
            yield Margin(f"{rule} in range", unit.name, "", tightest, amount, "K", room)


def _link_left(
    environment: Environment, platform: Platform, book: Books, since: int, minutes: int
) -> Margin:
    """What the link could still carry once no more data are stored than may be at the end.

    Data that come later, or a link that is slower, use it up. The energy of sending is not
    counted here.
    """
    name = platform.name
    rate_kbps = known(environment.platforms[name], "rate_kbps", name, minutes)
    carries_mbit = rate_kbps * MBIT_PER_KBPS_MIN
    assert platform.store.end_limit_mbit is not None
    above = np.flatnonzero(book.stored_mbit > platform.store.end_limit_mbit + DUST)
    down = min(max(since, int(above[-1]) + 1 if len(above) else 0), minutes)
    left_mbit = float((carries_mbit - book.sent_mbit)[down:].sum())
    room_mbit = float(carries_mbit[since:].sum())
    return Margin("link capacity left at the end", name, "", down, left_mbit, "Mbit", room_mbit)


def _contact_left(environment: Environment, runs: list[Run], minutes: int) -> list[Margin]:
    silent = {
        p.name: known(environment.platforms[p.name], "in_contact", p.name, minutes) == 0
        for p in environment.scenario.platform
    }
    left = []
    for run in runs:
        if run.activity.contact == "none" or not 0 <= run.first < minutes:
            continue
        # A run that needs contact at its start alone needs it through its first minute.
        bound = min(run.last, minutes) if run.activity.contact == "whole" else run.first + 1
        lost = np.flatnonzero(silent[run.platform][bound - 1 :])
        loss = bound - 1 + int(lost[0]) if len(lost) else minutes
        left.append((max(loss - bound, 0), bound, run.slot))
    if not left:
        return []
    amount, bound, slot = min(left)
    return [Margin(CONTACT_LEFT, slot, "", bound, float(amount), "min")]


def _window_edges(environment: Environment, runs: list[Run], minutes: int) -> list[Margin]:
    """The least time between a slot and the edges of the windows of its conditions."""
    required: dict[str, list[Requirement]] = {}
    before, after = [], []
    for run in runs:
        name = run.activity.name
        if name not in required:
            every = requirements(run.activity, environment, minutes)
            required[name] = [r for r in every if r.throughout and r.rule != "contact"]
        for requirement in required[name]:
            met = requirement.met
            if not 0 <= run.first < run.last <= minutes or not met[run.first : run.last].all():
                continue  # the check names it as broken
            earlier, later = np.flatnonzero(~met[: run.first]), np.flatnonzero(~met[run.last :])
            if len(earlier):
                open_min = float(run.first - 1 - earlier[-1])
                before.append((open_min, run.first, run.slot, requirement.rule))
            if len(later):
                after.append((float(later[0]), run.last, run.slot, requirement.rule))
    sides = (("window open before slot", before), ("window left after slot", after))
    return [
        Margin(margin, slot, rule, minute, amount, "min")
        for margin, found in sides
        if found
        for amount, minute, slot, rule in [min(found)]
    ]
