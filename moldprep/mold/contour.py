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

TOUCH_MM: Final = 0.1
"""Parts of ribs this near to each other, or to a wall, are joined."""

FACE: Final = 0.25 * TOUCH_MM * RIB_MM
"""Parts of ribs that overlap by less, grown by that, meet at a corner only. [mm²]"""

JOINS: Final = 2
"""Walls and other ribs that a part of a rib joins, at least."""

SMOOTH_MM: Final = 1.0
"""How far the outline may be simplified outward."""

Outline: TypeAlias = Any
"""A shapely Polygon or MultiPolygon."""

Step: TypeAlias = tuple[float, float, Outline]
"""Lower and upper end of a slab, and its outline."""


def contoured(
    block: Solid, hollow: Sequence[Solid], levels: Sequence[float], wall_mm: float
) -> Solid:
    """Return the block cut back to a wall round everything hollow.

    A stack of upright slabs follows the outline of the metal at a wall's distance, sideways and
    up and down. What stands out above stands on sand: a cope gets no wider upward, a drag no
    wider downward, so that loose sand falls out of every cell and each load goes straight down. A
    rectangular flange on both sides of each parting holds locators and clamps. Ribs run both ways:
    under the drag as feet, down to its flat base; on the cope up to its flat top where they join
    walls and carry the load between them. A cheek has none, they would close its cells.

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
    slabs, outlined = [], []
    for z_low, z_high in steps:
        below = [o for o, (a, _) in zip(outlines, steps, strict=True) if a <= z_low]
        above = [o for o, (a, _) in zip(outlines, steps, strict=True) if a >= z_low]
        is_drag, is_cope = z_high <= levels[0], z_low >= levels[-1]
        outline = unary_union(below if is_drag else above if is_cope else outlines)
        outlined.append((z_low, z_high, outline))
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
    bars = [_polygons(bar.intersection(whole)) for bar in _bars(block.bounds)]
    feet = _stout(unary_union(bars))
    ribs = [Solid.extrude(feet, low[2], levels[0])] if low[2] < levels[0] else []
    ribs += _cope_ribs(bars, [step for step in outlined if step[0] >= levels[-1]])
    return Solid.union([*slabs, *flanges, *ribs]) & block


def _cope_ribs(bars: Sequence[Outline], steps: Sequence[Step]) -> list[Solid]:
    """Return the ribs of a cope, step by step from its joint up.

    A rib joins two walls, or a wall with other ribs that do; one that ends free is left out: it
    carries nothing and snaps. Each stands on a rib or a wall of the step below.
    """
    ribs = []
    for z_low, z_high, outline in steps:
        kept = _joining(bars, outline)
        if not kept.is_empty:
            ribs.append(Solid.extrude(_polygons(kept), z_low, z_high))
        ground = unary_union([kept, outline])
        bars = [_polygons(bar.intersection(ground)) for bar in bars]
    return ribs


def _joining(bars: Sequence[Outline], outline: Outline) -> Outline:
    """Return what of crossing bars joins walls, and does not end free of them."""
    one, two = bars
    cross = _polygons(one.intersection(two))
    free = [body.difference(outline) for body in (one.difference(two), two.difference(one), cross)]
    parts = [part for body in free for part in _stout(body).geoms]
    grown = [part.buffer(TOUCH_MM) for part in parts]
    n_walls = [len(_polygons(part.intersection(outline)).geoms) for part in grown]
    beside = [
        {i for i, other in enumerate(parts) if i != k and grown[k].intersection(other).area > FACE}
        for k in range(len(parts))
    ]
    kept = set(range(len(parts)))
    ends = kept
    while ends:
        ends = {k for k in kept if n_walls[k] + len(beside[k] & kept) < JOINS}
        kept -= ends
    inner = _polygons(unary_union(bars).intersection(outline))
    return unary_union([*(grown[k] for k in sorted(kept)), inner]) if kept else Polygon()


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


def _stout(plan: Outline) -> MultiPolygon:
    """Return a plan of ribs without its thin scraps."""
    thin = THIN_SHARE * RIB_MM
    plan = _polygons(plan)
    core = plan.buffer(-thin, join_style="mitre")
    return _polygons(core.buffer(thin, join_style="mitre").intersection(plan))


def _bars(bounds: Floats) -> tuple[Outline, Outline]:
    """Return the ribs along y and those along x, seen from above, spread evenly over the whole."""
    (x0, y0, _), (x1, y1, _) = bounds
    bars: tuple[list[Outline], list[Outline]] = ([], [])
    for way, start, end in ((0, x0, x1), (1, y0, y1)):
        n = max(int(np.ceil((end - start) / RIB_STEP_MM)), 2)
        for middle in start + (np.arange(n) + 0.5) * (end - start) / n:
            low, high = middle - 0.5 * RIB_MM, middle + 0.5 * RIB_MM
            bars[way].append(box(x0, low, x1, high) if way else box(low, y0, high, y1))
    return unary_union(bars[0]), unary_union(bars[1])


def _polygons(outline: Outline) -> MultiPolygon:
    """Return the filled parts of an outline."""
    filled: list[Polygon] = []
    for part in getattr(outline, "geoms", [outline]):
        filled += getattr(part, "geoms", [part])
    return MultiPolygon([one for one in filled if isinstance(one, Polygon) and not one.is_empty])
