"""Solid -> triangles that are still a closed surface once a file has rounded them to float32."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldprep.errors import GeometryError
from moldprep.geometry.solid import Ints, Solid

MERGE_MM: Final = (0.0, 1e-3, 4e-3, 1.6e-2)
"""How far the surface may move to lose facets too small for float32, tried in turn."""


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
        geometry/not-printable, if no rounding within a fraction of a layer keeps it closed and its volume.
    """
    for merge_mm in MERGE_MM:
        points, faces = rounded(solid.simplified(merge_mm) if merge_mm else solid)
        off = abs(enclosed_mm3(points, faces) - solid.volume_mm3)
        if is_closed(faces) and off <= MOST_OFF * solid.volume_mm3:
            return Printable(name=name, role=role, points=points, faces=faces)
    raise GeometryError(
        f"{name} has features smaller than a print file can hold",
        code="geometry/not-printable",
        where=name,
        fix="look for slivers in the model there, or set casting.repair = 'rebuild'",
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
