"""Faces of a mesh moved or turned, with their neighbors kept in their planes.

Every moved facet gets a new plane; its corners are put where the planes around them meet, so
edges stay sharp. Facets that blend smoothly into a moved face (fillets) follow it like a cloth;
all others keep their planes. What comes out is checked for facets turned over or run through.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from scipy.sparse import coo_array, csr_array, diags_array
from scipy.sparse.csgraph import dijkstra
from scipy.sparse.linalg import splu

from moldprep.arrays import Flags
from moldprep.geometry.faces import Surface
from moldprep.geometry.flats import PLANE_DEG
from moldprep.geometry.solid import Floats, Ints

SMOOTH_DEG: Final = 35.0
"""Facets that meet flatter than this are one smooth surface; a coarse fillet of a quarter turn
has three facets or more."""

STRIPS: Final = 2.0
"""A wall is at least this many times as wide as the strips of the fillets beside it."""

STRIP_RIM: Final = 0.7
"""A strip has others like it along more than this share of its rim: along both long sides."""

STRIP_RADIUS_MM: Final = 10.0
"""Or so wide that, with the turn at its rims, it is no part of a fillet rounder than this."""

OWN_SHARE: Final = 2e-4
"""A plane face of less than this share of the surface is a facet of a free-form fillet."""

REACH_MOVES: Final = 10.0
"""Unmoved surface follows a moved face no further than this many times the longest move."""

REACH_SHARE: Final = 0.05
"""Nor further than this share of the body's longest side, if that is more."""

FLAT_EIGENVALUE: Final = 5e-3
"""Planes nearer to parallel than about 8° do not fix a corner between them: rounding would."""

LEAST_WEIGHT: Final = 0.03
"""Blunt corners would push points away; they hold them loosely instead, and needles no tighter
than the inverse."""

FOLD_MM: Final = 0.03
"""A facet lower than this that turns over is a crease no sand can show; it still must not run
through others."""

ON_CUT_MM: Final = 0.01
"""A point this near a cut is on it: a cut beside it would leave slivers without a direction."""


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
    asked = Corners.gather(surface, planes, planes.moved, is_level)
    fixed = np.zeros(len(surface.points), np.bool_)
    fixed[surface.faces[planes.moved]] = True
    move = np.where(fixed[:, None], asked.solved(np.zeros_like(surface.points)), 0.0)
    near = _is_near(surface, fixed, longest) & ~fixed
    in_blend, bound = np.zeros_like(fixed), np.zeros_like(fixed)
    in_blend[surface.faces[blend]] = True
    bound[surface.faces[~blend]] = True
    move = _followed(surface, move, in_blend & near, blend)
    rest = _is_slidable(surface, planes, blend) & ~in_blend & near
    move = _followed(surface, move, rest, np.ones_like(blend))
    move = Corners.gather(surface, planes, ~blend, is_level).solved(move)
    # fillets now follow what the planes around them allowed
    move = _followed(surface, move, in_blend & near & ~bound, blend)
    return Surface(surface.points + move, surface.faces)


