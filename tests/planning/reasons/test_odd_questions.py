"""Questions at the edge: refused in one clear line, or planned and said."""

import numpy as np
import pytest
from click.testing import CliRunner
from tools.small import SMALL, scenario, scenario_table, world

from obsplan.cli.main import main
from obsplan.common.errors import Infeasible, ScenarioError
from obsplan.inputs.read_scenario import scenario_from
from obsplan.planning.plan import make_plan
from obsplan.planning.reasons.audit import Severity, audit
from obsplan.reporting import plan_directory


@pytest.fixture
def run(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    # Figures take long, and no test here reads them.
    monkeypatch.setattr(plan_directory, "write_plan", lambda *_, **more: None)

    def asked(text: str, *args: str):
        (tmp_path / "small.toml").write_text(text)
        return CliRunner().invoke(main, ["plan", "small.toml", *args])

    return asked


def test_a_negative_value_is_refused_with_its_place(run, tmp_path):
    text = SMALL.replace("value = 2.0", "value = -1")
    refused = run(text, "-o", "p")
    assert refused.exit_code == 2 and not (tmp_path / "p").exists()
    assert "value" in refused.stderr and "-1" in refused.stderr and "sweep" in refused.stderr
    assert "Traceback" not in refused.output
    with pytest.raises(ScenarioError, match=r"value"):
        scenario_from(scenario_table({"name": "a", "value": -0.5}))


def test_a_run_worth_nothing_is_placed_for_its_must_alone():
    scene = scenario({"name": "idle", "value": 0.0, "count": 3}, {"name": "b"}, hours=6)
    made = make_plan(world(scene))
    placed = made.timeline["activity"].tolist()
    assert "idle" not in placed and "b" in placed and made.gap == pytest.approx(0, abs=1e-5)
    assert "has no value" in " ".join(audit(world(scene))["finding"])
    scene = scenario({"name": "idle", "value": 0.0, "count": 3, "must": 2}, hours=6)
    made = make_plan(world(scene))
    assert made.timeline["activity"].tolist().count("idle") == 2 and made.value == 0


def test_a_required_run_without_window_names_the_condition_that_removes_the_last():
    """Sun and ground each have windows; the magnetotail leaves none of those they share."""
    when = {"sun_elevation_deg": [7, 9], "in_magnetotail": True}
    scene = scenario({"name": "a", "must": 1, "when": when})
    with pytest.raises(Infeasible) as refused:
        make_plan(world(scene))
    assert 'activity "a": has no window' in str(refused.value)
    assert "Sun elevation 7 to 9 deg, the Moon in the magnetotail" in str(refused.value)


def test_a_gap_longer_than_the_span_leaves_one_run():
    scene = scenario({"name": "a", "count": 2, "gap_min": 2000}, hours=6)
    findings = audit(world(scene))
    (said,) = findings.loc[findings["where"] == 'activity "a"', "finding"]
    assert "its gap of 2000 min is longer than the span, so it can run only once" in said
    assert set(findings.loc[findings["finding"] == said, "severity"]) == {Severity.WARNING}
    made = make_plan(world(scene))
    assert made.timeline["activity"].tolist().count("a") == 1
    assert len(made.unplaced) == 1
    scene = scenario({"name": "a", "count": 2, "must": 2, "gap_min": 2000}, hours=6)
    with pytest.raises(Infeasible, match="its gap of 2000 min .* 2 are required"):
        make_plan(world(scene))


def test_lengths_off_the_steps_are_rounded_up_and_said_once(run):
    made = run(SMALL, "-o", "p")  # runs of 40 min on steps of 30
    assert made.exit_code == 0
    assert made.stderr.count("sweep: 40 min rounded up to 60 min") == 1
    assert made.output.count("rounded up") == 1


def test_more_starts_than_bear_a_search_say_what_to_coarsen(run, monkeypatch):
    monkeypatch.setattr("obsplan.planning.reasons.audit.MANY_STARTS", 5)
    made = run(SMALL, "-o", "p")
    assert made.exit_code == 0
    assert made.stderr.count("possible starts") == 1 and "step_min above" in made.stderr


@pytest.mark.long
def test_a_hundred_thousand_starts_are_planned():
    """Thirteen activities at steps of five minutes through a whole lunar day."""
    names = [f"a{k}" for k in range(13)]
    asked = [{"name": n, "count": 6, "power_w": 20.0, "gap_min": 600} for n in names]
    scene = scenario(*asked, hours=29.5 * 24, step_min=5)
    sun = np.where(np.arange(scene.steps * 5) % 21240 < 20000, 40.0, 0.0)
    made = make_plan(world(scene, generation_w=sun), effort="low")
    assert made.verdict.is_valid and made.value > 0 and made.bound >= made.value
