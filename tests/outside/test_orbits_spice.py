"""Other orbits against SPICE: eccentric ones, several segments, the discs of Earth and Sun.

spiceypy wraps the toolkit of NAIF (Acton 1996, Planetary and Space Science 44, 65). Sure: A, both
sides compute from the same data.
"""

import numpy as np
import pytest
import spiceypy
from tools.orbits import GM_KM3_S2, circle, tdb_s

from obsplan.ephemeris import HERE, open_ephemeris
from obsplan.inputs.spk_file import read_spk
from obsplan.physics.orbit import Piece, position_km
from obsplan.physics.orbiter_sky import (
    discs_deg,
    earth_visible_fraction,
    free_of_limb,
)
from obsplan.physics.time_scales import utc_of_tdb

EPHEMERIS = open_ephemeris()
BEGIN_S = tdb_s("2028-07-01T00:00:00")
DAYS = 20.0
RADII_KM = {"BODY301_RADII": 1737.4, "BODY399_RADII": 6378.137, "BODY10_RADII": 695_700.0}


@pytest.fixture(scope="module", autouse=True)
def kernels():
    for name in EPHEMERIS.files:
        spiceypy.furnsh(str(HERE / name))
    for name, radius_km in RADII_KM.items():
        spiceypy.pdpool(name, [radius_km] * 3)
        # How a sphere is turned does not matter, but the routine asks.
        for angle in ("POLE_RA", "POLE_DEC", "PM"):
            spiceypy.pdpool(f"{name.partition('_')[0]}_{angle}", [0.0, 0.0, 0.0])
    yield
    spiceypy.kclear()


def orbit_of(path, first_s, last_s):
    return [
        Piece(
            each.where,
            each.tdb_s,
            each.position_km,
            each.velocity_km_s,
            float(each.tdb_s[0]),
            float(each.tdb_s[-1]),
            True,
            4,
        )
        for each in read_spk(path, -999, first_s, last_s)
    ]


def geometric_km(seconds, orbiter_km):
    time = EPHEMERIS.time(utc_of_tdb(EPHEMERIS, seconds))
    moon = EPHEMERIS.moon.at(time)
    return [(body.at(time) - moon).xyz.km - orbiter_km for body in (EPHEMERIS.sun, EPHEMERIS.earth)]


@pytest.mark.parametrize("elements", [(1900.0, 0.0), (6000.0, 0.6), (40_000.0, 0.93)])
def test_what_is_hidden_is_what_spice_says(tmp_path, elements):
    """Low and high orbits: none, part or all of a disc, by SPICE's own routine `occult`."""
    semi_major_km, eccentricity = elements
    path, rng = tmp_path / "a.bsp", np.random.default_rng(3)
    periapsis = [semi_major_km * (1 - eccentricity), eccentricity, 1.4, 0.7, 0.4, 0.3]
    state = spiceypy.conics([*periapsis, BEGIN_S, GM_KM3_S2], BEGIN_S)
    handle = spiceypy.spkopn(str(path), "invented", 0)
    end_s = BEGIN_S + DAYS * 86400
    head = -999, 301, "J2000", BEGIN_S, end_s, "invented"
    spiceypy.spkw05(handle, *head, GM_KM3_S2, 1, [state], [BEGIN_S])
    spiceypy.spkcls(handle)
    orbit = orbit_of(path, BEGIN_S, end_s)
    seconds = np.sort(np.round(rng.uniform(BEGIN_S + 60, end_s - 60, 1200)))
    orbiter_km = position_km(orbit, seconds)
    spiceypy.furnsh(str(path))
    try:
        theirs_km = spiceypy.spkpos("-999", seconds, "J2000", "NONE", "MOON")[0].T
        assert np.abs(orbiter_km - theirs_km).max() < 1e-3  # a metre
        discs = discs_deg(orbiter_km, *geometric_km(seconds, orbiter_km))
        # The Earth also covers the Sun on these days, which is another question.
        behind_moon = free_of_limb(discs.sun_limb, discs.sun_radius, discs.limb_radius)
        for body, share, limb in (
            ("EARTH", earth_visible_fraction(discs), discs.earth_limb),
            ("SUN", behind_moon, discs.sun_limb),
        ):
            codes = np.array(
                [
                    spiceypy.occult(
                        *(body, "ELLIPSOID", f"IAU_{body}", "MOON", "ELLIPSOID", "IAU_MOON"),
                        *("NONE", "-999", second),
                    )
                    for second in seconds
                ]
            )
            # Codes above 0: the body is in front of the Moon; below: behind it, -3 wholly.
            ours = np.where(share == 0, -3, np.where(share < 1, -1, 0))
            kinds = np.where(codes == -3, -3, np.where(codes < 0, -1, 0))
            differ = ours != kinds
            # Where light from an edge just grazes the limb either may be right.
            edges = [
                np.abs(limb - sign * getattr(discs, f"{body.lower()}_radius")) for sign in (1, -1)
            ]
            assert not differ[np.min(edges, axis=0) > 1e-5].any(), body
            assert (kinds == -3).any() or eccentricity > 0.5
    finally:
        spiceypy.unload(str(path))


def test_segments_of_an_spk_file_are_not_mixed_and_the_last_counts(tmp_path):
    """Three segments: one, another orbit after an engine fired, and one written over both."""
    path = tmp_path / "a.bsp"
    handle = spiceypy.spkopn(str(path), "invented", 0)
    for begin_s, end_s, node_deg in ((0, 7200, 40.0), (7200, 14400, 55.0), (5000, 6000, 70.0)):
        times = [float(second) for second in range(begin_s, end_s + 1, 50)]
        states = [circle(second, node_deg=node_deg) for second in times]
        span = BEGIN_S + begin_s, BEGIN_S + end_s
        spiceypy.spkw13(
            handle, -999, 301, "J2000", *span, "a", 7, len(times), states, np.add(times, BEGIN_S)
        )
    spiceypy.spkcls(handle)
    orbit = orbit_of(path, BEGIN_S - 600, BEGIN_S + 20_000)
    assert [piece.where.rpartition(": ")[2] for piece in orbit] == [
        f"segment {k}" for k in (1, 2, 3)
    ]
    seconds = BEGIN_S + np.append(np.arange(0.0, 14400.0, 7.0), 14400.0)
    spiceypy.furnsh(str(path))
    try:
        theirs_km = spiceypy.spkpos("-999", seconds, "J2000", "NONE", "MOON")[0].T
    finally:
        spiceypy.unload(str(path))
    inside = (seconds != BEGIN_S + 7200) & (seconds != BEGIN_S + 5000) & (seconds != BEGIN_S + 6000)
    off_km = np.abs(position_km(orbit, seconds) - theirs_km).max(axis=0)
    assert off_km[inside].max() < 1e-6


def test_reading_leaves_no_kernel_loaded(tmp_path):
    before = spiceypy.ktotal("ALL")
    path = tmp_path / "a.bsp"
    handle = spiceypy.spkopn(str(path), "invented", 0)
    states, times = [circle(k * 60.0) for k in range(30)], BEGIN_S + 60.0 * np.arange(30)
    head = -999, 301, "J2000", times[0], times[-1], "a"
    spiceypy.spkw13(handle, *head, 7, 30, states, times)
    spiceypy.spkcls(handle)
    assert len(read_spk(path, -999, times[0], times[-1])) == 1
    assert spiceypy.ktotal("ALL") == before
    with pytest.raises(spiceypy.utils.exceptions.SpiceyError):
        spiceypy.spkpos("-999", times[5], "J2000", "NONE", "MOON")
