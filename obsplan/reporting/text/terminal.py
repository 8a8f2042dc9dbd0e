"""What the terminal shows of a plan and of an audit; colour only repeats what the lines say."""

import os
import shutil
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TextIO

import pandas as pd

from obsplan.analysis.missing_runs import requested_runs, scheduled_runs
from obsplan.common.caution import CAUTION
from obsplan.common.instants import stamp
from obsplan.common.text import readable
from obsplan.inputs.placed import name_in_scenario
from obsplan.planning.plan import Plan
from obsplan.planning.reasons.audit import Severity
from obsplan.planning.search.strategy import Standing
from obsplan.reporting.text.alternative_lines import alternative_lines
from obsplan.reporting.text.goal_lines import goal_lines
from obsplan.reporting.text.sentences import as_good_line, bound_line, margin_lines, night_lines
from obsplan.reporting.text.stop_lines import stop_lines

TONES = {"good": "32", "short": "33", "bad": "31", "head": "1"}
LONGEST_GAP = "storage in longest gap"


def colours(stream: TextIO) -> bool:
    """Whether to colour `stream`: it is a terminal with colours, and NO_COLOR is not set."""
    return stream.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def painted(text: str, tone: str, colour: bool) -> str:
    return f"\x1b[{TONES[tone]}m{text}\x1b[0m" if colour and tone else text


def progress(stream: TextIO, clock: Callable[[], float] = time.monotonic) -> Callable[[str], None]:
    """A function that writes lines to `stream` with the seconds since now before them.

    On a terminal a line on where the search stands replaces the one before, so that the
    incumbent and its gap stay in one place; elsewhere every line is kept.
    """
    began, replaceable = clock(), False
    lively = stream.isatty() and os.environ.get("TERM") != "dumb"

    def report(line: str) -> None:
        nonlocal replaceable
        text = f"{clock() - began:6.1f} s  {readable(line)}"
        if lively and isinstance(line, Standing):
            # Only a line that did not wrap can be overwritten.
            text = text[: shutil.get_terminal_size().columns - 1]
            text = "\x1b[1A\x1b[2K" + text if replaceable else text
        # No plan is lost because nobody listens any more, such as a terminal that was closed.
        with suppress(OSError):
            stream.write(text + "\n")
            stream.flush()
        replaceable = isinstance(line, Standing)

    return report


def plan_lines(
    plan: Plan, directory: Path, colour: bool = False, alternatives: Sequence[Plan] = ()
) -> list[str]:
    """Runs requested and scheduled, value and bound, margins, alternatives, where the files are."""
    scenario = plan.environment.scenario
    placed = scheduled_runs(plan)
    worth = plan.timeline.groupby("activity")["value"].sum()
    wanted = requested_runs(plan)
    # What is done at several stops is one row, and so are the drives of a rover.
    of = {a.name: name_in_scenario(a) for a in scenario.activity}
    rows = [
        (
            row,
            sum(wanted[name] for name in names),
            sum(placed[name] for name in names),
            sum(float(worth.get(name, 0)) for name in names),
        )
        for row in dict.fromkeys(of.values())
        for names in [[name for name in of if of[name] == row]]
    ]
    requested, scheduled = sum(row[1] for row in rows), sum(row[2] for row in rows)
    rows.append(("total", requested, scheduled, sum(row[3] for row in rows)))
    wide = max(len("activity"), *(len(row[0]) for row in rows))
    lines = [painted(f"{'activity':<{wide}}  requested  scheduled    value", "head", colour)]
    for name, requested, got, value in rows:
        tone = "" if got >= requested else "short" if got else "bad"
        count = painted(f"{got:9d}", tone, colour)
        lines.append(f"{name:<{wide}}  {requested:9d}  {count}  {value:7.1f}")
    lines += goal_lines(plan)
    lines += stop_lines(plan)
    lines += filter(None, [bound_line(plan), as_good_line(plan)])
    if plan.interrupted:
        lines.append("search interrupted: this is the best plan found so far")
    lines.append(painted(plan.verdict.summary, "good" if plan.verdict.is_valid else "bad", colour))
    lines += [
        *margin_lines(plan.verdict),
        *night_lines(plan),
        *(alternative_lines([plan, *alternatives]) if alternatives else []),
        f"written to {readable(str(directory))}",
    ]
    if any(i.hazard != "none" for i in scenario.instrument):
        lines.append(f"caution: {CAUTION}")
    return lines


