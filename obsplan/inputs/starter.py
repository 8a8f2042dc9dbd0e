"""A first scenario for a new user, and beside it what its keys may be.

The scenario is the demo, or a short one, under a plain name. Editors that know JSON Schema
complete and check its keys: its first line names the schema in the way that language
servers for TOML read (an open convention).
"""

import json
from pathlib import Path

import obsplan.examples
from obsplan.common.atomic_write import write_file
from obsplan.common.errors import ScenarioError
from obsplan.inputs.scenario import INNER, Scenario

SCHEMA = "scenario.schema.json"
SCHEMA_LINE = f"#:schema ./{SCHEMA}\n"
DIALECT = "https://json-schema.org/draft/2020-12/schema"


def schema_text() -> str:
    """The JSON Schema of a scenario file, keys sorted: the same text for the same version.

    It knows names, kinds and limits of all keys. What ties keys to each other (a name that
    leads somewhere, a range that rises) only reading a scenario can tell.
    """
    schema = Scenario.model_json_schema()
    for name in INNER:
        del schema["properties"][name]
    return json.dumps({"$schema": DIALECT} | schema, indent=2, sort_keys=True) + "\n"


def write_starter(directory: Path, minimal: bool = False) -> list[Path]:
    """Write a scenario, what it needs and its schema into `directory`; return the files.

    The scenario, the first of the files, is the commented demo, or with `minimal` a short
    one. Raises ScenarioError when a file of that name is already there, or cannot be written.
    """
    source = Path(obsplan.examples.__file__).parent
    original = source / ("minimal.toml" if minimal else "demo.toml")
    contents = {"scenario.toml": SCHEMA_LINE.encode() + original.read_bytes()}
    if not minimal:
        contents["skyline.csv"] = (source / "skyline.csv").read_bytes()
    contents[SCHEMA] = schema_text().encode()
    targets = [directory / name for name in contents]
    taken = [str(path) for path in targets if path.exists()]
    if taken:
        raise ScenarioError(f"{', '.join(taken)}: already there; name another directory")
    written: list[Path] = []
    try:
        directory.mkdir(parents=True, exist_ok=True)
        for path, content in zip(targets, contents.values()):
            write_file(path, content)
            written.append(path)
    except OSError as problem:
        for path in written:
            path.unlink()
        raise ScenarioError(f"{directory}: cannot be written ({problem.strerror})") from None
    return targets
