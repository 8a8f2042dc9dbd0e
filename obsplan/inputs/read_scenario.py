"""Reading a scenario: all mistakes of a file at once, each in one line.

A line names file, key, value, what is wrong and what is allowed.
"""

import hashlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from obsplan.common.errors import ScenarioError
from obsplan.inputs.cross_checks import reference_errors
from obsplan.inputs.error_text import error_line, shown
from obsplan.inputs.scenario import INNER, Scenario
from obsplan.inputs.toml_file import read_toml, refusal


def read_scenario(path: str | Path) -> Scenario:
    """Read and validate a scenario file.

    Raises ScenarioError whose lines name every mistake in the file.
    """
    path = Path(path)
    raw, content = read_toml(path, ScenarioError)
    scenario = scenario_from(raw, source=str(path))
    digest, mistakes = hashlib.sha256(content), []
    for where, name, others in _skylines(scenario):
        try:
            digest.update((path.parent / name).read_bytes())
        except (OSError, ValueError):
            mistakes.append(
                f"{where}.skyline = {shown(name)}: no such file beside the scenario; name a CSV "
                f"profile{others}"
            )
    if mistakes:
        raise refusal(path, mistakes, ScenarioError)
    return scenario.model_copy(
        update={"folder": path.parent, "input_hash": digest.hexdigest()[:16]}
    )


def scenario_from(raw: dict[str, Any], source: str = "scenario") -> Scenario:
    """Validate a scenario given as nested dictionaries; `source` names it in errors."""
    mistakes = [f"{key}: unknown key" for key in INNER if key in raw]
    scenario = None
    try:
        scenario = Scenario.model_validate({k: v for k, v in raw.items() if k not in INNER})
    except ValidationError as problem:
        mistakes += [error_line(Scenario, raw, error) for error in problem.errors()]
    mistakes += reference_errors(raw)
    if scenario is None or mistakes:
        raise refusal(source, mistakes, ScenarioError)
    return scenario


def _skylines(scenario: Scenario) -> Iterator[tuple[str, str, str]]:
    """For each skyline: its owner, its file, and what may be given instead of a CSV profile."""
    for name in scenario.site.skyline_files:
        yield "site", name, ', GeoTIFF elevation models or "flat"'
    for station in scenario.station:
        if station.skyline is not None:
            yield f'station "{station.name}"', station.skyline, ""
