"""Holes of a facet mesh: their rims, and caps for those that are small and flat."""

from dataclasses import dataclass

import mapbox_earcut
import numpy as np

from moldprep.geometry.facets import FILLED, Edges, Facets, Tally
from moldprep.geometry.solid import Floats, Ints
from moldprep.tolerances import FLAT_MM, SMALL_HOLE_SHARE


@dataclass(frozen=True, eq=False)
class Rim:
    """A closed chain of open edges, corners in the order the facets beside it run."""

    corners: Ints
    length_mm: float
    at_mm: tuple[float, float, float]


def rims_of(mesh: Facets) -> list[Rim]:
    """Return the chains of open edges, longest first."""
    edges = Edges.find(mesh)
    start, end = mesh.faces.ravel(), np.roll(mesh.faces, -1, axis=1).ravel()
    lead = np.where(edges.forward, 1, -1)
    open_side = np.flatnonzero(edges.balance[edges.of] * lead > 0)
    _, once = np.unique(edges.of[open_side], return_index=True)
    leaving: dict[int, list[int]] = {}
    for side in open_side[np.sort(once)]:
        leaving.setdefault(int(start[side]), []).append(int(end[side]))
    chains = []
    for first in sorted(leaving):
        while leaving[first]:
            chains += _walk(first, leaving)
    rims = [_rim(mesh.points, chain) for chain in chains]
    return sorted(rims, key=lambda rim: (-rim.length_mm, rim.at_mm))


def _walk(first: int, leaving: dict[int, list[int]]) -> list[list[int]]:
    """Return the loops of one walk along open edges; a corner met twice closes a loop."""
    loops: list[list[int]] = []
    path = [first]
    place = {first: 0}
    while leaving.get(path[-1]):
        corner = leaving[path[-1]].pop()
        if corner in place:
            cut = place[corner]
            loops.append(path[cut:])
            for gone in path[cut + 1 :]:
                del place[gone]
            path = path[: cut + 1]
        else:
            place[corner] = len(path)
            path.append(corner)
    if len(path) > 1:
        loops.append(path)  # an open chain: the mesh is no surface there
    return loops


def _rim(points: Floats, chain: list[int]) -> Rim:
    corners = np.array(chain, np.int64)
    ring = points[corners]
    step = np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1)
    x, y, z = ring.mean(axis=0)
    return Rim(corners, float(step.sum()), (float(x), float(y), float(z)))


def close_holes(mesh: Facets, tally: Tally) -> Facets:
    """Return the mesh with small flat holes closed, and seams of no width zipped."""
    largest = SMALL_HOLE_SHARE * mesh.area_mm2
    rims = rims_of(mesh)
    caps = [] if len(rims) == 0 else [_cap(mesh.points, rim, largest) for rim in rims]
    is_alone = _stand_alone(mesh.points, rims)
    caps = [cap for cap, alone in zip(caps, is_alone, strict=True) if alone and len(cap)]
    if not caps:
        return mesh
    tally["small flat holes closed"] += len(caps)
    added = np.vstack(caps)
    filled = np.full(len(added), FILLED, np.int64)
    return Facets(
        mesh.points, np.vstack([mesh.faces, added]), np.concatenate([mesh.source, filled])
    )


def _plane(ring: Floats) -> tuple[Floats, Floats, float]:
    """Return (middle, area vector of the ring, how far its corners are off its plane)."""
    middle = ring.mean(axis=0)
    arm = ring - middle
    vector = 0.5 * np.cross(arm, np.roll(arm, -1, axis=0)).sum(axis=0)
    area = float(np.linalg.norm(vector))
    if area > FLAT_MM * float(np.linalg.norm(arm, axis=1).max()):
        off = float(np.abs(arm @ (vector / area)).max())
    else:  # a sliver: a straight seam, if it is one
        _, _, axes = np.linalg.svd(arm, full_matrices=False)
        off = float(np.linalg.norm(arm - np.outer(arm @ axes[0], axes[0]), axis=1).max())
    return middle, vector, off


def _cap(points: Floats, rim: Rim, largest_mm2: float) -> Ints:
    """Return (k, 3) facets that close one flat hole, none if it is too large or not flat."""
    none = np.empty((0, 3), np.int64)
    ring_corners = rim.corners[::-1]
    ring = points[ring_corners]
    n = len(ring)
    if n < 3:
        return none
    middle, vector, off = _plane(ring)
    area = float(np.linalg.norm(vector))
    if off > FLAT_MM or area > largest_mm2:
        return none
    if n == 3:
        return ring_corners.reshape(1, 3)
    fan = np.array([(0, k, k + 1) for k in range(1, n - 1)], np.int64)
    if area <= FLAT_MM * rim.length_mm / 2.0:
        return ring_corners[fan]  # no width: any facets will do
    axis = vector / area
    u = np.cross(axis, np.eye(3)[int(np.abs(axis).argmin())])
    u /= np.linalg.norm(u)
    flat = np.column_stack([(ring - middle) @ u, (ring - middle) @ np.cross(axis, u)])
    rows = mapbox_earcut.triangulate_float64(flat, np.array([n], np.uint32))
    rows = rows.reshape(-1, 3).astype(np.int64)
    return ring_corners[rows] if len(rows) == n - 2 else none


def _stand_alone(points: Floats, rims: list[Rim]) -> list[bool]:
    """Return which rims have no other rim in their own plane around or inside them.

    Two such rims bound a missing ring face; to close each by itself would shut the bore.
    """
    spans = [(points[rim.corners].min(axis=0), points[rim.corners].max(axis=0)) for rim in rims]
    alone = []
    for k, (low, high) in enumerate(spans):
        nested = any(
            j != k
            and (((lo <= low + FLAT_MM).all() and (hi >= high - FLAT_MM).all())
                 or ((low <= lo + FLAT_MM).all() and (high >= hi - FLAT_MM).all()))
            for j, (lo, hi) in enumerate(spans)
        )  # fmt: skip
        alone.append(not nested)
    return alone
