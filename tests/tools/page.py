"""A small scenario with something of everything for the report, and a reader of its page."""

import functools
import re
from html.parser import HTMLParser

import pandas as pd

from obsplan.environment.build import make_environment
from obsplan.inputs.read_scenario import scenario_from
from obsplan.operations.replan import make_replan
from obsplan.planning.plan import make_plan
from tools.small import platform, scenario_table

TITLE = "<script>alert(1)</script> & 'co'"
SWEEP = "<i>sweep&co'"
VOID = {"meta", "link", "br", "img", "input", "hr"}


@functools.cache
def made(uplink=True):
    """Scenario, environment and plan: half a day of a lander and its rover."""
    sweep = {
        "name": SWEEP,
        "count": 3,
        "data_mbit": 20.0,
        "power_w": 5.0,
        "coverage": {"over": "span_h", "edges": [0, 4, 8, 11, 40, 60]},
    }
    log = {
        "name": "log",
        "count": 30,
        "duration_min": 30,
        "power_w": 20.0,
        "data_mbit": 3.0,
        "after": [{"activity": "insertion", "settle_min": 60}],
    }
    table = scenario_table(
        sweep,
        {"name": "insertion", "must": 1, "data_mbit": 2.0, "contact": "whole"},
        log,
        {"name": "drive", "platform": "rover", "count": 2, "data_mbit": 5.0},
        platforms=[
            platform(array=[{"area_m2": 0.3, "efficiency": 0.3}]),
            platform(
                "rover", kind="rover", radio={"to": "lander", "rate_kbps": 50.0, "transmit_w": 2.0}
            ),
        ],
        hours=12,
    )
    table["title"] = TITLE
    if uplink:
        table["uplink"] = {"lead_min": 30, "loaded_until_utc": "2028-07-01T02:00:00Z"}
    scene = scenario_from(table)
    around = make_environment(scene)
    return make_plan(around)


@functools.cache
def replanned():
    """`made` after eight hours, in which one run failed at once and one was cut short."""
    plan = made()
    now_utc = plan.environment.sky.index[0] + pd.Timedelta(hours=8)
    slots = plan.timeline[["slot", "activity", "start_utc", "end_utc", "state"]].copy()
    over = slots[(slots["end_utc"] <= now_utc) & slots["activity"].isin([SWEEP, "insertion"])]
    slots["reason"] = ""
    failed, cut = over.index[over["activity"] == SWEEP][:2]
    slots.loc[failed, ["state", "end_utc"]] = "failed", slots.loc[failed, "start_utc"]
    slots.loc[failed, "reason"] = "no answer"
    cut_utc = slots.loc[cut, "end_utc"] - pd.Timedelta(minutes=30)
    slots.loc[cut, ["state", "end_utc"]] = "shortened", cut_utc
    made_anew = make_replan(plan.environment, slots, now_utc.to_pydatetime())
    return made_anew, slots.loc[failed, "slot"], slots.loc[cut, "slot"]


class Page(HTMLParser):
    """Elements in order as (tag, attributes, text inside), and whether all are closed.

    A place that the style sheet gives to an element is its attribute `style` here.
    """

    def __init__(self, text):
        super().__init__()
        self._places = dict(re.findall(r'^\[data-place="(\d+)"\]\{(.*)\}$', text, re.M))
        self.elements, self._open, self.nested = [], [], True
        self.feed(text)
        self.nested &= not self._open

    def handle_starttag(self, tag, attrs):
        attrs = dict(attrs)
        if "data-place" in attrs:
            attrs["style"] = self._places[attrs["data-place"]]
        self.elements.append([tag, attrs, ""])
        if tag not in VOID:
            self._open.append((tag, self.elements[-1]))

    def handle_startendtag(self, tag, attrs):
        self.elements.append([tag, dict(attrs), ""])

    def handle_endtag(self, tag):
        self.nested &= bool(self._open) and self._open.pop()[0] == tag

    def handle_data(self, data):
        for _, element in self._open:
            element[2] += data

    def all(self, tag, **attributes):
        wanted = {key.rstrip("_").replace("_", "-"): value for key, value in attributes.items()}
        return [
            (a, text)
            for t, a, text in self.elements
            if t == tag and all(a.get(k) == v for k, v in wanted.items())
        ]

    def section(self, anchor):
        ((_, text),) = self.all("section", id=anchor)
        return text
