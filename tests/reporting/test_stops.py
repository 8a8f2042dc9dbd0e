"""Where the rover goes, as files, map, page and calendar show it."""

import re
from base64 import b64decode

import icalendar
import numpy as np
import pytest
from matplotlib.lines import Line2D
from matplotlib.text import Text

from obsplan.analysis.visits import NOTHING_THERE, left_out, visits
from obsplan.reporting import plan_directory
from obsplan.reporting.calendar import calendar_bytes
from obsplan.reporting.figures.save import figure_bytes
from obsplan.reporting.figures.traverse_map import traverse_map
from obsplan.reporting.page.stops import stops_part
from obsplan.reporting.page.timeline import slot_row


@pytest.fixture(scope="session")
def drawn(driven):
    return traverse_map(driven)


def words_of(figure):
    return [text.get_text() for text in figure.findobj(Text)]


def test_visits_follow_the_drives(driven):
    made = visits(driven, "rover")
    assert [visit.number for visit in made] == list(range(len(made))) and len(made) > 1
    assert made[0].stop == "lander" and made[0].arrives_utc is None
    for one, following in zip(made, made[1:]):
        assert (following.leg.start, following.leg.end) == (one.stop, following.stop)
        assert one.leaves_utc < following.arrives_utc
        assert following.runs == {"laser": 1}
    assert made[-1].leaves_utc is None


def test_a_stop_left_out_has_its_reason(driven):
    reached = {v.stop for v in visits(driven, "rover")}
    missed = left_out(driven, "rover")
    assert {each.stop for each in missed} == {"R1", "R2", "R3"} - reached != set()
    reasons = dict(zip(driven.unplaced["activity"], driven.unplaced["reason"]))
    for each in missed:
        assert f"its stop is left out: {each.reason}" == reasons[f"laser at {each.stop}"]
        assert each.reason != NOTHING_THERE


def test_the_map_shows_stops_numbered_by_visits_and_those_left_out(driven, drawn):
    words = words_of(drawn)
    made = visits(driven, "rover")
    for visit in made[1:]:
        assert str(visit.number) in words and visit.stop in words
        assert f"{visit.leg.distance_m:.0f} m" in words
    for missed in left_out(driven, "rover"):
        assert {"×", missed.stop, f"×  {missed.stop}"} <= set(words)
    assert {"N", "lander", "block", "relay range 60 m", "slope 0 to 10 deg"} <= set(words)
    assert "hazard, keep out" in words and "look between two parts of a leg" in words


def test_stops_and_scale_of_the_map_are_where_metres_say(driven, drawn):
    ax = drawn.axes[0]
    marks = {tuple(np.ravel(line.get_xydata())) for line in ax.lines if len(line.get_xdata()) == 1}
    assert {(0.0, 0.0), (30.0, 10.0), (-20.0, 35.0), (5.0, -40.0)} <= marks
    box = ax.get_position()
    wide, tall = np.ptp(ax.get_xlim()), np.ptp(ax.get_ylim())
    page = drawn.get_figwidth() / drawn.get_figheight()
    assert wide / tall == pytest.approx(box.width / box.height * page)
    # The bar at the right is as long as its label says.
    (bar,) = drawn.findobj(lambda a: isinstance(a, Line2D) and a.get_linewidth() == 3)
    long = np.ptp(bar.get_xdata()) / box.width * wide
    assert f"{long:g} m" in words_of(drawn)


def test_the_same_plan_gives_the_same_map(driven, drawn):
    assert figure_bytes(drawn, ".png") == figure_bytes(traverse_map(driven), ".png")


def test_the_page_has_the_map_stops_by_instruments_and_drives(driven):
    page = "".join(stops_part(driven))
    (content,) = re.findall(r'src="data:image/png;base64,([^"]+)"', page)
    assert b64decode(content).startswith(b"\x89PNG")
    made = visits(driven, "rover")
    way = ", then to ".join(visit.stop for visit in made)
    assert f"rover goes from {way}" in page
    assert ">laser head</th>" in page and page.count("1 of 1<") >= len(made) - 1
    assert page.count("0 of 1<") == page.count(">left out<") == len(left_out(driven, "rover"))
    assert f"{made[-1].number} {made[-1].stop}" in page


def test_a_slot_of_the_page_tells_where_the_rover_is(driven):
    rows = [slot_row(slot) for slot in driven.timeline.itertuples(index=False)]
    made = visits(driven, "rover")
    assert any(f"laser at {made[1].stop} · at {made[1].stop} · " in row for row in rows)
    assert any(f" · drives from lander to {made[1].stop} · " in row for row in rows)
    assert not any(" · at " in row for row in rows if "sweep" in row)


def test_the_calendar_says_from_where_to_where(driven):
    events = icalendar.Calendar.from_ical(calendar_bytes(driven)).walk("VEVENT")
    where = {str(e["location"]) for e in events if "slot" in e["categories"].cats}
    made = visits(driven, "rover")
    assert any(place.startswith(f"from lander to {made[1].stop}, ") for place in where)
    assert any(place.startswith(f"{made[1].stop}, ") for place in where)


def test_the_directory_has_the_map_and_the_traverse(driven, empty_figures, tmp_path):
    plan_directory.write_plan(driven, tmp_path / "plan")
    assert (tmp_path / "plan" / "map.png").stat().st_size > 10_000
    assert (tmp_path / "plan" / "traverse.csv").read_text().startswith("leg,part,slot,platform,")
