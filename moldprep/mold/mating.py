"""Gaps between pieces that lie together, measured straight across their faces."""

from itertools import combinations
from typing import Final

import numpy as np

from moldprep.geometry.rays import Rays
from moldprep.geometry.sampling import spread_spots, unit_normals
from moldprep.geometry.solid import Floats, Solid
from moldprep.records import Gap, Piece

NEAR_MM: Final = 2.0
"""Faces further apart do not mate."""

SPOTS: Final = 8_000
"""Points on the faces of one piece that lie near another."""

TOUCH_MM: Final = 0.02
"""Faces this near to each other touch."""

OPPOSED: Final = -0.985
"""Two faces mate when their normals are within 10° of opposed."""


def find_gaps(pieces: tuple[Piece, ...]) -> tuple[Gap, ...]:
    """Return the gaps between all pairs of pieces that lie within 2 mm of each other."""
    found = []
    for a, b in combinations(pieces, 2):
        if not _are_near(a.solid, b.solid):
            continue
        gap = a.solid.gap_mm(b.solid, NEAR_MM)
        if gap < NEAR_MM:
            at_mm, apart, area = _mates(a.solid, b.solid)
            is_open = apart > TOUCH_MM
            least = int(np.where(is_open, apart, np.inf).argmin()) if is_open.any() else -1
            x, y, z = at_mm[least] if least >= 0 else np.zeros(3)
            found.append(
                Gap(
                    a=a.name,
                    b=b.name,
                    gap_mm=gap,
                    clearance_mm=float(apart[least]) if least >= 0 else float("inf"),
                    touching_mm2=float((~is_open).sum()) * area,
                    at_mm=(float(x), float(y), float(z)),
                )
            )
    return tuple(found)


def _are_near(a: Solid, b: Solid) -> bool:
    low, high = a.bounds[0] - NEAR_MM, a.bounds[1] + NEAR_MM
    return bool((low < b.bounds[1]).all() and (high > b.bounds[0]).all())


def _mates(a: Solid, b: Solid) -> tuple[Floats, Floats, float]:
    """Return (places, distances, area each stands for) of faces of a that mate with faces of b."""
    points, faces = a.mesh()
    corners = points[faces]
    near = (corners.min(axis=1) < b.bounds[1] + NEAR_MM).all(axis=1)
    near &= (corners.max(axis=1) > b.bounds[0] - NEAR_MM).all(axis=1)
    if not near.any():
        return np.empty((0, 3)), np.empty(0), 0.0
    spots = spread_spots(corners[near], SPOTS)
    other = b.mesh()
    start = spots.at_mm - 1e-3 * spots.normals
    apart, facet = Rays(*other).first(start, spots.normals)
    mates = apart < NEAR_MM
    facing = unit_normals(other[0][other[1][facet[mates]]])
    mates[mates] = np.einsum("ij,ij->i", facing, spots.normals[mates]) < OPPOSED
    return spots.at_mm[mates], apart[mates] - 1e-3, float(spots.area_mm2[0])
