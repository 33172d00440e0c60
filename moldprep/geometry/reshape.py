"""Faces of a mesh moved or turned, with their neighbors kept in their planes.

Every moved facet gets a new plane; its corners are put where the planes around them meet, so
edges stay sharp. Facets that blend smoothly into a moved face (fillets) follow it like a cloth;
all others keep their planes. What comes out is checked for facets turned over or run through.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.sparse import coo_array, csr_array, diags_array
from scipy.sparse.csgraph import dijkstra
from scipy.sparse.linalg import splu

from moldprep.geometry.faces import Flags, Surface
from moldprep.geometry.rays import Rays
from moldprep.geometry.solid import Floats, Ints

SMOOTH_DEG: Final = 35.0
"""Facets that meet flatter than this are one smooth surface; a coarse fillet of a quarter turn
has three facets or more."""

PLANE_DEG: Final = 0.2
"""Facets that meet flatter than this are one plane."""

LARGE_RADIUS_MM: Final = 60.0
"""A smooth surface rounder than this is a fillet, a flatter one a face of its own: the largest
fillets of castings stay below (common practice, no source)."""

REACH_MOVES: Final = 10.0
"""Unmoved surface follows a moved face no further than this many times the longest move."""

REACH_SHARE: Final = 0.05
"""Nor further than this share of the body's longest side, if that is more."""

FLAT_EIGENVALUE: Final = 1e-3
"""Planes nearer to parallel than about 2.5° do not fix a corner between them: rounding would."""

LONGEST_MOVE: Final = 12.0
"""A corner that has to go further than this many times the offset has no sensible place."""


@dataclass(frozen=True, eq=False)
class Planes:
    """What is asked of each facet of a surface.

    moved : (m,) facets that get a new plane
    row   : (m, 3) normal of the new plane, not necessarily of length 1
    by_mm : (m, 3) row · displacement of each of the facet's corners [mm]
    held  : (m,) facets that must keep their plane even where they blend into a moved one
    """

    moved: Flags
    row: Floats
    by_mm: Floats
    held: Flags


def reshaped(surface: Surface, planes: Planes, is_level: bool) -> Surface:
    """Return the surface with the asked planes.

    Parameters
    ----------
    surface
        Closed and outward.
    planes
        What is asked.
    is_level
        Whether points stay at their height where nothing else is asked (draft).
    """
    longest = float(np.abs(planes.by_mm[planes.moved]).max(initial=0.0))
    if longest == 0.0:
        return surface
    blend = _blends(surface, planes)
    asked = _Corners.gather(surface, planes, planes.moved, is_level)
    fixed = np.zeros(len(surface.points), np.bool_)
    fixed[surface.faces[planes.moved]] = True
    move = np.where(fixed[:, None], asked.solved(np.zeros_like(surface.points)), 0.0)
    move = _followed(surface, move, fixed, longest)
    everything = _Corners.gather(surface, planes, ~blend, is_level)
    return Surface(surface.points + everything.solved(move), surface.faces)


@dataclass(frozen=True, eq=False)
class _Corners:
    """Normal equations of the planes around each point.

    matrix : (n, 3, 3), right : (n, 3)
    """

    matrix: Floats
    right: Floats

    @classmethod
    def gather(cls, surface: Surface, planes: Planes, which: Flags, is_level: bool) -> "_Corners":
        """Return the equations of some facets, each weighted by its angle at the point."""
        facet = np.flatnonzero(which)
        row = np.where(planes.moved[facet, None], planes.row[facet], surface.normals[facet])
        by = np.where(planes.moved[facet, None], planes.by_mm[facet], 0.0)
        weight = surface.corner_angles[facet] / (row**2).sum(axis=1).clip(1e-12)[:, None]
        n = len(surface.points)
        matrix, right = np.zeros((n, 3, 3)), np.zeros((n, 3))
        outer = row[:, :, None] * row[:, None, :]
        for k in range(3):
            at = surface.faces[facet, k]
            np.add.at(matrix, at, weight[:, k, None, None] * outer)
            np.add.at(right, at, (weight[:, k] * by[:, k])[:, None] * row)
        if is_level:
            bare = np.ones(n, np.bool_)
            bare[surface.faces[facet[~planes.moved[facet]]]] = False
            matrix[bare, 2, 2] += 1.0
        return cls(matrix, right)

    def solved(self, near: Floats) -> Floats:
        """Return the displacements that meet the equations, nearest to the given ones."""
        value, vector = np.linalg.eigh(self.matrix)
        least = FLAT_EIGENVALUE * np.maximum(value[:, 2:], 1e-12)
        inverse = np.where(value > least, 1.0 / np.maximum(value, 1e-300), 0.0)
        miss = self.right - np.einsum("nij,nj->ni", self.matrix, near)
        along = np.einsum("nij,ni->nj", vector, miss) * inverse
        return np.asarray(near + np.einsum("nij,nj->ni", vector, along))


