"""Reading a scenario: all mistakes of a file at once, each in one line.

A line names file, key, value, what is wrong and what is allowed.
"""

import hashlib
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from obsplan.common.errors import ScenarioError
from obsplan.common.model_files import give_content
from obsplan.inputs.cross_checks import reference_errors
from obsplan.inputs.error_text import error_line, shown
from obsplan.inputs.goal_checks import with_requests_of_goals
from obsplan.inputs.ground_checks import ground_errors
from obsplan.inputs.named_files import IN_ITS_PLACE, NamedFile, files_named_in, leads_outside
from obsplan.inputs.placed import placed
from obsplan.inputs.scenario import INNER, Scenario
from obsplan.inputs.split_runs import in_pieces
from obsplan.inputs.toml_file import read_toml, refusal


def read_scenario(path: str | Path, *, allow_outside: bool = False) -> Scenario:
    """Read and validate a scenario file.

    The files that it names must lie in its folder, unless `allow_outside`. Raises ScenarioError
    whose lines name every mistake in the file.
    """
    path = Path(path)
    raw, content = read_toml(path, ScenarioError)
    digest = hashlib.sha256(content)
    mistakes = [
        line
        for file in files_named_in(raw)
        if (line := _mistake_in(file, path.parent, allow_outside, digest.update))
    ]
    scenario = _scenario(raw, str(path), mistakes)
    read = scenario.model_copy(
        update={"folder": path.parent, "input_hash": digest.hexdigest()[:16]}
    )
    return _placed(read, str(path))


def scenario_from(raw: dict[str, Any], source: str = "scenario") -> Scenario:
    """Validate a scenario given as nested dictionaries; `source` names it in errors.

    Files that it names are looked for from the current folder on, wherever they lie.
    """
    return _placed(_scenario(raw, source, ()), source)


def _placed(scenario: Scenario, source: str) -> Scenario:
    """The scenario with its runs at stops and its drives, if its rovers can reach all stops."""
    mistakes = ground_errors(scenario)
    if mistakes:
        raise refusal(source, mistakes, ScenarioError)
    return placed(scenario)


def _scenario(raw: dict[str, Any], source: str, more: Iterable[str]) -> Scenario:
    """The valid scenario; `more` are mistakes that are known already."""
    raw = with_requests_of_goals(raw)
    mistakes = [f"{key}: unknown key" for key in INNER if key in raw]
    scenario = None
    try:
        scenario = Scenario.model_validate({k: v for k, v in raw.items() if k not in INNER})
    except ValidationError as problem:
        mistakes += [error_line(Scenario, raw, error) for error in problem.errors()]
    mistakes += [*reference_errors(raw), *more]
    if scenario is None or mistakes:
        raise refusal(source, mistakes, ScenarioError)
    platforms = tuple(
        platform.model_copy(update={"margins": platform.margins.over(scenario.margins)})
        for platform in scenario.platform
    )
    activities = tuple(map(in_pieces, scenario.activity))
    return scenario.model_copy(update={"platform": platforms, "activity": activities})


def _mistake_in(
    file: NamedFile, folder: Path, allow_outside: bool, take: Callable[[bytes], None]
) -> str:
    """What is wrong with a named file, or "" after `take` was given its content, in parts."""
    where = f"{file.key} = {shown(file.name)}"
    if not allow_outside and leads_outside(folder, file.name):
        return f"{where}: leads out of the scenario's folder; {IN_ITS_PLACE}"
    try:
        give_content(folder / file.name, take)
    except FileNotFoundError:
        why = "no such file"
    except OSError as problem:
        why = f"cannot be read ({problem.strerror})"
    else:
        return ""
    return f"{where}: {why}; name {file.allowed}"
