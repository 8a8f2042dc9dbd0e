"""Outputs that a command may not write are refused before it begins, by every command alike."""

import os
import socket

import click
import pytest
from click.testing import CliRunner

from obsplan.cli.main import main
from obsplan.cli.paths import Command, InputPath, OutputDirectory, OutputFile, OutputFolder

# Suffix of all files, so that figures may have their names.
SUFFIX = ".png"
# No command can read more of it than the files that it names.
SCENARIO = f"""
[site]
skyline = "site{SUFFIX}"
[[station]]
name = "alpha"
skyline = "station{SUFFIX}"
"""
SITES = f"name,latitude_deg,longitude_deg,height_m,skyline\na,0,0,0,place{SUFFIX}\n"
NAMED = {
    "scenario_path": (SCENARIO, ["site", "station"]),
    "sites": (SITES, ["place"]),
}


def paths(kind):
    """Each command and parameter with a path of this kind."""
    return [
        (name, param.name)
        for name, command in main.commands.items()
        for param in command.params
        if isinstance(param.type, kind)
    ]


OUTPUT = OutputFile  # and all kinds of it
OUTPUTS = paths(OUTPUT)
WHOLE, FOLDERS = paths(OutputDirectory), paths(OutputDirectory | OutputFolder)
FILES = [pair for pair in OUTPUTS if pair not in FOLDERS]
PAIRS = [
    (name, output, param.name)
    for name, output in OUTPUTS
    for param in main.commands[name].params
    if isinstance(param.type, InputPath)
]


def test_every_path_of_every_command_is_an_input_or_an_output():
    for name, command in main.commands.items():
        assert isinstance(command, Command), name
        for param in command.params:
            if isinstance(param.type, click.Path | click.File):
                assert isinstance(param.type, InputPath | OUTPUT), f"{name} {param.opts}"
            if {"-o", "--output", "--figure"} & set(param.opts):
                assert isinstance(param.type, OUTPUT), f"{name} {param.opts}"


def words(name, **given):
    """The words of a command line with these values, and something for all that it needs."""
    found = [name]
    for param in main.commands[name].params:
        if param.name in given or param.required:
            value = given.get(param.name, anything(param.type))
            found += [*([] if isinstance(param, click.Argument) else param.opts[:1]), str(value)]
    return found


def anything(kind):
    if isinstance(kind, InputPath):
        return f"in{SUFFIX}"
    if isinstance(kind, OUTPUT):
        return "new"
    return "1" if isinstance(kind, click.FloatRange) else "2028-07-01T00:00:00Z"


@pytest.fixture
def here(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / f"in{SUFFIX}").write_text("nothing that any command can read")
    return tmp_path


def refused(here, arguments, *told):
    """Run; nothing may change, and one line says why."""

    def state():
        return {p: p.lstat().st_mtime_ns for p in here.rglob("*") if p.is_file() or p.is_symlink()}

    before = state()
    done = CliRunner().invoke(main, arguments, catch_exceptions=False)
    assert done.exit_code == 2, done.output
    assert done.stderr.count("\n") == 1 and all(word in done.stderr for word in told), done.stderr
    assert state() == before
    return done.stderr


@pytest.mark.parametrize("link", ["itself", "symlink_to", "hardlink_to"])
@pytest.mark.parametrize(("name", "output", "read"), PAIRS)
def test_an_output_that_is_an_input_is_refused(here, name, output, read, link):
    source, target = here / f"source{SUFFIX}", here / f"target{SUFFIX}"
    source.write_text("mine")
    if link == "itself":
        target = source
    else:
        getattr(target, link)(source)
    arguments = words(name, **{output: target, read: source})
    refused(here, arguments, f"{target}: would replace {source}, which this command reads")
    assert source.read_text() == "mine"


@pytest.mark.parametrize(
    ("name", "output", "read", "named"),
    [(*pair, named) for pair in PAIRS for named in NAMED.get(pair[2], ("", []))[1]],
)
def test_an_output_that_an_input_names_is_refused(here, name, output, read, named):
    text, others = NAMED[read]
    (here / f"source{SUFFIX}").write_text(text)
    for other in others:
        (here / f"{other}{SUFFIX}").write_text("mine")
    arguments = words(name, **{output: f"{named}{SUFFIX}", read: f"source{SUFFIX}"})
    refused(here, arguments, f"{named}{SUFFIX}: would replace", "which this command reads")


@pytest.mark.parametrize(
    "words", [["check", "s.toml", "p/t.csv"], ["compare", "s.toml", "p/t.csv", "a.csv"]]
)
@pytest.mark.parametrize("name", ["summary.json", "plan.ics"])
def test_an_output_that_is_read_with_the_timeline_beside_it_is_refused(here, words, name):
    (here / "p").mkdir()
    (here / "p" / name).write_text("mine")
    refused(here, [*words, "-o", f"p/{name}"], f"would replace p/{name}, which this command reads")


@pytest.mark.parametrize("inner", [True, False])
def test_a_directory_around_a_link_that_is_read_or_around_its_file_is_refused(here, inner):
    for folder in ("out", "mine"):
        (here / folder).mkdir()
    file, link = here / "mine" / "s.toml", here / "out" / "s.toml"
    file, link = (file, link) if inner else (link, file)
    file.write_text("mine")
    link.symlink_to(file)
    refused(here, ["plan", str(link), "-o", "out"], f"-o out: would replace {link}, which this")


