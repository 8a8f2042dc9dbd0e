"""obsplan plans one lunar day of surface science.

    import obsplan

    scenario = obsplan.read_scenario("scenario.toml")
    environment = obsplan.make_environment(scenario)
    plan = obsplan.make_plan(environment)
    plan.timeline  # a pandas table

The public names are those of the stub beside this file, `__init__.pyi`. They load on first
use, so that importing the package costs nothing.
"""

from functools import cache
from importlib import import_module

__version__ = "0.1.0"


@cache
def _homes() -> dict[str, str]:
    """Public name -> the module that defines it, as the stub says."""
    import ast
    from pathlib import Path

    stub = ast.parse(Path(__file__).with_suffix(".pyi").read_text(encoding="utf-8"))
    return {
        alias.name: str(node.module)
        for node in stub.body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }


@cache
def _public(name: str) -> object:
    """A public name; a function with a check of the kinds of its arguments before it."""
    from inspect import isfunction

    found = getattr(import_module(_homes()[name]), name)
    if not isfunction(found):
        return found
    from obsplan.common.arguments import checked

    return checked(found, name)


def __getattr__(name: str) -> object:
    if name == "__all__":
        return ["__version__", *_homes()]
    # Names such as __path__ are looked up on every import and are never public.
    if not name.startswith("_") and name in _homes():
        return _public(name)
    raise AttributeError(f"module 'obsplan' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(["__version__", *_homes()])
