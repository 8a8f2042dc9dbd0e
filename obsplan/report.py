"""The page for the review board: one file that says what is in, what is not, and how near.

It needs no network and no other file, and is the same bytes for the same plan.
"""

import numpy as np
import pandas as pd

import obsplan
from obsplan.check import figure
from obsplan.deadlines import ABOARD, asks_uplink, deadlines_table
from obsplan.environment import Environment
from obsplan.latency import latency_table
from obsplan.leeway import leeway_table
from obsplan.plan import Plan
from obsplan.report_parts import (
    CAUTION,
    Html,
    folded,
    instant,
    joined,
    paragraph,
    safe,
    script,
    section,
    style,
    table,
    tag,
)
from obsplan.report_picture import picture
from obsplan.scenario import Activity, Platform, Scenario
from obsplan.windows import coverage_bin, start_mask

FIRST_MARGINS, FIRST_DEADLINES = 3, 8
BIN_UNITS = {"local_time_h": "h local time", "sun_elevation_deg": "deg Sun elevation",
             "earth_phase_deg": "deg Earth phase", "span_h": "h of the span"}  # fmt: skip
SECTIONS = (
    ("picture", "The plan"),
    ("margins", "Smallest margins"),
    ("unplaced", "What did not fit"),
    ("decisions", "Next decisions"),
    ("activities", "Runs and coverage"),
    ("contacts", "Contacts"),
    ("latency", "How old data are when received"),
    ("assumptions", "Assumptions and versions"),
    ("caution", "Caution"),
)


def report_page(scenario: Scenario, environment: Environment, plan: Plan) -> str:
    """The whole page as HTML."""
    deadlines = None
    if asks_uplink(scenario):
        deadlines = deadlines_table(scenario, environment, plan.timeline)
    leeway = leeway_table(scenario, environment, plan.timeline)
    margins = _ranked(scenario, plan)
    inside = {
        "picture": [picture(scenario, environment, plan)],
        "margins": _margins(margins),
        "unplaced": _unplaced(plan),
        "decisions": [*_deadlines(deadlines, plan), *_leeway(leeway)],
        "activities": [_activity(scenario, environment, plan, a) for a in scenario.activity],
        "contacts": _contacts(environment.contacts),
        "latency": _latency(latency_table(scenario, plan.timeline, plan.verdict)),
        "assumptions": _assumptions(scenario, environment),
        "caution": _caution(scenario),
    }
    links = [tag("a", title, href=f"#{anchor}") for anchor, title in SECTIONS]
    body = joined([
        tag("header", _headline(scenario, plan, margins, deadlines, leeway)),
        tag("nav", *links, aria_label="On this page"),
        tag("main", joined(section(anchor, title, *inside[anchor]) for anchor, title in SECTIONS)),
    ])  # fmt: skip
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{safe(scenario.title)}: plan for review</title>\n"
        f"<style>\n{style()}</style>\n</head>\n<body>\n{body}\n"
        f"<script>\n{script()}</script>\n</body>\n</html>\n"
    )


# --------------------------------------------------------------------------- headline


def _headline(
    scenario: Scenario,
    plan: Plan,
    margins: list[tuple],
    deadlines: pd.DataFrame | None,
    leeway: pd.DataFrame,
) -> Html:
    names = {a.name for a in scenario.activity}
    placed = int(plan.timeline["activity"].isin(names).sum())
    wanted = sum(a.count for a in scenario.activity)
    site, span = scenario.site, scenario.span
    place = (
        f"{site.name}, {abs(site.latitude_deg):g}° {'N' if site.latitude_deg >= 0 else 'S'} "
        f"{abs(site.longitude_deg):g}° {'E' if site.longitude_deg >= 0 else 'W'}"
    )
    if np.isfinite(plan.bound):
        best = f"at most {100 * plan.gap:.1f} % below the best possible"
        bound = f"value {plan.value:.1f}; no plan on this grid can be worth more than {plan.bound:.1f}"
    else:
        best, bound = f"value {plan.value:.1f}", "how far from the best possible is not proven"
    cards = [
        (f"{placed} of {wanted}", "runs that were wanted are in", _short_of(plan)),
        (best, bound, ""),
        (plan.verdict.summary, "in the replay of every minute", ""),
        *([_tightest(margins[0])] if margins else []),
        _next_decision(deadlines, leeway),
    ]
    return joined([
        tag("h1", scenario.title),
        paragraph(place, ", ", instant(span.start_utc), " to ", instant(span.end_utc), " UTC"),
        tag("ul", *(tag("li", tag("b", big), tag("span", small), tag("small", more) if more else "")
                    for big, small, more in cards), class_="cards"),
    ])  # fmt: skip


