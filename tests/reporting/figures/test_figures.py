"""Pictures: complete, legible, and the same bytes every time."""

import subprocess
import sys
from itertools import combinations

import matplotlib
import numpy as np
import pandas as pd
import pytest
from matplotlib.artist import Artist
from matplotlib.backends.backend_agg import FigureCanvasAgg
from tools.pictures import day, draw, night, picture, texts, utc, words

from obsplan.common.errors import ObsplanError
from obsplan.environment.build import make_environment
from obsplan.reporting.figures import layout
from obsplan.reporting.figures.goal_panel import GOAL_IN
from obsplan.reporting.figures.link import link_figure
from obsplan.reporting.figures.save import save_figure
from obsplan.reporting.figures.sky import sky_figure
from obsplan.reporting.hours import darkness, hours_of, minute_edges_h

every_picture = pytest.mark.parametrize("kind", ["sky", "link", "plan", "resources"])
every_scene = pytest.mark.parametrize("scene", ["day", "night"])


@every_picture
@every_scene
def test_axes_name_quantity_and_unit(kind, scene):
    figure = picture(kind, scene)
    units = (
        "(deg)",
        "(0 to 1)",
        "(K)",
        "(kbit/s)",
        "(% of capacity)",
        "(W)",
        "(Mbit)",
        "(share of value)",
    )
    labels = [ax.get_ylabel() for ax in figure.axes if ax.get_ylabel()]
    assert len(labels) >= 3
    assert all(label.endswith(units) for label in labels)
    assert {"UTC", "local time (h)"} <= words(figure)


@every_picture
@every_scene
def test_text_is_legible_on_the_page_and_never_on_other_text(kind, scene):
    figure = picture(kind, scene)
    renderer = FigureCanvasAgg(figure).get_renderer()
    figure.draw(renderer)
    boxes = [(t.get_text(), t.get_window_extent(renderer)) for t in texts(figure)]
    # At 1200 px across the page a point is 1200 / 11.69 / 72 px, so 7 pt are 10 px.
    assert min(t.get_size() for t in texts(figure)) >= 7
    # The rows of the demo's goals make the plan taller than a page, by no more than they are.
    goals = len(day().environment.scenario.goal) if (kind, scene) == ("plan", "day") else 0
    assert figure.get_figwidth() == pytest.approx(layout.WIDTH_IN)
    tallest_in = layout.HEIGHT_IN + (GOAL_IN * goals + 0.5 if goals else 0.0)
    assert layout.HEIGHT_IN - 0.01 <= figure.get_figheight() <= tallest_in + 0.01
    page = figure.bbox
    for text, box in boxes:
        assert not text.endswith("…")  # names are short here, so that nothing has to be cut
        assert page.x0 <= box.x0 and box.x1 <= page.x1, text
        assert page.y0 <= box.y0 and box.y1 <= page.y1, text
    for (text, box), (other, other_box) in combinations(boxes, 2):
        # A pixel of line box may meet where no ink does.
        across = min(box.x1, other_box.x1) - max(box.x0, other_box.x0)
        along = min(box.y1, other_box.y1) - max(box.y0, other_box.y0)
        assert across <= 1.5 or along <= 1.5, (text, other)


@every_picture
def test_the_same_input_gives_the_same_bytes(kind, tmp_path):
    with matplotlib.rc_context({"font.size": 20, "axes.grid": True, "svg.hashsalt": "x"}):
        before = dict(matplotlib.rcParams)
        again = draw(kind, day())
        for suffix in ("png", "svg", "pdf"):
            save_figure(again, tmp_path / f"again.{suffix}")
        assert dict(matplotlib.rcParams) == before
    for suffix in ("png", "svg", "pdf"):
        first = tmp_path / f"first.{suffix}"
        save_figure(picture(kind, "day"), first)
        content = first.read_bytes()
        assert content == (tmp_path / f"again.{suffix}").read_bytes()
        assert len(content) > 10_000
        assert not any(word in content for word in (b"Software", b"CreationDate", b"dc:date"))
    assert len(list(tmp_path.iterdir())) == 6  # nothing unfinished is left behind


