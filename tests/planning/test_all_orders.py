"""Plans of a rover against all orders of its stops, with energy, windows and real minutes.

The orders are walked by hand here, with nothing of the planner: no table, no model, no grid but
that of the starts. Batteries lose nothing and never fill, so that going on as soon as charge and
window permit is best in every order: whoever waits longer has no more charge for it.
"""

import random
from math import ceil, hypot
from threading import Event

import numpy as np
import pytest
from tools.small import platform, scenario_table, world

from obsplan.checking.check import check_timeline
from obsplan.environment.user_windows import with_windows
from obsplan.inputs.read_scenario import scenario_from
from obsplan.planning.plan import make_plan
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.routed import routed
from obsplan.planning.search.exact import exact_plan, is_small

STEP_MIN, RUN_MIN = 15, 30
IDLE_W, DRIVE_W, RUN_W, GENERATION_W = 4.0, 36.0, 14.0, 12.0
CAPACITY_WH, RESERVE_WH = 1000.0, 100.0
EXACT = 1e-6


class Made:
    """Stops at random places, in random windows; short of charge, of time, or of both."""

    def __init__(self, seed, stops):
        draw = random.Random(seed)
        self.steps = draw.choice([36, 48, 64])
        self.start_wh = RESERVE_WH + draw.choice([14.0, 22.0, 40.0])
        self.places = [(0.0, 0.0)]
        self.places += [(draw.uniform(-55, 55), draw.uniform(-55, 55)) for _ in range(stops)]
        self.factors = [0.0, *(draw.choice([1.0, 1.5, 2.0, 3.0]) for _ in range(stops))]
        self.windows = [(0, self.steps)]
        for _ in range(stops):
            opens = draw.choice([0, 0, draw.randint(0, self.steps // 2)])
            long = draw.choice([self.steps, self.steps, draw.randint(8, 24)])
            self.windows.append((opens, min(self.steps, opens + long)))

    def environment(self):
        rover = platform("rover", kind="rover", idle_w=IDLE_W, one_at_a_time=True)
        share = {"capacity_wh": CAPACITY_WH, "reserve": RESERVE_WH / CAPACITY_WH}
        rover["battery"] |= share | {"start": self.start_wh / CAPACITY_WH}
        rover["drive"] = {
            "speed_by_slope": [[10, 1.0]],
            "power_w": DRIVE_W,
            "contact": "none",
        }
        run = {"name": "laser", "duration_min": RUN_MIN, "power_w": RUN_W, "at": "stops"}
        table = scenario_table(
            run | {"value": 1.0, "count": 1, "data_mbit": 0.0},
            platforms=[rover],
            hours=self.steps * STEP_MIN / 60,
            step_min=STEP_MIN,
        )
        for instrument in table["instrument"]:
            instrument["platform"] = "rover"
        table["stop"] = [
            {
                "name": f"S{k}",
                "platform": "rover",
                "east_m": east,
                "north_m": north,
                "value_factor": factor,
            }
            for k, ((east, north), factor) in enumerate(zip(self.places, self.factors))
            if k
        ]
        environment = world(scenario_from(table), generation_w=GENERATION_W)
        for k, (opens, closes) in enumerate(self.windows):
            minute = np.arange(self.steps * STEP_MIN)
            open_ = (minute >= opens * STEP_MIN) & (minute < closes * STEP_MIN)
            if k:
                environment = with_windows(environment, f"laser at S{k}", open_)
        return environment

    def best_of_all_orders(self):
        """The most that any order of any of the stops is worth, and how many were walked."""
        walked = 0

        def onward(at, step, charge_wh, left):
            nonlocal walked
            walked += 1
            best = 0.0
            for stop in left:
                there = self.leg_and_run(at, stop, step, charge_wh)
                if there is not None:
                    best = max(best, self.factors[stop] + onward(stop, *there, left - {stop}))
            return best

        best = onward(0, 0, self.start_wh, frozenset(range(1, len(self.places))))
        return best, walked

    def leg_and_run(self, at, stop, step, charge_wh):
        """Step and charge once the run at the next stop is over; None if that is never."""
        (east, north), (to_east, to_north) = self.places[at], self.places[stop]
        minutes = ceil(hypot(to_east - east, to_north - north) - 1e-9)
        opens, closes = self.windows[stop]
        arrived = self.done(step, charge_wh, minutes, DRIVE_W, step)
        return None if arrived is None else self.done(*arrived, RUN_MIN, RUN_W, opens, closes)

    def done(self, step, charge_wh, minutes, power_w, opens, closes=None):
        """Step and charge after something that begins as soon as it may."""
        closes = self.steps if closes is None else closes
        long = ceil(minutes / STEP_MIN)
        start = max(step, opens)
        idle_wh = (GENERATION_W - IDLE_W) / 60
        while start + long <= closes:
            now_wh = charge_wh + idle_wh * (start - step) * STEP_MIN
            least_wh = now_wh + (idle_wh - power_w / 60) * minutes
            if least_wh >= RESERVE_WH - EXACT:
                return start + long, least_wh + idle_wh * (long * STEP_MIN - minutes)
            start += 1
        return None


@pytest.mark.parametrize(("seed", "stops"), [(507, 5), (704, 7)])
def test_a_route_is_worth_as_much_as_the_best_of_all_orders(seed, stops):
    """Five stops short of time, seven short of charge."""
    made = Made(seed, stops)
    best, walked = made.best_of_all_orders()
    assert walked > 20
    found = routed(made.environment(), "normal", Event(), lambda line: None)
    assert found.first is not None
    assert found.first.value() == pytest.approx(best, abs=EXACT)


def test_a_small_problem_is_not_solved_as_if_the_rover_were_everywhere():
    made = Made(503, stops=5)
    way = routed(made.environment(), "low", Event(), lambda line: None)
    relaxed = build_problem(way.free, relaxed=True)
    assert is_small(relaxed)
    found = exact_plan(way.first.problem, relaxed).plan
    assert found is not None and found.keeps_rules() and not found.lacks_required_runs()
    assert found.value() <= made.best_of_all_orders()[0] + EXACT


@pytest.mark.long
@pytest.mark.parametrize("stops", [5, 6, 7])
def test_no_order_of_up_to_seven_stops_is_worth_more_than_the_plan(stops):
    for seed in range(100 * stops, 100 * stops + 12):
        made = Made(seed, stops)
        best, _ = made.best_of_all_orders()
        plan = make_plan(made.environment(), effort="normal")
        assert plan.value == pytest.approx(best, abs=EXACT), seed
        assert plan.bound >= best - EXACT
        assert check_timeline(plan.environment, plan.timeline).is_valid
