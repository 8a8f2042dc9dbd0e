"""The station in use: the fastest, with few handovers and a pause at each."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from obsplan.environment.station_choice import assign_stations


def test_station_changes_only_for_a_tenth_more_or_when_it_ends():
    rates = [
        [100, 100, 100, 100, 000, 000, 100],
        [000, 105, 110, 111, 100, 000, 105],
    ]
    np.testing.assert_array_equal(assign_stations(rates), [0, 0, 0, 1, 1, -1, 1])


def test_first_contact_goes_to_the_fastest_station_and_ties_to_the_first():
    np.testing.assert_array_equal(assign_stations([[10, 0], [20, 0], [20, 5]]), [1, 2])


def test_handover_pauses_until_enough_steps_have_passed():
    rates = [[50, 50, 0, 0, 0, 0], [0, 0, 50, 50, 50, 50]]
    np.testing.assert_array_equal(assign_stations(rates, handover_steps=2), [0, 0, -1, -1, 1, 1])


def test_gap_between_contacts_counts_towards_the_handover():
    rates = [[50, 0, 0, 0, 0], [0, 0, 50, 50, 50]]
    np.testing.assert_array_equal(assign_stations(rates, handover_steps=1), [0, -1, 1, 1, 1])
    np.testing.assert_array_equal(assign_stations(rates, handover_steps=2), [0, -1, -1, 1, 1])


def test_pause_of_a_handover_is_not_paid_for_less_than_it_costs():
    slow, fast = [50] * 10, [0, 0, 100, 100, 100, 0, 0, 0, 0, 0]
    # Three steps at twice the rate gain 150; two pauses of two steps would cost more.
    np.testing.assert_array_equal(assign_stations([slow, fast], handover_steps=2), [0] * 10)
    np.testing.assert_array_equal(
        assign_stations([slow, fast], handover_steps=0), [0, 0, 1, 1, 1, 0, 0, 0, 0, 0]
    )
    longer = [0, 0, 100, 100, 100, 100, 100, 100, 100, 100]
    np.testing.assert_array_equal(
        assign_stations([slow, longer], handover_steps=2), [0, 0, -1, -1, 1, 1, 1, 1, 1, 1]
    )


def test_station_back_before_another_was_used_goes_on_without_a_pause():
    rates = [[50, 0, 50, 50], [0, 20, 0, 0]]
    np.testing.assert_array_equal(assign_stations(rates, handover_steps=1), [0, -1, 0, 0])


def test_two_rates_that_cross_slowly_change_stations_once_at_most():
    minutes = np.arange(600)
    rising, falling = 100 + minutes / 20, 130 - minutes / 20
    ripple = 3 * np.sin(minutes / 7)  # less than a tenth
    for handover_steps in (0, 10):
        used = assign_stations([falling + ripple, rising - ripple], handover_steps=handover_steps)
        assert np.count_nonzero(np.diff(used[used >= 0])) == 1


def test_without_stations_none_is_used():
    np.testing.assert_array_equal(assign_stations(np.empty((0, 3))), [-1, -1, -1])


station_rates = st.integers(1, 4).flatmap(
    lambda stations: st.lists(
        st.lists(st.sampled_from([0, 0, 50, 54, 60, 100]), min_size=stations, max_size=stations),
        max_size=40,
    ).map(lambda steps: np.array(steps, dtype=float).reshape(-1, stations).T)
)


@given(station_rates)
def test_station_in_use_always_sends_within_a_tenth_of_the_best(rates):
    used = assign_stations(rates)
    best = rates.max(axis=0)
    np.testing.assert_array_equal(used >= 0, best > 0)
    steps = np.flatnonzero(used >= 0)
    assert np.all(1.1 * rates[used[steps], steps] >= best[steps])


@given(station_rates, st.integers(0, 4))
def test_handover_leaves_its_pause_between_any_two_stations(rates, handover_steps):
    used = assign_stations(rates, handover_steps=handover_steps)
    steps = np.flatnonzero(used >= 0)
    assert np.all(rates[used[steps], steps] > 0)
    changes = used[steps][1:] != used[steps][:-1]
    assert np.all(np.diff(steps)[changes] > handover_steps)


@given(station_rates, st.integers(0, 4))
def test_stations_change_no_more_often_than_the_rates_force(rates, handover_steps):
    used = assign_stations(rates, handover_steps=handover_steps)
    steps = np.flatnonzero(used >= 0)
    changes = np.flatnonzero(np.diff(used[steps]))
    fastest = rates.argmax(axis=0)
    assert len(changes) <= np.count_nonzero(np.diff(fastest))
    # Each has a cause since the other was last used: it ended, or is a tenth too slow.
    for before, after in zip(steps[changes], steps[changes + 1]):
        held = rates[used[before], before + 1 : after + 1]
        best = rates[:, before + 1 : after + 1].max(axis=0)
        assert np.any((held == 0) | (best > 1.1 * held))


@given(station_rates)
def test_a_longer_pause_never_carries_more_than_no_pause(rates):
    def carried(handover_steps):
        used = assign_stations(rates, handover_steps=handover_steps)
        steps = np.flatnonzero(used >= 0)
        return rates[used[steps], steps].sum()

    # Without a pause each step is within a tenth of the best there is.
    assert all(carried(pause) <= 1.1 * carried(0) + 1e-9 for pause in (1, 2, 5))  # rounding
