"""The kinds of arguments that a public function is given, checked before it begins.

A scenario in place of its environment would otherwise fail deep inside, about an attribute that
its caller never heard of.
"""

import collections.abc
from collections.abc import Callable
from functools import wraps
from inspect import signature
from numbers import Integral, Real
from pathlib import Path
from types import NoneType, UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import numpy as np

# Kinds of which the name says too little -> the public function that makes one.
MAKERS = {
    "Scenario": "read_scenario",
    "Environment": "make_environment",
    "Plan": "make_plan",
    "Replan": "make_replan",
    "State": "read_state",
    "Place": "read_sites",
    "DayChoice": "landing_days",
    "Verdict": "check_timeline",
}
# What is as good as the kind in a hint.
AS_GOOD: dict[Any, tuple[type, ...]] = {
    float: (Real,),
    int: (Integral,),
    bool: (bool, np.bool_),
    Path: (Path, str),
}


def checked(function: Callable[..., Any], name: str) -> Callable[..., Any]:
    """A function that raises TypeError for an argument of another kind than its hints say.

    `name` is its public name in `obsplan`, under which it is also pickled.
    """
    parameters, hints = signature(function), get_type_hints(function)

    @wraps(function)
    def public(*args: Any, **kwargs: Any) -> Any:
        try:
            given = parameters.bind(*args, **kwargs).arguments
        except TypeError:
            return function(*args, **kwargs)  # Python says which argument is missing or unknown
        for key, value in given.items():
            if key in hints and not _fits(value, hints[key]):
                raise TypeError(
                    f"{name}: {key} is {_kind_of(value)}; allowed is {_words(hints[key])}"
                )
        return function(*args, **kwargs)

    public.__module__, public.__qualname__ = "obsplan", name
    return public


def _fits(value: Any, hint: Any) -> bool:
    origin, inner = get_origin(hint), get_args(hint)
    if hint is Any:
        return True
    if origin in (Union, UnionType):
        return any(_fits(value, kind) for kind in inner)
    if origin is Literal:
        return isinstance(value, type(inner[0]))  # the function knows which values it has
    if origin is collections.abc.Callable:
        return callable(value)
    if origin in (list, collections.abc.Sequence):
        return isinstance(value, list | tuple) and all(_fits(part, inner[0]) for part in value)
    return isinstance(value, AS_GOOD.get(hint, origin or hint))


def _kind_of(value: Any) -> str:
    if value is None:
        return "None"
    parts = ""
    if isinstance(value, list | tuple) and value:
        parts = f" of {' and '.join(sorted({type(part).__name__ for part in value}))}"
    return f"{_with_article(type(value).__name__)}{parts}"


def _words(hint: Any) -> str:
    """A hint as a sentence names it."""
    origin, inner = get_origin(hint), get_args(hint)
    if origin in (Union, UnionType):
        return " or ".join(map(_words, inner))
    if hint is NoneType:
        return "None"
    if origin is collections.abc.Callable:
        return "a function"
    if origin in (list, collections.abc.Sequence):
        return f"a list of which each part is {_words(inner[0])}"
    if origin is Literal:
        return " or ".join(map(repr, inner))
    name = (origin or hint).__name__
    maker = f", as {MAKERS[name]} gives it" if name in MAKERS else ""
    return f"{_with_article(name)}{maker}"


def _with_article(name: str) -> str:
    return f"{'an' if name[0] in 'AEIOaeio' else 'a'} {name}"
