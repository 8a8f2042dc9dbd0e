"""Files that a scenario names stay in its folder, unless whoever reads it trusts it."""

import os

import pytest
from click.testing import CliRunner
from tools.small import SMALL

from obsplan.cli.main import main
from obsplan.common.errors import ScenarioError
from obsplan.inputs.error_text import shown
from obsplan.inputs.read_scenario import read_scenario

PROFILE = "azimuth_deg,elevation_deg\n0,3\n"
OUTSIDE = "leads out of the scenario's folder; move the file there, or allow it with"


@pytest.fixture
def folder(tmp_path):
    """A folder for scenarios, with a secret beside it and links that lead in and out."""
    (tmp_path / "secret.csv").write_text(PROFILE)
    inner = tmp_path / "mine" / "sites"
    inner.mkdir(parents=True)
    (inner / "near.csv").write_text(PROFILE)
    (tmp_path / "mine" / "in.csv").symlink_to("sites/near.csv")
    (tmp_path / "mine" / "out.csv").symlink_to("../secret.csv")
    (tmp_path / "mine" / "away").symlink_to(tmp_path)
    return tmp_path / "mine"


def named(folder, skyline, part="site"):
    """A scenario whose site or first station names a skyline."""
    head = "[site]\n" if part == "site" else "[[station]]\n"
    path = folder / "s.toml"
    path.write_text(SMALL.replace(head, f"{head}skyline = {skyline!r}\n", 1))
    return path


@pytest.mark.parametrize("name", ["sites/near.csv", "in.csv", "../mine/in.csv"])
def test_files_within_the_folder_are_read(folder, name):
    assert read_scenario(named(folder, name)).site.skyline == name


@pytest.mark.parametrize("part", ["site", "station"])
@pytest.mark.parametrize("name", ["../secret.csv", "out.csv", "away/secret.csv", "ABSOLUTE"])
def test_files_outside_the_folder_are_read_only_if_that_is_allowed(folder, name, part):
    name = str(folder.parent / "secret.csv") if name == "ABSOLUTE" else name
    path = named(folder, name, part)
    with pytest.raises(ScenarioError) as caught:
        read_scenario(path)
    key = {"site": "site", "station": 'station "north"'}[part]
    line = str(caught.value)
    assert line.startswith(f"{path}: {key}.skyline = {shown(name)}: {OUTSIDE} --allow-outside")
    assert "\n" not in line
    assert read_scenario(path, allow_outside=True).input_hash


def test_an_image_that_a_label_names_may_not_be_a_link_out_of_the_folder(folder):
    (folder.parent / "dem.img").write_bytes(b"heights")
    (folder / "dem.img").symlink_to("../dem.img")
    (folder / "dem.lbl").write_text('^IMAGE = "dem.img"')
    with pytest.raises(ScenarioError, match=OUTSIDE):
        read_scenario(named(folder, "dem.lbl"))
    assert read_scenario(named(folder, "dem.lbl"), allow_outside=True).input_hash


def test_a_label_that_never_ends_is_refused(folder):
    os.mkfifo(folder / "dem.lbl")
    with pytest.raises(ScenarioError, match="a device or a pipe, not a file"):
        read_scenario(named(folder, "dem.lbl"))


def test_a_command_reads_files_outside_the_folder_only_with_the_option(folder):
    path = str(named(folder, "../secret.csv"))
    refused = CliRunner().invoke(main, ["sky", path])
    assert refused.exit_code == 2 and OUTSIDE in refused.stderr and not refused.stdout
    assert CliRunner().invoke(main, ["sky", path, "--allow-outside"]).exit_code == 0


def test_values_names_and_files_that_are_wrong_are_told_at_once(folder):
    os.mkfifo(folder / "endless.csv")
    path = named(folder, "endless.csv")
    path.write_text(path.read_text().replace("idle_w = 20.0", "idle_w = -1.0"))
    with pytest.raises(ScenarioError) as caught:
        read_scenario(path)
    first, second = str(caught.value).splitlines()
    assert "idle_w = -1.0" in first
    assert second == (
        f'{path}: site.skyline = "endless.csv": cannot be read (a device or a pipe, not a file); '
        'name a CSV profile beside the scenario, elevation models or "flat"'
    )
