"""The page for the board: complete, escaped, accessible, and the same bytes every time."""

import re
from base64 import b64encode
from dataclasses import replace
from hashlib import sha256
from html import unescape
from importlib.resources import files

import numpy as np
import pandas as pd
import pytest
from tools.page import SWEEP, TITLE, Page, made, replanned

from obsplan.analysis.command_deadlines import uplink_deadlines
from obsplan.analysis.data_latency import latency_table
from obsplan.checking.check import check_timeline
from obsplan.checking.cold_charging import ColdCharging
from obsplan.common.caution import CAUTION
from obsplan.reporting.figures import layout
from obsplan.reporting.page import report
from obsplan.reporting.page.elements import curve, lasting, plain, safe, table, tag

CSS = files("obsplan.reporting.page").joinpath("report.css").read_text()


def plain_words(text):
    """A sentence as the page shows it, without elements."""
    return re.sub(r"<[^>]*>", "", unescape(plain(text)))


@pytest.fixture(scope="module")
def text():
    return report.report_page(made())


@pytest.fixture(scope="module")
def page(text):
    return Page(text)


def test_the_same_plan_gives_the_same_bytes(text):
    assert report.report_page(made()) == text


def test_page_tells_when_a_battery_is_too_cold_to_charge(text):
    times = tuple(made().environment.sky.index[[0, 90]])
    cold = ColdCharging("lander", "box", 273.0, (times,), 1.5, 4.0)
    verdict = replace(made().verdict, cold_charging=(cold,))
    told = plain_words(f"too cold to charge: {cold}")
    told_page = Page(report.report_page(replace(made(), verdict=verdict)))
    assert told in told_page.section("margins")
    assert "too cold to charge" not in text


def test_page_is_one_file_that_asks_for_no_other(text, page):
    assert not re.search(r"(?:src|href)\s*=\s*[\"'](?!#)", text)
    assert not re.search(r"https?:|url\(|@import|fetch\(|XMLHttp", text)
    assert not page.all("link") and not page.all("img")


def test_the_policy_allows_the_styles_and_the_script_of_the_page_and_nothing_else(text, page):
    ((meta, _),) = page.all("meta", http_equiv="Content-Security-Policy")
    policy = dict(rule.split(" ", 1) for rule in meta["content"].split("; "))
    assert policy.pop("default-src") == "'none'" and policy.pop("img-src") == "data:"
    for tag_name, rule in (("style", "style-src"), ("script", "script-src")):
        (inside,) = re.findall(f"<{tag_name}>(.*?)</{tag_name}>", text, re.S)
        digest = b64encode(sha256(inside.encode()).digest()).decode()
        assert policy.pop(rule) == f"'sha256-{digest}'"
    assert set(policy.values()) == {"'none'"}
    # What no hash covers: styles and handlers in attributes.
    assert not re.search(r"<[^>]*\s(?:style|on\w+)=", text)
    assert text.index("Content-Security-Policy") < text.index("<style>")


def test_elements_nest_and_ids_and_anchors_meet(page):
    assert page.nested
    ids = [a["id"] for _, a, _ in page.elements if "id" in a]
    assert len(ids) == len(set(ids))
    assert {a["href"].lstrip("#") for a, _ in page.all("a")} <= set(ids)
    assert {a["aria-labelledby"] for a, _ in page.all("section")} <= set(ids)


def test_names_and_title_are_escaped(text, page):
    assert text.count("<script>") == 1 and "<i>sweep" not in text
    ((_, heading),) = page.all("h1")
    assert heading == TITLE
    assert SWEEP in page.section("activities")


def test_headings_run_in_order_and_the_language_is_told(page):
    levels = [int(t[1]) for t, _, _ in page.elements if re.fullmatch(r"h[1-6]", t)]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(b <= a + 1 for a, b in zip(levels, levels[1:]))
    assert page.all("html", lang="en") and page.all("meta", charset="utf-8")
    assert all(t.strip() for _, t in page.all("h2"))


def test_pictures_tables_and_slots_have_words_of_their_own(page):
    assert all(a["role"] == "img" and a["aria-label"] for a, _ in page.all("svg"))
    assert all(a["aria-label"] for a, _ in page.all("button"))
    assert len(page.all("caption")) == len(page.all("table")) > 8
    assert all(a.get("scope") in ("row", "col") for a, _ in page.all("th"))


