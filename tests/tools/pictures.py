"""Two scenes drawn once, a bright one and a dark one, and what is written in a picture."""

import functools
from pathlib import Path

import pandas as pd
from matplotlib.axis import Axis
from matplotlib.colors import to_hex
from matplotlib.text import Text

from obsplan.checking.check import check_timeline
from obsplan.environment.build import make_environment
from obsplan.inputs.read_scenario import read_scenario, scenario_from
from obsplan.inputs.timeline_columns import TIMELINE_COLUMNS
from obsplan.planning.plan import Plan
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.problem.timeline_table import timeline_table
from obsplan.planning.search.first_plan import quick_plan
from obsplan.reporting.figures import layout
from obsplan.reporting.figures.link import link_figure
from obsplan.reporting.figures.plan import plan_figure
from obsplan.reporting.figures.resources import resources_figure
from obsplan.reporting.figures.sky import sky_figure

DEMO = Path(__file__).parents[1] / "free_rover" / "demo.toml"

# Every limit that a unit may have, and one far from all its temperatures.
BATTERY_BOX = {
    "name": "battery box",
    "heat_capacity_j_k": 20_000.0,
    "start_k": 280.0,
    "ground_w_k": 0.05,
    "operating_k": [253.0, 323.0],
    "switch_on_k": [258.0, 313.0],
    "surviving_k": [243.0, 600.0],
    "charges_above_k": 273.0,
}


def utc(text):
    return pd.Timestamp(text).to_pydatetime()


@functools.cache
def day():
    """Two and a half days of the demo with an eclipse in them, and a quick plan."""
    whole = read_scenario(DEMO)
    span = {"start_utc": utc("2028-07-05T06:00Z"), "end_utc": utc("2028-07-07T18:00Z")}
    scenario = whole.model_copy(update={"span": whole.span.model_copy(update=span)})
    around = make_environment(scenario)
    booking = quick_plan(build_problem(around))
    timeline = timeline_table(around, booking)
    verdict = check_timeline(around, timeline)
    made = Plan(around, timeline, pd.DataFrame(), verdict, booking.value(), 1.1 * booking.value())
    return made


@functools.cache
def night():
    """One platform in the dark, never heard, with nothing to do."""
    scenario = scenario_from(
        {
            "title": "costs $1, or $2_a$",
            "site": {"name": "plain", "latitude_deg": -10.0, "longitude_deg": -20.0},
            "span": {"start_utc": "2028-07-17T03:30:00Z", "end_utc": "2028-07-19T12:00:00Z"},
            "station": [
                {"name": "alpha", "latitude_deg": 0.0, "longitude_deg": 0.0, "mask_deg": 89.9}
            ],
            "platform": [
                {
                    "name": "lander",
                    "kind": "lander",
                    "idle_w": 10.0,
                    "bus_limit_w": 100.0,
                    "battery": {"capacity_wh": 300.0, "reserve": 0.2},
                    "radio": {"transmit_w": 10.0, "rate_kbps": 20.0},
                    "store": {"capacity_mbit": 50.0},
                    "unit": [BATTERY_BOX],
                }
            ],
        }
    )
    around = make_environment(scenario)
    timeline = pd.DataFrame(columns=list(TIMELINE_COLUMNS))
    return Plan(around, timeline, timeline, check_timeline(around, timeline), 0.0, 0.0)


def draw(kind, scene):
    plan, around = scene, scene.environment
    if kind in ("plan", "resources"):
        return {"plan": plan_figure, "resources": resources_figure}[kind](plan)
    return {"sky": sky_figure, "link": link_figure}[kind](around)


@functools.cache
def picture(kind, scene):
    """Pictures drawn once, for the tests that only style at them."""
    return draw(kind, {"day": day, "night": night}[scene]())


def texts(figure):
    """What is written; ticks beyond the ends of an axis exist but are not drawn."""
    unseen = set()
    for axis in figure.findobj(Axis):
        low, high = sorted(axis.get_view_interval())
        ticks = [t for t in axis.get_major_ticks() if not low <= t.get_loc() <= high]
        unseen |= {id(label) for tick in ticks for label in (tick.label1, tick.label2)}
    shown = [t for t in figure.findobj(Text) if t.get_visible() and t.get_text().strip()]
    return [t for t in shown if id(t) not in unseen]


def words(figure):
    return {t.get_text() for t in texts(figure)}


def hollow(figure):
    """Outlines of the marks of missing runs."""
    return [
        path
        for ax in figure.axes
        for bars in ax.collections
        if to_hex(bars.get_facecolor()[0]) == layout.PAPER and bars.get_zorder() == 2.5
        for path in bars.get_paths()
    ]
