"""Every command explains itself, and ends with an example that it understands."""

import shlex
from importlib import import_module
from pkgutil import iter_modules

import click
import pytest

import obsplan.cli
from obsplan.cli.main import main


def examples(command: click.Command) -> list[list[str]]:
    """The words of each line of the example, without `obsplan`."""
    lines = (command.epilog or "").partition("Example:\n")[2].splitlines()
    return [shlex.split(line.strip())[1:] for line in lines]


@pytest.mark.parametrize("name", main.commands)
def test_help_ends_with_an_example_that_parses(name):
    command = main.commands[name]
    assert examples(command) and name in [words[0] for words in examples(command)]
    with click.Context(command) as context:
        assert command.get_help(context).rstrip().endswith(" ".join(examples(command)[-1]))
    for own, *words in examples(command):
        parsed = main.commands[own].make_context(own, words)
        assert parsed.info_name == own


@pytest.mark.parametrize("name", main.commands)
def test_every_option_is_explained_in_a_sentence(name):
    command = main.commands[name]
    assert (command.help or "").strip()
    for option in command.params:
        if isinstance(option, click.Option):
            assert (option.help or "").endswith((".", "?")), f"{name} {option.opts}"


def test_every_command_that_reads_a_scenario_can_allow_files_outside_its_folder():
    for name, command in main.commands.items():
        names = {parameter.name for parameter in command.params}
        assert ("scenario_path" in names) == ("allow_outside" in names), name


def test_the_overview_lists_commands_in_the_order_of_the_work():
    with click.Context(main) as context:
        listed = main.list_commands(context)
    assert listed == [
        *("start", "keys", "skyline", "sky", "link", "days", "sites"),
        *("plan", "check", "replan", "compare"),
    ]


def test_every_command_of_the_folder_is_a_command_of_obsplan():
    for info in iter_modules(obsplan.cli.__path__):
        module = import_module(f"obsplan.cli.{info.name}")
        made = [c for c in vars(module).values() if isinstance(c, click.Command) and c is not main]
        assert set(made) <= set(main.commands.values()), info.name
