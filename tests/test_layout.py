"""Folders stand in the order in which data flow, and import only from what stands before."""

import ast
import sys
from functools import cache
from pathlib import Path

import pytest

import obsplan.ephemeris

PACKAGE = Path(obsplan.__file__).parent
KERNELS = Path(obsplan.ephemeris.__file__).parent

ORDER = [
    "common",
    "ephemeris",
    "physics",
    "inputs",
    "environment",
    "checking",
    "planning",
    "analysis",
    "operations",
    "futures",
    "survey",
    "reporting",
    "cli",
]
# The solver and the search know the problem in whole steps; the reasons and the plan know all.
WITHIN_PLANNING = [
    "problem",
    "solver",
    "search",
    "route",
    "reasons",
    "early_end",
    "replayed",
    "last_runs",
    "late_data",
    "later_decisions",
    "minute_repair",
    "routed",
    "tie_breaks",
    "prompt_sending",
    "counted_runs",
    "as_good",
    "left_out",
    "plan",
]
OWNERS = {
    "click": ["cli"],
    "dask": ["common"],
    "distributed": ["common"],
    "highspy": ["planning.solver"],
    "icalendar": ["reporting"],
    "jplephem": ["ephemeris"],
    "matplotlib": ["reporting.figures"],
    "numba": ["physics", "planning.search", "futures"],
    "pydantic": ["inputs"],
    "pydantic_core": ["inputs"],
    "rasterio": ["physics"],
    "scipy": ["physics", "planning.solver", "planning.search", "futures"],
    "skyfield": ["physics", "ephemeris"],
    "spiceypy": ["inputs"],
    "tomllib": ["inputs"],
}
# Only what is compiled may be longer and plainer than the rest.
COMPILED = ["physics.march_kernel", "planning.search.kernel", "futures.walk"]
# What any folder may use of the outside.
EVERYWHERE = {"numpy", "pandas", *sys.stdlib_module_names}
# What the package itself offers inside; its public names would lead up the order unseen.
OF_THE_PACKAGE = {"obsplan.__version__", "obsplan.examples"}
# A plan shows itself in a notebook, and the page is drawn further down the order.
THROUGH_PUBLIC_NAMES = {"planning.plan": {"obsplan"}}


def _modules() -> dict[str, Path]:
    """Every module of the package: dotted name without "obsplan." -> its file."""
    own = {
        ".".join(path.relative_to(PACKAGE).with_suffix("").parts): path
        for path in PACKAGE.rglob("*.py")
        if path.parent != PACKAGE
    }
    kernels = {f"ephemeris.{path.stem}": path for path in KERNELS.glob("*.py")}
    return {name.removesuffix(".__init__"): path for name, path in (own | kernels).items()}


MODULES = _modules()


@cache
def imports_of(path: Path) -> set[str]:
    """Full names of all that a file imports, lazily or for type checkers too."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert not node.level, f"{path}: relative import"
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def within(name: str, *folders: str) -> bool:
    """Whether a dotted name stands in one of the folders."""
    return any(name == folder or name.startswith(f"{folder}.") for folder in folders)


def own_imports(module: str) -> set[str]:
    """What a module imports of obsplan, without "obsplan."."""
    names = imports_of(MODULES[module])
    return {n.removeprefix("obsplan.") for n in names if n.startswith("obsplan.")}


def rank(name: str) -> tuple[int, int]:
    """Where a module stands in the order of folders, and within planning."""
    first, *rest = name.split(".")
    if first not in ORDER:
        return (-1, 0)  # a public name of the package itself, such as its version
    if first == "planning" and rest:
        return ORDER.index(first), WITHIN_PLANNING.index(rest[0])
    return ORDER.index(first), 0


def test_every_folder_has_its_place_in_the_order():
    assert {name.split(".")[0] for name in MODULES} == set(ORDER)
    inside = {name.split(".")[1] for name in MODULES if within(name, "planning") and "." in name}
    assert inside == set(WITHIN_PLANNING)


@pytest.mark.parametrize("module", sorted(MODULES))
def test_imports_come_from_folders_that_stand_before(module):
    allowed = {"common", "ephemeris", "physics"} if within(module, "physics") else set(ORDER)
    for name in own_imports(module):
        assert rank(name) <= rank(module), f"{module} imports {name}"
        assert rank(name)[0] < 0 or name.split(".")[0] in allowed, f"{module} imports {name}"


@pytest.mark.parametrize("module", sorted(MODULES))
def test_modules_import_from_where_a_name_is_defined(module):
    for name in imports_of(MODULES[module]) - THROUGH_PUBLIC_NAMES.get(module, set()):
        first, *rest = name.split(".")
        if first == "obsplan":
            assert rest and (rest[0] in ORDER or name in OF_THE_PACKAGE), f"{module}: {name}"


REFEREE = ["checking"]
PLANNER = ["planning.problem", "planning.solver", "planning.search"]


@pytest.mark.parametrize("module", sorted(m for m in MODULES if within(m, *REFEREE, *PLANNER)))
def test_referee_and_planner_import_nothing_of_each_other(module):
    other = ["planning"] if within(module, *REFEREE) else REFEREE
    assert not [name for name in own_imports(module) if within(name, *other)]


@pytest.mark.parametrize(
    "module", sorted(m for m in MODULES if within(m, "planning.solver", "planning.search"))
)
def test_solver_and_search_know_the_problem_and_numpy_only(module):
    outside = {"numpy", "highspy", "scipy", "numba"}
    known = ["planning.problem", "planning.solver", "planning.search", "common"]
    scenario_side = ["from_scenario", "timeline_table"]
    for name in imports_of(MODULES[module]):
        root = name.split(".")[0]
        if root == "obsplan":
            own = name.removeprefix("obsplan.")
            assert within(own, *known), f"{module} imports {own}"
            assert own.split(".")[2:3] not in [[s] for s in scenario_side], own
        else:
            assert root in outside or root in sys.stdlib_module_names, f"{module} imports {name}"
            assert root != "scipy" or within(name, "scipy.sparse"), f"{module} imports {name}"


@pytest.mark.parametrize("library", sorted(OWNERS))
def test_outside_libraries_stay_with_their_owners(library):
    for module, path in MODULES.items():
        used = {name.split(".")[0] for name in imports_of(path)}
        assert library not in used or within(module, *OWNERS[library]), module


@pytest.mark.parametrize("module", sorted(MODULES))
def test_files_and_functions_stay_short(module):
    if module in COMPILED:
        return
    text = MODULES[module].read_text()
    assert len(text.splitlines()) <= 400
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef):
            assert node.end_lineno - node.lineno < 60, f"{module}.{node.name}"


def test_every_outside_library_has_an_owner():
    for module, path in MODULES.items():
        used = {name.split(".")[0] for name in imports_of(path)}
        assert used <= {"obsplan", *OWNERS, *EVERYWHERE}, module


def test_a_folder_opens_with_words_and_no_imports():
    for path in PACKAGE.rglob("__init__.py"):
        if path.parent != PACKAGE:
            body = ast.parse(path.read_text()).body
            assert len(body) == 1 and len(ast.get_docstring(ast.parse(path.read_text()))) > 80, path
