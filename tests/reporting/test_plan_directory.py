"""The plan directory appears whole or not at all."""

import json
import multiprocessing
import sys
import time
from dataclasses import replace

import pytest
from matplotlib.figure import Figure

from obsplan.common.atomic_write import SWAP_CALL
from obsplan.common.errors import TableError
from obsplan.common.whole_directory import SUMS
from obsplan.futures.execute import each_alone, make_futures
from obsplan.futures.made_for_less import Less
from obsplan.futures.surer_changes import surer_changes
from obsplan.futures.surer_plans import Survival, Try, tries_table, try_goals_table
from obsplan.inputs.telemetry_file import State
from obsplan.inputs.uncertainty import Uncertainty
from obsplan.operations.replan import make_replan
from obsplan.operations.telemetry import with_telemetry
from obsplan.reporting import plan_directory
from obsplan.reporting.figures import plan, resources, save, sky
from obsplan.reporting.sky_files import IN_ORBIT, WITH_RELAY, WITH_SITE


def test_summary_says_what_was_requested_and_found(made, written):
    summary = json.loads((written / "summary.json").read_text())
    assert summary["counts"] == {
        "sweep": {"requested": 3, "placed": 3},
        "shot": {"requested": 2, "placed": 2},
    }
    assert summary["value"] == made.value
    assert summary["bound"] >= summary["value"]
    assert summary["check"] == made.verdict.summary
    assert "flight rules" in summary["caution"]
    assert all(len(digest) == 16 for digest in summary["kernels"].values())


# What only a replan has.
ONLY_ANEW = {
    name
    for name, file in plan_directory.FILES.items()
    if file.when.startswith("from obsplan replan")
}


ONLY_WITH_MORE = {
    name
    for name, file in plan_directory.FILES.items()
    if file.when == plan_directory.WITH_ALTERNATIVES
}
# Only of a plan that was chosen by its futures.
ONLY_CHOSEN = {
    name for name, file in plan_directory.FILES.items() if file.when == plan_directory.WITH_FUTURES
}
# What only a plan with decisions, quiet activities or stops has; this one has none of them.
ONLY_DECIDED = {"decisions.csv", "quiet_hours.csv", "goal_grids.png"} | {
    name for name, file in plan_directory.FILES.items() if file.when == plan_directory.WITH_STOPS
}
ONLY_IN_ORBIT = {
    name for name, file in plan_directory.FILES.items() if file.when in (IN_ORBIT, WITH_RELAY)
}


@pytest.fixture(scope="session")
def replanned(made):
    """The plan made anew from its middle on, after a report."""
    span = made.environment.scenario.span
    now_utc = span.start_utc + (span.end_utc - span.start_utc) / 2
    environment = with_telemetry(made.environment, State(at_utc=now_utc))
    return make_replan(environment, made.timeline, now_utc)


def test_every_file_is_a_row_of_the_list_and_every_row_makes_a_file(
    made, written, replanned, empty_figures, tmp_path
):
    plan_directory.write_plan(replanned, tmp_path / "replan")
    plain = {path.name for path in written.iterdir()}
    anew = {path.name for path in (tmp_path / "replan").iterdir()}
    always = {*plan_directory.FILES, SUMS} - ONLY_WITH_MORE - ONLY_DECIDED - ONLY_CHOSEN
    always -= ONLY_IN_ORBIT
    assert plain == always - ONLY_ANEW and len(ONLY_ANEW) == 3
    assert anew == always
    more = [replace(made, value=made.value - 0.1 * k) for k in range(4)]
    plan_directory.write_plan(made, tmp_path / "more", alternatives=more)
    assert {path.name for path in (tmp_path / "more").iterdir()} - plain == ONLY_WITH_MORE
    scene = made.environment.scenario.model_copy(update={"uplink": None, "goal": ()})
    quiet = replace(made, environment=replace(made.environment, scenario=scene))
    plan_directory.write_plan(quiet, tmp_path / "quiet")
    told = {path.name for path in (tmp_path / "quiet").iterdir()}
    there = "always", WITH_SITE
    sometimes = {name for name, file in plan_directory.FILES.items() if file.when not in there}
    assert told == {*plan_directory.FILES, SUMS} - sometimes


