"""Bolt holes through the flanges of a contoured mold: they clamp it shut and carry its pieces."""

from collections.abc import Sequence
from typing import Final

import numpy as np
from shapely.geometry import Point
from shapely.ops import unary_union

from moldprep.geometry.rays import Rays
from moldprep.geometry.solid import Floats, Solid
from moldprep.mold.contour import FLANGE_MM
from moldprep.mold.cutting import Cutting, Named
from moldprep.mold.features import Outside, is_clear, rod
from moldprep.mold.joints import SEAL
from moldprep.records import Piece

BOLT_MM: Final = 18.0
"""Diameter of a hole for an M16 bolt; common practice, no source."""

WASHER_MM: Final = 40.0
"""Diameter of the flat a washer plate wants around a hole; common practice, no source."""

WALL_MM: Final = 10.0
"""Sand kept between a hole and anything hollow; common practice, no source."""

ALONG: Final = (0.25, 0.75, 0.12, 0.88, 0.35, 0.65, 0.5)
"""Where along a side holes are tried, over its length."""

BOLT: Final = "bolt hole"
"""What the clearances of these holes are called."""

DEEPEST: Final = 0.4
"""How far in a hole may be, over the width of the flange."""

STEP_MM: Final = 10.0
"""Places are tried this far apart from the side of the flange inward."""

ROOT_MM: Final = 3.0
"""The body of a mold is looked for this far above and below the flanges."""

FEWEST: Final = 2
"""Holes on each of two opposite sides that are worth having."""


def add_bolts(
    cutting: Cutting, levels: Sequence[float], hollow: Solid, outside: Outside
) -> Cutting:
    """Return the pieces with upright holes through both flanges of every joint.

    Two on each of two opposite sides, alike about the middle, where the flange is free above and
    below, as near to the body of the mold as the washers go: the flange bends less there. The same
    holes take eye bolts with washer plates, to lift the pieces by.
    """
    tools: list[Named] = []
    notes: list[str] = []
    grooves = [body for name, body in cutting.clearances if name.startswith(SEAL)]
    void = Rays.of(Solid.union([hollow, *grooves]))
    sand = Rays.of(Solid.union(piece.solid for piece in cutting.pieces))
    for k, level in enumerate(levels, start=1):
        holes = _holes(level, void, sand, outside.bounds)
        tools += [(f"{BOLT} {k}-{n}", hole) for n, hole in enumerate(holes, start=1)]
        notes.append(
            f"bolt the flanges at z = {round(level)} mm through {len(holes)} holes; lift the pieces"
            " by eye bolts with washer plates in them"
            if holes
            else f"no room for bolts in the flanges at z = {round(level)} mm: clamp them from"
            " outside"
        )
    return cutting.cut(tools).plus(notes=notes)


def flange_bend_mpa(force_n: float, arm_mm: float, thick_mm: float) -> float:
    """Return the bending stress in a flange of sand that one bolt holds down.

    s = 6 F a / (b t²), b = washer + 2 a: the force spreads at 45° from the washer to the root.

    Parameters
    ----------
    force_n
        Force F at the bolt. [N]
    arm_mm
        From the bolt to the body of the mold, a. [mm]
    thick_mm
        Thickness of the flange t, > 0. [mm]

    Notes
    -----
    Beam of rectangular section, small deflection; overstates where a is less than t.

    References
    ----------
    Gere & Timoshenko, Mechanics of Materials, beam tables (from memory); the spread is common
    practice, no source.

    Examples
    --------
    >>> flange_bend_mpa(500.0, 30.0, 30.0)
    1.0
    """
    return 6.0 * force_n * arm_mm / ((WASHER_MM + 2.0 * arm_mm) * thick_mm**2)


