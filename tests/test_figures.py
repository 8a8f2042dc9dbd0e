"""Pictures: complete, legible, told apart in grey print, and the same bytes every time."""

import functools
import subprocess
import sys
from itertools import combinations
from pathlib import Path

import matplotlib
import numpy as np
import pandas as pd
import pytest
from matplotlib.artist import Artist
from matplotlib.axis import Axis
from matplotlib.colors import to_hex
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text

from obsplan import figure_parts as parts
from obsplan import figure_plan, figure_sky, figures
from obsplan.check import check
from obsplan.environment import environment
from obsplan.errors import ObsplanError
from obsplan.plan import Plan
from obsplan.timeline import timeline_table
from obsplan.problem import problem
from obsplan.scenario import read_scenario, scenario_from
from obsplan.solve import quick_plan
from obsplan.missing import missing_places, runs_in

DEMO = Path(__file__).parent.parent / "examples" / "demo.toml"


def utc(text):
    return pd.Timestamp(text).to_pydatetime()


@pytest.fixture(scope="module")
def day():
    """Two and a half days of the demo with an eclipse in them, and a quick plan."""
    whole = read_scenario(DEMO)
    span = {"start_utc": utc("2028-07-05T06:00Z"), "end_utc": utc("2028-07-07T18:00Z")}
    scenario = whole.model_copy(update={"span": whole.span.model_copy(update=span)})
    around = environment(scenario)
    booking = quick_plan(problem(scenario, around))
    timeline = timeline_table(scenario, around, booking)
    verdict = check(scenario, around, timeline)
    made = Plan(timeline, pd.DataFrame(), verdict, booking.value(), 1.1 * booking.value())
    return scenario, around, made


@pytest.fixture(scope="module")
def night():
    """One platform in the dark, never heard, with nothing to do."""
    scenario = scenario_from(
        {
            "title": "costs $1, or $2_a$",
            "site": {"name": "plain", "latitude_deg": -10.0, "longitude_deg": -20.0},
            "span": {"start_utc": "2028-07-17T03:30:00Z", "end_utc": "2028-07-19T12:00:00Z"},
            "station": [
                {"name": "alpha", "latitude_deg": 0.0, "longitude_deg": 0.0, "mask_deg": 89.9}
            ],
            "platform": [
                {
                    "name": "lander",
                    "kind": "lander",
                    "idle_w": 10.0,
                    "bus_limit_w": 100.0,
                    "battery": {"capacity_wh": 300.0, "reserve": 0.2},
                    "radio": {"transmit_w": 10.0, "rate_kbps": 20.0},
                    "store": {"capacity_mbit": 50.0},
                }
            ],
        }
    )
    around = environment(scenario)
    timeline = pd.DataFrame(columns=["slot", "activity", "start_utc", "end_utc"])
    return scenario, around, Plan(timeline, timeline, check(scenario, around, timeline), 0.0, 0.0)


def draw(kind, scene):
    scenario, around, plan = scene
    if kind == "plan":
        return figures.plan_figure(scenario, around, plan)
    if kind == "resources":
        return figures.resources_figure(scenario, around, plan.verdict)
    return {"sky": figures.sky_figure, "link": figures.link_figure}[kind](scenario, around)


@pytest.fixture(scope="module")
def picture(day, night):
    """Pictures drawn once, for the tests that only look at them."""
    scenes = {"day": day, "night": night}
    return functools.cache(lambda kind, scene: draw(kind, scenes[scene]))


def texts(figure):
    """What is written; ticks beyond the ends of an axis exist but are not drawn."""
    unseen = set()
    for axis in figure.findobj(Axis):
        low, high = sorted(axis.get_view_interval())
        ticks = [t for t in axis.get_major_ticks() if not low <= t.get_loc() <= high]
        unseen |= {id(label) for tick in ticks for label in (tick.label1, tick.label2)}
    shown = [t for t in figure.findobj(Text) if t.get_visible() and t.get_text().strip()]
    return [t for t in shown if id(t) not in unseen]


def words(figure):
    return {t.get_text() for t in texts(figure)}


every_picture = pytest.mark.parametrize("kind", ["sky", "link", "plan", "resources"])
every_scene = pytest.mark.parametrize("scene", ["day", "night"])