def _blends(surface: Surface, planes: Planes) -> Flags:
    """Return (m,) the unmoved facets that run smoothly into a moved one: fillets."""
    pair, _ = surface.neighbors
    is_smooth = surface.bend_deg < SMOOTH_DEG
    free = ~planes.moved & ~planes.held & ~_large_faces(surface)
    patch = surface.patches(free, is_smooth)
    moved = planes.moved[pair]
    touches = is_smooth & (moved[:, 0] != moved[:, 1])
    other = np.where(moved[touches, 0], pair[touches, 1], pair[touches, 0])
    return np.asarray(free & np.isin(patch, np.unique(patch[other][free[other]])))


def _large_faces(surface: Surface) -> Flags:
    """Return (m,) the facets of plane faces too wide for a strip of a fillet."""
    pair, ends = surface.neighbors
    bend = surface.bend_deg
    face = surface.patches(np.ones(len(surface.faces), np.bool_), bend < PLANE_DEG)
    n = int(face.max()) + 1
    length = np.linalg.norm(np.diff(surface.points[ends], axis=1)[:, 0], axis=1)
    rim = face[pair[:, 0]] != face[pair[:, 1]]
    soft = rim & (bend < SMOOTH_DEG)
    around, turn, softly = np.zeros(n), np.zeros(n), np.zeros(n)
    for k in range(2):
        around += np.bincount(face[pair[rim, k]], length[rim], n)
        softly += np.bincount(face[pair[soft, k]], length[soft], n)
        turn += np.bincount(face[pair[soft, k]], (length * np.radians(bend))[soft], n)
    width = 2.0 * np.bincount(face, surface.area_mm2, n) / np.maximum(around, 1e-12)
    radius = width * softly / np.maximum(turn, 1e-12)
    return np.asarray(((softly == 0.0) | (radius > LARGE_RADIUS_MM))[face])


def _followed(surface: Surface, move: Floats, fixed: Flags, longest_mm: float) -> Floats:
    """Return the displacements, spread smoothly from the fixed points to those near them."""
    _, ends = surface.neighbors
    n = len(surface.points)
    length = np.linalg.norm(np.diff(surface.points[ends], axis=1)[:, 0], axis=1)
    graph = csr_array(coo_array((np.maximum(length, 1e-9), (ends[:, 0], ends[:, 1])), (n, n)))
    size = float(np.ptp(surface.points, axis=0).max())
    reach = max(REACH_MOVES * longest_mm, REACH_SHARE * size)
    away = dijkstra(
        graph, directed=False, indices=np.flatnonzero(fixed), min_only=True, limit=reach
    )
    loose = np.isfinite(away) & ~fixed
    if not loose.any():
        return move
    pull = csr_array(coo_array((1.0 / np.maximum(length, 1e-3), (ends[:, 0], ends[:, 1])), (n, n)))
    pull = csr_array(pull + pull.T)
    total = np.asarray(pull.sum(axis=1)).ravel()
    inner = (diags_array(total) - pull)[loose][:, loose]
    right = (pull @ move)[loose]
    followed = move.copy()
    followed[loose] = splu(inner.tocsc()).solve(right)
    return followed


def faults(before: Surface, after: Surface) -> Flags:
    """Return (m,) the facets that turned over, moved absurdly far, or run through others."""
    bad = np.einsum("ij,ij->i", before.normals, after.normals) < 0.3
    bad &= before.area_mm2 > 1e-6 * before.area_mm2.mean()
    bad |= run_through(after) & ~run_through(before)
    return np.asarray(bad)


