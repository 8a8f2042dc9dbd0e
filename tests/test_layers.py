"""Imports run downwards only, and each outside library has its owners."""

import ast
from pathlib import Path

import pytest

import obsplan.ephemeris

PACKAGE = Path(obsplan.__file__).parent
KERNELS = Path(obsplan.ephemeris.__file__).parent

# From the ground up: a module may import only from layers before its own.
LAYERS = [
    ["constants", "errors", "intervals", "whole"],
    ["references", "wording", "quantities", "skyline", "terrain", "disc", "events", "conduction",
     "power", "draft"],
    ["hardware"],
    ["ephemeris", "scenario", "regolith", "link", "elevation_model"],
    ["sky", "site_skyline"],
    ["contacts", "stations"],
    ["lunar_days"],
    ["environment"],
    ["windows", "talk", "survey"],
    ["stay"],
    ["problem", "replay"],
    ["pairs", "flow"],
    ["booking", "rules", "supplies", "highs", "deadlines"],
    ["greedy", "excerpt", "guided", "milp", "margins"],
    ["bounds", "lanes", "merge", "stretches"],
    ["check", "led", "reseat", "tidy"],
    ["quick", "trial"],
    ["solve", "remedies", "case", "timeline", "findings"],
    ["shortages"],
    ["explain", "mend", "impossible", "worth"],
    ["plan", "tables", "calendar_file", "audit"],
    ["compare", "verdicts", "state", "latency", "leeway", "missing"],
    ["stays"],
    ["rest", "repair", "changes"],
    ["days", "replan"],
    ["sites"],
    ["figure_parts"],
    ["figure_sky", "figure_books", "figure_days", "figure_map"],
    ["figure_plan", "figure_resources"],
    ["figure_compare"],
    ["figures", "report_parts"],
    ["report_picture", "report_details"],
    ["report"],
    ["pages", "starter", "terminal", "notebook"],
    ["cli_options"],
    ["cli_survey", "cli_plan"],
    ["cli_replan"],
    ["cli"],
]
OWNERS = {
    "skyfield": {"ephemeris", "sky"},
    "highspy": {"highs"},
    "rasterio": {"elevation_model"},
    "icalendar": {"calendar_file"},
    "matplotlib": {"figures", "figure_parts", "figure_sky", "figure_books", "figure_plan",
                   "figure_compare", "figure_days", "figure_map", "figure_resources"},
    "click": {"cli", "cli_options", "cli_plan", "cli_replan", "cli_survey"},
    "pydantic": {"hardware", "quantities", "scenario", "state", "wording"},
    "scipy": {"conduction", "draft", "sky", "solve", "stations"},
}
# The replay must stand on its own: nothing of the planner may reach it.
INDEPENDENT = {"check", "margins", "pairs", "replay", "rules"}
PLANNER = {"windows", "problem", "booking", "draft", "supplies", "milp", "highs", "bounds",
           "greedy", "guided", "tidy", "excerpt", "stretches", "reseat", "quick", "solve", "mend",
           "impossible", "worth", "plan"}  # fmt: skip


def _sources() -> dict[str, Path]:
    sources = {p.stem: p for p in PACKAGE.glob("*.py") if p.stem != "__init__"}
    return sources | {"ephemeris": KERNELS / "__init__.py"}


def _runtime_imports(path: Path) -> set[str]:
    """Modules that `path` imports, those only for type checkers left out."""
    tree = ast.parse(path.read_text())
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
            node.body = []
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def _own(imports: set[str]) -> set[str]:
    return {n.split(".")[1] for n in imports if n.startswith("obsplan.")} & set(_sources())


def test_every_module_has_a_layer():
    assert {m for layer in LAYERS for m in layer} == set(_sources())


@pytest.mark.parametrize("module", sorted(_sources()))
def test_imports_run_downwards(module):
    level = {m: depth for depth, layer in enumerate(LAYERS) for m in layer}
    upward = [
        f"{module} imports {other}"
        for other in _own(_runtime_imports(_sources()[module]))
        if level[other] >= level[module] and other != module
    ]
    assert not upward


@pytest.mark.parametrize("library", sorted(OWNERS))
def test_libraries_stay_with_their_owners(library):
    users = {
        module
        for module, path in _sources().items()
        if any(n.split(".")[0] == library for n in _runtime_imports(path))
    }
    assert users <= OWNERS[library]


@pytest.mark.parametrize("module", sorted(INDEPENDENT))
def test_replay_shares_nothing_with_the_planner(module):
    assert not _own(_runtime_imports(_sources()[module])) & PLANNER
