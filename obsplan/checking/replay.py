"""The books of power and data, kept minute by minute for the slots of a timeline.

The arithmetic is this module's own. It shares nothing with the planner, so that a
mistake there cannot hide here.
"""

from dataclasses import dataclass
from itertools import accumulate
from math import inf

import numpy as np
import pandas as pd

from obsplan.checking.slots import Run
from obsplan.environment.model import Environment, Reading
from obsplan.inputs.hardware import Battery, Platform

MINUTE_H = 1.0 / 60.0
MBIT_PER_KBPS_MIN = 60.0 / 1000.0
# Slack for rounding in sums over a span: far below anything a bus or a battery can show.
POWER_SLACK_W = 1e-9
# A rest this small is rounding, not data.
DATA_DUST_MBIT = 1e-9
# Who is heard where nobody sends: how full the store, how many Mbit, which platform.
NOBODY = (-inf, 0.0, -1)


@dataclass(frozen=True)
class Books:
    """Power and data of a platform over n minutes; levels (n+1,) hold at minute starts."""

    generation_w: np.ndarray
    load_w: np.ndarray
    stored_wh: np.ndarray
    spilled_wh: np.ndarray
    stored_mbit: np.ndarray
    sent_mbit: np.ndarray


def replay(
    environment: Environment, runs: list[Run], may_send: dict[str, np.ndarray], minutes: int
) -> dict[str, Books]:
    """Books of every platform over the first `minutes` minutes of the span.

    `may_send` holds, for the platforms whose sending the timeline plans, the minutes in
    which they may; the others may at any time. The rest follows one rule. Each minute the
    minute's data enters the stores; then platforms that send through another go, by name,
    then those that send to Earth. A platform sends what its rate, its store and the
    receiver's room allow, the transmitter on for the share of the minute that takes, unless
    it would break the bus limit while on; it sends less, or nothing, where the battery
    would be left short, or shorter, of what the loads still to come need.
    A station hears one platform at a time: the one whose store is fuller for its size.
    Where telemetry was read, charge and data go on from what it said. A failed run draws
    power while it lasts and yields no data.
    """
    scenario = environment.scenario
    readings = environment.readings
    drawn_w = {p.name: np.zeros(minutes) for p in scenario.platform}
    taken_mbit = {p.name: np.zeros(minutes) for p in scenario.platform}
    for run in runs:
        _add_profile(run, drawn_w[run.platform], taken_mbit[run.platform])

    generation_w, quiet_w, nets_w, needs_wh = {}, {}, {}, {}
    quotas_mbit, stations = {}, {}
    for platform in scenario.platform:
        name, table = platform.name, environment.platforms[platform.name]
        generation_w[name] = known(table, "generation_w", name, minutes)
        base_w = known(table, "base_load_w", name, minutes)
        rate_kbps = known(table, "rate_kbps", name, minutes)
        quiet_w[name] = base_w + drawn_w[name]
        sending_w = quiet_w[name] + platform.radio.transmit_w
        allowed = sending_w <= platform.bus_limit_w + POWER_SLACK_W
        allowed &= may_send.get(name, True)
        quotas_mbit[name] = np.where(allowed, rate_kbps * MBIT_PER_KBPS_MIN, 0.0)
        nets_w[name] = generation_w[name] - quiet_w[name]
        reading = readings.get(name)
        since = 0 if reading is None or reading.stored_wh is None else reading.minute
        change_wh = _change_wh(platform.battery, nets_w[name])
        # What was needed before a reading can change nothing after it.
        past_wh = _needed_wh(platform.battery, change_wh[:since], platform.battery.reserve)
        needs_wh[name] = past_wh[:since] + _needed_wh(platform.battery, change_wh[since:])
        stations[name] = table["station"].tolist()
    levels_wh, levels_mbit, sent_mbit = _exchange(
        scenario.platform, nets_w, needs_wh, taken_mbit, quotas_mbit, stations, readings
    )

    books = {}
    for platform in scenario.platform:
        name, battery = platform.name, platform.battery
        quota_mbit = np.maximum(quotas_mbit[name], DATA_DUST_MBIT)
        load_w = quiet_w[name] + platform.radio.transmit_w * sent_mbit[name] / quota_mbit
        offered_wh = _change_wh(battery, generation_w[name] - load_w)
        stored_wh = levels_wh[name]
        turned_away_wh = (stored_wh[:-1] + offered_wh - stored_wh[1:]) / battery.charge_efficiency
        above_limit_w = generation_w[name] - load_w - (battery.charge_limit_w or inf)
        # Never below zero by rounding.
        spilled_wh = np.maximum(turned_away_wh, 0.0) + np.maximum(above_limit_w, 0.0) * MINUTE_H
        if name in readings and readings[name].minute > 0:
            # The step to what was measured is no energy that was turned away.
            spilled_wh[readings[name].minute - 1] = 0.0
        books[name] = Books(
            generation_w[name], load_w, stored_wh, spilled_wh, levels_mbit[name], sent_mbit[name]
        )
    return books


