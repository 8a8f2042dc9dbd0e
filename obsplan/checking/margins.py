"""The tightest spots of a timeline: how near it comes to each of its limits, where and when."""

from typing import NamedTuple

import numpy as np

from obsplan.checking.condition_rules import Requirement, requirements
from obsplan.checking.replay import Books, known
from obsplan.checking.slots import Run
from obsplan.environment.model import Environment

# Smaller amounts are rounding errors of sums.
DUST = 1e-9


class Margin(NamedTuple):
    """How much is left to a limit, at its least; `minute` counts from the start of the span.

    where: a platform or the id of a slot. condition: the rule whose window a slot is in, "" for
    all other margins.
    """

    margin: str
    where: str
    condition: str
    minute: int
    amount: float
    unit: str


def margins(
    environment: Environment, runs: list[Run], books: dict[str, Books], minutes: int, now: int = 0
) -> list[Margin]:
    """The margins from minute `now` to the first `minutes`.

    The least room of every battery, bus and store; of the slots that require contact the one with
    the least contact left; and of the slots with a condition those that begin soonest after the
    condition is first met and end soonest before it is no longer met. A window that is open when
    the span begins or ends has no edge there, and slots that are over have no margin.
    """
    rows = []
    for platform in environment.scenario.platform:
        name, book = platform.name, books[platform.name]
        reserve_wh = platform.battery.reserve * platform.battery.capacity_wh
        rooms = (
            ("state of charge above reserve", book.stored_wh - reserve_wh, "Wh"),
            ("bus power headroom", platform.bus_limit_w - book.load_w, "W"),
            ("free storage", platform.store.capacity_mbit - book.stored_mbit, "Mbit"),
        )
        reading = environment.readings.get(name)
        since = min(max(now, reading.minute if reading else 0), minutes)
        for margin, room, unit in rooms:
            tightest = since + int(room[since:].argmin())
            amount = float(room[tightest])
            amount = amount if abs(amount) > DUST else 0.0
            rows.append(Margin(margin, name, "", tightest, amount, unit))
    ahead = [run for run in runs if not run.is_over and run.last > now]
    rows += _contact_left(environment, ahead, minutes)
    rows += _window_edges(environment, ahead, minutes)
    return rows


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
    return [Margin("contact left after slot", slot, "", bound, float(amount), "min")]


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
