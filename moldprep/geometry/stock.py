"""Machining stock: chosen faces moved outward, their neighbors stretched after them."""

from typing import Final

import numpy as np
from scipy.spatial import KDTree

from moldprep.arrays import Flags
from moldprep.geometry.faces import Surface, unit
from moldprep.geometry.flats import refilled
from moldprep.geometry.reshape import Planes, faults, patch_nearest, reshaped
from moldprep.geometry.slabs import joined, slab
from moldprep.geometry.solid import Floats, Ints
from moldprep.geometry.walls import straight_faces

WALL_DEG: Final = 15.0
"""Straight faces this near to upright on the moved face keep their plane and grow with it."""

PLANE_SHARE: Final = 0.98
"""The mean normal of a plane face is longer than this; a bore's is nothing."""


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
    moved = np.logical_or.reduce(patches)
    by = np.repeat(np.where(moved, stock_mm, 0.0)[:, None], 3, axis=1)
    planes = Planes(moved, surface.normals, by, np.zeros_like(moved))
    slabs = [slab(surface, patch, planes) for patch in patches]
    return joined(surface, slabs, moved, labels)
