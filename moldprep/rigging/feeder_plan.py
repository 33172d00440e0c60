"""Automatic feeders and chills: which sections need one, where it goes, how large it is."""

import math
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

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
from moldprep.rigging.feed_groups import JOIN_OPEN, FeedGroup, feed_groups
from moldprep.rigging.feeder_seats import Disc, Floats, Seat, SeatFinder, chill_at
from moldprep.rigging.feeder_sites import ChillSite
from moldprep.rigging.feeder_size import FeederSize
from moldprep.thermal.feedpairs import section_reach_mm
from moldprep.thermal.pools import way_mm

UNREACHED_SHARE: Final = 0.10
"""A section may be out of reach with this share before it gets another feeder."""
FAR_BEYOND: Final = 2.0
"""Times its reach a feeder may be stretched for the sake of the yield; beyond it is a fault."""
MOST_SEATS: Final = 6
"""Feeders on one group at most; beyond that the section wants padding or a chill, not metal."""
SMALL_SHARE: Final = 0.01
"""A group of less than this share of the casting gets a feeder only if the heat solve shows that
it needs one: thin parts around it often draw its heat in time."""
SERVES_SHARE: Final = 0.10
NEIGHBOR: Final = 255

WLODAWER: Final = "R. Wlodawer, Directional Solidification of Steel Castings, 1966 (from memory)"

Cells = NDArray[np.uint8]
Seated = tuple[Seat, tuple[str, ...]]
Cold = tuple[ChillSite, Section, str]


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
    finder = SeatFinder(survey, pattern, parting, job, alloy, placements)
    planner = _Planner(finder, survey, pattern, alloy)
    seats, cold, notes = planner.whole_pattern(feeders=wants_feeders, chills=wants_chills)
    reasons += notes
    for placement in placements:
        for seat, serves in seats:
            name = f"F{len(feeders) + 1}"
            feeders.append(finder.feeder(seat, serves, name, placement))
            reasons.append(Reason(item=name, why=finder.why(seat, serves), source=WLODAWER))
        for site, section, why in cold:
            name = f"C{len(chills) + 1}"
            chills.append(chill_at(site, section, name, placement))
            reasons.append(Reason(item=name, why=why, source=WLODAWER))
    return tuple(feeders), tuple(chills), tuple(reasons)


def _given(name: str) -> Reason:
    return Reason(item=name, why="given by the job file, kept as it is", source="job file")


