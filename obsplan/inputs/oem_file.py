"""Orbit Ephemeris Messages, CCSDS 502.0-B, in both notations: KVN (text) and XML.

A message has segments, each with metadata and a list of states. Comments, accelerations and
covariances are passed over.
"""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple
from xml.etree import ElementTree

import numpy as np

from obsplan.common.errors import ScenarioError
from obsplan.common.input_file import read_input
from obsplan.common.text import shortened
from obsplan.inputs.orbit_states import (
    FRAMES,
    INTERPOLATIONS,
    MOST_DEGREE,
    TIME_SYSTEMS,
    UNDECLARED,
    Clock,
    States,
    nodes_needed,
)

MOST_BYTES = 300_000_000  # 90 days of states 10 s apart in XML
MOST_MISTAKES = 20
VERSIONS = ("1.0", "2.0", "3.0")
REQUIRED = (
    "OBJECT_NAME",
    "CENTER_NAME",
    "REF_FRAME",
    "TIME_SYSTEM",
    "START_TIME",
    "STOP_TIME",
)
KEY_VALUE = re.compile(r"([A-Z][A-Z0-9_]*)\s*=\s*(.*)")
EPOCH = re.compile(
    r"(\d{4})-(?:(\d{2})-(\d{2})|(\d{3}))T([01]\d|2[0-3]):([0-5]\d):([0-5]\d|60)(\.\d*)?Z?"
)
PARTS = ("X", "Y", "Z", "X_DOT", "Y_DOT", "Z_DOT")
UNITS = {"km", "km/s"}


class _Segment(NamedTuple):
    """A segment as written: metadata, and for each state its line, epoch and numbers."""

    number: int
    metadata: dict[str, str]
    lines: list[str]
    epochs: list[str]
    numbers: list[list[str]]


class _Mistakes:
    """What is wrong with a file, line by line."""

    def __init__(self, path: Path):
        self.path, self.lines = path, list[str]()

    def note(self, where: str, what: str) -> None:
        """Note one; of very many the first are kept."""
        if len(self.lines) < MOST_MISTAKES:
            self.lines.append(f"{self.path}: {where}: {what}" if where else f"{self.path}: {what}")

    def refuse(self) -> None:
        """Raise ScenarioError if there are any."""
        if self.lines:
            raise ScenarioError(*self.lines)


def read_oem(path: Path) -> list[States]:
    """The segments of a message in order.

    Raises ScenarioError with a line for each mistake, which names file, segment and time: another
    centre than the Moon, a frame or time system that is not supported, states out of order or
    outside START_TIME and STOP_TIME, a degree that the states do not suffice for.
    """
    try:
        content = read_input(path, MOST_BYTES)
    except OSError as problem:
        raise ScenarioError(f"{path}: cannot be read ({problem.strerror})") from None
    mistakes = _Mistakes(path)
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise ScenarioError(f"{path}: is not a text; allowed is an OEM in KVN or XML") from None
    is_xml = text.lstrip()[:1] == "<"
    segments = _xml_segments(text, mistakes) if is_xml else _kvn_segments(text, mistakes)
    mistakes.refuse()
    if not segments:
        raise ScenarioError(f"{path}: has no segment (META_START in KVN, segment in XML)")
    states = [found for segment in segments if (found := _states(segment, mistakes))]
    mistakes.refuse()
    _refuse_mixture(states, mistakes)
    mistakes.refuse()
    return states


