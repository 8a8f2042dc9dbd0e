"""The page in a browser without a screen: it fits a phone, tells slots, and prints.

Skipped where no Chromium is installed (Debian: the package chromium).
"""

import html
import json
import re
import shutil
import subprocess

import numpy as np
import pandas as pd
import pytest
from matplotlib.image import imread
from tools.page import SWEEP, made

from obsplan.reporting.page.report import report_page

BROWSER = next(
    filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None
)
pytestmark = pytest.mark.skipif(BROWSER is None, reason="no Chromium on this machine")

# What the page does when used, read from outside through a frame as wide as a screen.
PROBE = """
addEventListener("load", () => setTimeout(() => {
  const frame = document.querySelector("iframe"), page = frame.contentDocument;
  const view = frame.contentWindow, slots = [...page.querySelectorAll("button.slot")];
  const told = () => page.getElementById("told").textContent;
  const key = (name) => page.activeElement.dispatchEvent(
    new view.KeyboardEvent("keydown", { key: name, bubbles: true }));
  const seen = { width: page.documentElement.scrollWidth, before: told() };
  seen.inOrder = slots.filter((slot) => slot.tabIndex === 0).length;
  slots[0].focus(); seen.focused = told();
  key("ArrowRight"); seen.right = told();
  key("ArrowDown"); seen.down = told();
  slots[4].click(); seen.clicked = told();
  slots[5].dispatchEvent(new view.MouseEvent("mouseenter")); seen.hovered = told();
  const axis = page.querySelector(".lanes").getBoundingClientRect();
  seen.places = slots.map((slot) => slot.getBoundingClientRect()).map(
    (box) => [(box.left - axis.left) / axis.width, (box.right - axis.left) / axis.width]);
  seen.labels = slots.map((slot) => slot.getAttribute("aria-label"));
  seen.narrowest = Math.min(...slots.map((slot) => slot.getBoundingClientRect().width));
  seen.apart = [...page.querySelectorAll(".names .name")].map(
    (name, k) => Math.abs(name.getBoundingClientRect().top
      - page.querySelectorAll(".axis.local, .lane, .axis.utc")[k].getBoundingClientRect().top));
  seen.small = Math.min(...[...page.querySelectorAll("body *")].filter(
    (e) => [...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim())
      && !["STYLE", "SCRIPT"].includes(e.tagName)).map(
    (e) => parseFloat(view.getComputedStyle(e).fontSize)));
  const edge = page.querySelector(".scroll").getBoundingClientRect().left;
  seen.cut = Math.max(...[...page.querySelectorAll(".axis span")].map(
    (label) => edge - label.getBoundingClientRect().left));
  document.body.innerHTML = "<pre id=seen></pre>";
  document.getElementById("seen").textContent = JSON.stringify(seen);
}, 200));
"""


def browse(folder, *arguments):
    """Run the browser once; its own profile, so that no other run is in the way."""
    command = [
        BROWSER,
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--hide-scrollbars",
        f"--user-data-dir={folder / 'profile'}",
        "--virtual-time-budget=4000",
    ]
    return subprocess.run([*command, *arguments], capture_output=True, text=True, timeout=120)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("browser")
    (folder / "report.html").write_text(report_page(made()), encoding="utf-8")
    return folder


def framed(folder, wide, script, name="report.html"):
    """A page that shows the report in a frame so wide."""
    page = html.escape((folder / name).read_text(encoding="utf-8"))
    path = folder / f"framed-{wide}-{len(script)}-{name}"
    path.write_text(
        f'<!DOCTYPE html><meta charset="utf-8"><style>body{{margin:0}}</style><body>'
        f'<iframe srcdoc="{page}" width="{wide}" height="1600" style="border:0"></iframe>'
        f"<script>{script}</script></body>",
        encoding="utf-8",
    )
    return path.as_uri()


@pytest.fixture(scope="module", params=[390, 1366])
def seen(folder, request):
    address = framed(folder, request.param, PROBE)
    done = browse(folder, "--window-size=1500,1700", "--dump-dom", address)
    (found,) = re.findall(r'<pre id="seen">(.*?)</pre>', done.stdout, re.S)
    return request.param, json.loads(html.unescape(found))


