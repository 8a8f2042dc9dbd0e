"""Mangles the content of input files, seeded: what hands, spreadsheets, disks and ill will do.

`mangled(kind, content, rng)` returns other content and what was done to it in words. Kinds are
toml, csv, tif and text; each has mutations of its own, and those of any file. A kind such as
"toml after first_runs_in_contact" changes a TOML file below the keys of these names only.
"""

import csv
import io
import json
import re
import tomllib
from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta
from random import Random
from typing import Any

Mutation = Callable[[bytes, Random], bytes]

NUMBERS = [
    *(0, -1, 1, 7, 1e9, 60_001, 2**63, -(2**63), 10**400, 1e308, -1e308, 1e-320, -0.0, 0.1 + 0.2),
    *(float("nan"), float("inf"), float("-inf"), 91, -181, 361, 1e-7, 0.5),
]
DATES = [
    *(datetime(1950, 1, 1, tzinfo=UTC), datetime(2200, 12, 31, 23, 59, tzinfo=UTC)),
    *(datetime(1, 1, 1, tzinfo=UTC), datetime(9999, 12, 31, tzinfo=UTC), datetime(2028, 7, 5)),
    *(datetime(2028, 7, 5, 3, 0, 30, tzinfo=UTC), datetime(2028, 7, 5, 6, tzinfo=UTC)),
    *(date(2028, 7, 5), time(3, 0)),
]
TEXTS = [
    *("", " ", "\0", "a\nb", "\x1b[31mred\x07", "\u202eabc", "e\u0301", "\u200b", "\U0001f680"),
    *("ﬁve", "１２", "NaN", "true", "=1+1", "@x", "'", '"', "a,b", "a;b", "../x", "/dev/zero", "."),
    *("x" * 61, "y" * 5000, "z" * 1_000_000, "earth", "flat", "lander downlink", "sweep", "probe"),
    *("2028-07-05 01:00", "2028-07-05T01:00:00+02:00", "1950-01-01T00:00:00Z", "2200-01-01 00:00"),
    *("2028-07-05", "03:00", "45842.125", "-1", "1e309", "1,5", "0x10", "1_0", "-0", "99999999999"),
]
NO_TEXT = ("tif", "bytes")
VALUES: list[Any] = [*NUMBERS, *DATES, *TEXTS, True, False, [], {}, [1, 2, 3], {"a": 1}, [[[]]]]


def mangled(kind: str, content: bytes, rng: Random) -> tuple[bytes, str]:
    """Other content after one to three mutations, and their names."""
    changed, done = content, []
    while changed == content:  # some mutations do not apply, or change nothing here
        changed, done = _mutated(kind, content, rng)
    return changed, ", ".join(done)


def _mutated(kind: str, content: bytes, rng: Random) -> tuple[bytes, list[str]]:
    done = []
    for _ in range(rng.choice([1, 1, 1, 2, 3])):
        # Most files that are broken as such are refused at once; those that are not go further.
        other = ANY_FILE if kind in NO_TEXT else TEXT
        choice = rng.choice([OWN[kind]] * 4 + [other, ANY_FILE])
        name, mutation = rng.choice(list(choice.items()))
        try:
            content = mutation(content, rng)
        except (ValueError, LookupError, ArithmeticError, RecursionError, csv.Error):
            continue  # too broken already for this one
        done.append(name)
    return content, done


# ------------------------------------------------------------------------------- any file


def _flipped_bits(content: bytes, rng: Random) -> bytes:
    changed = bytearray(content)
    for _ in range(rng.choice([1, 1, 3, 30])):
        changed[rng.randrange(len(changed))] ^= 1 << rng.randrange(8)
    return bytes(changed)


def _other_bytes(content: bytes, rng: Random) -> bytes:
    at = rng.randrange(len(content) + 1)
    noise = rng.choice([b"\0", b"\xff\xfe", b"\xc3", b"\x1b[2J", b"\r", b"\n\n", rng.randbytes(9)])
    return content[:at] + noise + content[at + rng.choice([0, len(noise)]) :]


def _doubled_part(content: bytes, rng: Random) -> bytes:
    first, last = sorted(rng.randrange(len(content) + 1) for _ in range(2))
    return content[:last] + content[first:last] * rng.choice([1, 1, 40]) + content[last:]


ANY_FILE: dict[str, Mutation] = {
    "flipped bits": _flipped_bits,
    "other bytes": _other_bytes,
    "cut off": lambda content, rng: content[: rng.randrange(len(content) + 1)],
    "part doubled": _doubled_part,
    "empty": lambda content, rng: rng.choice([b"", b"\n", b" \r\n\t"]),
}


# ------------------------------------------------------------------------------- any text


def _text(change: Callable[[str, Random], str]) -> Mutation:
    return lambda content, rng: change(content.decode(), rng).encode("utf-8", "surrogatepass")


def _lines(change: Callable[[list[str], int, Random], None]) -> Mutation:
    def changed(text: str, rng: Random) -> str:
        lines = text.splitlines(keepends=True)
        change(lines, rng.randrange(len(lines)), rng)
        return "".join(lines)

    return _text(changed)


