"""Sign changes and windows of a signal in time."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from obsplan.physics.crossings import crossings, windows_where

DAY0 = np.datetime64("2027-03-01T00:00:00")
DAY_S = 86400


def at(seconds) -> np.ndarray:
    return DAY0 + np.asarray(seconds).astype("timedelta64[s]")


def since(times) -> np.ndarray:
    return (np.asarray(times) - DAY0) / np.timedelta64(1, "s")


def inside(*windows_s):
    """A signal that is positive in the given windows: seconds to the nearest edge, signed."""

    def signal(times):
        t = since(times)[:, None]
        starts, ends = np.array(windows_s, dtype=float).T
        return np.max(np.minimum(t - starts, ends - t), axis=1)

    return signal


def sine(period_s, offset=0.0):
    return lambda times: np.sin(2 * np.pi * since(times) / period_s) + offset


def test_sine_crossings_alternate_at_the_half_periods():
    found = crossings(sine(20_000.0), at(100), at(100_000))
    assert [rising for _, rising in found] == [False, True] * 4 + [False]
    # The instant is rounded up to a whole second, so it is late by less than one.
    late = since([instant for instant, _ in found]) - np.arange(1, 10) * 10_000
    assert np.all((late >= 0) & (late <= 1))


def test_the_instant_is_the_first_whole_second_on_the_new_side():
    signal = sine(7919.0, offset=0.3)
    for instant, rising in crossings(signal, at(0), at(DAY_S)):
        before, on = signal(np.array([instant - np.timedelta64(1, "s"), instant])) > 0
        assert (before, on) == (not rising, rising)


def test_tolerance_bounds_how_late_the_instant_may_be():
    exact = crossings(sine(20_000.0), at(100), at(100_000))
    rough = crossings(sine(20_000.0), at(100), at(100_000), tolerance_s=30)
    late = since([t for t, _ in rough]) - since([t for t, _ in exact])
    assert np.all((late >= 0) & (late <= 30)) and late.max() > 1


@settings(deadline=None, max_examples=60)
@given(start=st.integers(1, DAY_S - 700), length=st.integers(600, 700))
def test_no_event_of_ten_minutes_is_missed(start, length):
    windows = windows_where(inside((start, start + length)), at(0), at(DAY_S))
    # Positive strictly inside, hence from one second after the edge.
    assert since(windows).tolist() == [[start + 1, start + length]]


@settings(deadline=None, max_examples=60)
@given(start=st.integers(700, DAY_S - 700), length=st.integers(70, 600))
def test_events_that_hide_between_two_samples_are_found(start, length):
    windows = windows_where(inside((start, start + length)), at(0), at(DAY_S))
    assert since(windows).tolist() == [[start + 1, start + length]]


@settings(deadline=None, max_examples=60)
@given(start=st.integers(700, DAY_S - 700), length=st.integers(70, 600))
def test_gaps_that_hide_between_two_samples_are_found(start, length):
    event = inside((start, start + length))
    windows = windows_where(lambda times: -event(times), at(0), at(DAY_S))
    assert since(windows).tolist() == [[0, start], [start + length + 1, DAY_S]]


def test_a_grazing_arc_of_two_minutes_is_found_wherever_the_scan_falls():
    for shift in range(0, 600, 50):
        peak = 40_000.0 + shift

        def arc(times):
            return 60.0**2 - (since(times) - peak) ** 2

        ((start, end),) = since(windows_where(arc, at(0), at(DAY_S)))
        assert abs(start - (peak - 60)) <= 1 and abs(end - (peak + 60)) <= 1


def test_an_event_shorter_than_a_step_at_the_very_beginning_is_found():
    assert len(windows_where(inside((100, 400)), at(0), at(DAY_S))) == 1


def test_windows_are_clipped_to_the_range():
    windows = windows_where(inside((-5000, 2000), (80_000, 100_000)), at(0), at(DAY_S))
    assert since(windows).tolist() == [[0, 2000], [80_001, DAY_S]]


def test_always_and_never():
    always = windows_where(lambda t: np.ones(len(t)), at(0), at(DAY_S))
    assert since(always).tolist() == [[0, DAY_S]]
    assert windows_where(lambda t: -np.ones(len(t)), at(0), at(DAY_S)).shape == (0, 2)
    assert windows_where(lambda t: np.zeros(len(t)), at(0), at(DAY_S)).shape == (0, 2)
    assert crossings(lambda t: np.ones(len(t)), at(0), at(DAY_S)) == []


@pytest.mark.parametrize("last", [0, -600])
def test_a_range_without_length_has_no_events(last):
    assert crossings(sine(900.0), at(0), at(last)) == []
    assert windows_where(lambda t: np.ones(len(t)), at(0), at(last)).shape == (0, 2)


def test_windows_come_as_whole_seconds():
    assert windows_where(sine(5000.0), at(0), at(DAY_S)).dtype == "datetime64[s]"


def test_short_gaps_are_closed_and_lone_flicker_is_left_out():
    flicker = inside((10_000, 12_000), (12_040, 14_000), (30_000, 30_040))
    merged = windows_where(flicker, at(0), at(DAY_S))
    assert since(merged).tolist() == [[10_001, 14_000]]
    every = windows_where(flicker, at(0), at(DAY_S), merge_s=0)
    assert since(every).tolist() == [[10_001, 12_000], [12_041, 14_000], [30_001, 30_040]]


def test_a_window_cut_short_by_the_range_is_kept():
    windows = windows_where(inside((-9000, 20), (DAY_S - 20, DAY_S + 9000)), at(0), at(DAY_S))
    assert since(windows).tolist() == [[0, 20], [DAY_S - 19, DAY_S]]


@settings(deadline=None, max_examples=40)
@given(
    st.lists(st.integers(1, 40), min_size=1, max_size=8),
    st.lists(st.integers(1, 40), min_size=8, max_size=8),
)
def test_windows_and_gaps_share_their_edges(lengths, gaps):
    """What is positive and what is not fill the range without overlap."""
    edges = np.cumsum(np.ravel(list(zip(gaps, lengths))))[: 2 * len(lengths)] * 300.0 + 0.5
    signal = inside(*edges.reshape(-1, 2))
    on = since(windows_where(signal, at(0), at(DAY_S), merge_s=0))
    off = since(windows_where(lambda t: -signal(t), at(0), at(DAY_S), merge_s=0))
    parts = np.concatenate([on, off])
    parts = parts[np.argsort(parts[:, 0])]
    assert parts[0, 0] == 0 and parts[-1, 1] == DAY_S
    assert np.array_equal(parts[1:, 0], parts[:-1, 1])


def test_a_long_scan_is_asked_for_in_pieces():
    sizes = []

    def signal(times):
        sizes.append(len(times))
        return sine(3e6)(times)

    found = crossings(signal, at(100), at(1_000 * DAY_S))
    assert len(found) == 57  # half periods inside the range
    assert max(sizes) <= 50_000 < sum(sizes)
