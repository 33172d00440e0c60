"""Contacts: where two bodies of metal really meet, measured on the solids.

A contact is an opening liquid can pass. Of two bodies that overlap, the opening is the smaller of
the two skins that disappear: the part of A's surface inside B, and of B's surface inside A. Both
follow from areas of booleans, so the measure is as exact as the mesh kernel.
"""

from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np

from moldprep.geometry.rays import Rays
from moldprep.geometry.solid import Floats, Solid
from moldprep.tolerances import CONTACT_GAP_MM, CONTACT_MM2, SLIVER_MM3

NEAR_MM: Final = 1.0
"""Sand thinner than this between two bodies counts as a near miss: it will not stand."""

NUDGE_MM: Final = 0.05
"""How far a flush body is pushed into its neighbor to measure the face they share."""

WINDOW_MM: Final = 1.0
"""Room left around a piece of an overlap when its opening is measured."""

N_NUDGES: Final = 6
"""Directions tried for that push: the largest groups of facets near the neighbor."""

N_MEASURED: Final = 2
"""Of those, how many are measured: the ones that sink the most of the body."""


@dataclass(frozen=True, kw_only=True)
class Patch:
    """One opening between two bodies.

    area_mm2 : area liquid can pass
    at_mm    : its middle
    is_flush : the bodies share a face and no volume
    """

    area_mm2: float
    at_mm: tuple[float, float, float]
    is_flush: bool = False


@dataclass(frozen=True, kw_only=True)
class Gap:
    """Where two bodies come closest without an opening between them."""

    gap_mm: float
    at_mm: tuple[float, float, float]


def boxes_meet(a: Solid, b: Solid, reach_mm: float) -> bool:
    """Return whether the bounding boxes are within reach of each other."""
    low, high = np.maximum(a.bounds[0], b.bounds[0]), np.minimum(a.bounds[1], b.bounds[1])
    return bool((high - low >= -reach_mm).all())


def close_pairs(solids: tuple[Solid, ...], reach_mm: float) -> list[tuple[int, int]]:
    """Return the pairs (i < j) of bodies whose boxes are within reach."""
    return [
        (i, j)
        for i, j in combinations(range(len(solids)), 2)
        if boxes_meet(solids[i], solids[j], reach_mm)
    ]


def crop_to(solid: Solid, other: Solid, margin_mm: float) -> Solid:
    """Return the part of a body near another's box; far cut faces stay outside the margin."""
    low, high = other.bounds[0] - margin_mm, other.bounds[1] + margin_mm
    if (solid.bounds[0] >= low).all() and (solid.bounds[1] <= high).all():
        return solid
    return solid & Solid.box(low, high)


def find_patches(a: Solid, b: Solid) -> tuple[Patch, ...]:
    """Return the openings between two bodies, largest first; kisses and slivers left out.

    Parameters
    ----------
    a, b
        Closed bodies in one frame. [mm]

    Returns
    -------
    tuple[Patch, ...]
        One patch for each connected piece of the overlap, or of the shared face where the
        bodies only touch. Empty if nothing of at least `CONTACT_MM2` is open.

    Notes
    -----
    The skin of B inside A is new surface of A - B, so

        2 · area(∂B inside A) = area(A ∩ B) + area(A - B) - area(A)

    and likewise with A and B exchanged. Faces the bodies share, looking the same way, drop out
    where they lie in one plane to the last bit, as level floors do.

    Examples
    --------
    A 20 x 10 mm bar reaching 0.5 mm into a block:

    >>> block, bar = Solid.box((0, 0, 0), (50, 50, 50)), Solid.box((10, 49.5, 10), (30, 90, 20))
    >>> [round(patch.area_mm2, 6) for patch in find_patches(block, bar)]
    [200.0]
    """
    if not boxes_meet(a, b, CONTACT_GAP_MM):
        return ()
    near_a, near_b = crop_to(a, b, 5.0), crop_to(b, a, 5.0)
    pieces = [piece for piece in (near_a & near_b).parts() if piece.volume_mm3 > SLIVER_MM3]
    found = [_opening(near_a, near_b, piece) for piece in pieces]
    if not pieces and near_a.gap_mm(near_b, 2.0 * CONTACT_GAP_MM) <= CONTACT_GAP_MM:
        found = _flush(near_a, near_b)
    wide = [patch for patch in found if patch.area_mm2 >= CONTACT_MM2]
    return tuple(sorted(wide, key=lambda patch: (-patch.area_mm2, patch.at_mm)))


def find_gap(a: Solid, b: Solid, reach_mm: float = NEAR_MM) -> Gap | None:
    """Return the smallest distance of two bodies and where, or None beyond reach.

    Bodies that overlap or touch have a gap of 0, at the middle of what they share.
    """
    if not boxes_meet(a, b, reach_mm):
        return None
    near_a, near_b = crop_to(a, b, reach_mm + 1.0), crop_to(b, a, reach_mm + 1.0)
    if near_a.is_empty or near_b.is_empty:
        return None
    shared = near_a & near_b
    if shared.volume_mm3 > SLIVER_MM3:
        return Gap(gap_mm=0.0, at_mm=_point(shared.centroid_mm))
    gap = near_a.gap_mm(near_b, 2.0 * reach_mm)
    if gap > reach_mm:
        return None
    return Gap(gap_mm=gap, at_mm=_point(_closest_place(near_a, near_b, reach_mm)))


