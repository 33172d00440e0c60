"""Automatic feeders and chills: which sections need one, where it goes, how large it is."""

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from shapely import affinity
from shapely.geometry import MultiPolygon
from shapely.ops import unary_union

from moldprep.records import (
    Alloy,
    ChillPlan,
    FeederPlan,
    Job,
    Parting,
    Pattern,
    Placement,
    Reason,
    Section,
    Survey,
)
from moldprep.rigging.feed_groups import FeedGroup, feed_groups, thickest_join_mm
from moldprep.rigging.feeder_sites import ChillSite, Sites
from moldprep.rigging.feeder_size import FeederSize, size_feeder, wanted_factor
from moldprep.rigging.feeders import chilled_modulus_mm
from moldprep.thermal.feedpairs import demand_pct, section_reach_mm
from moldprep.thermal.pools import way_mm
from moldprep.thermal.regions import placed

Floats = NDArray[np.float64]
Disc = tuple[float, float, float]

CHILL_COUNTS: Final = 2.5
CHILL_AREA_SHARE: Final = 0.35
"""A chill is taken instead of a feeder while it covers no more of a section's surface."""
CHILL_VOLUME_SHARE: Final = 0.10
"""… and while the section is no more than this share of the casting."""
CHILL_THICKNESS: Final = 0.75
"""Chill thickness over section thickness; 0.5 to 1.0 is usual (R. Wlodawer, from memory)."""
UNREACHED_SHARE: Final = 0.10
"""A section may be out of reach with this share before it gets another feeder."""
FAR_BEYOND: Final = 2.0
"""Times its reach a feeder may be stretched for the sake of the yield; beyond it is a fault."""
MOST_SEATS: Final = 6
"""Feeders on one group at most; beyond that the section wants padding or a chill, not metal."""
NECK_SHARE: Final = 0.3
"""Length of a side feeder's neck over its diameter; at most 0.5 (AFS rule, from memory)."""
SERVES_SHARE: Final = 0.10
NECK_LIFT: Final = 0.12

WLODAWER: Final = "R. Wlodawer, Directional Solidification of Steel Castings, 1966 (from memory)"
PELLINI: Final = "W. S. Pellini, Trans. AFS 61 (1953) 61-80 (from memory)"


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

    @property
    def disc(self) -> Disc:
        """(x, y, radius) it takes up. [mm]"""
        return self.at_mm[0], self.at_mm[1], 0.5 * self.size.diameter_mm


def plan_feeders(
    survey: Survey,
    pattern: Pattern,
    parting: Parting,
    job: Job,
    alloy: Alloy,
    placements: tuple[Placement, ...],
) -> tuple[tuple[FeederPlan, ...], tuple[ChillPlan, ...], tuple[Reason, ...]]:
    """Return the feeders and chills for every copy of the pattern, and why.

    Parameters
    ----------
    survey
        Sections of the bare pattern and how they hang together.
    pattern
        What they sit on, with the faces to keep clear.
    parting
        Height at which side feeders join.
    job
        What it gives is kept as it is; a family it gives or leaves out of `rigging.auto` is not
        planned here.
    alloy
        Contraction, factors and reach.
    placements
        Where each copy sits.

    Returns
    -------
    tuple
        Feeders F1, F2… and chills C1, C2…, copy by copy, and a reason for each.
    """
    given = job.rigging
    feeders, chills, reasons = list(given.feeder), list(given.chill), list[Reason]()
    names = [one.name for one in given.feeder] + [one.name for one in given.chill]
    reasons += [_given(name) for name in names]
    wants_feeders = "feeders" in given.auto and not given.feeder
    wants_chills = "chills" in given.auto and not given.chill
    if not (wants_feeders or wants_chills) or not survey.sections:
        return tuple(feeders), tuple(chills), tuple(reasons)
    planner = FeederPlanner(survey, pattern, parting, job, alloy, placements)
    seats, cold, notes = planner.whole_pattern(feeders=wants_feeders, chills=wants_chills)
    reasons += notes
    for placement in placements:
        for seat, serves in seats:
            name = f"F{len(feeders) + 1}"
            feeders.append(planner.feeder(seat, serves, name, placement))
            reasons.append(Reason(item=name, why=planner.why(seat, serves), source=WLODAWER))
        for site, section, why in cold:
            name = f"C{len(chills) + 1}"
            chills.append(chill_at(site, section, name, placement))
            reasons.append(Reason(item=name, why=why, source=WLODAWER))
    return tuple(feeders), tuple(chills), tuple(reasons)