@every_picture
@every_scene
def test_axes_name_quantity_and_unit(kind, scene, picture):
    figure = picture(kind, scene)
    units = ("(deg)", "(0 to 1)", "(K)", "(kbit/s)", "(Mbit, summed)", "(% of capacity)", "(W)",
             "(Mbit)")  # fmt: skip
    labels = [ax.get_ylabel() for ax in figure.axes if ax.get_ylabel()]
    assert len(labels) >= 3
    assert all(label.endswith(units) for label in labels)
    assert {"UTC", "local time (h)"} <= words(figure)


@every_picture
@every_scene
def test_text_is_legible_on_the_page_and_never_on_other_text(kind, scene, picture):
    figure = picture(kind, scene)
    renderer = FigureCanvasAgg(figure).get_renderer()
    figure.draw(renderer)
    boxes = [(t.get_text(), t.get_window_extent(renderer)) for t in texts(figure)]
    # At 1200 px across the page a point is 1200 / 11.69 / 72 px, so 7 pt are 10 px.
    assert min(t.get_size() for t in texts(figure)) >= 7
    assert figure.get_figwidth() / figure.get_figheight() == pytest.approx(297 / 210, rel=1e-3)
    page = figure.bbox
    for text, box in boxes:
        assert page.x0 <= box.x0 and box.x1 <= page.x1, text
        assert page.y0 <= box.y0 and box.y1 <= page.y1, text
    for (text, box), (other, other_box) in combinations(boxes, 2):
        # A pixel of line box may meet where no ink does.
        across = min(box.x1, other_box.x1) - max(box.x0, other_box.x0)
        along = min(box.y1, other_box.y1) - max(box.y0, other_box.y0)
        assert across <= 1.5 or along <= 1.5, (text, other)


@every_picture
def test_the_same_input_gives_the_same_bytes(kind, day, picture, tmp_path):
    with matplotlib.rc_context({"font.size": 20, "axes.grid": True, "svg.hashsalt": "x"}):
        before = dict(matplotlib.rcParams)
        again = draw(kind, day)
        for suffix in ("png", "svg", "pdf"):
            figures.save(again, tmp_path / f"again.{suffix}")
        assert dict(matplotlib.rcParams) == before
    for suffix in ("png", "svg", "pdf"):
        first = tmp_path / f"first.{suffix}"
        figures.save(picture(kind, "day"), first)
        content = first.read_bytes()
        assert content == (tmp_path / f"again.{suffix}").read_bytes()
        assert len(content) > 10_000
        assert not any(word in content for word in (b"Software", b"CreationDate", b"dc:date"))
    assert len(list(tmp_path.iterdir())) == 6  # nothing unfinished is left behind


def test_an_unknown_kind_of_picture_is_refused(night, tmp_path):
    with pytest.raises(ObsplanError, match="picture.txt.*png"):
        figures.save(draw("sky", night), tmp_path / "picture.txt")
    assert list(tmp_path.iterdir()) == []


def test_a_save_that_fails_leaves_the_old_picture(night, tmp_path):
    class Broken(Artist):
        def draw(self, renderer):
            raise RuntimeError("no ink")

    figure = draw("sky", night)
    figure.add_artist(Broken())
    path = tmp_path / "sky.png"
    path.write_bytes(b"old")
    with pytest.raises(RuntimeError, match="no ink"):
        figures.save(figure, path)
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_pyplot_is_never_loaded():
    code = "import obsplan.figures, sys; sys.exit('matplotlib.pyplot' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code]).returncode == 0


def test_title_is_taken_as_it_is_written(picture):
    assert "costs $1, or $2_a$" in words(picture("plan", "night"))


def test_a_dark_span_is_one_night_without_eclipse(night):
    assert night[1].contacts.empty
    dark, eclipse = figure_sky.darkness(*night[:2])
    assert dark.tolist() == [[0.0, 56.5]]
    assert len(eclipse) == 0


def test_eclipse_band_lies_between_its_events(day, picture):
    scenario, around, _ = day
    dark, eclipse = figure_sky.darkness(scenario, around)
    events = around.events.set_index("event")["time_utc"]
    begins, ends = parts.hours_of(around, events[["eclipse begins", "eclipse ends"]])
    # Bands are made of whole minutes.
    assert eclipse.ravel() == pytest.approx([begins, ends], abs=1 / 60)
    assert len(dark) == 0  # the Sun stays up all the time
    told = [text for text in words(picture("sky", "day")) if text.startswith("eclipse ")]
    assert "eclipse 16:03 to 20:33, full 17:23 to 19:14" in told


