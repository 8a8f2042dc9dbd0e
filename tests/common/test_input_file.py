"""Files that people name: regular ones alone, of a sensible size, and never an endless read."""

import os

import pytest
from tools.small import SMALL

from obsplan.common.errors import ObsplanError
from obsplan.common.input_file import open_input, read_input
from obsplan.inputs.read_scenario import read_scenario
from obsplan.inputs.sites_csv import read_sites
from obsplan.physics.skyline import read_profile


def test_a_regular_file_and_a_link_to_one_are_read(tmp_path):
    (tmp_path / "a").write_bytes(b"12345")
    (tmp_path / "link").symlink_to("a")
    assert read_input(tmp_path / "a", 5) == read_input(tmp_path / "link") == b"12345"
    with open_input(tmp_path / "link") as file:
        assert file.read(2) == b"12"


def test_devices_pipes_folders_odd_names_and_endless_files_are_refused_with_a_reason(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "long").write_bytes(b"123456")
    for name, reason in {
        "/dev/zero": "a device or a pipe, not a file",
        "pipe": "a device or a pipe, not a file",
        "": "Is a directory",
        "none": "No such file or directory",
        "a\0b": "no file can have this name",
        "a\ud800": "no file can have this name",
        "long": "more than 5e-06 MB",
    }.items():
        with pytest.raises(OSError) as caught:
            read_input(tmp_path / name, 5)
        assert caught.value.strerror == reason, name


@pytest.mark.parametrize("read", [read_scenario, read_sites, read_profile])
def test_every_reader_refuses_an_endless_device_in_one_line(tmp_path, read):
    (tmp_path / "endless.csv").symlink_to("/dev/zero")
    with pytest.raises(ObsplanError) as caught:
        read(tmp_path / "endless.csv")
    reason = "cannot be read (a device or a pipe, not a file)"
    assert str(caught.value) == f"{tmp_path / 'endless.csv'}: {reason}"


def test_toml_nested_too_deep_and_numbers_without_end_are_one_line(tmp_path):
    path = tmp_path / "deep.toml"
    for text, reason in {
        "a = " + "[" * 3000 + "]" * 3000: "tables or lists are nested too deep",
        "a = " + "9" * 5000: "Exceeds the limit (4300 digits) for integer string conversion",
    }.items():
        path.write_text(text + "\n" + SMALL)
        with pytest.raises(ObsplanError) as caught:
            read_scenario(path)
        assert str(caught.value).startswith(f"{path}: not valid TOML: {reason}")
        assert "\n" not in str(caught.value)
