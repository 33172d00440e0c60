"""One feeder or chill on a pattern: a seat on top, else beside; and how it goes into the mold."""

import math
from dataclasses import replace
from functools import partial
from typing import Final

import numpy as np
from numpy.typing import NDArray

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
from moldprep.rigging.feed.access import has_sky, opens_at_joint, takes_sleeve
from moldprep.rigging.feed.beside import stands_clear
from moldprep.rigging.feed.chill_seats import ChillFinder
from moldprep.rigging.feed.feed_groups import FeedGroup
from moldprep.rigging.feed.feeder_sites import SideSite, Sites, TopSite
from moldprep.rigging.feed.feeder_size import FeederSize, Sizer
from moldprep.rigging.feed.reach import Target
from moldprep.rigging.feed.seat import Disc, Seat, off_joint_mm, point, sleeve_wall_mm
from moldprep.rigging.feed.site_maps import SIDE_GAP_MM, rivals_of
from moldprep.rigging.feeders import Sleeve
from moldprep.thermal.feedpairs import section_reach_mm
from moldprep.thermal.regions import placed

Floats = NDArray[np.float64]

HERE: Final = Placement(name="casting")
"""The pattern where it lies in its own frame."""
NECK_SHARE: Final = 0.3
"""Length of a side feeder's neck over its diameter; at most 0.5 (AFS rule, from memory)."""
NEAR: Final = 3.0
"""Farthest a feeder's edge stands from the hot spot it is for, over the section's thickness."""
NECK_GROUNDS: Final = (0.7, 0.5)
"""Width a neck must have at least over what its modulus asks for: heat from both ends helps it.
The narrower one is taken where no other finds ground; the heat solve shows whether it does."""
SLEEVE_WHY: Final = "a plain one would need over twice the metal, or finds no room"
SIDES_TRIED: Final = 40
"""Places beside a section whose neck is tried, best first."""
BUILT_TRIED: Final = 8
"""… and of these, how many are built to see whether they keep clear of the casting."""
TOPS_TRIED: Final = 4
"""Places on top that are built to see the same, best first."""
SLIMMEST: Final = 3.0
"""Height over diameter of the slimmest side feeder: the top of a slimmer one freezes first."""
PAST_JOINT_MM: Final = 12.0
"""How far a feeder that rises to open at a joint goes past it: a dome of sand closes it."""
NECK_LIFT: Final = 0.12
"""Height of a necked-down foot over the feeder's diameter."""
LEAST_LIFT_MM: Final = 8.0
"""Sand under a feeder that stands beside its neck; thinner sand would break."""
NECK_SHARES: Final = (1.0, 0.8, 0.65)
"""Shares of the wanted neck that are tried where a wall is too narrow for all of it."""


