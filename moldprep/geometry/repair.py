"""Safe mends of a facet mesh: each keeps the surface where it is, and each is counted.

Weld, drop what has no area, drop doubles, wind all facets alike, close small flat holes. What is
open after that is not touched: its rims are told to the user.
"""

from collections import Counter
from dataclasses import dataclass, replace
from typing import Final

import mapbox_earcut
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from moldprep.geometry.rays import Rays
from moldprep.geometry.solid import Floats, Ints
from moldprep.tolerances import FLAT_MM, SEAM_MM, SMALL_HOLE_SHARE, WELD_MM

Tally = Counter[str]

FILLED: Final = -1
"""`Facets.source` of a facet that fills a hole."""


@dataclass(frozen=True, eq=False)
class Facets:
    """Triangles on the way to a solid. [mm]

    points : (n, 3) float64
    faces  : (m, 3) int64
    source : (m,) int64, row of each facet in the file, FILLED where there was a hole
    """

    points: Floats
    faces: Ints
    source: Ints

    def keep(self, rows: NDArray[np.bool_]) -> "Facets":
        """Return only some of the facets."""
        return replace(self, faces=self.faces[rows], source=self.source[rows])

    @property
    def area_mm2(self) -> float:
        """Area of all facets together. [mm²]"""
        a, b, c = (self.points[self.faces[:, k]] for k in range(3))
        return float(0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1).sum())


@dataclass(frozen=True, eq=False)
class Edges:
    """The edges of a mesh and the facets on them.

    of      : (3 m,) edge of each facet side, sides in the order of `faces.ravel()`
    count   : (e,) facets on each edge
    balance : (e,) facets that run along it one way, less those that run the other way
    forward : (3 m,) whether a side runs from the lower to the higher corner
    """

    of: Ints
    count: Ints
    balance: Ints
    forward: NDArray[np.bool_]

    @classmethod
    def find(cls, mesh: Facets) -> "Edges":
        """Return the edges of a mesh."""
        start, end = mesh.faces.ravel(), np.roll(mesh.faces, -1, axis=1).ravel()
        forward = start < end
        key = np.minimum(start, end) * max(len(mesh.points), 1) + np.maximum(start, end)
        _, of, count = np.unique(key, return_inverse=True, return_counts=True)
        of = of.reshape(-1)
        balance = np.bincount(of, weights=np.where(forward, 1.0, -1.0), minlength=len(count))
        return cls(of, count.astype(np.int64), np.rint(balance).astype(np.int64), forward)

    @property
    def is_closed(self) -> bool:
        """Whether every edge is run along as often one way as the other."""
        return not self.balance.any()

    def pairs(self) -> tuple[Ints, Ints]:
        """Return the two sides of every edge that has exactly two facets."""
        order = np.argsort(self.of, kind="stable")
        first = np.cumsum(self.count) - self.count
        first = first[self.count == 2]
        return order[first], order[first + 1]


def mend(mesh: Facets, tally: Tally) -> Facets:
    """Return the mesh with everything mended that is safe to mend; it may still be open."""
    mesh = weld(drop_numberless(mesh, tally), tally)
    edges = Edges.find(mesh)
    if edges.is_closed and (edges.count == 2).all():
        return mesh
    mesh = weld_seams(mesh, tally)
    if (Edges.find(mesh).count > 2).any():
        mesh = drop_doubles(mesh, tally)
    mesh = wind_alike(mesh, tally)
    return close_holes(mesh, tally)


# ---- corners --------------------------------------------------------------------------------


def drop_numberless(mesh: Facets, tally: Tally) -> Facets:
    """Return the mesh without facets that have a corner that is no finite number."""
    fine = np.isfinite(mesh.points).all(axis=1)
    if fine.all():
        return mesh
    usable = fine[mesh.faces].all(axis=1)
    tally["facets with a corner that is no number dropped"] += int((~usable).sum())
    return replace(mesh.keep(usable), points=np.where(fine[:, None], mesh.points, 0.0))


def weld(mesh: Facets, tally: Tally) -> Facets:
    """Return the mesh with equal corners made one, and facets without three corners dropped."""
    points = mesh.points[mesh.faces.ravel()] + 0.0  # -0.0 and 0.0 are one
    first, row = _equal_rows(points)
    used = len(np.unique(mesh.faces))
    tally["corners welded"] += used - len(first)
    welded = Facets(points[first], row.reshape(-1, 3), mesh.source)
    return _drop_collapsed(welded, tally)


