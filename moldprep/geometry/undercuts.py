"""What the pull can form: samples of a surface, what they see, and the patches left over.

A place of the surface belongs to the half its height is in. It can be formed if the sand that
touches it leaves straight along the pull: up in the cope, down in the drag. Sand in a pocket
(inside a bell that opens down, or a cup that opens up) goes with the half it is open to.
"""

from typing import Final

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from moldprep.arrays import Flags
from moldprep.geometry.faces import Surface
from moldprep.geometry.rays import Rays
from moldprep.geometry.sampling import Spots, spots_on_facets
from moldprep.geometry.solid import Floats, Ints, Solid
from moldprep.records.casting import Undercut

OVERHANG_MM: Final = 0.15
"""An overhang this deep or less is no undercut: it is one grain of molding sand (d50 0.14 to
0.25 mm, common practice, no source), and chords of a round surface stay well below it."""

CLEAR_MM: Final = 0.01
"""Rays start this far off the surface: far above float32 noise at 10 m, far below a grain."""

AT_PARTING_MM: Final = 0.02
"""A place this near the parting plane lies on it and belongs to the half its normal faces."""

SMALLEST_PATCH_MM2: Final = 1.0
"""Smaller patches are noise of the mesh; sand cannot show them."""

SAMPLES: Final = 20_000
"""Rays for comparing pull directions: a patch of 0.1 % of the surface still gets 20."""


def is_seen(rays: Rays, samples: Spots, pull: Floats) -> Flags:
    """Return (n,) whether the sand at each place leaves straight along the pull.

    The ray starts one grain beside the wall (`OVERHANG_MM`), so that chords and rounding of an
    upright or curved wall are not taken for undercuts.
    """
    along = samples.normals @ pull
    flat = samples.normals - along[:, None] * pull
    length = np.linalg.norm(flat, axis=1)
    beside = np.where(length > 0.05, OVERHANG_MM / np.maximum(length, 0.05), 0.0)
    start = samples.at_mm + CLEAR_MM * samples.normals + beside[:, None] * flat
    distance, _ = rays.first(start, pull)
    return np.asarray(~np.isfinite(distance))


def in_cope(samples: Spots, z_mm: float) -> Flags:
    """Return (n,) which places belong to the cope; z is up."""
    height = samples.at_mm[:, 2] - z_mm
    on_it = np.abs(height) <= AT_PARTING_MM
    return np.asarray(np.where(on_it, samples.normals[:, 2] >= 0.0, height > 0.0))


def in_pocket(solid: Solid, z_mm: float, xy: Floats) -> Flags:
    """Return (n,) which places have metal all round them in the section at a height; z is up."""
    islands = solid.slice_at(z_mm).geoms
    pockets = [shapely.Polygon(ring) for island in islands for ring in island.interiors]
    if not pockets:
        return np.zeros(len(xy), bool)
    area = shapely.union_all(pockets)
    shapely.prepare(area)
    return np.asarray(shapely.contains_xy(area, xy[:, 0], xy[:, 1]))


def is_blocked(
    solid: Solid, z_mm: float, samples: Spots, leaves_up: Flags, leaves_down: Flags
) -> Flags:
    """Return (n,) which places neither half can form with the mold opened at a height; z is up."""
    is_cope = in_cope(samples, z_mm)
    in_sand = samples.at_mm + OVERHANG_MM * samples.normals
    blocked = np.where(is_cope, ~leaves_up, ~leaves_down)
    for half, sense in ((is_cope & leaves_down, 1.0), (~is_cope & leaves_up, -1.0)):
        maybe = np.flatnonzero(blocked & half)
        if len(maybe):
            level = z_mm + sense * OVERHANG_MM
            blocked[maybe] = ~in_pocket(solid, level, in_sand[maybe, :2])
    return np.asarray(blocked)


def find_undercuts(surface: Surface, z_mm: float) -> tuple[Undercut, ...]:
    """Return the patches neither half can form, largest first; part frame, z up."""
    samples = spots_on_facets(surface.points[surface.faces], surface.area_mm2.sum() / SAMPLES)
    rays = surface.rays
    up = np.array([0.0, 0.0, 1.0])
    is_cope = in_cope(samples, z_mm)
    solid = Solid.from_mesh(surface.points, surface.faces)
    blocked = is_blocked(
        solid, z_mm, samples, is_seen(rays, samples, up), is_seen(rays, samples, -up)
    )
    found = [
        undercut
        for side, belongs in (("cope", is_cope), ("drag", ~is_cope))
        for undercut in _patches(surface, samples, blocked & belongs, side)
    ]
    return tuple(sorted(found, key=lambda one: (-one.area_mm2, one.at_mm)))


def _patches(surface: Surface, samples: Spots, blocked: Flags, side: str) -> list[Undercut]:
    """Group blocked places whose facets touch."""
    hit = np.flatnonzero(blocked)
    if len(hit) == 0:
        return []
    patch = _touching(surface, np.unique(samples.facet[hit]))[samples.facet[hit]]
    large = np.flatnonzero(np.bincount(patch, samples.area_mm2[hit]) >= SMALLEST_PATCH_MM2)
    found = []
    for number in large:
        mine = hit[patch == number]
        area, at = samples.area_mm2[mine], samples.at_mm[mine]
        middle = np.average(at, axis=0, weights=area)
        nearest = at[np.argmin(((at - middle) ** 2).sum(axis=1))]  # a ring's middle is not on it
        x, y, z = (float(v) for v in nearest)
        found.append(Undercut(area_mm2=float(area.sum()), at_mm=(x, y, z), side=side))
    return found


def _touching(surface: Surface, facets: Ints) -> Ints:
    """Return (m,) the patch of each facet: facets that share a point are one patch; else -1."""
    n, corners = len(surface.points), surface.faces[facets]
    one = np.concatenate([corners[:, 0], corners[:, 1]])
    two = np.concatenate([corners[:, 1], corners[:, 2]])
    graph = coo_array((np.ones(len(one), np.int8), (one, two)), shape=(n, n))
    _, label = connected_components(graph, directed=False)
    patch = np.full(len(surface.faces), -1, np.int64)
    patch[facets] = label[corners[:, 0]]
    return patch