def run_through(surface: Surface) -> Flags:
    """Return (m,) the facets with an edge that passes through another facet.

    Two facets cut each other only if an edge of one passes through the other, so one ray along
    every edge finds every cut. Facets that share a point with the edge do not count.
    """
    pair, ends = surface.neighbors
    start, end = surface.points[ends[:, 0]], surface.points[ends[:, 1]]
    length = np.linalg.norm(end - start, axis=1)
    keep = np.flatnonzero(length > 1e-6)
    direction = (end - start)[keep] / length[keep, None]
    hit = Rays(surface.points, surface.faces).crossings(start[keep], direction)
    edge = keep[hit.ray]
    slack = 1e-3 + 1e-4 * length[edge]
    between = (hit.distance > slack) & (hit.distance < length[edge] - slack)
    edge, facet = edge[between], hit.facet[between]
    corners = surface.faces[facet]
    shares = (corners[:, :, None] == ends[edge][:, None, :]).any(axis=(1, 2))
    lean = np.abs(np.einsum("ij,ij->i", surface.normals[facet], (end - start)[edge])) / length[edge]
    cut = ~shares & (lean > 1e-3)  # an edge that lies in a facet's plane cuts nothing
    bad = np.zeros(len(surface.faces), np.bool_)
    bad[pair[edge[cut]]] = True
    bad[facet[cut]] = True
    return bad


def cut_at(surface: Surface, z_mm: float) -> tuple[Surface, Ints]:
    """Return the surface with every facet divided at a height, and the facet each came from."""
    height = surface.points[:, 2] - z_mm
    near = 1e-9 * float(np.ptp(surface.points, axis=0).max())
    side = np.where(np.abs(height) <= near, 0, np.sign(height)).astype(np.int64)
    corner = side[surface.faces]
    crosses = (corner.min(axis=1) < 0) & (corner.max(axis=1) > 0)
    if not crosses.any():
        return surface, np.arange(len(surface.faces))
    _, ends = surface.neighbors
    split = ends[(side[ends].min(axis=1) < 0) & (side[ends].max(axis=1) > 0)]
    a, b = surface.points[split[:, 0]], surface.points[split[:, 1]]
    share = (z_mm - a[:, 2]) / (b[:, 2] - a[:, 2])
    new = a + share[:, None] * (b - a)
    new[:, 2] = z_mm
    n = len(surface.points)
    key = split[:, 0] * n + split[:, 1]  # rows of `neighbors` come sorted
    rows = np.flatnonzero(crosses)
    faces, sources = _divided(surface.faces[rows], side, rows, key, n)
    kept = np.flatnonzero(~crosses)
    return (
        Surface(np.vstack([surface.points, new]), np.vstack([surface.faces[kept], faces])),
        np.concatenate([kept, sources]),
    )


def _divided(corners: Ints, side: Ints, rows: Ints, key: Ints, n: int) -> tuple[Ints, Ints]:
    """Return the parts of crossing facets; `key` numbers the cut edges, points from n on."""

    def middle(one: Ints, two: Ints) -> Ints:
        low, high = np.minimum(one, two), np.maximum(one, two)
        return np.asarray(n + np.searchsorted(key, low * n + high))

    on = side[corners] == 0
    through = on.any(axis=1)  # the cut passes through a corner
    turn = np.argmax(on, axis=1)
    lone = np.argmax(side[corners] == -np.sign(side[corners].sum(axis=1))[:, None], axis=1)
    turn = np.where(through, turn, lone)
    a, b, c = (corners[np.arange(len(corners)), (turn + k) % 3] for k in range(3))
    t = through
    bc = middle(b[t], c[t])
    ab, ca = middle(a[~t], b[~t]), middle(c[~t], a[~t])
    a2, b2, c2 = a[~t], b[~t], c[~t]
    faces = np.vstack(
        [
            np.column_stack([a[t], b[t], bc]),
            np.column_stack([a[t], bc, c[t]]),
            np.column_stack([a2, ab, ca]),
            np.column_stack([ab, b2, c2]),
            np.column_stack([ab, c2, ca]),
        ]
    )
    return faces, np.concatenate([rows[t], rows[t], rows[~t], rows[~t], rows[~t]])
