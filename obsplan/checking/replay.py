"""Replay of a timeline: power and data of every platform, minute by minute.

The arithmetic is this module's own. It shares nothing with the planner, so that a
mistake there cannot hide here.
"""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import accumulate
from math import inf

import numpy as np
import pandas as pd

from obsplan.checking.generation_by_place import generated_w
from obsplan.checking.limits import Limits
from obsplan.checking.pointing_rules import turned_away
from obsplan.checking.run_profiles import run_profiles
from obsplan.checking.slots import Run
from obsplan.checking.station_rules import held_by_others
from obsplan.checking.unit_replay import replay_units
from obsplan.environment.model import GENERATION, Environment
from obsplan.inputs.hardware import Battery, Platform

MINUTE_H = 1.0 / 60.0
MBIT_PER_KBPS_MIN = 60.0 / 1000.0
# Slack for rounding in sums over a span: far below anything a bus or a battery can show.
POWER_SLACK_W = 1e-9
# Smaller amounts are rounding errors, not data.
DATA_DUST_MBIT = 1e-9


@dataclass(frozen=True)
class Books:
    """Power and data of a platform over n minutes; levels (n+1,) are those at minute starts.

    temperature_k: the levels of its units by `Unit.columns`. too_cold: the minutes (n,) in which
    the battery is too cold to take charge.
    """

    generation_w: np.ndarray
    load_w: np.ndarray
    stored_wh: np.ndarray
    spilled_wh: np.ndarray
    stored_mbit: np.ndarray
    sent_mbit: np.ndarray
    temperature_k: dict[str, np.ndarray]
    too_cold: np.ndarray


def replay(
    environment: Environment,
    runs: list[Run],
    may_send: dict[str, np.ndarray],
    minutes: int,
    limits: dict[str, Limits],
) -> dict[str, Books]:
    """Books of every platform over the first `minutes` minutes of the span.

    `limits` are those that sending keeps. `may_send` has the minutes in which platforms with
    transmit windows may send; platforms that are not in it may send at any time. In each minute its
    data enter the stores first; then platforms that send to another send, in order of name, then
    those that send to Earth. A platform sends what its rate, its store and the receiver's free
    storage allow. The transmitter is on for the share of the minute that this takes, from the
    minute's beginning, and stays off if it would break the bus limit, or while a fixed antenna
    points elsewhere. Fixed arrays yield nothing while a run points elsewhere than at the Sun. What
    the arrays yield beyond the loads charges the battery while it is off. A platform sends less, or
    nothing, if sending would leave the battery short (or shorter) of what later loads need. A
    station receives one platform at a time: the one of which a run is in contact throughout, else
    the one whose store is fuller relative to its capacity. From each time that telemetry was read,
    charge and data continue from its readings. A failed run draws power while it lasts and yields
    no data. Runs warm the units of their platform, so that heaters draw less; a battery that is too
    cold takes no charge.
    """
    books = {
        platform.name: PlatformBook(
            environment,
            platform,
            [run for run in runs if run.platform == platform.name],
            may_send.get(platform.name, np.ones(minutes, dtype=bool)),
            held_by_others(environment, platform.name, runs, minutes),
            limits[platform.name],
        )
        for platform in environment.scenario.platform
    }
    ordered = [books[name] for name in sorted(books)]
    relayed = [(book, books[book.to]) for book in ordered if book.to != "earth"]
    direct = [book for book in ordered if book.to == "earth"]
    for minute in range(minutes):
        for book in ordered:
            book.take(minute)
        for book, receiver in relayed:
            _relay(book, receiver, minute)
        _downlink(direct, minute)
        for book in ordered:
            book.close(minute)
    return {name: book.settled() for name, book in books.items()}


def _relay(book: "PlatformBook", receiver: "PlatformBook", minute: int) -> None:
    """Send to another platform as much as its store has room for."""
    if amount := book.sendable_mbit(minute):
        amount = min(amount, receiver.full_mbit - receiver.mbit)
        if amount > DATA_DUST_MBIT:
            book.send(amount)
            receiver.mbit += amount


def _downlink(direct: list["PlatformBook"], minute: int) -> None:
    """Send to Earth: of the platforms that share a station the one with the fuller store."""
    heard: dict[object, tuple[float, PlatformBook]] = {}
    for book in direct:
        if amount := book.sendable_mbit(minute):
            receiver = book.station[minute] or book
            if receiver not in heard or book.fullness > heard[receiver][1].fullness:
                heard[receiver] = amount, book
    for amount, book in heard.values():
        book.send(amount)