def test_slope_band_and_magnetotail_are_shown_and_named(night, picture):
    scenario, _, _ = night
    site = scenario.site.model_copy(update={"slope_uncertainty_deg": 5.0})
    span = {"start_utc": utc("2028-07-03T12:00Z"), "end_utc": utc("2028-07-04T12:00Z")}
    span = scenario.span.model_copy(update=span)
    banded = scenario.model_copy(update={"site": site, "span": span})
    around = environment(banded)
    figure = figures.sky_figure(banded, around)
    assert any("band for\n±5° of slope" in text for text in words(figure))
    inside_h = around.sky["in_magnetotail"].sum() / 60
    assert 0 < inside_h < 24
    assert f"{inside_h:.1f} h (±30°)" in words(figure)
    assert "outside" in words(picture("sky", "night"))
    assert not any("of slope" in text for text in words(picture("sky", "night")))


def test_local_noon_stands_where_the_sun_is_on_the_meridian(day, picture):
    scenario, around, _ = day
    figure = picture("sky", "day")
    (local,) = figure.axes[0].child_axes
    ticks = {t.get_text(): x for t, x in zip(local.get_xticklabels(), local.get_xticks())}
    hours = parts.minute_edges_h(around)[:-1]
    noon_h = hours[np.argmin(np.abs(around.sky["local_time_h"].to_numpy() - 12))]
    assert ticks["12"] == pytest.approx(noon_h, abs=1 / 60)  # the table's own step


def test_utc_ticks_begin_with_the_first_day_and_rule_midnights():
    start = pd.Timestamp("2028-12-30T06:00Z")
    ticks_h, labels, midnights_h = parts._utc_ticks(start, 72.0, 0.1)
    assert midnights_h.tolist() == [18.0, 42.0, 66.0]
    named = {h: label.split() for h, label in zip(ticks_h, labels) if len(label.split()) > 1}
    assert named == {
        0.0: ["06", "30", "Dec", "2028"],
        18.0: ["00", "31", "Dec"],
        42.0: ["00", "1", "Jan", "2029"],
        66.0: ["00", "2", "Jan"],
    }


def test_plan_tells_value_bound_counts_and_caution(day, picture):
    scenario, around, plan = day
    told = words(picture("plan", "day"))
    (line,) = [text for text in told if text.startswith("value ")]
    value, bound = f"{plan.value:.1f}", f"{plan.bound:.1f}"
    assert line.startswith(f"value {value}, at most {bound} possible (within 9.1 %)")
    assert "no violation found" in line
    for activity in scenario.activity:
        placed = (plan.timeline["activity"] == activity.name).sum()
        assert f"{placed} of {activity.count}" in told
    (caution,) = [text for text in told if figure_plan.CAUTION in text]
    assert caution.startswith("mechanism, laser, radioactive source: ")


def test_no_hazard_no_caution_and_no_bound_no_claim(night):
    scenario, around, plan = night
    endless = Plan(plan.timeline, plan.unplaced, plan.verdict, 0.0, np.inf)
    told = " ".join(words(figures.plan_figure(scenario, around, endless)))
    assert figure_plan.CAUTION not in told
    assert "value 0.0" in told and "possible" not in told


def test_broken_slots_are_marked(day, picture):
    scenario, around, plan = day
    timeline = plan.timeline.copy()
    drives = timeline["activity"] == "drive"
    for column in ("start_utc", "end_utc"):
        timeline.loc[drives, column] += pd.Timedelta(hours=9)
    verdict = check(scenario, around, timeline)
    named = set(" ".join(verdict.violations["slots"]).split())
    assert named & set(timeline.loc[drives, "slot"])
    figure = figures.timeline_figure(scenario, around, timeline, verdict, "edited.csv")
    crosses = [
        line.get_xdata() for ax in figure.axes for line in ax.lines if line.get_marker() == "X"
    ]
    senders = timeline["activity"].isin(scenario.sending_names)
    marked = timeline["slot"].isin(named) & ~senders
    assert sum(map(len, crosses)) == marked.sum()
    assert "in a broken rule" in words(figure)
    assert "in a broken rule" not in words(picture("plan", "day"))


def test_activity_and_start_are_enough_for_a_timeline(day):
    scenario, around, plan = day
    slots = plan.timeline[~plan.timeline["activity"].isin(scenario.sending_names)]
    bare = figure_plan._slots(scenario, around, slots[["activity", "start_utc"]])
    full = figure_plan._slots(scenario, around, slots)
    assert bare["end_h"].tolist() == full["end_h"].tolist()
    verdict = check(scenario, around, slots[["activity", "start_utc"]])
    figures.timeline_figure(scenario, around, slots[["activity", "start_utc"]], verdict)