def worth_lines(worth: pd.DataFrame, gains: pd.DataFrame | None, colour: bool = False) -> list[str]:
    """What a little more of each resource would add, as tables.

    `worth` is what the upper bound says (see `marginal_worth`), `gains` what the plan gains of the
    resources that the bound gives no price (see `gain_from_more`); None if nothing is left to gain.
    """
    names = [len(f"{row.unit} of {row.what}") for row in worth.itertuples(index=False)]
    wide, deep = max([len("platform"), *map(len, worth["platform"])]), max(names, default=0)
    lines = []
    if worth["worth"].isna().all():
        lines.append(
            "the upper bound counts every requested run as scheduled, so it gives more of a "
            "resource no price"
        )
    else:
        lines.append(
            "what one more unit adds to the upper bound (a plan below it may gain more or less):"
        )
        head = (
            f"{'platform':<{wide}}  {'resource':<{deep}}  marginal value  one whole unit, re-solved"
        )
        lines.append(painted(head, "head", colour))
        for row in worth.itertuples(index=False):
            again = "" if pd.isna(row.confirmed) else f"{row.confirmed:25.3f}"
            more = f"{row.unit} of {row.what}"
            line = f"{row.platform:<{wide}}  {more:<{deep}}  {row.worth:14.3f}  {again}"
            lines.append(line.rstrip())
    if gains is None:
        lines.append("every requested run that adds value is scheduled: nothing is left to gain")
    elif len(gains):
        lines.append(
            "what this plan gains if it is improved with more of a resource without price:"
        )
        head = f"{'platform':<{wide}}  {'resource':<{deep}}  {'more':>10}  value"
        lines.append(painted(head, "head", colour))
        for row in gains.itertuples(index=False):
            gain = f"{row.gain:+.1f}" if row.gain > 0 else "no better plan found"
            more = f"{row.unit} of {row.what}"
            lines.append(f"{row.platform:<{wide}}  {more:<{deep}}  {row.more:10.6g}  {gain}")
    return lines


def pass_lines(passes: pd.DataFrame, colour: bool = False) -> list[str]:
    """What the plan gains if one more pass is booked, as a table; see `gain_from_passes`."""
    wide, deep = (max([len(name), *map(len, passes[name])]) for name in ("platform", "station"))
    head = f"{'platform':<{wide}}  {'station':<{deep}}  {'from':<17}  {'until':<17}"
    head += f"  {'Mbit':>6}  value"
    lines = ["what this plan gains if it is improved with one more pass booked:"]
    lines.append(painted(head, "head", colour))
    for row in passes.itertuples(index=False):
        gain = f"{row.gain:+.1f}" if row.gain > 0 else "no better plan found"
        lines.append(
            f"{row.platform:<{wide}}  {row.station:<{deep}}  {stamp(row.from_utc):<17}  "
            f"{stamp(row.until_utc):<17}  {row.volume_mbit:6.0f}  {gain}"
        )
    return lines


def margin_worth_lines(margins: pd.DataFrame, colour: bool = False) -> list[str]:
    """What the plan gains without each margin, as a table; see `gain_from_margins`."""
    wide, deep = (max([len(name), *map(len, margins[name])]) for name in ("platform", "margin"))
    head = f"{'platform':<{wide}}  {'margin':<{deep}}  {'kept':>6}  value"
    lines = ["what this plan gains if it is improved without one of its margins:"]
    lines.append(painted(head, "head", colour))
    for row in margins.itertuples(index=False):
        gain = f"{row.gain:+.1f}" if row.gain > 0 else "no better plan found"
        kept = f"{100 * row.share:.3g} %"
        lines.append(f"{row.platform:<{wide}}  {row.margin:<{deep}}  {kept:>6}  {gain}")
    return lines


def audit_lines(findings: pd.DataFrame, balance: pd.DataFrame, colour: bool = False) -> list[str]:
    """Supply and demand as a table, then a line with its fix for each finding."""
    wide = max([len(name) for name in balance["platform"]] + [len("platform")])
    head = f"{'platform':<{wide}}  {'':<24}  {'required':>9}  {'requested':>9}  {'available':>9}"
    lines = [painted(head, "head", colour)]
    for row in balance.itertuples(index=False):
        tone = (
            "bad"
            if row.required > row.available
            else "short"
            if row.requested > row.available
            else ""
        )
        available = painted(f"{row.available:9.0f}", tone, colour)
        what = LONGEST_GAP if row.resource == "storage" else row.resource
        lines.append(
            f"{row.platform:<{wide}}  {what:<24}  {row.required:9.0f}  "
            f"{row.requested:9.0f}  {available}  {row.unit}"
        )
    for row in findings.itertuples(index=False):
        tone = {Severity.INFEASIBLE: "bad", Severity.WARNING: "short"}.get(row.severity, "")
        fix = f"; fix: {row.fix}" if row.fix else ""
        lines.append(f"{painted(row.severity, tone, colour)}: {row.where}: {row.finding}{fix}")
    blockers = int((findings["severity"] == Severity.INFEASIBLE).sum())
    if blockers:
        rule = "rules" if blockers == 1 else "rule"
        verdict = f"infeasible: {blockers} of {len(findings)} findings {rule} out every plan"
        lines.append(painted(verdict, "bad", colour))
    else:
        lines.append(painted("no blocker found; run plan to confirm", "good", colour))
    return lines
