"""Lifting holes and pockets about the center of mass of a piece."""

from dataclasses import dataclass
from itertools import product
from typing import Final

import numpy as np

from moldprep.geometry.rays import Rays
from moldprep.geometry.solid import Floats, Solid
from moldprep.mold.bolts import BOLT
from moldprep.mold.cutting import Cutting, Named
from moldprep.mold.features import Outside, rod
from moldprep.records import Printer, Sand
from moldprep.units import G_M_S2, mass_kg

BEARING_SHARE: Final = 0.1
"""Pressure in a lifting hole over the sand's bend strength; common practice, no source."""
LIFT_MM: Final = (20.0, 50.0)
"""Smallest and largest diameter of a lifting hole; common practice 40 to 50, no source."""
LIFT_WALL_MM: Final = 10.0
"""Sand kept between a lifting hole and metal; common practice, no source."""

FLAT_MM: Final = 0.05
"""How far the face round a hole may be off its plane."""

POCKETS_MM: Final = (70.0, 55.0, 40.0, 30.0, 20.0)
"""Depths of a lifting pocket, the first that has room is taken."""

LEVELS: Final = (0.5, 0.6, 0.4, 0.7, 0.3)
"""Heights tried, over the height of the piece's side."""

OFFSETS: Final = (0.3, 0.25, 0.2, 0.35, 0.15)
"""Distances from the center of mass tried, over the width of the piece."""


def add_lifting(
    cutting: Cutting, kind: str, outside: Outside, sand: Sand, printer: Printer
) -> Cutting:
    """Return the pieces with lifting holes or pockets about each center of mass.

    `auto` gives pockets to what is too heavy for a person. Pockets are blind holes in two
    opposite sides, holes go through from one to the other: four pins or two bars carry the piece.
    The sides may be faces where a piece was cut: glue closes the pockets there. Where flanges have
    bolt holes, eye bolts in them carry the pieces.
    """
    if kind == "none" or any(name.startswith(BOLT) for name, _ in cutting.clearances):
        return cutting
    tools: list[Named] = []
    notes = []
    for piece in cutting.pieces:
        lip = outside.lip_of(piece)
        kg = mass_kg(piece.solid.volume_mm3, sand.density_kg_m3)
        if lip is None or (kind == "auto" and kg <= printer.hand_kg):
            continue
        holes: list[Solid] = []
        if outside.is_block:
            seat = _Seat(piece.solid, Rays.of(piece.solid), lip, kg)
            for axis in (0, 1):
                holes = holes or _holes(seat, axis, sand, kind)
        tools += [(f"{piece.name} lifting {k}", body) for k, body in enumerate(holes, start=1)]
        if not holes:
            notes.append(
                f"{piece.name} ({kg:.0f} kg) has no room for lifting holes: sling it from below"
            )
    return cutting.cut(tools).plus(notes=notes)


@dataclass(frozen=True)
class _Seat:
    """A piece that wants holes: its body, rays on it, heights of its sides, its mass."""

    solid: Solid
    sand: Rays
    lip: tuple[float, float]
    kg: float


def _holes(seat: _Seat, axis: int, sand: Sand, kind: str) -> list[Solid]:
    """Return two through holes or four pockets, alike on both sides of the center of mass."""
    bounds, middle, lip = seat.solid.bounds, seat.solid.centroid_mm, seat.lip
    length = float(bounds[1, axis] - bounds[0, axis])
    width = float(bounds[1, 1 - axis] - bounds[0, 1 - axis])
    bearing_mm2 = seat.kg * G_M_S2 / 4.0 / (BEARING_SHARE * sand.bend_strength_mpa)
    depths = [length] if kind == "holes" else []
    depths += [depth for depth in POCKETS_MM if depth < 0.4 * length]
    for depth in depths:
        wanted = bearing_mm2 / (0.5 * depth if depth == length else depth)
        radius = 0.5 * float(np.clip(wanted, *LIFT_MM))
        if 2.0 * radius < wanted - 1e-9 or radius + LIFT_WALL_MM > 0.5 * (lip[1] - lip[0]):
            continue
        for share_up, share in product(LEVELS, OFFSETS):
            at = middle.copy()
            at[2] = lip[0] + share_up * (lip[1] - lip[0])
            ends = _ends(seat, axis, depth, at, share * width, radius)
            if ends:
                return [rod(a, b, radius) for a, b in ends]
    return []


def _ends(
    seat: _Seat, axis: int, depth_mm: float, at_mm: Floats, off_mm: float, radius: float
) -> list[tuple[Floats, Floats]]:
    """Return the ends of the axes of the holes, a little outside where they begin.

    None if one of them has no flat face to begin at, or too little sand round it.
    """
    inward = np.eye(3)[axis]
    ends, behind_mm = [], LIFT_WALL_MM
    for off in (-off_mm, off_mm):
        at = at_mm + off * np.eye(3)[1 - axis]
        sides = [_face_mm(seat, at, axis, sign, radius) for sign in (1.0, -1.0)]
        if not np.isfinite(sides).all():
            return []
        low, high = (at + (side - at[axis]) * inward for side in sides)
        if depth_mm >= sides[1] - sides[0]:
            ends.append((low - inward, high + inward))
            behind_mm = -2.0
        else:
            ends += [
                (low - inward, low + depth_mm * inward),
                (high + inward, high - depth_mm * inward),
            ]
    return ends if all(_has_sand(seat, a, b, radius, behind_mm) for a, b in ends) else []


def _face_mm(seat: _Seat, at: Floats, axis: int, sign: float, radius: float) -> float:
    """Return where a flat face as wide as a hole and its wall begins, NaN where there is none."""
    turn = np.linspace(0.0, 2.0 * np.pi, 12, endpoint=False)
    across = [k for k in range(3) if k != axis]
    points = np.tile(at, (13, 1))
    points[1:, across[0]] += (radius + LIFT_WALL_MM) * np.cos(turn)
    points[1:, across[1]] += (radius + LIFT_WALL_MM) * np.sin(turn)
    start = float(seat.solid.bounds[0 if sign > 0.0 else 1, axis]) - sign
    points[:, axis] = start
    distance, _ = seat.sand.first(points, sign * np.eye(3)[axis])
    is_flat = bool(np.isfinite(distance).all()) and float(np.ptp(distance)) < FLAT_MM
    return start + sign * float(distance[0]) if is_flat else float("nan")


def _has_sand(seat: _Seat, a: Floats, b: Floats, radius: float, behind_mm: float) -> bool:
    """Return whether a hole lies in whole sand, with a wall round it and so much behind its end."""
    way = (b - a) / float(np.linalg.norm(b - a))
    across = np.flatnonzero(np.abs(way) < 0.5)
    turn = np.linspace(0.0, 2.0 * np.pi, 12, endpoint=False)
    ring = np.zeros((12, 3))
    ring[:, across[0]], ring[:, across[1]] = np.cos(turn), np.sin(turn)
    along = np.arange(2.0, float(np.linalg.norm(b - a)) + behind_mm, 2.0)
    rings = np.vstack([np.zeros((1, 3)), (radius + LIFT_WALL_MM) * ring, 0.5 * radius * ring])
    points = (a + np.outer(along, way))[:, None] + rings[None]
    return bool(seat.sand.is_inside(points.reshape(-1, 3)).all())
