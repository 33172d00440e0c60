"""Bolt holes through the flanges of a contoured mold: they clamp it shut and carry its pieces."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from moldprep.geometry.rays import Rays
from moldprep.geometry.solid import Floats, Solid
from moldprep.mold.contour import FLANGE_MM
from moldprep.mold.cutting import Cutting, Named
from moldprep.mold.features import Outside, is_clear, rod

BOLT_MM: Final = 18.0
"""Diameter of a hole for an M16 bolt; common practice, no source."""

WASHER_MM: Final = 40.0
"""Diameter of the flat a washer plate wants around a hole; common practice, no source."""

WALL_MM: Final = 10.0
"""Sand kept between a hole and anything hollow; common practice, no source."""

ALONG: Final = (0.25, 0.75, 0.12, 0.88, 0.35, 0.65, 0.5)
"""Where along a side holes are tried, over its length."""

FEWEST: Final = 2
"""Holes on each of two opposite sides that are worth having."""


def add_bolts(
    cutting: Cutting, levels: Sequence[float], hollow: Solid, outside: Outside
) -> Cutting:
    """Return the pieces with upright holes through both flanges of every joint.

    Two on each of two opposite sides, alike about the middle, where the flange is free above and
    below. The same holes take eye bolts with washer plates, to lift the pieces by.
    """
    tools: list[Named] = []
    notes: list[str] = []
    void, sand = Rays.of(hollow), Rays.of(Solid.union(piece.solid for piece in cutting.pieces))
    for k, level in enumerate(levels, start=1):
        holes = _holes(level, void, sand, outside.bounds)
        tools += [(f"bolt hole {k}-{n}", hole) for n, hole in enumerate(holes, start=1)]
        notes.append(
            f"bolt the flanges at z = {level:.0f} mm through {len(holes)} holes; lift the pieces by"
            " eye bolts with washer plates in them"
            if holes
            else f"no room for bolts in the flanges at z = {level:.0f} mm: clamp them from outside"
        )
    return cutting.cut(tools).plus(notes=notes)


def _holes(level: float, void: Rays, sand: Rays, bounds: Floats) -> list[Solid]:
    """Return the holes through one joint, along the sides that have room for a pair each."""
    for axis in (0, 1):
        pairs = []
        for end, sign in ((0, 1.0), (1, -1.0)):
            across = float(bounds[end, 1 - axis]) + sign * 0.5 * WASHER_MM
            places = [_place(axis, bounds, share, across) for share in ALONG]
            free = [place for place in places if _is_free(place, level, void, sand, bounds)]
            pairs.append(free[:FEWEST])
        if all(len(pair) == FEWEST for pair in pairs):
            return [_hole(place, level, bounds) for pair in pairs for place in pair]
    return []


def _place(axis: int, bounds: Floats, share: float, across: float) -> Floats:
    """Return (x, y) at a share of the length along an axis. [mm]"""
    place = np.zeros(2)
    low, high = bounds[:, axis]
    place[axis], place[1 - axis] = low + share * (high - low), across
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
    if not is_clear(a, b, 0.5 * BOLT_MM, void, WALL_MM):
        return False
    turn = np.linspace(0.0, 2.0 * np.pi, 12, endpoint=False)
    ring = place + 0.49 * WASHER_MM * np.column_stack([np.cos(turn), np.sin(turn)])
    ring = np.vstack([ring, place])
    above, below = (np.column_stack([ring, np.full(len(ring), z)]) for z in (high + 2.0, low - 2.0))
    inside = np.column_stack([ring, np.full(len(ring), high - 2.0)])
    return bool(
        not sand.is_inside(np.vstack([above, below])).any() and sand.is_inside(inside).all()
    )
