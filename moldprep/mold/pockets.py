"""Pockets of sand on the far side of the parting, handed to the half they are open to."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from shapely.geometry import MultiPolygon

from moldprep.geometry.solid import Floats, Solid
from moldprep.mold.cores import part_at
from moldprep.mold.enclosed import Enclosure, Hemmed, Opening
from moldprep.mold.halves import place_text
from moldprep.mold.mouths import DIP_MM, Mouth, Plane, Skin, make_mouth
from moldprep.records import Sand

BELT_MM: Final = 5.0
"""Sand kept around a casting while its pockets are cut free."""

LEVEL: Final = 0.9999
"""An end of a pocket is level where its normal has at least this much along z."""

NEAR_MM: Final = 0.1
NECK_STEP_MM: Final = 2.0
LONGEST_NECK_MM: Final = 80.0
WIDER: Final = 1.3
"""Where a channel ends is looked for in such steps, this far, by its getting this much wider."""

SIDE_SHARE: Final = 0.2
"""A pocket whose side openings are more than this of all its openings is no pocket."""


@dataclass(frozen=True, kw_only=True)
class Pocket:
    """Sand that stands on the half it is open to.

    gaps : what must be cut away so that nothing but that half holds it; may reach into metal
    """

    gaps: Solid
    note: str


def find_pockets(
    casting: Solid, hollow: Solid, hemmed: Hemmed, z_mm: float, gap_mm: float, sand: Sand
) -> tuple[Pocket, ...]:
    """Return the pockets that would else hang on a side opening or a skin of the wrong half.

    A pocket that is open along the pull only needs no help: cut at the parting, it stands where
    it belongs.
    """
    made: list[Pocket] = []
    skin: Skin | None = None
    for half, regions, up in (("drag", hemmed.covered, 1.0), ("cope", hemmed.floored, -1.0)):
        for region in regions:
            if not _needs_help(region, up, z_mm, sand):
                continue
            skin = skin or Skin(casting)
            pocket = _cut(region, half, up, casting, hollow, skin, z_mm, gap_mm)
            if pocket is not None:
                made.append(pocket)
    return tuple(made)


def find_crossings(
    stuck: Sequence[tuple[Solid, Enclosure]], hollow: Solid, z_mm: float, gap_mm: float
) -> tuple[Pocket, ...]:
    """Return the sand across the parting that no core was made of, handed to one half whole.

    It stays with the half its widest opening lies on; where it meets the other half through small
    openings too, it is cut off there: it would hang on that by a neck.
    """
    made: list[Pocket] = []
    for casting, region in stuck:
        if not region.openings:
            continue
        half, up = ("drag", 1.0) if region.openings[0].at_mm[2] < z_mm else ("cope", -1.0)
        beyond = [o for o in region.openings if up * (o.bounds[:, 2] - z_mm).min() > 0.0]
        area = sum(opening.area_mm2 for opening in beyond)
        if not 0.0 < area < SIDE_SHARE * sum(o.area_mm2 for o in region.openings):
            continue
        skin = Skin(casting)
        mouths = [make_mouth(opening, skin, region.pitch_mm) for opening in beyond]
        made.append(
            Pocket(
                gaps=Solid.union(
                    _neck_of(mouth, casting, hollow).slab(gap_mm + DIP_MM) for mouth in mouths
                ),
                note=f"the sand {place_text(region.deepest_mm)} stands on the {half}, cut off from"
                f" the other half at {len(mouths)} openings",
            )
        )
    return tuple(made)


def _neck_of(mouth: Mouth, casting: Solid, hollow: Solid) -> Plane:
    """Return the plane across the channel at a level mouth that has least sand over and under.

    Inside the wall, that is, not in a boss: neither half reaches over what the other one holds. The
    channel ends where the sand in a slice gets wider.
    """
    plane = mouth.planes[0]
    if mouth.is_upright:
        return plane
    tall = plane.spread.copy()
    tall[:, 1] = casting.bounds[:, 2] / mouth.v[2]

    def sand_mm2(depth: float, spread: Floats) -> float:
        slice_at = replace(plane, offset_mm=plane.offset_mm - depth, spread=spread)
        return (slice_at.slab(DIP_MM) - hollow).volume_mm3 / DIP_MM

    narrow, way = min((sand_mm2(way * NEAR_MM, plane.spread), way) for way in (1.0, -1.0))
    found: list[tuple[float, float]] = []
    for depth in way * np.arange(NEAR_MM, LONGEST_NECK_MM, NECK_STEP_MM):
        if sand_mm2(depth, plane.spread) > WIDER * narrow:
            break
        found.append((sand_mm2(depth, tall), float(depth)))
    least = min(sand for sand, _ in found)
    best = [depth for sand, depth in found if sand <= WIDER * least]
    return replace(plane, offset_mm=plane.offset_mm - best[len(best) // 2])


def _needs_help(region: Enclosure, up: float, z_mm: float, sand: Sand) -> bool:
    """Return whether a pocket is held by the wrong half, and by little."""
    if region.radius_mm < 0.5 * sand.smallest_wall_mm or not region.openings:
        return False
    side = sum(o.area_mm2 for o in region.openings if not _is_mouth(o, up))
    total = sum(o.area_mm2 for o in region.openings)
    if side > SIDE_SHARE * total:
        return False
    is_short = any(
        _is_mouth(o, up) and abs(o.at_mm[2] - z_mm) > 1.5 * region.pitch_mm for o in region.openings
    )
    return side > 0.0 or is_short


def _is_mouth(opening: Opening, up: float) -> bool:
    """Return whether an opening looks toward the parting."""
    return bool(opening.normal[2] * up < -0.9)


def _cut(
    region: Enclosure,
    half: str,
    up: float,
    casting: Solid,
    hollow: Solid,
    skin: Skin,
    z_mm: float,
    gap_mm: float,
) -> Pocket | None:
    """Return one pocket as an exact body, None where no plane cuts it free."""
    sides, ends = [], []
    for opening in region.openings:
        if not _is_mouth(opening, up):
            sides.append(make_mouth(opening, skin, region.pitch_mm))
        elif abs(opening.at_mm[2] - z_mm) > 1.5 * region.pitch_mm:
            ends.append(make_mouth(opening, skin, region.pitch_mm))
    low, high = casting.bounds[0] - BELT_MM, casting.bounds[1] + BELT_MM
    beyond = Solid.box(tuple(low), tuple(high)).split_at((0.0, 0.0, up), up * z_mm)[0]
    plugs = Solid.union(mouth.plug for mouth in (*sides, *ends))
    body = part_at((beyond - hollow - plugs).parts(), region)
    if body is None:
        return None
    insides = [(end.offset_mm - 2.0 * DIP_MM) * float(end.normal[2]) for end in ends]
    outlines = [body.slice_at(inside) for inside in insides]
    if any(outline.is_empty for outline in outlines):
        return None
    gaps = [
        *(_neck_of(side, casting, hollow).slab(gap_mm + DIP_MM) for side in sides),
        *(
            _shaft(outline, inside, z_mm, gap_mm)
            for outline, inside in zip(outlines, insides, strict=True)
        ),
    ]
    return Pocket(
        gaps=Solid.union(gaps) & beyond,
        note=f"the pocket of sand {place_text(region.deepest_mm)} stands on the {half}",
    )


def _shaft(outline: MultiPolygon, inside_mm: float, z_mm: float, gap_mm: float) -> Solid:
    """Return the gap round what joins a pocket that ends short of the parting to its half.

    `outline` is the pocket's just inside that end, at the height `inside_mm`.
    """
    ring = outline.buffer(gap_mm, join_style="mitre").difference(outline)
    return Solid.extrude(ring, min(z_mm, inside_mm), max(z_mm, inside_mm))
