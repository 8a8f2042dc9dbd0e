"""Temperature of a unit of hardware: one node with a heat capacity.

    C dT/dt = heat + G (T_ground - T) - A sigma T^4

A is emissivity times radiating area towards the sky, which is at zero kelvin; heat is dissipated
power, absorbed sunlight and the heater. Within a step the radiation is a straight line through the
temperature at its start, so that the node follows an exponential and the heater switches at exact
times. In a minute the straight line is off by far less than 1e-3 K.
"""

from collections.abc import Callable
from math import exp, inf, log
from typing import NamedTuple

import numpy as np

from obsplan.common.constants import STEFAN_BOLTZMANN_W_M2_K4

MINUTE_S = 60.0


class Node(NamedTuple):
    """Heat capacity, conductance to the ground, and emissivity times area towards the sky."""

    heat_capacity_j_k: float
    ground_w_k: float
    radiating_m2: float


class Thermostat(NamedTuple):
    """A heater that turns on below one temperature and off above a higher one."""

    power_w: float
    on_below_k: float
    off_above_k: float


NO_HEATER = Thermostat(0.0, -inf, inf)


class History(NamedTuple):
    """Temperature (n+1,) as each step begins and at the end; mean heater power (n,) in each."""

    temperature_k: np.ndarray
    heater_w: np.ndarray


# Temperatures that were measured, each with its minute, in order.
Readings = tuple[tuple[int, float], ...]


def resumed(
    march: Callable[[np.ndarray, np.ndarray, float], History],
    heat_w: np.ndarray,
    ground_k: np.ndarray,
    start_k: float,
    readings: Readings,
) -> History:
    """A march of a node over (n,) steps that goes on from each reading at its temperature."""
    firsts, levels_k = [0], [start_k]
    for step, measured_k in readings:
        if step < len(heat_w):
            firsts.append(step)
            levels_k.append(measured_k)
    parts = [
        march(heat_w[first:last], ground_k[first:last], level_k)
        for first, last, level_k in zip(firsts, [*firsts[1:], len(heat_w)], levels_k)
    ]
    ends_k = [part.temperature_k[:-1] for part in parts]
    return History(
        np.concatenate([*ends_k, parts[-1].temperature_k[-1:]]),
        np.concatenate([part.heater_w for part in parts]),
    )


def node_history(
    node: Node,
    heat_w: np.ndarray,
    ground_k: np.ndarray,
    start_k: float,
    thermostat: Thermostat = NO_HEATER,
    step_s: float = MINUTE_S,
) -> History:
    """The node from `start_k` on; `heat_w` without the heater and `ground_k` are (n,) per step.

    The heater is on at first if the node is colder than `on_below_k`.
    """
    power_w, on_below_k, off_above_k = thermostat
    now_k, is_on = start_k, start_k < on_below_k
    levels_k, powers_w = [start_k], []
    for gain_w in (heat_w + node.ground_w_k * ground_k).tolist():
        per_k, drive_w = _linear(node, gain_w, now_k)
        rate, left_s, on_s = per_k / node.heat_capacity_j_k, step_s, 0.0
        while True:
            limit_k = (drive_w + power_w * is_on) / per_k
            end_k = limit_k + (now_k - limit_k) * exp(-rate * left_s)
            switches = end_k >= off_above_k if is_on else end_k < on_below_k
            if not switches:
                break
            switch_k = off_above_k if is_on else on_below_k
            passed_s = min(log((now_k - limit_k) / (switch_k - limit_k)) / rate, left_s)
            on_s += passed_s * is_on
            now_k, is_on, left_s = switch_k, not is_on, left_s - passed_s
        now_k = end_k
        levels_k.append(now_k)
        powers_w.append(power_w * (on_s + left_s * is_on) / step_s)
    return History(np.array(levels_k), np.array(powers_w))


def held_history(
    node: Node,
    heat_w: np.ndarray,
    ground_k: np.ndarray,
    start_k: float,
    power_w: float,
    hold_k: float,
) -> History:
    """The node, by the minute, with a heater that holds it at `hold_k` with up to `power_w`.

    No thermostat that turns on below `hold_k` lets the node get colder, and none that turns off
    above `hold_k` gets it warmer, as long as it heats as the same power does and starts alike.
    """
    now_k = start_k
    levels_k, powers_w = [start_k], []
    for gain_w in (heat_w + node.ground_w_k * ground_k).tolist():
        per_k, drive_w = _linear(node, gain_w, now_k)
        rate, left_s, heated_j = per_k / node.heat_capacity_j_k, MINUTE_S, 0.0
        needed_w = per_k * hold_k - drive_w
        while True:
            if now_k == hold_k:
                given_w = min(max(needed_w, 0.0), power_w)
            else:
                given_w = power_w if now_k < hold_k else 0.0
            heated_j += given_w * left_s
            limit_k = (drive_w + given_w) / per_k
            if now_k == hold_k and given_w == needed_w:
                break
            end_k = limit_k + (now_k - limit_k) * exp(-rate * left_s)
            if now_k == hold_k or (end_k - hold_k) * (now_k - hold_k) >= 0:
                now_k = end_k
                break
            passed_s = min(log((now_k - limit_k) / (hold_k - limit_k)) / rate, left_s)
            left_s -= passed_s
            heated_j -= given_w * left_s
            now_k = hold_k
        levels_k.append(now_k)
        powers_w.append(heated_j / MINUTE_S)
    return History(np.array(levels_k), np.array(powers_w))


def warmed_k(
    node: Node, warmer_k: np.ndarray, heat_w: float, temperature_k: np.ndarray
) -> np.ndarray:
    """How much warmer a node is after a minute of more heat, if it is `warmer_k` (...) before.

    `temperature_k` (...) is the one at which it loses that heat; the response to it is linear.
    """
    per_k = node.ground_w_k + 4 * node.radiating_m2 * STEFAN_BOLTZMANN_W_M2_K4 * temperature_k**3
    limit_k = heat_w / per_k
    later_k: np.ndarray = limit_k + (warmer_k - limit_k) * np.exp(
        -per_k * MINUTE_S / node.heat_capacity_j_k
    )
    return later_k


def _linear(node: Node, gain_w: float, temperature_k: float) -> tuple[float, float]:
    """Conductance and drive of the node linearised at a temperature: C dT/dt = drive - G T."""
    slope_w_k = 4 * node.radiating_m2 * STEFAN_BOLTZMANN_W_M2_K4 * temperature_k**3
    return node.ground_w_k + slope_w_k, gain_w + 0.75 * slope_w_k * temperature_k
