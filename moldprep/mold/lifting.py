"""Lifting holes and pockets about the center of mass of a piece."""

from typing import Final

import numpy as np

from moldprep.geometry.rays import Rays
from moldprep.geometry.solid import Floats, Solid
from moldprep.mold.cutting import Cutting, Named
from moldprep.mold.features import Outside, is_clear, rod
from moldprep.records import Piece, Printer, Sand
from moldprep.units import G_M_S2, mass_kg

BEARING_SHARE: Final = 0.1
"""Pressure in a lifting hole over the sand's bend strength; common practice, no source."""
LIFT_MM: Final = (20.0, 50.0)
"""Smallest and largest diameter of a lifting hole; common practice 40 to 50, no source."""
LIFT_WALL_MM: Final = 10.0
"""Sand kept between a lifting hole and metal; common practice, no source."""

POCKETS_MM: Final = (70.0, 55.0, 40.0, 30.0, 20.0)
"""Depths of a lifting pocket, the first that has room is taken."""

LEVELS: Final = (0.5, 0.6, 0.4, 0.7, 0.3)
"""Heights tried, over the height of the piece's side."""

OFFSETS: Final = (0.3, 0.25, 0.2, 0.35, 0.15)
"""Distances from the center of mass tried, over the width of the piece."""


def add_lifting(
    cutting: Cutting, kind: str, void: Rays, outside: Outside, sand: Sand, printer: Printer
) -> Cutting:
    """Return the pieces with lifting holes or pockets about each center of mass.

    `auto` gives pockets to what is too heavy for a person. Pockets are blind holes in two
    opposite sides, holes go through from one to the other: four pins or two bars carry the piece.
    """
    if kind == "none":
        return cutting
    tools: list[Named] = []
    notes = []
    for piece in cutting.pieces:
        lip = outside.lip_of(piece)
        kg = mass_kg(piece.solid.volume_mm3, sand.density_kg_m3)
        if lip is None or (kind == "auto" and kg <= printer.hand_kg):
            continue
        holes: list[Solid] = []
        for axis in (0, 1):
            if not holes and outside.is_block and _spans(piece, axis, outside):
                holes = _holes(piece, axis, kg, lip, void, sand, kind)
        tools += [(f"{piece.name} lifting {k}", body) for k, body in enumerate(holes, start=1)]
        if not holes:
            notes.append(
                f"{piece.name} ({kg:.0f} kg) has no room for lifting holes: sling it from below"
            )
    return cutting.cut(tools).plus(notes=notes)


def _spans(piece: Piece, axis: int, outside: Outside) -> bool:
    """Return whether both ends of a piece along an axis are outside faces."""
    return outside.is_outer(piece, axis, 0) and outside.is_outer(piece, axis, 1)


def _holes(
    piece: Piece,
    axis: int,
    kg: float,
    lip: tuple[float, float],
    void: Rays,
    sand: Sand,
    kind: str,
) -> list[Solid]:
    """Return two through holes or four pockets, alike on both sides of the center of mass."""
    bounds, middle = piece.solid.bounds, piece.solid.centroid_mm
    length = float(bounds[1, axis] - bounds[0, axis])
    width = float(bounds[1, 1 - axis] - bounds[0, 1 - axis])
    height = lip[1] - lip[0]
    bearing_mm2 = kg * G_M_S2 / 4.0 / (BEARING_SHARE * sand.bend_strength_mpa)
    depths = [length] if kind == "holes" else []
    depths += [depth for depth in POCKETS_MM if depth < 0.4 * length]
    for depth in depths:
        is_through = depth == length
        wanted = bearing_mm2 / (0.5 * depth if is_through else depth)
        radius = 0.5 * float(np.clip(wanted, *LIFT_MM))
        if 2.0 * radius < wanted - 1e-9 or radius + LIFT_WALL_MM > 0.5 * height:
            continue
        for share_up in LEVELS:
            for share in OFFSETS:
                at = middle.copy()
                at[2] = lip[0] + share_up * height
                ends = _ends(bounds, axis, depth, at, share * width)
                edge = [abs(a[1 - axis] - bounds[:, 1 - axis]).min() for a, _ in ends]
                if min(edge) > 3.0 * radius and all(
                    is_clear(a, b, radius, void, LIFT_WALL_MM) for a, b in ends
                ):
                    return [rod(a, b, radius) for a, b in ends]
    return []


def _ends(
    bounds: Floats, axis: int, depth_mm: float, at_mm: Floats, off_mm: float
) -> list[tuple[Floats, Floats]]:
    """Return the ends of the axes of the holes, a little outside the piece where they begin."""
    ends = []
    for off in (-off_mm, off_mm):
        a, b = at_mm.copy(), at_mm.copy()
        a[1 - axis] += off
        b[1 - axis] += off
        a[axis], b[axis] = bounds[0, axis] - 1.0, bounds[1, axis] + 1.0
        if depth_mm >= b[axis] - a[axis] - 2.0:
            ends.append((a, b))
            continue
        inward = np.zeros(3)
        inward[axis] = depth_mm + 1.0
        ends += [(a, a + inward), (b, b - inward)]
    return ends
