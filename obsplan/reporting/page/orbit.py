"""Platforms in orbit on the page: their nights, what of the Earth they see, goals over two
quantities as grids."""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from obsplan.analysis.goal_columns import ALL_BINS
from obsplan.analysis.goal_table import goal_table
from obsplan.environment.model import Environment
from obsplan.inputs.conditions import QUANTITIES
from obsplan.inputs.goal import STOP, Goal
from obsplan.planning.plan import Plan
from obsplan.planning.reasons.goal_reach import reach_of, why_empty
from obsplan.reporting.page.elements import Html, paragraph, plain, table

HIDDEN = (
    ("Sun", "Moon", "night, the Sun behind the Moon"),
    ("Sun", "Earth", "eclipse, the Sun behind the Earth"),
    ("Earth", "Moon", "the Earth behind the Moon"),
)


def is_in_orbit(environment: Environment) -> bool:
    """Whether any platform is."""
    return any(platform.flies for platform in environment.scenario.platform)


def orbit_part(plan: Plan) -> list[Html]:
    """The section about platforms in orbit."""
    environment = plan.environment
    parts = [
        paragraph(
            "Times in which any part of the disc is hidden. The phase is the angle at the Earth "
            "between Sun and orbiter: 0 when the Earth is full. A platform that sends through one "
            "in orbit is in contact, and can be commanded, while both links are open."
        )
    ]
    for platform in environment.scenario.platform:
        if platform.flies:
            rows = list(_rows(environment, platform.name))
            parts.append(table(f'"{platform.name}" in orbit', ["", "span"], rows))
    goals = (g for g in environment.scenario.goal if len(g.over) == 2 and STOP not in g.over)
    return [*parts, *(part for goal in goals for part in (_grid(plan, goal), *_shut(plan, goal)))]


def _rows(environment: Environment, name: str) -> Iterator[tuple[str, str]]:
    sky_table, hidden = environment.sky_of(name), environment.occultations
    span_h = len(sky_table) / 60
    for body, behind, words in HIDDEN:
        own = hidden[(hidden["platform"] == name) & (hidden["hidden"] == "any part")]
        own = own[(own["body"] == body) & (own["behind"] == behind)]
        hours = own["duration_s"] / 3600
        if own.empty:
            yield words, "never"
        else:
            often = "once" if len(own) == 1 else f"{len(own)} times"
            yield (
                words,
                f"{often}, {60 * hours.max():.0f} min at the longest, "
                f"{100 * hours.sum() / span_h:.1f} % of the span",
            )
    for column, words in (
        ("earth_phase_deg", "phase of the Earth"),
        ("sun_angle_deg", "angle between Sun and Earth"),
        ("height_km", "height"),
    ):
        unit = "km" if column.endswith("km") else "deg"
        low, high = sky_table[column].min(), sky_table[column].max()
        yield words, f"{low:.0f} to {high:.0f} {unit}"
    contact = environment.in_contact(name)
    yield "contact with Earth", f"{contact.sum() / 60:.1f} h, {100 * contact.mean():.1f} %"


def _grid(plan: Plan, goal: Goal) -> Html:
    """A goal over two quantities: the runs that count in each bin."""
    found = goal_table(plan)
    bins = found[(found["goal"] == goal.name) & (found["bin"] != ALL_BINS)]
    down, along = goal.axes
    shape = len(down) - 1, len(along) - 1
    cells = np.array([_cell(row) for _, row in bins.iterrows()], dtype=object).reshape(shape)
    first, second = (QUANTITIES[key] for key in goal.over)
    heads = [first.heading, *(f"{a:g} to {b:g}" for a, b in zip(along, along[1:]))]
    rows = [(f"{a:g} to {b:g}", *cells[k]) for k, (a, b) in enumerate(zip(down, down[1:]))]
    return table(f"{goal.name}: runs that count, by {second.heading}", heads, rows)


def _shut(plan: Plan, goal: Goal) -> Iterator[Html]:
    """Why bins are out of reach: one line for each range of the first quantity."""
    reaches = reach_of(plan.environment, goal)
    open_ = {each.place for each in reaches if each.permitted_h}
    down, along = goal.axes
    many, quantity = len(along) - 1, QUANTITIES[goal.over[0]]
    for k, (low, high) in enumerate(zip(down, down[1:])):
        row = set(range(k * many, (k + 1) * many)) - open_
        if row:
            why = why_empty(plan.environment, [each for each in reaches if each.place in row])
            of = "" if len(row) == many else f", {len(row)} of {many} bins"
            where = f"{quantity.words} {low:g} to {high:g}{quantity.suffix}{of}"
            yield paragraph(plain(f"Out of reach, {where}: {why}."))


def _cell(row: pd.Series) -> str:
    if row["state"] == "out of reach" and not row["counted"]:
        return "out of reach"
    return f"{row['counted']} of {row['requested']}"
