"""Automatic feeders and chills: which sections need one, where it goes, how large it is."""

from collections import deque
from dataclasses import replace
from functools import cached_property
from typing import Final

import edt
import numpy as np
from numpy.typing import NDArray

from moldprep.records import (
    Alloy,
    ChillPlan,
    FeederPlan,
    Job,
    Parting,
    Pattern,
    Placement,
    PrintRoom,
    Reason,
    Section,
    Survey,
)
from moldprep.rigging.feed.chill_sites import ChillSite
from moldprep.rigging.feed.feed_groups import (
    JOIN_OPEN,
    FeedGroup,
    feed_groups,
    joined_groups,
    parted,
)
from moldprep.rigging.feed.feeder_seats import SeatFinder
from moldprep.rigging.feed.ground import Ground, feeder_at
from moldprep.rigging.feed.midway import midway
from moldprep.rigging.feed.seat import Seat, chill_at
from moldprep.rigging.feed.site_maps import Disc, Floats
from moldprep.thermal.feedpairs import section_reach_mm
from moldprep.thermal.out_of_reach import FAR_BEYOND
from moldprep.thermal.pools import grown, way_mm

UNREACHED_SHARE: Final = 0.10
"""A section may be out of reach with this share before it gets another feeder."""
MOST_SEATS: Final = 6
"""Feeders on one group at most; beyond that the section wants padding or a chill, not metal."""
SMALL_SHARE: Final = 0.01
"""A group of less than this share of the casting gets a feeder only if the heat solve shows that
it needs one: thin parts around it often draw its heat in time."""
CHILL_FIRST_SHARE: Final = 0.03
"""A group of less than this share of the casting is chilled where a chill can lie, for the sake of
the yield; the heat solve shows whether that is enough."""
SERVES_SHARE: Final = 0.10
SPREADINGS: Final = 10
"""Times the seats of a group are moved to the middle of what each is nearest to, at most."""
STAND_IN: Final = 0.75
"""A member this thick against its root may carry the root's feeder; a thinner one freezes first."""
NEIGHBOR: Final = 255

WLODAWER: Final = "R. Wlodawer, Directional Solidification of Steel Castings, 1966 (from memory)"

Cells = NDArray[np.uint8]
Spot = tuple[int, int, int]
Seated = tuple[Seat, tuple[str, ...]]
Cold = tuple[ChillSite, Section, str]


