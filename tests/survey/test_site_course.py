"""Many sites through many lunar days: what the sky over a site depends on."""

from datetime import UTC, datetime

import numpy as np
from tools.small import landing_table

from obsplan.inputs.read_scenario import scenario_from
from obsplan.physics.skyline import FLAT
from obsplan.survey.site_course import place_of, site_courses

SCENARIO = scenario_from(landing_table())
RANGE_S = [int(datetime(2028, month, 20, tzinfo=UTC).timestamp()) for month in (6, 7)]


def test_a_given_profile_replaces_the_skyline_that_a_place_names():
    """The places a landing may miss by have no skyline of their own: that of the site is used."""
    home = place_of(SCENARIO)
    wall = np.array([[0.0, 20.0]])
    flat, walled = site_courses(SCENARIO, [home, home], *RANGE_S, profiles=[FLAT, wall])
    # The Sun climbs 0.5 deg an hour at most: first light comes at least 40 h later.
    assert walled.light[1, 0] - flat.light[1, 0] > 40 * 3600
    [alone] = site_courses(SCENARIO, [home], *RANGE_S)
    np.testing.assert_array_equal(flat.light, alone.light)
