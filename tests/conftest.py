"""What all tests share: a steady hypothesis profile, and the demo worked out once."""

from pathlib import Path
from threading import Event

import pytest
from hypothesis import settings

from obsplan.environment.build import make_environment
from obsplan.futures.compiled_walk import compiled_walk
from obsplan.inputs.read_scenario import read_scenario
from obsplan.planning.search.compiled import Compiling

# The same examples every time, and no example fails because the machine is busy.
settings.register_profile("steady", deadline=None, derandomize=True, max_examples=50)
settings.load_profile("steady")
# The share of the examples of a property that is tried in a run without the long tests, and the
# fewest; where hypothesis keeps what a test asks for.
QUICK_SHARE, FEWEST = 0.6, 6
EXAMPLES_OF = "_hypothesis_internal_use_settings"

# The demo whose rover drives without place, on which many tests stand.
DEMO = Path(__file__).parent / "free_rover" / "demo.toml"


def pytest_sessionstart(session):
    """What is compiled is so before there are workers, who would each do it: search and walk."""
    if session.config.getoption("numprocesses", None):
        search = Compiling()
        compiled_walk()
        search.wait(Event())


def pytest_collection_modifyitems(config, items):
    """Whole commands come first: they take longest, and no worker waits at the end for another.

    Without the long tests properties are tried with fewer examples.
    """
    items.sort(key=lambda item: "whole" not in item.path.parts)
    if config.option.markexpr == "not long":
        for function in {getattr(item, "function", None) for item in items}:
            asked = getattr(function, EXAMPLES_OF, None)
            if asked is not None and asked.max_examples > FEWEST:
                fewer = max(FEWEST, int(QUICK_SHARE * asked.max_examples))
                setattr(function, EXAMPLES_OF, settings(asked, max_examples=fewer))


@pytest.fixture(scope="session")
def demo():
    """The environment of the demo scenario; it may not be changed."""
    return make_environment(read_scenario(DEMO))
