"""Whether a timeline is valid: an independent replay that names every broken rule.

Slots may come from the planner or from hand editing. The check knows the scenario and the
environment, but not how the slots were chosen.
"""

from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

import numpy as np
import pandas as pd

from obsplan.checking.broken_rules import all_rules, broken_rules
from obsplan.checking.cold_charging import ColdCharging, cold_charging
from obsplan.checking.decision_rules import Decision
from obsplan.checking.fixes import with_fixes
from obsplan.checking.latency_rule import DataWait
from obsplan.checking.margins import Margin, margins
from obsplan.checking.replay import Books
from obsplan.checking.slots import read_slots
from obsplan.checking.violation import Violation, violations_table
from obsplan.environment.along_drives import along_drives
from obsplan.environment.model import Environment
from obsplan.inputs.hardware import Platform
from obsplan.inputs.scenario import Scenario


@dataclass(frozen=True)
class Verdict:
    """What the replay of a timeline found.

    found: the violations, in order of time. margins_used: where margins that the scenario asks for
    are not kept, as violations of limits that are less by them; they break no rule. margins: the
    tightest spots: `margin`, `where` (platform, unit or slot), `condition`, `time_utc`, `amount`,
    `unit`, `room` (the most that the amount could be, 0 for margins in time), `thin` (as good as
    used up). resources: per platform
    one row a minute: `generation_w`, `load_w`, `stored_wh` and `state_of_charge` (at the
    minute's start), `spilled_wh`, `stored_mbit` (at the minute's start), `sent_mbit`, and the
    temperature of its units (at the minute's start), `Unit.columns`.
    rules: names of the rules that apply and were checked. cold_charging: the platforms that lose
    charge because their battery is too cold, which is no violation. decisions: the runs that people
    decide on after others, and when they may start. data_waits: how long data wait whose
    latency is limited.
    """

    found: tuple[Violation, ...]
    margins: pd.DataFrame
    resources: dict[str, pd.DataFrame]
    rules: tuple[str, ...]
    cold_charging: tuple[ColdCharging, ...] = ()
    margins_used: tuple[Violation, ...] = ()
    decisions: tuple[Decision, ...] = ()
    data_waits: tuple[DataWait, ...] = ()

    @cached_property
    def violations(self) -> pd.DataFrame:
        """The violations as a table, one row each: columns `VIOLATION_COLUMNS`."""
        return violations_table(self.found)

    @property
    def is_valid(self) -> bool:
        """Whether the timeline breaks no rule."""
        return not self.found

    @property
    def slots_at_fault(self) -> set[str]:
        """Ids of the slots that violations name."""
        return {slot for violation in self.found for slot in violation.slots}

    @property
    def summary(self) -> str:
        """The verdict in one line."""
        checked = f"{len(self.rules)} rules checked"
        if used := len(self.margins_used):
            checked = f"{used} {'margin' if used == 1 else 'margins'} used; {checked}"
        if self.is_valid:
            return f"no violations; {checked}"
        broken = {violation.rule for violation in self.found}
        names = ", ".join(rule for rule in self.rules if rule in broken)
        many = "violation" if len(self.found) == 1 else "violations"
        return f"{len(self.found)} {many}; rules broken: {names}; {checked}"


