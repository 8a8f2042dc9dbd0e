"""Pieces of the report page: escaped text, tables, instants, bars along a time axis."""

import html
import re
from collections.abc import Iterable, Sequence
from importlib.resources import files

import numpy as np
import pandas as pd

from obsplan.common.instants import MINUTE, full_stamp
from obsplan.inputs.conditions import CONDITIONS

# Keys of a scenario that reasons name, in words with their unit.
WORDS = {
    condition.key: condition.heading
    for condition in CONDITIONS
    if "_" in condition.key  # a key of one word may be an ordinary word
}
KEY = re.compile(rf"\b({'|'.join(WORDS)})\b")
STAMP = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d(?::\d\d)?Z")
# With or without a unit of time or share behind it.
NUMBER = re.compile(r"[-+]?[\d,]+(\.\d+)?( (h|min|%|Wh|W|Mbit))?|")


class Html(str):
    """Text that is HTML already; every other string is escaped before it is written."""


def safe(thing: object) -> str:
    """Anything as HTML; None and missing values as nothing."""
    if isinstance(thing, Html):
        return thing
    if thing is None or thing is pd.NaT or (isinstance(thing, float) and np.isnan(thing)):
        return ""
    return html.escape(str(thing))


def tag(name: str, *inside: object, **attributes: object) -> Html:
    """An element; `class_` and `data_x` are written as class and data-x, False is left out."""
    written = "".join(
        f" {key.rstrip('_').replace('_', '-')}" + ("" if value is True else f'="{safe(value)}"')
        for key, value in attributes.items()
        if value is not False
    )
    return Html(f"<{name}{written}>{''.join(map(safe, inside))}</{name}>")


def joined(pieces: Iterable[object], between: str = "\n") -> Html:
    return Html(between.join(map(safe, pieces)))


def instant(when: pd.Timestamp) -> Html | None:
    """A UTC instant to the minute, readable by eye and machine; None when missing."""
    if pd.isna(when):
        return None
    return tag("time", f"{when:%Y-%m-%d %H:%M}", datetime=full_stamp(when))


def plain(text: str) -> Html:
    """A reason or finding for a reader of the page: keys as words, instants as elsewhere."""
    words = safe(KEY.sub(lambda key: WORDS[key[0]], text))
    return Html(STAMP.sub(lambda stamp: f"{instant(pd.Timestamp(stamp[0]))} UTC", words))


def lasting(time: pd.Timedelta) -> str:
    """A length of time in minutes, or in hours if it is long."""
    minutes = time / MINUTE
    return f"{minutes:.0f} min" if minutes < 120 else f"{minutes / 60:.1f} h"


def section(anchor: str, title: str, *inside: object) -> Html:
    heading = tag("h2", title, id=f"{anchor}-title")
    return Html(
        f'<section id="{anchor}" aria-labelledby="{anchor}-title">\n'
        f"{heading}\n{joined(inside)}\n</section>"
    )


def paragraph(*inside: object, **attributes: object) -> Html:
    return tag("p", *inside, **attributes)


def table(
    caption: str, heads: Sequence[str], rows: Iterable[Sequence[object]], stacked: bool = False
) -> Html:
    """A table; on a narrow page it scrolls in its frame or, if `stacked`, stacks its cells.

    The first cell of a row is its heading. Columns of numbers are right-aligned; they are
    written as given, so round them first.
    """
    rows = list(rows)
    sides = [
        "n" if all(NUMBER.fullmatch(safe(row[k])) for row in rows) else False
        for k in range(len(heads))
    ]
    body = []
    for row in rows:
        cells = [tag("th", row[0], scope="row")]
        cells += [
            tag("td", cell, class_=side, data_head=stacked and head)
            for cell, side, head in zip(row[1:], sides[1:], heads[1:])
        ]
        body.append(tag("tr", *cells))
    head = tag(
        "tr",
        *(
            tag("th", head, scope="col", class_=side)
            for head, side in zip(heads, [False, *sides[1:]])
        ),
    )
    element = tag("table", tag("caption", caption), tag("thead", head), tag("tbody", *body))
    kind = "wide stack" if stacked else "wide"
    return tag("div", element, class_=kind, role="region", tabindex=0, aria_label=caption)


def folded(summary: object, *inside: object) -> Html:
    """A part that the reader opens; print shows all of it."""
    return tag("details", tag("summary", summary), *inside)


def bars(kind: str, windows_h: np.ndarray, span_h: float) -> list[Html]:
    """One bar on the time axis per window (n, 2); hidden from screen readers."""
    return [
        Html(f'<i class="{kind}" style="{reach(start_h, end_h, span_h)}"></i>')
        for start_h, end_h in windows_h
    ]


def reach(start_h: float, end_h: float, span_h: float) -> str:
    """Position and width of a bar on the axis, as CSS."""
    left, wide = 100 * start_h / span_h, 100 * (end_h - start_h) / span_h
    return f"left:{left:.3f}%;width:{wide:.3f}%"


def curve(points: np.ndarray, top: float) -> str:
    """Values (n,) as points of a polyline from 0 to 1000, 0 at the foot and `top` at 100.

    Points on a straight line between their neighbours are left out.
    """
    x = np.linspace(0, 1000, len(points))
    y = np.round(100 * (1 - points / top), 1)
    turns = np.flatnonzero(np.abs(np.diff(y, 2)) > 0.05) + 1
    kept = [0, *turns, len(y) - 1]
    return " ".join(f"{x[k]:.1f},{y[k]:.1f}" for k in kept)


def style() -> Html:
    return Html(files("obsplan.reporting.page").joinpath("report.css").read_text(encoding="utf-8"))


def script() -> Html:
    return Html(files("obsplan.reporting.page").joinpath("report.js").read_text(encoding="utf-8"))
