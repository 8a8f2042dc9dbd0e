"""The best sequences of stops: most value within the time there is, then least driving.

This is the orienteering problem with time windows, of which reviews tell (Vansteenwegen,
Souffriau and Van Oudheusden 2011, Eur. J. Oper. Res. 209, 1): dynamic programming over the set of
visited places and the last of them, from routes of one visit to routes of one more. The labels
of a route are the minute at which it is ready to go on, its minutes of driving and, where that
counts, the charge it has then. A label goes if as many others with the same visits and the same
place as are wanted are no later, have driven no more and have no less charge, or if the most that
it can still gain falls short of the routes found before.
"""

from typing import NamedTuple

import numpy as np

from obsplan.planning.route.completion_bound import Completion, completion, most_value
from obsplan.planning.route.places import SLACK_MIN, Places, drive, visit

# Values that differ by less are equal but for the rounding of their sums.
SAME_VALUE = 1e-9
# Routes kept at each length in the first look, which finds what the exact one prunes with.
FIRST_LOOK = 200
# Labels of one length at which the search stops being exact, some 200 bytes each.
MOST_LABELS = 1_000_000


class Visit(NamedTuple):
    """One place of a route: when the rover comes, begins and is ready to go on, in minutes."""

    place: int
    arrives_min: float
    begins_min: float
    ready_min: float


class Route(NamedTuple):
    """A sequence of visits, and where and when it ends."""

    visits: tuple[Visit, ...]
    start: int
    end: int
    end_min: float  # arrival at the end; the end of the last visit if that is the end
    value: float
    drive_min: float

    @property
    def stops(self) -> tuple[int, ...]:
        """The places visited, in order."""
        return tuple(visit.place for visit in self.visits)


class Routes(NamedTuple):
    """The best routes, best first, and whether no better ones can exist."""

    routes: list[Route]
    proven: bool


class _Labels(NamedTuple):
    """Routes with the same number of visits, one an element."""

    visited: np.ndarray  # places as bits
    last: np.ndarray
    ready: np.ndarray  # minute at which the rover may go on
    driven: np.ndarray  # minutes
    charge: np.ndarray  # Wh above the reserve; 0 where charge does not count
    parent: np.ndarray  # index among the routes of one visit less

    def take(self, which: np.ndarray) -> "_Labels":
        return _Labels(*(column[which] for column in self))


class _Found(NamedTuple):
    """A complete route: what orders it, and the places to tell it from others."""

    value: float
    driven: float
    end_min: float
    stops: tuple[int, ...]
    end: int


def best_routes(where: Places, how_many: int = 1, most_labels: int = MOST_LABELS) -> Routes:
    """The `how_many` best routes, different in their stops or their end.

    Highest value first, then least minutes of driving, then the earliest end. Fewer come back if
    there are no more; none if no end can be reached. Beyond `most_labels` routes of one length
    only the most promising go on, and the answer is no longer proven.
    """
    bounds = completion(where)
    first, complete = _search(where, bounds, how_many, min(FIRST_LOOK, most_labels), [])
    if not complete:
        first, complete = _search(where, bounds, how_many, most_labels, first)
    return Routes([_route(where, found) for found in first], complete)


def _search(
    where: Places, bounds: Completion, how_many: int, most_labels: int, found: list[_Found]
) -> tuple[list[_Found], bool]:
    """The best routes, given some, and whether all were looked at or proven worse."""
    levels = [_at_the_start(where)]
    complete = True
    while len(levels[-1].last):
        found = _better(where, levels, found, how_many)
        longer = _not_dominated(_extended(where, bounds, levels[-1]), how_many)
        gain = most_value(where, bounds, longer.visited, longer.last, longer.ready)
        most = _value(where, longer.visited) + gain
        longer, most = _promising(bounds, longer, most, found, how_many)
        if len(most) > most_labels:
            complete = False
            # Of equal promise who is ready sooner, which is also what chance would not repeat.
            best = np.lexsort((longer.last, longer.visited, longer.ready, -most))
            longer = longer.take(np.sort(best[:most_labels]))
        levels.append(longer)
    return found, complete


def _at_the_start(where: Places) -> _Labels:
    return _Labels(
        np.zeros(1, np.int64),
        np.array([where.start]),
        np.array([where.departs_min]),
        np.zeros(1),
        np.array([where.charge.start_wh if where.charge else 0.0]),
        np.array([-1]),
    )