def test_an_unknown_kind_of_picture_is_refused(tmp_path):
    with pytest.raises(ObsplanError, match="picture.txt.*png"):
        save_figure(draw("sky", night()), tmp_path / "picture.txt")
    assert list(tmp_path.iterdir()) == []


def test_a_save_that_fails_leaves_the_old_picture(tmp_path):
    class Broken(Artist):
        def draw(self, renderer):
            raise RuntimeError("no ink")

    figure = draw("sky", night())
    figure.add_artist(Broken())
    path = tmp_path / "sky.png"
    path.write_bytes(b"old")
    with pytest.raises(RuntimeError, match="no ink"):
        save_figure(figure, path)
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_picture_that_cannot_be_written_is_said(tmp_path):
    with pytest.raises(ObsplanError, match="sky.png: cannot be written .No such file"):
        save_figure(draw("sky", night()), tmp_path / "nowhere" / "sky.png")


def test_pyplot_is_never_loaded():
    code = (
        "import obsplan.reporting.figures.link, sys; sys.exit('matplotlib.pyplot' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code]).returncode == 0


def test_a_legend_too_wide_for_the_page_takes_another_row():
    items = [(f"meaning number {k}", layout.WINDOW_STYLE) for k in range(12)]
    figure, _ = layout.new_page("title", "", [layout.Panel(2.0)], 1.0, legend=items)
    renderer = FigureCanvasAgg(figure).get_renderer()
    boxes = [t.get_window_extent(renderer) for t in texts(figure) if "number" in t.get_text()]
    assert len(boxes) == 12 and len({round(box.y0) for box in boxes}) == 2
    assert all(box.x1 <= figure.bbox.x1 for box in boxes)


def test_title_is_taken_as_it_is_written():
    assert "costs $1, or $2_a$" in words(picture("plan", "night"))


def test_a_dark_span_is_one_night_without_eclipse():
    assert night().environment.contacts.empty
    dark, eclipse = darkness(night().environment)
    assert dark.tolist() == [[0.0, 56.5]]
    assert len(eclipse) == 0


def test_eclipse_band_lies_between_its_events():
    around = day().environment
    dark, eclipse = darkness(around)
    events = around.events.set_index("event")["time_utc"]
    begins, ends = hours_of(around, events[["eclipse begins", "eclipse ends"]])
    # Bands are made of whole minutes.
    assert eclipse.ravel() == pytest.approx([begins, ends], abs=1 / 60)
    assert len(dark) == 0  # the Sun stays up all the time
    told = [text for text in words(picture("sky", "day")) if text.startswith("eclipse ")]
    assert "eclipse 16:03 to 20:33, full 17:23 to 19:14" in told


def test_slope_band_and_magnetotail_are_shown_and_named():
    scenario = night().environment.scenario
    site = scenario.site.model_copy(update={"slope_uncertainty_deg": 5.0})
    span = {"start_utc": utc("2028-07-03T12:00Z"), "end_utc": utc("2028-07-04T12:00Z")}
    span = scenario.span.model_copy(update=span)
    banded = scenario.model_copy(update={"site": site, "span": span})
    around = make_environment(banded)
    figure = sky_figure(around)
    assert any("band for\n±5° of slope" in text for text in words(figure))
    inside_h = around.sky["in_magnetotail"].sum() / 60
    assert 0 < inside_h < 24
    assert f"{inside_h:.1f} h (±30°)" in words(figure)
    assert "outside" in words(picture("sky", "night"))
    assert not any("of slope" in text for text in words(picture("sky", "night")))


def test_local_noon_stands_where_the_sun_is_on_the_meridian():
    around = day().environment
    figure = picture("sky", "day")
    (local,) = figure.axes[0].child_axes
    ticks = {t.get_text(): x for t, x in zip(local.get_xticklabels(), local.get_xticks())}
    hours = minute_edges_h(around)[:-1]
    noon_h = hours[np.argmin(np.abs(around.sky["local_time_h"].to_numpy() - 12))]
    assert ticks["12"] == pytest.approx(noon_h, abs=1 / 60)  # the table's own step


def test_utc_ticks_begin_with_the_first_day_and_rule_midnights():
    start = pd.Timestamp("2028-12-30T06:00Z")
    ticks_h, labels, midnights_h = layout._utc_ticks(start, 72.0, 0.1)
    assert midnights_h.tolist() == [18.0, 42.0, 66.0]
    named = {h: label.split() for h, label in zip(ticks_h, labels) if len(label.split()) > 1}
    assert named == {
        0.0: ["06", "30", "Dec", "2028"],
        18.0: ["00", "31", "Dec"],
        42.0: ["00", "1", "Jan", "2029"],
        66.0: ["00", "2", "Jan"],
    }


def test_resources_show_every_limit():
    plan = day()
    scenario = plan.environment.scenario
    told = words(picture("resources", "day"))
    for platform in scenario.platform:
        assert f"bus limit {platform.bus_limit_w:g} W" in told
        assert f"capacity {platform.store.capacity_mbit:,.0f}" in told
        reserve = f"{platform.name} reserve {100 * platform.battery.reserve:g} %"
        assert any(text.startswith(reserve) for text in told)
        sent_mbit = plan.verdict.resources[platform.name]["sent_mbit"].sum()
        assert f"sent, {sent_mbit:,.0f} Mbit" in told


def test_a_panel_of_a_unit_draws_and_names_every_limit_within_reach():
    figure = picture("resources", "night")
    (panel,) = [ax for ax in figure.axes if "battery box" in ax.get_ylabel()]
    level = [line.get_ydata()[0] for line in panel.lines if len(set(line.get_ydata())) == 1]
    assert sorted(level) == [243.0, 253.0, 258.0, 273.0, 313.0, 323.0]
    low, high = panel.get_ylim()
    assert low < min(level) and max(level) < high < 600
    last_k = night().verdict.resources["lander"]["battery box_k"].iloc[-1]
    assert words(figure) >= {
        f"{last_k:.0f} K at end",
        "operating from 253 K",
        "operating to 323 K",
        "switch-on from 258 K",
        "switch-on to 313 K",
        "survival from 243 K",
        "survival to 600 K",
        "charges above 273 K",
    }


def test_under_reserve_is_filled_and_shown_in_numbers():
    plan = night()
    charge = plan.verdict.resources["lander"]["state_of_charge"]
    assert charge.min() < 0.2
    assert f"lander {100 * charge.iloc[-1]:.0f} % at end" in words(picture("plan", "night"))


def test_every_contact_is_a_bar_as_tall_as_its_station_stands():
    around = day().environment
    scenario = around.scenario
    figure = picture("link", "day")
    for ax, station in zip(figure.axes, scenario.station):
        rows = around.contacts[around.contacts["station"] == station.name]
        tops_deg = [bar.get_height() for bars in ax.containers for bar in bars]
        assert tops_deg == pytest.approx(rows["max_station_elevation_deg"].tolist())
    gap = [text for text in words(figure) if text.startswith("longest gap")]
    heard = around.platforms["lander"]["in_contact"].to_numpy()
    silent = max(len(run) for run in "".join(".#"[int(h)] for h in heard).split("#"))
    assert gap == [f"longest gap {silent / 60:.1f} h\nin contact {100 * heard.mean():.0f} %"]


def test_use_of_every_station_is_told_beside_its_contacts():
    around = day().environment
    scenario = around.scenario
    for station in scenario.station:
        used_h = (around.platforms["lander"]["station"] == station.name).sum() / 60
        assert any(w.endswith(f"h, {used_h:.1f} h used") for w in words(picture("link", "day")))


@pytest.mark.parametrize("kind", ["sky", "link", "resources"])
def test_the_key_names_only_darkness_that_there_is(kind):
    dark, bright = words(picture(kind, "night")), words(picture(kind, "day"))
    assert "night" in dark and "eclipse by the Earth" not in dark
    assert "eclipse by the Earth" in bright and "night" not in bright


def test_link_figure_shows_the_rate_of_a_platform_that_sends_through_another(demo):
    figure = link_figure(demo)
    (panel,) = [ax for ax in figure.axes if ax.get_ylabel().startswith("rate to a relay")]
    (line,) = [line for line in panel.lines if len(line.get_xdata()) > len(demo.sky)]
    assert set(line.get_ydata()) == {200.0}
    assert any("rover to lander" in text.get_text() for text in figure.texts)
