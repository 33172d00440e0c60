"""Safe mends of a facet mesh: each keeps the surface where it is, and each is counted.

Weld, drop what has no area, drop doubles, wind all facets alike, close small flat holes. What is
open after that is not touched: its rims are told to the user.
"""

from dataclasses import replace

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from moldprep.arrays import Flags
from moldprep.geometry.facets import Edges, Facets, Tally, patches
from moldprep.geometry.holes import close_holes
from moldprep.geometry.solid import Floats, Ints
from moldprep.geometry.winding import wind_alike
from moldprep.tolerances import SEAM_MM, WELD_MM

TWICE, BETWEEN, SHARED, FIN = 0, 1, 2, 3
"""What doubled facets are: written twice; a skin between two bodies; a face both bodies have; the
two sides of a sheet that ends in the open."""


def mend(mesh: Facets, tally: Tally) -> Facets:
    """Return the mesh with everything mended that is safe to mend; it may still be open."""
    mesh = weld(drop_numberless(mesh, tally), tally)
    edges = Edges.find(mesh)
    if edges.is_closed and (edges.count == 2).all():
        return mesh
    mesh = weld_seams(mesh, tally)
    if (Edges.find(mesh).count > 2).any():
        mesh = drop_doubles(mesh, tally)
    mesh = wind_alike(mesh)
    return close_holes(mesh, tally)


# ---- corners --------------------------------------------------------------------------------


def drop_numberless(mesh: Facets, tally: Tally) -> Facets:
    """Return the mesh without facets that have a corner that is no finite number."""
    fine = np.asarray(np.isfinite(mesh.points).all(axis=1))
    if fine.all():
        return mesh
    usable = np.asarray(fine[mesh.faces].all(axis=1))
    tally["facets with a corner that is no number dropped"] += int((~usable).sum())
    return replace(mesh.keep(usable), points=np.where(fine[:, None], mesh.points, 0.0))


def weld(mesh: Facets, tally: Tally) -> Facets:
    """Return the mesh with equal corners made one, and facets without three corners dropped."""
    points = mesh.points[mesh.faces.ravel()] + 0.0  # -0.0 and 0.0 are one
    first, row = _equal_rows(points)
    used = np.zeros(len(mesh.points), np.bool_)
    used[mesh.faces.ravel()] = True
    tally["corners welded"] += int(used.sum()) - len(first)
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
    """Return the mesh without facets that are there twice.

    One of each pair goes; both where they are a skin between two bodies that touch, or the two
    sides of a fin without thickness; none where two bodies, one inside the other, have a face in
    common.
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
    facing = np.bincount(which, weights=_turns(mesh.faces))
    is_fin = doubled & (facing == 0.0)[which]
    kind = _sheets(mesh, is_first, doubled, is_fin)[which]
    if (kind == FIN).all():  # the whole model is a sheet: let its rim be told
        kind = np.full_like(kind, TWICE)
    keep = np.where((kind == BETWEEN) | (kind == FIN), False, is_first | (kind == SHARED))
    tally["facets of fins without thickness dropped"] += int((kind == FIN).sum())
    tally["double facets dropped"] += int((~keep & (kind != FIN)).sum())
    return mesh.keep(keep)


def _turns(faces: Ints) -> Ints:
    """Return (m,) 1 where a facet's corners rise but for a turn, -1 where they fall."""
    a, b, c = faces.T
    return np.where((a < b).astype(int) + (b < c) + (c < a) == 2, 1, -1)


def _sheets(mesh: Facets, is_first: Flags, doubled: Flags, is_fin: Flags) -> Ints:
    """Return (n_distinct,) which of the four a doubled facet is, in the order of `np.unique`.

    Doubled facets that hang together are one sheet. Where the mesh is closed without it, two
    bodies meet there: from both sides of the sheet, or both from one.
    """
    rows = np.flatnonzero(is_first)
    order = np.lexsort(np.sort(mesh.faces[rows], axis=1).T[::-1])
    once = replace(mesh, faces=mesh.faces[rows[order]], source=mesh.source[rows[order]])
    is_double = doubled[rows[order]]
    edges = Edges.find(once)
    n_edges = len(edges.count)
    on_sheet = np.repeat(is_double, 3)
    in_sheet = np.bincount(edges.of[on_sheet], minlength=n_edges)
    rest = edges.count - in_sheet
    is_rim = (in_sheet == 1) & (rest > 0)
    sides = _sides(once, edges, on_sheet, is_rim)
    patch = patches(edges, within=is_double)
    n = int(patch.max(initial=0)) + 1
    rim_sides = np.flatnonzero(on_sheet & is_rim[edges.of])
    at, edge = patch[rim_sides // 3], edges.of[rim_sides]
    n_rim = np.bincount(at, minlength=n)
    open_without = np.bincount(at, rest[edge] % 2 == 1, minlength=n)
    opposite = np.bincount(at, sides[edge] == 0, minlength=n)
    kind = np.where(2 * opposite > n_rim, BETWEEN, SHARED)
    kind = np.where((n_rim == 0) | (open_without > 0), TWICE, kind)
    ends_open = np.bincount(patch.repeat(3), edges.count[edges.of] == 1, n) > 0
    two_sided = np.bincount(patch, is_double & ~is_fin[rows[order]], n) == 0
    kind = np.where(ends_open & two_sided & (open_without == 0), FIN, kind)
    return np.where(is_double, kind[patch], TWICE)


def _sides(mesh: Facets, edges: Edges, on_sheet: Flags, is_rim: Flags) -> Ints:
    """Return (e,) facets beside a sheet's rim that rise to one side of it, less the others."""
    corners = mesh.points[mesh.faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    sheet_side = np.zeros(len(edges.count), np.int64)
    rim = np.flatnonzero(on_sheet & is_rim[edges.of])
    sheet_side[edges.of[rim]] = rim
    other = np.flatnonzero(~on_sheet & is_rim[edges.of])
    apex = corners[other // 3, (other + 2) % 3] - corners[other // 3, other % 3]
    rise = np.einsum("ij,ij->i", apex, normal[sheet_side[edges.of[other]] // 3])
    found = np.bincount(edges.of[other], weights=np.sign(rise), minlength=len(edges.count))
    return np.asarray(np.rint(found), np.int64)
