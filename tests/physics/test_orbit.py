"""Orbits are interpolated as declared, and never from one piece into the next."""

import numpy as np
import pytest
from tools.orbits import circle, period_s

from obsplan.physics.orbit import (
    Piece,
    interpolated_km,
    piece_at,
    position_km,
    uncertainty_km,
    uncovered,
)

EPOCH_S = 9.0e8


def piece(step_s=60.0, count=120, kind="HERMITE", nodes=4, begin_s=0.0, **of):
    seconds = begin_s + step_s * np.arange(count)
    states = np.array([circle(second, **of) for second in seconds])
    tdb_s = EPOCH_S + seconds
    ends = float(tdb_s[0]), float(tdb_s[-1])
    return Piece(
        "a: segment 1", tdb_s, states[:, :3], states[:, 3:], *ends, kind == "HERMITE", nodes
    )


def truth(tdb_s):
    return np.array([circle(second - EPOCH_S)[:3] for second in tdb_s])


TIMES_S = EPOCH_S + np.linspace(0.0, 7080.0, 777)


@pytest.mark.parametrize(
    ("kind", "nodes", "step_s", "most_km"),
    [
        ("HERMITE", 4, 60.0, 2e-7),
        ("HERMITE", 4, 240.0, 3e-5),
        ("HERMITE", 8, 600.0, 1e-6),
        ("LAGRANGE", 8, 60.0, 2e-6),
        ("LAGRANGE", 9, 60.0, 2e-6),
        ("LAGRANGE", 12, 240.0, 1e-6),
        ("LAGRANGE", 2, 60.0, 0.7),
    ],
)
def test_interpolation_keeps_to_the_orbit(kind, nodes, step_s, most_km):
    there = piece(step_s, round(7080 / step_s) + 3, kind, nodes)
    off_km = np.linalg.norm(interpolated_km(there, TIMES_S) - truth(TIMES_S), axis=1)
    assert off_km.max() < most_km
    if nodes == 2:  # a straight line sags by r (n dt)^2 / 8
        sag_km = 1837.4 * (2 * np.pi / period_s(100.0) * step_s) ** 2 / 8
        assert off_km.max() == pytest.approx(sag_km, rel=1e-2)


def test_two_spacings_of_one_orbit_agree_to_a_millimetre():
    """Hermite of degree 7 and Lagrange of degree 9, as OEM files of low orbits declare."""
    for kind, nodes, steps_s in (("HERMITE", 4, (60.0, 120.0)), ("LAGRANGE", 10, (30.0, 60.0))):
        found = [
            interpolated_km(piece(step, round(7200 / step) + 1, kind, nodes), TIMES_S)
            for step in steps_s
        ]
        assert np.abs(found[0] - found[1]).max() < 1e-6


def test_states_are_met_exactly():
    there = piece()
    assert np.abs(interpolated_km(there, there.tdb_s) - there.position_km).max() < 1e-9


def test_pieces_are_not_mixed_and_the_later_one_counts_at_the_seam():
    """An engine fires between them: the second piece is another orbit."""
    first = piece(count=60)
    second = piece(count=60, begin_s=3540.0, node_deg=50.0)
    orbit = [first, second]
    seam_s = first.last_s
    assert piece_at(orbit, np.array([seam_s - 1e-3, seam_s, seam_s + 1e-3])).tolist() == [0, 1, 1]
    before_s = np.array([seam_s - 30.0, seam_s - 1e-3])
    assert pytest.approx(truth(before_s), abs=1e-5) == position_km(orbit, before_s).T
    expected = np.array([circle(3570.0, node_deg=50.0)[:3]])
    assert pytest.approx(expected, abs=1e-5) == position_km(orbit, np.array([seam_s + 30.0])).T


def test_outside_usable_times_nothing_is_computed():
    there = piece()._replace(first_s=EPOCH_S + 100.0, last_s=EPOCH_S + 200.0)
    orbit = [there]
    for second in (99.9, 200.1):
        with pytest.raises(ValueError, match="no piece of the orbit covers TDB 9000"):
            position_km(orbit, np.array([EPOCH_S + second]))
    # States outside still shape the polynomial: they belong to the same arc.
    at_s = np.array([EPOCH_S + 100.0, EPOCH_S + 200.0])
    assert pytest.approx(truth(at_s), abs=1e-6) == position_km(orbit, at_s).T


def test_what_no_piece_covers():
    orbit = [piece(count=2, begin_s=0.0), piece(count=2, begin_s=100.0)]
    first_s, last_s = EPOCH_S - 10.0, EPOCH_S + 200.0
    assert uncovered(orbit, first_s, last_s) == [
        (first_s, EPOCH_S),
        (EPOCH_S + 60.0, EPOCH_S + 100.0),
        (EPOCH_S + 160.0, last_s),
    ]
    assert uncovered(orbit, EPOCH_S, EPOCH_S + 60.0) == []
    assert uncovered([], first_s, last_s) == [(first_s, last_s)]


def test_a_hole_between_states_shows_as_uncertainty():
    for kind, nodes in (("HERMITE", 4), ("LAGRANGE", 8), ("HERMITE", 2), ("LAGRANGE", 2)):
        whole = piece(kind=kind, nodes=nodes)
        assert uncertainty_km(whole).max() < (1.0 if nodes > 2 else 0.7)
        kept = np.r_[0:40, 75:120]
        holed = whole._replace(
            tdb_s=whole.tdb_s[kept],
            position_km=whole.position_km[kept],
            velocity_km_s=whole.velocity_km_s[kept],
        )
        off_km = uncertainty_km(holed)
        assert off_km.argmax() == 39 and off_km.max() > 2.0
