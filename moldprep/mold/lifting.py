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


def add_lifting(
    cutting: Cutting, kind: str, void: Rays, outside: Outside, sand: Sand, printer: Printer
) -> Cutting:
    """Return the pieces with lifting holes or pockets about each center of mass.

    `auto` gives pockets to what is too heavy for a person. Pockets are blind holes in the -x and
    +x sides, holes go through from side to side: two bars or four pins carry the piece.
    """
    if kind == "none":
        return cutting
    tools: list[Named] = []
    notes = []
    for name, low, high in outside.lips:
        piece = cutting.of_name(name)
        kg = mass_kg(piece.solid.volume_mm3, sand.density_kg_m3)
        if kind == "auto" and kg <= printer.hand_kg:
            continue
        holes = _holes(piece, kg, low, high, void, outside, sand, kind) if outside.is_block else []
        tools += [(f"{name} lifting {k}", body) for k, body in enumerate(holes, start=1)]
        if not holes:
            notes.append(f"{name} ({kg:.0f} kg) has no room for lifting holes: sling it from below")
    return cutting.cut(tools).plus(notes=notes)


def _holes(
    piece: Piece,
    kg: float,
    low_mm: float,
    high_mm: float,
    void: Rays,
    outside: Outside,
    sand: Sand,
    kind: str,
) -> list[Solid]:
    """Return two through holes or four pockets, alike on both sides of the center of mass."""
    x0, x1 = outside.bounds[:, 0]
    y0, y1 = piece.solid.bounds[:, 1]
    middle = piece.solid.centroid_mm
    height = high_mm - low_mm
    bearing_mm2 = kg * G_M_S2 / 4.0 / (BEARING_SHARE * sand.bend_strength_mpa)
    depths = [x1 - x0] if kind == "holes" else []
    depths += [depth for depth in (70.0, 55.0, 40.0, 30.0, 20.0) if depth < 0.4 * (x1 - x0)]
    levels = [low_mm + share * height for share in (0.5, 0.6, 0.4, 0.7, 0.3)]
    for depth in depths:
        is_through = depth > 0.9 * (x1 - x0)
        wanted = bearing_mm2 / (0.5 * depth if is_through else depth)
        radius = 0.5 * float(np.clip(wanted, *LIFT_MM))
        if 2.0 * radius < wanted - 1e-9 or radius + LIFT_WALL_MM > 0.5 * height:
            continue
        for z in levels:
            for share in (0.3, 0.25, 0.2, 0.35, 0.15):
                ends = _ends(x0, x1, depth, middle[1], share * (y1 - y0), z, is_through)
                is_in = all(y0 + 2 * radius < a[1] < y1 - 2 * radius for a, _ in ends)
                if is_in and all(is_clear(a, b, radius, void, LIFT_WALL_MM) for a, b in ends):
                    return [rod(a, b, radius) for a, b in ends]
    return []


def _ends(
    x0: float, x1: float, depth: float, y_mm: float, off_mm: float, z_mm: float, is_through: bool
) -> list[tuple[Floats, Floats]]:
    """Return the ends of the axes of the holes."""
    ends = []
    for y in (y_mm - off_mm, y_mm + off_mm):
        a, b = np.array([x0 - 1.0, y, z_mm]), np.array([x1 + 1.0, y, z_mm])
        if is_through:
            ends.append((a, b))
        else:
            inward = np.array([depth + 1.0, 0.0, 0.0])
            ends += [(a, a + inward), (b, b - inward)]
    return ends
