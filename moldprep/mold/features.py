"""Strap grooves and core vents, and what cutting into the outside of a mold needs to know."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from moldprep.geometry.rays import Rays
from moldprep.geometry.solid import Floats, Solid
from moldprep.mold.cores import Core
from moldprep.mold.cutting import Cutting, Named
from moldprep.mold.mouths import frame
from moldprep.mold.prints import Print, middle_of
from moldprep.records import Piece

STRAP_MM: Final = (30.0, 4.0)
"""Width and depth of a groove for a steel strap; common practice, no source."""
STRAP_AT: Final = (0.2, 0.8)
"""Where the straps run, over the width of the mold."""
SMALLEST_STRAPPED_MM: Final = 180.0

ROD_FACETS: Final = 32
"""Facets round a hole."""

VENT_MM: Final = (5.0, 12.0)
"""Smallest and largest diameter of a core vent; common practice 5 to 8 small, 8 to 15 large."""
VENT_SHARE: Final = 0.25
"""Diameter of a core vent over the smaller side of its print."""
VENT_STOP: Final = 0.4
"""Share of a print, next to the metal, that its vent leaves whole."""
VENT_WALL_MM: Final = 5.0
"""Sand kept between a vent and metal; common practice, no source."""
SHORT_WAY_MM: Final = 100.0
"""A core needs no vent beyond its print where its gas has no farther to that (common practice, no
source)."""

VENT_CORE_WALL_MM: Final = 8.0
"""The same inside a core, where metal is all round; common practice, no source."""
VENT_REACH: Final = (0.75, 0.48)
"""How far a vent reaches into a core, over its length: with one print, and with more."""
VENT_STEP_MM: Final = 4.0


@dataclass(frozen=True, kw_only=True)
class Outside:
    """What features need to know of the mold's outside.

    block    : its shape, before anything is cut into it
    bounds   : (2, 3) of the whole mold [mm]
    lips     : (name, z_low, z_high) of the flat on each piece's -y side [mm]
    levels   : heights of the joints, from below [mm]
    is_block : whether the sides are flat from top to bottom
    """

    block: Solid
    bounds: Floats
    lips: tuple[tuple[str, float, float], ...]
    levels: tuple[float, ...]
    is_block: bool

    def lip_of(self, piece: Piece) -> tuple[float, float] | None:
        """Return (z_low, z_high) of the flat on a piece's side, None for a core. [mm]"""
        low, high = piece.solid.bounds[:, 2]
        for name, z_low, z_high in self.lips:
            if piece.role != "core" and f"{piece.name}-".startswith(f"{name}-"):
                return max(z_low, float(low)), min(z_high, float(high))
        return None

    def is_outer(self, piece: Piece, axis: int, end: int) -> bool:
        """Return whether a piece reaches the mold's outside at the low (0) or high (1) end."""
        return abs(float(piece.solid.bounds[end, axis] - self.bounds[end, axis])) < 1e-6


def add_straps(cutting: Cutting, outside: Outside) -> Cutting:
    """Return the pieces with upright grooves for two straps round the closed mold."""
    low, high = outside.bounds
    if not outside.is_block:
        return cutting
    if high[0] - low[0] < SMALLEST_STRAPPED_MM:
        return cutting.plus(notes=["clamp the mold from outside: no strap grooves"])
    width, depth = STRAP_MM
    tools: list[Named] = []
    for k, share in enumerate(STRAP_AT, start=1):
        x = low[0] + share * (high[0] - low[0])
        for side, y in (("front", low[1]), ("back", high[1])):
            body = Solid.box(
                (x - 0.5 * width, y - depth, low[2] - 1.0),
                (x + 0.5 * width, y + depth, high[2] + 1.0),
            )
            tools.append((f"strap groove {k} {side}", body))
    return cutting.cut(tools)


def add_core_vents(
    cutting: Cutting, cores: Sequence[Core], void: Rays, outside: Outside
) -> Cutting:
    """Return the pieces with a channel from inside each print to the outside of the mold."""
    tools: list[Named] = []
    notes = []
    block = Rays.of(outside.block)
    for core in cores:
        heart = Rays.of(core.solid)
        made = [
            vent
            for one in core.prints
            if (vent := _vent(one, core, heart, void, block, outside)) is not None
        ]
        tools += [(f"{core.name} vent {k}", body) for k, body in enumerate(made, start=1)]
        if not made:
            notes.append(f"{core.name} has no vent to the outside: its gas leaves through the sand")
    return cutting.cut(tools).plus(notes=notes)


def _vent(
    one: Print, core: Core, heart: Rays, void: Rays, block: Rays, outside: Outside
) -> Solid | None:
    """Return the vent of one print: straight on, else out at its end, sideways or up from there.

    It begins as deep in the core as a straight hole keeps its wall all round: gas has no long way
    through sand.

    The bend lies in the sand behind the print: the hole in the core and the channel in its seat
    are straight, each can be blown out, and the print keeps all its sand. None where the print is
    too slim to keep a wall round it.
    """
    axis = vent_axis(one, outside.levels)
    if axis is None:
        return None
    start, end_mm, radius = axis
    start = start - _depth_mm(start, one, core, heart, radius) * one.outward
    sides = [np.array(d, float) for d in ((1, 0, 0), (-1, 0, 0), (0, 1, 0), (0, -1, 0), (0, 0, 1))]
    straight = [one.outward] if one.outward[2] > -0.5 else []
    others = sorted(sides, key=lambda d: _way_out_mm(end_mm, d, outside.bounds))
    for way in [*straight, *others]:
        is_straight = way is one.outward
        begin = start if is_straight else end_mm + radius * one.outward
        end = begin + (_way_out_mm(begin, way, outside.bounds) + 1.0) * way
        if abs(float(way @ one.outward)) > 0.1 and not is_straight:
            continue
        if not is_clear(begin, end, radius, void) or not _is_in_sand(begin, way, radius, block):
            continue
        if is_straight:
            return rod(start, end, radius)
        return rod(begin - radius * way, end, radius) + rod(start, begin, radius)
    return None