def test_page_never_scrolls_sideways_and_stays_legible(seen):
    wide, told = seen
    assert told["width"] <= wide
    assert told["small"] >= 10  # px
    assert told["narrowest"] >= 2  # px, or a slot of minutes would vanish


def test_the_first_date_of_the_axis_is_not_cut(folder):
    # Two figures and the widest month: the tick is at the very edge of the axis.
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert ">1 Jul<" in page
    (folder / "late.html").write_text(page.replace(">1 Jul<", ">28 Mar<"), encoding="utf-8")
    done = browse(
        folder, "--window-size=1500,1700", "--dump-dom", framed(folder, 1366, PROBE, "late.html")
    )
    (found,) = re.findall(r'<pre id="seen">(.*?)</pre>', done.stdout, re.S)
    assert json.loads(html.unescape(found))["cut"] <= 0  # px


def test_names_stand_level_with_their_lanes(seen):
    _, told = seen
    assert max(told["apart"]) <= 0.5  # px


def test_slots_stand_where_their_times_are(seen):
    _, told = seen
    plan = made()
    sky = plan.environment.sky
    begin, span = sky.index[0], pd.Timedelta(minutes=len(sky))
    rows = plan.timeline.set_index("slot")
    for label, place in zip(told["labels"], told["places"]):
        row = rows.loc[label.split()[0]]
        for column, edge in zip(("start_utc", "end_utc"), place):
            # 3 px of the narrowest axis: a slot of minutes is drawn wider than it is.
            assert edge == pytest.approx((row[column] - begin) / span, abs=3 / 700)


def test_slots_tell_their_rows_by_key_tap_and_pointer(seen):
    _, told = seen
    labels = told["labels"]
    assert told["before"] == "No slot selected." and told["inOrder"] == 1
    assert told["focused"] == labels[0] and told["right"] == labels[1]
    assert told["down"] in labels[2:]
    assert told["clicked"] == labels[4] and told["hovered"] == labels[5]
    assert SWEEP in " ".join(labels)


INTRUDER = '<script>document.title = "owned"</script><b onclick="0" style="color: red">x</b>'


@pytest.mark.parametrize("guarded", [True, False])
def test_nothing_that_gets_into_the_page_later_runs_in_it(folder, guarded):
    page = (folder / "report.html").read_text(encoding="utf-8")
    if not guarded:  # so that the test would notice a page without a policy
        page = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", page)
    path = folder / f"intruded-{guarded}.html"
    path.write_text(page.replace("<main>", "<main>" + INTRUDER), encoding="utf-8")
    seen = browse(folder, "--dump-dom", path.as_uri()).stdout
    assert ("<title>owned</title>" in seen) is not guarded
    # The page's own script has run all the same: one slot is in the order of Tab.
    assert len(re.findall(r'<button[^>]*tabindex="-1"', seen)) > 5


@pytest.mark.parametrize("wide", [390, 1366])
def test_screenshots_show_ink_from_edge_to_edge(folder, wide):
    path = folder / f"{wide}.png"
    browse(
        folder,
        f"--window-size={max(wide, 500)},1600",
        f"--screenshot={path}",
        framed(folder, wide, ""),
    )
    picture = imread(path)[:, :wide, :3].mean(axis=2)
    assert picture.shape == (1600, wide)
    dark = picture < 0.5
    assert 0.005 < dark.mean() < 0.3
    inked = np.flatnonzero(dark.any(axis=0))
    assert inked[0] < 0.12 * wide and inked[-1] > 0.88 * wide


def test_print_is_a_few_sheets_with_everything_unfolded(folder):
    path = folder / "print.pdf"
    browse(
        folder,
        "--no-pdf-header-footer",
        f"--print-to-pdf={path}",
        (folder / "report.html").as_uri(),
    )
    content = path.read_bytes()
    assert content.startswith(b"%PDF")
    assert 2 <= len(re.findall(rb"/Type\s*/Page\b", content)) <= 6
    if shutil.which("pdftotext"):
        words = subprocess.run(["pdftotext", "-layout", path, "-"], capture_output=True, text=True)
        for _, row in made().timeline.query("instrument != 'radio'").iterrows():
            assert row["slot"] in words.stdout
        assert "Coverage of time since the start of the span (h); out of reach" in words.stdout
        assert "Point at a slot" not in words.stdout and "flight rules" in words.stdout
