"""A first scenario: the demo under plain names, and nothing overwritten."""

import pytest

from obsplan.errors import ScenarioError
from obsplan.scenario import read_scenario
from obsplan.starter import write_starter


def test_starter_is_the_demo(tmp_path, demo):
    paths = write_starter(tmp_path / "mine")
    assert [p.name for p in paths] == ["scenario.toml", "skyline.csv"]
    fresh, original = read_scenario(paths[0]), demo[0]
    assert fresh.model_dump() == original.model_dump()
    assert fresh.input_hash == original.input_hash


def test_nothing_is_overwritten(tmp_path):
    (tmp_path / "skyline.csv").write_text("mine")
    with pytest.raises(ScenarioError, match="skyline.csv: already there"):
        write_starter(tmp_path)
    assert (tmp_path / "skyline.csv").read_text() == "mine"
    assert not (tmp_path / "scenario.toml").exists()


def test_a_file_in_the_way_is_told(tmp_path):
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(ScenarioError):
        write_starter(tmp_path / "taken" / "inside")
