"""The page for the review board: one file that says what is in, what is not, and how near.

It needs no network and no other file, and is the same bytes for the same plan.
"""

import numpy as np
import pandas as pd

from obsplan.analysis.command_deadlines import ABOARD, asks_uplink, uplink_deadlines
from obsplan.analysis.data_latency import latency_table
from obsplan.analysis.missing_runs import runs_in
from obsplan.analysis.start_leeway import leeway_table
from obsplan.common.text import number_text, proven, raised, share_missing
from obsplan.inputs.hardware import Platform
from obsplan.planning.plan import Plan
from obsplan.reporting.page.elements import (
    Html,
    folded,
    instant,
    joined,
    lasting,
    paragraph,
    plain,
    safe,
    script,
    section,
    style,
    table,
    tag,
)
from obsplan.reporting.page.sections import (
    activity_part,
    assumptions_part,
    caution_part,
    contacts_part,
    latency_part,
)
from obsplan.reporting.page.timeline import picture
from obsplan.reporting.text.sentences import violation_lines

FIRST_MARGINS, FIRST_DEADLINES = 3, 8
SECTIONS = (
    ("picture", "The plan"),
    ("broken", "Broken rules"),
    ("margins", "Smallest margins"),
    ("unplaced", "What did not fit"),
    ("decisions", "Next decisions"),
    ("activities", "Runs and coverage"),
    ("contacts", "Contacts"),
    ("latency", "How old data are when received"),
    ("assumptions", "Assumptions and versions"),
    ("caution", "Caution"),
)


def report_page(plan: Plan) -> str:
    """The whole page as HTML; of a replan it names the decisions that are still to come."""
    environment = plan.environment
    scenario = environment.scenario
    deadlines = None
    if asks_uplink(scenario):
        deadlines = uplink_deadlines(environment, plan.timeline, plan.now_utc)
    leeway = leeway_table(environment, plan.timeline)
    margins, in_time = _ranked(plan)
    inside = {
        "picture": [picture(plan)],
        **({} if plan.verdict.is_valid else {"broken": _broken(plan)}),
        "margins": _margins(margins, in_time),
        "unplaced": _unplaced(plan),
        "decisions": [*_deadlines(deadlines), *_leeway(leeway)],
        "activities": [activity_part(plan, a) for a in scenario.activity],
        "contacts": contacts_part(environment.contacts),
        "latency": latency_part(latency_table(scenario, plan.timeline, plan.verdict)),
        "assumptions": assumptions_part(environment),
        "caution": caution_part(scenario),
    }
    sections = [(anchor, title) for anchor, title in SECTIONS if anchor in inside]
    links = [tag("a", title, href=f"#{anchor}") for anchor, title in sections]
    body = joined(
        [
            tag("header", _headline(plan, margins, deadlines, leeway)),
            tag("nav", *links, aria_label="On this page"),
            tag(
                "main",
                joined(section(anchor, title, *inside[anchor]) for anchor, title in sections),
            ),
        ]
    )
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{safe(scenario.title)}: plan for review</title>\n"
        f"<style>\n{style()}</style>\n</head>\n<body>\n{body}\n"
        f"<script>\n{script()}</script>\n</body>\n</html>\n"
    )


# --------------------------------------------------------------------------- headline


def _headline(
    plan: Plan, margins: list[tuple], deadlines: pd.DataFrame | None, leeway: pd.DataFrame
) -> Html:
    scenario = plan.environment.scenario
    placed = sum(runs_in(scenario, plan.timeline, plan.unplaced).values())
    wanted = sum(a.count for a in scenario.activity)
    site, span = scenario.site, scenario.span
    place = (
        f"{site.name}, {abs(site.latitude_deg):g}° {'N' if site.latitude_deg >= 0 else 'S'} "
        f"{abs(site.longitude_deg):g}° {'E' if site.longitude_deg >= 0 else 'W'}"
    )
    if proven(plan.value, plan.bound):
        best, bound = "the best possible", f"value {plan.value:.1f}, proven on this grid of steps"
    elif np.isfinite(plan.bound):
        best = f"{share_missing(plan.value, plan.bound)} below the best possible"
        bound = (
            f"value {plan.value:.1f}; no plan on this grid of steps can be worth more than "
            f"{raised(plan.bound)}"
        )
    else:
        best, bound = f"value {plan.value:.1f}", "how far from the best possible is not proven"
    cards = [
        (f"{placed} of {wanted}", "runs that were wanted are in", _short_of(plan)),
        (best, bound, ""),
        (plan.verdict.summary, "in the replay of every minute", ""),
        *([_tightest(margins[0])] if margins else []),
        _next_decision(deadlines, leeway),
    ]
    return joined(
        [
            tag("h1", scenario.title),
            paragraph(place, ", ", instant(span.start_utc), " to ", instant(span.end_utc), " UTC"),
            tag(
                "ul",
                *(
                    tag("li", tag("b", big), tag("span", small), tag("small", more) if more else "")
                    for big, small, more in cards
                ),
                class_="cards",
            ),
        ]
    )


