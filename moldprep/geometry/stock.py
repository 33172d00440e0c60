"""Machining stock: chosen faces moved outward, their neighbors stretched after them."""

from typing import Final

import numpy as np
from scipy.spatial import KDTree

from moldprep.geometry.faces import Flags, Surface, carried, unit
from moldprep.geometry.flats import refilled
from moldprep.geometry.reshape import Planes, faults, patch_nearest, reshaped
from moldprep.geometry.solid import Floats, Ints, Solid
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
    if not stock_mm.any():
        return surface, labels
    patch = surface.patches(stock_mm > 0.0)
    n = int(patch.max(initial=-1)) + 1
    held = _upright(surface, patch)
    by = np.repeat(stock_mm[:, None], 3, axis=1)
    pushed = np.ones(n, np.bool_)
    result, source = surface, np.arange(len(surface.faces))
    while pushed.any():
        moved = np.where(patch >= 0, pushed[patch], False)
        planes = Planes(moved, surface.normals, by, held)
        result, source = refilled(surface, reshaped(surface, planes, is_level=False))
        bad = faults(surface, result, source)
        if not bad.any():
            break
        place = surface.points[result.faces[bad]].mean(axis=1)
        pushed[_nearest_patches(surface, np.where(moved, patch, -1), place)] = False
    else:
        result, source = surface, np.arange(len(surface.faces))
    labels = tuple(label[source] for label in labels)
    patch = patch[source]
    laid = [patch == number for number in range(n) if not pushed[number]]
    return _laid_on(result, laid, stock_mm[source], labels) if laid else (result, labels)


def _nearest_patches(surface: Surface, patch: Ints, places: Floats) -> Ints:
    """Return the patches nearest to some places."""
    mine = np.flatnonzero(patch >= 0)
    tree = KDTree(surface.points[surface.faces[mine]].reshape(-1, 3))
    _, row = tree.query(places)
    return np.asarray(np.unique(patch[mine[row // 3]]))


def _upright(surface: Surface, patch: Ints) -> Flags:
    """Return (m,) the straight faces that stand upright on the plane patch next to them."""
    moved = patch >= 0
    number = patch_nearest(surface, patch)
    held = np.zeros(len(moved), np.bool_)
    none = np.zeros(len(surface.bend_deg), np.bool_)
    one_half = np.zeros(len(moved), np.int64)
    for mine in range(int(patch.max(initial=-1)) + 1):
        facets = patch == mine
        lead = np.average(surface.normals[facets], axis=0, weights=surface.area_mm2[facets])
        if np.linalg.norm(lead) < PLANE_SHARE:
            continue  # a bore
        up = np.clip(surface.normals @ unit(lead), -1.0, 1.0)
        deg = np.degrees(np.arcsin(up))
        steep = ~moved & (np.abs(deg) <= WALL_DEG)
        straight = straight_faces(surface, deg, one_half, steep, none) >= 0
        held |= straight & (number == mine)
    return held


def _laid_on(
    surface: Surface, patches: list[Flags], stock_mm: Floats, labels: tuple[Flags, ...]
) -> tuple[Surface, tuple[Flags, ...]]:
    """Return the body with a slab on each patch."""
    body = Solid.from_mesh(surface.points, surface.faces)
    tops = surface.points
    for patch in patches:
        mm = float(stock_mm[patch].max())
        body = body + _slab(surface, patch, mm)
        tops = tops + _push(surface, patch, mm)
    joined = Surface.of(body)
    on_top = carried(labels, Surface(tops, surface.faces), joined)
    below = carried(labels, surface, joined)
    return joined, tuple(a | b for a, b in zip(on_top, below, strict=True))


def _push(surface: Surface, patch: Flags, mm: float) -> Floats:
    """Return (n, 3) how far each point goes so that the facets of a patch move by `mm`. [mm]"""
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
    return np.asarray(np.einsum("nij,nj,nkj,nk->ni", vector, inverse, vector, right))


def _slab(surface: Surface, patch: Flags, mm: float) -> Solid:
    """Return the closed body between a patch and the same patch moved outward."""
    n = len(surface.points)
    top = surface.points + _push(surface, patch, mm)
    low = surface.points + _push(surface, patch, -ROOT_MM)
    faces = surface.faces[patch]
    edges = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    key = edges[:, 0] * n + edges[:, 1]
    rim = edges[~np.isin(key, edges[:, 1] * n + edges[:, 0])]
    a, b = rim[:, 0], rim[:, 1]
    sides = np.vstack([np.column_stack([a + n, b + n, b]), np.column_stack([a + n, b, a])])
    everything = np.vstack([faces, faces[:, ::-1] + n, sides])
    used, index = np.unique(everything, return_inverse=True)
    return Solid.from_mesh(np.vstack([top, low])[used], index.reshape(-1, 3))