def _kvn_segments(text: str, mistakes: _Mistakes) -> list[_Segment]:
    segments: list[_Segment] = []
    part = "version"
    for number, line in enumerate(text.splitlines(), start=1):
        line = line.strip()
        if not line or line.split(None, 1)[0] == "COMMENT":
            continue
        where = f"line {number}"
        if part == "version":
            key, value = _key_value(line)
            if key != "CCSDS_OEM_VERS":
                mistakes.note(where, "an OEM begins with CCSDS_OEM_VERS = 2.0")
                return []
            _check_version(value, mistakes)
            part = "header"
        elif line == "META_START" and part in ("header", "states"):
            segments.append(_Segment(len(segments) + 1, {}, [], [], []))
            part = "metadata"
        elif line == "META_STOP" and part == "metadata":
            part = "states"
        elif line == "COVARIANCE_START" and part == "states":
            part = "covariance"
        elif part == "metadata" and line[0].isdigit():  # no key is
            mistakes.note(f"segment {len(segments)}", f"no META_STOP before the state in {where}")
            part = "states"
        elif part == "covariance":
            part = "states" if line == "COVARIANCE_STOP" else part
        elif part == "metadata":
            _take_metadata(segments[-1].metadata, where, line, mistakes)
        elif part == "states":
            epoch, *numbers = line.split()
            segments[-1].lines.append(where)
            segments[-1].epochs.append(epoch)
            segments[-1].numbers.append(numbers)
        elif not _key_value(line)[0]:
            mistakes.note(where, f"{shortened(line)} is not KEY = value")
    if part in ("metadata", "covariance"):
        mistakes.note(f"segment {len(segments)}", f"its {part} has no end")
    return segments


def _key_value(line: str) -> tuple[str, str]:
    match = KEY_VALUE.fullmatch(line)
    return (match[1], match[2].strip()) if match else ("", "")


def _take_metadata(metadata: dict[str, str], where: str, line: str, mistakes: _Mistakes) -> None:
    key, value = _key_value(line)
    if not key:
        mistakes.note(where, f"{shortened(line)} is not KEY = value")
    elif key in metadata:
        mistakes.note(where, f"{key} is given twice in one segment")
    metadata[key] = value


def _check_version(version: str, mistakes: _Mistakes) -> None:
    if version not in VERSIONS:
        allowed = ", ".join(VERSIONS)
        mistakes.note("", f"CCSDS_OEM_VERS = {shortened(version)}; allowed are {allowed}")


def _xml_segments(text: str, mistakes: _Mistakes) -> list[_Segment]:
    if "<!DOCTYPE" in text or "<!ENTITY" in text:
        mistakes.note("", "has a DOCTYPE or an ENTITY, which an OEM in XML does not need")
        return []
    try:
        root = ElementTree.fromstring(text)
    except (ElementTree.ParseError, ValueError) as problem:
        mistakes.note("", f"is not well-formed XML ({problem})")
        return []
    if _tag(root) == "ndm":
        messages = [each for each in root if _tag(each) == "oem"]
        if len(messages) != 1:
            mistakes.note("", f"holds {len(messages)} messages of the kind oem; allowed is one")
            return []
        (root,) = messages
    if _tag(root) != "oem":
        mistakes.note("", f"holds a message of the kind {shortened(_tag(root))}; allowed is oem")
        return []
    _check_version(root.get("version", ""), mistakes)
    found = [each for body in _inside(root, "body") for each in _inside(body, "segment")]
    return [_xml_segment(number, each, mistakes) for number, each in enumerate(found, start=1)]


def _xml_segment(number: int, element: ElementTree.Element, mistakes: _Mistakes) -> _Segment:
    segment = _Segment(number, {}, [], [], [])
    for metadata in _inside(element, "metadata"):
        for entry in metadata:
            if _tag(entry) != "COMMENT":
                segment.metadata[_tag(entry)] = (entry.text or "").strip()
    states = [each for data in _inside(element, "data") for each in _inside(data, "stateVector")]
    for count, state in enumerate(states, start=1):
        where = f"state {count}"
        cells = {_tag(entry): (entry.text or "").strip() for entry in state}
        for entry in state:
            if (unit := entry.get("units")) and _tag(entry) in PARTS and unit not in UNITS:
                what = f"{_tag(entry)} is in {shortened(unit)}; allowed are km and km/s"
                mistakes.note(f"segment {number}, {where}", what)
        segment.lines.append(where)
        segment.epochs.append(cells.get("EPOCH", ""))
        segment.numbers.append([cells.get(part, "") for part in PARTS])
    return segment


