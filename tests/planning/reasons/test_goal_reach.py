"""Bins of goals that no run can reach: whether they never occur, or what keeps runs out of them."""

import numpy as np
import pytest
from tools.flying import NORTH, ORBITER, SPAN, flying

import obsplan
from obsplan.planning.problem.start_windows import start_mask
from obsplan.planning.reasons.audit import audit
from obsplan.planning.reasons.goal_reach import REACH_COLUMNS, goal_reach, reach_of, why_empty

# 6 h in which the phase angle at the Earth is some 160 deg, and the Sun 20 deg from the Earth.
SCENARIO = (
    SPAN
    + NORTH
    + ORBITER
    + """
[[instrument]]
name = "imager"
platform = "orbiter"
[[activity]]
name = "scan"
instrument = "imager"
duration_min = 10
data_mbit = 1.0
when = { WHEN }
[[goal]]
name = "phases"
runs_of = ["scan"]
over = "earth_phase_deg"
edges = [0, 90, 158, 161, 180]
counted = "done"
value = 10.0
"""
)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("reach")

    def environment(when):
        return obsplan.make_environment(flying(folder, SCENARIO.replace("WHEN", when)))

    return environment


def test_hours_that_bins_are_offered_and_permitted(made):
    environment = made("earth_visible_fraction = [1, 1]")
    scenario = environment.scenario
    table = goal_reach(environment)
    assert list(table.columns) == REACH_COLUMNS
    phase_deg = environment.skies["orbiter"]["earth_phase_deg"].to_numpy()[::5][:-1]
    starts = start_mask(environment, scenario.activity[0])[:-1]
    for row, low, high in zip(table.itertuples(), (0, 90, 158, 161), (90, 158, 161, 180)):
        inside = (phase_deg >= low) & (phase_deg < high)
        assert row.offered_h == pytest.approx(inside.sum() / 12)
        assert row.permitted_h == pytest.approx((inside & starts).sum() / 12)
        assert bool(row.why) == (row.permitted_h == 0)
    assert (table["permitted_h"] > 0).sum() == 2
    # A public name.
    assert obsplan.goal_reach(environment).equals(table)


def test_a_phase_that_the_span_does_not_have(made):
    table = goal_reach(made("earth_visible_fraction = [1, 1]"))
    assert table["offered_h"].tolist()[:2] == [0.0, 0.0]
    low, high = (150, 180)
    why = table["why"].iloc[0]
    assert why.startswith("it never occurs in the span: Earth phase is ") and why.endswith(" deg")
    values = [float(word) for word in why.split() if word.replace(".", "").isdigit()]
    assert len(values) == 2 and low < values[0] < values[1] < high


def test_the_sun_is_too_near(made):
    environment = made("sun_angle_deg = [30, 180], earth_visible_fraction = [1, 1]")
    table = goal_reach(environment)
    assert (table["permitted_h"] == 0).all()
    angle_deg = environment.skies["orbiter"]["sun_angle_deg"]
    assert angle_deg.max() < 30
    offered = table[table["offered_h"] > 0]
    assert set(offered["kept_out_by"]) == {"sun_angle_deg"}
    for why in offered["why"]:
        assert why.startswith(
            '"scan" needs angle between Sun and Earth 30 to 180 deg (there it is '
        )


def test_the_earth_is_hidden(made):
    table = goal_reach(made("earth_limb_angle_deg = [85, 180]"))
    offered = table[table["offered_h"] > 0]
    assert set(offered["kept_out_by"]) == {"earth_limb_angle_deg"}
    assert "angle of the Earth to the Moon's limb 85 to 180 deg" in offered["why"].iloc[0]


def test_conditions_that_never_come_together(made):
    """The Earth in view, and the Sun below: by turns."""
    when = "earth_limb_angle_deg = [30, 180], sun_visible_fraction = [0, 0]"
    environment = made(when)
    (goal,) = environment.scenario.goal
    reaches = [each for each in reach_of(environment, goal) if each.offered_h]
    assert not any(each.permitted_h for each in reaches) and not any(e.alone for e in reaches)
    why = why_empty(environment, reaches)
    assert why.startswith('"scan" needs all at once: ')
    shares = [kept.share for kept in reaches[0].kept_out]
    assert shares == sorted(shares, reverse=True) and 0 < min(shares) < 1
    assert f"(not at {100 * shares[0]:.0f} % of the starts)" in why or len(reaches) > 1


def test_the_audit_tells_bins_that_are_empty_for_the_same_reason_together(made):
    environment = made("sun_angle_deg = [30, 180]")
    found = audit(environment)
    lines = found[found["where"] == 'goal "phases"']["finding"].tolist()
    never, too_near = sorted(line for line in lines if line.startswith("no permitted start"))[::-1]
    if "never occurs" not in never:
        never, too_near = too_near, never
    assert never.startswith(
        "no permitted start reaches 2 of its 4 bins: Earth phase 0 to 90 deg; Earth phase 90 to "
        "158 deg: it never occurs in the span: Earth phase is "
    )
    angle_deg = environment.skies["orbiter"]["sun_angle_deg"].to_numpy()[::5][:-1]
    assert too_near == (
        "no permitted start reaches 2 of its 4 bins: Earth phase 158 to 161 deg; Earth phase 161 "
        'to 180 deg: "scan" needs angle between Sun and Earth 30 to 180 deg (there it is '
        f"{np.round(angle_deg.min(), 1):g} to {np.round(angle_deg.max(), 1):g})"
    )
