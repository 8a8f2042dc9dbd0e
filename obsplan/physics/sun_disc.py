"""How much of a disc in the sky is visible above a skyline or beside another disc.

Disc and skyline are projected onto a plane, azimuth scaled by the cosine of the elevation:
for the Sun below 60 deg an error of 1e-3 of its disc. The skyline is piecewise linear there,
so that all areas are exact and the visible share is continuous, at cliffs as well.
"""

import numpy as np


def disc_share_above(profile: np.ndarray, elevation_deg, azimuth_deg, radius_deg) -> np.ndarray:
    """Share 0..1 of a disc that is above the skyline; arrays of one shape.

    `profile` is a skyline as in `obsplan.physics.skyline`.
    """

    def share(elevation_deg, azimuth_deg, radius_deg):
        area = 0.0
        for piece in _pieces(profile, elevation_deg, azimuth_deg, radius_deg):
            area = area + _area_above(*piece)
        return np.clip(area / np.pi, 0.0, 1.0)

    place = elevation_deg, azimuth_deg, radius_deg
    return _where_straddling(profile, *place, share, lambda out_of_terrain: out_of_terrain > 0.0)


def disc_clearance_deg(profile: np.ndarray, elevation_deg, azimuth_deg, radius_deg) -> np.ndarray:
    """Largest height of the disc's edge above the skyline, in degrees.

    Positive exactly where `disc_share_above` is: its sign changes are first and last light.
    For a disc above or below all terrain it is the height above a level skyline through the
    highest or the lowest point: of the right sign, but nearer to zero.
    """

    def clearance(elevation_deg, azimuth_deg, radius_deg):
        most = -np.inf
        for x0, y0, x1, y1, left, right in _pieces(profile, elevation_deg, azimuth_deg, radius_deg):
            rise = (y1 - y0) / (x1 - x0)
            # The circle is farthest above the line where it runs parallel to it.
            x = np.clip(-rise / np.hypot(1.0, rise), left, right)
            over = np.sqrt(1.0 - x**2) - y0 - rise * (x - x0)
            most = np.where(left < right, np.maximum(most, over), most)
        return most * radius_deg

    place = elevation_deg, azimuth_deg, radius_deg
    return _where_straddling(profile, *place, clearance, lambda out_of_terrain: out_of_terrain)


def disc_overlap(separation, radius_a, radius_b) -> np.ndarray:
    """Share 0..1 of disc a that disc b covers; all three in one unit, radii positive.

    The common area of two circles is two circular segments, r^2 (angle - sin angle cos
    angle), one of each circle. The half angles follow from the sides of the triangle of both
    centres and an intersection by the half-angle tangent formula, which stays accurate at
    the contacts.
    """
    d, a, b = (np.asarray(value, dtype=float) for value in (separation, radius_a, radius_b))
    near, far = np.maximum(b - d + a, 0.0), d + a + b
    beyond_a, beyond_b = np.maximum(d + b - a, 0.0), np.maximum(d + a - b, 0.0)
    angle_a = 2.0 * np.arctan2(np.sqrt(near * beyond_a), np.sqrt(beyond_b * far))
    angle_b = 2.0 * np.arctan2(np.sqrt(near * beyond_b), np.sqrt(beyond_a * far))
    lens = a**2 * _segment(angle_a) + b**2 * _segment(angle_b)
    inside = np.minimum(b / a, 1.0) ** 2
    share = np.where(d <= np.abs(a - b), inside, lens / (np.pi * a**2))
    return np.clip(np.where(near > 0.0, share, 0.0), 0.0, inside)