def _tightest(margin: tuple) -> tuple:
    amount, _, what, where, when = margin
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
        return (instant(by_utc), "UTC, next decision is due",
                f"latest start, if no other slot is to move, of {names}")  # fmt: skip
    return ("none", "next decision", "no command deadline and no step that comes once")


# ---------------------------------------------------------------------------- margins


def _ranked(scenario: Scenario, plan: Plan) -> list[tuple]:
    """Margins with the least share of their room first: amount, share, what, where, when."""
    platforms = {p.name: p for p in scenario.platform}
    slots = {slot.slot: slot for slot in plan.timeline.itertuples(index=False)}
    ranked = []
    for row in plan.verdict.margins.itertuples(index=False):
        where = row.where
        if row.where in platforms:
            room = _room(platforms[row.where], row.unit)
        else:
            slot = slots.get(row.where.split(",")[0])
            room = float(slot.duration_min) if slot else 60.0
            where = f"{row.where} ({slot.activity})" if slot else row.where
        share = row.amount / room
        amount = f"{figure(round(row.amount, 1) + 0.0)} {row.unit}"
        ranked.append((share, (amount, f"{100 * share:.1f} %", row.margin, where,
                               instant(row.time_utc))))  # fmt: skip
    return [facts for _, facts in sorted(ranked, key=lambda pair: pair[0])]


def _room(platform: Platform, unit: str) -> float:
    """All that a margin of this unit could be on a platform."""
    battery = platform.battery
    return {
        "Wh": battery.capacity_wh * (1 - battery.reserve) or battery.capacity_wh,
        "W": platform.bus_limit_w,
        "Mbit": platform.store.capacity_mbit,
    }[unit]


def _margins(ranked: list[tuple]) -> list[Html]:
    heads = ["margin", "left", "share", "where", "when (UTC)"]
    rows = [(what, amount, share, where, when) for amount, share, what, where, when in ranked]
    parts = [
        paragraph("The share is of all there could be: of the charge between reserve and full, of "
                  "the bus limit, of the store, and for minutes of the slot's length."),
        table("The three smallest margins", heads, rows[:FIRST_MARGINS]),
    ]  # fmt: skip
    if rows[FIRST_MARGINS:]:
        parts.append(folded(f"The other {len(rows) - FIRST_MARGINS} margins",
                            table("The other margins", heads, rows[FIRST_MARGINS:])))  # fmt: skip
    return parts


def _unplaced(plan: Plan) -> list[Html]:
    if plan.unplaced.empty:
        return [paragraph("Everything that was wanted is in.")]
    rows = [
        (row.activity, row.wanted, row.placed, row.wanted - row.placed, row.reason,
         row.would_fit_if)
        for row in plan.unplaced.itertuples(index=False)
    ]  # fmt: skip
    return [
        paragraph("Where a change is named, it was tried: with it alone, one more run fits and "
                  "battery and store hold through the span."),
        table("Wanted and not placed",
              ["activity", "wanted", "placed", "missing", "why", "one more would fit if"], rows),
    ]  # fmt: skip


# -------------------------------------------------------------------------- decisions


def _deadlines(deadlines: pd.DataFrame | None, plan: Plan) -> list[Html]:
    if deadlines is None:
        return [paragraph("The scenario does not say how long before a slot its commands must be "
                          "aboard (table [uplink]), so no command deadline is worked out.")]  # fmt: skip
    due = deadlines.dropna(subset="deadline_utc")
    aboard = int((deadlines["station"] == ABOARD).sum())
    lost = deadlines[deadlines["deadline_utc"].isna() & (deadlines["station"] != ABOARD)]
    heads = ["command must leave by (UTC)", "station", "its contact opens", "slot", "activity",
             "slot starts"]  # fmt: skip
    rows = [
        (instant(d.deadline_utc), d.station, instant(d.contact_opens_utc), d.slot, d.activity,
         instant(d.start_utc))
        for d in due.itertuples(index=False)
    ]  # fmt: skip
    parts = [table("Next command deadlines", heads, rows[:FIRST_DEADLINES])]
    if rows[FIRST_DEADLINES:]:
        parts.append(folded(f"{len(rows) - FIRST_DEADLINES} later deadlines",
                            table("Later command deadlines", heads, rows[FIRST_DEADLINES:])))  # fmt: skip
    if aboard:
        many = "slots are" if aboard > 1 else "slot is"
        parts.append(paragraph(f"{aboard} {many} loaded before the span."))
    if len(lost):
        parts.append(paragraph("No contact for commands of: " + ", ".join(lost["slot"]) + "."))
    return parts


