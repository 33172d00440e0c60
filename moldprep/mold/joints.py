"""Joints under a head of metal: what a gap holds back by itself, and a groove for a rope of paste.

Flat sand on flat sand is never quite tight. Where the head is more than surface tension keeps
out, a founder lays a rope of paste, clay or ceramic fiber round the cavity before closing; the
groove shows where, and holds it while the cope comes down.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np
from shapely.geometry import MultiPolygon, Polygon, box
from shapely.ops import unary_union

from moldprep.geometry.solid import Floats, Solid
from moldprep.mold.cutting import Cutting
from moldprep.units import MM_PER_M, pressure_pa

WETTING_DEG: Final = 140.0
"""Contact angle of liquid metal on sand; from memory, 130 to 150."""

SEALS_MM: Final = ((12.0, 8.0), (8.0, 8.0), (6.0, 6.0), (5.0, 5.0))
"""(sand between cavity and groove, width of the groove), widest first; common practice, no
source."""

DEPTH_SHARE: Final = 0.6
"""Depth of a groove over its width: the rope stands proud and is crushed as the mold closes."""

RIM_MM: Final = 9.0
"""Sand outside the groove: 5 mm behind a strap groove of 4; common practice, no source."""

NEAR_MM: Final = 5.0
"""Hollows this near above and below the groove's sand count too: no web of sand is left."""

ROUNDED_MM: Final = 0.25
"""What simpler outlines and faceted corners may take of the sand beside a groove."""

SEAL: Final = "seal groove"
"""What the clearances of these grooves are called."""


def head_kept_out_mm(gap_mm: float, tension_n_m: float, density_kg_m3: float) -> float:
    """Return the head of metal that surface tension keeps out of a flat gap.

    h = 2 gamma |cos theta| / (rho g s).

    Parameters
    ----------
    gap_mm
        Width s of the gap, > 0; 0 gives no limit. [mm]
    tension_n_m
        Surface tension gamma. [N/m]
    density_kg_m3
        Density of the liquid. [kg/m³]

    Returns
    -------
    float
        Head. [mm]

    Notes
    -----
    Clean liquid on dry sand, no pressure in the gap. Above this head expect a fin as thick as
    the gap; oxide skins on aluminium make it hold more.

    References
    ----------
    Capillary law; contact angle from memory.

    Examples
    --------
    >>> round(head_kept_out_mm(3.0, 0.9, 2400.0), 1)
    19.5
    """
    if gap_mm <= 0.0:
        return float("inf")
    angle = abs(float(np.cos(np.radians(WETTING_DEG))))
    return 2.0 * tension_n_m * angle / (gap_mm / MM_PER_M) / pressure_pa(1.0, density_kg_m3)


def add_seal(
    cutting: Cutting, below: str, hollow: Solid, level_mm: float, bounds: Floats
) -> Cutting:
    """Return the pieces with a groove in the top of the lower one, all round the cavity.

    It goes straight past bays too narrow for it to turn in.

    Parameters
    ----------
    cutting
        The pieces, not yet split.
    below
        Name of the piece under the joint.
    hollow
        Metal, inserts, and the seats of core prints: a print's gap leads metal to the joint.
    level_mm
        Height of the joint. [mm]
    bounds
        (2, 3) of the sand at the joint. [mm]
    """
    for sand_mm, width_mm in SEALS_MM:
        depth_mm = DEPTH_SHARE * width_mm
        inner = _round_about(hollow, level_mm, depth_mm).buffer(ROUNDED_MM)
        if inner.is_empty:
            return cutting
        bay = sand_mm + 2.0 * width_mm
        bridged = _outer(inner.buffer(bay + sand_mm)).buffer(-bay)
        rings = bridged.union(inner.buffer(sand_mm)).simplify(0.1)
        outer = _outer(rings.buffer(width_mm))
        (x0, y0, _), (x1, y1, _) = bounds
        if box(x0, y0, x1, y1).buffer(-RIM_MM).covers(outer):
            ring = outer.difference(_outer(rings))
            tool = Solid.extrude(_polygons(ring), level_mm - depth_mm, level_mm + depth_mm)
            return cutting.cut([(f"{SEAL} in {below}", tool)], only=[below])
    note = f"no room for a {SEAL} round the cavity in {below}: lay paste on the joint"
    return cutting.plus(notes=[note])


def is_sealed(metal: Solid, clearances: Sequence[tuple[str, Solid]], level_mm: float) -> bool:
    """Return whether closed grooves go round all metal that is cut by the joint at a height."""
    cut = metal.slice_at(level_mm)
    grooves = [
        body.slice_at(level_mm - 0.1)
        for name, body in clearances
        if name.startswith(SEAL)
        and not body.is_empty
        and body.bounds[0, 2] < level_mm - 0.1 < body.bounds[1, 2]
    ]
    guarded = unary_union(
        [Polygon(hole) for groove in grooves for part in groove.geoms for hole in part.interiors]
    )
    return bool(guarded.buffer(1e-3).covers(cut)) if grooves else cut.is_empty


def _round_about(hollow: Solid, level_mm: float, depth_mm: float) -> Polygon | MultiPolygon:
    """Return the outline of what is hollow at and near a joint."""
    rest = hollow.split_at((0.0, 0.0, 1.0), level_mm - depth_mm - NEAR_MM)[0]
    near = rest.split_at((0.0, 0.0, -1.0), -(level_mm + NEAR_MM))[0]
    return near.shadow().simplify(0.1) if not near.is_empty else Polygon()


def _outer(outline: Polygon | MultiPolygon) -> Polygon | MultiPolygon:
    """Return an outline without its holes."""
    return unary_union([Polygon(part.exterior) for part in _polygons(outline).geoms])


def _polygons(outline: Polygon | MultiPolygon) -> MultiPolygon:
    return outline if isinstance(outline, MultiPolygon) else MultiPolygon([outline])