def test_headline_tells_runs_value_bound_margin_and_next_decision(page):
    plan = made()
    around, scene = plan.environment, plan.environment.scenario
    ((_, head),) = page.all("header")
    placed = plan.timeline["activity"].isin([a.name for a in scene.activity]).sum()
    assert f"{placed} of {sum(a.count for a in scene.activity)}" in head
    assert "proven optimal" in head and f"value {plan.value:.1f}" in head
    assert plan.verdict.summary in head
    assert "27 log" in head  # what is missing
    first = uplink_deadlines(around, plan.timeline).dropna(subset="deadline_utc").iloc[0]
    assert f"{first['deadline_utc']:%Y-%m-%d %H:%M}" in head and first["slot"] in head


def test_headline_names_the_margins_that_are_used_up():
    plan = made()
    margins = plan.verdict.margins
    for names in (["free storage"], ["free storage", "contact left after slot"]):
        thin = replace(plan.verdict, margins=margins.assign(thin=margins["margin"].isin(names)))
        ((_, head),) = Page(report.report_page(replace(plan, verdict=thin))).all("header")
        many = len(names) + 1  # of lander and rover, and of a slot
        assert f"{many} margins used up" in head and "less than 2 % or 10 min is left" in head
        assert "free storage: lander, rover" in head
    none = replace(plan.verdict, margins=margins.assign(thin=False))
    ((_, head),) = Page(report.report_page(replace(plan, verdict=none))).all("header")
    assert "used up" not in head and "smallest margin" in head


@pytest.mark.parametrize(
    "share, best, bound",
    [
        (1.0, "proven optimal", "no better plan exists on this time grid"),
        # 1 - 1/1.021409 is 2.096 % and 48.0 * 1.021409 is 49.03, both rounded up to stay true.
        (1.021409, "within 2.1 % of the optimum", "upper bound 49.1 for any plan"),
        (1.0005, "within 0.1 % of the optimum", "upper bound 48.1 for any plan"),
    ],
)
def test_how_good_a_plan_is_never_sounds_better_than_it_is(share, best, bound):
    plan = made()
    poorer = replace(plan, value=48.0, bound=48.0 * share)
    ((_, head),) = Page(report.report_page(poorer)).all("header")
    assert best in head and bound in head


def test_without_a_bound_none_is_claimed():
    plan = made()
    page = Page(report.report_page(replace(plan, bound=np.inf)))
    ((_, head),) = page.all("header")
    assert "no upper bound proven" in head and "optim" not in head


def test_without_uplink_the_next_decision_is_the_first_step_that_cannot_wait():
    plan = made(uplink=False)

    page = Page(report.report_page(plan))
    ((_, head),) = page.all("header")
    assert "latest start" in head and "insertion" in head
    assert "No command deadlines: " in page.section("decisions")


def test_three_smallest_margins_come_first_by_share_of_their_room(page):
    plan = made()
    around, scene = plan.environment, plan.environment.scenario
    shares = []
    for row in plan.verdict.margins.itertuples():
        if row.unit == "min":
            continue
        home = next(p for p in scene.platform if p.name == row.where)
        if row.margin.startswith("link"):
            room = around.platforms[row.where]["rate_kbps"].sum() * 0.06
        elif row.unit == "Wh":
            room = (1 - home.battery.reserve) * home.battery.capacity_wh
        else:
            room = home.bus_limit_w if row.unit == "W" else home.store.capacity_mbit
        shares.append((row.amount / room, row.margin, f"{row.time_utc:%Y-%m-%d %H:%M}"))
    smallest = sorted(shares, key=lambda s: s[0])[:3]
    rows = [t for _, t in page.all("tr")]
    head = next(k for k, t in enumerate(rows) if t.startswith("marginamount"))
    for (_, margin, when), row in zip(smallest, rows[head + 1 : head + 4]):
        assert row.startswith(margin) and row.endswith(when)


def test_margins_in_time_stand_apart_the_shortest_first(page):
    plan = made()
    in_time = plan.verdict.margins.query("unit == 'min'")
    rows = [t for _, t in page.all("tr")]
    head = rows.index("marginamountconditionslotwhen (UTC)")
    assert len(in_time)
    for row, told in zip(in_time.sort_values("amount").itertuples(), rows[head + 1 :]):
        activity = plan.timeline.set_index("slot").loc[row.where, "activity"]
        left = lasting(pd.Timedelta(minutes=row.amount))
        assert told == (
            f"{row.margin}{left}{row.condition or 'contact'}{row.where} ({activity})"
            f"{row.time_utc:%Y-%m-%d %H:%M}"
        )


