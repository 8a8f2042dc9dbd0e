"""The picture of the report: lanes of slots over one time axis, each slot showing its row of the
timeline."""

import numpy as np
import pandas as pd

from obsplan.environment.model import Environment
from obsplan.inputs.activity import Activity
from obsplan.planning.plan import Plan
from obsplan.reporting.hours import contact_windows, darkness, hours_of, night_words
from obsplan.reporting.page.elements import Html, bars, curve, joined, paragraph, reach, safe, tag
from obsplan.reporting.plan_picture import OTHERWISE, PlanPicture, plan_picture

TICKS_H = (1, 2, 3, 6, 12, 24, 48, 120, 240, 720)
MOST_TICKS = 13
# Tones of an instrument and hatches of a platform that report.css knows.
TONES, HATCHES = 4, 3


def picture(plan: Plan) -> Html:
    """Names at the left, lanes that scroll at the right, the row of a slot below."""
    environment = plan.environment
    shown, (night_h, eclipse_h) = plan_picture(plan), darkness(environment)
    names, lanes = [], []
    above = *_station_lanes(environment), *_team_lanes(shown)
    for name, words, lane in (*above, *_platform_lanes(shown)):
        names.append(
            tag("div", name, class_="name head")
            if words is None
            else tag("div", tag("span", name, title=name), tag("b", words), class_="name")
        )
        lanes.append(lane)
    for name, words, lane in _levels(plan):
        names.append(tag("div", tag("span", name), tag("small", words), class_="name tall"))
        lanes.append(lane)
    span_h = len(environment.sky) / 60
    dark = bars("night", night_h, span_h) + bars("eclipse", eclipse_h, span_h)
    shade = tag("div", *dark, class_="shade", aria_hidden="true")
    field = joined(
        [
            _axis("local", _local_ticks(environment), span_h),
            tag("div", shade, *lanes, *_now(plan, span_h), class_="lanes"),
            _axis("utc", _utc_ticks(environment), span_h),
        ]
    )
    local = "local time (h)" if environment.scenario.site else ""
    heads = tag("div", local, class_="name axis")
    feet = tag("div", "UTC", class_="name axis")
    return joined(
        [
            paragraph(
                "Point at a slot or tap it to read its row. With the keyboard, press Tab to reach "
                "the first slot, then use the arrow keys.",
                tag("span", " Scroll sideways to see the whole span.", class_="narrow"),
                class_="hint",
            ),
            Html(
                '<div class="whole">\n<div class="picture">\n'
                f'<div class="names" aria-hidden="true">{joined([heads, *names, feet], "")}</div>\n'
                '<div class="scroll" tabindex="0" role="region" aria-label="timeline of slots">\n'
                f'<div class="field">{field}</div>\n</div>\n</div>\n'
                f"{_legend(shown, len(night_h), len(eclipse_h))}\n</div>"
            ),
            paragraph("No slot selected.", id="told", aria_live="polite"),
        ]
    )


def _now(plan: Plan, span_h: float) -> list[Html]:
    """The line at now, in a replan."""
    now_utc = plan.now_utc
    if now_utc is None:
        return []
    now_h = hours_of(plan.environment, [now_utc])[0]
    return [
        tag(
            "div",
            tag("b", f"now, {now_utc:%H:%M}"),
            class_="now" if now_h < 0.8 * span_h else "now late",
            role="img",
            style=f"left:{100 * now_h / span_h:.3f}%",
            aria_label=f"now, {now_utc:%Y-%m-%d %H:%M} UTC",
        )
    ]


def _missing(shown: PlanPicture) -> str:
    """Legend of the hollow boxes, and how many missing runs have none; "" if none is missing."""
    if shown.plan.unplaced.empty:
        return ""
    rest = shown.without_room()
    more = ", ".join(f"{count} more {name}" for name, count in rest.items() if count > 0)
    return "requested, not scheduled: one box per run" + (f"; no room for {more}" if more else "")


def _legend(shown: PlanPicture, nights: int, eclipses: int) -> Html:
    missing = _missing(shown)

    def occurs(state: str) -> bool:
        return bool((shown.plan.timeline["state"] == state).any())

    teams = bool(shown.on_console)
    rows = [
        ("slot", "slot (colour: instrument, hatching: platform)", True),
        *((f"slot {state}", f"{state} run", occurs(state)) for state in OTHERWISE),
        ("slot broken", "violates a rule", not shown.plan.verdict.is_valid),
        ("missing", missing, missing),
        ("window", "permitted window" + ", team's hours" * teams, True),
        ("contact", "contact", True),
        ("sending", "transmit window" + ", team at work" * teams, True),
        ("night", night_words(shown.plan.environment), nights),
        ("eclipse", "eclipse by the Earth", eclipses),
    ]
    items = [tag("li", Html(f'<i class="{kind}"></i>'), words) for kind, words, is_ in rows if is_]
    return tag("ul", *items, class_="key")