def known(table: pd.DataFrame, column: str, platform: str, minutes: int) -> np.ndarray:
    """A platform's column without gaps, as numbers; raises ValueError where one is missing.

    A number that is missing would make every comparison come out false, and so pass.
    """
    values = table[column].to_numpy(dtype=float)[:minutes]
    if not np.isfinite(values).all():
        raise ValueError(f'platform "{platform}": {column} is not known in every minute')
    return values


def _add_profile(run: Run, drawn_w: np.ndarray, taken_mbit: np.ndarray) -> None:
    """Add what a slot draws and takes: warm-up first, then the run, then nothing."""
    activity = run.activity
    warm = run.first + activity.warm_up_min
    marks = (run.first, warm, warm + activity.duration_min)
    first, warm, done = (min(max(min(m, run.last), 0), len(drawn_w)) for m in marks)
    drawn_w[first:warm] += activity.warm_up_w
    drawn_w[warm:done] += activity.power_w
    if run.state == "failed":
        return
    taken_mbit[warm:done] += activity.data_mbit / activity.duration_min


def _change_wh(battery: Battery, net_w: np.ndarray) -> np.ndarray:
    """What each minute's surplus or deficit does to a battery that has room."""
    charged_w = np.minimum(net_w, battery.charge_limit_w or inf) * battery.charge_efficiency
    return np.where(net_w >= 0, charged_w, net_w / battery.discharge_efficiency) * MINUTE_H


def _needed_wh(battery: Battery, change_wh: np.ndarray, end: float | None = None) -> list[float]:
    """Least energy at each minute's start (n+1) that lasts without sending.

    It lasts to the end of the minutes given, where `end` must be left (None: what the
    battery asks for the end of the span), or until the battery is full: what comes after
    that is the same for any level before.
    """
    reserve_wh = battery.reserve * battery.capacity_wh
    end = (battery.end or 0.0) if end is None else end
    end_wh = max(battery.reserve, end) * battery.capacity_wh
    backward = accumulate(
        reversed(change_wh.tolist()),
        lambda need, change: max(min(need, battery.capacity_wh) - change, reserve_wh),
        initial=end_wh,
    )
    return list(backward)[::-1]


