"""A plan made once for all tests of files, its directory written once, and empty figures."""

import shutil

import pytest
from matplotlib.figure import Figure
from tools.places import model, with_drive
from tools.small import platform, scenario_table

from obsplan.environment.build import make_environment
from obsplan.inputs.read_scenario import read_scenario, scenario_from
from obsplan.planning.plan import make_plan
from obsplan.reporting import plan_directory
from obsplan.reporting.figures import plan, resources, sky

RELAY = "rate_kbps = 100.0, range_limit_m = 60.0 }\nstore = { capacity_mbit = 300.0 }"


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
def driven(tmp_path_factory):
    """A plan of a rover over a bowl with a hazard, whose span is too short for all its stops."""
    folder = tmp_path_factory.mktemp("driven")
    model(folder / "dem.tif", lambda east, north: (east**2 + north**2) / 600)
    (folder / "hazards.csv").write_text("name,east_m,north_m,radius_m\nblock,12,12,5\n")
    text = with_drive(ground='"dem.tif"', hazards='"hazards.csv"')
    for old, new in (
        ("2028-07-06T12", "2028-07-05T10"),
        ("longest_drive_m = 60.0", "longest_drive_m = 40.0"),
        ("rate_kbps = 100.0 }\nstore = { capacity_mbit = 300.0 }", RELAY),
    ):
        assert old in text
        text = text.replace(old, new, 1)
    (folder / "s.toml").write_text(text)
    return make_plan(make_environment(read_scenario(folder / "s.toml")), effort="low")


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