def _station_lanes(environment: Environment):
    span_h = len(environment.sky) / 60
    yield "stations", None, tag("div", class_="lane head")
    for station in environment.scenario.station:
        open_h = contact_windows(environment, station=station.name)
        hours = np.ptp(open_h, axis=1).sum()
        yield (
            station.name,
            f"{hours:.0f} h",
            tag(
                "div",
                *bars("contact", open_h, span_h),
                class_="lane",
                role="img",
                aria_label=f"{station.name}: {len(open_h)} contacts, {hours:.1f} h",
            ),
        )


def _team_lanes(shown: PlanPicture):
    """The hours of each team, and when slots need it."""
    span_h = len(shown.plan.environment.sky) / 60
    if shown.on_console:
        yield "teams", None, tag("div", class_="lane head")
    for name, on_console_h in shown.on_console.items():
        watching_h = shown.watching[name]
        hours = (
            f"{np.ptp(watching_h, axis=1).sum():.1f} of {np.ptp(on_console_h, axis=1).sum():.1f} h"
        )
        marks = *bars("window", on_console_h, span_h), *bars("sending", watching_h, span_h)
        words = f"{name}: at work in {hours} on console"
        yield name, hours, tag("div", *marks, class_="lane thin", role="img", aria_label=words)


def _platform_lanes(shown: PlanPicture):
    scenario, timeline = shown.plan.environment.scenario, shown.plan.timeline
    sending = {platform: name for name, platform in scenario.sending_names.items()}
    for p, platform in enumerate(scenario.platform):
        yield platform.name, None, tag("div", class_="lane head")
        devices = [i.name for i in scenario.instrument if i.platform == platform.name]
        for tone, device in enumerate(devices):
            look = f"slot tone{tone % TONES} hatch{(p + tone // TONES) % HATCHES}"
            for activity in (a for a in scenario.activity if a.instrument == device):
                yield _activity_lane(shown, activity, look)
        name = sending[platform.name]
        slots = _slots(shown, timeline[timeline["activity"] == name], "slot sending")
        sent_mbit = shown.plan.verdict.resources[platform.name]["sent_mbit"].sum()
        words = f"{name}: {sent_mbit:,.0f} Mbit sent"
        lane = tag("div", *slots, class_="lane thin", role="group", aria_label=words)
        yield name, f"{sent_mbit:,.0f} Mbit", lane


def _activity_lane(shown: PlanPicture, activity: Activity, look: str) -> tuple[str, str, Html]:
    """Windows, missing runs and slots of an activity."""
    timeline, span_h = shown.plan.timeline, len(shown.plan.environment.sky) / 60
    own = timeline[timeline["activity"] == activity.name]
    marks = [
        *bars("window", shown.windows[activity.name], span_h),
        *bars("missing", shown.missing[activity.name], span_h),
        *_slots(shown, own, look),
    ]
    count = f"{shown.placed[activity.name]} of {shown.requested[activity.name]}"
    words = f"{activity.name}: {count} scheduled"
    lane = tag("div", *marks, class_="lane", role="group", aria_label=words)
    return activity.name, count, lane


def _slots(shown: PlanPicture, own: pd.DataFrame, look: str):
    environment = shown.plan.environment
    span_h = len(environment.sky) / 60
    starts_h, ends_h = (hours_of(environment, own[c]) for c in ("start_utc", "end_utc"))
    for slot, start_h, end_h in zip(own.itertuples(index=False), starts_h, ends_h):
        wrong = slot.slot in shown.plan.verdict.slots_at_fault
        row = safe(slot_row(slot) + (" · violates a rule" if wrong else ""))
        mark = f" {slot.state}" if slot.state in OTHERWISE else ""
        mark += " broken" if wrong else ""
        yield Html(
            f'<button type="button" class="{look}{mark}" aria-label="{row}" title="{row}" '
            f'style="{reach(start_h, end_h, span_h)}"></button>'
        )


