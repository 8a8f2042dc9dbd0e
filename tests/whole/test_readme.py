"""The README's commands and names are those of the package."""

import re
from pathlib import Path

import pytest

import obsplan
from obsplan.cli.main import main

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text()


def test_commands_of_the_readme_exist():
    commands = set(re.findall(r"^    (?:\.venv/bin/)?obsplan (\w+)", README, flags=re.M))
    assert commands == set(main.commands)


def test_options_of_the_readme_exist():
    for command, rest in re.findall(r"^    (?:\.venv/bin/)?obsplan (\w+)(.*)", README, flags=re.M):
        known = {flag for p in main.commands[command].params for flag in p.opts}
        assert set(re.findall(r"(?<!\w)--?[a-z-]+", rest)) <= known


@pytest.mark.parametrize("name", sorted(set(re.findall(r"obsplan\.([a-z]\w+)\(", README))))
def test_python_names_of_the_readme_exist(name):
    assert callable(getattr(obsplan, name))


@pytest.mark.parametrize("mark", ["setup", "demo", "tests"])
def test_marked_lines_are_there_for_the_automatic_run(mark):
    assert re.search(rf"^<!-- {mark} -->\n\n    \S", README, flags=re.M)


def test_links_and_pictures_of_the_readme_exist():
    for target in re.findall(r"\]\(([^)]+)\)", README):
        assert (ROOT / target).exists(), target


def test_every_public_name_loads():
    for name in obsplan.__all__:
        assert getattr(obsplan, name) is not None
