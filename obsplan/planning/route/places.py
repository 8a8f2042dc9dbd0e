"""What a search for routes must be told: places, what a stop is worth, and legs in real minutes."""

import math
from typing import NamedTuple

import numpy as np

# A set of visited places is the bits of one signed integer.
MOST_PLACES = 62
# Times that are equal but for the rounding of their sums count as equal.
SLACK_MIN = 1e-9


class Charge(NamedTuple):
    """What drives and visits at n places take of a battery, in Wh above its reserve.

    start_wh, most_wh: what it has at first, and when it is full. yielded_wh (minutes + 1,): what
    has been yielded beyond idling by each whole minute. A drive or visit is over no sooner than
    the battery has what it takes.
    """

    start_wh: float
    most_wh: float
    drive_wh: np.ndarray  # (n, n)
    visit_wh: np.ndarray  # (n,)
    yielded_wh: np.ndarray

    def used(
        self, needed_wh: np.ndarray, ready: np.ndarray, charge_wh: np.ndarray, over: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """When what needs so much is over, no sooner than `over`, and what is left then (m,).

        charge_wh is what there is at `ready`; inf for never.
        """
        minutes = np.arange(len(self.yielded_wh))
        by_ready = np.interp(ready, minutes, self.yielded_wh)
        rising = np.maximum.accumulate(self.yielded_wh)
        enough = np.searchsorted(rising, by_ready + needed_wh - charge_wh - SLACK_MIN)
        over = np.maximum(over, np.where(enough < len(minutes), enough, math.inf))
        by_then = np.interp(np.minimum(over, len(minutes)), minutes, self.yielded_wh)
        return over, np.minimum(charge_wh + by_then - by_ready - needed_wh, self.most_wh)


class Places(NamedTuple):
    """n places, numbered from 0, and the legs between them.

    A place may be visited for its value once; what has no value is only a place to start or end.
    """

    value: np.ndarray  # (n,) worth of a visit
    travel_min: np.ndarray  # (n, n) minutes of driving from row to column, inf: no such leg
    service_min: np.ndarray  # (n,) minutes of a visit
    opens_min: np.ndarray  # (n,) a visit begins no earlier; one may wait for it
    closes_min: np.ndarray  # (n,) and no later
    start: int
    ends: tuple[int, ...] | None  # where the route may end; None: wherever its last visit is
    departs_min: float  # from when the rover may leave its start
    latest_end_min: float
    # (n, n, minutes + 1): arrival of a drive for which the rover is ready at that whole minute,
    # inf if there is none any more. None: drives begin at once, at any instant.
    arrival_min: np.ndarray | None = None
    charge: Charge | None = None


def places(
    value: np.ndarray,
    travel_min: np.ndarray,
    *,
    latest_end_min: float,
    start: int = 0,
    ends: tuple[int, ...] | None = None,
    departs_min: float = 0.0,
    service_min: np.ndarray | float = 0.0,
    opens_min: np.ndarray | float = -math.inf,
    closes_min: np.ndarray | float = math.inf,
    arrival_min: np.ndarray | None = None,
    charge: Charge | None = None,
) -> Places:
    """Places with what is not said filled in, and everything checked.

    A stay where one is takes no drive, whatever the diagonals say. A leg without arrivals is
    none: its minutes are taken as infinite. Raises ValueError for arrays that do not fit
    together, and for arrivals that come earlier if one is ready later.
    """
    count = len(value)
    if count > MOST_PLACES:
        raise ValueError(f"{count} places, at most {MOST_PLACES} are possible")
    travel = np.array(travel_min, float)
    if travel.shape != (count, count):
        raise ValueError(f"travel minutes of shape {travel.shape} for {count} places")
    np.fill_diagonal(travel, 0.0)
    if np.isnan(travel).any() or (travel < 0).any():
        raise ValueError("travel minutes must be numbers of at least 0")
    if arrival_min is not None:
        arrival_min = _checked_arrivals(np.array(arrival_min, float), count)
        travel[np.isinf(arrival_min).all(axis=2)] = math.inf
    service, opens, closes = (
        np.broadcast_to(np.asarray(x, float), (count,))
        for x in (service_min, opens_min, closes_min)
    )
    return Places(
        np.asarray(value, float),
        travel,
        service,
        opens,
        closes,
        start,
        ends,
        float(departs_min),
        float(latest_end_min),
        arrival_min,
        charge,
    )


def _checked_arrivals(arrival: np.ndarray, count: int) -> np.ndarray:
    if arrival.ndim != 3 or arrival.shape[:2] != (count, count):
        raise ValueError(f"arrivals of shape {arrival.shape} for {count} places")
    ready = np.arange(arrival.shape[2], dtype=float)
    arrival[np.arange(count), np.arange(count)] = ready
    # Infinite after infinite is no step back, though their difference is no number.
    if (arrival[:, :, 1:] < arrival[:, :, :-1]).any():
        raise ValueError("who is ready later must not arrive earlier")
    if (arrival < ready).any():
        raise ValueError("an arrival lies before the rover is ready")
    return arrival


def earliest_arrivals(travel_min: np.ndarray, may_start: np.ndarray) -> np.ndarray:
    """Arrival of a drive for which the rover is ready at each whole minute.

    `travel_min` (...) minutes of driving, `may_start` (..., minutes) whether a drive may begin
    at that whole minute. Returns (..., minutes + 1): the drive begins at the first permitted
    minute from then on; inf if none is left, as at the end.
    """
    minutes = may_start.shape[-1]
    begin = np.where(may_start, np.arange(minutes, dtype=float), math.inf)
    first = np.minimum.accumulate(begin[..., ::-1], axis=-1)[..., ::-1]
    last = np.full((*may_start.shape[:-1], 1), math.inf)
    return np.concatenate([first, last], axis=-1) + np.asarray(travel_min)[..., None]


def one_after_the_other(first_min: np.ndarray, second_min: np.ndarray) -> np.ndarray:
    """Arrivals of a drive that begins once another is done, both (..., minutes + 1).

    What lies between them, such as a look and a decision, belongs to the arrivals of the first.
    """
    last = second_min.shape[-1] - 1
    minute = _whole(first_min, last)
    found = np.take_along_axis(second_min, np.clip(minute, 0, last), axis=-1)
    return np.where(minute <= last, found, math.inf)


def arrive(where: Places, origin: np.ndarray, goal: np.ndarray, ready: np.ndarray) -> np.ndarray:
    """When drives from places `origin` to `goal` arrive, ready at `ready`: three (m,) arrays.

    Who stays takes no drive.
    """
    if where.arrival_min is None:
        return ready + where.travel_min[origin, goal]
    last = where.arrival_min.shape[2] - 1
    minute = _whole(ready, last)
    found = where.arrival_min[origin, goal, np.clip(minute, 0, last)]
    return np.where(origin == goal, ready, np.where(minute <= last, found, math.inf))


def drive(
    where: Places, origin: np.ndarray, goal: np.ndarray, ready: np.ndarray, charge_wh: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """When drives arrive, as in `arrive`, and with how much charge; who stays keeps it."""
    comes = arrive(where, origin, goal, ready)
    if where.charge is None:
        return comes, charge_wh
    return where.charge.used(where.charge.drive_wh[origin, goal], ready, charge_wh, comes)


def visit(
    where: Places, place: int, comes: np.ndarray, charge_wh: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """When visits of who comes to a place begin and are over, and the charge left then (m,)."""
    begins = np.maximum(comes, where.opens_min[place])
    over = begins + where.service_min[place]
    if where.charge is None:
        return begins, over, charge_wh
    needed_wh = np.full(len(comes), where.charge.visit_wh[place])
    over, charge_wh = where.charge.used(needed_wh, comes, charge_wh, over)
    return over - where.service_min[place], over, charge_wh


def _whole(ready: np.ndarray, last: int) -> np.ndarray:
    """The next whole minute; one beyond the last for whatever comes later."""
    return np.ceil(np.minimum(ready, last + 1) - SLACK_MIN).astype(int)