def test_every_missing_run_has_a_hollow_mark_and_its_reason(day):
    scenario, around, plan = day
    rows = [
        (a.name, a.count, int((plan.timeline["activity"] == a.name).sum()), 'energy of "rover"', "")
        for a in scenario.activity
    ]
    unplaced = pd.DataFrame(
        rows, columns=["activity", "wanted", "placed", "reason", "would_fit_if"]
    ).query("placed < wanted")
    made = Plan(plan.timeline, unplaced, plan.verdict, plan.value, plan.bound)
    figure = figures.plan_figure(scenario, around, made)
    told = words(figure)
    homes = {a.name: scenario.platform_of(a) for a in scenario.activity}
    for row in unplaced.itertuples():
        whose = "" if homes[row.activity] == "rover" else " of rover"
        assert f"{row.wanted - row.placed}: energy{whose}" in told
    placed = runs_in(scenario, plan.timeline, unplaced)
    places = missing_places(scenario, around, plan.timeline, placed)
    hollow = [
        path
        for ax in figure.axes
        for bars in ax.collections
        if to_hex(bars.get_facecolor()[0]) == parts.PAPER and bars.get_zorder() == 2.5
        for path in bars.get_paths()
    ]
    assert len(hollow) == sum(map(len, places.values())) > 0
    assert "wanted, not placed (while there is room)" in told


def test_a_line_stands_at_now_and_hollow_marks_after_it(day):
    scenario, around, plan = day
    hour = 30.5
    now_utc = around.sky.index[0] + pd.Timedelta(hours=hour)
    none = plan.timeline.iloc[:0]
    wanted = {a.name: 0 for a in scenario.activity}
    drawn = figures.timeline_figure(scenario, around, none, plan.verdict, runs_placed=wanted,
                                    now_utc=now_utc)  # fmt: skip
    hollow_h = [
        path.vertices[:, 0].min()
        for ax in drawn.axes
        for bars in ax.collections
        if to_hex(bars.get_facecolor()[0]) == parts.PAPER and bars.get_zorder() == 2.5
        for path in bars.get_paths()
    ]
    assert hollow_h and min(hollow_h) >= hour
    resources = figures.resources_figure(scenario, around, plan.verdict, now_utc)
    for figure, panels in ((drawn, 3 + 2 + len(scenario.platform) - 1),
                           (resources, 4 * len(scenario.platform))):  # fmt: skip
        assert f"now, {now_utc:%H:%M}" in words(figure)
        lines = [line for ax in figure.axes for line in ax.lines
                 if line.get_linewidth() == 1.4 and set(line.get_xdata()) == {hour}]  # fmt: skip
        assert len(lines) == panels


def test_the_key_names_only_what_the_picture_holds(picture):
    dark, bright = words(picture("plan", "night")), words(picture("plan", "day"))
    assert "night" in dark and "eclipse" not in dark
    assert "eclipse" in bright and "night" not in bright
    assert "required run" in bright and "required run" not in dark
    assert "wanted, not placed (while there is room)" not in dark


def test_as_many_runs_are_marked_as_are_required(day, picture):
    scenario, _, plan = day
    marked = sum(
        len(line.get_xdata())
        for ax in picture("plan", "day").axes
        for line in ax.lines
        if line.get_marker() == "v"
    )
    placed = plan.timeline["activity"].value_counts()
    assert marked == sum(min(a.must, placed.get(a.name, 0)) for a in scenario.activity) > 0


def test_resources_show_every_limit(day, picture):
    scenario, _, plan = day
    told = words(picture("resources", "day"))
    for platform in scenario.platform:
        assert f"bus limit {platform.bus_limit_w:g} W" in told
        assert f"capacity {platform.store.capacity_mbit:,.0f}" in told
        reserve = f"{platform.name} reserve {100 * platform.battery.reserve:g} %"
        assert any(text.startswith(reserve) for text in told)
        sent_mbit = plan.verdict.resources[platform.name]["sent_mbit"].sum()
        assert f"sent, {sent_mbit:,.0f} Mbit" in told


def test_under_reserve_is_filled_and_shown_in_numbers(night, picture):
    scenario, around, plan = night
    charge = plan.verdict.resources["lander"]["state_of_charge"]
    assert charge.min() < 0.2
    assert f"lander {100 * charge.iloc[-1]:.0f} %" in words(picture("plan", "night"))


