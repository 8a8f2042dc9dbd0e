"""The page for the review board: one file with the plan, what is not scheduled, and margins.

It needs no network and no other file, and is the same bytes for the same plan.
"""

from collections.abc import Sequence

import pandas as pd

from obsplan.analysis.command_deadlines import LOADED_BEFORE, has_uplink_lead, uplink_deadlines
from obsplan.analysis.contact_use import used_contacts
from obsplan.analysis.data_latency import latency_table
from obsplan.analysis.missing_runs import requested_runs, scheduled_runs
from obsplan.analysis.quiet_hours import has_quiet
from obsplan.analysis.start_leeway import leeway_table
from obsplan.analysis.traverse import has_stops
from obsplan.common.text import proven, raised
from obsplan.futures.surer_plans import Survival
from obsplan.operations.replan import Replan
from obsplan.planning.plan import Plan
from obsplan.reporting.page.alternatives import alternatives_part
from obsplan.reporting.page.changes import changes_card, changes_part
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
from obsplan.reporting.page.futures import futures_part, slot_chances
from obsplan.reporting.page.goals import chance_cards, goal_cards, goals_part
from obsplan.reporting.page.margins import margin_cards, margins_part, ranked_margins
from obsplan.reporting.page.orbit import is_in_orbit, orbit_part
from obsplan.reporting.page.policy import content_policy, with_style_rules
from obsplan.reporting.page.quiet import quiet_part
from obsplan.reporting.page.sections import (
    activity_part,
    assumptions_part,
    caution_part,
    contacts_part,
    decisions_part,
    latency_part,
)
from obsplan.reporting.page.stops import stops_part
from obsplan.reporting.page.timeline import picture
from obsplan.reporting.place import place_text
from obsplan.reporting.text.sentences import (
    as_good_line,
    cold_lines,
    night_lines,
    optimality,
    violation_lines,
)

FIRST_DEADLINES = 8
SECTIONS = (
    ("goals", "Goals"),
    ("futures", "If things go differently"),
    ("picture", "The plan"),
    ("stops", "Stops and drives"),
    ("changes", "Changes"),
    ("broken", "Violations"),
    ("margins", "Smallest margins"),
    ("unplaced", "Runs not scheduled"),
    ("alternatives", "Alternatives"),
    ("decisions", "Next decisions"),
    ("activities", "Runs and coverage"),
    ("quiet", "Quiet hours"),
    ("orbit", "In orbit"),
    ("contacts", "Contacts"),
    ("latency", "Data latency"),
    ("assumptions", "Assumptions and versions"),
    ("caution", "Caution"),
)


def report_page(
    made: Plan | Replan, alternatives: Sequence[Plan] = (), survival: Survival | None = None
) -> str:
    """The whole page as HTML, with a section that compares the `alternatives` if there are any, and
    one on the futures of a plan that was chosen by them.

    That of a replan says what it changes, and names only decisions that are still ahead.
    """
    plan, replan = (made.plan, made) if isinstance(made, Replan) else (made, None)
    environment = plan.environment
    scenario = environment.scenario
    deadlines = None
    if has_uplink_lead(scenario):
        deadlines = uplink_deadlines(environment, plan.timeline, plan.now_utc)
    leeway = leeway_table(plan)
    (margins, in_time), sure = ranked_margins(plan), slot_chances(survival)
    inside = {
        **({"goals": goals_part(plan)} if scenario.goal else {}),
        **({"futures": futures_part(survival)} if survival else {}),
        "picture": [picture(plan), *_as_good(plan)],
        **({"stops": stops_part(plan)} if has_stops(scenario) else {}),
        **({"changes": changes_part(replan)} if replan else {}),
        **({} if plan.verdict.is_valid else {"broken": _broken(plan)}),
        "margins": [
            *margins_part(plan, margins, in_time),
            *(paragraph(plain(line)) for line in (*cold_lines(plan.verdict), *night_lines(plan))),
        ],
        "unplaced": _unplaced(plan),
        **({"alternatives": alternatives_part([plan, *alternatives])} if alternatives else {}),
        "decisions": [*decisions_part(plan), *_deadlines(deadlines), *_leeway(leeway)],
        "activities": [activity_part(plan, a, sure) for a in scenario.activity],
        **({"quiet": quiet_part(plan)} if has_quiet(scenario) else {}),
        **({"orbit": orbit_part(plan)} if is_in_orbit(environment) else {}),
        "contacts": contacts_part(used_contacts(plan), environment.contacts["used_min"].sum() / 60),
        "latency": latency_part(latency_table(plan)),
        "assumptions": assumptions_part(environment),
        "caution": caution_part(scenario),
    }
    sections = [(anchor, title) for anchor, title in SECTIONS if anchor in inside]
    links = [tag("a", title, href=f"#{anchor}") for anchor, title in sections]
    body = joined(
        [
            tag("header", _headline(plan, replan, survival, margins, deadlines, leeway)),
            tag("nav", *links, aria_label="On this page"),
            tag(
                "main",
                joined(section(anchor, title, *inside[anchor]) for anchor, title in sections),
            ),
        ]
    )
    body, places = with_style_rules(body)
    styles, program = f"\n{style()}{places}", f"\n{script()}"
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f"{content_policy(styles, program)}\n"
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{safe(scenario.title)}: plan for review</title>\n"
        f"<style>{styles}</style>\n</head>\n<body>\n{body}\n"
        f"<script>{program}</script>\n</body>\n</html>\n"
    )


# --------------------------------------------------------------------------- headline


