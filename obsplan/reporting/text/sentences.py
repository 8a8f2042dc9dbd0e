"""What a plan, a check, a comparison or a replan found: one line for each finding."""

from collections import Counter
from dataclasses import replace
from datetime import datetime
from math import ceil, isinf

import pandas as pd

from obsplan.analysis.night_energy import NightEnergy, night_energy
from obsplan.checking.check import Verdict
from obsplan.checking.margins import THIN_MIN, THIN_SHARE
from obsplan.checking.temperature_rules import IDLE_RULES
from obsplan.checking.violation import Violation, sentence
from obsplan.common.instants import full_stamp, stamp
from obsplan.common.text import gap_text, proven, raised
from obsplan.operations.odd_runs import Oddity
from obsplan.operations.replan import Replan
from obsplan.planning.plan import Plan

# Lines printed for each rule; more would add nothing new.
MOST_LINES = 12
CHANGES = ("moved", "dropped", "added")


def verdict_lines(verdict: Verdict) -> list[str]:
    """Violations, then the lines of `summary_lines`.

    Rules broken by the same slots at the same instant share a line, and a line says so.
    """
    lines, many = violation_lines(verdict), len(verdict.found)
    if len(lines) < many:
        parts = "line" if len(lines) == 1 else "lines"
        lines.append(
            f"{many} violations in {len(lines)} {parts}: one for each rule that a line names"
        )
    return [*lines, *summary_lines(verdict)]


def worst_first(verdict: Verdict) -> Verdict:
    """The verdict with its violations in order of harm instead of time.

    First what runs out or overheats, then required runs that are lost, then the rest by rule; of
    each rule the largest amount comes first.
    """

    ranks = {rule: rank for rank, rule in enumerate(verdict.rules)}

    def harm(violation: Violation) -> tuple:
        rank = ranks.get(violation.rule, len(ranks))
        return (
            violation.rule not in IDLE_RULES,
            violation.rule not in ("must", "pin"),
            rank,
            -violation.amount,
        )

    return replace(verdict, found=tuple(sorted(verdict.found, key=harm)))


def summary_lines(verdict: Verdict) -> list[str]:
    """The verdict, how many fixes were sought, the smallest margins, and the rules checked."""
    many, sought = len(verdict.found), sum(bool(violation.fix) for violation in verdict.found)
    fixes = [] if sought == many else [f"fixes were sought for {sought} of {many} violations"]
    rules = ", ".join(verdict.rules)
    return [verdict.summary, *fixes, *margin_lines(verdict), f"rules checked: {rules}"]


def violation_lines(verdict: Verdict) -> list[str]:
    """Lines `time  rules: what is wrong, but why that is not allowed; fix`, in order of time."""
    return _lines(verdict.found)


def used_lines(verdict: Verdict) -> list[str]:
    """Lines `time  margin used, limit: by how much`, in order of time; these break no rule."""
    return _lines(verdict.margins_used, "margin used, ")


def _lines(violations: tuple[Violation, ...], head: str = "") -> list[str]:
    groups: dict[tuple, list[Violation]] = {}
    for violation in violations:
        key = violation.time_utc, violation.slots, violation.problem
        groups.setdefault(key, []).append(violation)
    lines: list[str] = []
    seen: dict[str, int] = {}
    for (time_utc, _, problem), group in groups.items():
        names = head + ", ".join(dict.fromkeys(violation.rule for violation in group))
        seen[names] = seen.get(names, 0) + 1
        if seen[names] <= MOST_LINES:
            reasons, fixes = [v.reason for v in group], [v.fix for v in group]
            lines.append(f"{full_stamp(time_utc)}  {names}: {sentence(problem, reasons, fixes)}")
    hidden = {names: count - MOST_LINES for names, count in seen.items() if count > MOST_LINES}
    return lines + [f"... and {count} more of {names}" for names, count in hidden.items()]


def margin_lines(verdict: Verdict) -> list[str]:
    """The margins used, one line for each smallest margin, one for those used up, `cold_lines`."""
    lines = used_lines(verdict) + [
        f"smallest margin: {', '.join(filter(None, [row.margin, row.where, row.condition]))}: "
        f"{round(row.amount, 1) + 0.0:.1f} {row.unit} "
        f"at {stamp(row.time_utc)}"
        for row in verdict.margins.itertuples(index=False)
    ]
    if thin := thin_margins(verdict):
        spots = "; ".join(f"{margin} ({', '.join(where)})" for margin, where in thin.items())
        lines.append(f"margins used up (less than {THIN} left): {spots}")
    return lines + cold_lines(verdict)


def cold_lines(verdict: Verdict) -> list[str]:
    """One line for each platform whose battery is too cold to charge at times."""
    return [f"too cold to charge: {each}" for each in verdict.cold_charging]


def night_lines(plan: Plan) -> list[str]:
    """One line for each platform: how far into the night after the plan its battery lasts."""
    return [_night_line(row) for row in night_energy(plan)]


def _night_line(row: NightEnergy) -> str:
    draw = f"drawing {row.draw_w:g} W of {row.stored_wh:.0f} Wh"
    night = f"{row.night_h:.1f} h of this night"
    after = f"after last light ({stamp(row.last_light_utc)})"
    if row.reserve_h >= row.night_h:
        return f'night: "{row.platform}" stays above its reserve for all {night} {after}, {draw}'
    empty = f"is empty after {row.empty_h:.1f} h of the {night}"
    if row.empty_h >= row.night_h:
        empty = f"lasts all {night}"
    return (
        f'night: "{row.platform}" reaches its reserve {row.reserve_h:.1f} h {after}, and its '
        f"battery {empty}, {draw}"
    )