def _extended(where: Places, bounds: Completion, old: _Labels) -> _Labels:
    """Every route by one more visit, if it begins in its window and an end is in reach."""
    parts = []
    for place in np.flatnonzero(where.value > 0):
        free = np.flatnonzero((old.visited >> int(place)) & 1 == 0)
        origin = old.last[free]
        goal = np.full(len(free), place)
        comes, charge = drive(where, origin, goal, old.ready[free], old.charge[free])
        begins, ready, charge = visit(where, int(place), comes, charge)
        fits = begins <= where.closes_min[place] + SLACK_MIN
        fits &= ready + bounds.to_end_min[place] <= where.latest_end_min + SLACK_MIN
        free = free[fits]
        parts.append(
            _Labels(
                old.visited[free] | (1 << int(place)),
                np.full(len(free), place),
                ready[fits],
                old.driven[free] + where.travel_min[old.last[free], place],
                charge[fits],
                free,
            )
        )
    if not parts:
        return _at_the_start(where).take(np.array([], int))
    return _Labels(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))


def _not_dominated(labels: _Labels, how_many: int) -> _Labels:
    """Without labels to which `how_many` others are preferable whatever follows.

    Those have the same visits and the same last place, are no later, have driven no more and have
    no less charge. Each of them gives a different route with what follows, so none of the best is
    lost.
    """
    order = np.lexsort((labels.parent, labels.driven, labels.ready, labels.last, labels.visited))
    labels = labels.take(order)
    count = len(order)
    ahead = np.zeros(count, int)  # labels that are preferable
    open_still = np.arange(count)
    back = 1
    while len(open_still):
        other = open_still - back
        open_still, other = open_still[other >= 0], other[other >= 0]
        alike = (labels.visited[other] == labels.visited[open_still]) & (
            labels.last[other] == labels.last[open_still]
        )
        open_still, other = open_still[alike], other[alike]
        less = labels.driven[other] <= labels.driven[open_still] + SLACK_MIN
        ahead[open_still] += less & (labels.charge[other] >= labels.charge[open_still] - SLACK_MIN)
        open_still = open_still[ahead[open_still] < how_many]
        back += 1
    return labels.take(np.flatnonzero(ahead < how_many))


def _promising(
    bounds: Completion, labels: _Labels, most: np.ndarray, found: list[_Found], how_many: int
) -> tuple[_Labels, np.ndarray]:
    """Labels that may still lead to a better route than the worst of those wanted."""
    if len(found) < how_many:
        return labels, most
    worst = found[-1]
    driven = labels.driven + bounds.end_drive_min[labels.last]
    level = abs(most - worst.value) <= SAME_VALUE
    keep = (most > worst.value + SAME_VALUE) | (level & (driven <= worst.driven + SLACK_MIN))
    return labels.take(np.flatnonzero(keep)), most[keep]


def _value(where: Places, visited: np.ndarray) -> np.ndarray:
    """Worth of sets of places, summed in the order of places, so that it is always the same."""
    worth = np.zeros(len(visited))
    for place in np.flatnonzero(where.value > 0):
        worth += ((visited >> int(place)) & 1) * where.value[place]
    return worth


def _better(
    where: Places, levels: list[_Labels], found: list[_Found], how_many: int
) -> list[_Found]:
    """The best of the routes found before and those that end after these visits."""
    labels = levels[-1]
    value = _value(where, labels.visited)
    new = []
    for end in [None] if where.ends is None else where.ends:
        stays = end is None
        goal = labels.last if stays else np.full(len(value), end)
        comes, _ = drive(where, labels.last, goal, labels.ready, labels.charge)
        driven = labels.driven + where.travel_min[labels.last, goal]
        order = np.lexsort((comes, np.round(driven, 9), -np.round(value, 9)))
        order = order[comes[order] <= where.latest_end_min + SLACK_MIN]
        new += [
            _Found(value[k], driven[k], comes[k], _stops(levels, int(k)), int(goal[k]))
            for k in order[:how_many]
        ]
    return sorted(set(found) | set(new), key=_rank)[:how_many]


def _rank(found: _Found) -> tuple[float, float, float, tuple[int, ...], int]:
    """Best first; rounding of sums decides nothing."""
    value, driven, end_min = (round(x, 9) for x in found[:3])
    return (-value, driven, end_min, found.stops, found.end)


def _stops(levels: list[_Labels], index: int) -> tuple[int, ...]:
    """The visits of a label of the last level, in order."""
    stops: list[int] = []
    for labels in reversed(levels[1:]):
        stops.append(int(labels.last[index]))
        index = int(labels.parent[index])
    return tuple(reversed(stops))


def _route(where: Places, found: _Found) -> Route:
    """A route with the times of its visits."""
    visits = []
    here = _at_the_start(where)
    place, ready, charge = here.last, here.ready, here.charge
    for stop in found.stops:
        comes, charge = drive(where, place, np.array([stop]), ready, charge)
        begins, ready, charge = visit(where, stop, comes, charge)
        visits.append(Visit(stop, float(comes[0]), float(begins[0]), float(ready[0])))
        place = np.array([stop])
    times = (float(found.end_min), float(found.value), float(found.driven))
    return Route(tuple(visits), where.start, found.end, *times)
