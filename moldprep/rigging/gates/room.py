"""What room the castings, feeders and channels take, seen from above, level by level."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Final

from shapely import affinity
from shapely.geometry import LineString, MultiPolygon, Point
from shapely.geometry import box as rectangle
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

from moldprep.geometry.shapes import trapezoid_widths_mm
from moldprep.geometry.solid import Solid
from moldprep.records.plan import ChillPlan, FeederPlan, IngatePlan, Placement, RunnerPlan

PRINT_SAND_MM: Final = 5.0
"""Sand above and below a core print: no metal lies behind it, so a safe wall of sand is enough
(common practice, no source). [mm]"""

SHADOWS_KEPT: Final = 256
"""Outlines of a casting between two heights that are kept: rooms differ by what stands round it."""

Prism = tuple[BaseGeometry, float, float]


@dataclass(frozen=True)
class Room:
    """A solid and upright prisms round it; answers what is in the way between two heights.

    prisms : (outline, low, high) of things known by their outline only: feeders, chills
    prints : the same of core prints
    """

    solid: Solid
    prisms: tuple[Prism, ...]
    prints: tuple[Prism, ...] = ()

    @cached_property
    def _cuts(self) -> dict[tuple[float, float, float], BaseGeometry]:
        return {}

    def between(self, low_mm: float, high_mm: float, sand_mm: float) -> BaseGeometry:
        """Return the outline of everything that comes within a sand wall of two heights."""
        key = (round(low_mm, 1), round(high_mm, 1), sand_mm)
        if key not in self._cuts:
            found = [outline for outline, _, _ in self.beside(low_mm, high_mm, sand_mm)]
            low, high = low_mm - sand_mm, high_mm + sand_mm
            if self.solid.bounds[0, 2] < high and self.solid.bounds[1, 2] > low:
                found.append(_shadow(self.solid, low, high))
            self._cuts[key] = unary_union(found)
        return self._cuts[key]

    def beside(self, low_mm: float, high_mm: float, sand_mm: float) -> list[Prism]:
        """Return the prisms and prints that come within a sand wall of two heights."""
        thin = min(sand_mm, PRINT_SAND_MM)
        return [
            (outline, low, high)
            for prisms, sand in ((self.prisms, sand_mm), (self.prints, thin))
            for outline, low, high in prisms
            if low < high_mm + sand and high > low_mm - sand
        ]

    @cached_property
    def whole(self) -> BaseGeometry:
        """The outline of everything."""
        return self.between(-1e6, 1e6, 0.0)


@lru_cache(SHADOWS_KEPT)
def _shadow(solid: Solid, low_mm: float, high_mm: float) -> BaseGeometry:
    """Return the outline of a solid between two heights."""
    low, high = solid.bounds
    slab = Solid.box((low[0] - 1.0, low[1] - 1.0, low_mm), (high[0] + 1.0, high[1] + 1.0, high_mm))
    return _clean((solid & slab).shadow())


def _clean(outline: MultiPolygon) -> BaseGeometry:
    return outline if outline.is_valid else outline.buffer(0.0)


def feeder_prisms(
    feeders: Sequence[FeederPlan], top_mm: float
) -> tuple[tuple[BaseGeometry, float, float], ...]:
    """Return the room feeders, sleeves and necks take."""
    prisms: list[tuple[BaseGeometry, float, float]] = []
    for feeder in feeders:
        x, y, foot = feeder.at_mm
        high = top_mm if feeder.is_open else foot + feeder.height_mm + feeder.sleeve_mm
        disc = Point(x, y).buffer(0.5 * feeder.diameter_mm + feeder.sleeve_mm, quad_segs=16)
        prisms.append((disc, foot, high))
        if feeder.neck_width_mm > 0.0 and feeder.kind == "side":
            to = feeder.neck_to_mm
            neck = LineString([(x, y), to[:2]]).buffer(0.5 * feeder.neck_width_mm, cap_style="flat")
            half = 0.5 * feeder.neck_height_mm
            prisms.append((neck, to[2] - half, to[2] + half))
    return tuple(prisms)


def outline_placed(outline: BaseGeometry, place: Placement) -> BaseGeometry:
    """Return an outline turned and moved as a placement says."""
    turned = affinity.rotate(outline, place.turn_deg, origin=(0.0, 0.0))
    return affinity.translate(turned, place.move_mm[0], place.move_mm[1])


def chill_prisms(chills: Sequence[ChillPlan]) -> tuple[tuple[BaseGeometry, float, float], ...]:
    """Return the room chills take."""
    prisms: list[tuple[BaseGeometry, float, float]] = []
    for chill in chills:
        x, y, z = (0.5 * size for size in chill.size_mm)
        outline = affinity.rotate(rectangle(-x, -y, x, y), chill.turn_deg, origin=(0.0, 0.0))
        at = chill.at_mm
        prisms.append((affinity.translate(outline, at[0], at[1]), at[2] - z, at[2] + z))
    return tuple(prisms)


def channel_prism(way: RunnerPlan | IngatePlan) -> Prism:
    """Return the room a runner or ingate takes."""
    wide = max(trapezoid_widths_mm(way.width_mm, way.height_mm, way.side_deg))
    levels = [point[2] for point in way.path_mm]
    line = LineString([point[:2] for point in way.path_mm])
    cap = "flat" if line.length > 0.0 else "square"  # one that only rises is a spot from above
    outline = line.buffer(0.5 * wide, cap_style=cap, join_style="mitre")
    return outline, min(levels), max(levels) + way.height_mm
