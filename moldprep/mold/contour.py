"""Contoured outer shape: sand only where heat and head ask for it, with ribs and a flat base."""

from collections.abc import Sequence
from itertools import pairwise
from typing import Any, Final, TypeAlias

import numpy as np
from shapely.geometry import MultiPolygon, Polygon, box
from shapely.ops import unary_union

from moldprep.geometry.solid import Floats, Solid
from moldprep.mold.walls import RIB_STEP_MM

STEPS: Final = 12
"""Levels the outline is taken at; between two of them it is upright."""

FLANGE_MM: Final = 30.0
"""Height of the flange on each side of a parting: room for locators; common practice, no source."""

RIB_MM: Final = 18.0
"""Thickness of a rib; common practice, no source."""

THIN_SHARE: Final = 0.3
"""Half the thickness of the thinnest scrap of a rib that is kept, over the rib's."""

SMOOTH_MM: Final = 1.0
"""How far the outline may be simplified outward."""

Outline: TypeAlias = Any
"""A shapely Polygon or MultiPolygon."""


def contoured(
    block: Solid, hollow: Sequence[Solid], levels: Sequence[float], wall_mm: float
) -> Solid:
    """Return the block cut back to a wall round everything hollow.

    A stack of upright slabs follows the outline of the metal at a wall's distance, sideways and
    up and down. What stands out above stands on sand: a cope gets no wider upward, a drag no
    wider downward, so that loose sand falls out of every cell and each load goes straight down. A
    rectangular flange on both sides of each parting holds locators and clamps. Ribs run both ways
    from the flat base to the flat top under the shadow of the whole, and carry the load between
    them; a cheek has none, they would close its cells.

    Parameters
    ----------
    block
        The block that would do without this.
    hollow
        Metal, inserts and the seats of core prints.
    levels
        Heights of the partings. [mm]
    wall_mm
        Sand to be kept round everything hollow, that of the wall rules. [mm]
    """
    low, high = block.bounds
    cuts = sorted({*np.linspace(low[2], high[2], STEPS + 1).tolist(), *levels})
    steps = list(pairwise(cuts))
    outlines = [_outline(hollow, a - wall_mm, b + wall_mm, wall_mm) for a, b in steps]
    slabs = []
    for z_low, z_high in steps:
        below = [o for o, (a, _) in zip(outlines, steps, strict=True) if a <= z_low]
        above = [o for o, (a, _) in zip(outlines, steps, strict=True) if a >= z_low]
        in_drag, in_cope = z_high <= levels[0], z_low >= levels[-1]
        outline = unary_union(below if in_drag else above if in_cope else outlines)
        if not outline.is_empty:
            slabs.append(Solid.extrude(_polygons(outline), z_low, z_high))
    whole = _outline(hollow, low[2], high[2], wall_mm)
    flanges = [
        Solid.extrude(
            box(low[0], low[1], high[0], high[1]),
            max(level - FLANGE_MM, low[2]),
            min(level + FLANGE_MM, high[2]),
        )
        for level in levels
    ]
    plan = _rib_plan(block.bounds).intersection(whole)
    plan = _polygons(plan.buffer(-THIN_SHARE * RIB_MM).buffer(THIN_SHARE * RIB_MM))
    ribs = [
        Solid.extrude(plan, a, b) for a, b in ((low[2], levels[0]), (levels[-1], high[2])) if a < b
    ]
    return Solid.union([*slabs, *flanges, *ribs]) & block


def _outline(hollow: Sequence[Solid], z_low: float, z_high: float, wall_mm: float) -> Outline:
    """Return the outline of what is hollow between two heights, a wall further out."""
    shadows = []
    for body in hollow:
        if body.is_empty or body.bounds[1, 2] < z_low or body.bounds[0, 2] > z_high:
            continue
        rest = body.split_at((0.0, 0.0, 1.0), z_low)[0] if body.bounds[0, 2] < z_low else body
        slab = rest.split_at((0.0, 0.0, -1.0), -z_high)[0] if rest.bounds[1, 2] > z_high else rest
        shadows.append(slab.shadow())
    if not shadows:
        return Polygon()
    shadow = unary_union(shadows).simplify(0.5 * SMOOTH_MM)
    return shadow.buffer(wall_mm + SMOOTH_MM, quad_segs=4).simplify(0.5 * SMOOTH_MM)


def _rib_plan(bounds: Floats) -> Outline:
    """Return the ribs seen from above, both ways, spread evenly over the whole."""
    (x0, y0, _), (x1, y1, _) = bounds
    bars = []
    for start, end, is_x in ((x0, x1, True), (y0, y1, False)):
        n = max(int(np.ceil((end - start) / RIB_STEP_MM)), 2)
        for middle in start + (np.arange(n) + 0.5) * (end - start) / n:
            if is_x:
                bars.append(box(middle - 0.5 * RIB_MM, y0, middle + 0.5 * RIB_MM, y1))
            else:
                bars.append(box(x0, middle - 0.5 * RIB_MM, x1, middle + 0.5 * RIB_MM))
    return unary_union(bars)


def _polygons(outline: Outline) -> MultiPolygon:
    """Return the filled parts of an outline."""
    parts = outline.geoms if isinstance(outline, MultiPolygon) else [outline]
    return MultiPolygon([part for part in parts if isinstance(part, Polygon)])
