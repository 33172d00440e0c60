"""Solid -> triangles that are still a closed surface once a file has rounded them to float32."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from moldprep.errors import GeometryError
from moldprep.geometry.solid import Floats, Ints, Solid, enclosed_mm3

NUDGE_MM: Final = 1e-5
"""How far points that fall on one another are put apart, at least: a file's last decimals."""

GRID_MM: Final = 1e-5
"""Points are written on this grid: readers make one of points that are closer than they can tell,
and near zero float32 tells apart what no reader does."""

FLAKE_MM3: Final = 1e-3
"""A shell of less volume is none: a grain of sand is 1e-3 to 1e-2 mm³."""

MOST_NUDGES: Final = 20

DRAWN_IN: Final = 3
"""Tries that draw a point into its own part; the others move it aside."""

MOST_OFF: Final = 1e-3
"""Share of the volume that rounding may change; a piece of sand is off by some 1e-8."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Printable:
    """One named body as a file holds it. [mm]

    points : (n, 3) float32, no two alike
    faces  : (m, 3) int64, outward
    """

    name: str
    role: str
    points: NDArray[np.float32]
    faces: Ints


def printable(name: str, role: str, solid: Solid) -> Printable:
    """Return a body as triangles of float32 points, every edge shared by two facets.

    Raises
    ------
    GeometryError
        geometry/not-printable, if float32 cannot keep it closed and its volume.
    """
    for way in _ways(solid):
        points, faces = _without_flakes(*way)
        off = abs(enclosed_mm3(points, faces) - solid.volume_mm3)
        if is_closed(faces) and off <= MOST_OFF * solid.volume_mm3:
            return Printable(name=name, role=role, points=points, faces=faces)
    raise GeometryError(
        "too small, or too far from the origin, for a print file to hold",
        code="geometry/not-printable",
        where=name,
        fix="move the model to its origin, or look there for slivers",
    )


def _ways(solid: Solid) -> Iterator[tuple[NDArray[np.float32], Ints]]:
    """Yield the body's facets in ways that may stay closed, the plainest first."""
    yield rounded(solid)
    exact, faces = solid.mesh()
    few, fewer = _without_short_edges(exact, faces)
    yield put_apart(few, fewer), fewer
    yield put_apart(exact, faces), faces


def rounded(solid: Solid) -> tuple[NDArray[np.float32], Ints]:
    """Return (points, faces) with equal points merged and facets without area left out."""
    points, faces = solid.mesh()
    few, row = np.unique(_as_written(points), axis=0, return_inverse=True)
    faces = row.reshape(-1)[faces]
    a, b, c = faces.T
    faces = faces[(a != b) & (b != c) & (c != a)]
    used = np.unique(faces)
    place = np.zeros(len(few), np.int64)
    place[used] = np.arange(len(used))
    return few[used], place[faces]


def _without_flakes(points: NDArray[np.float32], faces: Ints) -> tuple[NDArray[np.float32], Ints]:
    """Return the mesh without loose facets that hold no volume: what two touching parts leave."""
    ends = np.vstack([faces[:, :2], faces[:, 1:]])
    n = len(points)
    links = coo_matrix((np.ones(len(ends)), (ends[:, 0], ends[:, 1])), shape=(n, n))
    n_shells, label = connected_components(links, directed=False)
    if n_shells == 1:
        return points, faces
    near = points.astype(np.float64) - points[faces[0, 0]]
    a, b, c = (near[faces[:, k]] for k in range(3))
    six_volumes = np.einsum("ij,ij->i", a, np.cross(b, c))
    volume = np.abs(np.bincount(label[faces[:, 0]], six_volumes, n_shells)) / 6.0
    kept = faces[volume[label[faces[:, 0]]] > FLAKE_MM3]
    used, row = np.unique(kept, return_inverse=True)
    return points[used], row.reshape(-1, 3).astype(np.int64)


def put_apart(points_mm: Floats, faces: Ints) -> NDArray[np.float32]:
    """Return points of a closed mesh that float32 keeps apart, by a hair where they are equal.

    Where two parts of a body touch along an edge or at a point, merging their points would give
    an edge with four facets. Each point is drawn into its own part instead, so that the parts do
    not cross; what is still equal then goes aside.
    """
    inward = -_normals(points_mm, faces)
    points = _as_written(points_mm)
    for attempt in range(MOST_NUDGES):
        rank = _rank(points)
        if not rank.any():
            break
        if attempt < DRAWN_IN:
            twin = _is_twin(points)
            step = _hair_mm(points[twin])[:, None] * (attempt + 1)
            points[twin] = _as_written(points_mm[twin] + inward[twin] * step)
        else:
            points[:, 0] += (rank * _hair_mm(points)).astype(np.float32)
    return points


def _without_short_edges(points: Floats, faces: Ints) -> tuple[Floats, Ints]:
    """Return the mesh with edges that float32 makes a point of closed up."""
    near = _as_written(points)
    ends = np.vstack([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    short = ends[(near[ends[:, 0]] == near[ends[:, 1]]).all(axis=1)]
    n = len(points)
    links = coo_matrix((np.ones(len(short)), (short[:, 0], short[:, 1])), shape=(n, n))
    _, label = connected_components(links, directed=False)
    _, first = np.unique(label, return_index=True)
    faces = label[faces].astype(np.int64)
    a, b, c = faces.T
    return points[first], faces[(a != b) & (b != c) & (c != a)]


def _as_written(points: Floats) -> NDArray[np.float32]:
    """Return the points as a file holds them, without a negative zero."""
    on_grid = np.round(points / GRID_MM) * GRID_MM
    return np.asarray(on_grid.astype(np.float32) + np.float32(0.0))


def _normals(points: Floats, faces: Ints) -> Floats:
    """Return (n, 3) unit normals of the points, by the area of their facets; 0 for none."""
    a, b, c = (points[faces[:, k]] for k in range(3))
    normal, total = np.cross(b - a, c - a), np.zeros_like(points)
    for k in range(3):
        np.add.at(total, faces[:, k], normal)
    length = np.linalg.norm(total, axis=1, keepdims=True)
    return np.asarray(total / np.where(length > 0.0, length, 1.0))


def _hair_mm(points: NDArray[np.float32]) -> Floats:
    """Return (n,) the smallest step that float32 surely shows there."""
    return np.asarray(
        np.maximum(NUDGE_MM, 4.0 * np.spacing(np.abs(points).max(axis=1, initial=0.0))), np.float64
    )


def _rank(points: NDArray[np.float32]) -> Ints:
    """Return (n,) how many points before each one are equal to it."""
    _, group = np.unique(points, axis=0, return_inverse=True)
    group = group.reshape(-1)
    order = np.argsort(group, kind="stable")
    first = np.searchsorted(group[order], group[order])
    rank = np.empty(len(points), np.int64)
    rank[order] = np.arange(len(points)) - first
    return rank


def _is_twin(points: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Return (n,) whether another point is equal."""
    _, group, count = np.unique(points, axis=0, return_inverse=True, return_counts=True)
    return np.asarray(count[group.reshape(-1)] > 1)


def is_closed(faces: Ints) -> bool:
    """Return whether every edge is used once each way, and by no more than two facets.

    Examples
    --------
    >>> is_closed(np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]]))
    True
    >>> is_closed(np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3]]))
    False
    """
    edges = np.vstack([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    n = int(faces.max(initial=-1)) + 1
    there, back = np.sort(edges[:, 0] * n + edges[:, 1]), np.sort(edges[:, 1] * n + edges[:, 0])
    return bool(len(edges) > 0 and (np.diff(there) > 0).all() and np.array_equal(there, back))
