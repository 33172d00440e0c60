"""Automatic gating of one mold: levels, paces and sides are tried until channels find room."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property, partial
from itertools import islice

import numpy as np
from shapely.geometry import Polygon

from moldprep.errors import StageError
from moldprep.geometry.solid import Solid
from moldprep.records import Alloy, Job, Parting, Pattern, PrintRoom, Survey
from moldprep.records.plan import ChillPlan, FeederPlan, Placement, Reason
from moldprep.rigging.gates.clearance import USUAL_BASIN_MM, basin_depth_mm
from moldprep.rigging.gates.comb import lay_comb
from moldprep.rigging.gates.falls import Falls
from moldprep.rigging.gates.gate_sites import FREE_WAY, GateSearch
from moldprep.rigging.gates.gate_walls import Walls
from moldprep.rigging.gates.refusals import no_room, no_site
from moldprep.rigging.gates.room import Prism, Room, chill_prisms, feeder_prisms
from moldprep.rigging.gates.rows import (
    RowSide,
    Search,
    lanes_of,
    lay_row,
    not_in_rows,
    refuse_uneven,
    rows_of,
)
from moldprep.rigging.gates.shares import (
    rates_of,
    reweighted,
    shares_of,
    with_even_gates,
)
from moldprep.rigging.gates.sides import (
    OFF_LEVEL_MM,
    Gate,
    Side,
    depth_cost,
    haste_cost,
    is_as_strict,
)
from moldprep.rigging.gates.sizing import (
    RUNNER_OVER_FOOT,
    Shop,
    Sizes,
    asked_pour,
    cope_top_mm,
    full_by_s,
    size_gating,
    with_less_ingate,
)
from moldprep.rigging.gates.trees import lay_out
from moldprep.rigging.gates.trial import (
    MOST_RESIZED,
    TIME_OFF,
    TRIALS,
    TRIALS_OF_MANY,
    UNEVEN,
    trial_pour,
)
from moldprep.rigging.gates.tries import LAST_TRIES, SHARES, SLOWER, TRIES, Try
from moldprep.rigging.layout import (
    Layout,
    Task,
    filter_edge_mm,
    runner_section_mm,
    with_runners_of,
)

RUNNER_BELOW = ("aluminium", "copper")
"""Families whose runner lies in the drag and whose ingates lie in the cope. The others the other
way round, so that slag floats up into the runner (AFS habit, from memory); but only where the
ingates are the choke, for they would drain a runner above them."""

LEVELS_COMPARED = 3
"""Levels that offer a place for gates, from the parting away, tried where the first has no room."""

SAME_PACE = 0.01
"""Paces no more apart than this are the same. [-]"""

COARSE_MM = 0.2
"""How far off the casting the surface may be that channels keep clear of. [mm]"""

MOST_ROWS = 6
"""Ways to lay one runner past placed castings that are laid out in full."""

MOST_COMBS = 60
"""The same for several runners, where one finds no room: most have none between rows either."""

Gated = tuple[float, Sizes, Reason, Side, Layout]


@dataclass(frozen=True)
class AutoGating:
    """What laying channels out needs to know of the mold.

    count       : castings round the sprue
    print_rooms : where the core prints of one casting will lie
    placements  : where the job wants several castings; none where they go round a sprue
    """

    survey: Survey
    pattern: Pattern
    parting: Parting
    job: Job
    alloy: Alloy
    shop: Shop
    count: int
    print_rooms: tuple[PrintRoom, ...]
    placements: tuple[Placement, ...] = ()

    @classmethod
    def of(
        cls, survey: Survey, pattern: Pattern, parting: Parting, job: Job, alloy: Alloy,
        shop: Shop, print_rooms: tuple[PrintRoom, ...],
    ) -> "AutoGating":  # fmt: skip
        """Return the gating of a job's mold: as many castings as it counts or places."""
        places = job.rigging.placements
        count = len(places) or job.mold.count
        return cls(survey, pattern, parting, job, alloy, shop, count, print_rooms,
                   places if count > 1 else ())  # fmt: skip

    def laid(self, feeders: tuple[FeederPlan, ...], chills: tuple[ChillPlan, ...]) -> Gated:
        """Return the cope's top, areas, side and channels, poured in the time they are drawn for.

        Raises
        ------
        StageError
            rigging/no-gate-site, rigging/no-room.
        """
        if self.placements:
            refuse_uneven(self.placements)
        top, sizes, why, side, layout = self._gated(feeders, chills)
        room = self.room(feeders, chills, top)
        sizes, layout = self._poured_in_time(sizes, layout, side, top, feeders, room)
        return top, with_runners_of(sizes, layout), why, side, layout

    def laid_again(
        self, side: Side, sizes: Sizes, top: float, feeders: Sequence[FeederPlan], room: Room
    ) -> tuple[Sizes, Layout] | None:
        """Return areas and channels for gates whose places are settled; None without room.

        `feeders` are those of one casting, filled with it; `room` is what any of them takes.
        """
        laid = self._laid_out(side, sizes, room, top)
        if laid is None:
            return None
        sizes, layout = self._poured_in_time(sizes, laid[1], side, top, feeders, room)
        return with_runners_of(sizes, layout), layout

    def takes(self, side: Side, room: Room) -> bool:
        """Return whether the casting's walls have room for gates of these sections there."""
        return all(self._takes(side, gate, room) for gate in side.gates)

    def _takes(self, side: Side, gate: Gate, room: Room) -> bool:
        """Return whether the casting's wall has room for one of a side's gates."""
        if gate.into != "casting":
            return True
        wall = self._walls.among(room).seen(side.way)
        k = int(np.argmin(np.abs(wall.s - gate.along_mm)))
        return bool(wall.fits(gate.width_mm, gate.height_mm, side.way)[k])

    @property
    def wanted_level_mm(self) -> float:
        """Height of the gates the job asks for; the nearest with a wall for a gate is taken."""
        asked = self.job.rigging.gate_level_mm
        if asked == "bottom":
            return self._bottom_mm
        return self.parting.z_mm if asked in ("auto", "parting") else float(asked)

    @property
    def _bottom_mm(self) -> float:
        return float(self.pattern.solid.bounds[0, 2])

    def _gated(self, feeders: tuple[FeederPlan, ...], chills: tuple[ChillPlan, ...]) -> Gated:
        """Return (cope's top, areas, why the top, side, layout): poured slower if gates need it."""
        is_free = self.job.rigging.pour_time_s == "auto"
        usual = [(slower, 1.0) for slower in (SLOWER if is_free else SLOWER[:1])]
        last = [*usual, *((usual[-1][0], share) for share in SHARES)]
        if self.placements:  # a row takes long to lay out: the ends of each scale will do
            usual, last = [usual[0], usual[-1]], [last[0], last[-1]]
        is_blocked = False
        for tries, steps in ((TRIES, usual), (LAST_TRIES, last)):
            found, was_blocked = self._first_of(feeders, chills, steps, tries)
            if found is not None:
                return self._calmer(found, feeders, chills, usual, tries)
            is_blocked |= was_blocked
        if self.placements:
            raise self._not_in_rows(feeders, chills)
        raise no_room(self.shop.channel_wall_mm) if is_blocked else no_site(self.parting.z_mm)

    def _calmer(
        self, found: Gated, feeders: tuple[FeederPlan, ...], chills: tuple[ChillPlan, ...],
        steps: Sequence[tuple[float, float]], tries: Sequence[Try],
    ) -> Gated:  # fmt: skip
        """Return a gating poured a step slower where jets strike, if that is better.

        Smaller gates may be thinner, and find room where more metal lies before them. Thin walls
        must still be full in time.
        """
        if found[3].free_way >= FREE_WAY:
            return found
        _, usual, _ = self.sized(feeders, found[3].level_mm)
        pace = found[1].pour_time_s / usual.pour_time_s
        now = next((one for one, _ in steps if one > pace + SAME_PACE), math.inf)
        if now * usual.pour_time_s > full_by_s(self.survey, self.alloy):
            return found
        calmer, _ = self._gated_so(feeders, chills, now, 1.0, tries)
        if calmer is None or not is_as_strict(calmer[3], found[3]):
            return found
        if calmer[3].free_way <= found[3].free_way:
            return found
        saved = self._cost_mm(found, feeders) - self._cost_mm(calmer, feeders)
        return calmer if saved > haste_cost(now / pace) else found

    def _first_of(
        self, feeders: tuple[FeederPlan, ...], chills: tuple[ChillPlan, ...],
        steps: Sequence[tuple[float, float]], tries: Sequence[Try],
    ) -> tuple[Gated | None, bool]:  # fmt: skip
        """Return (gating at the first step of pace and share that finds any, was room short).

        Each step asks for less ingate than the one before. Where neither the first nor the last
        step finds anything, none between is tried; else the first is found by halving.
        """
        found, is_blocked = self._gated_so(feeders, chills, *steps[0], tries)
        if found is not None or len(steps) == 1:
            return found, is_blocked
        best, was_blocked = self._gated_so(feeders, chills, *steps[-1], tries)
        is_blocked |= was_blocked
        low, high = 0, len(steps) - 1
        while best is not None and high - low > 1:
            middle = (low + high) // 2
            found, _ = self._gated_so(feeders, chills, *steps[middle], tries)
            low, high = (middle, high) if found is None else (low, middle)
            best = found or best
        return best, is_blocked

    def _gated_so(
        self, feeders: tuple[FeederPlan, ...], chills: tuple[ChillPlan, ...], slower: float,
        share: float, tries: Sequence[Try],
    ) -> tuple[Gated | None, bool]:  # fmt: skip
        """Return (gating at this pace and share of the ingate's area, whether room was short).

        Where metal would fall far from the parting, the bottom and the middle of the way there are
        tried too, if the job lets them.
        """
        found, is_blocked = self._gated_at(
            self.wanted_level_mm, feeders, chills, slower, share, tries
        )
        is_free = self.job.rigging.gate_level_mm == "auto" and not self.placements
        if found is None or not is_free or found[3].gates[0].into != "casting":
            return found, is_blocked
        if self._falls.cost_mm(found[3], feeders) < OFF_LEVEL_MM:
            return found, is_blocked
        low, _ = self._gated_at(self._bottom_mm, feeders, chills, slower, share, tries)
        halfway, amid = 0.5 * (self._bottom_mm + self.wanted_level_mm), None
        if low is None or low[3].level_mm < halfway:
            amid, _ = self._gated_at(halfway, feeders, chills, slower, share, tries)
        others = (one for one in (low, amid) if one and is_as_strict(one[3], found[3]))
        every = [found, *others]
        return min(every, key=lambda one: self._cost_mm(one, feeders)), is_blocked

    def _cost_mm(self, gated: Gated, feeders: Sequence[FeederPlan]) -> float:
        """Return what gates cost with their falls, and with channels inside a half. [mm of gate]"""
        _, sizes, _, side, _ = gated
        deep = depth_cost(side, sizes.foot_mm2, self.parting.z_mm)
        return side.score + self._falls.cost_mm(side, feeders) + deep

    @cached_property
    def _falls(self) -> Falls:
        return Falls(self.pattern.solid, self.alloy)

    def _gated_at(
        self, level: float, feeders: tuple[FeederPlan, ...], chills: tuple[ChillPlan, ...],
        slower: float, share: float, tries: Sequence[Try],
    ) -> tuple[Gated | None, bool]:  # fmt: skip
        """Return (gating near a level, whether room was short)."""
        is_blocked, n_levels = False, 1
        best: Gated | None = None
        for _ in range(3):
            top, sizes, why = self.sized(feeders, level, slower)
            sizes = with_less_ingate(sizes, share, self.alloy)
            room = self.room(feeders, chills, top)
            sides = self._sides(room, feeders, sizes, level, n_levels, tries)
            laid = ((side, self._laid_out(side, sizes, room, top)) for side in sides)
            found = [(one[0], side, one[1]) for side, one in laid if one is not None]
            if not found and sides and self.placements:
                found = self._combed(room, sizes, level, n_levels, top, tries)
            if not found and sides and n_levels == 1 and best is None:
                is_blocked, n_levels = True, LEVELS_COMPARED  # room on another level?
                continue
            if not found:
                break
            _, side, layout = min(found, key=lambda each: each[0])
            best = (top, sizes, why, side, layout)
            if abs(side.level_mm - level) < 0.5:
                break
            level, n_levels = side.level_mm, 0  # the areas there, no other level
        return best, is_blocked

    def _combed(
        self, room: Room, sizes: Sizes, level: float, n_levels: int, top: float,
        tries: Sequence[Try],
    ) -> list[tuple[float, Side, Layout]]:  # fmt: skip
        """Return the first way to lay several runners past placed castings, if there is one."""
        search = self._search_from(room, sizes, level, n_levels, tries)
        for side in islice(lanes_of(self.placements, search), MOST_COMBS):
            laid = self._laid_out(side, sizes, room, top)
            if laid is not None:
                return [(laid[0], side, laid[1])]
        return []

    def _poured_in_time(
        self, sizes: Sizes, layout: Layout, side: Side, top: float,
        feeders: Sequence[FeederPlan], room: Room,
    ) -> tuple[Sizes, Layout]:  # fmt: skip
        """Return areas and channels whose sprue makes up for what the channels really lose.

        Only where the sprue's foot is the choke and no ratio is given: then the foot alone sets
        the flow; gates stay as they are, and runners as wide as they must be over the foot.
        """
        if sizes.foot_mm2 > sizes.choke_mm2 or self.job.rigging.ratio != "auto":
            return sizes, layout
        best, now = (sizes, layout), (sizes, layout)
        closest, weights = math.inf, (1.0,) * layout.branches[0].n_arms
        takes = partial(self._takes, room=room)
        for _ in range(TRIALS if len(shares_of(layout, side)) == 1 else TRIALS_OF_MANY):
            takes_s, flows = trial_pour(now[1], feeders, now[0], top, self.pattern, self.alloy)
            off = abs(takes_s / sizes.pour_time_s - 1.0)
            foot = now[0].foot_mm2 * takes_s / sizes.pour_time_s
            shares = shares_of(now[1], side)
            filled = rates_of(shares, flows)
            uneven = float(np.abs(filled - 1.0).max())
            if max(off, uneven) < closest:
                best, closest = now, max(off, uneven)
            is_done = off <= TIME_OFF and uneven <= UNEVEN
            if is_done or not 1.0 / MOST_RESIZED < foot / sizes.foot_mm2 < MOST_RESIZED:
                break
            weights = reweighted(weights, layout.branches, flows)
            side = with_even_gates(side, shares, filled, takes)
            why = Reason(
                item="choke",
                why=f"{foot:.0f} mm² instead: a trial pour with all losses would else take"
                f" {takes_s:.1f} s",
                source="Bernoulli with losses, over the rising level",
            )
            resized = replace(
                sizes, foot_mm2=foot, choke_mm2=foot,
                runner_mm2=max(sizes.runner_mm2, RUNNER_OVER_FOOT * foot),
                reasons=(*sizes.reasons, why),
            )  # fmt: skip
            laid = self._laid_out(side, resized, room, top, weights)
            if laid is None:
                break
            now = (resized, laid[1])
        return best

    def sized(
        self, feeders: Sequence[FeederPlan], level: float, slower: float = 1.0
    ) -> tuple[float, Sizes, Reason]:
        """Return (cope's top, areas, why the top): the basin's depth depends on the areas."""
        pour = asked_pour(
            self.survey, self.pattern, feeders, self.count, self.job, self.alloy, slower
        )
        depth, primed, choke_z = USUAL_BASIN_MM, 0.0, level
        for _ in range(3):
            top, why = cope_top_mm(
                self.pattern, feeders, self.parting.z_mm, self.job, self.shop, depth, primed,
                pour.thinnest_head_mm(self.alloy),
            )  # fmt: skip
            top = round(top, 1)
            sizes = self._sizes(feeders, choke_z, top, slower)
            depth = basin_depth_mm(sizes.foot_mm2)
            primed = 0.5 * filter_edge_mm(sizes, self.alloy, 1)
            choke_z = level + self._choke_over_mm(sizes)
        return top, sizes, why

    def sized_under(
        self, top: float, feeders: Sequence[FeederPlan], level: float, slower: float = 1.0
    ) -> Sizes:
        """Return the areas under a cope whose top is settled."""
        sizes = self._sizes(feeders, level, top, slower)
        return self._sizes(feeders, level + self._choke_over_mm(sizes), top, slower)

    def _sizes(
        self, feeders: Sequence[FeederPlan], choke_z: float, top: float, slower: float
    ) -> Sizes:
        return size_gating(self.survey, self.pattern, feeders, self.count, choke_z, top,
                           self.job, self.alloy, slower)  # fmt: skip

    def _choke_over_mm(self, sizes: Sizes) -> float:
        """Return how far the choke lies over the gates' joint: a runner above it lifts it."""
        _, height = runner_section_mm(sizes.runner_mm2)
        return 0.0 if self._gates_above(sizes) else height

    @cached_property
    def _prints(self) -> tuple[Prism, ...]:
        """The room core prints take beside the casting."""
        return tuple(
            (Polygon(room.outline_mm), room.low_mm, room.high_mm) for room in self.print_rooms
        )

    def _gates_above(self, sizes: Sizes) -> bool:
        """Return whether ingates belong above the runner, so that it runs full."""
        return self.alloy.family in RUNNER_BELOW or sizes.ingate_mm2 > sizes.foot_mm2

    def room(self, feeders: Sequence[FeederPlan], chills: Sequence[ChillPlan], top: float) -> Room:
        """Return what the casting and all that is hung on it take."""
        hung = feeder_prisms(feeders, top) + chill_prisms(chills)
        return Room(self._coarse, hung, self._prints)

    @cached_property
    def _coarse(self) -> Solid:
        """The casting with fewer facets, for what is in the way: it is cut many times."""
        return self.pattern.solid.simplified(COARSE_MM)

    @cached_property
    def _walls(self) -> Walls:
        """The bare casting as gates see it, whatever is hung on it."""
        return Walls(self.pattern, Room(self._coarse, (), self._prints))

    def _sides(
        self, room: Room, feeders: Sequence[FeederPlan], sizes: Sizes, level: float, n_levels: int,
        tries: Sequence[Try],
    ) -> tuple[Side, ...]:  # fmt: skip
        """Return the sides and places one casting's ingates may take, best first."""
        if self.placements:
            search = self._search_from(room, sizes, level, n_levels, tries)
            return rows_of(self.placements, search)[:MOST_ROWS]
        return self._ranked(room, feeders, sizes, level, n_levels, tries)

    def _ranked(
        self, room: Room, feeders: Sequence[FeederPlan], sizes: Sizes, level: float, n_levels: int,
        tries: Sequence[Try],
    ) -> tuple[Side, ...]:  # fmt: skip
        """Return the best sides of one casting by itself."""
        if room not in self._seen_among:
            self._seen_among[room] = self._walls.among(room)
        search = GateSearch(
            self._seen_among[room], feeders, self.alloy, self.shop.channel_wall_mm,
            self.parting.z_mm,
        )  # fmt: skip
        _, height = runner_section_mm(sizes.runner_mm2)
        return search.ranked(
            level,
            sizes.ingate_mm2 / self.count,
            height,
            prefers_above=self._gates_above(sizes),
            n_levels=n_levels,
            tries=tries,
        )

    @cached_property
    def _seen_among(self) -> dict[Room, Walls]:
        """The casting among what is hung on it: the same at most paces."""
        return {}

    def _search_from(
        self, room: Room, sizes: Sizes, level: float, n_levels: int, tries: Sequence[Try]
    ) -> Search:
        """Return the search for sides of a casting that face one direction; each is asked once."""

        @cache
        def search(out_deg: float) -> tuple[Side, ...]:
            own = [replace(one, sides_deg=(out_deg,)) for one in tries]
            return self._ranked(room, (), sizes, level, n_levels, own)

        return search

    def _not_in_rows(
        self, feeders: tuple[FeederPlan, ...], chills: tuple[ChillPlan, ...]
    ) -> StageError:
        """Return the error for placed castings that no one runner serves."""
        level = self.wanted_level_mm
        top, sizes, _ = self.sized(feeders, level, SLOWER[-1])
        room = self.room(feeders, chills, top)
        sizes = with_less_ingate(sizes, SHARES[-1], self.alloy)
        search = self._search_from(room, sizes, level, LEVELS_COMPARED, LAST_TRIES)
        width, _ = runner_section_mm(sizes.runner_mm2)
        return not_in_rows(self.placements, search, 2.0 * self.shop.channel_wall_mm + 1.5 * width)

    def _laid_out(
        self, side: Side, sizes: Sizes, room: Room, top: float, weights: tuple[float, ...] = ()
    ) -> tuple[float, Layout] | None:
        """Return (cost, layout) of one way to gate, or None where it finds no room."""
        spacing = self.job.mold.spacing_mm
        task = Task(
            side=side, sizes=sizes, room=room, count=self.count, top_mm=top,
            is_printed=self.job.rigging.channels == "printed", shop=self.shop,
            spacing_mm=self.shop.spacing_mm if spacing == "auto" else spacing,
            joint_mm=self.parting.z_mm, weights=weights,
        )  # fmt: skip
        if isinstance(side, RowSide):
            lay = lay_row if side.n_lanes == 1 else lay_comb
            return lay(task, side, self.placements, self.alloy)
        return lay_out(task, self.alloy)
