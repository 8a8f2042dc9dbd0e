"""What a route that has begun can gain at most, and how soon it can end."""

import math
from typing import NamedTuple

import numpy as np

from obsplan.planning.route.places import SLACK_MIN, Places


class Completion(NamedTuple):
    """Bounds on the rest of a route, for n places."""

    shortest_min: np.ndarray  # (n, n) least minutes of a leg, waiting for its start included
    to_end_min: np.ndarray  # (n,) least minutes from the end of a visit to the end of the route
    end_drive_min: np.ndarray  # (n,) least minutes of driving of the same
    leaving_min: np.ndarray  # (n,) share of a leg's minutes that its origin pays
    visit_min: np.ndarray  # (n,) minutes that a visit takes at least: service and shares of legs
    ending_min: float  # share that the end pays at least
    by_value: np.ndarray  # places with a value, the most for their minutes first


def completion(where: Places) -> Completion:
    """The bounds of `Completion`.

    Visits are charged by shares a (origin) and b (goal) of the minutes of legs, with
    a_i + b_j <= minutes of the leg from i to j: the dual of the assignment problem. A route's
    minutes are then at least the sum of its shares, whatever it visits.
    """
    shortest = where.travel_min.copy()
    if where.arrival_min is not None:
        span = where.arrival_min.shape[2]
        waited = (where.arrival_min - np.arange(span)).min(axis=2)
        shortest = np.maximum(shortest, waited)
        np.fill_diagonal(shortest, 0.0)
    leaving, arriving = _shares(shortest)
    stops = np.flatnonzero(where.value > 0)
    visit = where.service_min + leaving + arriving
    # A place that takes no time at all comes first, whatever it is worth.
    ratio = np.divide(where.value, visit, out=np.full(len(visit), math.inf), where=visit > 0)
    return Completion(
        shortest,
        _to_end(where, shortest, where.service_min),
        _to_end(where, where.travel_min, np.zeros(len(visit))),
        leaving,
        visit,
        _ending(where, leaving, arriving),
        stops[np.argsort(-ratio[stops], kind="stable")],
    )


def _ending(where: Places, leaving: np.ndarray, arriving: np.ndarray) -> float:
    """Share that the end of a route pays at least.

    If the last visit is the end, it has paid for a leg that is never driven, and gets it back.
    """
    stays = where.value > 0
    if where.ends is None:
        return float(-leaving[stays].max(initial=0.0))
    ends = list(where.ends)
    return float(np.where(stays, -leaving, arriving)[ends].min(initial=math.inf))


def _shares(minutes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Shares of origin and goal in the minutes of every leg, (n,) each, as large as is easy."""
    legs = minutes.copy()
    np.fill_diagonal(legs, math.inf)
    legs[np.isinf(legs)] = max(legs[np.isfinite(legs)].max(initial=0.0), 0.0)
    leaving = legs.min(axis=1) / 2
    arriving = np.zeros(len(legs))
    for _ in range(50):
        arriving += (legs - leaving[:, None] - arriving).min(axis=0)
        leaving += 0.5 * (legs - leaving[:, None] - arriving).min(axis=1)
    arriving += (legs - leaving[:, None] - arriving).min(axis=0)
    return leaving, arriving


def _to_end(where: Places, minutes: np.ndarray, service: np.ndarray) -> np.ndarray:
    """Least minutes to a permitted end, over whatever other places (Bellman and Ford)."""
    least = np.full(len(minutes), 0.0 if where.ends is None else math.inf)
    if where.ends is not None:
        least[list(where.ends)] = 0.0
    for _ in range(len(minutes)):
        # A visit on the way takes its service, ending at a place takes none.
        onward = np.minimum(least + service, _parked(where, len(minutes)))
        least = np.minimum(least, (minutes + onward).min(axis=1))
    return least


def _parked(where: Places, count: int) -> np.ndarray:
    parked = np.full(count, math.inf)
    parked[list(where.ends or ())] = 0.0
    return parked


def most_value(
    where: Places, bounds: Completion, visited: np.ndarray, last: np.ndarray, ready: np.ndarray
) -> np.ndarray:
    """What routes may still gain at most, (m,): a fractional knapsack of the places in reach."""
    room = where.latest_end_min - ready - bounds.leaving_min[last] - bounds.ending_min
    gain = np.zeros(len(ready))
    for place in bounds.by_value:
        begin = np.maximum(ready + bounds.shortest_min[last, place], where.opens_min[place])
        done = begin + where.service_min[place]
        open_still = (
            ((visited >> int(place)) & 1 == 0)
            & (begin <= where.closes_min[place] + SLACK_MIN)
            & (done + bounds.to_end_min[place] <= where.latest_end_min + SLACK_MIN)
        )
        takes = bounds.visit_min[place]
        share = np.clip(room / takes, 0.0, 1.0) if takes > 0 else np.ones(len(room))
        share = np.where(open_still, share, 0.0)
        gain += share * where.value[place]
        room = room - share * max(takes, 0.0)
    return gain
