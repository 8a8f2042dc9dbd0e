"""The march for many sites, compiled, is that of `heat_conduction`."""

import numpy as np
import pytest
from tools.ground import LUNATION_S, sunlight

from obsplan.physics import heat_conduction
from obsplan.physics.compiled_march import March, compiled_march
from obsplan.physics.heat_conduction import MANY, Edges, Series, temperatures
from obsplan.physics.march_kernel import LANES, march_sites
from obsplan.physics.regolith import HIGHLAND, NODES_M, regolith_column

COLUMN = regolith_column()
CYCLE = 59  # steps of half a day
SITES = LANES + 3  # more than one call takes


def case():
    """Sites all over the Moon, one never lit: a cycle of half days, and days by the hour."""
    step_s = np.append(np.full(CYCLE, LUNATION_S / CYCLE), np.full(200, 3600.0))
    at_s = np.cumsum(step_s)
    light = [sunlight(90 - 5 * k, at_s + k * 70_000.0) for k in range(SITES - 1)]
    series = Series(step_s, np.array([*light, 0 * at_s]))
    emission = HIGHLAND.emission_w_m2_k4 * np.linspace(0.5, 1.0, SITES)
    edges = Edges(HIGHLAND.heat_flow_w_m2, emission)
    return COLUMN, edges, series, np.full(CYCLE, 1 / CYCLE)


def test_many_sites_are_as_warm_compiled_as_in_arrays(monkeypatch):
    steps = np.array([3, CYCLE - 1, CYCLE, CYCLE + 150, CYCLE + 199])
    at_depth = np.array(
        [np.interp([0.0, 0.3, 1.0], NODES_M, node) for node in np.eye(len(NODES_M))]
    )
    many = temperatures(*case(), steps, at_depth)
    assert many.shape == (SITES, 5, 3)
    monkeypatch.setattr(heat_conduction, "MANY", SITES + 1)
    # What solves that nobody sees the temperatures of leave, in a cycle much too short.
    assert np.abs(many - temperatures(*case(), steps, at_depth)).max() < 0.05


def test_without_a_compiler_many_sites_are_marched_all_the_same(monkeypatch):
    compiled = temperatures(*case())
    monkeypatch.setattr(heat_conduction, "compiled_march", lambda: March(None))
    # A solve that ends for all sites at once goes on where one of them needs it.
    assert np.abs(temperatures(*case()) - compiled).max() < 0.05


def test_a_compiler_that_fails_is_told_in_a_line(monkeypatch):
    def broken(**options):
        raise OSError("no\nlinker")

    monkeypatch.setattr("numba.njit", broken)
    march, told = compiled_march.__wrapped__()
    assert march is None and "is not compiled" in told and told.endswith("(OSError: no linker)")


def test_compiled_and_plain_march_give_the_same_numbers():
    found = []
    for march in (march_sites, compiled_march().march):
        now = np.linspace(np.linspace(90.0, 350.0, LANES), 240.0, len(NODES_M))
        before, potential, seen = now - 1.0, np.zeros_like(now), np.zeros((2, 1, LANES))
        solved = march(
            now, before, 900.0, np.array([900.0, 1800.0, 900.0]),
            np.linspace([0.0, 10.0, 900.0], [900.0, 600.0, 0.0], LANES, axis=1),
            COLUMN.mass_kg_m2, np.append(COLUMN.conductance_w_m2_k, 0.0),
            np.array(COLUMN.heat_capacity_j_kg_k), COLUMN.radiative_per_k3,
            np.full(LANES, 0.018), np.full(LANES, 5.4e-8), 0.5, 50,
            np.array([0.2, 0.3, 0.5]), potential, np.array([0, -1, 1]),
            np.eye(len(NODES_M), 1), seen,
        )  # fmt: skip
        assert solved
        found.append((now, before, potential, seen))
    assert all(np.array_equal(*both) for both in zip(*found))


def test_a_column_too_deep_to_compile_is_marched_all_the_same(monkeypatch):
    compiled = temperatures(*case())
    monkeypatch.setattr(heat_conduction, "MOST_NODES", len(NODES_M) - 1)
    assert np.abs(temperatures(*case()) - compiled).max() < 0.05


def test_a_balance_that_is_not_found_is_told(monkeypatch):
    monkeypatch.setattr(heat_conduction, "NEWTON_MAX", 1)
    assert SITES >= MANY
    with pytest.raises(ArithmeticError, match="heat balance was not solved"):
        temperatures(*case())
