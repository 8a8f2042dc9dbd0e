"""Validation errors of the models, worded with the keys and values of the file."""

import json
import re
from collections.abc import Iterator
from typing import Any, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from obsplan.common.text import did_you_mean, shortened
from obsplan.inputs.field_types import LINE_PATTERN, NAME_PATTERN
from obsplan.inputs.outcomes import OTHER_NAMES

# What texts of a pattern look like.
PATTERNS = {
    NAME_PATTERN: "must have 1 to 60 characters, no comma, semicolon, quote or line break, and no "
    "space at either end",
    LINE_PATTERN: "must have at most 200 characters and no line break or other control character",
}
# Names that people give to other keys of a table.
MEANT = {
    "heater": "thermostat",  # of a unit
    "now": "at_utc",
    "soc": "state_of_charge",
    "battery": "state_of_charge",
    "charge": "state_of_charge",
    "id": "slot",
    **dict.fromkeys(OTHER_NAMES, "outcome"),
}
BARE_KEY = re.compile("[A-Za-z0-9_-]+")  # other keys of TOML stand in quotes
Loc = tuple[int | str, ...]  # path of an error in the file, as pydantic gives it


def error_line(root: type[BaseModel], raw: dict[str, Any], error: ErrorDetails) -> str:
    """One line for one pydantic error: key path, value, what is wrong, what is allowed.

    `root` is the model that `raw`, the file as parsed, was validated against.
    """
    loc, kind, context = error["loc"], error["type"], error.get("ctx", {})
    where = key_path(raw, loc)
    if kind == "extra_forbidden":
        known, name = _known_keys(root, loc[:-1]), str(loc[-1])
        meant = MEANT.get(name, name)
        if meant not in known and (places := list(_places(root, name))):
            return f"{where}: unknown key here; it belongs {', or '.join(places)}"
        return f"{where}: unknown key; {did_you_mean(meant if meant in known else name, known)}"
    if kind == "missing" and isinstance(loc[-1], int):
        return f"{key_path(raw, loc[:-1])}: must be a pair [low, high]"
    if kind == "missing":
        return f"{where}: required but missing"
    value = "" if isinstance(error["input"], dict | list | tuple) else f" = {shown(error['input'])}"
    limits = _limits(root, loc)
    if kind == "tuple_type" and _contains_tables(root, loc):
        return f"{where}{value}: must be a list of tables, each begun with [[{_heading(loc)}]]"
    if kind == "model_type":
        listed = isinstance(loc[-1], int)
        head = f"[[{_heading(loc)}]]" if listed else f"[{_heading(loc)}]"
        return f"{where}{value}: must be a table, begun with {head} or written in braces"
    message = {
        "float_type": "must be a number",
        "int_type": "must be a whole number",
        "string_type": "must be text in quotes",
        "bool_type": "must be true or false",
        "tuple_type": "must be a list in brackets",
        "finite_number": "must be a finite number",
        "too_short": f"must have {context.get('min_length')} or more entries",
        "too_long": f"must have no more than {context.get('max_length')} entries",
        "string_pattern_mismatch": PATTERNS.get(str(context.get("pattern")), ""),
        "literal_error": f"allowed are {context.get('expected')}",
        "value_error": str(context.get("error", "")),
    }.get(kind)
    if message is None:
        message = f"out of range: allowed is {limits}" if limits else error["msg"]
    elif limits and kind in ("float_type", "int_type"):
        message += f"; allowed is {limits}"
    return f"{where}{value}: {message}"


def shown(value: Any) -> str:
    """A value as written in the file, shortened if it is long."""
    return shortened(f'"{value}"' if isinstance(value, str) else str(value))


def _heading(loc: Loc) -> str:
    return ".".join(part for part in loc if isinstance(part, str))


def _places(model: type[BaseModel], name: str, above: tuple[str, ...] = ()) -> Iterator[str]:
    """Where tables of this name belong, and how they begin there."""
    for key, field in model.model_fields.items():
        inner = model_in(field.annotation)
        if inner is not None and not field.exclude:
            path = ".".join((*above, key))
            if key == name:
                head = f"[[{path}]]" if get_origin(field.annotation) is tuple else f"[{path}]"
                yield f"{_inside(above)}: {head}"
            yield from _places(inner, name, (*above, key))


def _inside(above: tuple[str, ...]) -> str:
    """The place inside these tables: "to a platform", "to the when of an activity"."""
    if not above:
        return "at the top of the file"
    outer, *inner = above
    article = "an" if outer[0] in "aeiou" else "a"
    return "to " + " of ".join([*(f"the {key}" for key in reversed(inner)), f"{article} {outer}"])


def key_path(raw: Any, loc: Loc) -> str:
    """The key as a user finds it: `activity 3 "drive".duration_min`."""
    words = ""
    for part in loc:
        if isinstance(part, int):
            raw = raw[part] if isinstance(raw, list | tuple) and part < len(raw) else None
            name = raw.get("name", raw.get("slot")) if isinstance(raw, dict) else None
            words += f" {part + 1}" + (f' "{shortened(name)}"' if isinstance(name, str) else "")
        else:
            raw = raw.get(part) if isinstance(raw, dict) else None
            written = part if BARE_KEY.fullmatch(part) else json.dumps(part, ensure_ascii=False)
            key = shortened(written)
            words += f".{key}" if words else key
    return words or "the file"


def _field_at(root: type[BaseModel], loc: Loc) -> Any:
    """The field of the key `loc`, or None if the models have no such key."""
    model: type[BaseModel] | None = root
    field: FieldInfo | None = None
    for part in loc:
        if isinstance(part, int):
            continue
        if model is None or part not in model.model_fields:
            return None
        field = model.model_fields[part]
        model = model_in(field.annotation)
    return field


def _contains_tables(root: type[BaseModel], loc: Loc) -> bool:
    field = _field_at(root, loc)
    return field is not None and model_in(field.annotation) is not None


def model_in(annotation: Any) -> type[BaseModel] | None:
    """The model of a field that is a table or a list of tables, else None."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next(filter(None, (model_in(inner) for inner in get_args(annotation))), None)


def _known_keys(root: type[BaseModel], loc: Loc) -> list[str]:
    model = root if not loc else model_in(_field_at(root, loc).annotation)
    assert model, loc  # pydantic names unknown keys of tables only
    return [k for k, f in model.model_fields.items() if not f.exclude]


def _limits(root: type[BaseModel], loc: Loc) -> str:
    """The permitted range of a number, in words, or "" if the field has none."""
    field = _field_at(root, loc)
    limits = {} if field is None else limits_of(field)
    if not limits:
        return ""
    low = f"more than {limits['gt']:.12g}, up" if "gt" in limits else f"{limits['ge']:.12g}"
    return f"{low} to {limits['le']:.12g}"


def limits_of(field: FieldInfo) -> dict[str, float]:
    """The limits of a number or of the numbers in a list: "ge", "gt", "le", "lt" to value."""
    found: dict[str, float] = {}
    for item in metadata_of(field):
        for name in ("ge", "gt", "le", "lt"):
            if getattr(item, name, None) is not None:
                found[name] = getattr(item, name)
    return found


def metadata_of(field: FieldInfo) -> Iterator[Any]:
    """The annotations of a field (limits, forms) beyond its type, nested ones included."""

    def below(metadata: Any, annotation: Any) -> Iterator[Any]:
        for item in metadata:
            yield item
            yield from below(getattr(item, "metadata", ()), None)
        for inner in get_args(annotation):
            yield from below(getattr(inner, "__metadata__", ()), inner)

    yield from below(field.metadata, field.annotation)