def weld_seams(mesh: Facets, tally: Tally) -> Facets:
    """Return the mesh with corners on open edges joined where they are closer than a seam."""
    noise = 8.0 * np.finfo(np.float32).eps * np.abs(mesh.points).max(initial=0.0)
    for reach in (max(WELD_MM, noise), SEAM_MM):
        edges = Edges.find(mesh)
        loose = edges.count[edges.of] % 2 == 1
        ends = np.unique(np.concatenate([
            mesh.faces.ravel()[loose], np.roll(mesh.faces, -1, axis=1).ravel()[loose],
        ]))  # fmt: skip
        if len(ends) == 0:
            break
        near = cKDTree(mesh.points[ends]).query_pairs(reach, output_type="ndarray")
        if len(near) == 0:
            continue
        links = coo_array((np.ones(len(near)), (near[:, 0], near[:, 1])), shape=(len(ends),) * 2)
        _, cluster = connected_components(links, directed=False)
        _, leader = np.unique(cluster, return_index=True)
        to = np.arange(len(mesh.points))
        to[ends] = ends[leader[cluster]]
        tally["corners welded"] += int((to != np.arange(len(to))).sum())
        mesh = _drop_collapsed(replace(mesh, faces=to[mesh.faces]), tally)
    return mesh


def _equal_rows(points: Floats) -> tuple[Ints, Ints]:
    """Return (first row of each distinct point, (n,) which of those each row equals)."""
    bits = np.ascontiguousarray(points).view(np.uint64)
    with np.errstate(over="ignore"):
        mixed = bits * np.array(
            [0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9], np.uint64
        )
        key = (mixed ^ (mixed >> np.uint64(29))).sum(axis=1, dtype=np.uint64)
    _, first, row = np.unique(key, return_index=True, return_inverse=True)
    if not (points[first[row]] == points).all():  # two points with one key: the slow way
        _, first, row = np.unique(points, axis=0, return_index=True, return_inverse=True)
    return first, row.reshape(-1)


def _drop_collapsed(mesh: Facets, tally: Tally) -> Facets:
    a, b, c = mesh.faces.T
    whole = (a != b) & (b != c) & (c != a)
    tally["facets without area dropped"] += int((~whole).sum())
    return mesh.keep(whole)


# ---- facets ---------------------------------------------------------------------------------


def drop_doubles(mesh: Facets, tally: Tally) -> Facets:
    """Return the mesh with each facet once; a skin inside the metal, there twice, goes wholly.

    A pair of facets back to back is such a skin where the mesh is closed without it, and a facet
    written twice where it is not.
    """
    corners = np.sort(mesh.faces, axis=1)
    _, first, which, count = np.unique(
        corners, axis=0, return_index=True, return_inverse=True, return_counts=True
    )
    which = which.reshape(-1)
    doubled = count[which] > 1
    if not doubled.any():
        return mesh
    is_first = np.zeros(len(mesh.faces), np.bool_)
    is_first[first] = True
    skin = _inner_skin(mesh, is_first, doubled)
    keep = is_first & ~skin
    tally["double facets dropped"] += int((~keep).sum())
    return mesh.keep(keep)