def _where_straddling(profile, elevation_deg, azimuth_deg, radius_deg, exact, rough) -> np.ndarray:
    """`exact(place)` for discs at the elevations of the terrain, `rough` for all others.

    `rough` is given the height of the disc's upper edge above the highest terrain, for discs
    above all of it, or above the lowest, for discs below all of it.
    """
    place = np.broadcast_arrays(
        *(np.asarray(part, dtype=float) for part in (elevation_deg, azimuth_deg, radius_deg))
    )
    elevation_deg, _, radius_deg = place
    lowest, highest = profile[:, 1].min(), profile[:, 1].max()
    above = elevation_deg - radius_deg >= highest
    straddling = ~above & (elevation_deg + radius_deg > lowest)
    edge_deg = elevation_deg + radius_deg - np.where(above, highest, lowest)
    found = np.asarray(rough(edge_deg), dtype=float)
    if straddling.any():
        found[straddling] = exact(*(part[straddling] for part in place))
    return found


def _pieces(profile, elevation_deg, azimuth_deg, radius_deg):
    """Straight pieces of the skyline across each disc (n,), in radii from its centre.

    Yields both ends (x0, y0, x1, y1) of a piece and the part of it across the disc, left <= x
    <= right, which is empty for discs with fewer pieces than others.
    """
    turns = np.repeat([-720.0, -360.0, 0.0, 360.0, 720.0], len(profile))
    nodes_deg = turns + np.tile(profile[:, 0], 5)
    heights_deg = np.tile(profile[:, 1], 5)
    # A disc that covers the zenith spans all azimuths.
    reach_deg = np.minimum(radius_deg / np.maximum(np.cos(np.radians(elevation_deg)), 1e-9), 180.0)
    middle_deg = np.mod(azimuth_deg, 360.0)
    first = np.searchsorted(nodes_deg, middle_deg - reach_deg, side="right") - 1
    last = np.searchsorted(nodes_deg, middle_deg + reach_deg, side="left")

    def node(number):
        x = (nodes_deg[number] - middle_deg) / reach_deg
        return x, (heights_deg[number] - elevation_deg) / radius_deg

    x1, y1 = node(first)
    for piece in range(1, (last - first).max() + 1):
        x0, y0 = x1, y1
        x1, y1 = node(np.minimum(first + piece, len(nodes_deg) - 1))
        # Points given in one direction differ by rounding at least.
        yield x0, y0, np.maximum(x1, x0 + 1e-12), y1, np.clip(x0, -1, 1), np.clip(x1, -1, 1)


def _area_above(x0, y0, x1, y1, left, right) -> np.ndarray:
    """Area of the unit disc above the line through two points, from x = left to right."""
    length = np.hypot(x1 - x0, y1 - y0)
    along_x, along_y = (x1 - x0) / length, (y1 - y0) / length
    offset = x0 * along_y - y0 * along_x  # of the line from the centre
    half_chord = np.sqrt(np.maximum(1.0 - offset**2, 0.0))
    to_middle = -(x0 * along_x + y0 * along_y)
    enters, leaves = to_middle - half_chord, to_middle + half_chord
    enter_x = np.clip(x0 + enters * along_x, left, right)
    leave_x = np.clip(x0 + leaves * along_x, left, right)
    to_left, to_enter, to_leave, to_right = map(_area_under, (left, enter_x, leave_x, right))
    rise = (y1 - y0) / (x1 - x0)
    mean_y = y0 + rise * ((enter_x + leave_x) / 2.0 - x0)
    # Outside its chord the line is above or below the whole disc.
    before = np.where(y0 + enters * along_y < 0.0, 2.0 * (to_enter - to_left), 0.0)
    after = np.where(y0 + leaves * along_y < 0.0, 2.0 * (to_right - to_leave), 0.0)
    return before + (to_leave - to_enter) - mean_y * (leave_x - enter_x) + after


def _area_under(x: np.ndarray) -> np.ndarray:
    """Integral of sqrt(1 - x^2) from 0 to x."""
    return 0.5 * (x * np.sqrt(1.0 - x**2) + np.arcsin(x))


def _segment(half_angle: np.ndarray) -> np.ndarray:
    """Area of a segment of the unit circle."""
    return half_angle - np.sin(half_angle) * np.cos(half_angle)
