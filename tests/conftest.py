"""What all tests share: a steady hypothesis profile, and the demo worked out once."""

from pathlib import Path

import pytest
from hypothesis import settings

from obsplan.environment.build import make_environment
from obsplan.inputs.read_scenario import read_scenario

# The same examples every time, and no example fails because the machine is busy.
settings.register_profile("steady", deadline=None, derandomize=True)
settings.load_profile("steady")

DEMO = Path(__file__).parent.parent / "examples" / "demo.toml"


@pytest.fixture(scope="session")
def demo():
    """The environment of the demo scenario; it may not be changed."""
    return make_environment(read_scenario(DEMO))