def _inner_skin(
    mesh: Facets, is_first: NDArray[np.bool_], doubled: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Return which doubled facets form a sheet whose rim is closed without it."""
    once = mesh.keep(is_first)
    edges = Edges.find(once)
    is_double = doubled[is_first]
    on_sheet = np.repeat(is_double, 3)
    sheet = np.bincount(edges.of[on_sheet], minlength=len(edges.count))
    is_rim = (sheet > 0) & (sheet % 2 == 1)
    needs = is_rim & ((edges.count - sheet) % 2 == 1)  # the rest is open there without the sheet
    has_rim = (sheet > 0) & (edges.count > sheet)
    patch = _patches(edges, within=is_double)
    side_patch = np.repeat(patch, 3)
    n = int(patch.max(initial=0)) + 1
    needed = np.bincount(side_patch[on_sheet], needs[edges.of][on_sheet], minlength=n) > 0
    rimmed = np.bincount(side_patch[on_sheet], has_rim[edges.of][on_sheet], minlength=n) > 0
    found = np.zeros(len(mesh.faces), np.bool_)
    found[is_first] = is_double & (rimmed & ~needed)[patch]
    return found


def _patches(edges: Edges, within: NDArray[np.bool_]) -> Ints:
    """Return (m,) patch of each facet: facets of `within` that meet at an edge are one."""
    m = len(edges.of) // 3
    facet = np.repeat(np.arange(m), 3)
    sides = np.flatnonzero(within[facet])
    sides = sides[np.argsort(edges.of[sides], kind="stable")]
    same = edges.of[sides[1:]] == edges.of[sides[:-1]]
    return _components(m, facet[sides[:-1][same]], facet[sides[1:][same]])


def shells_of(mesh: Facets) -> Ints:
    """Return (m,) shell of each facet: facets that meet at any edge are one shell."""
    return _patches(Edges.find(mesh), np.ones(len(mesh.faces), np.bool_))


def _components(n: int, a: Ints, b: Ints) -> Ints:
    links = coo_array((np.ones(len(a), np.int8), (a, b)), shape=(n, n))
    return np.asarray(connected_components(links, directed=False)[1], np.int64)


def wind_alike(mesh: Facets, tally: Tally) -> Facets:
    """Return the mesh with neighbours wound alike, turning as few facets as will do.

    Every facet is there twice, as it is and turned; neighbours link the copies that agree, and
    one of each two patches that arise is kept. Patches that meet at edges of more than two
    facets are turned outward by the parity of rays if they do not agree as they are.
    """
    edges = Edges.find(mesh)
    one, other = edges.pairs()
    m = len(mesh.faces)
    f, g = one // 3, other // 3
    agree = edges.forward[one] != edges.forward[other]
    if agree.all() and edges.is_closed:
        return mesh
    a = np.concatenate([f, f + m])
    b = np.concatenate([np.where(agree, g, g + m), np.where(agree, g + m, g)])
    patch = _components(2 * m, a, b)
    as_is, turned = patch[:m], patch[m:]
    votes = np.bincount(as_is, minlength=2 * m)
    # Where both copies fell into one patch the surface has one side only: left as it is, open.
    flip = votes[as_is] < votes[turned]
    flip |= (votes[as_is] == votes[turned]) & (as_is > turned)
    wound = _flipped(mesh, flip)
    if (edges.count > 2).any() and Edges.find(wound).balance[edges.count > 2].any():
        flip ^= _faces_inward(wound, np.minimum(as_is, turned))
        wound = _flipped(mesh, flip)
    tally["facets turned"] += int(flip.sum())
    return wound


def _flipped(mesh: Facets, flip: NDArray[np.bool_]) -> Facets:
    return replace(mesh, faces=np.where(flip[:, None], mesh.faces[:, ::-1], mesh.faces))


def _faces_inward(mesh: Facets, patch: Ints) -> NDArray[np.bool_]:
    """Return (m,) whether the largest facet of a facet's patch looks into the metal."""
    a, b, c = (mesh.points[mesh.faces[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    area = np.linalg.norm(normal, axis=1)
    order = np.lexsort((-area, patch))
    found, first = np.unique(patch[order], return_index=True)
    rows = order[first]
    away = normal[rows] / np.maximum(area[rows], 1e-12)[:, None]
    middle = (a + b + c)[rows] / 3.0
    tilt = away + np.array([0.0123, 0.0071, 0.0317])  # off the axes, so as not to run along walls
    tilt /= np.linalg.norm(tilt, axis=1)[:, None]
    crossed = Rays(mesh.points, mesh.faces).crossings(middle + SEAM_MM * away, tilt)
    odd = np.bincount(crossed.ray, minlength=len(rows)) % 2 == 1
    return np.asarray(odd[np.searchsorted(found, patch)])


# ---- holes ----------------------------------------------------------------------------------


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
            and ((lo <= low + FLAT_MM).all() and (hi >= high - FLAT_MM).all()
                 or (low <= lo + FLAT_MM).all() and (high >= hi - FLAT_MM).all())
            for j, (lo, hi) in enumerate(spans)
        )  # fmt: skip
        alone.append(not nested)
    return alone