def test_a_plan_chosen_by_its_futures_has_their_files_and_a_section_on_the_page(
    made, written, empty_figures, tmp_path
):
    uncertain = [Uncertainty(what="array output", factor=(0.5, 0.9, 1.0))]
    uncertain.append(Uncertainty(what="run fails", chance=0.9))
    futures = make_futures(made.environment, made.timeline, samples=2, uncertain=uncertain)
    tried = Try(Less(), made, futures)
    tries = tries_table([tried], tried, {0: futures})
    surer = surer_changes(futures, made.timeline)
    survival = Survival(made, tries, try_goals_table([tried]), futures, each_alone(futures), surer)
    plan_directory.write_plan(made, tmp_path / "chosen", survival=survival)
    chosen = {path.name for path in (tmp_path / "chosen").iterdir()}
    assert chosen - {path.name for path in written.iterdir()} == ONLY_CHOSEN
    page, plain = ((at / "report.html").read_text() for at in (tmp_path / "chosen", written))
    assert "How surely goals are reached" in page and "as predicted (this plan)" in page
    assert "What would make the least sure goals surer" in page
    assert "In fresh futures, made for as predicted" in page
    head = page[: page.index("</header>")]
    assert "of value on average: run fails costs most" in head, head[-900:]
    assert "received with chance" in page and "received with chance" not in plain
    assert page.index('id="goals"') < page.index('id="futures"') < page.index('id="picture"')
    assert 'id="futures"' not in plain


def test_every_file_is_explained_in_one_line():
    for name, file in plan_directory.FILES.items():
        assert file.holds and file.when and "\n" not in file.holds + file.when, name


def test_a_replan_says_from_when_on_it_holds(replanned, empty_figures, tmp_path):
    plan_directory.write_plan(replanned, tmp_path / "replan")
    summary = json.loads((tmp_path / "replan" / "summary.json").read_text())
    assert summary["now_utc"] == "2028-07-01T12:00:00Z"
    assert summary["unavoidable_violations"] == []
    assert summary["assumptions"] == list(replanned.assumptions)


def test_a_failure_in_the_middle_leaves_the_old_plan_and_no_scraps(
    made, target, empty_figures, monkeypatch
):
    before = {p.name: p.read_bytes() for p in target.iterdir()}

    def fail(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(plan_directory, "summary_of", fail)
    with pytest.raises(TableError, match="No space left"):
        plan_directory.write_plan(made, target)
    assert {p.name: p.read_bytes() for p in target.iterdir()} == before
    assert [p.name for p in target.parent.iterdir()] == ["plan"]


def test_foreign_directories_and_files_are_left_alone(made, tmp_path):
    (tmp_path / "notes").mkdir()
    (tmp_path / "notes" / "a.txt").write_text("mine")
    (tmp_path / "file").write_text("mine")
    for name in ("notes", "file"):
        with pytest.raises(TableError, match="is not empty, and was not written by this"):
            plan_directory.write_plan(made, tmp_path / name)
    assert (tmp_path / "notes" / "a.txt").read_text() == "mine"
    assert (tmp_path / "file").read_text() == "mine"


def test_the_same_plan_gives_the_same_files(made, written, tmp_path):
    plan_directory.write_plan(made, tmp_path / "again")
    for path in written.iterdir():
        assert path.read_bytes() == (tmp_path / "again" / path.name).read_bytes(), path.name


@pytest.mark.parametrize("form", ["svg", "pdf"])
def test_figures_of_another_format_take_the_place_of_the_old(made, target, empty_figures, form):
    plan_directory.write_plan(made, target, form, alternatives=[made])
    drawn = {p.name for p in target.iterdir() if p.stem in plan_directory.FIGURES}
    others = ONLY_CHOSEN | ONLY_DECIDED | ONLY_IN_ORBIT
    figures = {name for name in plan_directory.FIGURES if f"{name}.png" not in others}
    assert drawn - {*plan_directory.FILES} == {f"{name}.{form}" for name in figures}
    assert not {f"{name}.png" for name in plan_directory.FIGURES} & drawn


# Writers of their own process, made by forking, so that they share the plan worked out here.
FORKS = pytest.mark.skipif(
    "fork" not in multiprocessing.get_all_start_methods() or sys.platform not in SWAP_CALL,
    reason="needs processes that fork, and directories that swap in one call",
)


def _rewrite(made, target, rounds):
    """Write two plans in turn, which differ in their timelines; pictures as mere words."""
    save.save_figure = lambda figure, path: path.write_text("a picture")
    sky.sky_figure = plan.plan_figure = resources.resources_figure = lambda *_: Figure()
    plan_directory.report_page = lambda *_: "a page"
    fewer = replace(made, timeline=made.timeline.iloc[:1])
    for k in range(rounds):
        plan_directory.write_plan(fewer if k % 2 else made, target)


def _untouched_and_whole(target):
    plan_directory.require_replaceable(target)
    pictures = {f"{name}.{form}" for name in plan_directory.FIGURES for form in ("svg", "pdf")}
    names = {p.name for p in target.iterdir()}
    rest = pictures | ONLY_ANEW | ONLY_WITH_MORE | ONLY_DECIDED | ONLY_CHOSEN | ONLY_IN_ORBIT
    assert names == {*plan_directory.NAMES, SUMS} - rest


@FORKS
@pytest.mark.parametrize("wait_s", [0.0, 0.005, 0.02, 0.04])
def test_a_run_killed_at_any_moment_leaves_the_old_plan_or_the_new(made, target, wait_s):
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
