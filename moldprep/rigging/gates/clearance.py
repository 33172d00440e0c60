"""Keeping channels clear of castings, feeders, chills and vents."""

import math
from collections.abc import Iterator, Sequence
from typing import Final

from shapely.geometry import Point
from shapely.geometry.base import BaseGeometry

from moldprep.geometry.shapes import (
    placed_outline,
    rounded_box_outline,
)
from moldprep.records.plan import (
    BasinPlan,
    FilterPlan,
    Placement,
    RunnerPlan,
    SpruePlan,
    VentPlan,
    WellPlan,
)
from moldprep.rigging.bodies import STEP_SHARE, basin_outline
from moldprep.rigging.gates.room import Room, channel_prism, outline_placed
from moldprep.rigging.gating import efficiency, falling_speed_m_s
from moldprep.units import MM_PER_M

BASIN_OVER_SPRUE: Final = 2.5
"""Width of a basin over the sprue's top diameter; twice as long as wide
(common practice, no source). [-]"""

NARROWEST_BASIN_MM: Final = 40.0
"""A ladle's stream is kept in a basin this wide, twice as long (common practice, no source)."""

USUAL_BASIN_MM: Final = 50.0
"""Depth of metal in a basin that keeps slag back (common practice, no source). [mm]"""

DEEP_OVER_FOOT: Final = 2.5
"""Depth of a basin over the sprue's foot, at least: no eddy reaches down into the sprue (common
practice, no source). [-]"""

DEEPEST_OVER_FOOT: Final = 4.0
"""The same, at most, over sprues so thin that less than the usual depth will do (common practice,
no source). [-]"""

BASIN_HOLDS_S: Final = 1.0
"""What flows while a basin is filled once over: bubbles and slag come up in it, and a ladle's
swerves even out (common practice, no source). [s]"""

BASIN_SHARE: Final = 2.28
"""Volume of a basin over width squared times depth: twice as long as wide, half as deep again
beyond its step, less its round corners. [-]"""

VENT_SAND_MM: Final = 15.0
"""Sand between a vent and the basin. [mm]"""


class Blocked:
    """What placed castings, feeders and chills block, level by level."""

    def __init__(self, room: Room, placements: tuple[Placement, ...], wall_mm: float) -> None:
        self._room, self._placements, self._wall_mm = room, placements, wall_mm

    def is_clear(self, outline: BaseGeometry, low_mm: float, high_mm: float) -> bool:
        """Return whether an upright body keeps the sand wall from everything."""
        there = self._room.between(low_mm, high_mm, self._wall_mm)
        return there.is_empty or all(
            outline_placed(there, place).distance(outline) >= self._wall_mm - 0.05
            for place in self._placements
        )


def channel_outlines(
    sprue: SpruePlan, well: WellPlan, runners: Sequence[RunnerPlan], filters: Sequence[FilterPlan]
) -> Iterator[tuple[BaseGeometry, float, float]]:
    """Yield (outline, low, high) of every channel but the ingates and the basin."""
    radius = math.sqrt(sprue.top_area_mm2 / math.pi)
    yield Point(sprue.at_mm[:2]).buffer(radius), sprue.at_mm[2], sprue.top_mm
    z = well.at_mm[2]
    yield Point(well.at_mm[:2]).buffer(0.5 * well.diameter_mm), z, z + well.depth_mm
    yield from map(channel_prism, runners)
    for one in filters:
        box = rounded_box_outline(one.thickness_mm + 2.0, one.length_mm, 0.5)
        half = 0.5 * one.width_mm
        yield placed_outline(box, one.at_mm, one.turn_deg), one.at_mm[2] - half, one.at_mm[2] + half


def basin_depth_mm(foot_mm2: float) -> float:
    """Return the depth of a basin over a sprue with this foot. [mm]"""
    foot_mm = math.sqrt(4.0 / math.pi * foot_mm2)
    wanted = max(DEEP_OVER_FOOT * foot_mm, min(USUAL_BASIN_MM, DEEPEST_OVER_FOOT * foot_mm))
    return 5.0 * math.ceil(wanted / 5.0 - 1e-9)


def basin_width_mm(sprue: SpruePlan, depth_mm: float) -> float:
    """Return the width of an offset basin over a sprue: for its mouth, the flow and a ladle. [mm]

    The flow is what the foot passes under the full basin, at the usual discharge coefficient.
    """
    mouth = 2.0 * math.sqrt(sprue.top_area_mm2 / math.pi)
    head = sprue.top_mm + depth_mm - sprue.at_mm[2]
    speed = efficiency(has_bends=True) * falling_speed_m_s(head) * MM_PER_M
    held_mm3 = BASIN_HOLDS_S * sprue.foot_area_mm2 * speed
    wide = math.sqrt(held_mm3 / (BASIN_SHARE * depth_mm))
    return max(NARROWEST_BASIN_MM, 5.0 * math.ceil(max(BASIN_OVER_SPRUE * mouth, wide) / 5.0))


def clear_basin(
    sprue: SpruePlan,
    top_mm: float,
    first_deg: float,
    blocked: Blocked,
    vents: Sequence[VentPlan] = (),
) -> BasinPlan | None:
    """Return an offset basin over a sprue, turned to where it has room, or None.

    Parameters
    ----------
    sprue
        What it feeds.
    top_mm
        Height of the cope's top. [mm]
    first_deg
        Direction tried first; then square to it, then every 15 degrees. [deg]
    blocked
        Castings, feeders, chills.
    vents
        Vents that come up beside it.
    """
    depth = top_mm - sprue.top_mm
    width = basin_width_mm(sprue, depth)
    square = [first_deg + turn for turn in (0.0, -90.0, 90.0, 180.0)]
    slanted = [first_deg + 15.0 * k for k in range(24)]
    for turn in square + slanted:
        basin = BasinPlan(
            length_mm=2.0 * width, width_mm=width, depth_mm=depth, turn_deg=round(turn, 2) % 360.0
        )
        outline = basin_outline(basin, sprue)
        low = sprue.top_mm - STEP_SHARE * depth
        if blocked.is_clear(outline, low, top_mm) and not meets_vents(outline, vents):
            return basin
    return None


def meets_vents(outline: BaseGeometry, vents: Sequence[VentPlan]) -> bool:
    """Return whether a vent comes up through an outline or too near to it."""
    return any(
        outline.distance(Point(vent.at_mm[:2])) < 0.5 * vent.diameter_mm + VENT_SAND_MM
        for vent in vents
    )