def plan_feeders(
    survey: Survey,
    pattern: Pattern,
    parting: Parting,
    job: Job,
    alloy: Alloy,
    placements: tuple[Placement, ...],
    rooms: tuple[PrintRoom, ...] = (),
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
    rooms
        Where core prints will lie, pattern frame; nothing is set there.

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
    finder = SeatFinder(Ground(survey, pattern, parting, job, alloy, placements, rooms))
    planner = _Planner(finder, survey, pattern, alloy)
    seats, cold, notes = planner.whole_pattern(feeders=wants_feeders, chills=wants_chills)
    reasons += notes
    for placement in placements:
        for seat, serves in seats:
            name = f"F{len(feeders) + 1}"
            feeders.append(feeder_at(seat, serves, name, placement))
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
        self._seats: dict[str, list[Seat]] = {}  # by the root of their group
        self._fed: list[int] = []  # sections of groups that have a seat
        self._own: dict[str, NDArray[np.int64]] = {}  # by section
        self._cold: list[Disc] = []  # chills that lie on top

    def whole_pattern(
        self, *, feeders: bool, chills: bool
    ) -> tuple[list[Seated], list[Cold], list[Reason]]:
        """Return seats with what each serves, chills, and remarks on what got neither."""
        cold: list[Cold] = []
        notes: list[Reason] = []
        if self._finder.sizer.demand <= 0.0:
            why = "the alloy's expansion makes up for its contraction; no feeder (thin rule)"
            return [], [], [Reason(item="feeders", why=why, source="common practice, no source")]
        whole = feed_groups(self._survey, self._alloy)
        groups = deque(joined_groups(whole, self._survey, self._alloy, self._casting_mm3))
        first, seated, shared = groups[0].root, list[FeedGroup](), dict[str, int]()
        while groups:
            group = groups.popleft()
            volume = sum(section.volume_mm3 for section in group.members)
            is_first = group.root is first
            if not is_first and volume < SMALL_SHARE * self._casting_mm3:
                notes.append(_left_to_the_solve(group.root))
                continue
            site = None
            if chills and not is_first:
                is_small = volume < CHILL_FIRST_SHARE * self._casting_mm3
                site = self._finder.chills.instead(group)
                site = site or (self._finder.chills.site(group.root) if is_small else None)
            if site is None and feeders:
                shared[group.root.name] = self._first(group)
                parts = parted(group)
                if self._lacks_its_sleeve(group) and len(parts) > 1:
                    self._unseat(group)
                    groups.extendleft(reversed(parts))
                    continue
                if shared[group.root.name]:
                    seated.append(group)
                    continue
            if site is None and chills and not is_first:
                site = self._finder.chills.site(group.root)
            if site is not None:
                self._cold += [] if site.normal[2] < 0.0 else [_disc_of(site)]
                cold.append((site, group.root, self._finder.chills.why(group.root)))
            elif feeders:
                notes.append(_unfed(group.root))
        for group in seated:
            self._stretch(group, shared[group.root.name])
        return [one for group in seated for one in self._shared_out(group)], cold, notes

    def _stretch(self, group: FeedGroup, n_least: int) -> None:
        """Add seats to a group until all of it is within reach, or the yield gets too low."""
        seats = self._seats[group.root.name]
        if self._out_of_reach(group) is not None:
            seats[0] = self._recentered(group, 1)
        while len(seats) < MOST_SEATS:
            far = self._out_of_reach(group, must=len(seats) < n_least)
            if far is None:
                break
            section, near, stretch = far
            if len(seats) >= n_least and not self._is_worth_more(group, stretch):
                break
            more = self._finder.seat(section, near, 0.0, self._taken(), None)
            if more is None:
                break
            seats.append(more)
        if len(seats) > 1:
            self._spread(group)

    def _first(self, group: FeedGroup) -> int:
        """Seat a group near its root's hot spot; return among how many feeders it is shared.

        Where one feeder with all the feed metal finds no room, no way up for its air, or not the
        sleeve that would save much of it, two to four smaller ones may; where
        the root has none, a member about as thick may take its place; the heat solve shows what the
        root then lacks. 0 where nothing has room.
        """
        whole = sum(section.volume_mm3 for section in group.members)
        for section in group.members:
            is_thin = section.thickness_mm < STAND_IN * group.root.thickness_mm
            if section is not group.root and (is_thin or section.volume_mm3 < SERVES_SHARE * whole):
                continue
            found: list[tuple[bool, float, int, Seat]] = []
            for n in (1, 2, 3, 4):
                near = np.array(section.at_mm)
                seat = self._finder.seat(section, near, whole / n, self._taken(), group)
                if seat is None:
                    continue
                breathes = self._finder.breathes(seat)
                found.append((not breathes, n * seat.size.volume_mm3, n, seat))
                pays = self._finder.sizer.sleeve_pays(section, whole / n)
                if breathes and (seat.sleeve != "none" or not pays):
                    break
            if found:
                *_, n, seat = min(found, key=lambda one: one[:3])
                self._seats[group.root.name] = [seat]
                self._fed += [self._finder.number[one.name] for one in group.members]
                return n
        return 0

    def _lacks_its_sleeve(self, group: FeedGroup) -> bool:
        """Return whether a group got a plain feeder where a sleeve would save much of it."""
        seats = self._seats.get(group.root.name)
        volume = sum(section.volume_mm3 for section in group.members)
        return (
            seats is not None
            and seats[0].sleeve == "none"
            and self._finder.sizer.sleeve_pays(seats[0].section, volume)
        )

    def _unseat(self, group: FeedGroup) -> None:
        """Take back what `_first` did: the group is fed in parts."""
        del self._seats[group.root.name]
        del self._fed[-len(group.members) :]

    def _is_stand_in(self, group: FeedGroup) -> bool:
        """Return whether a group is fed through a thinner member, which cannot reach far."""
        return self._seats[group.root.name][0].section.name != group.root.name

    def _all_seats(self) -> list[Seat]:
        return [seat for seats in self._seats.values() for seat in seats]

    def _taken(self, but: Seat | None = None) -> tuple[Disc, ...]:
        return (*self._cold, *(seat.disc for seat in self._all_seats() if seat is not but))

    def _is_worth_more(self, group: FeedGroup, stretch: float) -> bool:
        """Return whether a group stretched so far beyond its reach gets one more feeder.

        Distances are established for steel alone: elsewhere none asks for a feeder, only a pool
        that the heat solve shows.
        """
        if self._is_stand_in(group) or self._alloy.family != "steel":
            return False
        return stretch > FAR_BEYOND or self._can_afford(group)

    def _can_afford(self, group: FeedGroup) -> bool:
        """Return whether one more feeder on a group keeps the yield in the usual range.

        Those of one group share its feed metal: together they are as large as one that has all
        of it, but each at least as large as its modulus asks.
        """
        feeders = 0.0
        for root, seats in self._seats.items():
            each = [seat.size.volume_mm3 for seat in seats]
            n = len(seats) + (root == group.root.name)
            feeders += max(max(each), n * min(each))
        share = self._casting_mm3 / (self._casting_mm3 + feeders)
        return 100.0 * share >= self._alloy.yield_pct[0]

    # ---- reach ---------------------------------------------------------------------------

    def _ways(
        self, group: FeedGroup, *, with_neighbors: bool = True
    ) -> tuple[NDArray[np.float32], Cells]:
        """Return the way from the nearest seat through a group's sections, and its number.

        A section of another group that has its own feeder and outlasts this section's wall counts
        as a seat where they join (NEIGHBOR).
        """
        label, pitch = self._survey.label, self._survey.pitch_mm
        metal = self._is_in([section.name for section in group.members])
        start = np.zeros(metal.shape, np.uint8)
        for section in group.members:
            beside = [self._finder.number[name] for name in self._open_to(section)]
            if with_neighbors and set(beside) & set(self._fed):
                own = self._cells(section.name)
                low, high = own.min(axis=0), own.max(axis=0) + 1
                box = tuple(slice(max(a - 1, 0), b + 1) for a, b in zip(low, high, strict=True))
                fed = np.isin(label[box], [number for number in beside if number in self._fed])
                at_fed = grown(fed & ~metal[box]) & (
                    label[box] == self._finder.number[section.name]
                )
                start[box][at_fed] = NEIGHBOR
        for number, seat in enumerate(self._seats[group.root.name], start=1):
            radius = 0.5 * (seat.neck_width_mm or seat.size.diameter_mm)
            box, ball = _ball(metal.shape, seat.start, radius / pitch)
            start[box][ball & metal[box]] = number
            start[seat.start] = number
        way, nearest = way_mm(metal, start, pitch)
        return way, nearest

    def _is_in(self, names: list[str]) -> NDArray[np.bool_]:
        """Return the cells of some sections."""
        table = np.zeros(len(self._survey.sections) + 1, np.bool_)
        table[[self._finder.number[name] for name in names]] = True
        return table[self._survey.label]

    def _cells(self, name: str) -> NDArray[np.int64]:
        """Return the indices of a section's cells, (n, 3)."""
        if name not in self._own:
            self._own[name] = np.argwhere(self._survey.label == self._finder.number[name])
        return self._own[name]

    def _open_to(self, section: Section) -> list[str]:
        """Return the neighbors whose join is as thick as this section's usual wall."""
        wall = min(section.thickness_mm, 2.0 * section.modulus_mm)
        beside = [
            join.b if join.a == section.name else join.a
            for join in self._survey.joins
            if section.name in (join.a, join.b) and join.thickness_mm >= JOIN_OPEN * wall
        ]
        return [name for name in beside if self._finder.by_name[name].modulus_mm * 2.0 >= wall]

    def _out_of_reach(
        self, group: FeedGroup, *, must: bool = False
    ) -> tuple[Section, Floats, float] | None:
        """Return the section most out of reach, where to feed it, and its way over its reach.

        `must` names the farthest place of the root even where it is within reach.
        """
        way, _ = self._ways(group)
        worst: tuple[float, Section, Floats, float] | None = None
        for section in group.members:
            own = self._cells(section.name)
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

    def _recentered(self, group: FeedGroup, number: int) -> Seat:
        """Return a seat moved to the middle of what it is nearest to."""
        seat = self._seats[group.root.name][number - 1]
        spot = self._middle_of(seat, number, self._ways(group))
        n_seats = len(self._seats[group.root.name])
        moved = self._near(seat, spot, group, n_seats) if spot is not None else None
        return moved or seat

    def _spread(self, group: FeedGroup) -> None:
        """Move the seats of a group until each is in the middle of what it is nearest to.

        Their spots are moved first, and a seat is looked for where they come to rest.
        """
        seats = self._seats[group.root.name]
        asked, ways = tuple(seats), self._ways(group)
        for _ in range(SPREADINGS):
            before = [seat.start for seat in seats]
            for number, seat in enumerate(seats, start=1):
                spot = self._middle_of(seat, number, ways)
                if spot not in (None, seat.start):
                    seats[number - 1] = replace(seat, start=spot)
                    ways = self._ways(group)
            if [seat.start for seat in seats] == before:
                break
        spots = [seat.start for seat in seats]
        seats.clear()
        for seat, spot in zip(asked, spots, strict=True):
            moved = self._near(seat, spot, group, len(asked))
            if moved is None:  # no room for one: all stay where they were
                seats[:] = asked
                return
            seats.append(moved)

    def _near(self, seat: Seat, spot: Spot, group: FeedGroup, n_seats: int) -> Seat | None:
        """Return another seat like one of some near a spot, clear of all others there are.

        Where that has no room for the sleeve that would pay, and this one has, this one is kept.
        """
        share = sum(s.volume_mm3 for s in group.members) / n_seats
        taken = self._taken(but=seat)
        here, there = (self._middle(np.array(at)) for at in (seat.start, spot))
        moved = self._finder.seat(seat.section, there, share, taken, group)
        if moved is None or moved.sleeve != "none":
            return moved
        if not self._finder.sizer.sleeve_pays(seat.section, share):
            return moved
        kept = self._finder.seat(seat.section, here, share, taken, group)
        return kept if kept is not None and kept.sleeve != "none" else moved

    def _middle_of(
        self, seat: Seat, number: int, ways: tuple[NDArray[np.float32], Cells]
    ) -> Spot | None:
        """Return the middle of what a seat is nearest to of its section, where that is thick."""
        way, nearest = ways
        cells = self._cells(seat.section.name)
        cells = cells[nearest[tuple(cells.T)] == number]
        if not len(cells):
            return None
        i, j, k = midway(cells, way, self._depth, self._survey.pitch_mm)
        return int(i), int(j), int(k)

    @cached_property
    def _depth(self) -> Floats:
        """Distance of each cell from the sand, in cells."""
        return np.asarray(edt.edt(self._survey.label > 0, black_border=True), np.float64)

    def _shared_out(self, group: FeedGroup) -> list[Seated]:
        """Return the seats sized for the volume nearest to each, and what each serves."""
        _, nearest = self._ways(group, with_neighbors=False)
        found: list[Seated] = []
        seats = self._seats[group.root.name]
        for number, seat in enumerate(tuple(seats), start=1):
            volume, serves = 0.0, [seat.section.name]
            for section in group.members:
                own = nearest[tuple(self._cells(section.name).T)]
                share = float(np.mean(own == number)) if len(own) else 0.0
                volume += share * section.volume_mm3
                if share >= SERVES_SHARE and section.name not in serves:
                    serves.append(section.name)
            near, taken = self._middle(np.array(seat.start)), self._taken(but=seat)
            again = self._finder.seat(seat.section, near, volume, taken, group)
            if again is None:
                size = self._finder.sizer.sized(seat.section, volume, seat.kind, sleeve=seat.sleeve)
                again = self._finder.where_it_is(replace(seat, size=size), taken)
            seats[number - 1] = again or seat
            found.append((seats[number - 1], tuple(serves)))
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


def _disc_of(site: ChillSite) -> Disc:
    return site.at_mm[0], site.at_mm[1], 0.75 * site.width_mm


def _ball(
    shape: tuple[int, ...], middle: tuple[int, int, int], radius: float
) -> tuple[tuple[slice, ...], NDArray[np.bool_]]:
    """Return the box round a ball of at least one cell, and which of its cells are in the ball."""
    radius = max(radius, 1.0)
    low = [max(int(k - radius), 0) for k in middle]
    high = [min(int(k + radius) + 2, n) for k, n in zip(middle, shape, strict=True)]
    x, y, z = np.ogrid[low[0] : high[0], low[1] : high[1], low[2] : high[2]]
    off = (x - middle[0]) ** 2 + (y - middle[1]) ** 2 + (z - middle[2]) ** 2
    return tuple(map(slice, low, high)), np.asarray(off <= radius**2)
