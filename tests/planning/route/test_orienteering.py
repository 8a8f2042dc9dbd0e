"""The best sequences of stops, against every order there is."""

import itertools
import math

import numpy as np
import pytest

from obsplan.planning.route.orienteering import best_routes
from obsplan.planning.route.places import (
    MOST_PLACES,
    Charge,
    earliest_arrivals,
    one_after_the_other,
    places,
)

# Sums of a few minutes differ in their last digits only.
EXACT = 1e-6
SPAN = 240


def random_places(seed: int, stops: int):
    """Stops with windows, one-way legs, and minutes in which drives may begin."""
    draw = np.random.default_rng(seed)
    count = stops + 1
    travel = draw.uniform(5, 60, (count, count))
    travel[draw.random((count, count)) < 0.15] = math.inf
    arrival = None
    if draw.random() < 0.7:
        # Stretches of light, different for each leg.
        dark = draw.random((count, count, SPAN // 20)) < 0.3
        arrival = earliest_arrivals(travel, ~np.repeat(dark, 20, axis=2))
    opens = np.where(draw.random(count) < 0.5, draw.uniform(0, 100, count), -math.inf)
    closes = np.where(draw.random(count) < 0.5, draw.uniform(100, 200, count), math.inf)
    value = draw.integers(1, 6, count).astype(float)
    value[0] = draw.choice([0.0, 3.0])
    return places(
        value,
        travel,
        latest_end_min=float(draw.uniform(80, SPAN)),
        start=0,
        ends=[None, (0,), (1, 2)][draw.integers(3)],
        departs_min=float(draw.uniform(0, 20)),
        service_min=draw.uniform(0, 15, count),
        opens_min=opens,
        closes_min=closes,
        arrival_min=arrival,
    )


def walked(where, stops, end):
    """Value, driving, end of one route, minute by minute as one would by hand; None if too late."""
    at, now, driven = where.start, where.departs_min, 0.0

    def drive(goal):
        if goal == at:
            return now, 0.0
        if where.arrival_min is None:
            return now + where.travel_min[at, goal], where.travel_min[at, goal]
        late = now > where.arrival_min.shape[2] - 1
        minute = 0 if late else math.ceil(now)
        return (math.inf if late else where.arrival_min[at, goal, minute]), where.travel_min[
            at, goal
        ]

    for stop in stops:
        comes, minutes = drive(stop)
        begins = max(comes, where.opens_min[stop])
        if not begins <= where.closes_min[stop]:
            return None
        at, now, driven = stop, begins + where.service_min[stop], driven + minutes
    if end is not None:
        now, minutes = drive(end)
        driven += minutes
    if not now <= where.latest_end_min:
        return None
    return sum(where.value[list(stops)]), driven, now


def every_route(where):
    """All routes that keep the windows, best first."""
    valued = [k for k in range(len(where.value)) if where.value[k] > 0]
    found = []
    for length in range(len(valued) + 1):
        for stops in itertools.permutations(valued, length):
            for end in where.ends or [None]:
                got = walked(where, stops, end)
                if got:
                    found.append((-round(got[0], 9), round(got[1], 9), stops, end))
    return sorted(found, key=lambda route: route[:2])


@pytest.mark.parametrize("seed", range(60))
def test_no_order_of_five_stops_beats_the_best_routes(seed):
    where = random_places(seed, 5)
    every = every_route(where)
    for how_many in (1, 4):
        found = best_routes(where, how_many)
        assert found.proven
        got = [(-r.value, r.drive_min) for r in found.routes]
        assert got == pytest.approx(np.array([route[:2] for route in every[:how_many]]), abs=EXACT)
        assert len({(r.stops, r.end) for r in found.routes}) == len(found.routes)
        for route in found.routes:
            end = None if where.ends is None else route.end
            value, driven, end_min = walked(where, route.stops, end)
            assert (route.value, route.drive_min, route.end_min) == pytest.approx(
                (value, driven, end_min), abs=EXACT
            )


@pytest.mark.parametrize("seed", range(3))
def test_no_order_of_seven_stops_beats_the_best_route(seed):
    where = random_places(1000 + seed, 7)
    best = every_route(where)[0]
    route = best_routes(where).routes[0]
    assert (-route.value, route.drive_min) == pytest.approx(best[:2], abs=EXACT)


def test_visits_tell_their_times():
    travel = np.array([[0, 10, 25], [10, 0, 5.5], [20, 5.5, 0]])
    where = places(
        np.array([0, 1, 2]),
        travel,
        latest_end_min=60,
        service_min=np.array([0, 4, 3]),
        opens_min=np.array([0, 12, 0]),
        ends=(0,),
    )
    route = best_routes(where).routes[0]
    assert [tuple(visit) for visit in route.visits] == [(1, 10, 12, 16), (2, 21.5, 21.5, 24.5)]
    assert (route.end, route.end_min, route.drive_min) == (0, 44.5, 35.5)


def test_a_drive_waits_for_light_and_begins_at_a_whole_minute():
    may_start = np.zeros((2, 2, 50), bool)
    may_start[0, 1, 7:9] = True
    arrival = earliest_arrivals(np.full((2, 2), 3.5), may_start)
    for departs, comes in ((0.0, 10.5), (7.0, 10.5), (7.2, 11.5)):
        where = places(
            np.array([0, 1]),
            np.full((2, 2), 3.5),
            latest_end_min=50,
            departs_min=departs,
            arrival_min=arrival,
        )
        assert best_routes(where).routes[0].visits[0].arrives_min == comes
    too_late = where._replace(departs_min=8.5)
    assert best_routes(too_late).routes[0].stops == ()


def test_drives_and_visits_wait_for_the_charge_that_they_take():
    """12 Wh at first and 1 Wh a minute, at most 30; a leg takes 20 Wh, a visit 24."""
    charge = Charge(
        12.0, 30.0, np.array([[0, 20.0], [20, 0]]), np.array([0, 24.0]), np.arange(81.0)
    )
    travel = np.array([[0, 5.0], [5, 0]])
    where = places(np.array([0, 1]), travel, latest_end_min=80, service_min=2.0, charge=charge)
    visit = best_routes(where).routes[0].visits[0]
    # 8 minutes until the leg has its 20 Wh, 24 more until the visit has its own.
    assert (visit.arrives_min, visit.begins_min, visit.ready_min) == (8, 30, 32)
    assert best_routes(where._replace(ends=(0,))).routes[0].end_min == 52
    full = where._replace(charge=charge._replace(start_wh=30.0))
    assert best_routes(full).routes[0].visits[0] == (1, 5, 12, 14)
    dark = where._replace(charge=charge._replace(yielded_wh=np.zeros(81)))
    assert best_routes(dark).routes[0].stops == ()


def test_parts_of_a_leg_follow_one_another():
    may_start = np.ones(30, bool)
    may_start[6:20] = False
    first = earliest_arrivals(np.array(4.5), may_start) + 2  # a look of two minutes
    second = earliest_arrivals(np.array(3.0), may_start)
    arrivals = one_after_the_other(first, second)
    assert arrivals[0] == 23  # 4.5 + 2, whole minute 7 is dark, 20 is not
    assert arrivals[20] == 30  # 26.5 is ready for 27
    assert np.isinf(arrivals[25])  # ready at 31.5, after the last minute


def test_the_start_is_a_stop_too_if_it_is_worth_something():
    """A rover that is told to go on from where it stands begins with what is left there."""
    travel = np.array([[0, 10], [10, 0.0]])
    where = places(np.array([5, 1.0]), travel, latest_end_min=14, service_min=4.0)
    route = best_routes(where).routes[0]
    assert route.stops == (0,) and route.drive_min == 0
    longer = where._replace(latest_end_min=18.0)
    assert best_routes(longer).routes[0].stops == (0, 1)


def test_no_route_if_no_end_can_be_reached():
    travel = np.array([[0, 10], [10, 0.0]])
    assert best_routes(places(np.ones(2), travel, latest_end_min=5, ends=(1,))).routes == []


def test_fewer_labels_than_it_takes_leave_the_answer_unproven():
    draw = np.random.default_rng(1)
    where = draw.uniform(0, 100, (16, 2))
    travel = np.hypot(*(where[:, None] - where[None]).transpose(2, 0, 1))
    asked = places(draw.uniform(1, 2, 16), travel, latest_end_min=260.0, ends=(0,))
    few, many = best_routes(asked, most_labels=5), best_routes(asked)
    assert not few.proven and many.proven
    assert 0 < few.routes[0].value <= many.routes[0].value


def test_the_same_places_give_the_same_routes():
    assert best_routes(random_places(5, 7), 6) == best_routes(random_places(5, 7), 6)


@pytest.mark.parametrize(
    ("value", "travel", "more", "words"),
    [
        (np.ones(MOST_PLACES + 1), np.zeros((63, 63)), {}, "at most 62"),
        (np.ones(2), np.zeros((3, 3)), {}, "for 2 places"),
        (np.ones(2), np.full((2, 2), -1.0), {}, "at least 0"),
        (np.ones(2), np.full((2, 2), np.nan), {}, "at least 0"),
        (np.ones(2), np.ones((2, 2)), {"arrival_min": np.ones((2, 5))}, "arrivals of shape"),
        (np.ones(2), np.ones((2, 2)), {"arrival_min": np.full((2, 2, 3), 1.0)}, "is ready"),
        (
            np.ones(2),
            np.ones((2, 2)),
            {"arrival_min": np.array([[[9, 8.0]] * 2] * 2)},
            "must not arrive earlier",
        ),
    ],
)
def test_what_does_not_fit_together_is_refused(value, travel, more, words):
    with pytest.raises(ValueError, match=words):
        places(value, travel, latest_end_min=10, **more)