def check_timeline(
    environment: Environment,
    slots: pd.DataFrame,
    now_utc: datetime | None = None,
    *,
    fixes: bool = True,
    keep_margins: bool = False,
) -> Verdict:
    """Replay a timeline minute by minute and name every rule it breaks.

    `slots` has columns `activity`, `start_utc`, and optionally `end_utc` (default: the length in
    the scenario), `slot` (an id; default: the row, counted from 1) and `state`; times have a
    zone. Slots that are done, shortened or failed cannot change: rules broken by them alone, and
    limits exceeded before telemetry was read, are not reported. A failed run draws power while
    it lasts and has no other effect. Rows named as in `Scenario.sending_names`, with an
    `end_utc`, say when a platform may send; if there are any, no platform sends outside its own.
    Without any, all send whenever they can. Rules added by `with_rule` are checked too. Margins
    and fixes are given from `now_utc` on, fixes only after all that is over. A fix is a change that
    was tried: it mends the rule and breaks nothing more. Trying takes a replay for each; `fixes`
    False leaves them out. A margin of the scenario that is used breaks no rule, unless
    `keep_margins`. Raises TableError if slots are not such a table, ValueError if the
    environment does not cover the span.
    """
    environment = along_drives(environment, slots)
    scenario = environment.scenario
    minutes = _covered_minutes(environment)
    runs, sending = read_slots(scenario, slots)
    found, used, books, decided, waits = broken_rules(
        environment, runs, sending, minutes, keep_margins
    )
    index = environment.sky.index[:minutes]
    now = 0 if now_utc is None else int(scenario.minutes_of(now_utc))
    if fixes and found:
        # What is over is past, even if nobody says what time it is.
        ahead = max([now, *(run.last for run in runs if run.is_over)])
        found = with_fixes(environment, runs, sending, found, books, minutes, ahead, keep_margins)
    return Verdict(
        tuple(found),
        _margins_table(scenario, margins(environment, runs, books, minutes, now)),
        {p.name: _minute_table(p, books[p.name], index) for p in scenario.platform},
        all_rules(environment),
        tuple(cold_charging(environment, books, now)),
        tuple(used),
        decided,
        waits,
    )


def resources_table(scenario: Scenario, verdict: Verdict) -> pd.DataFrame:
    """Power and data of every platform per step of the span (UTC index).

    Columns `platform`, `generation_w` and `load_w` (mean over the step),
    `state_of_charge` and `stored_mbit` (at the step's start), `spilled_wh` and `sent_mbit`
    (sum over the step), and the temperature of every unit (at the step's start), which is missing
    in rows of other platforms; rows by time, then by platform as in the scenario.
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
    unit_columns = list(dict.fromkeys(c for unit in scenario.units for c in unit.columns))
    parts = []
    for name, table in verdict.resources.items():
        part = pd.DataFrame({"platform": name}, index=table.index[::step])
        units = {c: None for c in table if c in unit_columns}
        for column, gather in (how | units).items():
            steps = table[column].to_numpy().reshape(-1, step)
            part[column] = gather(steps, axis=1) if gather else steps[:, 0]
        parts.append(part)
    return pd.concat(parts).sort_index(kind="stable").rename_axis("time_utc")


def _covered_minutes(environment: Environment) -> int:
    """Minutes in the span's whole steps, all of which the environment must cover."""
    scenario = environment.scenario
    minutes = scenario.steps * scenario.span.step_min
    index = environment.sky.index
    if (
        len(index) < minutes
        or index[0] != scenario.span.start_utc
        or index[minutes - 1] != scenario.instant_at(minutes - 1)
        or any(len(environment.platforms[p.name]) != len(index) for p in scenario.platform)
    ):
        raise ValueError("the environment does not cover every minute of the scenario's span")
    return minutes


def _margins_table(scenario: Scenario, rows: list[Margin]) -> pd.DataFrame:
    """The margins as a table, with `time_utc` for the minute."""
    # Whole columns of known kinds: every verdict of a search has this table.
    times_utc = [scenario.instant_at(row.minute) for row in rows]

    def words(field: str) -> pd.Index:
        return pd.Index([getattr(row, field) for row in rows], dtype="str")

    return pd.DataFrame(
        {
            "margin": words("margin"),
            "where": words("where"),
            "condition": words("condition"),
            "time_utc": pd.DatetimeIndex(times_utc, dtype="datetime64[s, UTC]"),
            "amount": np.array([row.amount for row in rows], dtype=float),
            "unit": words("unit"),
            "room": np.array([row.room for row in rows], dtype=float),
            "thin": np.array([row.thin for row in rows], dtype=bool),
        }
    )


def _minute_table(platform: Platform, book: Books, index: pd.DatetimeIndex) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "generation_w": book.generation_w,
            "load_w": book.load_w,
            "stored_wh": book.stored_wh[:-1],
            "state_of_charge": book.stored_wh[:-1] / platform.battery.usable_wh,
            "spilled_wh": book.spilled_wh,
            "stored_mbit": book.stored_mbit[:-1],
            "sent_mbit": book.sent_mbit,
            **{column: level_k[:-1] for column, level_k in book.temperature_k.items()},
        },
        index=index,
    )
