"""Whatever kills a command, and whenever: its output is the old one or the new one, never half."""

import random
import sys
from pathlib import Path

import pytest
from tools.kills import VICTIMS, attack, prepare, rivals

pytestmark = pytest.mark.skipif(
    not sys.platform.startswith("linux") or not Path("/proc/self/stat").exists(),
    reason="looks for processes in /proc, and needs directories that swap in one call",
)


@pytest.mark.parametrize("name", VICTIMS)
def test_a_killed_command_leaves_all_or_nothing_and_no_process(tmp_path, name):
    prepare(tmp_path)
    for _, killed in attack(tmp_path, name, 1, random.Random(name), known=False):
        assert killed.outcome in ("old", "new", "kept")


@pytest.mark.long
@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("name", VICTIMS)
def test_two_hundred_kills_leave_the_old_output_or_the_new(tmp_path, name, seed):
    prepare(tmp_path)
    assert len([*attack(tmp_path, name, 10, random.Random(f"{name} {seed}"))]) == 10


@pytest.mark.long
@pytest.mark.parametrize("name", VICTIMS)
def test_a_run_beside_one_that_is_killed_ends_well(tmp_path, name):
    prepare(tmp_path)
    rivals(tmp_path, name, random.Random(name))
