"""Windows obey the algebra of sets, judged cell by cell on small integers."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from obsplan.common.intervals import (
    at_least,
    covered_share,
    from_mask,
    intersect,
    longest_gap,
    subtract,
    union,
)

# No wall-clock deadline on a shared machine, and the same cases every time.
steady = settings(deadline=None, derandomize=True)

CELLS = 24

masks = st.lists(st.booleans(), min_size=CELLS, max_size=CELLS).map(np.array)
any_pairs = st.lists(st.tuples(st.integers(0, CELLS), st.integers(0, CELLS)), max_size=8).map(
    lambda pairs: np.array(pairs, dtype=int).reshape(-1, 2)
)
EPOCH = np.datetime64("2027-03-09T00:00:00", "s")


def to_mask(windows):
    """Which cells lie in a window."""
    return np.array([any(start <= cell < end for start, end in windows) for cell in range(CELLS)])


def assert_windows(windows, mask):
    """The windows cover exactly the mask's cells and are sorted, disjoint and not touching."""
    np.testing.assert_array_equal(to_mask(windows), mask)
    assert windows.shape[1:] == (2,)
    ends = windows.ravel()
    assert np.all(ends[1:] > ends[:-1])


@steady
@given(masks)
def test_mask_comes_back_from_its_windows(mask):
    assert_windows(from_mask(mask), mask)


@steady
@given(any_pairs)
def test_windows_come_back_from_their_mask(pairs):
    windows = union(pairs)
    np.testing.assert_array_equal(from_mask(to_mask(windows)), windows)


@steady
@given(any_pairs)
def test_union_covers_what_any_window_covers(pairs):
    assert_windows(union(pairs), to_mask(pairs))


@steady
@given(masks, masks)
def test_intersection_is_and(a, b):
    assert_windows(intersect(from_mask(a), from_mask(b)), a & b)


@steady
@given(masks, masks)
def test_difference_is_and_not(a, b):
    assert_windows(subtract(from_mask(a), from_mask(b)), a & ~b)


@steady
@given(masks, masks)
def test_difference_and_intersection_share_out_the_first(a, b):
    first, second = from_mask(a), from_mask(b)
    pieces = [subtract(first, second), intersect(first, second)]
    np.testing.assert_array_equal(union(np.concatenate(pieces)), first)


@steady
@given(masks, st.integers(1, CELLS))
def test_at_least_keeps_exactly_the_long_windows(mask, length):
    windows = from_mask(mask)
    kept = [window for window in windows.tolist() if window[1] - window[0] >= length]
    np.testing.assert_array_equal(at_least(windows, length), np.array(kept).reshape(-1, 2))


@steady
@given(masks, masks)
def test_dates_give_the_same_windows_as_counts(a, b):
    edges = EPOCH + np.arange(CELLS + 1) * np.timedelta64(900, "s")
    dated_a, dated_b = from_mask(a, edges), from_mask(b, edges)
    counted_a, counted_b = from_mask(a), from_mask(b)
    for operation in (intersect, subtract):
        dated = operation(dated_a, dated_b)
        assert dated.dtype == edges.dtype
        np.testing.assert_array_equal(dated, edges[operation(counted_a, counted_b)])
    joined = union(np.concatenate([dated_a, dated_b]))
    np.testing.assert_array_equal(joined, edges[union(np.concatenate([counted_a, counted_b]))])


def test_mask_with_edges_names_the_ends_of_its_cells():
    windows = from_mask([True, False, True, True], np.array([0.0, 1.5, 2.0, 7.0, 9.0]))
    np.testing.assert_array_equal(windows, [[0.0, 1.5], [2.0, 9.0]])


@pytest.mark.parametrize("mask", [[], [False, False]])
def test_nothing_true_leaves_no_window(mask):
    nothing = from_mask(mask)
    assert nothing.shape == (0, 2)
    for windows in (union(nothing), intersect(nothing, nothing), subtract(nothing, nothing)):
        assert windows.shape == (0, 2)
    assert at_least(nothing, 1).shape == (0, 2)


def test_windows_that_touch_become_one_and_do_not_intersect():
    np.testing.assert_array_equal(union(np.array([[3, 5], [1, 3]])), [[1, 5]])
    assert intersect(np.array([[1, 3]]), np.array([[3, 5]])).shape == (0, 2)


def test_longest_gap_and_share_of_dated_windows():
    day = np.datetime64("2027-03-09T00:00", "s")
    hour = np.timedelta64(1, "h")
    windows = np.array([[day + 2 * hour, day + 5 * hour], [day + 11 * hour, day + 30 * hour]])
    assert longest_gap(windows, day, day + 24 * hour) == 6 * hour
    assert covered_share(windows, day, day + 24 * hour) == pytest.approx(16 / 24)


def test_gap_is_kept_in_the_finer_unit():
    assert longest_gap(np.array([[0.5, 8.0]]), 0, 10) == 2.0
    first, last = np.datetime64("2027-03-09", "D"), np.datetime64("2027-03-10", "D")
    start = np.datetime64("2027-03-09T12:00:30", "s")
    gap = longest_gap(np.array([[start, np.datetime64("2027-03-11", "s")]]), first, last)
    assert gap == np.timedelta64(12 * 3600 + 30, "s")


def test_no_window_is_all_gap_and_full_cover_none():
    nothing = np.empty((0, 2))
    assert (longest_gap(nothing, 0, 10), covered_share(nothing, 0, 10)) == (10, 0.0)
    assert (longest_gap([[-5, 20]], 0, 10), covered_share([[-5, 20]], 0, 10)) == (0, 1.0)


@steady
@given(st.lists(st.tuples(st.integers(-5, 35), st.integers(-5, 35)), max_size=8))
def test_gap_and_share_agree_with_counting(pairs):
    windows = union(np.array(pairs, dtype=int).reshape(-1, 2))
    covered = np.array([any(a <= cell < b for a, b in windows) for cell in range(30)])
    gaps = from_mask(~covered)
    assert longest_gap(windows, 0, 30) == max(gaps[:, 1] - gaps[:, 0], default=0)
    assert covered_share(windows, 0, 30) == pytest.approx(covered.mean())


def test_windows_of_many_and_of_few_meet_as_pairs_one_by_one():
    rng = np.random.default_rng(7)
    a, b = (np.sort(rng.choice(10_000, 2 * n, replace=False)).reshape(-1, 2) for n in (900, 40))
    pairs = [(max(s, t), min(e, f)) for s, e in a for t, f in b if max(s, t) < min(e, f)]
    np.testing.assert_array_equal(intersect(a, b), pairs)