@dataclass(frozen=True, eq=False)
class Corners:
    """Normal equations of the planes around each point.

    matrix : (n, 3, 3), right : (n, 3)
    """

    matrix: Floats
    right: Floats

    @classmethod
    def of(cls, n: int, at: Ints, row: Floats, by: Floats, weight: Floats) -> "Corners":
        """Return the equations row · displacement = by, each at a point and with a weight."""
        weight = weight / (row**2).sum(axis=1).clip(1e-12)
        matrix, right = np.zeros((n, 3, 3)), np.zeros((n, 3))
        np.add.at(matrix, at, weight[:, None, None] * row[:, :, None] * row[:, None, :])
        np.add.at(right, at, (weight * by)[:, None] * row)
        return cls(matrix, right)

    @classmethod
    def gather(cls, surface: Surface, planes: Planes, which: Flags, is_level: bool) -> "Corners":
        """Return the equations of some facets, each weighted by its angle at the point."""
        facet = np.flatnonzero(which & ~surface.is_thin)
        moved = planes.moved[facet, None]
        row = np.where(moved, planes.row[facet], surface.normals[facet])
        by = np.where(moved, planes.by_mm[facet], 0.0)
        n, at, angle = len(surface.points), surface.faces[facet], surface.corner_angles[facet]
        found = cls.of(n, at.ravel(), np.repeat(row, 3, axis=0), by.ravel(), angle.ravel())
        if is_level:
            bare = np.ones(n, np.bool_)
            bare[surface.faces[facet[~planes.moved[facet]]]] = False
            found.matrix[bare, 2, 2] += 1.0
        return found

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
    free = ~planes.moved & ~planes.held & ~_faces_of_their_own(surface)
    patch = surface.patches(free, is_smooth)
    moved = planes.moved[pair]
    touches = is_smooth & (moved[:, 0] != moved[:, 1])
    other = np.where(moved[touches, 0], pair[touches, 1], pair[touches, 0])
    return np.asarray(free & np.isin(patch, np.unique(patch[other][free[other]])))


def _faces_of_their_own(surface: Surface) -> Flags:
    """Return (m,) the facets of plane faces that are no strips of a curve."""
    every = np.ones(len(surface.faces), np.bool_)
    face = surface.patches(every, surface.bend_deg < PLANE_DEG)
    area = np.bincount(face, surface.area_mm2)
    large = area >= OWN_SHARE * area.sum()
    return np.asarray((large & ~strips(surface, face))[face])


def strips(surface: Surface, face: Ints) -> Flags:
    """Return (w,) the faces that are strips of a curve: of a fillet, or of a large round.

    A strip runs smoothly, nearly all round, into others much as wide as itself; or it is so
    narrow for the turn at its rims that the curve is a fillet.

    Parameters
    ----------
    surface
        Any.
    face
        (m,) number of the face each facet is in, -1 for none.
    """
    n = int(face.max()) + 1
    pair, _ = surface.neighbors
    mine = face >= 0
    area = np.bincount(face[mine], surface.area_mm2[mine], n)
    both = np.concatenate([pair, pair[:, ::-1]])
    one, two, length = both[:, 0], both[:, 1], np.tile(surface.edge_mm, 2)
    bend = np.tile(np.radians(surface.bend_deg), 2)
    rim = (face[one] >= 0) & (face[two] != face[one])
    around = np.bincount(face[one[rim]], length[rim], n)
    width = 2.0 * area / np.maximum(around, 1e-12)
    soft = rim & (bend < np.radians(SMOOTH_DEG))
    turn = np.bincount(face[one[soft]], (length * bend)[soft], n)
    softly = np.bincount(face[one[soft]], length[soft], n)
    beside = 2.0 * surface.area_mm2[two] / np.maximum(length, 1e-12)
    alike = soft & (STRIPS * beside > width[face[one]])
    is_narrow = np.bincount(face[one[alike]], length[alike], n) > STRIP_RIM * around
    is_round = width * softly < STRIP_RADIUS_MM * turn
    return np.asarray(is_narrow | is_round)


def _is_slidable(surface: Surface, planes: Planes, blend: Flags) -> Flags:
    """Return (n,) the points that may slide in their face: in held faces, and inside of flats."""
    n = len(surface.points)
    elsewhere, at_bend = np.zeros(n, np.bool_), np.zeros(n, np.bool_)
    elsewhere[surface.faces[~(blend | planes.held | planes.moved)]] = True
    _, ends = surface.neighbors
    at_bend[ends[surface.bend_deg >= PLANE_DEG]] = True
    return np.asarray(~elsewhere | ~at_bend)


