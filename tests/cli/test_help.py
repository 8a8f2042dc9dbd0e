"""Every command explains itself, and ends with an example that it understands."""

import re
import shlex
from importlib import import_module
from pathlib import Path
from pkgutil import iter_modules

import click
import pytest
from click.testing import CliRunner

import obsplan.cli
from obsplan.cli.main import main
from obsplan.cli.say import hand_over, say, say_coloured
from obsplan.reporting.text.terminal import painted


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


def test_only_one_module_prints():
    """Where names and values that a line repeats are spelled out, see `say`."""
    folder = Path(obsplan.cli.__path__[0])
    prints = re.compile(r"\b(print|echo|secho)\(|\.std(out|err)\.write")
    assert {path.stem for path in folder.glob("*.py") if prints.search(path.read_text())} == {"say"}


@pytest.mark.parametrize(
    "words",
    [["sky", "a", "b\x1b[31m"], ["--a\x1b[2J"], ["\x1b]0;x\x07"], ["sky", "a", "--depth", "\x1b"]],
)
def test_control_characters_of_a_command_line_are_spelled_out(words):
    told = CliRunner().invoke(main, words)
    assert told.exit_code == 2 and r"\x1b" in told.stderr
    assert all(line.isprintable() for line in told.stderr.splitlines())


def test_a_word_of_megabytes_is_cut():
    told = CliRunner().invoke(main, ["sky", "a", "--depth", "x" * 3_000_000])
    assert told.exit_code == 2 and "is not a valid float" in told.stderr
    assert max(map(len, told.stderr.splitlines())) < 5000


def test_printed_lines_spell_out_control_characters_but_keep_their_own_colours(capsys):
    say("a\x1b[31mb\nc")
    say_coloured([f"{painted('good', 'good', True)} \x1b]0;x\x07\u202e"])
    hand_over("as,it,is\r\n")
    told = capsys.readouterr().out
    assert told == ("a\\x1b[31mb\\nc\n\x1b[32mgood\x1b[0m \\x1b]0;x\\x07\\u202e\nas,it,is\r\n")


def test_the_overview_lists_commands_in_the_order_of_the_work():
    with click.Context(main) as context:
        listed = main.list_commands(context)
    assert listed == [
        *("start", "keys", "skyline", "sky", "link", "days", "sites"),
        *("plan", "check", "futures", "replan", "compare"),
    ]


def test_every_command_of_the_folder_is_a_command_of_obsplan():
    for info in iter_modules(obsplan.cli.__path__):
        module = import_module(f"obsplan.cli.{info.name}")
        made = [c for c in vars(module).values() if isinstance(c, click.Command) and c is not main]
        assert set(made) <= set(main.commands.values()), info.name