def _odd_text_inside(text: str, rng: Random) -> str:
    at = rng.randrange(len(text) + 1)
    return text[:at] + rng.choice(TEXTS) + text[at:]


TEXT: dict[str, Mutation] = {
    "line missing": _lines(lambda lines, k, rng: lines.pop(k) and None),
    "line twice": _lines(lambda lines, k, rng: lines.insert(k, lines[k])),
    "lines in other order": _lines(lambda lines, k, rng: rng.shuffle(lines)),
    "odd text inside": _text(_odd_text_inside),
    "CRLF": _text(lambda text, rng: text.replace("\n", "\r\n")),
    "CR": _text(lambda text, rng: text.replace("\n", "\r")),
    "byte-order mark": _text(lambda text, rng: "\ufeff" * rng.choice([1, 2]) + text),
    "UTF-16": lambda content, rng: content.decode().encode(rng.choice(["utf-16", "utf-16-le"])),
    "Latin-1": lambda content, rng: content.replace(b"a", b"\xe4", rng.choice([1, 9])),
    "quotes": _text(lambda text, rng: text.replace(rng.choice("\"',=e"), rng.choice("\"'"), 3)),
    "other case": _text(lambda text, rng: rng.choice([text.upper(), text.title()])),
}


# ------------------------------------------------------------------------------- TOML