def slot_row(slot) -> str:
    """A row of the timeline as a sentence."""
    parts = [
        f"{slot.slot} {slot.activity}",
        *_place(slot),
        f"{slot.start_utc:%Y-%m-%d %H:%M} to {slot.end_utc:%Y-%m-%d %H:%M} UTC "
        f"({slot.duration_min} min)",
        f"Sun {slot.sun_elevation_deg:.1f} deg, local time {slot.local_time_h:.2f} h",
        f"ground {slot.surface_temperature_k:.0f} K",
        f"contact {slot.contact}",
        f"{slot.power_w:g} W",
    ]
    if slot.instrument != "radio":
        parts += [f"{slot.energy_wh:.1f} Wh", f"{slot.data_mbit:g} Mbit", f"value {slot.value:.1f}"]
    # A replan keeps the reason that was reported.
    outcome = ": ".join(filter(None, [slot.state, getattr(slot, "reason", "")]))
    return " · ".join([*parts, outcome])


def _place(slot) -> list[str]:
    """Where the rover is, or from where to where it drives."""
    stop, from_stop = getattr(slot, "stop", ""), getattr(slot, "from_stop", "")
    if from_stop:
        return [f"drives from {from_stop} to {stop}"]
    return [f"at {stop}"] if stop else []


def _levels(plan: Plan):
    """State of charge over its reserve, and stored data under the capacity, of each platform.

    All are drawn from empty to full: one that is a little used looks so.
    """
    scenario = plan.environment.scenario
    for platform in scenario.platform:
        table = plan.verdict.resources[platform.name]
        charge, stored = table["state_of_charge"].to_numpy(), table["stored_mbit"].to_numpy()
        drawn = slice(None, None, scenario.span.step_min)
        reserve = platform.battery.reserve
        words = f"reserve {100 * reserve:.0f} %, minimum {100 * charge.min():.1f} %"
        yield (
            f"{platform.name} charge",
            words,
            _level(charge[drawn], 1.0, reserve, f"{platform.name} state of charge: {words}"),
        )
        most_mbit = platform.store.capacity_mbit
        words = f"maximum {stored.max():,.0f} of {most_mbit:,.0f} Mbit"
        yield (
            f"{platform.name} storage",
            words,
            _level(stored[drawn], most_mbit, most_mbit, f"{platform.name} stored data: {words}"),
        )


def _level(values: np.ndarray, top: float, limit: float, words: str) -> Html:
    line = curve(values, top)
    rule = f'<path class="limit" d="M0 {100 * (1 - limit / top):.1f}H1000"/>'
    return Html(
        '<div class="lane tall"><svg viewBox="0 -4 1000 108" preserveAspectRatio="none" '
        f'role="img" aria-label="{safe(words)}">{rule}<polyline points="{line}"/></svg></div>'
    )


# ------------------------------------------------------------------------------- axes


def _axis(kind: str, ticks: list[tuple[float, str]], span_h: float) -> Html:
    marks = [
        tag("span", words, style=f"left:{100 * hour / span_h:.3f}%")
        for hour, words in ticks
        if hour <= span_h
    ]
    return tag("div", *marks, class_=f"axis {kind}", aria_hidden="true")


def _utc_ticks(environment: Environment) -> list[tuple[float, str]]:
    start = environment.sky.index[0]
    span_h = len(environment.sky) / 60
    step_h = next((s for s in TICKS_H if span_h / s <= MOST_TICKS), TICKS_H[-1])
    midnight = start.normalize()
    before_h = (start - midnight) / pd.Timedelta(hours=1)
    ticks = []
    for k in range(int(np.ceil(before_h / step_h)), int((before_h + span_h) // step_h) + 1):
        at = midnight + pd.Timedelta(hours=k * step_h)
        day = f"{at.day} {at:%b}"
        ticks.append((k * step_h - before_h, day if at.hour == 0 else f"{at:%H:%M}"))
    return ticks


def _local_ticks(environment: Environment) -> list[tuple[float, str]]:
    if environment.scenario.site is None:
        return []  # each orbit goes through all local times
    local_h = np.unwrap(environment.sky["local_time_h"].to_numpy(), period=24)
    length_h = local_h[-1] - local_h[0]
    steps = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 3, 6, 12, 24, 48, 120)
    step_h = next((s for s in steps if length_h / s <= MOST_TICKS), steps[-1])
    marks = np.arange(np.ceil(local_h[0] / step_h), local_h[-1] / step_h + 1e-9) * step_h
    hours = np.interp(marks, local_h, np.arange(len(local_h)) / 60)
    return [(float(h), f"{round(m, 6) % 24:g}") for h, m in zip(hours, marks)]
