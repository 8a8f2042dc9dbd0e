"""`obsplan keys`: the parts, the keys of one, and a mistyped name."""

import subprocess
import sys

import pytest
from click.testing import CliRunner

from obsplan.cli.main import main
from obsplan.common.whole_directory import SUMS
from obsplan.inputs.key_reference import parts
from obsplan.reporting.plan_directory import FILES
from obsplan.reporting.table_reference import table_parts

PARTS = parts() | table_parts()


def keys(*part: str):
    return CliRunner().invoke(main, ["keys", *part])


def test_without_a_part_each_part_has_one_line():
    lines = keys().stdout.splitlines()
    listed = lines[2:]
    assert [line.split()[0] for line in listed] == [*PARTS, "files"]
    assert all(len(line) <= 100 for line in lines)


@pytest.mark.parametrize("part", PARTS)
def test_a_part_names_each_key_and_fits_the_terminal(part):
    told = keys(part)
    assert told.exit_code == 0
    lines = told.stdout.splitlines()
    starts = [line.split()[0] for line in lines if line and not line.startswith(" ")]
    assert all(key.name in starts for key in PARTS[part].keys)
    assert all(len(line) <= 100 for line in lines), part


def test_a_key_has_unit_default_range_and_description():
    lines = keys("platform.battery").stdout.splitlines()
    row = next(k for k, line in enumerate(lines) if line.startswith("reserve"))
    assert lines[row].split() == ["reserve", "required", "0", "to", "1"]
    assert "never goes below" in lines[row + 1]


def test_columns_of_link_and_days_are_explained():
    lines = keys("contacts").stdout.splitlines()
    assert [line.split()[0] for line in lines[5::2]][:3] == [
        "platform",
        "station",
        "acquisition_utc",
    ]
    row = next(k for k, line in enumerate(lines) if line.startswith("light_time_s"))
    assert lines[row].split()[1] == "s" and "one-way light time" in lines[row + 1]
    assert "decided_by" in keys("days").stdout


def test_files_of_a_plan_directory_are_listed():
    lines = keys("files").stdout.splitlines()
    names = [line.split()[0] for line in lines[3:] if not line.startswith(" ")]
    assert names == [*FILES, SUMS] and all(len(line) <= 100 for line in lines)
    assert "deadlines.csv  (with [uplink])" in lines


def test_a_mistyped_part_is_one_line():
    told = keys("platform.batery")
    assert told.exit_code == 2 and not told.stdout
    assert told.stderr == "'platform.batery': no such part; did you mean 'platform.battery'?\n"


def test_a_key_in_place_of_a_part_is_told_where_it_is():
    told = keys("repeat_worth")
    assert told.exit_code == 2 and told.stderr.endswith("obsplan keys activity\n")
    assert "count" in keys("activity").stdout


def test_keys_import_nothing_heavy():
    code = (
        "import sys; from obsplan.cli.main import main\n"
        "try: main(['keys', 'activity'])\n"
        "except SystemExit: pass\n"
        "sys.exit(bool({'numpy', 'pandas', 'skyfield', 'matplotlib'} & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", code], capture_output=True).returncode == 0


@pytest.mark.parametrize(
    ("name", "part"), [("battery", "platform.battery"), ("activity.gap_min", "activity")]
)
def test_a_part_or_key_under_half_its_name_is_told_where_it_is(name, part):
    told = CliRunner().invoke(main, ["keys", name])
    assert told.exit_code == 2 and told.stderr.endswith(f"obsplan keys {part}\n")
