"""Sections of the report for specialists: runs, coverage, contacts, latency, assumptions."""

from collections.abc import Mapping

import pandas as pd

from obsplan import __version__
from obsplan.analysis.decision_table import decision_table, has_decisions
from obsplan.analysis.missing_runs import requested_runs, scheduled_runs
from obsplan.common.caution import CAUTION
from obsplan.environment.ground import soil_of
from obsplan.environment.model import Environment
from obsplan.environment.site_skyline import site_cautions
from obsplan.inputs.activity import Activity, Coverage
from obsplan.inputs.conditions import QUANTITIES
from obsplan.inputs.hardware import Battery, Platform
from obsplan.inputs.scenario import Scenario
from obsplan.planning.plan import Plan
from obsplan.planning.problem.start_windows import coverage_bin, start_mask
from obsplan.reporting.page.elements import (
    Html,
    folded,
    instant,
    joined,
    lasting,
    paragraph,
    table,
    tag,
)

RUN_HEADS = (
    "slot",
    "start (UTC)",
    "end (UTC)",
    "Sun (deg)",
    "local time (h)",
    "ground (K)",
    "contact",
    "Wh",
    "Mbit",
    "value",
)


def activity_part(plan: Plan, activity: Activity, chances: Mapping[str, str] | None = None) -> Html:
    """Runs and coverage bins of an activity, folded under its sums.

    `chances` says in words how surely each slot is received, if that is known.
    """
    environment = plan.environment
    own = plan.timeline[plan.timeline["activity"] == activity.name]
    placed, requested = scheduled_runs(plan)[activity.name], requested_runs(plan)[activity.name]
    bins = _bins(environment, activity, own)
    filled = sum(1 for _, runs, _ in bins if runs)
    cover = f", {filled} of {len(bins)} coverage bins filled" if bins else ""
    required = f" ({activity.must} required)" if activity.must else ""
    summary = joined(
        [
            tag("b", activity.name),
            f" {placed} of {_runs(requested)}{required}, value {own['value'].sum():.1f}{cover}",
        ],
        "",
    )
    cover_part = _coverage_part(activity.name, activity.coverage, bins) if activity.coverage else []
    return folded(summary, *cover_part, _runs_part(own, chances))


def _runs_part(own: pd.DataFrame, chances: Mapping[str, str] | None) -> Html:
    """The runs of one activity as a table."""
    rows = [
        (
            r.slot,
            instant(r.start_utc),
            instant(r.end_utc),
            f"{r.sun_elevation_deg:.1f}",
            f"{r.local_time_h:.2f}",
            f"{r.surface_temperature_k:.0f}",
            r.contact,
            f"{r.energy_wh:.1f}",
            f"{r.data_mbit:g}",
            f"{r.value:.2f}",
            *(() if chances is None else (chances.get(r.slot, ""),)),
        )
        for r in own.itertuples(index=False)
    ]
    if not rows:
        return paragraph("No run scheduled.")
    heads = [*RUN_HEADS, *(() if chances is None else ("received with chance",))]
    return table(f"Runs of {own['activity'].iloc[0]}", heads, rows)


def _coverage_part(name: str, coverage: Coverage, bins: list[tuple[str, int, bool]]) -> list[Html]:
    """The coverage bins of an activity, and how many runs each has."""
    quantity = QUANTITIES[coverage.over].heading
    items = []
    for words, runs, reachable in bins:
        kind = "filled" if runs else "empty" if reachable else "out of reach"
        more = f" {_runs(runs)}" if runs else f" {kind}"
        items.append(tag("li", tag("b", words), more, class_=kind.split()[0]))
    label = f"Coverage bins of {name}, {quantity}"
    hint = f"Coverage of {quantity}; out of reach: a bin without a permitted start."
    return [
        paragraph(hint, class_="hint"),
        tag("ul", *items, class_="bins", aria_label=label),
    ]


def _runs(count: int) -> str:
    return f"{count} run" if count == 1 else f"{count} runs"