@pytest.mark.parametrize("part", [1.0, 0.05])
def test_levels_are_drawn_from_empty_to_full_and_their_extremes_are_those_of_the_minutes(part):
    plan = made()
    emptier = {
        name: books.assign(stored_mbit=part * books["stored_mbit"])
        for name, books in plan.verdict.resources.items()
    }
    plan = replace(plan, verdict=replace(plan.verdict, resources=emptier))
    page = Page(report.report_page(plan))
    told = [a["aria-label"] for a, _ in page.all("svg")]
    lines = dict(zip(told, (a["points"] for a, _ in page.all("polyline"))))
    for platform in plan.environment.scenario.platform:
        books, capacity = plan.verdict.resources[platform.name], platform.store.capacity_mbit
        fullest = books["stored_mbit"].max()
        (store,) = [words for words in told if words.startswith(f"{platform.name} stored")]
        assert f"maximum {fullest:,.0f} of {capacity:,.0f} Mbit" in store
        heights = [float(point.split(",")[1]) for point in lines[store].split()]
        # The line shows the start of each step, and the store fills within one.
        assert min(heights) == pytest.approx(100 * (1 - fullest / capacity), abs=5.0)
        (charge,) = [words for words in told if words.startswith(f"{platform.name} state")]
        assert f"minimum {100 * books['state_of_charge'].min():.1f} %" in charge


@pytest.mark.parametrize("hour, kind", [(3, "now"), (11, "now late")])
def test_a_line_stands_at_now_and_what_is_missing_after_it(hour, kind):
    plan = made()
    around = plan.environment
    now_utc = around.sky.index[0] + pd.Timedelta(hours=hour)
    page = Page(report.report_page(replace(plan, now_utc=now_utc)))
    ((line, words),) = page.all("div", class_=kind)
    share = 100 * hour / 12
    assert line["style"] == f"left:{share:.3f}%" and words == f"now, {now_utc:%H:%M}"
    marks = [a["style"] for a, _ in page.all("i", class_="missing") if "style" in a]
    assert bool(marks) == (hour < 10)  # when the windows hold a run no more
    assert all(float(re.match(r"left:([\d.]+)", m)[1]) >= share - 1e-3 for m in marks)
    assert not Page(report.report_page(plan)).all("div", class_="now")


def test_a_replan_says_what_ran_otherwise_and_what_it_changes(page):
    made_anew, failed, cut = replanned()
    assert len(made_anew.changes)
    anew = Page(report.report_page(made_anew))
    part = anew.section("changes")
    for row in made_anew.changes.itertuples():
        assert row.change in part and row.slot in part and f"{row.value_change:+.1f}" in part
    assert f"{made_anew.kept} kept" in part and "old plan unchanged" in part
    assert all(plain_words(words) in part for words in made_anew.assumptions)
    rows = [t for _, t in anew.all("tr")]
    head = next(k for k, t in enumerate(rows) if t.endswith("outcomereason"))
    assert all(slot in " ".join(rows[head + 1 : head + 3]) for slot in (failed, cut))
    assert any(row.endswith("failedno answer") for row in rows)
    ((_, first),) = anew.all("header")
    assert f"{len(made_anew.changes)} change" in first and "1 shortened, 1 failed" in first
    assert not page.all("section", id="changes")


def test_runs_that_failed_or_were_shortened_are_marked_and_others_are_not(page):
    made_anew, failed, cut = replanned()
    anew = Page(report.report_page(made_anew))
    looks = {a["aria-label"].split()[0]: a["class"].split() for a, _ in anew.all("button")}
    assert {slot for slot, look in looks.items() if "failed" in look} == {failed}
    assert {slot for slot, look in looks.items() if "shortened" in look} == {cut}
    assert any(a["aria-label"].endswith("failed: no answer") for a, _ in anew.all("button"))
    key = [text for _, text in anew.all("li")]
    assert "failed run" in key and "shortened run" in key
    # Hatching and letter read in grey.
    assert '.failed::before { content: "F"' in CSS and '.shortened::before { content: "S"' in CSS
    assert not [text for _, text in page.all("li") if text in ("failed run", "shortened run")]


