"""Slabs of metal laid on faces that cannot be moved themselves.

A rib that grows past the next chord of the hub it stands on, or a machined face in the middle of
a free-form blend, leaves no sound way of moving the points there are. Then the layer between the
old face and the new one is a body of its own, joined to the casting.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from moldprep.arrays import Flags
from moldprep.geometry.faces import Surface, carried
from moldprep.geometry.reshape import SMOOTH_DEG, Corners, Planes
from moldprep.geometry.solid import Floats, Ints, Solid

ROOT_MM: Final = 0.02
"""How deep a slab is set into the body, so that they are one."""

CURVES_AWAY: Final = 0.1
"""A neighbor that curves away is met this share of the thickness further on: s² / 2R with R at
least five times the thickness."""

REENTRANT: Final = 1.1
"""A corner of a patch that turns in by more than this (of half a turn) cannot run both ways."""


@dataclass(frozen=True, eq=False)
class _Rim:
    """The edges around a patch.

    inner, outer : (k,) facets on the two sides of each edge
    ends         : (k, 2) its points
    stops        : (k,) whether the layer ends there in the neighbor's plane
    way          : (k, 3) direction across the edge, in the inner facet's plane
    run          : (k,) how far past the edge a layer of thickness 1 must go to leave no gap [-]
    """

    inner: Ints
    outer: Ints
    ends: Ints
    stops: Flags
    way: Floats
    run: Floats


def slab(surface: Surface, patch: Flags, planes: Planes) -> Solid:
    """Return the layer between a patch of facets and their new planes.

    At an outer edge of the patch the layer ends in the neighbor's plane; at an inner corner it
    runs on into the neighbor, so that no gap is left beside it.

    Parameters
    ----------
    surface
        The body.
    patch
        (m,) facets of one face.
    planes
        What is asked of all faces; neighbors that move too meet the layer in their new planes.
    """
    rim = _rim(surface, patch)
    thick = np.abs(planes.by_mm[rim.inner]).max(axis=1)
    run_mm = thick * (rim.run + CURVES_AWAY) + ROOT_MM
    top = surface.points + _lift(surface, patch, planes, rim, run_mm)
    by = np.full_like(planes.by_mm, -ROOT_MM)
    root = Planes(planes.moved, surface.normals, by, planes.held)
    low = surface.points + _lift(surface, patch, root, rim, run_mm)
    return _between(surface, patch, top, low)


def _rim(surface: Surface, patch: Flags) -> _Rim:
    """Return the edges around a patch."""
    pair, ends = surface.neighbors
    there = patch[pair]
    sharp = surface.bend_deg >= SMOOTH_DEG  # over a smooth edge the layer ends straight up
    at = np.flatnonzero((there[:, 0] != there[:, 1]) & sharp)
    pair, ends, there = pair[at], ends[at], there[at]
    inner = np.where(there[:, 0], pair[:, 0], pair[:, 1])
    outer = np.where(there[:, 0], pair[:, 1], pair[:, 0])
    off = surface.centers_mm[outer] - surface.centers_mm[inner]
    stops = np.einsum("ij,ij->i", off, surface.normals[inner]) < 0.0
    along = surface.points[ends[:, 1]] - surface.points[ends[:, 0]]
    way = np.cross(along, surface.normals[inner])
    way /= np.maximum(np.linalg.norm(way, axis=1), 1e-12)[:, None]
    middle = surface.points[ends].mean(axis=1)
    way *= np.sign(np.einsum("ij,ij->i", way, middle - surface.centers_mm[inner]))[:, None]
    bend = np.radians(surface.bend_deg[at])
    return _Rim(inner, outer, ends, stops, way, np.maximum(1.0 / np.tan(bend), 0.0))


def _lift(surface: Surface, patch: Flags, planes: Planes, rim: _Rim, run_mm: Floats) -> Floats:
    """Return (n, 3) how far the points of a patch go: to its planes, its stops, and on. [mm]"""
    n, mine = len(surface.points), np.flatnonzero(patch)
    at, row, by = surface.faces[mine], planes.row[mine], planes.by_mm[mine]
    outer, ends = rim.outer[rim.stops], rim.ends[rim.stops]
    moves = planes.moved[outer]
    stop_row = np.where(moves[:, None], planes.row[outer], surface.normals[outer])
    hit = (surface.faces[outer][:, None, :] == ends[:, :, None]) & moves[:, None, None]
    stop_by = (planes.by_mm[outer][:, None, :] * hit).sum(axis=2)
    on, way, run = rim.ends[~rim.stops], rim.way[~rim.stops], run_mm[~rim.stops]
    around = np.bincount(at.ravel(), surface.corner_angles[mine].ravel(), n)
    runs_on = np.where(around[on.ravel()] < REENTRANT * np.pi, 1.0, 0.0)
    corners = Corners.of(
        n,
        np.concatenate([at.ravel(), ends.ravel(), on.ravel()]),
        np.concatenate([np.repeat(row, 3, 0), np.repeat(stop_row, 2, 0), np.repeat(way, 2, 0)]),
        np.concatenate([by.ravel(), stop_by.ravel(), np.repeat(run, 2)]),
        np.concatenate([surface.corner_angles[mine].ravel(), np.ones(ends.size), runs_on]),
    )
    return corners.solved(np.zeros((n, 3)))


def _between(surface: Surface, patch: Flags, top: Floats, low: Floats) -> Solid:
    """Return the closed body between two places of a patch."""
    n = len(surface.points)
    faces = surface.faces[patch]
    edges = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    key = edges[:, 0] * n + edges[:, 1]
    rim = edges[~np.isin(key, edges[:, 1] * n + edges[:, 0])]
    a, b = rim[:, 0], rim[:, 1]
    sides = np.vstack([np.column_stack([a + n, b + n, b]), np.column_stack([a + n, b, a])])
    everything = np.vstack([faces, faces[:, ::-1] + n, sides])
    used, index = np.unique(everything, return_inverse=True)
    return Solid.from_mesh(np.vstack([top, low])[used], index.reshape(-1, 3))


def joined(
    surface: Surface, slabs: list[Solid], covered: Flags, labels: tuple[Flags, ...]
) -> tuple[Surface, tuple[Flags, ...]]:
    """Return the body with slabs on it, and the labels of its facets.

    Facets of a slab carry the labels of the nearest covered facet that faces as they do.
    """
    body = Solid.union([Solid.from_mesh(surface.points, surface.faces), *slabs])
    return labeled(surface, body, covered, labels)


def inside_out(surface: Surface, planes: Planes) -> tuple[Surface, Planes]:
    """Return the surface of what is not metal, and the same planes asked of it.

    A slab laid on that is the layer to be cut away from the metal.
    """
    turned = Surface(surface.points, surface.faces[:, ::-1])
    by_mm = -planes.by_mm[:, ::-1]
    return turned, Planes(planes.moved, -planes.row, by_mm, planes.held)


def labeled(
    surface: Surface, body: Solid, covered: Flags, labels: tuple[Flags, ...]
) -> tuple[Surface, tuple[Flags, ...]]:
    """Return the surface of a body made from another, with the labels of its facets.

    New facets carry the labels of the nearest covered facet that faces as they do.
    """
    new = Surface.of(body)
    face = Surface(surface.points, surface.faces[covered])
    laid = carried(tuple(label[covered] for label in labels), face, new, off_mm=np.inf)
    is_old, *kept = carried((np.ones(len(surface.faces), np.bool_), *labels), surface, new)
    return new, tuple(np.where(is_old, old, on) for old, on in zip(kept, laid, strict=True))
