"""One node per unit: against closed solutions, and what no heater can do."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from obsplan.physics.unit_temperature import (
    Node,
    Thermostat,
    held_history,
    node_history,
    warmed_k,
)

SIGMA = 5.670374419e-8  # W m-2 K-4, CODATA 2018 (exact)
C_J_K = 20_000.0
HOURS = (1, 6, 24)


def at_hours(node: Node, heat_w: float, ground_k: float) -> list[float]:
    steady = np.ones(24 * 60)
    history = node_history(node, heat_w * steady, ground_k * steady, 300.0)
    return [history.temperature_k[60 * hour] for hour in HOURS]


def test_radiating_node_cools_as_the_closed_solution():
    # 1/T^3 grows by 3 A sigma t / C; the straight line of a minute leaves less than 1e-3 K.
    closed = [(300.0**-3 + 3 * 0.05 * SIGMA * 3600 * h / C_J_K) ** (-1 / 3) for h in HOURS]
    assert closed == pytest.approx([295.9767, 278.6424, 238.4249], abs=6e-5)
    assert at_hours(Node(C_J_K, 0.0, 0.05), 0.0, 0.0) == pytest.approx(closed, abs=1e-3)


def test_linear_node_is_exact():
    # 290 K + 10 K exp(-t G / C); nothing but rounding.
    expected = [299.55997, 297.63379, 293.39596]
    assert at_hours(Node(C_J_K, 0.25, 0.0), 10.0, 250.0) == pytest.approx(expected, abs=1e-5)


def test_thermostat_switches_at_the_times_of_the_closed_solution():
    # C/G ln((300 - 268.15) / (300 - 278.15)) on, C/G ln((278.15 - 200) / (268.15 - 200)) off.
    days = np.ones(20 * 1440)
    node, heater = Node(C_J_K, 0.15, 0.0), Thermostat(15.0, 268.15, 278.15)
    found = node_history(node, 0 * days, 200 * days, 268.15, heater)
    on_s, off_s = 50_244.861, 18_255.853
    cycle_s, share = on_s + off_s, found.heater_w / 15.0
    # The first minute with less than full power is the one in which it turns off, to the second.
    first = int(np.flatnonzero(share < 1)[0])
    assert 60 * (first + share[first]) == pytest.approx(on_s, abs=1e-3)
    again = first + 1 + int(np.flatnonzero(share[first + 1 :] > 0)[0])
    assert 60 * (again + 1 - share[again]) == pytest.approx(cycle_s, abs=1e-3)
    assert 60 * share[:again].sum() / cycle_s == pytest.approx(0.733494, abs=1e-6)
    assert share.mean() == pytest.approx(0.7335, abs=0.02)  # the last cycle is cut off
    assert found.temperature_k.min() >= 268.15 - 1e-9
    assert found.temperature_k.max() <= 278.15 + 1e-9


def test_radiating_heated_node_follows_an_adaptive_solver():
    minutes = np.arange(2000)
    heat_w, ground_k = 5 + 5 * np.sin(minutes / 100), 250 + 80 * np.cos(minutes / 300)
    node = Node(3000.0, 0.1, 0.03)

    def rate(t, level):
        k = min(int(t // 60), len(minutes) - 1)
        flow_w = heat_w[k] + 0.1 * (ground_k[k] - level) - 0.03 * SIGMA * level**4
        return flow_w / 3000.0

    level = np.array([280.0])
    for k in range(len(minutes)):
        level = solve_ivp(rate, (60 * k, 60 * k + 59.999999), level, rtol=1e-9).y[:, -1]
    found = node_history(node, heat_w, ground_k, 280.0).temperature_k[-1]
    # The straight line through each minute.
    assert found == pytest.approx(level[0], abs=2e-3)


steps = st.lists(st.sampled_from([0.0, 0.0, 0.0, 3.0, 12.0]), min_size=4, max_size=12)


@given(
    runs_w=steps,
    start_k=st.sampled_from([255.0, 268.0, 272.0, 279.0, 300.0]),
    capacity_j_k=st.sampled_from([500.0, 3000.0, 20_000.0]),
    radiating_m2=st.sampled_from([0.0, 0.05]),
    power_w=st.sampled_from([4.0, 15.0, 40.0]),
)
def test_heat_saves_no_more_than_itself_beyond_the_coldest_node(
    runs_w, start_k, capacity_j_k, radiating_m2, power_w
):
    node, heater = Node(capacity_j_k, 0.15, radiating_m2), Thermostat(power_w, 268.15, 278.15)
    heat_w = np.repeat(runs_w, 90).astype(float)
    ground_k = np.full(len(heat_w), 180.0)
    real = node_history(node, heat_w, ground_k, start_k, heater)
    coldest = held_history(node, 0 * heat_w, ground_k, start_k, power_w, 268.15)
    warmest = held_history(node, 0 * heat_w + 12.0, ground_k, start_k, power_w, 278.15)
    # The straight line through a minute is not the same for all three.
    assert (real.temperature_k >= coldest.temperature_k - 1e-3).all()
    assert (real.temperature_k <= warmest.temperature_k + 1e-3).all()
    least_j = np.cumsum(coldest.heater_w - heat_w) * 60
    assert (np.cumsum(real.heater_w) * 60 >= least_j - 1e-3 * np.cumsum(heat_w + power_w)).all()


@given(
    start_k=st.sampled_from([255.0, 268.15, 279.0]),
    power_w=st.sampled_from([1.0, 15.0, 40.0]),
    ground_k=st.sampled_from([180.0, 260.0, 300.0]),
)
def test_held_node_reaches_its_level_and_stays_while_power_lasts(start_k, power_w, ground_k):
    node, day = Node(2000.0, 0.15, 0.0), np.ones(3 * 1440)
    found = held_history(node, 0 * day, ground_k * day, start_k, power_w, 268.15)
    needed_w = 0.15 * (268.15 - ground_k)
    # Three days are 19 time constants.
    end_k = ground_k + np.clip(needed_w, 0, power_w) / 0.15
    assert found.temperature_k[-1] == pytest.approx(max(end_k, ground_k), abs=1e-5)
    assert found.heater_w[-1] == pytest.approx(np.clip(needed_w, 0, power_w), abs=1e-9)


def test_warming_is_the_difference_of_two_histories():
    node, minutes = Node(4000.0, 0.1, 0.04), np.ones(600)
    idle = node_history(node, 0 * minutes, 250 * minutes, 260.0).temperature_k
    heated = node_history(node, 2 * minutes, 250 * minutes, 260.0).temperature_k
    found = [0.0]
    for level_k in idle[:-1]:
        found.append(float(warmed_k(node, found[-1], 2.0, level_k)))
    # Radiation is linear only nearly: some per cent of 8 K.
    assert found == pytest.approx(heated - idle, rel=0.06)
    assert found[-1] > 5
