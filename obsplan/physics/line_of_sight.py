"""Line of sight between two antennas over the ground of the curved Moon.

The straight line between antennas at radii q and p from the Moon's centre, T apart as seen from
there, is at radius sin T / (sin(T - t) / q + sin t / p) at the angle t from the first: the line
between two points in polar coordinates. Sight is free if the ground is nowhere higher. The waves'
own width (the first Fresnel zone) is not considered.
"""

import numpy as np
from scipy.ndimage import map_coordinates

from obsplan.common.constants import MOON_RADIUS_KM
from obsplan.physics.ground_model import Ground

ANTENNA_M = 2.0  # above ground; on a small lander and rover, common practice, no source
# Spacing of samples along a line, in spacings of nodes. A crest at which the slope changes by
# 20 degrees may then be missed by 0.09 spacings.
SAMPLE = 0.5


def in_sight(
    ground: Ground, from_m: np.ndarray, to_m: np.ndarray, antenna_m: float = ANTENNA_M
) -> np.ndarray:
    """Whether antennas at points (n, 2) see the one at a point (2,), `antenna_m` above ground.

    Points are east and north. False if ground at an end or between is unknown.
    """
    from_m, to_m = np.reshape(from_m, (-1, 2)), np.reshape(to_m, (1, 2))
    sphere_m = MOON_RADIUS_KM * 1000
    near_m = sphere_m + ground.height_at(to_m)[0] + antenna_m
    far_m = sphere_m + ground.height_at(from_m) + antenna_m
    corner_m = ground.north_m[0], ground.east_m[0]
    seen = np.zeros(len(from_m), dtype=bool)
    away_m = np.hypot(*(from_m - to_m).T)
    samples = np.maximum(np.ceil(away_m / (SAMPLE * ground.spacing_m)).astype(int), 2)
    # Points with about as many samples are judged together.
    for first in range(0, len(from_m), 500):
        some = np.argsort(samples, kind="stable")[first : first + 500]
        share = np.arange(1, samples[some].max()) / samples[some].max()
        places = to_m[0] + share[:, None, None] * (from_m[some] - to_m[0])
        node = np.moveaxis((places[..., ::-1] - corner_m) / ground.spacing_m, -1, 0)
        ground_m = sphere_m + map_coordinates(ground.height_m, node, order=1, mode="nearest")
        apart = np.maximum(away_m[some] / ground.radius_m, 1e-12)
        t = share[:, None] * apart
        line_m = np.sin(apart) / (np.sin(apart - t) / near_m + np.sin(t) / far_m[some])
        seen[some] = (ground_m <= line_m).all(axis=0) & np.isfinite(far_m[some])
    return seen & np.isfinite(near_m)


def open_nodes(
    ground: Ground,
    to_m: np.ndarray,
    range_m: float | None,
    sight: bool = True,
    antenna_m: float = ANTENNA_M,
) -> np.ndarray:
    """Whether an antenna at each node (r, c) reaches the one at a point (2,).

    It must be no farther away than `range_m`, if there is such a limit, and see it, if `sight`.
    """
    east, north = np.meshgrid(ground.east_m, ground.north_m)
    nodes_m = np.column_stack([east.ravel(), north.ravel()])
    near = np.full(len(nodes_m), True)
    if range_m is not None:
        near = np.hypot(*(nodes_m - to_m).T) <= range_m
    if sight:
        near[near] = in_sight(ground, nodes_m[near], to_m, antenna_m)
    return near.reshape(ground.height_m.shape)