def worst_bend(
    pieces: Sequence[Piece], clearances: Sequence[Named], force_n: float
) -> tuple[float, Floats]:
    """Return (largest bending stress of a flange [MPa], where) under a force shared by the bolts.

    0 without bolts. The force is what the bolts of one joint have to hold together. [N]
    """
    bolts = [body for name, body in clearances if name.startswith(BOLT)]
    worst, where = 0.0, np.zeros(3)
    for bolt in bolts:
        low, high = bolt.bounds[:, 2]
        joint = [body for body in bolts if abs(body.bounds[0, 2] - low) < 1.0]
        for z, side in ((high, 1.0), (low, -1.0)):
            body = unary_union([piece.solid.slice_at(z + side * ROOT_MM) for piece in pieces])
            center = bolt.centroid_mm
            arm = 0.0 if body.is_empty else float(body.distance(Point(center[:2])))
            bend = flange_bend_mpa(force_n / len(joint), arm, 0.5 * float(high - low))
            if bend > worst:
                worst, where = bend, np.array([*center[:2], z])
    return worst, where


def _holes(level: float, void: Rays, sand: Rays, bounds: Floats) -> list[Solid]:
    """Return the holes through one joint, along the sides that have room for a pair each."""

    def is_free(place: Floats) -> bool:
        return _is_free(place, level, void, sand, bounds)

    for axis in (0, 1):
        pairs: list[list[tuple[int, float]]] = []
        for end in (0, 1):
            spots = [(end, share) for share in ALONG]
            free = [s for s in spots if is_free(_place(axis, bounds, *s, 0.5 * WASHER_MM))]
            pairs.append(free[:FEWEST])
        if all(len(pair) == FEWEST for pair in pairs):
            places: list[Floats] = []
            deepest = DEEPEST * float(np.ptp(bounds[:, 1 - axis]))
            for inset in np.arange(0.5 * WASHER_MM, deepest, STEP_MM):
                further = [_place(axis, bounds, *spot, inset) for pair in pairs for spot in pair]
                if places and not all(is_free(place) for place in further):
                    break
                places = further
            return [_hole(place, level, bounds) for place in places]
    return []


def _place(axis: int, bounds: Floats, end: int, share: float, inset: float) -> Floats:
    """Return (x, y) at a share of the length along an axis, so far in from one side. [mm]"""
    low, high = bounds[:, axis]
    place = np.zeros(2)
    place[axis] = low + share * (high - low)
    place[1 - axis] = bounds[end, 1 - axis] + (inset if end == 0 else -inset)
    return place


def _ends(level: float, bounds: Floats) -> tuple[float, float]:
    """Return the lower and upper face of the flanges at a joint. [mm]"""
    low, high = bounds[:, 2]
    return max(level - FLANGE_MM, float(low)), min(level + FLANGE_MM, float(high))


def _hole(place: Floats, level: float, bounds: Floats) -> Solid:
    low, high = _ends(level, bounds)
    return rod(np.array([*place, low - 1.0]), np.array([*place, high + 1.0]), 0.5 * BOLT_MM)


def _is_free(place: Floats, level: float, void: Rays, sand: Rays, bounds: Floats) -> bool:
    """Return whether a hole keeps its wall to what is hollow, and its washers lie flat."""
    low, high = _ends(level, bounds)
    a, b = np.array([*place, low + 1.0]), np.array([*place, high - 1.0])
    turn = np.linspace(0.0, 2.0 * np.pi, 12, endpoint=False)
    ring = place + 0.49 * WASHER_MM * np.column_stack([np.cos(turn), np.sin(turn)])
    ring = np.vstack([ring, place])
    above, below = (np.column_stack([ring, np.full(len(ring), z)]) for z in (high + 2.0, low - 2.0))
    inside = np.column_stack([ring, np.full(len(ring), high - 2.0)])
    if sand.is_inside(np.vstack([above, below])).any() or not sand.is_inside(inside).all():
        return False
    return is_clear(a, b, 0.5 * BOLT_MM, void, WALL_MM)