def test_every_contact_is_a_bar_as_tall_as_its_station_stands(day, picture):
    scenario, around, _ = day
    figure = picture("link", "day")
    for ax, station in zip(figure.axes, scenario.station):
        rows = around.contacts[around.contacts["station"] == station.name]
        tops_deg = [bar.get_height() for bars in ax.containers for bar in bars]
        assert tops_deg == pytest.approx(rows["max_station_elevation_deg"].tolist())
    gap = [text for text in words(figure) if text.startswith("longest gap")]
    heard = around.platforms["lander"]["in_contact"].to_numpy()
    silent = max(len(run) for run in "".join(".#"[int(h)] for h in heard).split("#"))
    assert gap == [f"longest gap {silent / 60:.1f} h\nopen {100 * heard.mean():.0f} % of the span"]


def test_use_of_every_station_is_told_beside_its_contacts(day, picture):
    scenario, around, _ = day
    for station in scenario.station:
        used_h = (around.platforms["lander"]["station"] == station.name).sum() / 60
        assert any(w.endswith(f"h, {used_h:.1f} h used") for w in words(picture("link", "day")))


# Machado, Oliveira & Fernandes 2009, IEEE Trans. Vis. Comput. Graph. 15:1291, severity 1.0, in
# linear RGB; from memory, checked in that each row sums to one (grey stays grey).
SEEN_AS = {
    "by most": np.eye(3),
    "without long cones": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
                           [-0.003882, -0.048116, 1.051998]],
    "without middle cones": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
                             [-0.011820, 0.042940, 0.968881]],
    "without short cones": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
                            [0.004733, 0.691367, 0.303900]],
}  # fmt: skip
# Relative luminance of linear sRGB, IEC 61966-2-1; it is also what a grey print keeps.
LUMINANCE = np.array([0.2126, 0.7152, 0.0722])


def lightness(tone, seen_as):
    """CIE 1976 L* (0..100) of a tone as someone sees it; by most is also the grey print."""
    srgb = np.array([int(tone[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    linear = np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)
    share = LUMINANCE @ np.clip(np.array(SEEN_AS[seen_as]) @ linear, 0, 1)
    return 116 * np.cbrt(share) - 16 if share > 0.008856 else 903.3 * share


MEETING = [
    (parts.PAPER, parts.NIGHT),
    (parts.NIGHT, parts.ECLIPSE),
    (parts.NIGHT, parts.GROUND),
    (parts.ECLIPSE, parts.GROUND),
    (parts.PAPER, parts.WINDOW),
    *((parts.WINDOW, tone) for tone in (*parts.SLOTS, parts.INK)),
    *combinations(parts.SLOTS, 2),
    *((parts.CONTACT_LOOK["facecolor"], t) for t in (parts.PAPER, parts.NIGHT, parts.ECLIPSE)),
    *((parts.LIGHT, tone) for tone in (parts.SUN, parts.LINES[0]["color"])),
    *((parts.PAPER, look["color"]) for look in parts.LINES),
    *((parts.NIGHT, look["color"]) for look in parts.LINES),
    (parts.NIGHT, parts.SUN),
    (parts.NIGHT, parts.EARTH),
]


@pytest.mark.parametrize("seen_as", SEEN_AS)
def test_tones_that_meet_differ_in_lightness(seen_as):
    assert np.sum(SEEN_AS[seen_as], axis=1) == pytest.approx(1, abs=2e-6)  # six decimals
    # A step of 2 is just seen side by side; 9 still is on a poor print of small bars.
    for tone, other in MEETING:
        assert abs(lightness(tone, seen_as) - lightness(other, seen_as)) >= 9, (tone, other)


def test_slot_tones_and_line_styles_run_from_dark_to_light_and_never_repeat():
    light = [lightness(tone, "by most") for tone in parts.SLOTS]
    assert light == sorted(light)
    assert len({str(look["linestyle"]) for look in parts.LINES}) == len(parts.LINES)
    looks = [parts.slot_look(t, h) for t in range(len(parts.SLOTS)) for h in range(2)]
    assert len({(look["facecolor"], look["hatch"]) for look in looks}) == len(looks)


def test_lightness_agrees_with_known_greys():
    # Mid grey #777777 is L* 50.03, white 100, black 0: follows from the formulas.
    assert lightness("#777777", "by most") == pytest.approx(50.03, abs=0.01)  # as printed
    assert lightness("#ffffff", "by most") == pytest.approx(100, abs=1e-3)  # rounded constants
    assert lightness("#000000", "by most") == 0
