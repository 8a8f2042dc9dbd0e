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


def test_two_commands_at_the_top_set_up_and_run_demo_and_tests():
    top = README.partition("\n## ")[0]
    marked = re.findall(r"^<!-- (\w+) -->\n\n    (\S.*)$", top, flags=re.M)
    assert [mark for mark, _ in marked] == ["demo", "tests"]
    assert len(re.findall(r"^    \S", top, flags=re.M)) == 2
    demo, tests = (command for _, command in marked)
    for command in (demo, tests):
        assert command.startswith("python3 -m venv .venv && .venv/bin/pip install -q -e ")
    assert demo.endswith(" -e . && .venv/bin/obsplan plan examples/demo.toml -o demo-plan")
    assert tests.endswith(" -e '.[test]' && .venv/bin/python -m pytest")


def test_readme_is_short():
    assert len(README.splitlines()) <= 150


def test_links_and_pictures_of_the_readme_exist():
    for target in re.findall(r"\]\(([^)]+)\)", README):
        assert (ROOT / target).exists(), target


def test_every_public_name_loads():
    for name in obsplan.__all__:
        assert getattr(obsplan, name) is not None
