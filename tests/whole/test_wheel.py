"""A wheel built from the tree holds every module and every data file of it."""

import shutil
import subprocess
import sys
from pathlib import Path
from zipfile import ZipFile

ROOT = Path(__file__).parents[2]
# Where a folder of the tree stands in the wheel.
PLACES = {"obsplan": "obsplan", "ephemeris": "obsplan/ephemeris", "examples": "obsplan/examples"}
# Pictures of the README, not needed by the package.
LEFT_OUT = {".png"}


def test_a_wheel_holds_every_module_and_data_file(tmp_path):
    tree = tmp_path / "tree"
    ignored = shutil.ignore_patterns("__pycache__", "*.egg-info")
    for folder in PLACES:
        shutil.copytree(ROOT / folder, tree / folder, ignore=ignored)
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, tree)
    code = f"from setuptools.build_meta import build_wheel; print(build_wheel({str(tmp_path)!r}))"
    made = subprocess.run(
        [sys.executable, "-c", code], cwd=tree, capture_output=True, text=True, check=True
    )
    (wheel,) = tmp_path.glob("*.whl")
    assert made.stdout.split()[-1] == wheel.name
    with ZipFile(wheel) as content:
        packed = {name for name in content.namelist() if ".dist-info/" not in name}
    expected = {
        f"{place}/{path.relative_to(tree / folder).as_posix()}"
        for folder, place in PLACES.items()
        for path in (tree / folder).rglob("*")
        # The build leaves its own folders in the tree.
        if path.is_file() and path.suffix not in LEFT_OUT and ".egg-info" not in path.as_posix()
    }
    assert packed == expected
