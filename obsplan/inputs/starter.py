"""A first scenario for a new user, with its JSON Schema.

The scenario is a copy of the demo or of the short example. Its first line names the schema in
the way that language servers for TOML read (an open convention), so that editors complete and
check the keys.
"""

import json
from pathlib import Path

import obsplan.examples
from obsplan.common.atomic_write import write_files
from obsplan.common.errors import ScenarioError
from obsplan.inputs.scenario import INNER, Scenario

SCHEMA = "scenario.schema.json"
SCHEMA_LINE = f"#:schema ./{SCHEMA}\n"
DIALECT = "https://json-schema.org/draft/2020-12/schema"


def schema_text() -> str:
    """The JSON Schema of a scenario file, keys sorted: the same text for the same version.

    It knows names, kinds, limits and descriptions of all keys. Only reading a scenario checks
    what ties keys to each other, such as a name that must exist or a range that must rise.
    """
    schema = Scenario.model_json_schema()
    for name in INNER:
        del schema["properties"][name]
    return json.dumps({"$schema": DIALECT} | schema, indent=2, sort_keys=True) + "\n"


def write_starter(directory: Path, minimal: bool = False) -> list[Path]:
    """Write a scenario, what it needs and its schema into `directory`; return the files.

    The scenario comes first. It is the commented demo, or with `minimal` the short example.
    Raises ScenarioError if a file of that name already exists or cannot be written.
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
        raise ScenarioError(f"{', '.join(taken)}: already exists; choose another directory")
    try:
        directory.mkdir(parents=True, exist_ok=True)
        write_files(dict(zip(targets, contents.values())))
    except OSError as problem:
        raise ScenarioError(f"{directory}: cannot be written ({problem.strerror})") from None
    return targets
