"""Directions and angles of vectors with their three components first: (3, ...)."""

import numpy as np


def rotated(matrix: np.ndarray, vector: np.ndarray) -> np.ndarray:
    """`matrix` (3, 3, ...) times `vector` (3, ...)."""
    return np.einsum("ij...,j...->i...", matrix, vector)


def length(vector: np.ndarray) -> np.ndarray:
    """Length (...) of vectors."""
    return np.sqrt((vector**2).sum(axis=0))


def angle_between_deg(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Angle between vectors (3, ...), as atan2 of cross and dot product: accurate at any angle."""
    return np.degrees(np.arctan2(length(np.cross(a, b, axis=0)), (a * b).sum(axis=0)))


def unit_vector(latitude, longitude) -> np.ndarray:
    """Unit vector (3, ...) of a direction given by two angles in radians."""
    latitude, longitude = np.broadcast_arrays(latitude, longitude)
    across = np.cos(latitude)
    return np.stack([across * np.cos(longitude), across * np.sin(longitude), np.sin(latitude)])


def local_angles(vector: np.ndarray, latitude, longitude):
    """Elevation, azimuth (degrees) and length of `vector` in the local plane."""
    x, y, z = vector
    outward = np.cos(longitude) * x + np.sin(longitude) * y
    east = np.cos(longitude) * y - np.sin(longitude) * x
    north = np.cos(latitude) * z - np.sin(latitude) * outward
    up = np.cos(latitude) * outward + np.sin(latitude) * z
    azimuth_deg = np.mod(np.degrees(np.arctan2(east, north)), 360.0)
    return (
        np.degrees(np.arctan2(up, np.hypot(east, north))),
        np.where(azimuth_deg >= 360.0, 0.0, azimuth_deg),
        length(vector),
    )