def _tightest(margin: tuple) -> tuple:
    what, amount, _, where, when = margin
    return amount, f"tightest margin: {what}, {where}", joined(["at ", when, " UTC"], "")


def _short_of(plan: Plan) -> str:
    if plan.unplaced.empty:
        return ""
    rows = plan.unplaced.itertuples(index=False)
    return "missing: " + ", ".join(f"{r.wanted - r.placed} {r.activity}" for r in rows)


def _next_decision(deadlines: pd.DataFrame | None, leeway: pd.DataFrame) -> tuple:
    """When something must be decided first: a command to send, else a step that cannot wait."""
    due = pd.DataFrame() if deadlines is None else deadlines.dropna(subset="deadline_utc")
    if len(due):
        by_utc, station = due.iloc[0][["deadline_utc", "station"]]
        now = due[due["deadline_utc"] == by_utc]
        slots = ", ".join(f"{d.slot} ({d.activity})" for d in now.itertuples(index=False))
        return instant(by_utc), "UTC, next decision is due", f"command {slots} through {station}"
    steps = leeway.dropna(subset="latest_utc").sort_values("latest_utc")
    if len(steps):
        by_utc = steps["latest_utc"].iloc[0]
        names = ", ".join(steps.loc[steps["latest_utc"] == by_utc, "activity"])
        return (
            instant(by_utc),
            "UTC, next decision is due",
            f"latest start, if no other slot is to move, of {names}",
        )
    return ("none", "next decision", "no command deadline and no step that comes once")


def _broken(plan: Plan) -> list[Html]:
    """What the replay found: of a replan, what no plan around the facts can mend."""
    lines = violation_lines(plan.verdict)
    return [tag("ul", *(tag("li", plain(line)) for line in lines))]


# ---------------------------------------------------------------------------- margins


def _ranked(plan: Plan) -> tuple[list[tuple], list[tuple]]:
    """Margins of the platforms, the least share of their room first, and those in time.

    The first as (what, amount, share, where, when), the others, the shortest first, as (what,
    amount, condition, slot, when).
    """
    platforms = {p.name: p for p in plan.environment.scenario.platform}
    activity_of = dict(zip(plan.timeline["slot"], plan.timeline["activity"]))
    shares, in_time = [], []
    for row in plan.verdict.margins.itertuples(index=False):
        if row.unit == "min":
            condition = row.condition.replace("sun", "Sun").replace("earth", "Earth") or "contact"
            amount = lasting(pd.Timedelta(minutes=row.amount))
            in_time.append(
                (
                    row.amount,
                    (
                        row.margin,
                        amount,
                        condition,
                        f"{row.where} ({activity_of[row.where]})",
                        instant(row.time_utc),
                    ),
                )
            )
            continue
        amount = f"{number_text(round(row.amount, 1) + 0.0)} {row.unit}"
        share = row.amount / _room(platforms[row.where], row.unit)
        shares.append(
            (share, (row.margin, amount, f"{100 * share:.1f} %", row.where, instant(row.time_utc)))
        )
    return tuple(
        [facts for _, facts in sorted(found, key=lambda pair: pair[0])]
        for found in (shares, in_time)
    )


def _room(platform: Platform, unit: str) -> float:
    """All that a margin of this unit could be on a platform."""
    battery = platform.battery
    return {
        "Wh": battery.capacity_wh * (1 - battery.reserve) or battery.capacity_wh,
        "W": platform.bus_limit_w,
        "Mbit": platform.store.capacity_mbit,
    }[unit]


