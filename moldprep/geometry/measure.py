"""Facts measured on a solid's surface: points that stand for its area, wall thickness, depth."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldprep.geometry.rays import Rays
from moldprep.geometry.solid import Solid

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

GOLDEN: Final = np.array([0.7548776662466927, 0.5698402909980532])
"""Steps of the plane's golden sequence, which fills a square evenly (1/g, 1/g², g³ = g + 1)."""


@dataclass(frozen=True, eq=False)
class SurfacePoints:
    """Points spread over a surface; together they carry exactly its area.

    at_mm    : (n, 3) points
    normal   : (n, 3) outward unit normals
    area_mm2 : (n,) area each point stands for
    facet    : (n,) row of `mesh()` faces
    """

    at_mm: Floats
    normal: Floats
    area_mm2: Floats
    facet: Ints


def facets(solid: Solid) -> tuple[Floats, Floats]:
    """Return (outward unit normals (m, 3), areas (m,) [mm²]) of the facets of `mesh()`."""
    points, faces = solid.mesh()
    a, b, c = (points[faces[:, k]] for k in range(3))
    cross = np.cross(b - a, c - a)
    length = np.linalg.norm(cross, axis=1)
    return cross / np.maximum(length, 1e-300)[:, None], 0.5 * length


def surface_points(solid: Solid, each_mm2: float) -> SurfacePoints:
    """Return points over the surface, at least one a facet and one for every `each_mm2`."""
    points, faces = solid.mesh()
    normal, area = facets(solid)
    count = np.maximum(np.ceil(area / each_mm2), 1).astype(np.int64)
    facet = np.repeat(np.arange(len(faces)), count)
    rank = np.arange(len(facet)) - np.repeat(np.cumsum(count) - count, count)
    share = (0.5 + (rank[:, None] + 1) * GOLDEN) % 1.0
    share[count[facet] == 1] = 1.0 / 3.0
    over = share.sum(axis=1) > 1.0
    share[over] = 1.0 - share[over]  # fold the square onto the triangle
    a, b, c = (points[faces[facet, k]] for k in range(3))
    at = a + share[:, :1] * (b - a) + share[:, 1:] * (c - a)
    return SurfacePoints(at, normal[facet], (area / count)[facet], facet)


def wall_thickness_mm(rays: Rays, spots: SurfacePoints, skin_mm: float = 1e-3) -> Floats:
    """Return (n,) distance through the metal from each point, straight in; inf where none."""
    inward = -spots.normal
    distance, _ = rays.first(spots.at_mm + skin_mm * inward, inward)
    return distance + skin_mm


def thinnest_wall_mm(rays: Rays, spots: SurfacePoints, share: float = 0.05) -> float:
    """Return the wall thickness that this share of the surface is under. [mm]"""
    wall = wall_thickness_mm(rays, spots)
    order = np.argsort(wall, kind="stable")
    covered = np.cumsum(spots.area_mm2[order])
    first = int(np.searchsorted(covered, share * covered[-1]))
    return float(wall[order[min(first, len(order) - 1)]])


def depth_and_chord(rays: Rays, at_mm: Floats) -> tuple[Floats, Floats, Floats]:
    """Return (depth (n,), thickness through it (n,), middle of the chord (n, 3)) of inner points.

    The chord goes from the nearest surface point through the point to the far side.
    """
    near, _ = rays.nearest(at_mm)
    way = at_mm - near
    depth = np.linalg.norm(way, axis=1)
    way = way / np.maximum(depth, 1e-9)[:, None]
    beyond, _ = rays.first(at_mm, way)
    beyond = np.where(np.isfinite(beyond), beyond, depth)
    return depth, depth + beyond, at_mm + 0.5 * (beyond - depth)[:, None] * way
