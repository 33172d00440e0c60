"""Plane faces triangulated anew after their outlines moved.

When walls slide over a flat face, its long triangles may turn over although the face itself is
sound: a hub that grows across a triangle between two corners of the rim. Such faces get new
triangles between the same outline points.
"""

from typing import Final

import numpy as np
from shapely.geometry import Polygon

from moldprep.geometry.faces import Surface
from moldprep.geometry.solid import Floats, Ints, filled

PLANE_DEG: Final = 0.2
"""Facets that meet flatter than this are one plane."""

FLAT_MM: Final = 1e-3
"""A face whose points are all this near to one plane is still flat."""


def refilled(before: Surface, after: Surface) -> tuple[Surface, Ints]:
    """Return the moved surface with turned flats triangulated anew.

    Parameters
    ----------
    before, after
        The surface before and after its points moved; same facets.

    Returns
    -------
    tuple[Surface, NDArray]
        The surface, and (m,) the facet of `before` that each of its facets comes from.
    """
    every = np.arange(len(before.faces))
    turned = np.einsum("ij,ij->i", before.normals, after.normals) < 0.3
    if not turned.any():
        return after, every
    face = before.patches(np.ones(len(every), np.bool_), before.bend_deg < PLANE_DEG)
    keep = np.ones(len(every), np.bool_)
    faces, sources = [], []
    for number in np.unique(face[turned]):
        mine = np.flatnonzero(face == number)
        anew = _fill(before, after, mine)
        if anew is not None:
            keep[mine] = False
            faces.append(anew)
            sources.append(np.full(len(anew), mine[np.argmax(before.area_mm2[mine])]))
    new = Surface(after.points, np.vstack([after.faces[keep], *faces]))
    return new, np.concatenate([every[keep], *sources])


def _fill(before: Surface, after: Surface, mine: Ints) -> Ints | None:
    """Return the new facets of one flat, or None where its outline does not bound a flat."""
    loops = _outline(after.faces[mine])
    if loops is None:
        return None
    normal = before.normals[mine[np.argmax(before.area_mm2[mine])]]
    flat = [_on_plane(after.points[loop], normal) for loop in loops]
    height = np.concatenate([after.points[loop] @ normal for loop in loops])
    if np.ptp(height) > FLAT_MM or not _is_sound(flat):
        return None
    return np.asarray(np.concatenate(loops)[filled(flat)])


def _outline(faces: Ints) -> list[Ints] | None:
    """Return the closed outlines of some facets, or None where one touches itself."""
    edges = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    there = {(a, b) for a, b in edges.tolist()}
    follows = {a: b for a, b in there if (b, a) not in there}
    if len(follows) != sum((b, a) not in there for a, b in there):
        return None
    loops = []
    while follows:
        start = min(follows)
        loop = [start]
        while (point := follows.pop(loop[-1])) != start:
            loop.append(point)
        loops.append(np.array(loop, np.int64))
    return loops


def _on_plane(points: Floats, normal: Floats) -> Floats:
    """Return (k, 2) the points seen against the normal, counter-clockwise from outside."""
    lean = np.eye(3)[int(np.argmin(np.abs(normal)))]
    right = np.cross(lean, normal)
    right /= np.linalg.norm(right)
    return np.column_stack([points @ right, points @ np.cross(normal, right)])


def _is_sound(loops: list[Floats]) -> bool:
    """Return whether one loop runs around all others and none cross."""
    rings = sorted((Polygon(loop) for loop in loops), key=lambda ring: -ring.area)
    if not all(ring.is_valid for ring in rings):
        return False
    whole = Polygon(rings[0].exterior, [ring.exterior for ring in rings[1:]])
    return bool(whole.is_valid)
