"""The picture of a plan: what runs when, and what it does to battery, bus and store."""

from matplotlib.figure import Figure

from obsplan.common.caution import CAUTION
from obsplan.common.text import proven, raised
from obsplan.planning.plan import Plan
from obsplan.reporting.figures import layout
from obsplan.reporting.figures.events import (
    draw_events,
    mark_events,
    place_events,
    shade_darkness,
)
from obsplan.reporting.figures.goal_panel import (
    AREA_STYLE,
    MINIMUM_MARK,
    goal_panel,
    goal_panels,
)
from obsplan.reporting.figures.layout import Panel, styled
from obsplan.reporting.figures.plan_lanes import (
    BROKEN_MARK,
    LANE_IN,
    REQUIRED_MARK,
    SENDING_STYLE,
    draw_lanes,
    lanes_of,
    otherwise_style,
)
from obsplan.reporting.figures.resource_panels import charge_panel, power_panel, store_panel
from obsplan.reporting.figures.sky import sun_panel
from obsplan.reporting.hours import darkness, night_words
from obsplan.reporting.plan_picture import OTHERWISE, PlanPicture, plan_picture
from obsplan.reporting.text.sentences import optimality

RIGHT_IN, RIGHT_WITH_REASONS_IN = 1.55, 3.15


@styled
def plan_figure(plan: Plan) -> Figure:
    """Sun, contacts, windows and slots in lanes, then battery, bus and store of every platform.

    Slots that violations name are marked; each missing run has a hollow box where it was
    requested (see `missing_places`), and "18 + 7" are 18 with a box and 7 for which the
    windows have no room. In a replan a line marks now, and the hollow boxes stand after it.
    Colours that meet are told apart by lightness, also in grey print and by colour-blind eyes
    (see `layout`).
    """
    environment = plan.environment
    scenario = environment.scenario
    picture, lanes, dark = plan_picture(plan), lanes_of(scenario), darkness(environment)
    left_in = sum(lanes.columns_in())
    right_in = RIGHT_IN if plan.unplaced.empty else RIGHT_WITH_REASONS_IN
    event_labels, events_room = place_events(environment, left_in, right_in, plan.now_utc)
    many = len(scenario.platform)
    figure, axes = layout.new_page(
        scenario.title,
        "   ·   ".join(filter(None, [_optimality(plan), plan.verdict.summary]))
        + f"\n{layout.place_and_span(scenario)}",
        [
            events_room,
            Panel(0.52, 0.6),
            *goal_panels(plan),
            Panel(lanes.height * LANE_IN, 0.6),
            Panel(max(0.75, 0.26 * many), 1),
            *(Panel(0.5, 0.7) for _ in scenario.platform),
            Panel(max(0.48, 0.26 * many), 0.7),
        ],
        left_in,
        right_in,
        legend=_legend(picture, *map(len, dark)),
        footer=_footer(plan),
    )
    events, sun, *goals, plan_axes, charge = axes[: 4 + len(goal_panels(plan))]
    *power, store = axes[4 + len(goal_panels(plan)) :]
    layout.draw_time_axes(environment, axes)
    shade_darkness(axes[1:], *dark)
    draw_events(events, event_labels)
    mark_events(axes[1:], environment, plan.now_utc)
    sun_panel(sun, environment, earth=False)
    layout.name_axis(sun, "Sun elevation\n(deg)")
    for ax in goals:
        goal_panel(ax, plan)
    draw_lanes(plan_axes, picture, lanes)
    charge_panel(charge, plan, scenario.platform)
    for ax, platform in zip(power, scenario.platform):
        power_panel(ax, plan, platform)
    store_panel(store, plan)
    return figure


def _optimality(plan: Plan) -> str:
    """Value and bound in a line."""
    value, near = f"value {plan.value:.1f}", optimality(plan)
    if not near or proven(plan.value, plan.bound):
        return ", ".join(filter(None, [value, near]))
    return f"{value}, upper bound {raised(plan.bound)}: {near}"


def _footer(plan: Plan) -> str:
    """The hazards that the scenario names, and the caution."""
    hazards = dict.fromkeys(i.hazard for i in plan.environment.scenario.instrument)
    named = [hazard for hazard in hazards if hazard != "none"]
    return f"Hazards: {', '.join(named)}. {CAUTION}" if named else ""


def _legend(picture: PlanPicture, nights: int, eclipses: int) -> list[tuple[str, dict]]:
    """Legend of the marks that occur."""
    activities = picture.plan.environment.scenario.activity
    few = any(picture.placed[a.name] < picture.requested[a.name] for a in activities)
    rest = not picture.plan.unplaced.empty and any(n > 0 for n in picture.without_room().values())
    missing = "requested, not scheduled" + (" (+ n: no room for n more)" if rest else "")
    teams = bool(picture.plan.environment.scenario.team)
    goals = picture.plan.environment.scenario.goal
    shown = (
        (night_words(picture.plan.environment), layout.NIGHT_STYLE, nights),
        ("eclipse", layout.ECLIPSE_STYLE, eclipses),
        ("contact", layout.CONTACT_STYLE, True),
        ("permitted window" + ", team's hours" * teams, layout.WINDOW_STYLE, True),
        ("slot (colour: instrument)", layout.slot_style(0, 0), True),
        *(
            (
                f"{state} run ({state[0].upper()})",
                otherwise_style(state, layout.slot_style(0, 0)),
                (picture.plan.timeline["state"] == state).any(),
            )
            for state in OTHERWISE
        ),
        ("goal reached", AREA_STYLE, goals),
        ("its minimum reached", MINIMUM_MARK, any(goal.minimum for goal in goals)),
        ("required run", REQUIRED_MARK, any(a.must for a in activities)),
        (missing, layout.MISSING_STYLE, few),
        ("transmit window" + ", team at work" * teams, SENDING_STYLE, True),
        ("violates a rule", BROKEN_MARK, picture.plan.verdict.slots_at_fault),
    )
    return [(words, style) for words, style, is_shown in shown if is_shown]