def _tag(element: ElementTree.Element) -> str:
    return element.tag.rpartition("}")[2]


def _inside(element: ElementTree.Element, tag: str) -> Iterator[ElementTree.Element]:
    return (each for each in element if _tag(each) == tag)


def _states(segment: _Segment, mistakes: _Mistakes) -> States | None:
    """The states of a segment, or None if something was found wrong with it."""
    before, where, metadata = len(mistakes.lines), f"segment {segment.number}", segment.metadata
    for key in REQUIRED:
        if not metadata.get(key):
            mistakes.note(where, f"{key} is missing")
    for key, allowed in (
        ("CENTER_NAME", ("MOON",)),
        ("REF_FRAME", FRAMES),
        ("TIME_SYSTEM", TIME_SYSTEMS),
        ("INTERPOLATION", INTERPOLATIONS),
    ):
        given = metadata.get(key)
        if given and given.upper() not in allowed:
            one_of = f"{'allowed are' if len(allowed) > 1 else 'allowed is'} {', '.join(allowed)}"
            mistakes.note(where, f"{key} = {shortened(given)} is not supported; {one_of}")
    interpolation, degree = _interpolation(metadata, where, mistakes)
    ends = _ends(metadata, where, mistakes)
    day, second = _instants(segment, mistakes)
    numbers = _numbers(segment, mistakes)
    if len(mistakes.lines) > before or ends is None:
        return None
    states = States(
        f"{mistakes.path}: {where}",
        metadata["OBJECT_NAME"],
        metadata["TIME_SYSTEM"].upper(),
        day,
        second,
        numbers[:, :3],
        numbers[:, 3:6],
        *ends,
        interpolation,
        degree,
    )
    _check_states(states, segment, mistakes)
    if len(mistakes.lines) > before:
        return None
    # Nothing is extrapolated, whatever the metadata promise.
    first, last = max(ends[0], states.clock(0)), min(ends[1], states.clock(-1))
    if first > last:
        mistakes.note(where, f"no state lies in the usable time, {ends[0]} to {ends[1]}")
        return None
    return states._replace(first=first, last=last)


def _interpolation(metadata: dict[str, str], where: str, mistakes: _Mistakes) -> tuple[str, int]:
    if not metadata.get("INTERPOLATION"):
        return UNDECLARED
    kind, given = metadata["INTERPOLATION"].upper(), metadata.get("INTERPOLATION_DEGREE")
    if given is None:
        mistakes.note(where, "INTERPOLATION_DEGREE is missing, required with INTERPOLATION")
        return UNDECLARED
    degree = int(given) if given.isascii() and given.isdigit() and len(given) < 4 else 0
    allowed = f"allowed is a whole number from 1 to {MOST_DEGREE}"
    wrong = not 1 <= degree <= MOST_DEGREE
    if kind == "LINEAR":
        wrong, allowed = degree != 1, "allowed with LINEAR is 1"
    elif kind == "HERMITE":
        wrong = wrong or degree % 2 == 0
        allowed = f"allowed with HERMITE are odd numbers from 1 to {MOST_DEGREE}"
    if wrong:
        mistakes.note(where, f"INTERPOLATION_DEGREE = {shortened(given)}; {allowed}")
    return kind, degree


