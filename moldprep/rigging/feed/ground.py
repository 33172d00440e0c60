"""One pattern as seats see it: its maps, sections and rules, and what every seat must keep to."""

import math
from typing import Final

import numpy as np

from moldprep.records import (
    Alloy,
    FeederPlan,
    Job,
    Parting,
    Pattern,
    Placement,
    PrintRoom,
    Section,
    Survey,
)
from moldprep.rigging.feed.access import has_sky, takes_sleeve
from moldprep.rigging.feed.beside import stands_clear
from moldprep.rigging.feed.feeder_sites import Sites
from moldprep.rigging.feed.feeder_size import FeederSize, Sizer
from moldprep.rigging.feed.reach import Target
from moldprep.rigging.feed.seat import Seat, Want, point
from moldprep.rigging.feed.site_maps import SIDE_GAP_MM, Floats, rivals_of
from moldprep.thermal.regions import placed

HERE: Final = Placement(name="casting")
"""The pattern where it lies in its own frame."""

NEAR: Final = 3.0
"""Farthest a feeder's edge stands from the hot spot it is for, over the section's thickness."""


class Ground:
    """What all seats of one pattern share."""

    def __init__(
        self,
        survey: Survey,
        pattern: Pattern,
        parting: Parting,
        job: Job,
        alloy: Alloy,
        placements: tuple[Placement, ...],
        rooms: tuple[PrintRoom, ...] = (),
    ) -> None:
        """Take what seats depend on; `rooms` is where core prints will lie, pattern frame."""
        self.survey, self.parting, self.alloy = survey, parting, alloy
        self.sites = Sites(
            pattern, survey, parting.joints_mm, rivals_of(pattern, placements), rooms
        )
        self.number = {section.name: k for k, section in enumerate(survey.sections, start=1)}
        self.sizer = Sizer(job, alloy, lambda name: self.sites.ground_mm2(self.number[name]))
        self.casting_mm3 = pattern.solid.volume_mm3
        self._target = Target("casting", pattern.solid)

    # ---- what a seat must keep to --------------------------------------------------------

    def sized(self, want: Want, kind: str, low_mm: float = 0.0, neck_mm: float = 0.0) -> FeederSize:
        """Return the size of a feeder "top" or "side", at least so high, on a neck so wide."""
        return self.sizer.sized(
            want.section, want.feeds_mm3, kind, low_mm, want.sleeve, neck_mm=neck_mm
        )

    def breathes(self, seat: Seat) -> bool:
        """Return whether a seat's feeder is small, or a vent can go up from it."""
        return has_sky(seat, self.sites)

    def is_clear(self, seat: Seat) -> bool:
        """Return whether a seat has sand enough all round, or as much as its neck is long."""
        wide = seat.size.diameter_mm + 2.0 * seat.sleeve_mm
        sand = self.sites.sand_round_mm(seat.kind, seat.at_mm, wide, seat.size.height_mm)
        way = math.dist(seat.at_mm[:2], seat.neck_to_mm[:2]) - 0.5 * wide
        least = min(SIDE_GAP_MM, 0.8 * way) if seat.kind == "side" else SIDE_GAP_MM
        return sand >= least

    @staticmethod
    def is_near(seat: Seat, near_mm: Floats) -> bool:
        """Return whether a seat is within a few walls of a hot spot."""
        foot = seat.at_mm if seat.kind == "top" else seat.neck_to_mm
        away = math.dist(foot, near_mm) - 0.5 * seat.size.diameter_mm
        return away <= NEAR * seat.section.thickness_mm

    def is_clear_built(self, seat: Seat) -> bool:
        """Return whether a seat's feeder, built on the pattern, meets it at its foot alone.

        Its sleeve must go into the sand, too.
        """
        feeder = feeder_at(seat, (), "feeder", HERE)
        return takes_sleeve(seat, self.sites) and self.stands_clear(feeder)

    def stands_clear(self, feeder: FeederPlan) -> bool:
        """Return whether a feeder in the pattern's frame meets it at its foot or neck alone."""
        return stands_clear(feeder, self._target, self.alloy)

    def is_sound(self, seat: Seat) -> bool:
        """Return whether a seat on top has ground, lets out its air, and is clear of the rest."""
        return self.stands(seat) and self.breathes(seat) and self.is_clear_built(seat)

    def stands(self, seat: Seat) -> bool:
        """Return whether a seat on top has metal under its foot: a thin rib is no ground."""
        foot = seat.neck_to_mm if seat.neck_width_mm else seat.at_mm
        wide = seat.neck_width_mm or seat.size.diameter_mm
        return self.has_ground(np.asarray(foot), wide)

    def has_ground(self, foot_mm: Floats, diameter_mm: float) -> bool:
        """Return whether the pattern is under a foot all round, or nearly."""
        return self._target.has_ground(foot_mm, diameter_mm)

    # ---- where it is on the survey's lattice -----------------------------------------------

    def top_of(self, members: tuple[Section, ...]) -> float:
        """Return the highest point of some sections. [mm]"""
        own = np.isin(self.survey.label, [self.number[section.name] for section in members])
        levels = np.flatnonzero(own.any(axis=(0, 1)))
        return float(self.survey.origin_mm[2] + (levels.max() + 1) * self.survey.pitch_mm)

    def cell_under(self, at_mm: tuple[float, float, float]) -> tuple[int, int, int]:
        """Return the highest cell with metal under a place."""
        i, j, k = self._index(at_mm)
        below = np.flatnonzero(self.survey.label[i, j, : k + 1])
        return i, j, int(below[-1]) if len(below) else k

    def cell_inward(
        self, at_mm: tuple[float, float, float], outward: tuple[float, float]
    ) -> tuple[int, int, int]:
        """Return the first cell with metal behind a place on a wall, against `outward`."""
        pitch = self.survey.pitch_mm
        for step in range(1, 8):
            x, y = (at_mm[k] - step * 0.5 * pitch * outward[k] for k in range(2))
            index = self._index((x, y, at_mm[2]))
            if self.survey.label[index]:
                return index
        return self._index(at_mm)

    def _index(self, at_mm: tuple[float, float, float]) -> tuple[int, int, int]:
        spot = np.floor((np.array(at_mm) - self.survey.origin_mm) / self.survey.pitch_mm)
        i, j, k = np.clip(spot.astype(int), 0, np.array(self.survey.label.shape) - 1)
        return int(i), int(j), int(k)


def feeder_at(seat: Seat, serves: tuple[str, ...], name: str, placement: Placement) -> FeederPlan:
    """Return a seat as a feeder on one copy of the pattern."""
    points = placed(np.array([seat.at_mm, seat.neck_to_mm]), placement)
    has_neck = seat.neck_width_mm > 0.0
    return FeederPlan(
        name=name,
        kind="top" if seat.kind == "top" else "side",
        at_mm=point(points[0]),
        diameter_mm=seat.size.diameter_mm,
        height_mm=seat.size.height_mm,
        serves=serves,
        neck_width_mm=seat.neck_width_mm,
        neck_height_mm=seat.neck_height_mm,
        neck_to_mm=point(points[1]) if has_neck else (0.0, 0.0, 0.0),
        sleeve=seat.sleeve,
        sleeve_mm=seat.sleeve_mm,
        into=placement.name,
    )
