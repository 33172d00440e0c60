"""Facts measured on a solid by rays: wall thickness, depth under the surface."""

import numpy as np

from moldprep.geometry.rays import Rays
from moldprep.geometry.sampling import Spots
from moldprep.geometry.solid import Floats


def wall_thickness_mm(rays: Rays, spots: Spots, skin_mm: float = 1e-3) -> Floats:
    """Return (n,) distance through the metal from each point, straight in; inf where none."""
    inward = -spots.normals
    distance, _ = rays.first(spots.at_mm + skin_mm * inward, inward)
    return distance + skin_mm


def thinnest_wall_mm(rays: Rays, spots: Spots, share: float = 0.05) -> float:
    """Return the wall thickness that this share of the surface is under. [mm]"""
    return thickness_under_mm(wall_thickness_mm(rays, spots), spots, share)


def thickness_under_mm(wall: Floats, spots: Spots, share: float) -> float:
    """Return the thickness that this share of the surface is under, of (n,) at spots. [mm]"""
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
