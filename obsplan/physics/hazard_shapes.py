"""Places that a rover keeps out of: circles and polygons in metres east and north."""

from typing import NamedTuple

import numpy as np


class Circle(NamedTuple):
    """A circle around a point (2,); its rim is permitted."""

    centre_m: tuple[float, float]
    radius_m: float

    def box(self) -> tuple[np.ndarray, np.ndarray]:
        """South-west and north-east corner."""
        centre = np.array(self.centre_m)
        return centre - self.radius_m, centre + self.radius_m

    def crossed(self, start_m: np.ndarray, end_m: np.ndarray) -> np.ndarray:
        """Whether each segment (n, 2) to (n, 2) enters it."""
        along = end_m - start_m
        square = np.maximum((along**2).sum(axis=1), 1e-300)
        share = ((np.array(self.centre_m) - start_m) * along).sum(axis=1) / square
        nearest = start_m + np.clip(share, 0, 1)[:, None] * along
        return np.hypot(*(nearest - self.centre_m).T) < self.radius_m * (1 - 1e-12)


class Polygon(NamedTuple):
    """A polygon of three or more corners in order, closed by itself, convex or not."""

    corners_m: tuple[tuple[float, float], ...]

    def box(self) -> tuple[np.ndarray, np.ndarray]:
        """South-west and north-east corner."""
        corners = np.array(self.corners_m)
        return corners.min(axis=0), corners.max(axis=0)

    def crossed(self, start_m: np.ndarray, end_m: np.ndarray) -> np.ndarray:
        """Whether each segment (n, 2) to (n, 2) touches a side or lies within."""
        found = self._around(start_m) | self._around(end_m)
        for first, last in self._sides():
            found |= _cross(start_m, end_m, first, last)
        return found

    def _sides(self):
        corners = np.array(self.corners_m)
        return zip(corners, np.roll(corners, -1, axis=0))

    def _around(self, point_m: np.ndarray) -> np.ndarray:
        """Whether each point (n, 2) is within: a ray to the east meets an odd number of sides."""
        east, north = point_m.T
        odd = np.zeros(len(point_m), dtype=bool)
        for (e, n), (f, m) in self._sides():
            if n != m:
                meets = (n > north) != (m > north)
                odd ^= meets & (east < e + (f - e) * (north - n) / (m - n))
        return odd


Hazard = Circle | Polygon


def _cross(a: np.ndarray, b: np.ndarray, c: np.ndarray, d: np.ndarray) -> np.ndarray:
    """Whether segments a to b (n, 2) and the segment c to d (2,) have a point in common."""

    def turn(p, q, r):
        return np.sign(
            (q[..., 0] - p[..., 0]) * (r[..., 1] - p[..., 1])
            - (q[..., 1] - p[..., 1]) * (r[..., 0] - p[..., 0])
        )

    apart = (np.maximum(a, b) < np.minimum(c, d)) | (np.minimum(a, b) > np.maximum(c, d))
    sides = (turn(a, b, c) * turn(a, b, d) <= 0) & (turn(c, d, a) * turn(c, d, b) <= 0)
    return sides & ~apart.any(axis=1)
