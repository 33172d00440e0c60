"""Machining stock: chosen faces moved outward, their neighbors stretched after them."""

from typing import Final

import numpy as np

from moldprep.geometry.faces import Flags, Surface, carried
from moldprep.geometry.reshape import Planes, faults, reshaped
from moldprep.geometry.solid import Floats, Solid
from moldprep.geometry.walls import straight_faces

WALL_DEG: Final = 15.0
"""Straight faces this near to upright on the moved face keep their plane and grow with it."""

PLANE_SHARE: Final = 0.98
"""The mean normal of a plane face is longer than this; a bore's is nothing."""

ROOT_MM: Final = 0.02
"""How deep a laid-on slab of stock is set into the casting, so that they are one body."""


def with_stock(
    surface: Surface, stock_mm: Floats, labels: tuple[Flags, ...]
) -> tuple[Surface, tuple[Flags, ...]]:
    """Return the surface with stock on some facets, and the labels of its facets.

    Parameters
    ----------
    surface
        Closed and outward.
    stock_mm
        (m,) stock of each facet, 0 for most. [mm]
    labels
        (m,) flags to carry along.

    Notes
    -----
    Plane faces move by the stock, bores close by it all round. Where the faces around do not
    let a face move so (it would turn some over or run through others), a slab of the same
    thickness is laid on it instead.
    """
    moved = stock_mm > 0.0
    if not moved.any():
        return surface, labels
    by = np.repeat(stock_mm[:, None], 3, axis=1)
    planes = Planes(moved, surface.normals, by, _upright(surface, moved))
    result = reshaped(surface, planes, is_level=False)
    if not faults(surface, result).any():
        return result, labels
    return _laid_on(surface, stock_mm, labels)


def _upright(surface: Surface, moved: Flags) -> Flags:
    """Return (m,) the straight faces that stand upright on a moved plane face."""
    patch = surface.patches(moved)
    held = np.zeros(len(moved), np.bool_)
    leads: list[Floats] = []
    for number in range(int(patch.max(initial=-1)) + 1):
        mine = patch == number
        lead = np.average(surface.normals[mine], axis=0, weights=surface.area_mm2[mine])
        length = float(np.linalg.norm(lead))
        if length > PLANE_SHARE and all(abs(lead @ other) < 0.9999 * length for other in leads):
            leads.append(lead / length)
    none = np.zeros(len(surface.bend_deg), np.bool_)
    for lead in leads:
        deg = np.degrees(np.arcsin(np.clip(surface.normals @ lead, -1.0, 1.0)))
        steep = ~moved & (np.abs(deg) <= WALL_DEG)
        held |= straight_faces(surface, deg, np.zeros(len(moved), np.int64), steep, none) >= 0
    return held


def _laid_on(
    surface: Surface, stock_mm: Floats, labels: tuple[Flags, ...]
) -> tuple[Surface, tuple[Flags, ...]]:
    """Return the body with a slab on each patch of equal stock."""
    body = Solid.from_mesh(surface.points, surface.faces)
    top = surface
    for mm in np.unique(stock_mm[stock_mm > 0.0]):
        patch = surface.patches(stock_mm == mm)
        for number in range(int(patch.max()) + 1):
            body = body + _slab(surface, patch == number, float(mm))
        top = Surface(_pushed(surface, stock_mm == mm, float(mm), top.points), surface.faces)
    joined = Surface.of(body)
    on_top = carried(labels, top, joined)
    below = carried(labels, surface, joined)
    return joined, tuple(a | b for a, b in zip(on_top, below, strict=True))


def _pushed(surface: Surface, patch: Flags, mm: float, points: Floats) -> Floats:
    """Return the points with those of a patch moved so that its facets move by `mm`."""
    n = len(surface.points)
    matrix, right = np.zeros((n, 3, 3)), np.zeros((n, 3))
    normal = surface.normals[patch]
    for k in range(3):
        at = surface.faces[patch, k]
        weight = surface.corner_angles[patch, k]
        np.add.at(matrix, at, weight[:, None, None] * normal[:, :, None] * normal[:, None, :])
        np.add.at(right, at, mm * weight[:, None] * normal)
    value, vector = np.linalg.eigh(matrix)
    inverse = np.where(value > 1e-3 * np.maximum(value[:, 2:], 1e-12), 1.0 / value.clip(1e-300), 0)
    move = np.einsum("nij,nj,nkj,nk->ni", vector, inverse, vector, right)
    return np.asarray(points + move)


def _slab(surface: Surface, patch: Flags, mm: float) -> Solid:
    """Return the closed body between a patch and the same patch moved outward."""
    n = len(surface.points)
    top = _pushed(surface, patch, mm, surface.points)
    low = _pushed(surface, patch, -ROOT_MM, surface.points)
    faces = surface.faces[patch]
    edges = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    key = edges[:, 0] * n + edges[:, 1]
    rim = edges[~np.isin(key, edges[:, 1] * n + edges[:, 0])]
    a, b = rim[:, 0], rim[:, 1]
    sides = np.vstack([np.column_stack([a + n, b + n, b]), np.column_stack([a + n, b, a])])
    everything = np.vstack([faces, faces[:, ::-1] + n, sides])
    used, index = np.unique(everything, return_inverse=True)
    return Solid.from_mesh(np.vstack([top, low])[used], index.reshape(-1, 3))