def _depth_mm(start: Floats, one: Print, core: Core, heart: Rays, radius: float) -> float:
    """Return how much further into a core a vent goes on: to the middle, or near the end of one.

    A core whose gas has no long way to its print is left whole.

    Whole steps, as long as there is sand of the core all round it and before it.
    """
    reach = VENT_REACH[len(core.prints) > 1] * float(np.ptp(core.solid.mesh()[0] @ one.outward))
    if reach - one.length_mm <= SHORT_WAY_MM:
        return 0.0
    most = reach - (1.0 - VENT_STOP) * one.length_mm
    wide = radius + VENT_CORE_WALL_MM
    n = int(max(most, 0.0) // VENT_STEP_MM)
    places = [
        _rings(start - k * VENT_STEP_MM * one.outward, -one.outward, 1.0, (0.0, wide))
        for k in range(n + 1)
    ]
    inside = [bool(heart.is_inside(ring).all()) for ring in places]
    if False not in inside:
        return VENT_STEP_MM * n
    return max(VENT_STEP_MM * (inside.index(False) - 1) - VENT_CORE_WALL_MM, 0.0)


def vent_axis(one: Print, levels: Sequence[float]) -> tuple[Floats, Floats, float] | None:
    """Return (start, end at the print's end, radius) of a print's vent, None where too slim."""
    middle, room = middle_of(one.end, one.outward)
    radius = min(0.5 * float(np.clip(VENT_SHARE * one.thickness_mm, *VENT_MM)), room - VENT_WALL_MM)
    if radius < 0.5 * VENT_MM[0]:
        return None
    end_mm = _onto_joint(one, middle, room, radius, levels)
    return end_mm - (1.0 - VENT_STOP) * one.length_mm * one.outward, end_mm, radius


def _onto_joint(
    one: Print, middle: Floats, room: float, radius: float, levels: Sequence[float]
) -> Floats:
    """Return the middle of a level print's end, moved onto a joint that a vent there would graze.

    Half of the channel lies in each piece then: it can be brushed, and no skin is left. The vent
    keeps its wall to the print's own side.
    """
    place = middle.copy()
    for level in levels:
        off = level - float(place[2])
        if abs(one.outward[2]) < 0.5 and abs(off) < min(
            radius + VENT_WALL_MM, room - radius - VENT_WALL_MM + 1e-6
        ):
            place[2] = level
            return place
    return place


def _is_in_sand(begin: Floats, way: Floats, radius: float, block: Rays) -> bool:
    """Return whether a channel has its wall of sand all the way to where it leaves the mold."""
    wide = radius + VENT_WALL_MM - 1e-6
    far, _ = block.first(begin[None], way)
    whole = float(far[0]) - wide
    if not math.isfinite(whole):
        return False
    return whole <= 0.0 or bool(block.is_inside(_rings(begin, way, whole, (wide,))).all())


def _way_out_mm(point: Floats, way: Floats, bounds: Floats) -> float:
    """Return how far it is from a point inside the bounds to the outside along a unit vector."""
    with np.errstate(divide="ignore"):
        ways = np.where(way > 0.0, bounds[1] - point, point - bounds[0]) / np.abs(way)
    return float(ways[np.abs(way) > 1e-9].min())


def rod(a: Floats, b: Floats, radius_mm: float) -> Solid:
    """Return the round bar between two points."""
    length = float(np.linalg.norm(b - a))
    axis = (b - a) / length
    u, v = frame(axis)
    bar = Solid.cone(radius_mm, radius_mm, length, ROD_FACETS)
    return bar.transformed(np.column_stack([u, v, axis, a]))


def is_clear(
    a: Floats, b: Floats, radius_mm: float, void: Rays, wall: float = VENT_WALL_MM
) -> bool:
    """Return whether a round channel keeps a wall of sand to everything hollow."""
    length = float(np.linalg.norm(b - a))
    rings = _rings(a, (b - a) / length, length, (0.0, 0.5 * radius_mm, radius_mm + wall))
    return not bool(void.is_inside(rings).any())


def _rings(begin: Floats, axis: Floats, length: float, radii_mm: Sequence[float]) -> Floats:
    """Return points in rings round the first part of an axis."""
    u, v = frame(axis)
    turn = np.linspace(0.0, 2.0 * math.pi, 12, endpoint=False)
    ring = np.outer(np.cos(turn), u) + np.outer(np.sin(turn), v)
    along = np.arange(0.0, length, 2.0)
    rings = np.concatenate([radius * ring for radius in radii_mm])
    points = (begin + np.outer(along, axis))[:, None] + rings[None]
    return np.asarray(points.reshape(-1, 3))