THIN = f"{100 * THIN_SHARE:g} % or {THIN_MIN:g} min"


def thin_margins(verdict: Verdict) -> dict[str, list[str]]:
    """The margins that are as good as used up, each with its platforms or slots."""
    thin: dict[str, list[str]] = {}
    for row in verdict.margins[verdict.margins["thin"]].itertuples(index=False):
        thin.setdefault(row.margin, []).append(row.where)
    return thin


def optimality(plan: Plan) -> str:
    """How near to the optimum of its time grid a plan is known to be; "" without a bound."""
    if proven(plan.value, plan.bound):
        return "proven optimal"
    if isinf(plan.bound):
        return ""
    return f"within {gap_text(plan.value, plan.bound)} of the optimum"


def as_good_line(plan: Plan) -> str:
    """What decided between plans worth the same, in order, with the figures of this one.

    "" for a replan, where the fewest moves decide.
    """
    figures = plan.as_good
    if figures is None:
        return ""
    return (
        "of plans worth the same, in this order: short data latency "
        f"({figures.latency_h:.1f} h on average), wide margins ({100 * figures.margin:.0f} % left "
        f"at the tightest), repeated runs spread ({100 * figures.unevenness:.0f} % from even), few "
        f"switches ({figures.switches}), little energy for sending ({figures.sending_wh:.0f} Wh)"
    )


def bound_line(plan: Plan) -> str:
    """Value and upper bound of a plan, and what they say about it."""
    value, near = f"value {plan.value:.1f}", optimality(plan)
    if proven(plan.value, plan.bound):
        return f"{value}, {near} on this time grid"
    if not near:
        return f"{value}, no upper bound proven"
    return (
        f"{value}; upper bound {raised(plan.bound)} for any plan on this time grid: "
        f"this plan is {near}"
    )


def comparison_lines(comparison: pd.DataFrame, now_utc: datetime) -> list[str]:
    """The sums of a comparison (see `compare_as_run`) at `now_utc`, and each activity's losses."""
    total = comparison.sum(numeric_only=True)
    lines = [
        f"{total['done']:.0f} of {total['planned'] - total['to_come']:.0f} runs due by "
        f"{stamp(now_utc)} done, {total['shortened']:.0f} shortened, {total['failed']:.0f} failed, "
        f"{total['not_reported']:.0f} not reported; to come: {total['to_come']:.0f}; "
        f"not planned: {total['unplanned']:.0f}",
        f"ran {total['ran_min'] / 60:.1f} of {total['planned_min'] / 60:.1f} h, "
        f"{total['ran_wh']:.0f} of {total['planned_wh']:.0f} Wh, "
        f"{total['ran_mbit']:.0f} of {total['planned_mbit']:.0f} Mbit, "
        f"{total['filled_bins']:.0f} of {total['planned_bins']:.0f} coverage bins",
    ]
    lost = comparison[comparison["losses"] != ""]
    return lines + [f"{row.activity}: {row.losses}" for row in lost.itertuples(index=False)]


def oddity_lines(oddities: list[Oddity]) -> list[str]:
    """A line for each thing that is odd in what ran, of each kind only the first few."""
    lines: list[str] = []
    seen: Counter[str] = Counter()
    for oddity in oddities:
        seen[oddity.kind] += 1
        if seen[oddity.kind] <= MOST_LINES:
            lines.append(f"as run: {oddity.words}")
    more = {kind: count - MOST_LINES for kind, count in seen.items() if count > MOST_LINES}
    return lines + [f"as run: {count} more like this: {kind}" for kind, count in more.items()]


def replan_lines(made: Replan) -> list[str]:
    """What a replan assumes, changes and is worth, and the violations that no plan avoids."""
    verdict = made.plan.verdict
    return [
        *(f"note: {assumption}" for assumption in made.assumptions),
        *change_lines(made.changes),
        *replan_sums(made),
        *price_lines(made.price_list),
        *(f"unavoidable violation: {line}" for line in violation_lines(verdict)),
        verdict.summary,
        *margin_lines(verdict),
    ]


def replan_sums(made: Replan) -> list[str]:
    """How many runs a replan keeps and changes, and what it is worth."""
    count = made.changes["change"].value_counts()
    changed = ", ".join(f"{count.get(kind, 0)} {kind}" for kind in CHANGES)
    return [
        f"{made.kept} kept, {changed}",
        f"value {made.plan.value:.1f}; old plan unchanged, if that were possible: "
        f"{made.old_value:.1f}; upper bound with the fixed runs: {raised(made.plan.bound)}",
    ]


def change_lines(changes: pd.DataFrame) -> list[str]:
    """One line for each row of `changes`, in its order."""
    lines = []
    for row in changes.itertuples(index=False):
        where = " to ".join(stamp(t) for t in (row.from_utc, row.to_utc) if not pd.isna(t))
        lines.append(
            f"{row.change:<7}  {row.activity} ({row.slot})  {where}  "
            f"{row.value_change:+.1f}: {row.why}"
        )
    return lines


def price_lines(prices: pd.DataFrame) -> list[str]:
    """Science against moves: one line for each plan found."""
    return [
        f"price list: {row.moves} moves ({row.moved} moved, {row.dropped} dropped, {row.added} "
        f"added): value {row.value:.1f}, "
        f"{100 * row.value_share:.1f} % of the best remaining value found"
        + ("; this plan" if row.chosen else f"; choose it with --keep {keep_text(row.keep)}")
        for row in prices.itertuples(index=False)
    ]


def keep_text(keep: float) -> str:
    """A share to give up, rounded up so that it is enough."""
    return f"{ceil(keep * 1e4 - 1e-6) / 1e4:g}"