class _Planner:
    """Seats for every group of sections of one pattern."""

    def __init__(self, finder: SeatFinder, survey: Survey, pattern: Pattern, alloy: Alloy) -> None:
        self._finder, self._survey, self._alloy = finder, survey, alloy
        self._casting_mm3 = pattern.solid.volume_mm3
        self._seats: list[Seated] = []
        self._fed: list[int] = []  # sections that hang on a seat already

    def whole_pattern(
        self, *, feeders: bool, chills: bool
    ) -> tuple[list[Seated], list[Cold], list[Reason]]:
        """Return seats with what each serves, chills, and remarks on what got neither."""
        cold: list[Cold] = []
        notes: list[Reason] = []
        if self._finder.demand <= 0.0:
            why = "the alloy's expansion makes up for its contraction; no feeder (thin rule)"
            return [], [], [Reason(item="feeders", why=why, source="common practice, no source")]
        for rank, group in enumerate(feed_groups(self._survey, self._alloy)):
            volume = sum(section.volume_mm3 for section in group.members)
            if rank > 0 and volume < SMALL_SHARE * self._casting_mm3:
                notes.append(_left_to_the_solve(group.root))
                continue
            site = self._finder.chill_instead(group) if chills and rank > 0 else None
            if site is None and feeders and self._seat_group(group):
                continue
            if site is None and chills and rank > 0:
                site = self._finder.chill_site(group.root)
            if site is not None:
                cold.append((site, group.root, self._finder.why_chill(group.root)))
            elif feeders:
                notes.append(_unfed(group.root))
        return self._seats, cold, notes

    def _seat_group(self, group: FeedGroup) -> bool:
        """Seat one group: on its root, then wherever that does not reach; whether it could."""
        seats, n_least = self._first(group)
        if not seats:
            return False
        if self._out_of_reach(group, seats) is not None:
            seats = [self._recentered(group, seats, 1)]
        while len(seats) < MOST_SEATS:
            far = self._out_of_reach(group, seats, must=len(seats) < n_least)
            if far is None:
                break
            section, near, stretch = far
            if len(seats) >= n_least and stretch <= FAR_BEYOND and not self._can_afford(seats):
                break
            more = self._finder.seat(section, near, 0.0, self._taken(seats), None)
            if more is None:
                break
            seats.append(more)
        if len(seats) > 1:
            for number in range(1, len(seats) + 1):
                seats[number - 1] = self._recentered(group, seats, number)
        self._seats += self._shared_out(group, seats)
        self._fed += [self._finder.number[section.name] for section in group.members]
        return True

    def _first(self, group: FeedGroup) -> tuple[list[Seat], int]:
        """Return the seat nearest the root's hot spot, and among how many feeders it shares.

        Where one feeder with all the feed metal finds no room, two to four smaller ones may.
        """
        whole = sum(section.volume_mm3 for section in group.members)
        near = np.array(group.root.at_mm)
        for n in (1, 2, 3, 4):
            seat = self._finder.seat(group.root, near, whole / n, self._taken([]), group)
            if seat is not None:
                return [seat], n
        return [], 0

    def _taken(self, seats: list[Seat]) -> tuple[Disc, ...]:
        return tuple(seat.disc for seat in (*(seat for seat, _ in self._seats), *seats))

    def _can_afford(self, seats: list[Seat]) -> bool:
        """Return whether another feeder like the last keeps the yield in the usual range."""
        done = [seat for seat, _ in self._seats]
        metal = self._casting_mm3 + sum(_volume_mm3(s.size) for s in (*done, *seats, seats[-1]))
        return 100.0 * self._casting_mm3 / metal >= self._alloy.yield_pct[0]

    # ---- reach ---------------------------------------------------------------------------

    def _ways(self, group: FeedGroup, seats: list[Seat]) -> tuple[NDArray[np.float32], Cells]:
        """Return the way from the nearest seat through a group's sections, and its number.

        A heavier section that is fed already, through an open join, counts as a seat (NEIGHBOR).
        """
        label, pitch = self._survey.label, self._survey.pitch_mm
        metal = np.isin(label, [self._finder.number[section.name] for section in group.members])
        start = np.zeros(metal.shape, np.uint8)
        for section in group.members:
            beside = [self._finder.number[name] for name in self._open_to(section)]
            if set(beside) & set(self._fed):
                fed = np.isin(label, [number for number in beside if number in self._fed])
                own = label == self._finder.number[section.name]
                start[own & ndimage.binary_dilation(fed, np.ones((3, 3, 3), np.bool_))] = NEIGHBOR
        for number, seat in enumerate(seats, start=1):
            radius = 0.5 * (seat.neck_width_mm or seat.size.diameter_mm)
            start[_ball(metal.shape, seat.start, radius / pitch) & metal] = number
            start[seat.start] = number
        way, nearest = way_mm(metal, start, pitch)
        return way, nearest

    def _open_to(self, section: Section) -> list[str]:
        """Return the neighbors whose join is as thick as this section's usual wall."""
        wall = min(section.thickness_mm, 2.0 * section.modulus_mm)
        return [
            join.b if join.a == section.name else join.a
            for join in self._survey.joins
            if section.name in (join.a, join.b) and join.thickness_mm >= JOIN_OPEN * wall
        ]

    def _out_of_reach(
        self, group: FeedGroup, seats: list[Seat], *, must: bool = False
    ) -> tuple[Section, Floats, float] | None:
        """Return the section most out of reach, where to feed it, and its way over its reach.

        `must` names the farthest place of the root even where it is within reach.
        """
        way, _ = self._ways(group, seats)
        worst: tuple[float, Section, Floats, float] | None = None
        for section in group.members:
            own = np.argwhere(self._survey.label == self._finder.number[section.name])
            far = way[tuple(own.T)]
            finite = far[np.isfinite(far)]
            if not len(finite):
                continue
            entry = float(finite.min())  # the way counts from where feed metal enters
            reach = section_reach_mm(section, self._alloy, to_end=True, is_chilled=False)
            beyond = float(np.mean(finite > reach + entry))
            is_due = beyond > UNREACHED_SHARE or (must and section is group.root)
            weight = max(beyond, 1e-6) * section.volume_mm3
            if is_due and (worst is None or weight > worst[0]):
                aim = max(float(finite.max()) - 0.8 * reach, 0.6 * float(finite.max()))
                spot = own[np.argmin(np.abs(np.where(np.isfinite(far), far, np.inf) - aim))]
                worst = (weight, section, self._middle(spot), (finite.max() - entry) / reach)
        return None if worst is None else (worst[1], worst[2], float(worst[3]))

    def _middle(self, spot: NDArray[np.integer]) -> Floats:
        at: Floats = self._survey.origin_mm + (spot + 0.5) * self._survey.pitch_mm
        return at

    def _recentered(self, group: FeedGroup, seats: list[Seat], number: int) -> Seat:
        """Return a seat moved to the middle of what it is nearest to, where that is no thinner.

        The middle is the place whose longer way to the two ends is shortest.
        """
        seat = seats[number - 1]
        way, nearest = self._ways(group, seats)
        own = (nearest == number) & (self._survey.label == self._finder.number[seat.section.name])
        if not own.any():
            return seat
        first = np.unravel_index(int(np.argmax(np.where(own, way, -1.0))), way.shape)
        from_first = self._from(own, first)
        reached = own & np.isfinite(from_first)
        second = np.unravel_index(int(np.argmax(np.where(reached, from_first, -1.0))), way.shape)
        longer = np.maximum(from_first, self._from(own, second))
        depth = ndimage.distance_transform_edt(np.pad(self._survey.label > 0, 1))[1:-1, 1:-1, 1:-1]
        deep = reached & (depth >= 0.8 * depth[reached].max())
        spot = np.unravel_index(int(np.argmin(np.where(deep, longer, np.inf))), way.shape)
        others = [other for other in seats if other is not seat]
        near = self._middle(np.array(spot))
        moved = self._finder.seat(seat.section, near, 0.0, self._taken(others), group)
        return moved or seat

    def _from(self, metal: NDArray[np.bool_], spot: tuple[np.intp, ...]) -> NDArray[np.float32]:
        start = np.zeros(metal.shape, np.uint8)
        start[spot] = 1
        way: NDArray[np.float32] = way_mm(metal, start, self._survey.pitch_mm)[0]
        return way

    def _shared_out(self, group: FeedGroup, seats: list[Seat]) -> list[Seated]:
        """Return the seats sized for the volume nearest to each, and what each serves."""
        _, nearest = self._ways(group, seats)
        found: list[Seated] = []
        for number, seat in enumerate(seats, start=1):
            volume, serves = 0.0, [seat.section.name]
            for section in group.members:
                own = nearest[self._survey.label == self._finder.number[section.name]]
                share = float(np.mean(own == number)) if len(own) else 0.0
                volume += share * section.volume_mm3
                if share >= SERVES_SHARE and section.name not in serves:
                    serves.append(section.name)
            others = [other for other in seats if other is not seat]
            near = self._middle(np.array(seat.start))
            again = self._finder.seat(seat.section, near, volume, self._taken(others), group)
            size = self._finder.sized(seat.section, volume, seat.kind, 1.0)
            found.append((again or replace(seat, size=size), tuple(serves)))
        return found


def _left_to_the_solve(section: Section) -> Reason:
    return Reason(
        item=section.name,
        why=f"{section.name} is under {100 * SMALL_SHARE:.0f} % of the casting: no feeder unless "
        "the heat solve shows a pool in it",
        source="common practice, no source",
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


def _volume_mm3(size: FeederSize) -> float:
    return math.pi / 4.0 * size.diameter_mm**2 * size.height_mm


def _ball(shape: tuple[int, ...], middle: tuple[int, int, int], radius: float) -> NDArray[np.bool_]:
    x, y, z = np.ogrid[: shape[0], : shape[1], : shape[2]]
    off = (x - middle[0]) ** 2 + (y - middle[1]) ** 2 + (z - middle[2]) ** 2
    return np.asarray(off <= max(radius, 1.0) ** 2)
