"""Directories of results: what a hand made is kept, what we wrote is replaced."""

import shutil
import subprocess

import pytest

from obsplan.common.errors import TableError
from obsplan.common.whole_directory import SUMS, require_replaceable, write_whole

NAMES = {"table.csv", "notes.csv", "figure.png"}


def fill(part):
    (part / "table.csv").write_text("a\n1\n")
    (part / "figure.png").write_bytes(b"\x89PNG")


@pytest.fixture
def written(tmp_path):
    write_whole(tmp_path / "out", NAMES, fill)
    return tmp_path / "out"


def contents(directory):
    return {path.name: path.read_bytes() for path in directory.rglob("*") if path.is_file()}


def test_the_digests_are_those_that_sha256sum_checks(written):
    if not shutil.which("sha256sum"):
        pytest.skip("no sha256sum on this machine")
    told = subprocess.run(
        ["sha256sum", "--strict", "-c", SUMS], cwd=written, capture_output=True, text=True
    )
    assert told.returncode == 0
    assert told.stdout.splitlines() == ["figure.png: OK", "table.csv: OK"]


def test_what_we_wrote_is_replaced_in_silence_and_may_be_deleted(written):
    (written / "figure.png").unlink()
    write_whole(written, NAMES, lambda part: (part / "notes.csv").write_text("b\n"))
    assert set(contents(written)) == {"notes.csv", SUMS}


def add(name):
    return lambda directory: (directory / name).write_text("by hand")


def link_to_the_same(directory):
    (directory / "table.csv").rename(directory.parent / "mine.csv")
    (directory / "table.csv").symlink_to(directory.parent / "mine.csv")


def add_a_line(directory):
    with (directory / SUMS).open("a") as sums:
        sums.write("remember the milk\n")


CHANGES = {
    "edited": (add("table.csv"), "table.csv"),
    "added under another name": (add("mine.txt"), "mine.txt"),
    "added under a name of ours": (add("notes.csv"), "notes.csv"),
    "added and hidden": (add(".hidden"), ".hidden"),
    "a folder": (lambda directory: (directory / "more").mkdir(), "more"),
    "a folder for a file": (lambda d: (d / "notes.csv").mkdir(), "notes.csv"),
    "a link": (link_to_the_same, "table.csv"),
    "emptied": (lambda directory: (directory / "table.csv").write_text(""), "table.csv"),
}


@pytest.mark.parametrize("kind", CHANGES)
def test_what_a_hand_changed_or_added_is_named_and_kept(written, kind):
    change, name = CHANGES[kind]
    change(written)
    before = contents(written)
    for attempt in (require_replaceable, lambda *to: write_whole(*to, fill)):
        with pytest.raises(TableError) as refused:
            attempt(written, NAMES)
        assert str(refused.value) == (
            f"{written}: {name}: changed or added by hand, and would be lost; move it away, or "
            "choose another directory"
        )
    assert contents(written) == before
    assert not [path for path in written.parent.iterdir() if path.name.startswith(".")]


def test_all_that_a_hand_changed_is_named_at_once(written):
    for name in ("table.csv", "notes.csv"):
        add(name)(written)
    with pytest.raises(TableError, match="out: notes.csv, table.csv: .*move them away"):
        require_replaceable(written, NAMES)


def remove_sums(directory):
    (directory / SUMS).unlink()


def break_sums(directory):
    (directory / SUMS).write_bytes(b"\xff\xfe")


def empty_sums(directory):
    (directory / SUMS).write_text("")


@pytest.mark.parametrize("change", [remove_sums, break_sums, empty_sums, add_a_line])
def test_a_directory_without_sound_digests_is_not_taken_for_ours(written, change):
    change(written)
    with pytest.raises(TableError, match="out: is not empty, and was not written by this"):
        require_replaceable(written, NAMES)


def test_a_directory_of_another_command_or_a_file_is_not_taken_for_ours(written):
    for path, names in ((written, {"table.csv"}), (written / "table.csv", NAMES)):
        with pytest.raises(TableError, match="is not empty, and was not written by this"):
            require_replaceable(path, names)


def test_an_edit_while_the_new_files_are_made_is_kept(written):
    def fill_slowly(part):
        fill(part)
        add("table.csv")(written)

    with pytest.raises(TableError, match="table.csv: changed"):
        write_whole(written, NAMES, fill_slowly)
    assert (written / "table.csv").read_text() == "by hand"
