"""Sand in the way of a core, handed to the half that comes off it.

A core is lowered into the drag, and the cope onto it. Where the casting dips below the parting (a
boss with a bore, a pipe that bends down) the drag would reach over it, and over the core inside it:
the core could not go in. That sand hangs on the cope instead, down to the casting: the joint steps
there. Sand of the cope under a core stands on the drag in the same way.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np
from shapely.geometry import MultiPolygon
from shapely.geometry.base import BaseGeometry

from moldprep.geometry.rays import Rays
from moldprep.geometry.sampling import spread_spots
from moldprep.geometry.solid import Solid
from moldprep.mold.cores import Core
from moldprep.mold.halves import STEP_MM, is_speck, place_text
from moldprep.mold.pockets import Pocket
from moldprep.records import Sand
from moldprep.tolerances import SLIVER_MM3

FREE_MM: Final = 0.5
"""How much wider than the core the way is, beside the gap; common practice, no source."""

INSIDE_MM: Final = 0.05
"""How far inside the casting's outline the step stays: sand over it and under it never meet."""

HELD_SHARE: Final = 0.3
"""Part of its top by which sand must hang on the other half."""

AROUND_MM: Final = 20.0
"""Sand looked at around what is cut free."""

SPOTS: Final = 2_000
"""Points that tell whether sand lies over a core."""


def find_overhangs(
    cores: Sequence[Core], filled: Solid, z_mm: float, gap_mm: float, sand: Sand
) -> tuple[Pocket, ...]:
    """Return the sand over each core in the drag and under it in the cope, as pockets.

    Parameters
    ----------
    cores
        With their prints.
    filled
        Metal and inserts.
    z_mm
        Height of the parting. [mm]
    gap_mm
        Play round what hangs.
    sand
        For what is too small to hang.
    """
    taken = Solid.union([filled, *(body for core in cores for body in (core.solid, core.seats))])
    made: list[Pocket] = []
    for half, up in (("cope", 1.0), ("drag", -1.0)):
        metal = _beyond(filled, z_mm, up).shadow().buffer(-INSIDE_MM)
        for core in cores:
            inside = _beyond(core.solid - core.seats, z_mm, up)
            if inside.volume_mm3 < SLIVER_MM3:
                continue
            prints = core.seats.slice_at(z_mm - up * STEP_MM).buffer(gap_mm - INSIDE_MM)
            wider = inside.shadow().buffer(gap_mm + FREE_MM).intersection(metal)
            wider = wider.difference(prints)
            for body in _columns(wider, inside, taken, z_mm, up):
                pocket = _pocket(body, taken, filled, half, z_mm, up, gap_mm, sand)
                made += [pocket] if pocket is not None else []
    return tuple(made)


def _beyond(body: Solid, z_mm: float, up: float) -> Solid:
    """Return what of a body lies below the parting, or above it where `up` is -1."""
    return body.split_at((0.0, 0.0, -up), -up * z_mm)[0]


def _columns(
    outline: BaseGeometry, core: Solid, taken: Solid, z_mm: float, up: float
) -> list[Solid]:
    """Return the sand within an outline that lies between a core and the parting."""
    far = float(core.bounds[0 if up > 0.0 else 1, 2])
    whole = _prism(outline, far, z_mm)
    if whole.is_empty:
        return []
    rays = Rays.of(core)
    return [
        part
        for part in (whole - taken).parts()
        if part.volume_mm3 > SLIVER_MM3 and _is_at(part, z_mm, up) and _is_over(part, rays, up)
    ]


def _prism(outline: BaseGeometry, one_mm: float, other_mm: float) -> Solid:
    """Return an outline as a body between two heights."""
    shape = outline if isinstance(outline, MultiPolygon) else MultiPolygon([outline])
    if shape.is_empty or abs(one_mm - other_mm) < STEP_MM:
        return Solid.empty()
    return Solid.extrude(shape, min(one_mm, other_mm), max(one_mm, other_mm))


def _cuts_off_more(body: Solid, taken: Solid, gaps: Solid, z_mm: float, up: float) -> bool:
    """Return whether the gaps round a body cut other sand off from its half too."""
    low, high = body.bounds[0] - AROUND_MM, body.bounds[1] + AROUND_MM
    (low if up < 0.0 else high)[2] = z_mm
    walls = [(k, end) for k in range(3) for end in (0, 1) if (k, end) != (2, int(up > 0.0))]
    for part in (Solid.box(tuple(low), tuple(high)) - taken - gaps).parts():
        is_rim = any(
            abs(float(part.bounds[end, k] - (low, high)[end][k])) < STEP_MM for k, end in walls
        )
        if not is_rim and (part & body).volume_mm3 < 0.5 * part.volume_mm3 > SLIVER_MM3:
            return True
    return False


def _is_at(part: Solid, z_mm: float, up: float) -> bool:
    """Return whether a body reaches the parting."""
    return abs(float(part.bounds[1 if up > 0.0 else 0, 2]) - z_mm) < STEP_MM


def _is_over(body: Solid, core: Rays, up: float) -> bool:
    """Return whether some of a body lies right over a core (under it where `up` is -1)."""
    points, faces = body.mesh()
    spots = spread_spots(points[faces], SPOTS)
    distance, _ = core.first(spots.at_mm, np.array([0.0, 0.0, -up]))
    return bool(np.isfinite(distance).any())


def _pocket(
    body: Solid,
    taken: Solid,
    filled: Solid,
    half: str,
    z_mm: float,
    up: float,
    gap_mm: float,
    sand: Sand,
) -> Pocket | None:
    """Return sand that hangs on a half, cut free; None where that half does not reach it."""
    if is_speck(body, sand):
        return Pocket(gaps=body, note=f"a speck of sand {place_text(body.centroid_mm)} is left out")
    end = body.slice_at(z_mm - up * STEP_MM)
    held = end.difference(filled.slice_at(z_mm + up * STEP_MM))
    if held.area < HELD_SHARE * end.area:
        return None
    shadow = body.shadow()
    ring = shadow.buffer(gap_mm, join_style="mitre").difference(shadow.buffer(-INSIDE_MM))
    far = float(body.bounds[0 if up > 0.0 else 1, 2])
    whole = _prism(ring, far - up * gap_mm, z_mm)
    # only what reaches the parting, not what lies beyond the metal; into metal and core prints,
    # so that no film is left along them
    beyond = [part for part in (whole - taken).parts() if not _is_at(part, z_mm, up)]
    gaps = whole - Solid.union(beyond)
    if _cuts_off_more(body, taken, gaps, z_mm, up):
        return None
    where = place_text(body.centroid_mm)
    way = "over" if up > 0.0 else "under"
    return Pocket(
        gaps=gaps,
        note=f"the sand {where} lies {way} a core: it is part of the {half}, the joint steps there",
    )
