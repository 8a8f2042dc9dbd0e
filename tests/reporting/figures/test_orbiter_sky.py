"""The picture of an orbiter's sky says what the tables say, with units, and without hue."""

import re

import numpy as np
import pytest
from tools.flying import NORTH, ORBITER, SPAN, flying
from tools.pictures import words

from obsplan.environment.build import make_link_environment
from obsplan.reporting.figures.link import link_figure
from obsplan.reporting.figures.orbiter_sky import EARTH_MARKS, SUN_MARKS, orbiter_sky_figure


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Two orbiters on one orbit."""
    folder = tmp_path_factory.mktemp("orbiter_sky")
    both = (ORBITER.replace('"orbiter"\nkind', f'"{name}"\nkind') for name in ("first", "second"))
    return make_link_environment(flying(folder, "".join([SPAN, NORTH, *both])))


@pytest.fixture(scope="module")
def drawn(made):
    return orbiter_sky_figure(made, ["first"])


def test_axes_have_their_quantities_and_units(drawn):
    told = " ".join(ax.get_ylabel() for ax in drawn.axes)
    for quantity in ("angle\n(deg)", "Moon's limb\n(deg)", "Earth below\n(deg)", "time (min)"):
        assert quantity in told


def test_what_is_written_is_what_the_tables_say(made, drawn):
    table, hidden = made.skies["first"], made.occultations
    told = "\n".join(words(drawn))
    low, high = table["earth_phase_deg"].min(), table["earth_phase_deg"].max()
    assert f"{low:.1f} to {high:.1f}°" in told
    mine = hidden[(hidden["platform"] == "first") & (hidden["body"] == "Earth")]
    whole = mine[mine["hidden"] == "whole disc"]
    share = 100 * whole["duration_s"].sum() / (60 * len(table))
    assert f"hidden {len(whole)} times,\n{share:.1f} % of the span" in told
    longest_min = float(re.search(r"■ Earth up to ([\d.]+) min", told)[1])
    assert longest_min == pytest.approx(whole["duration_s"].max() / 60, abs=0.051)
    contacts = made.contacts[made.contacts["platform"] == "first"]
    assert f"{len(contacts)} contacts, {contacts['duration_min'].sum() / 60:.1f} h" in told
    assert "seen from first" in told and "in orbit about the Moon" in told


def test_earth_and_sun_differ_by_shape_and_the_longitude_does_not_cross_the_page(drawn):
    assert EARTH_MARKS["marker"] != SUN_MARKS["marker"]
    (below,) = (ax for ax in drawn.axes if "Earth below" in ax.get_ylabel())
    longitude_deg = below.lines[-2].get_ydata()
    steps = np.abs(np.diff(longitude_deg[~np.isnan(longitude_deg)]))
    assert np.nanmax(np.abs(np.diff(longitude_deg))) < 180 <= max(180, steps.max())


def test_each_platform_has_its_panels(made, drawn):
    both = orbiter_sky_figure(made)
    assert len(both.axes) == 2 * len(drawn.axes)
    titles = {ax.get_title(loc="left") for ax in both.axes}
    assert {"first", "second"} <= titles


def test_the_link_has_a_panel_of_the_limb_for_each_orbiter(made):
    told = " ".join(ax.get_ylabel() for ax in link_figure(made).axes)
    for name in ("first", "second"):
        assert f"{name}: Earth from\nMoon's limb (deg)" in told
    assert "at the site" not in told
