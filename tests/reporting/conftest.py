"""A plan made once for all tests of files, its directory written once, and empty figures."""

import shutil

import pytest
from matplotlib.figure import Figure
from tools.small import platform, scenario_table

from obsplan.environment.build import make_environment
from obsplan.inputs.read_scenario import scenario_from
from obsplan.planning.plan import make_plan
from obsplan.reporting import plan_directory
from obsplan.reporting.figures import plan, resources, sky


@pytest.fixture(scope="session")
def made():
    """A plan of a hazardous and a harmless instrument under the true sky of a day, commanded, with
    a goal."""
    table = scenario_table(
        {"name": "sweep", "count": 3, "gap_min": 60},
        {"name": "shot", "count": 2, "instrument": "spark", "power_w": 5.0, "data_mbit": 4.0}
        | {"value": 1.0},
        platforms=[platform(array=[{"area_m2": 0.5, "efficiency": 0.3}])],
        instruments=[{"name": "spark", "platform": "lander", "hazard": "laser"}],
    )
    table["uplink"] = {"lead_min": 30}
    halves = {"over": "span_h", "edges": [0, 12, 24], "minimum": {"bins": 1}}
    table["goal"] = [{"name": "shots", "runs_of": ["shot"], "value": 3.0} | halves]
    return make_plan(make_environment(scenario_from(table)))


@pytest.fixture(scope="session")
def written(made, tmp_path_factory):
    """The directory of `made`, figures and all; it may not be changed."""
    directory = tmp_path_factory.mktemp("written") / "plan"
    plan_directory.write_plan(made, directory)
    return directory


@pytest.fixture
def target(written, tmp_path):
    """A copy of the directory of `made`."""
    return shutil.copytree(written, tmp_path / "plan")


@pytest.fixture
def empty_figures(monkeypatch):
    """Figures without anything in them, for tests that write plans and look at other files."""
    for module, name in (
        (plan, "plan_figure"),
        (sky, "sky_figure"),
        (resources, "resources_figure"),
    ):
        monkeypatch.setattr(module, name, lambda _: Figure(figsize=(1, 1)))