def _margins(rows: list[tuple], in_time: list[tuple]) -> list[Html]:
    heads = ["margin", "left", "share", "where", "when (UTC)"]
    parts = [
        paragraph(
            "The share is of all there could be: of the charge between reserve and full, of "
            "the bus limit, of the store."
        ),
        table(
            "The three smallest margins of charge, power and store",
            heads,
            rows[:FIRST_MARGINS],
            stacked=True,
        ),
    ]
    if rows[FIRST_MARGINS:]:
        others = table("The other margins", heads, rows[FIRST_MARGINS:], stacked=True)
        parts.append(folded(f"The other {len(rows) - FIRST_MARGINS} margins", others))
    if in_time:
        heads = ["margin", "left", "condition", "slot", "when (UTC)"]
        parts.append(
            table("The smallest margin in time of each kind", heads, in_time, stacked=True)
        )
    return parts


def _unplaced(plan: Plan) -> list[Html]:
    if plan.unplaced.empty:
        return [paragraph("Everything that was wanted is in.")]
    rows = [
        (
            row.activity,
            row.wanted,
            row.placed,
            row.wanted - row.placed,
            plain(row.reason),
            plain(row.would_fit_if),
        )
        for row in plan.unplaced.itertuples(index=False)
    ]
    return [
        paragraph(
            "Where a change is named, it was tried in the replay by the minute: with it "
            "alone, and its data sent at other times where need be, one more run fits."
        ),
        table(
            "Wanted and not placed",
            ["activity", "wanted", "placed", "missing", "why", "one more would fit if"],
            rows,
            stacked=True,
        ),
    ]


# -------------------------------------------------------------------------- decisions


def _deadlines(deadlines: pd.DataFrame | None) -> list[Html]:
    if deadlines is None:
        return [
            paragraph(
                "The scenario does not say how long before a slot its commands must be "
                "aboard ([uplink]), so no command deadline is worked out."
            )
        ]
    due = deadlines.dropna(subset="deadline_utc")
    aboard = int((deadlines["station"] == ABOARD).sum())
    lost = deadlines[deadlines["deadline_utc"].isna() & (deadlines["station"] != ABOARD)]
    heads = [
        "command must leave by (UTC)",
        "station",
        "its contact opens",
        "slot",
        "activity",
        "slot starts",
    ]
    rows = [
        (
            instant(d.deadline_utc),
            d.station,
            instant(d.contact_opens_utc),
            d.slot,
            d.activity,
            instant(d.start_utc),
        )
        for d in due.itertuples(index=False)
    ]
    parts = [table("Next command deadlines", heads, rows[:FIRST_DEADLINES], stacked=True)]
    if rows[FIRST_DEADLINES:]:
        later = table("Later command deadlines", heads, rows[FIRST_DEADLINES:])
        parts.append(folded(f"{len(rows) - FIRST_DEADLINES} later deadlines", later))
    if aboard:
        many = "slots are" if aboard > 1 else "slot is"
        parts.append(paragraph(f"{aboard} {many} loaded before the span."))
    if len(lost):
        parts.append(paragraph("No contact for commands of: " + ", ".join(lost["slot"]) + "."))
    return parts


def _leeway(leeway: pd.DataFrame) -> list[Html]:
    if leeway.empty:
        return [paragraph("No step that comes once, or that others wait for, is still to come.")]
    rows = []
    for s in leeway.itertuples(index=False):
        times = [instant(t) for t in (s.earliest_utc, s.start_utc, s.latest_utc, s.last_utc)]
        if pd.isna(s.start_utc):
            times[1] = "not placed"
        spare = "" if pd.isna(s.latest_utc) else lasting(s.latest_utc - s.start_utc)
        rows.append((s.activity, s.slot, *times, spare, s.held_by, s.waiting))
    return [
        paragraph(
            "Steps that come once, and the first run of what others wait for. The latest "
            "start keeps the step's own windows and lets every run that waits for it stay; "
            "the last possible start would make those move. Other slots, energy and data "
            "are not asked about here: try a change with obsplan check."
        ),
        table(
            "Steps that others hang on",
            [
                "step",
                "slot",
                "earliest start (UTC)",
                "planned",
                "latest, others stay",
                "last possible",
                "may slip",
                "held by",
                "runs waiting",
            ],
            rows,
            stacked=True,
        ),
    ]
