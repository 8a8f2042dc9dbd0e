"""Instants as text, ISO 8601 in UTC with Z, and back."""

import re
from datetime import UTC, datetime, timedelta

MINUTE = timedelta(minutes=1)
YEARS = (1900, 2200)
WRITE_IT_LIKE = "write it like 2028-07-01T00:00:00Z"
NO_TIME_OF_DAY = f"no time of day; {WRITE_IT_LIKE}"


def stamp(instant: datetime) -> str:
    """An instant for a sentence, like 2028-07-01T00:00Z, with seconds only if there are any."""
    return full_stamp(instant) if instant.second else f"{instant:%Y-%m-%dT%H:%MZ}"


def full_stamp(instant: datetime) -> str:
    """An instant for a file, like 2028-07-01T00:00:00Z."""
    return f"{instant:%Y-%m-%dT%H:%M:%SZ}"


def instant_from(text: str) -> datetime:
    """The instant, in UTC, that an ISO 8601 text with a zone names.

    Raises ValueError that says what is wrong and what is allowed.
    """
    instant = _parsed(text)
    if len(text) <= len("2028-07-01"):
        raise ValueError(NO_TIME_OF_DAY)
    return in_utc(instant)


def utc_from(text: str) -> datetime:
    """The instant that a text in a column named `_utc` names: UTC, if it does not say otherwise.

    The form is that of `instant_from`, or as spreadsheets write it: "2028-07-01 00:45",
    "2028-07-01 00:45 UTC". Raises ValueError that says what is wrong and what is allowed.
    """
    text = re.sub(r"\s*(z|utc)$", "", text, flags=re.IGNORECASE)
    instant = _parsed(text)
    if not re.search(r"[T ]\d\d:?\d\d", text):
        raise ValueError(NO_TIME_OF_DAY)
    return in_utc(instant if instant.tzinfo else instant.replace(tzinfo=UTC))


def _parsed(text: str) -> datetime:
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"not a time; {WRITE_IT_LIKE}") from None


def in_utc(instant: datetime) -> datetime:
    """The same instant in UTC; raises ValueError if it has no zone or an odd year."""
    if instant.tzinfo is None:
        raise ValueError("the time has no zone; end it with Z for UTC")
    if not YEARS[0] <= instant.year <= YEARS[1]:
        raise ValueError(f"the year is out of range; allowed are {YEARS[0]} to {YEARS[1]}")
    return instant.astimezone(UTC)
