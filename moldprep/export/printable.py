"""Solid -> triangles that are still a closed surface once a file has rounded them to float32."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldprep.errors import GeometryError
from moldprep.geometry.solid import Ints, Solid

NUDGE_MM: Final = 1e-5
"""How far points that fall on one another are put apart, at least: a file's last decimals."""

MOST_NUDGES: Final = 20

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
    for points, faces in (rounded(solid), put_apart(solid)):
        off = abs(enclosed_mm3(points, faces) - solid.volume_mm3)
        if is_closed(faces) and off <= MOST_OFF * solid.volume_mm3:
            return Printable(name=name, role=role, points=points, faces=faces)
    raise GeometryError(
        "too small, or too far from the origin, for a print file to hold",
        code="geometry/not-printable",
        where=name,
        fix="move the model to its origin, or look there for slivers",
    )


def rounded(solid: Solid) -> tuple[NDArray[np.float32], Ints]:
    """Return (points, faces) with equal points merged and facets without area left out."""
    points, faces = solid.mesh()
    few, row = np.unique(points.astype(np.float32) + np.float32(0.0), axis=0, return_inverse=True)
    faces = row.reshape(-1)[faces]
    a, b, c = faces.T
    faces = faces[(a != b) & (b != c) & (c != a)]
    used = np.unique(faces)
    place = np.zeros(len(few), np.int64)
    place[used] = np.arange(len(used))
    return few[used], place[faces]


def put_apart(solid: Solid) -> tuple[NDArray[np.float32], Ints]:
    """Return (points, faces) with equal points kept apart by a hair.

    Where two parts of a body touch along an edge or at a point, merging their points would give
    an edge with four facets; apart, each keeps its own and the surface stays closed.
    """
    exact, faces = solid.mesh()
    points = exact.astype(np.float32)
    for _ in range(MOST_NUDGES):
        _, group = np.unique(points, axis=0, return_inverse=True)
        group = group.reshape(-1)
        order = np.argsort(group, kind="stable")
        first = np.searchsorted(group[order], group[order])
        rank = np.empty(len(points), np.int64)
        rank[order] = np.arange(len(points)) - first
        if not rank.any():
            break
        step = np.maximum(NUDGE_MM, 4.0 * np.spacing(np.abs(points[:, 0])))
        points[:, 0] += (rank * step).astype(np.float32)
    return points, faces


def enclosed_mm3(points: NDArray[np.float32], faces: Ints) -> float:
    """Return the volume inside a closed, outward mesh. [mm³]"""
    if len(faces) == 0:
        return 0.0
    near = points.astype(np.float64) - points[0]
    a, b, c = (near[faces[:, k]] for k in range(3))
    return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6.0)


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