class PlatformBook:
    """Battery and store of one platform, walked through minute after minute.

    Each minute begins with `take`, may have a `send` and ends with `close`. Minutes in which
    nothing is sent change the battery by `quiet_change_wh`; they are added up only when its level
    is needed. quota_mbit is what the link can carry in a minute, 0 while the platform may not send.
    `held` are the minutes in which its station serves another.
    """

    def __init__(
        self,
        environment: Environment,
        platform: Platform,
        runs: list[Run],
        may_send: np.ndarray,
        held: np.ndarray,
        limits: Limits,
    ):
        minutes = len(held)
        name, table = platform.name, environment.platforms[platform.name]
        self.battery, self.to, self.limits = platform.battery, platform.radio.to, limits
        self.transmit_w = platform.radio.transmit_w
        self.readings = {each.minute: each for each in environment.readings.get(name, ())}
        drawn_w, taken_mbit = run_profiles(runs, minutes)
        generation = {GENERATION: generated_w(environment, name, runs, minutes)}
        self.generation_w = known(generation, GENERATION, name, minutes)
        self.units = replay_units(environment, platform, runs, minutes)
        base_w = known(table, "base_load_w", name, minutes) + self.units.more_heater_w
        self.quiet_w = base_w + drawn_w
        delivered_w = self.generation_w + (self.battery.discharge_limit_w or inf)
        limit_w = np.minimum(limits.bus_w, delivered_w)
        allowed = self.quiet_w + self.transmit_w <= limit_w + POWER_SLACK_W
        rate_kbps = known(table, "rate_kbps", name, minutes)
        allowed &= may_send & ~turned_away(platform, runs, minutes) & ~held
        quota_mbit = np.where(allowed, rate_kbps * MBIT_PER_KBPS_MIN, 0.0)

        # Lists are read faster than arrays, one number at a time.
        self.taken_mbit: list[float] = taken_mbit.tolist()
        self.quota_mbit: list[float] = quota_mbit.tolist()
        self.station = table["station"].tolist()
        self.full_wh, self.full_mbit = self.battery.usable_wh, limits.store_mbit
        limit_w = np.where(self.units.charges, self.battery.charge_limit_w or inf, 0.0)
        self.charge_limit_w = np.broadcast_to(limit_w, minutes)
        self.wh_per_w_in = self.battery.charge_efficiency * MINUTE_H
        self.wh_per_w_out = MINUTE_H / self.battery.discharge_efficiency
        net_w = self.generation_w - self.quiet_w
        self.after_wh = charging(self.battery)
        self.quiet_change_wh = self.changes_wh(net_w)
        self.sending_change_wh = self.changes_wh(net_w - self.transmit_w)
        self.need_wh = self._needs_wh()

        self.mbit: float = platform.store.start_mbit
        self.sent = 0.0
        self.stored_wh: list[float] = [self.battery.start * self.full_wh]
        self.stored_mbit = [self.mbit]
        self.sent_mbit = [0.0] * minutes

    @property
    def fullness(self) -> float:
        """Share of the store that is taken."""
        return self.mbit / self.full_mbit

    def changes_wh(self, net_w: np.ndarray) -> list[float]:
        """Change of the stored energy by the surplus of each minute, ignoring the capacity."""
        charged_wh = np.minimum(net_w, self.charge_limit_w) * self.wh_per_w_in
        changes_wh: list[float] = np.where(
            net_w >= 0, charged_wh, net_w * self.wh_per_w_out
        ).tolist()
        return changes_wh

    def level_wh(self, minute: int) -> float:
        """Stored energy when the minute begins."""
        silent = self.quiet_change_wh[len(self.stored_wh) - 1 : minute]
        if silent:
            levels_wh = accumulate(silent, self.after_wh, initial=self.stored_wh.pop())
            self.stored_wh.extend(levels_wh)
        return self.stored_wh[minute]

    def take(self, minute: int) -> None:
        """Go on from telemetry if it was read now, and take in the data of the minute."""
        if reading := self.readings.get(minute):
            if reading.stored_wh is not None:
                self.level_wh(minute)
                self.stored_wh[minute] = reading.stored_wh
            if reading.stored_mbit is not None:
                self.stored_mbit[minute] = self.mbit = reading.stored_mbit
        self.mbit += self.taken_mbit[minute]

    def sendable_mbit(self, minute: int) -> float:
        """What store, rate and battery allow to send in the minute; 0 if that is only rounding."""
        quota_mbit = self.quota_mbit[minute]
        if self.mbit <= DATA_DUST_MBIT or quota_mbit <= DATA_DUST_MBIT:
            return 0.0
        amount: float = min(self.mbit, quota_mbit * self.limits.link)
        if self.transmit_w == 0:
            return amount
        # If the battery is short even without sending, sending may not make it worse.
        now_wh = self.level_wh(minute)
        silent_wh = self.after_wh(now_wh, self.quiet_change_wh[minute])
        least_wh = min(self.need_wh[minute + 1], silent_wh)
        quiet_wh = self.quiet_change_wh[minute]
        if (cost_wh := quiet_wh - self.sending_change_wh[minute]) > 0:
            amount = min(amount, quota_mbit * (now_wh + quiet_wh - least_wh) / cost_wh)
        return amount if amount > DATA_DUST_MBIT else 0.0

    def send(self, amount_mbit: float) -> None:
        """Send `amount_mbit` in the minute."""
        self.sent = amount_mbit
        self.mbit -= amount_mbit

    def close(self, minute: int) -> None:
        """Enter the minute in the books: the data it leaves, and what sending took."""
        self.stored_mbit.append(self.mbit)
        if self.sent:
            on = self.sent / self.quota_mbit[minute]
            change_wh = on * self.sending_change_wh[minute]
            change_wh += (1 - on) * self.quiet_change_wh[minute]
            self.stored_wh.append(self.after_wh(self.level_wh(minute), change_wh))
            self.sent_mbit[minute], self.sent = self.sent, 0.0

    def settled(self) -> Books:
        """The books of all minutes, including the energy that the battery had no room for."""
        self.level_wh(len(self.sent_mbit))
        sent_mbit, stored_wh = np.array(self.sent_mbit), np.array(self.stored_wh)
        quota_mbit = np.maximum(self.quota_mbit, DATA_DUST_MBIT)
        on = sent_mbit / quota_mbit
        offered_wh = on * np.array(self.sending_change_wh)
        offered_wh += (1 - on) * np.array(self.quiet_change_wh)
        refused_wh = (stored_wh[:-1] + offered_wh - stored_wh[1:]) / self.battery.charge_efficiency
        # Never below zero by rounding.
        spilled_wh = np.maximum(refused_wh, 0.0)
        for share, drawn_w in ((on, self.quiet_w + self.transmit_w), (1 - on, self.quiet_w)):
            beyond_w = np.maximum(self.generation_w - drawn_w - self.charge_limit_w, 0.0)
            spilled_wh += share * beyond_w * MINUTE_H
        # The jump to a measured level is not spilled energy.
        spilled_wh[[minute - 1 for minute in self.readings if minute > 0]] = 0.0
        stored_mbit = np.array(self.stored_mbit)
        load_w = self.quiet_w + self.transmit_w * on
        return Books(
            self.generation_w,
            load_w,
            stored_wh,
            spilled_wh,
            stored_mbit,
            sent_mbit,
            self.units.temperature_k,
            np.broadcast_to(np.logical_not(self.units.charges), len(sent_mbit)),
        )

    def _needs_wh(self) -> list[float]:
        """Least energy at each minute's start (n+1) that lasts to the end without sending."""
        battery, limits, change_wh = self.battery, self.limits, self.quiet_change_wh
        needs_wh: list[float] = []
        # Needs before a reading do not affect what comes after it.
        for minute, reading in self.readings.items():
            if reading.stored_wh is not None:
                before_wh = change_wh[len(needs_wh) : minute]
                needs_wh += needed_wh(battery, before_wh, limits.reserve_wh, -inf)[:-1]
        after_wh = change_wh[len(needs_wh) :]
        return needs_wh + needed_wh(battery, after_wh, limits.reserve_wh, limits.end_wh)