def _exchange(
    platforms: tuple[Platform, ...],
    nets_w,
    needs_wh,
    taken_mbit,
    quotas_mbit,
    stations,
    readings: "dict[str, Reading]",
) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray], dict[str, np.ndarray]]:
    """Walk through the minutes: levels in Wh (n+1) and in Mbit (n+1), and Mbit sent (n)."""
    ordered = sorted(platforms, key=lambda p: p.name)
    names = [p.name for p in ordered]
    direct = [k for k, p in enumerate(ordered) if p.radio.to == "earth"]
    relaying = [(k, names.index(p.radio.to)) for k, p in enumerate(ordered) if k not in direct]
    full_wh = [p.battery.capacity_wh for p in ordered]
    full_mbit = [p.store.capacity_mbit for p in ordered]
    net_w = [nets_w[n].tolist() for n in names]
    transmit_w = [p.radio.transmit_w for p in ordered]
    limit_w = [p.battery.charge_limit_w or inf for p in ordered]
    filling = [p.battery.charge_efficiency * MINUTE_H for p in ordered]
    emptying = [MINUTE_H / p.battery.discharge_efficiency for p in ordered]
    need_wh = [needs_wh[n] for n in names]
    taken = [taken_mbit[n].tolist() for n in names]
    quota = [quotas_mbit[n].tolist() for n in names]
    station = [stations[n] for n in names]

    wh = [p.battery.start * p.battery.capacity_wh for p in ordered]
    mbit = [p.store.start_mbit for p in ordered]
    wh_history = [[level] for level in wh]
    mbit_history = [[level] for level in mbit]
    sent_history: list[list[float]] = [[] for _ in ordered]

    def level_wh(k: int, net: float) -> float:
        """The battery's level after a minute of this net power."""
        gain = min(net, limit_w[k]) * filling[k] if net >= 0 else net * emptying[k]
        return min(wh[k] + gain, full_wh[k])

    def sendable_mbit(k: int, minute: int) -> float:
        """What store, rate and battery allow to send in the minute."""
        amount, net = min(mbit[k], quota[k][minute]), net_w[k][minute]
        if amount <= DATA_DUST_MBIT or transmit_w[k] == 0:
            return amount
        # Where silence itself falls short, what it would leave must be left all the same.
        least_wh = min(need_wh[k][minute + 1], level_wh(k, net)) - wh[k]
        least_w = least_wh / (filling[k] if least_wh >= 0 else emptying[k])
        return min(amount, quota[k][minute] * (net - least_w) / transmit_w[k])

    def measure(minute: int) -> None:
        """Go on from what telemetry said when this minute began."""
        for k, name in enumerate(names):
            reading = readings.get(name)
            if reading is not None and reading.minute == minute:
                wh[k] = wh[k] if reading.stored_wh is None else reading.stored_wh
                mbit[k] = mbit[k] if reading.stored_mbit is None else reading.stored_mbit
                wh_history[k][-1], mbit_history[k][-1] = wh[k], mbit[k]

    measured = {reading.minute for reading in readings.values()}
    for minute in range(len(taken[0])):
        if minute in measured:
            measure(minute)
        sent = [0.0] * len(ordered)
        for k, new in enumerate(taken):
            mbit[k] += new[minute]
        for k, to in relaying:
            if quota[k][minute]:
                amount = min(sendable_mbit(k, minute), full_mbit[to] - mbit[to])
                if amount > DATA_DUST_MBIT:
                    sent[k] = amount
                    mbit[k] -= amount
                    mbit[to] += amount
        heard: dict[str | int, tuple[float, float, int]] = {}
        for k in direct:
            if quota[k][minute]:
                amount, fullness = sendable_mbit(k, minute), mbit[k] / full_mbit[k]
                receiver = station[k][minute] or k
                if amount > DATA_DUST_MBIT and fullness > heard.get(receiver, NOBODY)[0]:
                    heard[receiver] = fullness, amount, k
        for _, amount, k in heard.values():
            sent[k] = amount
            mbit[k] -= amount
        for k, amount in enumerate(sent):
            net = net_w[k][minute]
            if amount:
                net -= transmit_w[k] * amount / quota[k][minute]
            wh[k] = level_wh(k, net)
            wh_history[k].append(wh[k])
            mbit_history[k].append(mbit[k])
            sent_history[k].append(amount)

    return tuple(
        {name: np.array(history) for name, history in zip(names, histories)}
        for histories in (wh_history, mbit_history, sent_history)
    )
