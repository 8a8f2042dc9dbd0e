"""obsplan plans one lunar day of surface science.

The public names load on first use, so that importing the package costs nothing.
"""

from importlib import import_module

__version__ = "0.1.0"

_HOME = {}

__all__ = ["__version__", *_HOME]


def __getattr__(name: str):
    if name in _HOME:
        return getattr(import_module(f"obsplan.{_HOME[name]}"), name)
    raise AttributeError(f"module 'obsplan' has no attribute {name!r}")