def _is_near(surface: Surface, fixed: Flags, longest_mm: float) -> Flags:
    """Return (n,) the points near moved faces, measured along the edges."""
    size = float(np.ptp(surface.points, axis=0).max())
    reach = max(REACH_MOVES * longest_mm, REACH_SHARE * size)
    start = np.flatnonzero(fixed)
    graph = _edge_graph(surface, surface.edge_mm)
    away = dijkstra(graph, directed=False, indices=start, min_only=True, limit=reach)
    return np.asarray(np.isfinite(away))


def patch_nearest(surface: Surface, patch: Ints) -> Ints:
    """Return (m,) the patch nearest to each facet along the edges, -1 where none is joined."""
    owner = np.full(len(surface.points), -1, np.int64)
    owner[surface.faces[patch >= 0]] = patch[patch >= 0, None]
    start = np.flatnonzero(owner >= 0)
    _, _, source = dijkstra(
        _edge_graph(surface, surface.edge_mm),
        directed=False, indices=start, min_only=True, return_predecessors=True,
    )  # fmt: skip
    nearest = np.where(source >= 0, owner[np.maximum(source, 0)], -1)
    return np.asarray(nearest[surface.faces[:, 0]])


def _edge_graph(surface: Surface, weight: Floats) -> csr_array:
    _, ends = surface.neighbors
    n = len(surface.points)
    return csr_array(coo_array((np.maximum(weight, 1e-9), (ends[:, 0], ends[:, 1])), (n, n)))


def _followed(surface: Surface, move: Floats, loose: Flags, facets: Flags) -> Floats:
    """Return the displacements with those of loose points spread smoothly over some facets.

    Each displacement is harmonic on the surface (cotangent weights, see U. Pinkall, K. Polthier,
    Experimental Mathematics 2 (1993) 15-36, from memory), so long strips stay stiff along.
    """
    if not loose.any():
        return move
    n, corners = len(surface.points), surface.faces[facets]
    cotangent = 1.0 / np.tan(surface.corner_angles[facets].clip(1e-4, np.pi - 1e-4))
    weight = np.clip(0.5 * cotangent, LEAST_WEIGHT, 1.0 / LEAST_WEIGHT)
    one, two = np.roll(corners, -1, axis=1).ravel(), np.roll(corners, -2, axis=1).ravel()
    pull = csr_array(coo_array((weight.ravel(), (one, two)), (n, n)))
    pull = csr_array(pull + pull.T)
    total = np.asarray(pull.sum(axis=1)).ravel()
    inner = csr_array(diags_array(total) - pull)[loose][:, loose]
    right = (pull @ np.where(loose[:, None], 0.0, move))[loose]
    followed = move.copy()
    followed[loose] = splu(inner.tocsc()).solve(right)
    return followed


def faults(before: Surface, after: Surface, source: Ints) -> Flags:
    """Return (m,) the facets of `after` that turned over or run through others.

    Parameters
    ----------
    before, after
        The surface before and after.
    source
        (m,) the facet of `before` that each facet of `after` comes from.
    """
    bad = np.einsum("ij,ij->i", before.normals[source], after.normals) < 0.3
    bad &= np.maximum(before.least_height_mm[source], after.least_height_mm) > FOLD_MM
    bad |= run_through(after) & ~run_through(before)[source]
    return np.asarray(bad)


@lru_cache(2)
def run_through(surface: Surface) -> Flags:
    """Return (m,) the facets with an edge that passes through another facet.

    Two facets cut each other only if an edge of one passes through the other, so one ray along
    every edge finds every cut. Facets that share a point with the edge do not count.
    """
    pair, ends = surface.neighbors
    start, end = surface.points[ends[:, 0]], surface.points[ends[:, 1]]
    length = surface.edge_mm
    keep = np.flatnonzero(length > 1e-6)
    direction = (end - start)[keep] / length[keep, None]
    hit = surface.rays.crossings(start[keep], direction)
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
    side = np.where(np.abs(height) <= ON_CUT_MM, 0, np.sign(height)).astype(np.int64)
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
