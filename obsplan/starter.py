"""A first scenario for a new user: the demo, copied under plain names."""

from pathlib import Path

import obsplan.examples
from obsplan.errors import ScenarioError

COPIES = {"demo.toml": "scenario.toml", "skyline.csv": "skyline.csv"}


def write_starter(directory: Path) -> list[Path]:
    """Write the commented demo scenario into `directory` and return the files.

    Raises ScenarioError when a file of that name is already there, or cannot be written.
    """
    source = Path(obsplan.examples.__file__).parent
    targets = {source / name: directory / copy for name, copy in COPIES.items()}
    taken = [str(path) for path in targets.values() if path.exists()]
    if taken:
        raise ScenarioError(f"{', '.join(taken)}: already there; name another directory")
    try:
        directory.mkdir(parents=True, exist_ok=True)
        for original, target in targets.items():
            target.write_bytes(original.read_bytes())
    except OSError as problem:
        raise ScenarioError(f"{directory}: cannot be written ({problem.strerror})") from None
    return list(targets.values())
