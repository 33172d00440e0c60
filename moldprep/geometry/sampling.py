"""Spots that stand for the area of a surface, the same ones every time."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from moldprep.geometry.solid import Floats, Ints

GOLDEN: Final = np.array([0.7548776662466927, 0.5698402909980532])
"""Steps of the plane's golden sequence, which fills a square evenly (1/g, 1/g², g³ = g + 1)."""

EDGE: Final = 1e-3
"""Spots keep this share of a facet off its edges, where a ray hits two facets."""


@dataclass(frozen=True, eq=False)
class Spots:
    """Spots on facets; together they carry exactly the area.

    facet    : (n,) row of the facet
    at_mm    : (n, 3) [mm]
    normals  : (n, 3) outward unit vectors
    area_mm2 : (n,) what each spot stands for [mm²]
    """

    facet: Ints
    at_mm: Floats
    normals: Floats
    area_mm2: Floats

    def only(self, which: Ints) -> "Spots":
        """Return some of the spots."""
        return Spots(
            self.facet[which], self.at_mm[which], self.normals[which], self.area_mm2[which]
        )


def spread_spots(corners: Floats, n: int) -> Spots:
    """Return n spots on (m, 3, 3) facets, each standing for the same area."""
    ends = np.cumsum(facet_areas(corners))
    steps = (np.arange(n) + 0.5) * (ends[-1] / n)
    facet = np.minimum(np.searchsorted(ends, steps, side="right"), len(ends) - 1)
    return _placed(corners, facet, np.full(n, ends[-1] / n))


def spots_on_facets(corners: Floats, each_mm2: float) -> Spots:
    """Return at least one spot on every one of (m, 3, 3) facets, and one for each `each_mm2`."""
    area = facet_areas(corners)
    count = np.maximum(np.ceil(area / each_mm2), 1).astype(np.int64)
    facet = np.repeat(np.arange(len(count)), count)
    return _placed(corners, facet, (area / count)[facet])


def _placed(corners: Floats, facet: Ints, area_mm2: Floats) -> Spots:
    share = (0.5 + np.arange(len(facet))[:, None] * GOLDEN) % 1.0
    over = share.sum(axis=1) > 1.0
    share[over] = 1.0 - share[over]  # fold the square onto the triangle
    u, v = (EDGE + (1.0 - 3.0 * EDGE) * share).T
    a, b, c = (corners[facet, k] for k in range(3))
    at = a + u[:, None] * (b - a) + v[:, None] * (c - a)
    return Spots(facet, at, unit_normals(corners)[facet], area_mm2)


def unit_normals(corners: Floats) -> Floats:
    """Return (m, 3) outward unit normals of (m, 3, 3) facets; zero where a facet is a line."""
    cross = _cross(corners)
    length = np.linalg.norm(cross, axis=1, keepdims=True)
    return np.asarray(np.divide(cross, length, out=np.zeros_like(cross), where=length > 1e-12))


def facet_areas(corners: Floats) -> Floats:
    """Return (m,) areas of (m, 3, 3) facets. [mm²]"""
    cross = _cross(corners)
    return np.asarray(0.5 * np.linalg.norm(cross, axis=1))


def _cross(corners: Floats) -> Floats:
    """Return (m, 3) cross products of two sides of (m, 3, 3) facets; NumPy's own is slow."""
    ax, ay, az = (corners[:, 1] - corners[:, 0]).T
    bx, by, bz = (corners[:, 2] - corners[:, 0]).T
    return np.stack([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx], axis=1)
