"""Instants as text and back."""

from datetime import UTC, datetime, timedelta, timezone

import pytest

from obsplan.common.instants import full_stamp, in_utc, instant_from, stamp, utc_from


def test_a_stamp_has_seconds_only_if_there_are_any_and_a_file_always():
    noon = datetime(2028, 7, 1, 12, tzinfo=UTC)
    assert stamp(noon) == "2028-07-01T12:00Z"
    assert stamp(noon + timedelta(seconds=5)) == "2028-07-01T12:00:05Z"
    assert full_stamp(noon) == "2028-07-01T12:00:00Z"
    assert instant_from(stamp(noon)) == instant_from(full_stamp(noon)) == noon


def test_another_zone_becomes_utc():
    instant = instant_from("2028-07-01T02:00:00+02:00")
    assert instant == datetime(2028, 7, 1, tzinfo=UTC) and instant.tzinfo is UTC


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("soon", "not a time; write it like 2028-07-01T00:00:00Z"),
        ("2028-07-01", "no time of day; write it like 2028-07-01T00:00:00Z"),
        ("2028-07-01T00:00:00", "the time has no zone; end it with Z for UTC"),
        ("1899-12-31T00:00:00Z", "the year is out of range; allowed are 1900 to 2200"),
    ],
)
def test_what_is_wrong_with_a_text_is_said(text, words):
    with pytest.raises(ValueError, match=words):
        instant_from(text)


@pytest.mark.parametrize(
    "text",
    [
        "2029-03-21 00:45",
        "2029-03-21T00:45:00",
        "2029-03-21 00:45:00 UTC",
        "2029-03-21T00:45Z",
        "2029-03-21 00:45:00z",
        "20290321T0045",
        "2029-03-21 01:45+01:00",
    ],
)
def test_in_a_column_of_utc_a_time_without_a_zone_is_utc(text):
    instant = utc_from(text)
    assert instant == datetime(2029, 3, 21, 0, 45, tzinfo=UTC) and instant.tzinfo is UTC


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("2029-03-21", "no time of day; write it like 2028-07-01T00:00:00Z"),
        ("2029-03-21Z", "no time of day"),
        ("2029-03-21 00", "no time of day"),
        ("21.3.2029 00:45", "not a time"),
        ("", "not a time"),
        ("Z", "not a time"),
        ("2029-03-21T00:45 UTCZ", "not a time"),
        ("2201-03-21 00:45", "year is out of range"),
    ],
)
def test_what_is_no_time_of_day_is_refused_in_a_column_of_utc(text, words):
    with pytest.raises(ValueError, match=words):
        utc_from(text)


def test_the_ends_of_the_calendar_are_refused_before_a_zone_moves_them():
    for year, hours in ((1, 12), (9999, -12)):
        edge = datetime(year, 1 if year == 1 else 12, 1 if year == 1 else 31)
        with pytest.raises(ValueError, match="year is out of range"):
            in_utc(edge.replace(tzinfo=timezone(timedelta(hours=hours))))
