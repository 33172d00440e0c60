"""Safe mends of a facet mesh: each keeps the surface where it is, and each is counted.

Weld, drop what has no area, drop doubles, wind all facets alike, close small flat holes. What is
open after that is not touched: its rims are told to the user.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from moldprep.geometry.facets import Edges, Facets, Tally, patches
from moldprep.geometry.holes import close_holes
from moldprep.geometry.solid import Floats, Ints
from moldprep.geometry.winding import wind_alike
from moldprep.tolerances import SEAM_MM, WELD_MM


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
    patch = patches(edges, within=is_double)
    side_patch = np.repeat(patch, 3)
    n = int(patch.max(initial=0)) + 1
    needed = np.bincount(side_patch[on_sheet], needs[edges.of][on_sheet], minlength=n) > 0
    rimmed = np.bincount(side_patch[on_sheet], has_rim[edges.of][on_sheet], minlength=n) > 0
    found = np.zeros(len(mesh.faces), np.bool_)
    found[is_first] = is_double & (rimmed & ~needed)[patch]
    return found