def _bins(
    environment: Environment, activity: Activity, own: pd.DataFrame
) -> list[tuple[str, int, bool]]:
    """Coverage bins as (edges in words, runs in it, whether a start is permitted in it)."""
    scenario = environment.scenario
    if activity.coverage is None:
        return []
    of_step = coverage_bin(environment, activity)
    permitted = start_mask(environment, activity)
    steps = (scenario.minutes_of(own["start_utc"]) // scenario.span.step_min).astype(int)
    edges = activity.coverage.edges
    return [
        (
            f"{low:g} to {high:g}",
            int((of_step[steps] == k).sum()),
            bool((permitted & (of_step == k)).any()),
        )
        for k, (low, high) in enumerate(zip(edges, edges[1:]))
    ]


# ----------------------------------------------------------------- contacts and data


def contacts_part(contacts: pd.DataFrame, up_h: float) -> list[Html]:
    """Every contact as the plan uses it, folded under the sum; the link is up for `up_h`."""
    if contacts.empty:
        return [paragraph("There is no contact in the span.")]
    rows = [
        (
            c.station,
            c.platform,
            instant(c.acquisition_utc),
            instant(c.loss_utc),
            lasting(pd.Timedelta(minutes=c.duration_min)),
            f"{c.max_station_elevation_deg:.0f}",
            f"{c.rate_kbps:.0f}",
            f"{c.volume_mbit:,.0f}",
            lasting(pd.Timedelta(minutes=c.used_min)),
        )
        for c in contacts.itertuples(index=False)
    ]
    sent_h = contacts["used_min"].sum() / 60
    heads = [
        "station",
        "platform",
        "acquisition (UTC)",
        "loss",
        "duration",
        "max elevation (deg)",
        "kbit/s",
        "capacity (Mbit)",
        "used",
    ]
    return [
        paragraph(
            f"{len(contacts)} contacts; the link is up for {up_h:.1f} h, and something is sent in "
            f"{sent_h:.1f} h of it."
        ),
        folded("All contacts", table("Contacts", heads, rows)),
    ]


def _booked(scenario: Scenario) -> str:
    """Which stations count only while they are booked."""
    names = [station.name for station in scenario.station if station.passes is not None]
    if not names:
        return "whether a station is booked is not known"
    many = "" if len(names) == len(scenario.station) else ", the others whenever they are visible"
    return f"only booked time counts of {', '.join(names)}{many}"


def decisions_part(plan: Plan) -> list[Html]:
    """Runs that people decide on after the data of others: the chain of each."""
    if not has_decisions(plan.environment.scenario):
        return []
    rows = [
        (
            f"{r.slot} {r.activity}",
            f"{r.after_slot} {r.after}",
            instant(r.picture_down_utc),
            f"{r.decide_min} min",
            instant(r.decide_by_utc),
            instant(r.command_by_utc),
            instant(r.start_utc),
            lasting(pd.Timedelta(minutes=r.spare_min)),
        )
        for r in decision_table(plan).itertuples(index=False)
    ]
    heads = ["run", "after", "picture down (UTC)", "to decide", "decide by", "command by", "run at"]
    return (
        [table("Look, decide, command", [*heads, "to spare"], rows, stacked=True)] if rows else []
    )


def latency_part(latency: pd.DataFrame) -> list[Html]:
    """A latency table (see `latency_table`) and what it assumes."""
    if latency.empty:
        return [paragraph("No run produces data.")]
    rows = [
        (
            r.activity,
            str(r.priority),
            f"{r.taken_mbit:,.1f}",
            f"{r.received_mbit:,.1f}",
            f"{r.still_stored_mbit:,.1f}",
            _hours(r.median_h),
            _hours(r.longest_h),
            _hours(r.received_by_h),
            instant(r.longest_taken_utc),
        )
        for r in latency.itertuples(index=False)
    ]
    return [
        paragraph(
            "Time from acquisition to reception. Storage is emptied by priority, 1 first, and the "
            "oldest first within one, also on the relay; half of an activity's data arrive sooner "
            "than the median. Data that telemetry found gone from storage count as received by "
            "then. The light time of about 1.3 s is not included."
        ),
        table(
            "Data latency of each activity",
            [
                "activity",
                "priority",
                "acquired (Mbit)",
                "received",
                "on board at the end",
                "median",
                "longest",
                "permitted",
                "longest: acquired at (UTC)",
            ],
            rows,
            stacked=True,
        ),
    ]


def _battery_text(battery: Battery) -> str:
    """Its capacity, what of that is lost, and its limits of power."""
    text = f"{battery.usable_wh:g} Wh"
    if battery.fade:
        text += f" ({battery.capacity_wh:g} Wh less {100 * battery.fade:g} % fade)"
    if battery.charge_limit_w is not None:
        taper = battery.taper_above
        less = "" if taper is None else f", less above {100 * taper:g} %"
        text += f", charges with at most {battery.charge_limit_w:g} W{less}"
    if battery.discharge_limit_w is not None:
        text += f", gives at most {battery.discharge_limit_w:g} W"
    return text


def _margin_text(platform: Platform, key: str) -> str:
    """The margin that is kept, "" if none is."""
    share = platform.margins.kept.get(key)
    return f", margin {100 * share:g} %" if share else ""


def _hours(hours: float) -> str:
    return "" if pd.isna(hours) else f"{hours:.1f} h"


# ------------------------------------------------------------------------ small print


UNIT_TABLE = "temperature in a cold and a hot case from a table; heat of runs changes nothing."
UNIT_NODE = (
    "one node, with the ground, the Sun, idling and runs; no heat from other units or from sending."
)


def _pieces(scenario: Scenario) -> list[str]:
    """A sentence for each activity whose runs are made in pieces."""
    return [
        f'Runs of "{a.name}" are made in pieces of {a.duration_min} min, each counted as a run and '
        "worth its share."
        for a in scenario.activity
        if a.split_min is not None
    ]


def _site_assumptions(scenario: Scenario) -> list[str]:
    """What is assumed of skyline and ground; nothing without a site."""
    site = scenario.site
    if site is None:
        return []
    soil = soil_of(site)
    skyline = site.skyline if isinstance(site.skyline, str) else ", ".join(site.skyline)
    return [
        f"Skyline: {skyline}; ground slope {site.slope_deg:g} deg; {site.soil} soil, albedo "
        f"{soil.normal_albedo:g}, emissivity {soil.emissivity:g}, scale height "
        f"{soil.density_scale_m:g} m, heat flow {soil.heat_flow_w_m2:g} W/m².",
        *(f"Caution: {caution}." for caution in site_cautions(scenario)),
        "Ground: no rocks or layers; terrain lights and warms it like the wall of a bowl.",
    ]


def _orbit_assumption(platform: Platform) -> str:
    """What is assumed of a platform in orbit."""
    assert platform.orbit is not None
    return (
        f"{platform.name}: orbit as in {platform.orbit.file}, about a Moon without hills; its "
        "arrays follow the Sun in every attitude."
    )


def assumptions_part(environment: Environment) -> list[Html]:
    """What the plan assumes, and the versions it was made with."""
    scenario = environment.scenario
    span = scenario.span
    platforms = [
        (
            p.name,
            f"{p.idle_w:g} W",
            f"{p.bus_limit_w:g} W{_margin_text(p, 'power_share')}",
            f"{sum(a.area_m2 for a in p.array):g} m², dust "
            f"{100 * max((a.dust_loss for a in p.array), default=0):g} %",
            f"{_battery_text(p.battery)}, reserve {100 * p.battery.reserve:g} %, starts at "
            f"{100 * p.battery.start:g} %"
            + ("" if p.battery.end is None else f", must end at {100 * p.battery.end:g} %")
            + _margin_text(p, "energy_share"),
            f"to {p.radio.to}, {p.radio.transmit_w:g} W{_margin_text(p, 'link_share')}",
            f"{p.store.capacity_mbit:g} Mbit{_margin_text(p, 'store_share')}",
        )
        for p in scenario.platform
    ]
    assumptions = [
        "Power, data, values and conditions are those of the scenario, not measured.",
        f"Slots start on a grid of {span.step_min} min; the replay goes minute by minute.",
        *_site_assumptions(scenario),
        *(_orbit_assumption(p) for p in scenario.platform if p.orbit is not None),
        *_pieces(scenario),
        *(
            f"{unit.name}: {UNIT_TABLE if unit.table else UNIT_NODE}"
            for p in scenario.platform
            for unit in p.unit
        ),
        f"Contacts follow from geometry and link budget; {_booked(scenario)}.",
        *(
            f"{name} also has time windows that are not in the scenario file."
            for name in environment.user_windows
        ),
        "In a coverage bin the first run is worth the full value, further runs less.",
    ]
    versions = [
        ("obsplan", __version__),
        ("input hash (SHA-256, first 16)", scenario.input_hash or "scenario not from a file"),
        *((name, f"SHA-256 {digest[:16]}") for name, digest in environment.kernels.items()),
    ]
    return [
        tag("ul", *(tag("li", assumption) for assumption in assumptions)),
        table(
            "Platforms as assumed",
            ["platform", "idle", "bus limit", "arrays", "battery", "radio", "storage"],
            platforms,
        ),
        table("Versions and input", ["item", "version or hash"], versions),
    ]


def caution_part(scenario: Scenario) -> list[Html]:
    """The caution, and the hazards that the scenario names."""
    hazards = [f"{i.name} ({i.hazard})" for i in scenario.instrument if i.hazard != "none"]
    named = [paragraph("Hazards named in the scenario: " + ", ".join(hazards) + ".")]
    return [paragraph(CAUTION, class_="caution"), *(named if hazards else [])]