def _given(name: str) -> Reason:
    return Reason(item=name, why="given by the job file, kept as it is", source="job file")


def chill_at(site: ChillSite, section: Section, name: str, placement: Placement) -> ChillPlan:
    """Return the chill block on a site, where this copy of the pattern sits."""
    thick = max(CHILL_THICKNESS * section.thickness_mm, 8.0)
    middle = np.array(site.at_mm) + (0.5 * thick - 1.0) * np.array(site.normal)
    at = placed(middle[None, :], placement)[0]
    return ChillPlan(
        name=name,
        at_mm=_point(at),
        size_mm=(round(site.width_mm, 1), round(site.width_mm, 1), round(thick, 1)),
        turn_deg=placement.turn_deg,
    )


class FeederPlanner:
    """Finds seats on one pattern; also serves the rounds of `revise_plan`."""

    def __init__(
        self,
        survey: Survey,
        pattern: Pattern,
        parting: Parting,
        job: Job,
        alloy: Alloy,
        placements: tuple[Placement, ...],
    ) -> None:
        self._survey, self._pattern, self._parting = survey, pattern, parting
        self._job, self._alloy = job, alloy
        self.sites = Sites(pattern, survey, _rivals(pattern, placements))
        self.number = {section.name: k for k, section in enumerate(survey.sections, start=1)}
        self.by_name = {section.name: section for section in survey.sections}
        self.demand = demand_pct(alloy)

    # ---- the whole pattern ---------------------------------------------------------------

    def whole_pattern(
        self, *, feeders: bool, chills: bool
    ) -> tuple[
        list[tuple[Seat, tuple[str, ...]]], list[tuple[ChillSite, Section, str]], list[Reason]
    ]:
        """Return seats with what each serves, chills, and remarks on what got neither."""
        seats: list[tuple[Seat, tuple[str, ...]]] = []
        cold: list[tuple[ChillSite, Section, str]] = []
        notes: list[Reason] = []
        if self.demand <= 0.0:
            why = "the alloy's expansion makes up for its contraction; no feeder (thin rule)"
            return [], [], [Reason(item="feeders", why=why, source="common practice, no source")]
        groups = feed_groups(self._survey, self._alloy)
        for rank, group in enumerate(groups):
            taken = tuple(seat.disc for seat, _ in seats)
            site = self.chill_instead(group) if chills and rank > 0 else None
            if site is not None:
                cold.append((site, group.root, self._why_chill(group.root)))
                continue
            found = self._seats_for(group, taken) if feeders else []
            seats += found
            if not found and chills and rank > 0:
                rescue = self.chill_site(group.root)
                if rescue is not None:
                    cold.append((rescue, group.root, self._why_chill(group.root)))
                    continue
            if not found and feeders:
                notes.append(_unfed(group.root))
        return seats, cold, notes

    def _seats_for(
        self, group: FeedGroup, taken: tuple[Disc, ...]
    ) -> list[tuple[Seat, tuple[str, ...]]]:
        """Return the seats of one group: on its root, then wherever that one does not reach."""
        whole = sum(section.volume_mm3 for section in group.members)
        first = self.seat(group.root, np.array(group.root.at_mm), whole, taken, group)
        if first is None:
            return []
        seats = [first]
        while len(seats) < MOST_SEATS:
            far = self._out_of_reach(group, seats)
            if far is None or (far[2] <= FAR_BEYOND and not self._can_afford(seats)):
                break
            section, near, _ = far
            others = (*taken, *(seat.disc for seat in seats))
            more = self.seat(section, near, 0.0, others, None)
            if more is None:
                break
            seats.append(more)
        return self._shared_out(group, seats, taken)

    def _can_afford(self, seats: list[Seat]) -> bool:
        """Return whether another feeder like the last keeps the yield in the usual range."""
        casting = self._pattern.solid.volume_mm3
        metal = casting + sum(_volume_mm3(seat.size) for seat in (*seats, seats[-1]))
        return 100.0 * casting / metal >= self._alloy.yield_pct[0]

    def _ways(
        self, group: FeedGroup, seats: list[Seat]
    ) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
        """Return the way from the nearest seat through a group's sections, and its number."""
        members = [self.number[section.name] for section in group.members]
        metal = np.isin(self._survey.label, members)
        start = np.zeros(metal.shape, np.uint8)
        pitch = self._survey.pitch_mm
        for number, seat in enumerate(seats, start=1):
            radius = 0.5 * (seat.neck_width_mm or seat.size.diameter_mm)
            start[_ball(metal.shape, seat.start, radius / pitch) & metal] = number
            start[seat.start] = number
        way, nearest = way_mm(metal, start, pitch)
        return way, nearest

    def _out_of_reach(
        self, group: FeedGroup, seats: list[Seat]
    ) -> tuple[Section, Floats, float] | None:
        """Return the section most out of reach, where to feed it, and its way over its reach."""
        way, _ = self._ways(group, seats)
        worst: tuple[float, Section, Floats, float] | None = None
        for section in group.members:
            own = np.argwhere(self._survey.label == self.number[section.name])
            far = way[tuple(own.T)]
            finite = far[np.isfinite(far)]
            if not len(finite):
                continue
            reach = section_reach_mm(section, self._alloy, to_end=True, is_chilled=False)
            reach += float(finite.min())  # the way counts from where feed metal enters
            beyond = float(np.mean(far > reach))
            if beyond <= UNREACHED_SHARE:
                continue
            if worst is None or beyond * section.volume_mm3 > worst[0]:
                aim = float(finite.max()) - 0.8 * (reach - float(finite.min()))
                spot = own[np.argmin(np.abs(np.where(np.isfinite(far), far, np.inf) - aim))]
                at = self._survey.origin_mm + (spot + 0.5) * self._survey.pitch_mm
                share = float(finite.max() - finite.min()) / (reach - float(finite.min()))
                worst = (beyond * section.volume_mm3, section, at, share)
        return None if worst is None else worst[1:]

    def _shared_out(
        self, group: FeedGroup, seats: list[Seat], taken: tuple[Disc, ...]
    ) -> list[tuple[Seat, tuple[str, ...]]]:
        """Return the seats sized for the volume nearest to each, and what each serves."""
        _, nearest = self._ways(group, seats)
        found: list[tuple[Seat, tuple[str, ...]]] = []
        for number, seat in enumerate(seats, start=1):
            volume, serves = 0.0, [seat.section.name]
            for section in group.members:
                own = nearest[self._survey.label == self.number[section.name]]
                share = float(np.mean(own == number)) if len(own) else 0.0
                volume += share * section.volume_mm3
                if share >= SERVES_SHARE and section.name not in serves:
                    serves.append(section.name)
            others = (*taken, *(other.disc for other in seats if other is not seat))
            near = self._survey.origin_mm + (np.array(seat.start) + 0.5) * self._survey.pitch_mm
            again = self.seat(seat.section, near, volume, others, group)
            size = self._sized(seat.section, volume, seat.kind, 1.0)
            found.append((again or replace(seat, size=size), tuple(serves)))
        return found

    # ---- one feeder ----------------------------------------------------------------------

    def seat(
        self,
        section: Section,
        near_mm: Floats,
        feeds_mm3: float,
        taken: tuple[Disc, ...] = (),
        group: FeedGroup | None = None,
        factor: float = 1.0,
    ) -> Seat | None:
        """Return a seat for a feeder near a hot spot of a section: on top, else beside, else None.

        `factor` enlarges the wanted modulus.
        """
        top = self._top_seat(section, near_mm, feeds_mm3, taken, factor)
        return top or self._side_seat(section, near_mm, feeds_mm3, taken, group, factor)

    def _sized(
        self, section: Section, feeds_mm3: float, kind: str, factor: float, low: float = 0.0
    ) -> FeederSize:
        return size_feeder(
            section,
            feeds_mm3,
            self.demand,
            factor * wanted_factor(self._job, self._alloy),
            self._alloy.neck_factor,
            kind=kind,
            ground_mm2=self.sites.ground_mm2(self.number[section.name]) if kind == "top" else 0.0,
            lowest_top_mm=low,
        )

    def _top_seat(
        self,
        section: Section,
        near_mm: Floats,
        feeds_mm3: float,
        taken: tuple[Disc, ...],
        factor: float,
    ) -> Seat | None:
        size = self._sized(section, feeds_mm3, "top", factor)
        site = self.sites.on_top(
            {self.number[section.name]},
            near_mm,
            size.diameter_mm,
            max(section.thickness_mm, self._survey.pitch_mm),
            taken,
        )
        if site is None:
            return None
        at, neck = site.at_mm, 0.0
        needed = 4.0 * min(self._alloy.neck_factor, 1.0) * section.modulus_mm
        if site.is_stepped:
            if site.foot_mm < 0.7 * needed:
                return None
            neck = round(min(site.foot_mm, size.diameter_mm), 1)
            at = (at[0], at[1], at[2] + max(NECK_LIFT * size.diameter_mm, 5.0))
        return Seat(
            kind="top",
            section=section,
            size=size,
            at_mm=at,
            neck_to_mm=site.at_mm if neck else (0.0, 0.0, 0.0),
            neck_width_mm=neck,
            neck_height_mm=round(at[2] - site.at_mm[2], 1) if neck else 0.0,
            start=self._cell_under(site.at_mm),
            note="on a face that is machined anyway" if site.is_machined else "on top",
        )

    def _side_seat(
        self,
        section: Section,
        near_mm: Floats,
        feeds_mm3: float,
        taken: tuple[Disc, ...],
        group: FeedGroup | None,
        factor: float,
    ) -> Seat | None:
        members = group.members if group else (section,)
        top = self._top_of(members)
        size = self._sized(section, feeds_mm3, "side", factor)
        neck_mm = max(NECK_SHARE * size.diameter_mm, 8.0)
        site = self.sites.beside(
            self.number[section.name],
            near_mm,
            self._parting.z_mm,
            size.diameter_mm,
            neck_mm,
            size.height_mm,
            taken,
        )
        if site is None:
            return None
        high = max(min(4.0 * size.neck_modulus_mm, 0.95 * site.wall_mm, 0.9 * size.height_mm), 4.0)
        wide = _neck_width_mm(size, high)
        foot = site.neck_to_mm[2] - 0.5 * high
        size = self._sized(section, feeds_mm3, "side", factor, top - foot + 0.3 * size.diameter_mm)
        if size.height_mm > 3.0 * size.diameter_mm:
            return None  # too slim to draw from: its top would freeze first
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
        )

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

    # ---- chills --------------------------------------------------------------------------

    def chill_instead(self, group: FeedGroup) -> ChillSite | None:
        """Return a chill that makes a small root freeze before its way out, or None."""
        root = group.root
        if root.volume_mm3 > CHILL_VOLUME_SHARE * self._pattern.solid.volume_mm3:
            return None
        join = thickest_join_mm(root, self._survey)
        if not join > 0.0:
            return None
        target = 0.9 * root.modulus_mm * min(join / root.thickness_mm, 1.0)
        area = (root.volume_mm3 / target - root.cooled_area_mm2) / (CHILL_COUNTS - 1.0)
        if not 0.0 < area <= CHILL_AREA_SHARE * root.cooled_area_mm2:
            return None
        width = math.sqrt(area)
        site = self.sites.for_chill(self.number[root.name], np.array(root.at_mm), width)
        return site if site is not None and site.width_mm >= 0.9 * width else None

    def chill_site(self, section: Section) -> ChillSite | None:
        """Return the widest useful chill for a section that no feeder can reach, or None."""
        width = max(section.thickness_mm, math.sqrt(0.15 * section.cooled_area_mm2))
        return self.sites.for_chill(self.number[section.name], np.array(section.at_mm), width)

    def _why_chill(self, section: Section) -> str:
        area = CHILL_AREA_SHARE * section.cooled_area_mm2
        least = chilled_modulus_mm(section.volume_mm3, section.cooled_area_mm2, area, CHILL_COUNTS)
        return (
            f"{section.name} (modulus {section.modulus_mm:.1f} mm) would be cut off by its thinner "
            f"neck; chilled it can come down to {least:.1f} mm and freeze first. Dry and warm"
        )

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
            at_mm=_point(points[0]),
            diameter_mm=seat.size.diameter_mm,
            height_mm=seat.size.height_mm,
            serves=serves,
            neck_width_mm=seat.neck_width_mm,
            neck_height_mm=seat.neck_height_mm,
            neck_to_mm=_point(points[1]) if has_neck else (0.0, 0.0, 0.0),
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
        )