def contains(solid: Solid, point: Floats, half_mm: float = 1e-3) -> bool:
    """Return whether a point lies in a body (a cube of twice `half_mm` about it shares volume)."""
    if (point < solid.bounds[0]).any() or (point > solid.bounds[1]).any():
        return False
    probe = Solid.box(_point(point - half_mm), _point(point + half_mm))
    return (solid & probe).volume_mm3 > 0.5 * probe.volume_mm3


def _opening(a: Solid, b: Solid, piece: Solid) -> Patch:
    """Return the opening at one piece of A ∩ B, looked at through a window around it.

    A and B are cut by each other and never by the piece, whose faces lie in theirs.
    """
    window = Solid.box(_point(piece.bounds[0] - WINDOW_MM), _point(piece.bounds[1] + WINDOW_MM))
    a, b = a & window, b & window
    shared, rest_a, rest_b = a & b, a - b, b - a
    b_in_a = 0.5 * (shared.area_mm2 + rest_a.area_mm2 - a.area_mm2)
    a_in_b = 0.5 * (shared.area_mm2 + rest_b.area_mm2 - b.area_mm2)
    is_swallowed = min(rest_a.volume_mm3, rest_b.volume_mm3) < SLIVER_MM3
    area = max(a_in_b, b_in_a) if is_swallowed else min(a_in_b, b_in_a)
    return Patch(area_mm2=area, at_mm=_point(piece.centroid_mm))


def _flush(a: Solid, b: Solid) -> list[Patch]:
    """Return the faces two touching bodies share, by pushing A a little into B.

    Measured at one and at two nudges and carried back to none: a shared face keeps its area,
    an edge or a corner that only touches goes to zero.
    """
    shared = [(_sunk_mm3(a, b, normal), normal) for normal in _normals_toward(a, b)]
    shared.sort(key=lambda pair: -pair[0])
    best: list[Patch] = []
    for normal in [normal for volume, normal in shared if volume > 0.0][:N_MEASURED]:
        near, far = (
            _overlap(a.moved(_point(normal * step)), b, step) for step in (NUDGE_MM, 2.0 * NUDGE_MM)
        )
        if len(near) != len(far):
            near, far = near[:1], far[:1]
        patches = [
            Patch(area_mm2=2.0 * one.area_mm2 - two.area_mm2, at_mm=one.at_mm, is_flush=True)
            for one, two in zip(near, far, strict=True)
        ]
        if sum(p.area_mm2 for p in patches) > sum(p.area_mm2 for p in best):
            best = patches
    return best


def _sunk_mm3(a: Solid, b: Solid, normal: Floats) -> float:
    """Return how much of A a push of one nudge along a normal sinks into B."""
    return (a.moved(_point(normal * NUDGE_MM)) & b).volume_mm3


def _overlap(a: Solid, b: Solid, depth_mm: float) -> list[Patch]:
    pieces = [p for p in (a & b).parts() if p.volume_mm3 > SLIVER_MM3 * depth_mm]
    return [_opening(a, b, piece) for piece in pieces]


def _normals_toward(a: Solid, b: Solid) -> list[Floats]:
    """Return outward normals of the largest groups of A's facets that lie near B's box."""
    points, faces = a.mesh()
    corners = points[faces]
    near = (corners.max(axis=1) >= b.bounds[0] - CONTACT_GAP_MM).all(axis=1)
    near &= (corners.min(axis=1) <= b.bounds[1] + CONTACT_GAP_MM).all(axis=1)
    corners = corners[near]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(cross, axis=1)
    keep = length > 1e-9
    unit = np.round(cross[keep] / length[keep, None], 3) + 0.0
    normals, group = np.unique(unit, axis=0, return_inverse=True)
    area = np.bincount(group.ravel(), weights=length[keep], minlength=len(normals))
    order = np.argsort(-area, kind="stable")[:N_NUDGES]
    return [normal / np.linalg.norm(normal) for normal in normals[order]]


def _closest_place(a: Solid, b: Solid, reach_mm: float) -> Floats:
    """Return the middle of the place where two bodies are closest, from points spread on B."""
    low = np.maximum(a.bounds[0], b.bounds[0]) - reach_mm - 1.0
    high = np.minimum(a.bounds[1], b.bounds[1]) + reach_mm + 1.0
    window = Solid.box(low, high)
    near_a, near_b = a & window, b & window
    step = max(0.5, float(near_b.size_mm.max()) / 60.0)
    points, _ = near_b.refined(step).mesh()
    nearest, _ = Rays.of(near_a).nearest(points)
    distance = np.linalg.norm(nearest - points, axis=1)
    closest = distance <= distance.min() + 0.02
    place: Floats = (0.5 * (nearest + points))[closest].mean(axis=0)
    return place


def _point(place: Floats) -> tuple[float, float, float]:
    x, y, z = (float(v) for v in place)
    return x, y, z
