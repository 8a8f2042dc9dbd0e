"""The least differences between landing days that matter: one table for ranks, words and maps."""

from typing import NamedTuple


class Tolerance(NamedTuple):
    """The least difference that matters: a share of the figure, but at least `least` of its unit.

    reason: why less does not matter.
    """

    share: float
    least: float
    reason: str


# Smaller differences decide no rank, and are no argument for or against a day. All are common
# practice, no source.
TOLERANCES = {
    "value": Tolerance(0.01, 0.0, "by default a search may end 1 % below its bound"),
    "useful_light_h": Tolerance(0.01, 1.0, "array output and loads are not known to 1 %"),
    "daylight_remaining_h": Tolerance(0.03, 0.0, "touchdown moves as much within its window"),
    "contact_h": Tolerance(0.03, 0.0, "handovers and bookings cost as much"),
    "landing_h": Tolerance(0.25, 1.0, "a landing takes one moment of the window"),
    "margin": Tolerance(0.0, 0.05, "some energy spills, some link stays unused"),
    "longest_gap_h": Tolerance(0.25, 1.0, "commands and data can wait for an hour"),
    "earth_hidden_h": Tolerance(0.0, 1.0, "commands and data can wait for an hour"),
    "sunlight_lost_h": Tolerance(0.0, 0.05, "sunlight lost is written to 0.1 h"),
}
# For all other figures.
ELSEWHERE = Tolerance(0.01, 0.0, "few inputs are known to 1 %")


def least_difference(figure: str, size: float) -> float:
    """The least difference that matters in a figure of this size, in its unit."""
    tolerance = TOLERANCES.get(figure, ELSEWHERE)
    return max(tolerance.share * abs(size), tolerance.least)


def tolerance_lines() -> list[str]:
    """The table in words: figure, least difference, reason."""
    rows = [(name, _words(name, *sizes), why) for name, (*sizes, why) in TOLERANCES.items()]
    wide = [max(len(row[k]) for row in rows) for k in range(2)]
    return [f"{name:<{wide[0]}}  {size:<{wide[1]}}  {reason}" for name, size, reason in rows]


def _words(figure: str, share: float, least: float) -> str:
    unit = " h" if figure.endswith("_h") else ""
    sizes = (f"{100 * share:g} %" if share else "", f"{least:g}{unit}" if least else "")
    return ", at least ".join(filter(None, sizes))
