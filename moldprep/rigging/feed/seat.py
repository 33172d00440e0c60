"""A seat: where one feeder stands and what it is; and a chill on its site."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from moldprep.records import ChillPlan, Placement, Section
from moldprep.rigging.feed.chill_sites import ChillSite
from moldprep.rigging.feed.feeder_size import FeederSize
from moldprep.rigging.feed.site_maps import SIDE_GAP_MM, Disc, Floats
from moldprep.rigging.feed.webs import WEB_MM
from moldprep.rigging.feeders import Sleeve
from moldprep.thermal.regions import placed

CHILL_THICKNESS: Final = 0.75
"""Chill thickness over section thickness; 0.5 to 1.0 is usual (R. Wlodawer, from memory)."""
SLEEVE_WALL: Final = 0.12
"""Wall of a sleeve over the diameter inside (common practice, no source)."""

SHAFT_SAND_MM: Final = 6.0
"""Sand round the shaft a sleeve goes down by: a wall of 5 mm and play (common practice, no
source)."""

OVER_JOINT_MM: Final = 1.0
"""How far a neck that would end just short of the joint is led past it, where its wall goes on."""


@dataclass(frozen=True, kw_only=True)
class Seat:
    """A feeder's place on the pattern, with what it must be; pattern frame.

    start : index of the survey's cell where its metal enters the pattern
    """

    kind: str
    section: Section
    size: FeederSize
    at_mm: tuple[float, float, float]
    neck_to_mm: tuple[float, float, float]
    neck_width_mm: float
    neck_height_mm: float
    start: tuple[int, int, int]
    note: str
    sleeve: Sleeve = "none"

    @property
    def sleeve_mm(self) -> float:
        """Wall of its sleeve. [mm]"""
        return sleeve_wall_mm(self.sleeve, self.size.diameter_mm)

    @property
    def disc(self) -> Disc:
        """(x, y, radius) it takes up, with the sand round it. [mm]"""
        return self.at_mm[0], self.at_mm[1], elbow_mm(self.size.diameter_mm, self.sleeve_mm)


@dataclass(frozen=True, kw_only=True, eq=False)
class Want:
    """What a feeder is wanted for, and what is in its way; pattern frame.

    near_mm   : (3,) the hot spot
    feeds_mm3 : volume of all it serves
    taken     : discs it must not overlap
    """

    section: Section
    near_mm: Floats
    feeds_mm3: float
    taken: tuple[Disc, ...]
    sleeve: Sleeve


def sleeve_wall_mm(sleeve: Sleeve, diameter_mm: float) -> float:
    """Return the wall of a kind of sleeve for a feeder, 0 for none. [mm]"""
    if sleeve == "none":
        return 0.0
    return float(max(math.ceil(SLEEVE_WALL * diameter_mm), 8))


def elbow_mm(diameter_mm: float, sleeve_mm: float) -> float:
    """Return the radius a feeder takes up with the sand between it and the next. [mm]

    A sleeve goes in by a shaft of its own, with sand round it.
    """
    shaft = SHAFT_SAND_MM if sleeve_mm > 0.0 else 0.0
    return 0.5 * diameter_mm + sleeve_mm + shaft + SIDE_GAP_MM


def chill_at(site: ChillSite, section: Section, name: str, placement: Placement) -> ChillPlan:
    """Return the chill block on a site, where this copy of the pattern sits."""
    thick = max(CHILL_THICKNESS * section.thickness_mm, 8.0)
    middle = np.array(site.at_mm) + (0.5 * thick - 1.0) * np.array(site.normal)
    at = placed(middle[None, :], placement)[0]
    return ChillPlan(
        name=name,
        at_mm=point(at),
        size_mm=(round(site.width_mm, 1), round(site.width_mm, 1), round(thick, 1)),
        turn_deg=placement.turn_deg,
    )


def off_joint_mm(low_mm: float, high_mm: float, joint_mm: float) -> tuple[float, ...]:
    """Return by how much to move a neck up or down that would leave a skin of sand at the joint.

    First across the joint by `OVER_JOINT_MM`, else flush with it, as gates are; nothing where the
    sand is thick enough, or the neck crosses.
    """
    if 0.0 < joint_mm - high_mm < WEB_MM:
        return joint_mm - high_mm + OVER_JOINT_MM, joint_mm - high_mm
    if 0.0 < low_mm - joint_mm < WEB_MM:
        return joint_mm - low_mm - OVER_JOINT_MM, joint_mm - low_mm
    return ()


def point(at: Floats) -> tuple[float, float, float]:
    """Return a place rounded to a micron. [mm]"""
    return round(float(at[0]), 3), round(float(at[1]), 3), round(float(at[2]), 3)
