"""How fast the sky is, beside loops over SPICE calls on the same kernels, and events of the Sun.

    python tests/bench/bench_sky.py

Both sides give elevation, azimuth and range of Sun and Earth in the site's sky, one lunar
month by the minute, on one core. SPICE computes one instant a call, so it runs in a loop;
its calls are timed, not the conversion of the results into arrays. The events are all
risings, settings and eclipse contacts of thirty years to the second; a loop over SPICE at
the scan's ten minutes is what they would take at least without refinement.
"""

import time

import numpy as np
import spiceypy

from obsplan.ephemeris import HERE, open_ephemeris
from obsplan.physics import sky
from obsplan.physics.skyline import FLAT

SITE = (26.0, 3.0, 0.0)
FIRST = np.datetime64("2028-07-01T00:00:00")
MINUTES = FIRST + (60 * np.arange(30 * 1440)).astype("timedelta64[s]")
MANY = 100


def seconds(job):
    start = time.perf_counter()
    result = job()
    return time.perf_counter() - start, result


def ours(ephemeris, latitude, longitude, height_m):
    sun_km, earth_km, site_scale = sky.sun_and_earth_km(ephemeris, MINUTES)
    place = latitude, longitude, height_m
    return (
        sky.elevation_azimuth_range(sun_km, *place),
        sky.elevation_azimuth_range(earth_km, *place, site_scale),
    )


def theirs(ephemeris):
    """Per body and instant: elevation and azimuth in degrees, range in km."""
    latitude, longitude = np.radians(SITE[:2])
    site = spiceypy.latrec(1737.4 + SITE[2] / 1000, longitude, latitude)
    turn = spiceypy.eul2m(0.0, np.pi / 2 - latitude, longitude, 3, 2, 3)
    # The leap seconds come from the same clock as ours, once for all instants.
    time = ephemeris.time(MINUTES)
    ephemeris_s = ((time.whole - 2451545.0) + time.tdb_fraction) * 86400.0
    found = {}
    for body in ("SUN", "EARTH"):
        rows = []
        for second in ephemeris_s.tolist():
            state, _ = spiceypy.spkcpo(
                body, second, "MOON_ME_DE421", "OBSERVER", "LT+S", site, "MOON", "MOON_ME_DE421"
            )
            range_km, right, elevation = spiceypy.recrad(spiceypy.mxv(turn, state[:3]))
            rows.append((elevation, np.pi - right, range_km))
        elevation, azimuth, range_km = np.array(rows).T
        found[body] = np.degrees(elevation), np.degrees(azimuth) % 360, range_km
    return found["SUN"], found["EARTH"]


def main():
    ephemeris = open_ephemeris()
    for name in ephemeris.files:
        spiceypy.furnsh(str(HERE / name))
    alone_s, mine = seconds(lambda: ours(ephemeris, *SITE))
    latitudes = np.linspace(-80, 80, MANY)
    many_s, _ = seconds(lambda: ours(ephemeris, latitudes, SITE[1], SITE[2]))
    loop_s, other = seconds(lambda: theirs(ephemeris))
    apart = max(np.abs(a[0] - b[0]).max() for a, b in zip(mine, other))
    print(
        f"{len(MINUTES)} instants, Sun and Earth, one site: ours {alone_s:.2f} s, "
        f"SPICE in a loop {loop_s:.2f} s, elevations agree to {apart:.1e} deg"
    )
    print(
        f"ratio: {loop_s / alone_s:.1f} for one site, "
        f"{MANY * loop_s / many_s:.0f} a site for {MANY} sites at once"
    )

    azimuth_deg = np.arange(0, 360, 0.5)
    rough = np.random.default_rng(1).uniform(-0.5, 0.5, 720) + np.sin(np.radians(3 * azimuth_deg))
    ragged = np.stack([azimuth_deg, rough], axis=1)
    first, last = np.datetime64("2020-01-01", "s"), np.datetime64("2049-12-30", "s")
    scan_s = (last - first).astype(int) / 600 / len(MINUTES) * loop_s
    for latitude, profile in ((26.0, FLAT), (26.0, ragged), (89.0, ragged)):
        taken_s, events = seconds(
            lambda: sky.sun_events(ephemeris, first, last, latitude, 3.0, 0.0, profile)
        )
        print(
            f"events of 30 years at {latitude:g} deg, {len(profile)}-point skyline: "
            f"{len(events)} in {taken_s:.1f} s; "
            f"ratio to SPICE over the scan alone {scan_s / taken_s:.0f}"
        )


if __name__ == "__main__":
    main()