def _leeway(leeway: pd.DataFrame) -> list[Html]:
    if leeway.empty:
        return [paragraph("No step comes once, and no run waits for another.")]
    rows = []
    for s in leeway.itertuples(index=False):
        times = [instant(t) for t in (s.earliest_utc, s.start_utc, s.latest_utc, s.last_utc)]
        if pd.isna(s.start_utc):
            times[1] = "not placed"
        spare = "" if pd.isna(s.latest_utc) else _lasting(s.latest_utc - s.start_utc)
        rows.append((s.activity, s.slot, *times, spare, s.held_by, s.waiting))
    return [
        paragraph("Steps that come once, and the first run of what others wait for. The latest "
                  "start keeps the step's own windows and lets every run that waits for it stay; "
                  "the last possible start would make those move. Other slots, energy and data "
                  "are not asked about here: try a change with obsplan check."),
        table("Steps that others hang on",
              ["step", "slot", "earliest start (UTC)", "planned", "latest, others stay",
               "last possible", "may slip", "held by", "runs waiting"], rows),
    ]  # fmt: skip


def _lasting(time: pd.Timedelta) -> str:
    minutes = int(time / pd.Timedelta(minutes=1))
    return f"{minutes} min" if minutes < 120 else f"{minutes / 60:.1f} h"


# ------------------------------------------------------------------------- activities


def _activity(
    scenario: Scenario, environment: Environment, plan: Plan, activity: Activity
) -> Html:
    own = plan.timeline[plan.timeline["activity"] == activity.name]
    bins = _bins(scenario, environment, activity, own)
    filled = sum(1 for _, runs, _ in bins if runs)
    cover = f", {filled} of {len(bins)} coverage bins filled" if bins else ""
    required = f" ({activity.must} required)" if activity.must else ""
    summary = joined([
        tag("b", activity.name),
        f" {len(own)} of {activity.count} runs{required}, value {own['value'].sum():.1f}{cover}",
    ], "")  # fmt: skip
    rows = [
        (r.slot, instant(r.start_utc), instant(r.end_utc), f"{r.sun_elevation_deg:.1f}",
         f"{r.local_time_h:.2f}", f"{r.surface_temperature_k:.0f}", r.contact,
         f"{r.energy_wh:.1f}", f"{r.data_mbit:g}", f"{r.value:.2f}")
        for r in own.itertuples(index=False)
    ]  # fmt: skip
    heads = ["slot", "start (UTC)", "end", "Sun (deg)", "local time (h)", "ground (K)", "contact",
             "Wh", "Mbit", "value"]  # fmt: skip
    parts = [table(f"Runs of {activity.name}", heads, rows)] if rows else [paragraph("No run.")]
    if bins:
        unit = BIN_UNITS[activity.coverage.over]
        kinds = ["filled" if runs else "empty" if reachable else "out of reach"
                 for _, runs, reachable in bins]  # fmt: skip
        parts.insert(0, tag("ul", *(
            tag("li", tag("b", words), f" {runs} runs" if kind == "filled" else f" {kind}",
                class_=kind.split()[0])
            for (words, runs, _), kind in zip(bins, kinds)
        ), class_="bins", aria_label=f"Coverage bins of {activity.name} in {unit}"))
        parts.insert(0, paragraph(f"Coverage in {unit}; out of reach: no permitted start in it.",
                                  class_="hint"))  # fmt: skip
    return folded(summary, *parts)