def _headline(
    plan: Plan,
    replan: Replan | None,
    survival: Survival | None,
    margins: list[tuple],
    deadlines: pd.DataFrame | None,
    leeway: pd.DataFrame,
) -> Html:
    scenario = plan.environment.scenario
    placed = sum(scheduled_runs(plan).values())
    requested = sum(requested_runs(plan).values())
    span, place = scenario.span, place_text(scenario)
    near, value = optimality(plan), f"value {plan.value:.1f}"
    if proven(plan.value, plan.bound):
        quality = near, f"{value}, no better plan exists on this time grid"
    elif near:
        quality = near, f"{value}, upper bound {raised(plan.bound)} for any plan on this time grid"
    else:
        quality = value, "no upper bound proven"
    cards = [
        *goal_cards(plan),
        *chance_cards(survival),
        (f"{placed} of {requested}", "requested runs scheduled", _short_of(plan)),
        (*quality, ""),
        *([changes_card(replan)] if replan else []),
        (plan.verdict.summary, "in the minute-by-minute replay", ""),
        *margin_cards(plan, margins),
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


def _short_of(plan: Plan) -> str:
    if plan.unplaced.empty:
        return ""
    rows = plan.unplaced.itertuples(index=False)
    return "not scheduled: " + ", ".join(f"{r.requested - r.placed} {r.activity}" for r in rows)


def _next_decision(deadlines: pd.DataFrame | None, leeway: pd.DataFrame) -> tuple:
    """The first decision: a command to send, else a step that cannot wait."""
    due = pd.DataFrame() if deadlines is None else deadlines.dropna(subset="deadline_utc")
    if len(due):
        by_utc, station = due.iloc[0][["deadline_utc", "station"]]
        now = due[due["deadline_utc"] == by_utc]
        slots = ", ".join(f"{d.slot} ({d.activity})" for d in now.itertuples(index=False))
        return (
            instant(by_utc),
            "UTC: next decision due",
            f"send the command for {slots} through {station}",
        )
    steps = leeway.dropna(subset="latest_utc").sort_values("latest_utc")
    if len(steps):
        by_utc = steps["latest_utc"].iloc[0]
        names = ", ".join(steps.loc[steps["latest_utc"] == by_utc, "activity"])
        return (
            instant(by_utc),
            "UTC: next decision due",
            f"latest start of {names} if nothing else moves",
        )
    return ("none", "next decision", "no command deadline and no one-time step ahead")


def _as_good(plan: Plan) -> list[Html]:
    """What decided between plans worth the same."""
    line = as_good_line(plan)
    return [paragraph(f"{line[:1].upper()}{line[1:]}.")] if line else []


def _broken(plan: Plan) -> list[Html]:
    """What the replay found; in a replan, what no plan could avoid."""
    lines = violation_lines(plan.verdict)
    return [tag("ul", *(tag("li", plain(line)) for line in lines))]


def _unplaced(plan: Plan) -> list[Html]:
    if plan.unplaced.empty:
        return [paragraph("All requested runs are scheduled.")]
    rows = [
        (
            row.activity,
            row.requested,
            row.placed,
            row.requested - row.placed,
            plain(row.reason),
            plain(row.would_fit_if),
        )
        for row in plan.unplaced.itertuples(index=False)
    ]
    return [
        paragraph(
            "Each change was tried in the minute-by-minute replay: with it alone, and other "
            "transmit windows if necessary, one more run fits."
        ),
        table(
            "Requested runs that are not scheduled",
            ["activity", "requested", "scheduled", "missing", "reason", "one more would fit if"],
            rows,
            stacked=True,
        ),
    ]


# -------------------------------------------------------------------------- decisions


def _deadlines(deadlines: pd.DataFrame | None) -> list[Html]:
    if deadlines is None:
        return [
            paragraph(
                "No command deadlines: the scenario does not say how long before a slot its "
                "commands must be on board ([uplink])."
            )
        ]
    due = deadlines.dropna(subset="deadline_utc")
    loaded = int((deadlines["station"] == LOADED_BEFORE).sum())
    lost = deadlines[deadlines["deadline_utc"].isna() & (deadlines["station"] != LOADED_BEFORE)]
    heads = [
        "send command by (UTC)",
        "station",
        "contact starts (UTC)",
        "slot",
        "activity",
        "slot starts (UTC)",
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
    if loaded:
        many = "slots" if loaded > 1 else "slot"
        parts.append(paragraph(f"Commands of {loaded} {many} are loaded before the span."))
    if len(lost):
        parts.append(
            paragraph(
                "No contact is left to send the commands of: " + ", ".join(lost["slot"]) + "."
            )
        )
    return parts


def _leeway(leeway: pd.DataFrame) -> list[Html]:
    if leeway.empty:
        return [paragraph("No one-time step or prerequisite is ahead.")]
    rows = []
    for s in leeway.itertuples(index=False):
        limits = (s.earliest_utc, s.start_utc, s.latest_utc, s.latest_if_others_move_utc)
        times: list[str | None] = [instant(t) for t in limits]
        if pd.isna(s.start_utc):
            times[1] = "not placed"
        spare = "" if pd.isna(s.latest_utc) else lasting(s.latest_utc - s.start_utc)
        rows.append((s.activity, s.slot, *times, spare, s.limited_by, s.dependants))
    return [
        paragraph(
            "One-time steps, and the first run of each activity that others come after. The "
            "latest start if nothing else moves keeps to the step's own windows and leaves every "
            "dependent run in place; a later start would move those. Other slots, energy and "
            "data are not considered here: try a change with obsplan check."
        ),
        table(
            "Prerequisites",
            [
                "step",
                "slot",
                "earliest start (UTC)",
                "planned",
                "latest start if nothing else moves",
                "latest start if dependants move too",
                "slack",
                "limited by",
                "dependent runs",
            ],
            rows,
            stacked=True,
        ),
    ]