def _unfed(section: Section) -> Reason:
    return Reason(
        item=section.name,
        why=(
            f"{section.name} needs a feeder and has no place for one: no open upward face, no free "
            "side at the parting. Free a face (keep_clear), turn the casting, or set a chill"
        ),
        source="common practice, no source",
    )


def _neck_width_mm(size: FeederSize, high_mm: float) -> float:
    """Return the width that gives a neck of this height the wanted modulus, up to 0.9 D. [mm]"""
    most = 0.9 * size.diameter_mm
    spare = high_mm - 2.0 * size.neck_modulus_mm
    return min(most, 2.0 * size.neck_modulus_mm * high_mm / spare) if spare > 0.0 else most


def _volume_mm3(size: FeederSize) -> float:
    return math.pi / 4.0 * size.diameter_mm**2 * size.height_mm


def _ball(shape: tuple[int, ...], middle: tuple[int, int, int], radius: float) -> NDArray[np.bool_]:
    x, y, z = np.ogrid[: shape[0], : shape[1], : shape[2]]
    off = (x - middle[0]) ** 2 + (y - middle[1]) ** 2 + (z - middle[2]) ** 2
    return np.asarray(off <= max(radius, 1.0) ** 2)


def _rivals(pattern: Pattern, placements: tuple[Placement, ...]) -> MultiPolygon | None:
    """Return every other copy's outline, as seen from each copy, joined."""
    if len(placements) < 2:
        return None
    shadow = pattern.solid.shadow()
    seen = []
    for own in placements:
        for other in placements:
            if other is own:
                continue
            outline = affinity.rotate(shadow, other.turn_deg, origin=(0, 0))
            dx, dy = (other.move_mm[k] - own.move_mm[k] for k in range(2))
            outline = affinity.translate(outline, dx, dy)
            turn = np.radians(-own.turn_deg)
            cos, sin = math.cos(turn), math.sin(turn)
            seen.append(affinity.affine_transform(outline, [cos, -sin, sin, cos, 0.0, 0.0]))
    joined = unary_union(seen)
    return joined if isinstance(joined, MultiPolygon) else MultiPolygon([joined])


def _point(at: Floats) -> tuple[float, float, float]:
    return round(float(at[0]), 3), round(float(at[1]), 3), round(float(at[2]), 3)