def known(
    table: pd.DataFrame | dict[str, np.ndarray], column: str, platform: str, minutes: int
) -> np.ndarray:
    """A platform's column without gaps, as numbers; raises ValueError if one is missing.

    A missing number would make every comparison false, and so pass every check.
    """
    values = np.asarray(table[column], dtype=float)[:minutes]
    if not np.isfinite(values).all():
        raise ValueError(f'platform "{platform}": {column} is not known in every minute')
    return values


def needed_wh(
    battery: Battery, change_wh: list[float], reserve_wh: float, end_wh: float
) -> list[float]:
    """Least energy at each minute's start (n+1) that lasts without sending.

    It lasts to the end of the minutes given, never below `reserve_wh` and with `end_wh` left, or
    until the battery is full: what comes after that is the same for any level before.
    """
    full_wh, taper = battery.usable_wh, taper_of(battery)
    end_wh = max(reserve_wh, end_wh)

    def before_wh(need_wh: float, change_wh: float) -> float:
        need_wh = min(need_wh, full_wh)
        least_wh = need_wh - change_wh
        if 0 < taper < 1 and change_wh > 0:
            least_wh = max(least_wh, (need_wh - taper * full_wh) / (1 - taper))
        return max(least_wh, reserve_wh)

    return list(accumulate(reversed(change_wh), before_wh, initial=end_wh))[::-1]


def charging(battery: Battery) -> Callable[[float, float], float]:
    """The level after a change: no more than full, and near full no faster than it takes."""
    full_wh, taper = battery.usable_wh, taper_of(battery)
    if not taper:
        return lambda level_wh, change_wh: min(level_wh + change_wh, full_wh)
    return lambda level_wh, change_wh: min(
        level_wh + min(change_wh, taper * (full_wh - level_wh)), full_wh
    )


def taper_of(battery: Battery) -> float:
    """What the battery takes in a minute at most, per Wh that it lacks to be full; 0: no limit."""
    if battery.taper_above is None or battery.charge_limit_w is None:
        return 0.0
    slope_w = battery.charge_limit_w / (1 - battery.taper_above)
    return slope_w * battery.charge_efficiency * MINUTE_H / battery.usable_wh
