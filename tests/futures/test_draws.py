"""What is drawn: triangular factors, outages at random times, and the same futures for all."""

from math import exp, sqrt

import numpy as np
import pytest
from tools.small import platform, scenario, slots, world

from obsplan.checking.slots import read_slots
from obsplan.futures import walk
from obsplan.futures.draws import draw, triangular
from obsplan.futures.execute import make_futures
from obsplan.futures.world import world_of
from obsplan.inputs.uncertainty import Uncertainty

ARRAYS = Uncertainty(what="array output", factor=(0.88, 0.96, 1.00))
LENGTHS = Uncertainty(what="run length", of="look", factor=(0.8, 1.0, 1.6))
FAILS = Uncertainty(what="run fails", chance=0.3)


def drawn(scene, uncertain, count=40, seed=1, rows=(("look", 0), ("look", 120), ("dig", 60))):
    runs, sending = read_slots(scene, slots(*rows))
    arrays = world_of(world(scene), runs, sending)
    return draw(scene, arrays, uncertain, range(count), seed)


def two_activities():
    return scenario({"name": "look", "count": 3}, {"name": "dig", "count": 2}, hours=4)


def test_triangular_shares_have_the_mean_and_the_ends_of_the_triangle():
    share = (np.arange(100_000) + 0.5) / 100_000
    value = triangular(share, 0.88, 0.96, 1.00)
    # The mean of a triangle is that of its corners; the sum over midpoints is off by far less.
    assert value.mean() == pytest.approx((0.88 + 0.96 + 1.00) / 3, abs=1e-6)
    assert value.mean() == pytest.approx(0.946667, abs=1e-6)
    assert (triangular(0.0, 0.88, 0.96, 1.0), triangular(1.0, 0.88, 0.96, 1.0)) == (0.88, 1.0)
    assert float(triangular(2 / 3, 0.88, 0.96, 1.0)) == pytest.approx(0.96)  # 8 of 12 hundredths
    assert (np.diff(triangular(share, 0.5, 0.5, 1.0)) > 0).all()


def test_another_uncertainty_changes_no_other_draw():
    scene = two_activities()
    alone = drawn(scene, [ARRAYS, LENGTHS])
    more = drawn(scene, [FAILS, ARRAYS, Uncertainty(what="link rate", factor=(0.5, 1, 1)), LENGTHS])
    assert (alone.factor[..., walk.ARRAYS] == more.factor[..., walk.ARRAYS]).all()
    assert (alone.run_min == more.run_min).all() and more.fails.any()


def test_more_futures_and_another_plan_keep_the_draws():
    scene = two_activities()
    few, many = drawn(scene, [LENGTHS], count=10), drawn(scene, [LENGTHS], count=40)
    assert (few.run_min == many.run_min[:10]).all()
    moved = drawn(scene, [LENGTHS], rows=(("dig", 0), ("look", 60), ("look", 180)))
    assert (many.run_min[:, [0, 2]] == moved.run_min[:, 1:]).all()
    other = drawn(scene, [LENGTHS], seed=2)
    assert (many.run_min != other.run_min).any()


def test_only_what_is_meant_differs():
    scene = scenario(
        {"name": "look"},
        {"name": "dig", "platform": "rover"},
        platforms=[platform(), platform("rover", kind="rover")],
        hours=4,
    )
    arrays = drawn(scene, [ARRAYS.model_copy(update={"of": "rover"})], rows=[("look", 0)])
    assert (arrays.factor[:, 0] == 1).all() and (arrays.factor[:, 1, walk.ARRAYS] < 1.0).all()
    assert (arrays.factor[:, 1, walk.IDLE] == 1).all()
    common = drawn(scene, [ARRAYS], rows=[("look", 0)]).factor[..., walk.ARRAYS]
    assert (common[:, 0] == common[:, 1]).all()
    rate = Uncertainty(what="run draw", of="dig", factor=(0.5, 1, 2))
    assert (drawn(scene, [rate], rows=[("look", 0)]).draw[:, 0] == 1).all()


LOST = Uncertainty(what="out of service", of="alpha", per_day=1 / 20)
CHANCE = exp(-10 / 20)  # that a loss at 1/20 a day has not come by day ten


def near(chance, count):
    """Within three standard errors of so many futures."""
    return pytest.approx(chance, abs=3 * sqrt(chance * (1 - chance) / count))


def first_seen_on_day_ten():
    """An environment whose only contact begins on day ten, and a run that needs it."""
    scene = scenario({"name": "look", "contact": "whole"}, hours=11 * 24, step_min=60)
    seen = np.arange(11 * 24 * 60) >= 10 * 1440
    station = np.where(seen, "alpha", "")
    return world(scene, in_contact=seen, rate_kbps=np.where(seen, 20.0, 0.0), station=station)


def test_a_loss_at_a_twentieth_a_day_spares_day_ten_with_its_exponential_chance():
    assert pytest.approx(0.606531, abs=1e-6) == CHANCE
    environment = first_seen_on_day_ten()
    runs, sending = read_slots(environment.scenario, slots(("look", 10 * 1440)))
    arrays = world_of(environment, runs, sending)
    rows = draw(environment.scenario, arrays, [LOST], range(4000), 3).outages
    assert (rows[:, 3] == 11 * 1440).all()  # for good
    lost = len(np.unique(rows[rows[:, 2] < 10 * 1440, 0]))
    assert 1 - lost / 4000 == near(CHANCE, 4000)


@pytest.mark.long
def test_a_run_on_day_ten_is_made_with_the_chance_that_its_station_is_not_lost():
    environment, count = first_seen_on_day_ten(), 1000
    rows = slots(("look", 10 * 1440))
    futures = make_futures(environment, rows, samples=count, uncertain=[LOST], seed=3)
    # The hour of the run itself is a tenth of a standard error.
    assert futures.made.mean() == near(CHANCE, count)
    assert set(futures.outcome.code.ravel()) == {walk.MADE, walk.CONTACT}


def test_an_outage_ends_and_comes_again():
    scene = two_activities()
    often = Uncertainty(what="out of service", of="lander", per_day=200.0, lasts_h=(0.1, 0.2, 0.3))
    rows = drawn(scene, [often], count=5).outages
    assert (rows[:, 3] > rows[:, 2]).all() and (rows[:, 3] - rows[:, 2] <= 20).all()
    one = rows[rows[:, 0] == 0]
    assert len(one) > 1 and (one[1:, 2] >= one[:-1, 3] - 1).all()
