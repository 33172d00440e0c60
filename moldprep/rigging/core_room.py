"""Where cores will come out of the casting: room their prints need beside it."""

from itertools import pairwise
from typing import Final

import numpy as np
from shapely.geometry.base import BaseGeometry
from shapely.ops import linemerge, unary_union

from moldprep.geometry.solid import Solid
from moldprep.rigging.room import Prism

REACH_MM: Final = 80.0
"""How far above and below the parting channels may meet a print. [mm]"""

STEP_MM: Final = 8.0
SLIVER_MM: Final = 3.0
"""Undercuts narrower than this, seen from above, are fillets and rounding, not cores. [mm]"""

SHALLOW: Final = 0.5
"""A recess less deep than this share of its opening stays with its half of the mold. [-]"""

LONGEST_PRINT_MM: Final = 100.0
"""A print is about as long as it is thick to 76 mm, relatively less above (Modern Mechanical
Engineering, vol. I, from memory). [mm]"""


def core_prisms(solid: Solid, parting_mm: float, print_mm: float | None) -> tuple[Prism, ...]:
    """Return the room of core prints beside a casting, level by level.

    Parameters
    ----------
    solid
        The casting as it lies.
    parting_mm
        Height of the parting. [mm]
    print_mm
        Length of the prints where the job says. [mm]

    Notes
    -----
    Sand that has metal above it in the cope, or below it in the drag, cannot be drawn and becomes
    a core. Where such sand reaches the casting's outline, its print comes out there.
    """
    low = max(float(solid.bounds[0, 2]), parting_mm - REACH_MM)
    high = min(float(solid.bounds[1, 2]), parting_mm + REACH_MM)
    if high - low < 1.0:
        return ()
    edges = np.linspace(low, high, int(np.clip((high - low) / STEP_MM, 2, 16)) + 1)
    whole = solid.shadow().buffer(0.0)
    open_sand: list[tuple[BaseGeometry, BaseGeometry, float, float]] = []
    for z0, z1 in pairwise(edges):
        for sand in _pieces(_core_sand(solid, 0.5 * (z0 + z1), parting_mm)):
            mouth = whole.boundary.intersection(sand.buffer(0.5 * SLIVER_MM))
            if mouth.length > 2.0 * SLIVER_MM:
                open_sand.append((sand, mouth, float(z0), float(z1)))
    if not open_sand:
        return ()
    tall = max(z1 for *_, z1 in open_sand) - min(z0 for *_, z0, _ in open_sand)
    length = print_mm or min(LONGEST_PRINT_MM, tall)
    return tuple(
        (_print_outline(mouth, whole, length), z0, z1)
        for sand, mouth, z0, z1 in open_sand
        if sand.area / mouth.length > SHALLOW * min(mouth.length, tall)
    )


def _pieces(outline: BaseGeometry) -> list[BaseGeometry]:
    """Return the polygons of an outline."""
    return [piece for piece in getattr(outline, "geoms", [outline]) if not piece.is_empty]


def _core_sand(solid: Solid, z_mm: float, parting_mm: float) -> BaseGeometry:
    """Return the sand at a height that the pull cannot form, slivers left out."""
    above, below = solid.split_at((0.0, 0.0, 1.0), z_mm)
    blocking = above if z_mm >= parting_mm else below
    if blocking.is_empty:
        return unary_union([])
    sand = blocking.shadow().buffer(0.0) - solid.slice_at(z_mm).buffer(0.0)
    return sand.buffer(-SLIVER_MM).buffer(SLIVER_MM)


def _print_outline(mouth: BaseGeometry, whole: BaseGeometry, length_mm: float) -> BaseGeometry:
    """Return the strip outside the casting in front of a mouth."""
    line = linemerge(mouth) if mouth.geom_type == "MultiLineString" else mouth
    return line.buffer(length_mm, cap_style="flat", join_style="mitre") - whole
