"""Reading TOML files; an error has one line for each mistake."""

import re
import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from obsplan.common.errors import ObsplanError
from obsplan.common.input_file import MOST_TOML_BYTES, read_input

# What is left of a time of day without seconds, or of a date as 1/7/2028 or 2028-7-1, where the
# parser stops.
TIME_OTHERWISE = re.compile(r"[Tt ]?(\d\d)?:\d\d(?![\d:])|\d?[-/.]\d{1,2}[-/.]\d")


def read_toml(path: Path, error: type[ObsplanError]) -> tuple[dict[str, Any], bytes]:
    """The tables of a file and its bytes; raises `error` if it cannot be read or parsed."""
    try:
        content = read_input(path, MOST_TOML_BYTES)
        return tomllib.loads(content.decode("utf-8-sig")), content
    except OSError as problem:
        raise error(f"{path}: cannot be read ({problem.strerror})") from None
    except UnicodeDecodeError:
        raise error(f"{path}: not UTF-8 text") from None
    except RecursionError:
        raise error(f"{path}: not valid TOML: tables or lists are nested too deep") from None
    except ValueError as problem:  # of the parser, or of a number with thousands of digits
        hint = _hint(str(problem), content.decode("utf-8-sig"))
        raise error(f"{path}: not valid TOML: {problem}{hint}") from None


def _hint(problem: str, text: str) -> str:
    """What is likely meant where the parser stopped, "" if nothing is likely."""
    if problem.startswith("Invalid value"):
        return "; texts need quotes"
    place = re.search(r"at line (\d+), column (\d+)", problem)
    rest = text.split("\n")[int(place[1]) - 1][int(place[2]) - 1 :] if place else ""
    return "; write a time like 2028-07-01T00:00:00Z" if TIME_OTHERWISE.match(rest) else ""


def refusal(source: str | Path, mistakes: Iterable[str], error: type[ObsplanError]) -> ObsplanError:
    """An `error` with one line for each mistake in `source`, without repeats."""
    return error(*dict.fromkeys(f"{source}: {mistake}" for mistake in mistakes))