def test_what_did_not_fit_has_its_reason_and_its_remedy(page):
    plan = made()
    assert len(plan.unplaced)
    for row in plan.unplaced.itertuples():
        for words in (row.activity, plain(row.reason), plain(row.would_fit_if)):
            assert re.sub(r"<[^>]*>", "", unescape(words)) in page.section("unplaced")


def test_reasons_name_conditions_and_instants_in_words():
    told = plain("sun_elevation_deg <might> run from -2 to 9.5 (start 2028-07-11T20:30Z)")
    assert told == (
        "Sun elevation (deg) &lt;might&gt; run from -2 to 9.5 (start <time "
        'datetime="2028-07-11T20:30:00Z">2028-07-11 20:30</time> UTC)'
    )
    assert plain("my_sun_elevation_degree") == "my_sun_elevation_degree"


def test_what_is_broken_is_told_and_marked(page):
    plan = made()
    around = plan.environment
    slots = plan.timeline.copy()
    late = slots["activity"] == SWEEP
    slots.loc[late, ["start_utc", "end_utc"]] += pd.Timedelta(minutes=5)
    verdict = check_timeline(around, slots)
    broken = Page(report.report_page(replace(plan, timeline=slots, verdict=verdict)))
    assert "5 min after a whole step" in broken.section("broken")
    named = set(" ".join(verdict.violations["slots"]).split())
    marked = {
        a["aria-label"].split()[0]
        for a, _ in broken.all("button")
        if "broken" in a["class"].split()
    }
    assert marked == named and named >= set(slots.loc[late, "slot"])
    assert not page.all("section", id="broken")
    assert not any("violates a rule" in text for _, text in page.all("li"))


def test_missing_runs_without_room_are_counted():
    plan = made()
    around = plan.environment
    now_utc = around.sky.index[0] + pd.Timedelta(hours=11)
    page = Page(report.report_page(replace(plan, now_utc=now_utc)))
    (told,) = [text for _, text in page.all("li") if text.startswith("requested, not scheduled")]
    marks = sum("style" in a for a, _ in page.all("i", class_="missing"))
    rest = sum(map(int, re.findall(r"(\d+) more", told)))
    missing = (plan.unplaced["requested"] - plan.unplaced["placed"]).sum()
    assert rest > 0 and marks + rest == missing


def test_a_plan_with_everything_in_says_so():
    plan = made()
    page = Page(report.report_page(replace(plan, unplaced=plan.unplaced.iloc[:0])))
    assert "All requested runs are scheduled." in page.section("unplaced")


def test_every_slot_can_be_pointed_at_and_stands_in_its_table(page):
    plan = made()
    told = [a["aria-label"] for a, _ in page.all("button")]
    for slot in plan.timeline.itertuples():
        (row,) = [t for t in told if t.startswith(f"{slot.slot} {slot.activity} ")]
        assert f"{slot.start_utc:%Y-%m-%d %H:%M} to {slot.end_utc:%Y-%m-%d %H:%M} UTC" in row
        assert f"Sun {slot.sun_elevation_deg:.1f} deg" in row
        if slot.instrument != "radio":
            assert slot.slot in page.section("activities")


def test_slots_stand_where_their_times_are(page):
    plan = made()
    around = plan.environment
    span = around.sky.index[-1] - around.sky.index[0] + pd.Timedelta(minutes=1)
    began = around.sky.index[0]
    places = {a["aria-label"].split()[0]: a["style"] for a, _ in page.all("button")}
    for slot in plan.timeline.itertuples():
        left, wide = map(float, re.findall(r"([\d.]+)%", places[slot.slot]))
        # Written with three decimals of a per cent.
        assert left == pytest.approx(100 * ((slot.start_utc - began) / span), abs=6e-4)
        assert wide == pytest.approx(100 * ((slot.end_utc - slot.start_utc) / span), abs=6e-4)