class SeatFinder:
    """Finds seats on one pattern, one at a time."""

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
        self._survey, self._pattern, self._parting = survey, pattern, parting
        self._alloy = alloy
        self.sites = Sites(
            pattern, survey, parting.joints_mm, rivals_of(pattern, placements), rooms
        )
        self.number = {section.name: k for k, section in enumerate(survey.sections, start=1)}
        self.by_name = {section.name: section for section in survey.sections}
        self.sizer = Sizer(job, alloy, lambda name: self.sites.ground_mm2(self.number[name]))
        self.casting_mm3 = pattern.solid.volume_mm3
        self.chills = ChillFinder(self.sites, self.number, survey, self.casting_mm3)
        self._ground = Target("casting", pattern.solid)

    # ---- one feeder ----------------------------------------------------------------------

    def seat(
        self,
        section: Section,
        near_mm: Floats,
        feeds_mm3: float,
        taken: tuple[Disc, ...] = (),
        group: FeedGroup | None = None,
        over_mm: float | None = None,
    ) -> Seat | None:
        """Return a seat for a feeder near a hot spot of a section: on top, else beside, else None.

        A place near the hot spot goes before one far off, and one with sand all round before one
        close beside a wall. A feeder in an insulating sleeve is
        slimmer: it comes first where it saves much metal, else where a plain one finds no place;
        at last comes a narrower neck. One beside ends above `over_mm`, where that is not given
        above all it feeds, as far up as it reaches.
        """
        second: list[Seat] = []
        if over_mm is None:
            reach = section_reach_mm(section, self._alloy, to_end=True, is_chilled=False)
            top = self._top_of(group.members if group else (section,))
            over_mm = min(top, float(near_mm[2]) + reach)
        for least in NECK_GROUNDS:
            for sleeve in self.sizer.sleeves(section, feeds_mm3):
                on_top = partial(self._top_seat, section, near_mm, feeds_mm3, taken, sleeve, least)
                beside = partial(
                    self._side_seat, section, near_mm, feeds_mm3, taken, sleeve, over_mm
                )
                # a place beside is the same for any ground
                for find in (on_top, beside) if least == NECK_GROUNDS[0] else (on_top,):
                    seat = find()
                    if seat is None:
                        continue
                    is_fine = self._is_clear(seat) and self.breathes(seat)
                    if is_fine and self.is_near(seat, near_mm):
                        return seat
                    second.append(seat)
            if second:
                break
        return max(
            second,
            key=lambda seat: (self.is_near(seat, near_mm), self.breathes(seat)),
            default=None,
        )

    def breathes(self, seat: Seat) -> bool:
        """Return whether a seat's feeder is small, or a vent can go up from it."""
        return has_sky(seat, self.sites)

    def _is_clear(self, seat: Seat) -> bool:
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

    def _top_seat(
        self,
        section: Section,
        near_mm: Floats,
        feeds_mm3: float,
        taken: tuple[Disc, ...],
        sleeve: Sleeve,
        least: float,
    ) -> Seat | None:
        """Return a seat on top, on a full foot or else on a neck, which may be off its middle.

        `least` is the narrowest neck over what its modulus asks for.
        """
        needed = 4.0 * min(self._alloy.neck_factor, 1.0) * section.modulus_mm
        seats = []
        for narrow in (0.0, least * needed):
            refused: list[Disc] = []
            while len(refused) < TOPS_TRIED:
                site, seat = self._top_at(
                    section, near_mm, feeds_mm3, taken, sleeve, narrow, least * needed, refused
                )
                if site is None:
                    break
                is_open = seat is not None and self._stands(seat) and self.breathes(seat)
                if seat is not None and is_open and self._is_clear_built(seat):
                    seats.append(seat)
                    break
                refused.append((site.at_mm[0], site.at_mm[1], max(section.thickness_mm, 10.0)))
            if seats and self.is_near(seats[-1], near_mm):
                return seats[-1]
        return seats[0] if seats else None

    def _top_at(
        self,
        section: Section,
        near_mm: Floats,
        feeds_mm3: float,
        taken: tuple[Disc, ...],
        sleeve: Sleeve,
        narrow_mm: float,
        least_mm: float,
        refused: list[Disc],
    ) -> tuple[TopSite | None, Seat | None]:
        """Return the best place on top that was not refused, and the seat there if it has one."""
        size = self.sizer.sized(section, feeds_mm3, "top", sleeve=sleeve, neck_mm=narrow_mm)
        wall = sleeve_wall_mm(sleeve, size.diameter_mm)
        lift = max(NECK_LIFT * size.diameter_mm, LEAST_LIFT_MM)
        neck = min(narrow_mm, size.diameter_mm)
        site = self.sites.on_top(
            {self.number[section.name]},
            near_mm,
            size.diameter_mm + 2.0 * wall,
            size.height_mm,
            max(section.thickness_mm, self._survey.pitch_mm),
            taken,
            neck_mm=neck,
            lift_mm=lift,
            sleeve_mm=wall,
            refused=tuple(refused),
        )
        if site is None or ((site.is_stepped or neck) and site.foot_mm < least_mm):
            return site, None
        if site.is_stepped and not neck:  # it will stand on a neck after all
            foot = min(site.foot_mm, size.diameter_mm)
            size = self.sizer.sized(section, feeds_mm3, "top", sleeve=sleeve, neck_mm=foot)
        return site, self._on(site, section, size, lift, sleeve, is_off=neck > 0.0)

    def _is_clear_built(self, seat: Seat) -> bool:
        """Return whether a seat's feeder, built on the pattern, meets it at its foot alone.

        Its sleeve must go into the sand, too.
        """
        feeder = self.feeder(seat, (), "feeder", HERE)
        return takes_sleeve(seat, self.sites) and self.stands_clear(feeder)

    def where_it_is(self, seat: Seat, taken: tuple[Disc, ...]) -> Seat | None:
        """Return a seat of another size at the same place, or None where it has no room."""
        x, y, _ = seat.at_mm
        radius = 0.5 * seat.size.diameter_mm + seat.sleeve_mm
        is_free = all(math.dist((x, y), other[:2]) > other[2] + radius for other in taken)
        return seat if is_free and self._is_clear_built(seat) else None

    def stands_clear(self, feeder: FeederPlan) -> bool:
        """Return whether a feeder in the pattern's frame meets it at its foot or neck alone."""
        return stands_clear(feeder, self._ground, self._alloy)

    def _stands(self, seat: Seat) -> bool:
        """Return whether a seat on top has metal under its foot: a thin rib is no ground."""
        foot = seat.neck_to_mm if seat.neck_width_mm else seat.at_mm
        wide = seat.neck_width_mm or seat.size.diameter_mm
        return self.has_ground(np.asarray(foot), wide)

    def has_ground(self, foot_mm: Floats, diameter_mm: float) -> bool:
        """Return whether the pattern is under a foot all round, or nearly."""
        return self._ground.has_ground(foot_mm, diameter_mm)

    def _on(
        self,
        site: TopSite,
        section: Section,
        size: FeederSize,
        lift_mm: float,
        sleeve: Sleeve,
        *,
        is_off: bool,
    ) -> Seat:
        """Return the seat on a place on top."""
        off = math.dist(site.at_mm[:2], site.middle_mm)
        most = size.diameter_mm - 2.0 * off if is_off else size.diameter_mm
        neck = round(min(site.foot_mm, most), 1) if is_off or site.is_stepped else 0.0
        high = lift_mm if is_off else max(NECK_LIFT * size.diameter_mm, 5.0) if neck else 0.0
        return Seat(
            kind="top",
            section=section,
            size=size,
            at_mm=(*site.middle_mm, site.at_mm[2] + high),
            neck_to_mm=site.at_mm if neck else (0.0, 0.0, 0.0),
            neck_width_mm=neck,
            neck_height_mm=round(high, 1),
            start=self._cell_under(site.at_mm),
            note=("on a face that is machined anyway" if site.is_machined else "on top")
            + (", on a neck beside its middle" if off > 1.0 else ""),
            sleeve=sleeve,
        )

    def _side_seat(
        self,
        section: Section,
        near_mm: Floats,
        feeds_mm3: float,
        taken: tuple[Disc, ...],
        sleeve: Sleeve,
        over_mm: float,
    ) -> Seat | None:
        """Return a seat beside, wider than wanted where it would be too slim for its height."""
        size = self.sizer.sized(section, feeds_mm3, "side", sleeve=sleeve)
        for _ in range(2):
            seat = self._beside(section, near_mm, feeds_mm3, taken, sleeve, over_mm, size)
            if seat is None or seat.size.height_mm <= SLIMMEST * seat.size.diameter_mm:
                return seat
            wide = float(math.ceil(seat.size.height_mm / SLIMMEST))
            size = replace(seat.size, diameter_mm=wide)
        return None

    def _beside(
        self,
        section: Section,
        near_mm: Floats,
        feeds_mm3: float,
        taken: tuple[Disc, ...],
        sleeve: Sleeve,
        over_mm: float,
        size: FeederSize,
    ) -> Seat | None:
        """Return the seat of a side feeder of a size, as high as it must be there."""
        wall = sleeve_wall_mm(sleeve, size.diameter_mm)
        neck_mm = max(NECK_SHARE * size.diameter_mm, LEAST_LIFT_MM + wall)
        sites = self.sites.beside(
            self.number[section.name],
            near_mm,
            min(self._parting.joints_mm, key=lambda z_mm: abs(z_mm - float(near_mm[2]))),
            size.diameter_mm + 2.0 * wall,
            neck_mm - wall,
            size.height_mm,
            taken,
        )
        met = [
            (self._off_joint(site, neck), neck)
            for site in sites[:SIDES_TRIED]
            if (neck := self._neck(site, size, neck_mm)) is not None
        ]
        seats = [
            self._at_side(section, feeds_mm3, sleeve, over_mm, size, neck_mm, site, neck)
            for site, neck in met
        ]
        seats += [risen for seat in seats if (risen := self._risen(seat)) is not None]
        # stable: else best first
        seats.sort(
            key=lambda seat: (not opens_at_joint(seat, self.sites), not self._is_clear(seat))
        )
        built = (seat for seat in seats[:BUILT_TRIED] if self._is_clear_built(seat))
        return next(built, None)

    def _at_side(
        self,
        section: Section,
        feeds_mm3: float,
        sleeve: Sleeve,
        over_mm: float,
        size: FeederSize,
        neck_mm: float,
        site: SideSite,
        neck: tuple[float, float],
    ) -> Seat:
        """Return the seat at a place beside, its feeder as high as it must be there."""
        wide, high = neck
        foot = site.neck_to_mm[2] - 0.5 * high
        low = over_mm - foot + 0.3 * size.diameter_mm
        high_enough = self.sizer.sized(section, feeds_mm3, "side", low, sleeve)
        size = replace(high_enough, diameter_mm=max(high_enough.diameter_mm, size.diameter_mm))
        out = neck_mm + 0.5 * size.diameter_mm
        x, y, _ = site.neck_to_mm
        return Seat(
            kind="side",
            section=section,
            size=size,
            at_mm=(x + out * site.outward[0], y + out * site.outward[1], foot),
            neck_to_mm=site.neck_to_mm,
            neck_width_mm=round(wide, 1),
            neck_height_mm=round(high, 1),
            start=self._cell_inward(site.neck_to_mm, site.outward),
            note="beside, on a machined face" if site.is_machined else "beside",
            sleeve=sleeve,
        )

    def _drawbacks(self, seat: Seat) -> tuple[bool, bool, bool]:
        """Return whether a seat's cavity cannot be cleaned, nor let out air, and has thin sand."""
        opens = opens_at_joint(seat, self.sites)
        return not opens, not self.breathes(seat), not self._is_clear(seat)

    def _risen(self, seat: Seat) -> Seat | None:
        """Return a seat deep in one piece, high enough to open at the joint over it, or None.

        Nothing cleans the cavity of one that does not; it must not get too slim.
        """
        foot, top = seat.at_mm[2], seat.at_mm[2] + seat.size.height_mm
        over = min((z_mm for z_mm in self._parting.joints_mm if z_mm >= top), default=math.inf)
        high = math.ceil(over + PAST_JOINT_MM - foot) if math.isfinite(over) else math.inf
        if opens_at_joint(seat, self.sites) or high > SLIMMEST * seat.size.diameter_mm:
            return None
        return replace(seat, size=replace(seat.size, height_mm=float(high)))

    def _neck(self, site: SideSite, size: FeederSize, neck_mm: float) -> tuple[float, float] | None:
        """Return width and height of a side feeder's neck that meets the pattern, or None. [mm]"""
        high = max(min(4.0 * size.neck_modulus_mm, 0.95 * site.wall_mm, 0.9 * size.height_mm), 4.0)
        wide = _neck_width_mm(size, high)
        for share in NECK_SHARES:
            if self.sites.meets(site.neck_to_mm, site.outward, neck_mm, share * wide, share * high):
                return share * wide, share * high
        return None

    def _off_joint(self, site: SideSite, neck: tuple[float, float]) -> SideSite:
        """Return a place moved so that its neck leaves no skin of sand at the joint, if it can."""
        (x, y, z), high = site.neck_to_mm, round(neck[1], 1)
        for joint_mm in self._parting.joints_mm:
            for by_mm in off_joint_mm(z - 0.5 * high, z + 0.5 * high, joint_mm):
                to = (x, y, z + by_mm)
                if self.sites.meets(to, site.outward, LEAST_LIFT_MM, neck[0], high):
                    return replace(site, neck_to_mm=to)
        return site

    def _top_of(self, members: tuple[Section, ...]) -> float:
        """Return the highest point of some sections. [mm]"""
        own = np.isin(self._survey.label, [self.number[section.name] for section in members])
        levels = np.flatnonzero(own.any(axis=(0, 1)))
        return float(self._survey.origin_mm[2] + (levels.max() + 1) * self._survey.pitch_mm)

    def _cell_under(self, at_mm: tuple[float, float, float]) -> tuple[int, int, int]:
        i, j, k = self._index(at_mm)
        below = np.flatnonzero(self._survey.label[i, j, : k + 1])
        return i, j, int(below[-1]) if len(below) else k

    def _cell_inward(
        self, at_mm: tuple[float, float, float], outward: tuple[float, float]
    ) -> tuple[int, int, int]:
        pitch = self._survey.pitch_mm
        for step in range(1, 8):
            x, y = (at_mm[k] - step * 0.5 * pitch * outward[k] for k in range(2))
            index = self._index((x, y, at_mm[2]))
            if self._survey.label[index]:
                return index
        return self._index(at_mm)

    def _index(self, at_mm: tuple[float, float, float]) -> tuple[int, int, int]:
        spot = np.floor((np.array(at_mm) - self._survey.origin_mm) / self._survey.pitch_mm)
        i, j, k = np.clip(spot.astype(int), 0, np.array(self._survey.label.shape) - 1)
        return int(i), int(j), int(k)

    # ---- into the mold -------------------------------------------------------------------

    def feeder(
        self, seat: Seat, serves: tuple[str, ...], name: str, placement: Placement
    ) -> FeederPlan:
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

    def why(self, seat: Seat, serves: tuple[str, ...]) -> str:
        """Return why a feeder is where and as large as it is."""
        size = seat.size
        return (
            f"{', '.join(serves)} cannot be fed by a neighbor; {seat.note} near the hot spot of "
            f"{seat.section.name} (modulus {seat.section.modulus_mm:.1f} mm): modulus "
            f"{size.modulus_mm:.1f} mm, volume {size.volume_needed_mm3 / 1e3:.0f} cm³ wanted, "
            f"{size.decided_by} decides. Closed, with an air core: sand on top keeps heat and yield"
            + ("" if seat.sleeve == "none" else f"; in a sleeve: {SLEEVE_WHY}")
        )


def _neck_width_mm(size: FeederSize, high_mm: float) -> float:
    """Return the width that gives a neck of this height the wanted modulus, up to 0.9 D. [mm]"""
    most = 0.9 * size.diameter_mm
    spare = high_mm - 2.0 * size.neck_modulus_mm
    return min(most, 2.0 * size.neck_modulus_mm * high_mm / spare) if spare > 0.0 else most
