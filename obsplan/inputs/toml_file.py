"""Reading TOML files; an error has one line for each mistake."""

import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from obsplan.common.errors import ObsplanError
from obsplan.common.input_file import MOST_TOML_BYTES, read_input


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
        hint = "; texts need quotes" if str(problem).startswith("Invalid value") else ""
        raise error(f"{path}: not valid TOML: {problem}{hint}") from None


def refusal(source: str | Path, mistakes: Iterable[str], error: type[ObsplanError]) -> ObsplanError:
    """An `error` with one line for each mistake in `source`, without repeats."""
    return error(*dict.fromkeys(f"{source}: {mistake}" for mistake in mistakes))