def _ends(metadata: dict[str, str], where: str, mistakes: _Mistakes) -> tuple[Clock, Clock] | None:
    """First and last usable instant."""
    found = {}
    for key in ("START_TIME", "STOP_TIME", "USEABLE_START_TIME", "USEABLE_STOP_TIME"):
        if metadata.get(key):
            instants = _clock(metadata[key])
            if instants is None:
                mistakes.note(where, f"{key} = {shortened(metadata[key])} is not a time")
                return None
            found[key] = instants
    if "START_TIME" not in found or "STOP_TIME" not in found:
        return None
    first = found.get("USEABLE_START_TIME", found["START_TIME"])
    last = found.get("USEABLE_STOP_TIME", found["STOP_TIME"])
    if not found["START_TIME"] <= first <= last <= found["STOP_TIME"]:
        mistakes.note(
            where,
            f"the usable time {first} to {last} must rise and lie within START_TIME "
            f"{found['START_TIME']} and STOP_TIME {found['STOP_TIME']}",
        )
        return None
    return first, last


def _clock(text: str) -> Clock | None:
    match = EPOCH.fullmatch(text)
    if not match:
        return None
    year, month, date, day_of_year, hour, minute, second, fraction = match.groups()
    try:
        if day_of_year is None:
            day = np.datetime64(f"{year}-{month}-{date}", "D")
        else:
            day = np.datetime64(f"{year}-01-01", "D") + np.timedelta64(int(day_of_year) - 1, "D")
            if str(day)[:4] != year or day_of_year == "000":
                return None
    except ValueError:
        return None
    seconds = 3600.0 * int(hour) + 60.0 * int(minute) + int(second) + float(f"0{fraction or ''}")
    return Clock(day, seconds)


def _instants(segment: _Segment, mistakes: _Mistakes) -> tuple[np.ndarray, np.ndarray]:
    leaps = segment.metadata.get("TIME_SYSTEM", "").upper() == "UTC"
    days, seconds = [], []
    for line, epoch in zip(segment.lines, segment.epochs):
        instant = _clock(epoch)
        if instant is None or (instant.second >= 86400.0 and not leaps):
            where = f"segment {segment.number}, {line}"
            mistakes.note(where, f"{shortened(epoch) or 'nothing'} is not a time")
            continue
        days.append(instant.day)
        seconds.append(instant.second)
    return np.array(days, dtype="datetime64[D]"), np.array(seconds)


def _numbers(segment: _Segment, mistakes: _Mistakes) -> np.ndarray:
    rows = []
    for line, epoch, texts in zip(segment.lines, segment.epochs, segment.numbers):
        try:
            row = [float(text) for text in texts]
        except ValueError:
            row = []
        if len(row) not in (6, 9) or not np.isfinite(row).all():
            mistakes.note(
                f"segment {segment.number}, {line}, {shortened(epoch)}",
                "a state has three numbers of position (km) and three of velocity (km/s)",
            )
            continue
        rows.append(row[:6])
    return np.array(rows, dtype=float).reshape(-1, 6)


def _check_states(states: States, segment: _Segment, mistakes: _Mistakes) -> None:
    where = f"segment {segment.number}"
    needed = nodes_needed(states.interpolation, states.degree)
    if len(states.day) < max(needed, 2):
        kind = f"{states.interpolation} of degree {states.degree}"
        mistakes.note(where, f"has {len(states.day)} states; {kind} needs {max(needed, 2)}")
        return
    days = np.diff(states.day).astype(int)
    # Within a day seconds count: a leap second is its last, number 86400.
    rises = (days > 0) | ((days == 0) & (np.diff(states.second) > 0.0))
    for number in np.flatnonzero(~rises):
        before, after = states.clock(int(number)), states.clock(int(number) + 1)
        mistakes.note(
            f"{where}, {segment.lines[number + 1]}",
            f"{after} is not after {before}; states must rise in time",
        )


def _refuse_mixture(states: list[States], mistakes: _Mistakes) -> None:
    for key, values in (
        ("OBJECT_NAME", [each.object_name for each in states]),
        ("TIME_SYSTEM", [each.time_system for each in states]),
    ):
        for number, value in enumerate(values, start=1):
            if value != values[0]:
                mistakes.note(
                    f"segment {number}",
                    f"{key} = {shortened(value)}, but {shortened(values[0])} in segment 1; all "
                    "segments must have the same",
                )
