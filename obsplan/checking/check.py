"""Whether a timeline is valid: an independent replay that names every broken rule.

Slots come from anywhere, a planner or a hand. The check knows the scenario and the
environment and nothing of how the slots were chosen.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from math import ceil, floor, inf
from typing import NamedTuple

import numpy as np
import pandas as pd

from obsplan.checking.condition_rules import Violation, rule_names, slot_violations
from obsplan.checking.margins import margins
from obsplan.checking.replay import POWER_SLACK_W, Books, Run, known, moment, replay, stamp
from obsplan.common.errors import TableError
from obsplan.common.intervals import from_mask
from obsplan.common.text import number_text
from obsplan.environment.model import Environment
from obsplan.inputs.hardware import Platform
from obsplan.inputs.scenario import Scenario

# Slack for rounding in sums over a span: far below anything a battery or a store can show.
ENERGY_SLACK_WH = 1e-6
DATA_SLACK_MBIT = 1e-6


@dataclass(frozen=True)
class Verdict:
    """What the replay of a timeline found.

    violations: one row a broken rule: `rule`, `slots` (ids joined by a blank), `time_utc`
        (when it first breaks), `amount` (at its worst), `unit`, `message`.
    margins: the tightest spots: `margin`, `where`, `time_utc`, `amount`, `unit`.
    resources: per platform one row a minute: `generation_w`, `load_w`, `stored_wh` and
        `state_of_charge` (at the minute's start), `spilled_wh`, `stored_mbit` (at the
        minute's start), `sent_mbit`.
    rules: names of the rules that this scenario poses and that were applied.
    """

    violations: pd.DataFrame
    margins: pd.DataFrame
    resources: dict[str, pd.DataFrame]
    rules: tuple[str, ...]

    @property
    def is_valid(self) -> bool:
        """Whether the timeline breaks no rule."""
        return self.violations.empty

    @property
    def summary(self) -> str:
        """One line for the reader."""
        checked = f"{len(self.rules)} rules checked"
        if self.is_valid:
            return f"no violations; {checked}"
        broken = [rule for rule in self.rules if rule in set(self.violations["rule"])]
        many = "violation" if len(self.violations) == 1 else "violations"
        return f"{len(self.violations)} {many}; rules broken: {', '.join(broken)}; {checked}"


class Radio(NamedTuple):
    """A row that says when a platform may send, in minutes from the start of the span."""

    start_min: float
    end_min: float
    slot: str
    name: str
    platform: str


def check_timeline(
    environment: Environment, slots: pd.DataFrame, now_utc: datetime | None = None
) -> Verdict:
    """Replay a timeline minute by minute and name every rule it breaks.

    `slots` has columns `activity`, `start_utc`, and if wanted `end_utc` (missing: as long
    as the scenario asks), `slot` (an id; missing: the row, counted from 1) and `state`;
    times carry a zone. Slots that are done, shortened or failed are facts: rules that facts
    alone break are not named, nor are limits passed before telemetry was read. A failed run
    draws power while it lasts and counts for nothing else. Rows named as in
    `Scenario.sending_names`, with an `end_utc`, say when a platform may send: then none
    sends outside its own rows. Without any, all send whenever they can. Margins, and what
    would mend a slot, are told from `now_utc` on. Raises TableError when slots are not such
    a table, ValueError when the environment is not that of the scenario.
    """
    scenario = environment.scenario
    minutes = _covered_minutes(environment)
    slots = _numbered(slots)
    sends = slots["activity"].isin(list(scenario.sending_names))
    radio = _radio_rows(scenario, slots[sends])
    may_send = _planned_sending(scenario, radio, minutes)
    runs = _runs(scenario, slots[~sends])
    books = replay(environment, runs, may_send, minutes)
    rules = rule_names(scenario, out=any(mask.any() for mask in environment.out.values()))
    index = environment.sky.index[:minutes]
    now = 0 if now_utc is None else int((now_utc - index[0]) / pd.Timedelta(minutes=1))
    found = [
        *slot_violations(environment, runs, minutes, now),
        *_resource_violations(environment, runs, books, radio, may_send),
    ]
    found.sort(key=lambda v: (v.minute, rules.index(v.rule), v.slots, v.message))
    return Verdict(
        _table(scenario, found, list(Violation._fields)),
        _table(
            scenario,
            margins(environment, runs, books, minutes, now),
            ["margin", "where", "minute", "amount", "unit"],
        ),
        {p.name: _minute_table(p, books[p.name], index) for p in scenario.platform},
        rules,
    )


def resources_table(scenario: Scenario, verdict: Verdict) -> pd.DataFrame:
    """Power and data of every platform per step of the span (UTC index).

    Columns `platform`, `generation_w` and `load_w` (mean over the step),
    `state_of_charge` and `stored_mbit` (at the step's start), `spilled_wh` and `sent_mbit`
    (sum over the step); rows by time, then by platform as in the scenario.
    """
    how = {
        "generation_w": np.mean,
        "load_w": np.mean,
        "state_of_charge": None,
        "spilled_wh": np.sum,
        "stored_mbit": None,
        "sent_mbit": np.sum,
    }
    step = scenario.span.step_min
    parts = []
    for name, table in verdict.resources.items():
        part = pd.DataFrame({"platform": name}, index=table.index[::step])
        for column, gather in how.items():
            steps = table[column].to_numpy().reshape(-1, step)
            part[column] = gather(steps, axis=1) if gather else steps[:, 0]
        parts.append(part)
    return pd.concat(parts).sort_index(kind="stable").rename_axis("time_utc")


def _covered_minutes(environment: Environment) -> int:
    """Minutes in the span's whole steps, all of which the environment must offer."""
    scenario = environment.scenario
    minutes = scenario.steps * scenario.span.step_min
    index = environment.sky.index
    if (
        len(index) < minutes
        or index[0] != scenario.span.start_utc
        or index[minutes - 1] != moment(scenario, minutes - 1)
        or any(len(environment.platforms[p.name]) != len(index) for p in scenario.platform)
    ):
        raise ValueError("the environment does not offer every minute of the scenario's span")
    return minutes


def _numbered(slots: pd.DataFrame) -> pd.DataFrame:
    """The rows, each with an id; raises TableError where a needed column is missing."""
    needed = ["activity", "start_utc"]
    if slots.empty:
        return pd.DataFrame(columns=["slot", *needed])
    missing = [c for c in needed if c not in slots]
    if missing:
        raise TableError(f"slots: column {' and '.join(missing)} is missing")
    return slots if "slot" in slots else slots.assign(slot=range(1, len(slots) + 1))


def _radio_rows(scenario: Scenario, rows: pd.DataFrame) -> list[Radio]:
    """The rows of sending, in order of start, as minutes of the span."""
    if rows.empty:
        return []
    names = scenario.sending_names
    start_min, end_min = _bounds_min(scenario, rows)
    radio = []
    for slot, name, start, end in zip(rows["slot"], rows["activity"], start_min, end_min):
        if np.isnan(end):
            raise TableError(f"slots: {name} needs an end_utc in every row")
        radio.append(Radio(float(start), float(end), str(slot), name, names[name]))
    return sorted(radio)


def _planned_sending(scenario: Scenario, radio: list[Radio], minutes: int) -> dict[str, np.ndarray]:
    """The minutes that lie wholly in rows of sending, for every platform if there are rows."""
    if not radio:
        return {}
    may_send = {p.name: np.zeros(minutes, dtype=bool) for p in scenario.platform}
    for row in radio:
        first, after = max(ceil(row.start_min), 0), max(floor(row.end_min), 0)
        may_send[row.platform][first:after] = True
    return may_send


def _runs(scenario: Scenario, slots: pd.DataFrame) -> list[Run]:
    """The slots in order of start, as minutes of the span."""
    if slots.empty:
        return []
    activities = {a.name: a for a in scenario.activity}
    unknown = sorted({str(name) for name in slots["activity"]} - set(activities))
    if unknown:
        raise TableError(f"slots: no such activity: {', '.join(unknown)}")
    start_min, end_min = _bounds_min(scenario, slots)
    runs = []
    states = slots["state"] if "state" in slots else ["planned"] * len(slots)
    for slot, name, start, end, state in zip(
        slots["slot"], slots["activity"], start_min, end_min, states
    ):
        activity = activities[name]
        end = start + scenario.slot_min(activity) if np.isnan(end) else end
        platform = scenario.platform_of(activity)
        runs.append(Run(str(slot), activity, platform, float(start), float(end), state))
    return sorted(runs, key=lambda run: (run.start_min, run.end_min, run.activity.name, run.slot))


def _bounds_min(scenario: Scenario, slots: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Start and end of every row in minutes of the span; NaN where the end is missing."""
    start_min = _span_minutes(scenario, slots["start_utc"])
    end_min = np.full(len(slots), np.nan)
    if "end_utc" in slots and slots["end_utc"].notna().any():
        end_min = _span_minutes(scenario, slots["end_utc"])
    if np.isnan(start_min).any():
        raise TableError("slots: every slot needs a start_utc")
    failed = slots["state"] == "failed" if "state" in slots else np.zeros(len(slots), dtype=bool)
    if ((end_min < start_min) | ((end_min == start_min) & ~failed)).any():
        raise TableError("slots: every slot must end after it starts")
    return start_min, end_min


def _span_minutes(scenario: Scenario, times: pd.Series) -> np.ndarray:
    """Minutes from the start of the span, exact to the microsecond; NaN where missing."""
    if getattr(times.dtype, "tz", None) is None:
        raise TableError(f"slots: {times.name} must hold times with a zone (UTC)")
    since = times.dt.tz_convert("UTC").dt.as_unit("us") - pd.Timestamp(scenario.span.start_utc)
    return (since / pd.Timedelta(minutes=1)).to_numpy(dtype=float)


def _resource_violations(
    environment: Environment,
    runs: list[Run],
    books: dict[str, Books],
    radio: list[Radio],
    may_send: dict[str, np.ndarray],
) -> Iterator[Violation]:
    """Broken limits of bus, battery and store: one for each unbroken stretch of minutes."""
    scenario = environment.scenario
    for platform in scenario.platform:
        name, book = platform.name, books[platform.name]
        capacity_wh, battery = platform.battery.capacity_wh, platform.battery
        reserve_wh = battery.reserve * capacity_wh
        store = platform.store
        own = [run for run in runs if run.platform == name]
        through = {p.name for p in scenario.platform if p.radio.to == name} | {name}
        feeding = [run for run in runs if run.platform in through]
        silent = np.zeros(len(book.load_w), dtype=bool)
        if name in may_send:
            rate_kbps = known(environment.platforms[name], "rate_kbps", name, len(silent))
            silent = (rate_kbps > 0) & ~may_send[name]

        # What was before telemetry was read is over.
        reading = environment.readings.get(name)
        since = reading.minute if reading else 0
        over_w = book.load_w - platform.bus_limit_w
        over_w[:since] = 0.0
        for first, after in from_mask(over_w > POWER_SLACK_W):
            worst = first + int(over_w[first:after].argmax())
            near, amount = _near(own, first, worst), float(over_w[worst])
            yield Violation(
                "bus power",
                _ids(near),
                first,
                amount,
                "W",
                f'"{name}" draws {number_text(book.load_w[worst])} W at {stamp(scenario, worst)}, '
                f"{number_text(amount)} W over its bus limit of {number_text(platform.bus_limit_w)} W "
                f"({after - first} min from {stamp(scenario, first)}); "
                f"{number_text(amount)} W less then would mend it{_by_moving(near)}",
            )

        levels = (
            (
                "state of charge",
                reserve_wh - book.stored_wh,
                ENERGY_SLACK_WH,
                "Wh",
                own,
                "the battery of",
                f"short of its reserve of {number_text(reserve_wh)} Wh",
                "more in the battery by then would mend it",
            ),
            (
                "storage",
                book.stored_mbit - store.capacity_mbit,
                DATA_SLACK_MBIT,
                "Mbit",
                feeding,
                "the store of",
                f"above its capacity of {number_text(store.capacity_mbit)} Mbit",
                "less taken, or more sent, before then would mend it",
            ),
        )
        for rule, excess, slack, unit, suspects, holder, limit, mend in levels:
            excess[:since] = 0.0
            for first, after in from_mask(excess > slack):
                worst = first + int(excess[first:after].argmax())
                # A level is the outcome of the minute before it.
                near = _near(suspects, max(first - 1, 0), max(worst - 1, 0))
                amount, ids, by_sending = float(excess[worst]), _ids(near), ""
                if rule == "storage":
                    more, by_sending = _unsent(scenario, platform, book, radio, silent, first)
                    ids = " ".join(filter(None, [ids, more]))
                until = f"until {stamp(scenario, after)}" if after < len(excess) else "to the end"
                yield Violation(
                    rule,
                    ids,
                    first,
                    amount,
                    unit,
                    f'{holder} "{name}" is {number_text(amount)} {unit} {limit} at '
                    f"{stamp(scenario, worst)} (broken from {stamp(scenario, first)} {until}); "
                    f"{number_text(amount)} {unit} {mend}{_by_moving(near)}{by_sending}",
                )

        ends = (
            (
                "end charge",
                (-inf if battery.end is None else battery.end * capacity_wh) - book.stored_wh[-1],
                ENERGY_SLACK_WH,
                "Wh",
                own,
                f'the battery of "{name}" ends the span with '
                f"{number_text(max(book.stored_wh[-1], 0.0))} Wh",
                "too little",
                "less drawn from it",
            ),
            (
                "end storage",
                book.stored_mbit[-1]
                - (inf if store.end_limit_mbit is None else store.end_limit_mbit),
                DATA_SLACK_MBIT,
                "Mbit",
                feeding,
                f'the store of "{name}" ends the span with {number_text(book.stored_mbit[-1])} Mbit',
                "too much",
                "less taken, or more sent,",
            ),
        )
        end = len(book.load_w)
        for rule, amount, slack, unit, suspects, what, how, mend in ends:
            if amount > slack:
                near, amount = _near(suspects, end - 1, end - 1), float(amount)
                ids, by_sending = _ids(near), ""
                if rule == "end storage":
                    more, by_sending = _unsent(scenario, platform, book, radio, silent, end)
                    ids = " ".join(filter(None, [ids, more]))
                yield Violation(
                    rule,
                    ids,
                    end,
                    amount,
                    unit,
                    f"{what} at {stamp(scenario, end)}, {number_text(amount)} {unit} {how}; "
                    f"{number_text(amount)} {unit} {mend} before then would mend it"
                    f"{_by_moving(near)}{by_sending}",
                )


def _unsent(
    scenario: Scenario,
    platform: Platform,
    book: Books,
    radio: list[Radio],
    silent: np.ndarray,
    end: int,
) -> tuple[str, str]:
    """The row of sending to widen, and in words the open link it leaves unused before `end`.

    `silent` are the minutes in which the link is open and the platform may not send. What
    passes while the store is empty would change nothing.
    """
    empty = np.flatnonzero(book.stored_mbit[:end] <= DATA_SLACK_MBIT)
    since = int(empty[-1]) if len(empty) else 0
    stretches = since + from_mask(silent[since:end])
    if not len(stretches):
        return "", ""
    first, after = max(stretches.tolist(), key=lambda stretch: stretch[1] - stretch[0])
    sending = next(n for n, owner in scenario.sending_names.items() if owner == platform.name)
    own = [row for row in radio if row.platform == platform.name]
    apart_min = {row: max(first - row.end_min, row.start_min - after) for row in own}
    nearest = min(own, key=apart_min.get, default=None)
    row = f'a row "{sending}"' if nearest is None else f'"{sending}" (slot {nearest.slot})'
    words = f"from {stamp(scenario, first)} to {stamp(scenario, after)}"
    # Whether it may also cost what is sent now depends on the energy, which is not tried here.
    spared = "unless that takes energy which later sending needs"
    way = f", or by letting {row} send in the contact {words} too, {spared}"
    return nearest.slot if nearest else "", way


def _near(runs: list[Run], *minutes: int) -> list[Run]:
    """The runs on in these minutes, else the one that ended last before them."""
    running = [r for r in runs if any(r.first <= minute < r.last for minute in minutes)]
    ended = [r for r in runs if r.last <= minutes[-1]]
    return running or ([max(ended, key=lambda r: r.end_min)] if ended else [])


def _ids(runs: list[Run]) -> str:
    return " ".join(run.slot for run in runs)


def _by_moving(runs: list[Run]) -> str:
    named = [str(run) for run in runs[:3]]
    named += [f"{len(runs) - 3} more that are on then"] if len(runs) > 3 else []
    return f", for instance by moving or dropping {' or '.join(named)}" if runs else ""


def _table(scenario: Scenario, rows: list[tuple], columns: list[str]) -> pd.DataFrame:
    """Rows as a table, with `minute` turned into `time_utc`."""
    table = {}
    for column, values in zip(columns, zip(*rows) if rows else [()] * len(columns)):
        if column == "minute":
            times_utc = [moment(scenario, minute) for minute in values]
            table["time_utc"] = pd.DatetimeIndex(times_utc, dtype="datetime64[s, UTC]")
        else:
            table[column] = pd.Series(values, dtype=float if column == "amount" else "str")
    return pd.DataFrame(table)


def _minute_table(platform: Platform, book: Books, index: pd.DatetimeIndex) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "generation_w": book.generation_w,
            "load_w": book.load_w,
            "stored_wh": book.stored_wh[:-1],
            "state_of_charge": book.stored_wh[:-1] / platform.battery.capacity_wh,
            "spilled_wh": book.spilled_wh,
            "stored_mbit": book.stored_mbit[:-1],
            "sent_mbit": book.sent_mbit,
        },
        index=index,
    )
