"""Reading a scenario: all mistakes of a file at once, each in one line.

A line names file, key, value, what is wrong and what is allowed.
"""

import hashlib
import tomllib
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from obsplan.common.errors import ScenarioError
from obsplan.common.text import printable
from obsplan.inputs.cross_checks import reference_errors
from obsplan.inputs.error_text import error_line, shown
from obsplan.inputs.scenario import INNER, Scenario


def read_scenario(path: str | Path) -> Scenario:
    """Read and validate a scenario file.

    Raises ScenarioError whose lines name every mistake in the file.
    """
    path = Path(path)
    try:
        content = path.read_bytes()
    except OSError as problem:
        raise ScenarioError(f"{path}: cannot be read ({problem.strerror})") from None
    try:
        raw = tomllib.loads(content.decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise ScenarioError(f"{path}: not UTF-8 text") from None
    except tomllib.TOMLDecodeError as problem:
        raise ScenarioError(f"{path}: not valid TOML: {problem}") from None
    scenario = scenario_from(raw, source=str(path))
    digest, lines = hashlib.sha256(content), []
    instead = ', GeoTIFF elevation models or "flat"'
    named = [("site", name, instead) for name in scenario.site.skyline_files]
    own = [s for s in scenario.station if s.skyline is not None]
    named += [(f'station "{s.name}"', s.skyline, "") for s in own]
    for where, name, instead in named:
        try:
            digest.update((path.parent / name).read_bytes())
        except (OSError, ValueError):
            lines.append(
                f"{path}: {where}.skyline = {printable(shown(name))}: no such file "
                f"beside the scenario; name a CSV profile{instead}"
            )
    if lines:
        raise ScenarioError("\n".join(lines))
    return scenario.model_copy(
        update={"folder": path.parent, "input_hash": digest.hexdigest()[:16]}
    )


def scenario_from(raw: dict[str, Any], source: str = "scenario") -> Scenario:
    """Validate a scenario given as nested dictionaries; `source` names it in errors."""
    lines = [f"{key}: unknown key" for key in INNER if key in raw]
    scenario = None
    try:
        scenario = Scenario.model_validate({k: v for k, v in raw.items() if k not in INNER})
    except ValidationError as problem:
        lines += [error_line(Scenario, raw, error) for error in problem.errors()]
    lines += reference_errors(raw)
    if lines:
        once = dict.fromkeys(f"{source}: {printable(line)}" for line in lines)
        raise ScenarioError("\n".join(once))
    return scenario
