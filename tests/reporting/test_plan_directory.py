"""The plan directory appears whole or not at all."""

import json
import multiprocessing
import sys
import time
from dataclasses import replace

import pytest
from tools.small import scenario_table

from obsplan.common.atomic_write import SWAP_CALL
from obsplan.common.errors import TableError
from obsplan.environment.build import make_environment
from obsplan.inputs.read_scenario import scenario_from
from obsplan.planning.plan import make_plan
from obsplan.reporting import plan_directory
from obsplan.reporting.figures import plan, resources, save, sky


@pytest.fixture(scope="module")
def made():
    """A one-activity plan under the true sky of two hours."""
    table = scenario_table({"name": "sweep", "count": 2}, hours=4)
    table["platform"][0]["array"] = [{"area_m2": 0.5, "efficiency": 0.3}]
    scene = scenario_from(table)
    offered = make_environment(scene)
    return make_plan(offered)


def test_summary_says_what_was_asked_and_found(made, tmp_path):
    plan_directory.write_plan(made, tmp_path / "plan")
    summary = json.loads((tmp_path / "plan" / "summary.json").read_text())
    assert summary["counts"] == {"sweep": {"wanted": 2, "placed": 2}}
    assert summary["value"] == made.value
    assert summary["bound"] >= summary["value"]
    assert summary["check"].startswith("no violations; ")
    assert "flight rules" in summary["caution"]
    assert all(len(digest) == 16 for digest in summary["kernels"].values())


def test_a_failure_in_the_middle_leaves_the_old_plan_and_no_scraps(made, tmp_path, monkeypatch):
    target = tmp_path / "plan"
    plan_directory.write_plan(made, target)
    before = {p.name: p.read_bytes() for p in target.iterdir()}

    def fail(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(plan_directory, "summary_of", fail)
    with pytest.raises(TableError, match="No space left"):
        plan_directory.write_plan(made, target)
    assert {p.name: p.read_bytes() for p in target.iterdir()} == before
    assert [p.name for p in tmp_path.iterdir()] == ["plan"]


def test_foreign_directories_and_files_are_left_alone(made, tmp_path):
    (tmp_path / "notes").mkdir()
    (tmp_path / "notes" / "a.txt").write_text("mine")
    (tmp_path / "file").write_text("mine")
    for name in ("notes", "file"):
        with pytest.raises(TableError, match="no plan directory"):
            plan_directory.write_plan(made, tmp_path / name)
    assert (tmp_path / "notes" / "a.txt").read_text() == "mine"
    assert (tmp_path / "file").read_text() == "mine"


@pytest.mark.parametrize("name", ["edited.csv", "timeline.csv"])
def test_what_a_hand_has_put_or_changed_there_is_kept(made, tmp_path, name):
    target = tmp_path / "plan"
    plan_directory.write_plan(made, target)
    (target / name).write_text("activity,start_utc\n")
    with pytest.raises(TableError, match=name):
        plan_directory.write_plan(made, target)
    assert (target / name).read_text() == "activity,start_utc\n"


@pytest.mark.parametrize("form", plan_directory.FORMATS)
def test_figures_are_written_as_asked_and_the_same_each_time(made, tmp_path, form):
    for name in ("one", "two"):
        plan_directory.write_plan(made, tmp_path / name, form)
    drawn = {p.name for p in (tmp_path / "one").iterdir() if p.stem in plan_directory.FIGURES}
    assert {f"{name}.{form}" for name in plan_directory.FIGURES} <= drawn
    assert not any(
        f"{name}.{other}" in drawn
        for name in plan_directory.FIGURES
        for other in set(plan_directory.FORMATS) - {form}
    )
    for name in (*(f"{figure}.{form}" for figure in plan_directory.FIGURES), "report.html"):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()
    plan_directory.write_plan(made, tmp_path / "one")  # a plan with other pictures gives way
    assert not (tmp_path / "one" / "plan.svg").exists()


# Writers of their own process, made by forking, so that they share the plan worked out here.
FORKS = pytest.mark.skipif(
    "fork" not in multiprocessing.get_all_start_methods() or sys.platform not in SWAP_CALL,
    reason="needs processes that fork, and directories that swap in one call",
)


def _rewrite(made, target, rounds):
    """Write two plans in turn, which differ in their timelines; pictures as mere words."""
    save.save_figure = lambda figure, path: path.write_text("a picture")
    sky.sky_figure = plan.plan_figure = resources.resources_figure = lambda *_: None
    plan_directory.report_page = lambda *_: "a page"
    fewer = replace(made, timeline=made.timeline.iloc[:1])
    for k in range(rounds):
        plan_directory.write_plan(fewer if k % 2 else made, target)


def _untouched_and_whole(target):
    plan_directory.require_replaceable(target)
    pictures = {f"{name}.{form}" for name in plan_directory.FIGURES for form in ("svg", "pdf")}
    names = {p.name for p in target.iterdir()}
    now_and_then = {"deadlines.csv", "changes.csv", "price_list.csv"}
    assert names == plan_directory.FILES - pictures - now_and_then


@FORKS
@pytest.mark.parametrize("wait_s", [0.0, 0.005, 0.02, 0.04])
def test_a_run_killed_at_any_moment_leaves_the_old_plan_or_the_new(made, tmp_path, wait_s):
    target = tmp_path / "plan"
    plan_directory.write_plan(made, target)
    process = multiprocessing.get_context("fork").Process(
        target=_rewrite, args=(made, target, 10**6)
    )
    before = (target / "summary.json").stat().st_ino
    process.start()
    # Killed in the midst of it: after its first plan has taken the place, and a while more.
    while (target / "summary.json").stat().st_ino == before and process.is_alive():
        time.sleep(0.001)
    time.sleep(wait_s)
    process.kill()
    process.join()
    _untouched_and_whole(target)


@FORKS
def test_two_runs_at_once_into_one_directory_both_end_well(made, tmp_path):
    target = tmp_path / "plan"
    fork = multiprocessing.get_context("fork")
    both = [fork.Process(target=_rewrite, args=(made, target, 10)) for _ in range(2)]
    for process in both:
        process.start()
    for process in both:
        process.join(60)
    assert [process.exitcode for process in both] == [0, 0]
    _untouched_and_whole(target)
    assert [p.name for p in tmp_path.iterdir()] == ["plan"]