def _bins(
    scenario: Scenario, environment: Environment, activity: Activity, own: pd.DataFrame
) -> list[tuple[str, int, bool]]:
    """Coverage bins as (edges in words, runs in it, whether a start is permitted in it)."""
    if activity.coverage is None:
        return []
    of_step = coverage_bin(scenario, environment, activity)
    permitted = start_mask(scenario, environment, activity)
    since = (own["start_utc"] - pd.Timestamp(scenario.span.start_utc)) / pd.Timedelta(minutes=1)
    steps = (since.to_numpy(dtype=float) // scenario.span.step_min).astype(int)
    edges = activity.coverage.edges
    return [
        (f"{low:g} to {high:g}", int((of_step[steps] == k).sum()),
         bool((permitted & (of_step == k)).any()))
        for k, (low, high) in enumerate(zip(edges, edges[1:]))
    ]  # fmt: skip


# ----------------------------------------------------------------- contacts and data


def _contacts(contacts: pd.DataFrame) -> list[Html]:
    if contacts.empty:
        return [paragraph("There is no contact in the span.")]
    rows = [
        (c.station, c.platform, instant(c.acquisition_utc), instant(c.loss_utc),
         _lasting(pd.Timedelta(minutes=c.duration_min)), f"{c.max_station_elevation_deg:.0f}",
         f"{c.rate_kbps:.0f}", f"{c.volume_mbit:,.0f}", _lasting(pd.Timedelta(minutes=c.used_min)))
        for c in contacts.itertuples(index=False)
    ]  # fmt: skip
    total = contacts["used_min"].sum() / 60
    heads = ["station", "platform", "acquisition (UTC)", "loss", "lasts", "highest (deg)",
             "kbit/s", "Mbit it could carry", "used"]  # fmt: skip
    return [
        paragraph(f"{len(contacts)} contacts; the link is in use, or free to be, for "
                  f"{total:.1f} h."),
        folded("All contacts", table("Contacts", heads, rows)),
    ]  # fmt: skip


def _latency(latency: pd.DataFrame) -> list[Html]:
    if latency.empty:
        return [paragraph("No run yields data.")]
    rows = [
        (r.instrument, f"{r.taken_mbit:,.1f}", f"{r.received_mbit:,.1f}", f"{r.aboard_mbit:,.1f}",
         _hours(r.median_h), _hours(r.longest_h), instant(r.longest_taken_utc))
        for r in latency.itertuples(index=False)
    ]  # fmt: skip
    return [
        paragraph("From taken to received. Stores are assumed to be emptied first in, first out, "
                  "the relay's too; half of an instrument's data are younger than the median when "
                  "they arrive. The light time, some 1.3 s, is left out."),
        table("Data latency of each instrument",
              ["instrument", "taken (Mbit)", "received", "aboard at the end", "median", "longest",
               "longest: taken at (UTC)"], rows),
    ]  # fmt: skip


def _hours(hours: float) -> str:
    return "" if pd.isna(hours) else f"{hours:.1f} h"


# ------------------------------------------------------------------------ small print


def _assumptions(scenario: Scenario, environment: Environment) -> list[Html]:
    site, span = scenario.site, scenario.span
    platforms = [
        (p.name, f"{p.idle_w:g} W", f"{p.bus_limit_w:g} W",
         f"{sum(a.area_m2 for a in p.array):g} m², dust "
         f"{100 * max((a.dust_loss for a in p.array), default=0):g} %",
         f"{p.battery.capacity_wh:g} Wh, reserve {100 * p.battery.reserve:g} %, starts at "
         f"{100 * p.battery.start:g} %"
         + ("" if p.battery.end is None else f", must end at {100 * p.battery.end:g} %"),
         f"to {p.radio.to}, {p.radio.transmit_w:g} W", f"{p.store.capacity_mbit:g} Mbit")
        for p in scenario.platform
    ]  # fmt: skip
    skyline = site.skyline if isinstance(site.skyline, str) else ", ".join(site.skyline)
    facts = [
        "Draws, yields, values and conditions are those of the scenario, not measured.",
        f"Slots start on whole steps of {span.step_min} min; the replay goes by the minute.",
        f"Skyline: {skyline}; ground slope {site.slope_deg:g} deg, albedo {site.normal_albedo:g}.",
        "Contacts are geometry and the link budget; whether a station is booked is not known.",
        "In a coverage bin the first run is worth full value, further ones less.",
    ]
    versions = [
        ("obsplan", obsplan.__version__),
        ("input hash (SHA-256, first 16)", scenario.input_hash or "scenario not from a file"),
        *((name, f"SHA-256 {digest[:16]}") for name, digest in environment.kernels.items()),
    ]
    return [
        tag("ul", *(tag("li", fact) for fact in facts)),
        table("Platforms as assumed",
              ["platform", "idle", "bus limit", "arrays", "battery", "radio", "store"], platforms),
        table("Versions and input", ["what", "which"], versions),
    ]  # fmt: skip


def _caution(scenario: Scenario) -> list[Html]:
    hazards = [f"{i.name} ({i.hazard})" for i in scenario.instrument if i.hazard != "none"]
    told = [paragraph("Hazards named in the scenario: " + ", ".join(hazards) + ".")]
    return [paragraph(CAUTION, class_="caution"), *(told if hazards else [])]