def toml_text(table: dict[str, Any]) -> str:
    """Nested tables as TOML, one line for each key of the first level."""
    return "".join(f"{_quoted(key)} = {_value(value)}\n" for key, value in table.items())


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_quoted(k)} = {_value(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    return str(value).lower() if isinstance(value, bool) else repr(value)


def _places(node: Any) -> list[tuple[Any, Any]]:
    """Every (container, key) below a node."""
    keys = node if isinstance(node, dict) else range(len(node)) if isinstance(node, list) else ()
    found = []
    for key in keys:
        found += [(node, key), *_places(node[key])]
    return found


def _below(node: Any, names: tuple[str, ...]) -> list[tuple[Any, Any]]:
    """Every (container, key) below the keys of these names, and these themselves."""
    named = [(holder, key) for holder, key in _places(node) if key in names]
    return named + [place for holder, key in named for place in _places(holder[key])]


def _any(holder: Any, key: Any) -> bool:
    return True


def _is_number(holder: Any, key: Any) -> bool:
    return isinstance(holder[key], int | float) and not isinstance(holder[key], bool)


def _is(kind: type) -> Callable[[Any, Any], bool]:
    return lambda holder, key: isinstance(holder[key], kind)


def _renamed(holder: Any, key: Any, rng: Random) -> None:
    name = rng.choice([key[:-1], f"{key}s", key.replace("_", ""), key.upper(), "", "name"])
    holder[name] = holder.pop(key)


def _other(values: list[Any]) -> Callable[[Any, Any, Random], None]:
    def change(holder: Any, key: Any, rng: Random) -> None:
        holder[key] = rng.choice(values)

    return change


def _likely_number(holder: Any, key: Any, rng: Random) -> None:
    """A number that may be allowed: near the old one, or at the end of many a range."""
    old = holder[key]
    likely = [old + 1, old - 1, -old, 2 * old, 10 * old, 1000 * old, 0, 1, 60, 90, -90, 180, 360]
    holder[key] = type(old)(rng.choice([*likely, old / 2, old / 10]))


def _likely_date(holder: Any, key: Any, rng: Random) -> None:
    holder[key] += timedelta(minutes=rng.choice([-1, 1, 30, -60, 1440, -1440, 43_200, 525_600]))


def _nested(text: str, rng: Random) -> str:
    deep = rng.choice([3, 60, 3000])
    opening, closing = rng.choice([("[", "]"), ("{a=", "}"), ("{a=[", "]}")])
    return (
        f"{text}\ndeep = {opening * deep}1{closing * deep}\n"
        if rng.random() < 0.5
        else (f"deep = {opening * deep}1{closing * deep}\n{text}")
    )


def _twice(holder: Any, key: Any, rng: Random) -> None:
    holder.append(holder[key])


def _own_toml(*names: str) -> dict[str, Mutation]:
    """The mutations of TOML, of any place or of those below the keys of these names."""

    def tables(applies: Callable[[Any, Any], bool], change: Callable[[Any, Any, Random], None]):
        """A change of one place of the tables, one of those to which it applies."""

        def changed(text: str, rng: Random) -> str:
            table = tomllib.loads(text)
            places = _below(table, names) if names else _places(table)
            change(*rng.choice([place for place in places if applies(*place)]), rng)
            return toml_text(table)

        return _text(changed)

    return {
        "key missing": tables(_any, lambda holder, key, rng: holder.pop(key) and None),
        "key renamed": tables(lambda holder, key: isinstance(holder, dict), _renamed),
        "other value": tables(_any, _other(VALUES)),
        "other number": tables(_is_number, _other(NUMBERS)),
        "likely number": tables(_is_number, _likely_number),
        "another likely number": tables(_is_number, _likely_number),
        "other date": tables(_is(datetime), _other(DATES)),
        "likely date": tables(_is(datetime), _likely_date),
        # As after copying and pasting.
        "other name": tables(
            _is(str), _other(["north", "lander", "probe", "sweep", "rover", "earth"])
        ),
        "other text": tables(_is(str), _other(TEXTS)),
        "other truth": tables(
            _is(bool), lambda holder, key, rng: holder.update({key: not holder[key]})
        ),
        "entry twice": tables(lambda holder, key: isinstance(holder, list), _twice),
        "nested": _text(_nested),
    }


# ------------------------------------------------------------------------------- CSV


def _cells(change: Callable[[list[list[str]], int, int, Random], None]) -> Mutation:
    def changed(text: str, rng: Random) -> str:
        rows = list(csv.reader(io.StringIO(text)))
        row = rng.randrange(len(rows))
        change(rows, row, rng.randrange(len(rows[row])), rng)
        out = io.StringIO()
        csv.writer(out, lineterminator="\n").writerows(rows)
        return out.getvalue()

    return _text(changed)


def _odd_cell(rows: list[list[str]], row: int, column: int, rng: Random) -> None:
    rows[row][column] = str(rng.choice([*NUMBERS, *DATES, *TEXTS]))


def _other_header(rows: list[list[str]], row: int, column: int, rng: Random) -> None:
    column = rng.randrange(len(rows[0]))
    rows[0][column] = rng.choice(
        [rows[0][column].replace("_", ""), "", "status", "x", rows[0][0], rows[0][column].upper()]
    )


def _columns_swapped(rows: list[list[str]], row: int, column: int, rng: Random) -> None:
    other = rng.randrange(len(rows[row]))
    for cells in rows[rng.choice([0, 1]) :]:  # with or without the header
        cells[column], cells[other] = cells[other], cells[column]


def _column_twice(rows: list[list[str]], row: int, column: int, rng: Random) -> None:
    for cells in rows:
        cells.append(cells[column])


def _column_missing(rows: list[list[str]], row: int, column: int, rng: Random) -> None:
    for cells in rows:
        del cells[column]


OWN_CSV: dict[str, Mutation] = {
    "odd cell": _cells(_odd_cell),
    "another odd cell": _cells(_odd_cell),
    "other header": _cells(_other_header),
    "columns swapped": _cells(_columns_swapped),
    "column twice": _cells(_column_twice),
    "column missing": _cells(_column_missing),
    "row twice": _cells(lambda rows, row, column, rng: rows.insert(row, list(rows[row]))),
    "cells moved": _cells(lambda rows, row, column, rng: rows[row].insert(column, "")),
    "cell missing": _cells(lambda rows, row, column, rng: rows[row].pop(column) and None),
    "very many rows": _cells(lambda rows, row, column, rng: rows.extend(rows[1:] * 500)),
    "separator": _text(lambda text, rng: text.replace(",", rng.choice(";\t|"))),
}


# ------------------------------------------------------------------------------- other files


def _other_digits(content: bytes, rng: Random) -> bytes:
    numbers = list(re.finditer(rb"\d+(\.\d+)?", content))
    found = rng.choice(numbers)
    return content[: found.start()] + str(rng.choice(NUMBERS)).encode() + content[found.end() :]


def _other_tag(content: bytes, rng: Random) -> bytes:
    """Another size, kind of sample, compression or place: a tag of the first directory."""
    changed, at = bytearray(content), int.from_bytes(content[4:8], "little")
    tag = at + 2 + 12 * rng.randrange(int.from_bytes(content[at : at + 2], "little"))
    value = rng.choice([0, 1, 2, 255, 65535, 10_000, 2**31, 2**32 - 1, rng.randrange(2**32)])
    if rng.random() < 0.2:
        changed[tag : tag + 4] = rng.randbytes(4)
    else:
        changed[tag + 8 : tag + 12] = value.to_bytes(4, "little")
    return bytes(changed)


def _odd_heights(content: bytes, rng: Random) -> bytes:
    odd = rng.choice([b"\0\0\xc0\x7f", b"\0\0\x80\x7f", b"\xff\xff\x7f\xff", b"\0\0\x80\xff"])
    at = rng.randrange(len(content) // 8) * 4
    return content[:at] + odd * rng.choice([1, 20]) + content[at + 4 :]


# Keys below which alone a kind of case changes the scenario.
PARTS = [
    *("keep_out", "pin", "team", "unit", "margins", "when", "goal", "futures uncertainty"),
    *("after first_runs_in_contact received_by_h", "stop drive parking", "orbit"),
]
OWN: dict[str, dict[str, Mutation]] = {
    "toml": _own_toml(),
    **{f"toml {names}": _own_toml(*names.split()) for names in PARTS},
    "csv": OWN_CSV,
    "tif": {"other tag": _other_tag, "odd heights": _odd_heights},
    "text": TEXT | {"other digits": _other_digits},
    "bytes": ANY_FILE,
}