@pytest.mark.parametrize("model", ["near.tif", "far.tif"])
def test_an_output_that_is_an_elevation_model_of_the_scenario_is_refused(here, model):
    (here / "scenario.toml").write_text('[site]\nskyline = ["near.tif", "far.tif"]\n')
    (here / model).write_text("mine")
    refused(here, ["sky", "scenario.toml", "-o", model], f"would replace {model}, which this")


@pytest.mark.parametrize(("name", "output", "read"), PAIRS)
def test_an_output_within_a_directory_that_is_read_or_around_what_is_read_is_refused(
    here, name, output, read
):
    (here / "folder").mkdir()
    inner = here / "folder" / f"timeline{SUFFIX}"
    inner.write_text("mine")
    if (name, output) in WHOLE:
        arguments = words(name, **{output: "folder", read: inner})
    else:
        arguments = words(name, **{output: inner, read: "folder"})
    refused(here, arguments, "would replace", f"timeline{SUFFIX}, which this command reads")


def pipe(path):
    os.mkfifo(path)


def bound_socket(path):
    with socket.socket(socket.AF_UNIX) as made:
        made.bind(path.name)


def device(path):
    path.symlink_to("/dev/null")


@pytest.mark.parametrize("make", [pipe, bound_socket, device])
@pytest.mark.parametrize(("name", "output"), OUTPUTS)
def test_an_output_that_is_no_ordinary_file_is_refused(here, name, output, make):
    target = here / f"target{SUFFIX}"
    make(target)
    what = refused(here, words(name, **{output: target}), f"{target}: cannot be written (a ")
    assert "device or a pipe" in what or "a file; name a directory" in what


@pytest.mark.parametrize(("name", "output"), OUTPUTS)
def test_a_directory_for_a_file_and_a_file_for_a_directory_are_refused(here, name, output):
    is_file = (name, output) in FILES
    target = here / f"target{SUFFIX}"
    if is_file:
        target.mkdir()
        told = "(a directory; name a file)"
    else:
        target.write_text("mine")
        told = "(a file; name a directory)"
    refused(here, words(name, **{output: target}), told)


@pytest.mark.parametrize(("name", "output"), OUTPUTS)
def test_a_place_where_nothing_can_be_written_is_refused(here, name, output):
    (here / "file").write_text("mine")
    for target in (f"/proc/target{SUFFIX}", f"file/target{SUFFIX}", "x" * 251 + SUFFIX):
        refused(here, words(name, **{output: target}), f"{target[:50]}", "cannot be written (")
    if (name, output) in FILES:
        refused(here, words(name, **{output: f"missing/target{SUFFIX}"}), "(No such file")


@pytest.mark.parametrize(("name", "output"), FILES)
def test_a_write_protected_file_is_refused(here, name, output, monkeypatch):
    target = here / f"target{SUFFIX}"
    target.write_text("mine")
    target.chmod(0o444)
    if os.geteuid() == 0:  # nothing is write-protected for it
        monkeypatch.setattr(os, "access", lambda path, mode: mode != os.W_OK)
    refused(here, words(name, **{output: target}), "(write-protected)")


@pytest.mark.parametrize(("name", "output"), WHOLE)
def test_a_directory_that_cannot_be_replaced_as_a_whole_is_refused(here, name, output, monkeypatch):
    refused(here, words(name, **{output: "/proc"}), "(a mount point cannot be replaced")
    (here / "empty").mkdir()
    monkeypatch.chdir(here / "empty")
    arguments = [word.replace(f"in{SUFFIX}", f"../in{SUFFIX}") for word in words(name)]
    refused(here, [*arguments, "-o", "."], "(the current directory; name one in it)")


@pytest.mark.parametrize(("name", "output"), [pair for pair in OUTPUTS if pair[1] != "figure"])
def test_standard_output_is_not_named_by_a_dash(here, name, output):
    refused(here, [*words(name, **{output: "-"})], "-: name a file or directory")


@pytest.mark.parametrize(
    "name", [name for name in main.commands if len([o for o in OUTPUTS if o[0] == name]) > 1]
)
def test_two_outputs_of_one_name_are_refused(here, name):
    arguments = words(name, output=f"a{SUFFIX}", figure=f"./a{SUFFIX}")
    refused(here, arguments, "name another file")


def test_what_is_there_already_and_can_be_written_is_no_reason_to_refuse(here):
    for name, output in OUTPUTS:
        target = here / f"{name}-{output}{SUFFIX}"
        if (name, output) in FOLDERS:
            target.mkdir()
        else:
            target.write_text("old")
        told = CliRunner().invoke(main, words(name, **{output: target})).output
        assert "would replace" not in told and "cannot be written" not in told, told


@pytest.mark.parametrize(
    "words",
    [["sky", "a\0b"], ["sky", "small.toml", "-o", "\0"], ["plan", "small.toml", "-o", "a\0"]],
)
def test_a_name_that_no_file_can_have_is_refused_in_one_line(words):
    told = CliRunner().invoke(main, words)
    assert told.exit_code == 2 and "no file can have this name" in told.stderr
    assert told.stderr.splitlines()[-1].isprintable()