def test_coverage_bins_are_filled_empty_or_out_of_reach(page):
    plan = made()
    bins = [(a.get("class"), t) for a, t in page.all("li") if re.match(r"\d+ to \d+ ", t)]
    assert [t.split()[0] for _, t in bins] == ["0", "4", "8", "11", "40"]
    own = plan.timeline[plan.timeline["activity"] == SWEEP]
    begin_utc = pd.Timestamp(plan.environment.scenario.span.start_utc)
    hours = (own["start_utc"] - begin_utc) / pd.Timedelta(hours=1)
    counts, _ = np.histogram(hours, [0, 4, 8, 11, 40, 60])
    for (kind, words), count in zip(bins[:3], counts):
        told = f" {count} run" if count == 1 else f" {count} runs"
        assert (kind, words.endswith(told)) in (("filled", True), ("empty", False))
    assert bins[4][0] == "out" and bins[4][1].endswith("out of reach")  # after the span


def test_latency_assumptions_hashes_and_caution_are_told(page):
    plan = made()
    around, _scene = plan.environment, plan.environment.scenario
    latency = latency_table(plan)
    received = latency[latency["received_mbit"] > 0]
    assert len(received)
    for row in received.itertuples():
        assert f"{row.median_h:.1f} h" in page.section("latency")
    assert "by priority, 1 first" in page.section("latency")
    for digest in around.kernels.values():
        assert digest[:16] in page.section("assumptions")
    assert CAUTION in page.section("caution")


def test_demo_sized_pages_stay_small(text):
    # The demo has some 230 slots; here the rest of the page weighs on fewer of them.
    plan = made()
    assert len(text) / len(plan.timeline) * 230 < 2_000_000


def test_curve_keeps_every_turn_and_drops_the_straight():
    assert curve(np.array([0.0, 5.0, 10.0, 10.0, 10.0, 0.0]), 10.0) == (
        "0.0,100.0 400.0,0.0 800.0,0.0 1000.0,100.0"
    )


def test_lengths_of_time_are_rounded_and_not_cut():
    told = [lasting(pd.Timedelta(minutes=m)) for m in (13.6, 119.4, 777.45)]
    assert told == ["14 min", "119 min", "13.0 h"]


def test_missing_values_are_empty_cells_and_numbers_stand_right():
    page = Page(table("t", ["a", "b", "c"], [("x", 3, pd.NaT), ("y", "4.5 h", "<")]))
    cells = page.all("td")
    assert [t for _, t in cells] == ["3", "", "4.5 h", "<"]
    assert [a.get("class") for a, _ in cells] == ["n", None, "n", None]
    assert safe(float("nan")) == "" and tag("p", None) == "<p></p>"


# ---------------------------------------------------------------------------- contrast


def luminance(tone):
    """Relative luminance as WCAG 2.0 defines it, as quoted by others."""
    tone = tone if len(tone) == 7 else "#" + "".join(2 * c for c in tone[1:])
    srgb = np.array([int(tone[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    linear = np.where(srgb <= 0.03928, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)
    return np.array([0.2126, 0.7152, 0.0722]) @ linear


def contrast(one, other):
    low, high = sorted([luminance(one), luminance(other)])
    return (high + 0.05) / (low + 0.05)


TONES = dict(re.findall(r"--(\w+): (#\w+)", CSS))
GROUNDS = [TONES["paper"], TONES["pale"], "#dfe7ee"]


def test_contrast_is_that_of_known_pairs():
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)  # as often quoted


@pytest.mark.parametrize("name", ["ink", "soft", "link"])
def test_text_stands_out_from_every_ground(name):
    # 4.5 is WCAG 2 level AA for text of ordinary size.
    assert all(contrast(TONES[name], ground) >= 4.5 for ground in GROUNDS)


def test_text_has_no_other_tones_than_those():
    used = set(re.findall(r"(?<![\w-])color: ([^;}]+)", CSS))
    assert used <= {"var(--ink)", "var(--soft)", "var(--link)"}
    focus = re.search(r":focus-visible { outline: 3px solid (#\w+)", CSS).group(1)
    assert contrast(focus, TONES["paper"]) >= 3  # WCAG 2 for what is not text


def test_slots_have_the_tones_of_the_figures_whose_lightness_is_tested():
    for name, tone in zip((r"\.slot", r"\.tone1", r"\.tone2", r"\.tone3"), layout.SLOT_COLOURS):
        assert re.search(rf"(?m)^{name} {{ background-color: {tone}; }}", CSS)
    assert f"background: {layout.WINDOW}" in CSS and layout.NIGHT in CSS
