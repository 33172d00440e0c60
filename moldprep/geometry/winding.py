"""Winding of facets: neighbors alike, and outward where bodies touch."""

from dataclasses import replace

import numpy as np

from moldprep.arrays import Flags
from moldprep.geometry.crossing import winds_backward
from moldprep.geometry.facets import Edges, Facets, components
from moldprep.geometry.rays import Rays
from moldprep.geometry.solid import Floats, Ints
from moldprep.tolerances import SEAM_MM


def wind_alike(mesh: Facets) -> Facets:
    """Return the mesh with neighbors wound alike, turning as few facets as will do.

    Every facet is there twice, as it is and turned; neighbors link the copies that agree, and
    one of each two patches that arise is kept. Where both copies fall into one patch the surface
    has one side only: it is left as it is, open.
    """
    edges = Edges.find(mesh)
    one, other = edges.pairs()
    m = len(mesh.faces)
    f, g = one // 3, other // 3
    agree = edges.forward[one] != edges.forward[other]
    a = np.concatenate([f, f + m])
    b = np.concatenate([np.where(agree, g, g + m), np.where(agree, g + m, g)])
    patch = components(2 * m, a, b)
    as_is, turned = patch[:m], patch[m:]
    votes = np.bincount(as_is, minlength=2 * m)
    flip = votes[as_is] < votes[turned]
    flip |= (votes[as_is] == votes[turned]) & (as_is > turned)
    wound = _flipped(mesh, flip)
    return _outward(wound, np.minimum(as_is, turned)) if (edges.count > 2).any() else wound


def _flipped(mesh: Facets, flip: Flags) -> Facets:
    return replace(mesh, faces=np.where(flip[:, None], mesh.faces[:, ::-1], mesh.faces))


def _outward(mesh: Facets, patch: Ints) -> Facets:
    """Return the mesh with patches that meet at crowded edges turned outward.

    What the file says is kept where it makes sense. Else a patch with metal behind it looks
    outward, one with metal before it inward; one with metal on both sides lies where two bodies
    touch, and is turned so that its edges close.
    """
    if Edges.find(mesh).is_closed and not winds_backward(mesh.points, mesh.faces):
        return mesh
    _, patch = np.unique(patch, return_inverse=True)
    patch = patch.reshape(-1)
    before, behind = (_is_metal(mesh, patch, side) for side in (1.0, -1.0))
    turned = _flipped(mesh, (before & ~behind)[patch])
    return _closing(turned, patch, np.flatnonzero(before & behind))


def _is_metal(mesh: Facets, patch: Ints, side: float) -> Flags:
    """Return (n_patches,) whether the point a seam off each patch's largest facet is inside."""
    a, b, c = (mesh.points[mesh.faces[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    area = np.linalg.norm(normal, axis=1)
    order = np.lexsort((-area, patch))
    rows = order[np.unique(patch[order], return_index=True)[1]]
    away = side * normal[rows] / np.maximum(area[rows], 1e-12)[:, None]
    middle: Floats = (a + b + c)[rows] / 3.0
    tilt = away + np.array([0.0123, 0.0071, 0.0317])  # off the axes, so as not to run along walls
    tilt /= np.linalg.norm(tilt, axis=1)[:, None]
    crossed = Rays(mesh.points, mesh.faces).crossings(middle + SEAM_MM * away, tilt)
    return np.asarray(np.bincount(crossed.ray, minlength=len(rows)) % 2 == 1)


def _closing(mesh: Facets, patch: Ints, unsure: Ints) -> Facets:
    """Return the mesh with each unsure patch turned if that leaves fewer edges open."""
    edges = Edges.find(mesh)
    lead = np.where(edges.forward, 1, -1)
    balance = edges.balance.copy()
    flip = np.zeros(len(patch), np.bool_)
    of_side = np.repeat(patch, 3)
    for one in unsure.tolist():
        sides = np.flatnonzero(of_side == one)
        change = np.bincount(edges.of[sides], weights=2 * lead[sides], minlength=len(balance))
        after = balance - change.astype(np.int64)
        if np.abs(after).sum() < np.abs(balance).sum():
            balance = after
            flip |= patch == one
    return _flipped(mesh, flip)
