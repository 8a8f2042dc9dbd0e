"""Kinds of values in a scenario: numbers with their limits, times, ranges, names."""

import math
from datetime import datetime
from typing import Annotated, Any, NamedTuple, TypeVar

from pydantic import AfterValidator, BeforeValidator, Field

from obsplan.common.instants import WRITE_IT_LIKE, in_utc, instant_from
from obsplan.common.model_files import MODEL_SUFFIXES


def _utc(value: Any) -> datetime:
    if isinstance(value, str):
        instant = instant_from(value)
    elif isinstance(value, datetime):
        instant = in_utc(value)
    else:
        raise ValueError(f"not a time; {WRITE_IT_LIKE}")
    if instant.second or instant.microsecond:
        raise ValueError("the time must be a whole minute")
    return instant


def list_as_tuple(value: Any) -> Any:
    """A list as a tuple, anything else as it is."""
    return tuple(value) if isinstance(value, list) else value


def _rising_pair(value: tuple[float, float]) -> tuple[float, float]:
    if any(math.isnan(bound) for bound in value) or value[0] > value[1]:
        raise ValueError("the range must be [low, high] with low <= high")
    return value


def _hours_of_day(value: tuple[float, float]) -> tuple[float, float]:
    if not all(0 <= bound <= 24 for bound in value):
        raise ValueError("the range must be [from, to] with both from 0 to 24 h")
    return value


def _longitudes(value: tuple[float, float]) -> tuple[float, float]:
    if not all(-180 <= bound <= 180 for bound in value):
        raise ValueError("the range must be [from, to] with both from -180 to 180 deg")
    return value


def _rising(value: tuple[float, ...]) -> tuple[float, ...]:
    if any(b <= a for a, b in zip(value, value[1:])):
        raise ValueError("the bin edges must rise")
    return value


def _kelvin_pair(value: tuple[float, float]) -> tuple[float, float]:
    if -math.inf < value[0] < 0:
        raise ValueError("kelvin are never below 0; add 273.15 to degrees Celsius")
    return value


def file_names(value: Any) -> Any:
    """One file name, or several of elevation models as a tuple; raises ValueError for others."""
    several = isinstance(value, list | tuple)
    names = tuple(value) if several else (value,)
    if not names or not all(isinstance(name, str) for name in names):
        raise ValueError("must be a file name in quotes, or a list of them in brackets")
    if several and not all(name.lower().endswith(MODEL_SUFFIXES) for name in names):
        allowed = ", ".join(MODEL_SUFFIXES)
        raise ValueError(f"a list may contain only elevation models: {allowed}")
    return names if several else value


class Form(NamedTuple):
    """The form of a value in words, as `obsplan keys` shows it."""

    words: str


T = TypeVar("T")
Several = Annotated[tuple[T, ...], BeforeValidator(list_as_tuple)]  # written as a list
Number = Annotated[float, Field(allow_inf_nan=False)]
# Limits far above those of any spacecraft: a typing error must not spoil the arithmetic.
NotNegative = Annotated[Number, Field(ge=0, le=1e9)]
Positive = Annotated[Number, Field(ge=1e-6, le=1e9)]
Decibel = Annotated[Number, Field(ge=-300, le=300)]
Share = Annotated[Number, Field(ge=0, le=1)]
Efficiency = Annotated[Number, Field(ge=0.01, le=1)]
Latitude = Annotated[Number, Field(ge=-90, le=90)]
Longitude = Annotated[Number, Field(ge=-180, le=360)]
Azimuth = Annotated[Number, Field(ge=0, le=360)]
Elevation = Annotated[Number, Field(ge=-10, le=90)]
Slope = Annotated[Number, Field(ge=0, le=90)]
Minutes = Annotated[int, Field(ge=1, le=60_000)]
Pause = Annotated[int, Field(ge=0, le=1440)]  # minutes
# Names are written to CSV cells, which are read without the spaces around them.
NAME_PATTERN = r'^[^\p{Z}\p{Cc},;"]([^\p{Zl}\p{Zp}\p{Cc},;"]{0,58}[^\p{Z}\p{Cc},;"])?$'
Name = Annotated[str, Field(pattern=NAME_PATTERN), Form("name")]
LINE_PATTERN = r"^[^\p{Zl}\p{Zp}\p{Cc}]{0,200}$"
Line = Annotated[str, Field(pattern=LINE_PATTERN), Form("text in one line")]
Utc = Annotated[datetime, BeforeValidator(_utc), Form("2028-07-01T00:00:00Z")]
Pair = Annotated[tuple[float, float], BeforeValidator(list_as_tuple)]
Range = Annotated[Pair, AfterValidator(_rising_pair), Form("[low, high]")]
KelvinRange = Annotated[Range, AfterValidator(_kelvin_pair), Form("[low, high], 0 or more")]
HoursOfDay = Annotated[Pair, AfterValidator(_hours_of_day), Form("[from, to], 0 to 24")]
LongitudeRange = Annotated[Pair, AfterValidator(_longitudes), Form("[from, to], -180 to 180")]
Names = Annotated[tuple[Name, ...], BeforeValidator(list_as_tuple), Form("list of names")]
# One file, or several elevation models.
Files = Annotated[
    str | tuple[str, ...], BeforeValidator(file_names), Form("file name or list of them")
]
RisingEdges = Annotated[
    Several[Number], Field(min_length=2), AfterValidator(_rising), Form("list of rising numbers")
]
