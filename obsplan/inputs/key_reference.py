"""Every key of the scenario, the telemetry file and the timeline, as `obsplan keys` prints them.

The models are the source: kinds and limits from their fields, descriptions from the text
under each field.
"""

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from types import UnionType
from typing import Any, Literal, NamedTuple, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from obsplan.inputs.error_text import limits_of, metadata_of, model_in
from obsplan.inputs.field_types import Form
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.telemetry_file import State
from obsplan.inputs.timeline_columns import (
    COMPARED,
    NEEDED,
    PLACES,
    READ_COLUMNS,
    REPLANNED,
    TIMELINE,
    Column,
)

# The unit that each ending of a name stands for, longer endings first.
UNITS = {
    "_mbit_per_m": "Mbit/m",
    "_ebn0_db": "dB",
    "_db_k": "dB/K",
    "_per_k": "1/K",
    "per_day": "1/day",
    "_w_m2": "W/m2",
    "_kbps": "kbit/s",
    "_mbit": "Mbit",
    "_j_k": "J/K",
    "_w_k": "W/K",
    "_mhz": "MHz",
    "_dbw": "dBW",
    "_dbi": "dBi",
    "_deg": "deg",
    "_min": "min",
    "_utc": "UTC",
    "_db": "dB",
    "_m2": "m2",
    "_wh": "Wh",
    "_h": "h",
    "_k": "K",
    "_m": "m",
    "_w": "W",
}


class Key(NamedTuple):
    """A key of a table, or a column of a CSV.

    unit: "" without one. default: "required", "optional" or the value as TOML has it; for a
        column also "compared", if a reader only compares it with the rest of the row and the
        scenario, and "written", if it is not read.
    """

    name: str
    unit: str
    default: str
    allowed: str
    description: str


class Part(NamedTuple):
    """A table of a file. heading: how it begins in the file. summary: one line about it."""

    name: str
    heading: str
    summary: str
    description: str
    keys: tuple[Key, ...]


def parts() -> dict[str, Part]:
    """All parts that `obsplan keys` explains, by name: platform.battery, timeline and so on."""
    found = [
        *_tables(Scenario, "scenario", (), "the scenario"),
        *_tables(State, "telemetry", ("telemetry",), "the telemetry file"),
        _timeline(),
    ]
    return {part.name: part for part in found}


def _timeline() -> Part:
    """The columns of timeline.csv, and which of them a reader needs."""
    summary = "The timeline that a plan writes and that check, replan and compare read."
    description = (
        f"{summary} A timeline that is edited by hand needs only the required columns, and "
        "end_utc for rows of the radio. Columns marked compared may be left out or empty, but must "
        "fit the rest of their row; columns that are only written are ignored. With stops "
        "there are the columns stop and from_stop; a replan adds reason and why."
    )
    heading = "columns of timeline.csv"
    return columns_part(
        "timeline", heading, summary, description, TIMELINE + PLACES + REPLANNED, _read
    )


def _read(column: Column) -> str:
    """Whether a reader of the timeline requires, takes, only compares or ignores a column."""
    if column.name not in READ_COLUMNS:
        return "compared" if column.name in COMPARED else "written"
    return "required" if column.name in NEEDED else "optional"


def columns_part(
    name: str,
    heading: str,
    summary: str,
    description: str,
    columns: Sequence[Column],
    default: Callable[[Column], str] = lambda column: "written",
) -> Part:
    """The part that explains the columns of a table."""
    keys = tuple(
        Key(
            column.name,
            column.unit or unit_of(column.name),
            default(column),
            "",
            f"{column.meaning[0].upper()}{column.meaning[1:]}.",
        )
        for column in columns
    )
    return Part(name, heading, summary, description, keys)


def unit_of(name: str) -> str:
    """The unit that a name ends in, "" if there is none."""
    return next((unit for ending, unit in UNITS.items() if name.endswith(ending)), "")


def _tables(model: type[BaseModel], name: str, path: tuple[str, ...], file: str) -> Iterator[Part]:
    """The part of a file's top level, then those of the tables in it."""
    yield _part(model, name, f"top of {file}")
    yield from _below(model, path, "", file)


def _part(model: type[BaseModel], name: str, heading: str) -> Part:
    summary = _paragraphs(model.__doc__)[0]
    return Part(name, heading, summary, _joined(model.__doc__), tuple(_keys(model)))


def _below(model: type[BaseModel], path: tuple[str, ...], above: str, file: str) -> Iterator[Part]:
    """The parts of the tables in a model, whose own heading is `above`."""
    for name, field in model.model_fields.items():
        inner = model_in(field.annotation)
        if inner is None:
            continue
        listed = get_origin(field.annotation) is tuple
        inside = f"{above}.{name}" if above else name
        heading = f"[[{inside}]]" if listed else f"[{inside}]"
        here = (*path, name)
        yield _part(inner, ".".join(here), f"{heading} of {file}")
        yield from _below(inner, here, inside, file)


def _keys(model: type[BaseModel]) -> Iterator[Key]:
    for name, field in model.model_fields.items():
        if not field.exclude:
            table = model_in(field.annotation) is not None
            unit = "" if table else unit_of(name)
            description = _joined(field.description)
            yield Key(name, unit, _default(field, table), _allowed(field, table), description)


def _default(field: FieldInfo, table: bool) -> str:
    if field.is_required():
        return "required"
    value = field.default
    if table or value is None or value is PydanticUndefined or value in ((), ""):
        return "optional"
    return _toml(value)


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, tuple):
        return f"[{', '.join(map(_toml, value))}]"
    return f'"{value}"' if isinstance(value, str) else f"{value:g}"


def _allowed(field: FieldInfo, table: bool) -> str:
    """What a value may be: its form, its choices or its range."""
    listed = get_origin(field.annotation) is tuple
    if table:
        return "list of tables" if listed else "table"
    forms = [item.words for item in metadata_of(field) if isinstance(item, Form)]
    if forms:
        return forms[0]
    kinds = set(_kinds(field.annotation))
    choices = [choice for kind in kinds if get_origin(kind) is Literal for choice in get_args(kind)]
    if choices:
        return ", ".join(map(_toml, choices))
    limits = limits_of(field)
    if limits:
        low = f"above {limits['gt']:g}" if "gt" in limits else f"{limits['ge']:g}"
        each = "list, each " if listed else "whole, " if int in kinds else ""
        return f"{each}{low} to {limits['le']:g}"
    words = {bool: "true or false", str: "text", datetime: "time", int: "whole number"}
    return next((words[kind] for kind in kinds if kind in words), "number")


def _kinds(annotation: Any) -> Iterator[Any]:
    """The types that an annotation allows, without None."""
    if get_origin(annotation) in (Union, UnionType):
        for inner in get_args(annotation):
            yield from _kinds(inner)
    elif hasattr(annotation, "__metadata__"):
        yield from _kinds(get_args(annotation)[0])
    elif annotation is not type(None):
        yield annotation


def _paragraphs(text: str | None) -> list[str]:
    """Paragraphs of a docstring, each as one line."""
    return [" ".join(part.split()) for part in (text or "").split("\n\n")]


def _joined(text: str | None) -> str:
    return " ".join(_paragraphs(text))
