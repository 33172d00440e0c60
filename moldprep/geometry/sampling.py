"""Points spread evenly over a surface, the same ones every time."""

from dataclasses import dataclass

import numpy as np

from moldprep.geometry.solid import Floats, Ints


@dataclass(frozen=True)
class Spots:
    """Points on facets, each standing for the same share of the area.

    point, normal : (n, 3) [mm], unit vectors
    facet         : (n,) row of the facet
    area_mm2      : what each point stands for
    """

    point: Floats
    normal: Floats
    facet: Ints
    area_mm2: float


def spread_points(corners: Floats, n: int) -> Spots:
    """Return n points on (m, 3, 3) facets, dealt out by area."""
    area = facet_areas(corners)
    edge = np.cumsum(area)
    facet = np.searchsorted(edge, (np.arange(n) + 0.5) / n * edge[-1])
    facet = np.minimum(facet, len(corners) - 1)
    u, v = np.random.default_rng(7).random((2, n))
    u, v = np.where(u + v > 1.0, 1.0 - u, u), np.where(u + v > 1.0, 1.0 - v, v)
    a, b, c = corners[facet, 0], corners[facet, 1], corners[facet, 2]
    point = a + u[:, None] * (b - a) + v[:, None] * (c - a)
    return Spots(point, unit_normals(corners)[facet], facet, float(edge[-1]) / n)


def unit_normals(corners: Floats) -> Floats:
    """Return (m, 3) outward unit normals of (m, 3, 3) facets; zero where a facet is a line."""
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(cross, axis=1, keepdims=True)
    return np.asarray(np.divide(cross, length, out=np.zeros_like(cross), where=length > 1e-12))


def facet_areas(corners: Floats) -> Floats:
    """Return (m,) areas of (m, 3, 3) facets. [mm²]"""
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return np.asarray(0.5 * np.linalg.norm(cross, axis=1))
