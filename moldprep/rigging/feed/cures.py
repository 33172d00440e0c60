"""What to change where a pool was cut off: feeder, neck, another feeder, or a chill."""

import math
from dataclasses import replace
from typing import Final, Literal, get_args

import numpy as np

from moldprep.records import (
    Alloy,
    FeederPlan,
    Feeding,
    FeedPair,
    HotSpot,
    Job,
    Placement,
    Reason,
    RiggingPlan,
    Section,
    Step,
)
from moldprep.rigging.feed.chill_cures import chills_against, next_name
from moldprep.rigging.feed.elbow_room import ElbowRoom
from moldprep.rigging.feed.feeder_plan import WLODAWER
from moldprep.rigging.feed.feeder_seats import SeatFinder
from moldprep.rigging.feed.feeder_size import LEAST_SLEEVE_MM, moved_out, scaled
from moldprep.rigging.feed.ground import NEAR, feeder_at
from moldprep.rigging.feed.revision import Revision
from moldprep.rigging.feed.seat import Seat, sleeve_wall_mm
from moldprep.rigging.feed.side_seats import SLIMMEST
from moldprep.rigging.gates.gate_cure import flatter
from moldprep.thermal.feedpairs import section_reach_mm
from moldprep.thermal.holes import small_hole_mm3
from moldprep.thermal.regions import region_name, unplaced

MOST_AT_ONCE: Final = 1.4
"""A feeder grows by no more than this in one round."""
MOST_FILLED_UP: Final = 2.0
"""… but by this where it lacks feed metal, which is known beforehand."""
LEAST_AT_ONCE: Final = 1.08
GROWTH: Final = 0.75
"""Power of the time ratio a feeder grows by: ½ by t = C M², more since it heats its section too."""
HIGHEST: Final = 1.8
"""Height over diameter where there is no room to grow sideways: more adds no freezing time."""
NECK_STEP: Final = 1.25
AS_IT_CLOSED: Final = 1.1
"""A feeder or neck that lasted longer than this times the moment a pool was cut off did not cut it
off: the times are those of single cells."""
OVER_POOL: Final = 0.3
"""How far a feeder beside ends over the pool it is to feed, over its diameter: its pipe."""
LONGEST_NECK: Final = 0.5
"""Length of a neck over its feeder's diameter, at most (AFS rule, from memory)."""
SPARE: Final = 1.04
"""What a feeder that is enlarged for its feed metal gets over what it lacked, in diameter."""
SHORT: Final = 1.3
"""A feeder that lacks more feed metal than this gets a sleeve before it grows."""
WIDER_FOOT: Final = 1.12
"""Times its diameter a feeder without a neck gets whose foot freezes first."""
TRIES: Final = 2
"""Rounds a feeder may grow for one section before something else is tried."""
SMALL_POOL: Final = 0.25
"""A pool up to this share of its section is chilled rather than fed, where a chill can lie …"""
SMALL_WALLS: Final = 2.0
"""… and up to so many cubes as thick as its wall (common practice, no source)."""
HIGHER: Final = 1.12
"""Times its height a feeder gets whose heat is as low as its neck."""
LEAST_MOVE: Final = 0.25
"""How far a feeder is moved at least, over its diameter."""

Kind = Literal["add", "move", "size", "neck", "sleeve", "gate"]
CURES: Final = frozenset(get_args(Kind))


class Cures:
    """Changes one plan for the pools of one round."""

    def __init__(
        self,
        plan: RiggingPlan,
        feeding: Feeding,
        finder: SeatFinder,
        job: Job,
        alloy: Alloy,
        sand_above_mm: float,
        refused: frozenset[str] = frozenset(),
    ) -> None:
        """Take the plan, what it did, sand over closed feeders, and changes that did not help."""
        self._refused, self._for, self._sand_above_mm = refused, "", sand_above_mm
        self.left: tuple[Reason, ...] = ()
        self._plan, self._job, self._alloy = plan, job, alloy
        self._placements = plan.placements or (Placement(name="casting"),)
        self._finder = finder
        self._room = ElbowRoom(plan, self._finder, self._placements)
        self._pairs = {(pair.feeder, pair.section): pair for pair in feeding.pairs}
        self._given = {feeder.name for feeder in job.rigging.feeder}
        self._may_feed = "feeders" in job.rigging.auto
        self._may_chill = "chills" in job.rigging.auto
        self._may_gate = "gating" in job.rigging.auto and not job.rigging.ingate
        self._feeders = list(plan.feeders)
        self._chills = list(plan.chills)
        self._gates = list(plan.ingates)
        self._steps: list[Step] = []
        self._why: list[str] = []
        self._reasons = list(plan.reasons)
        self._touched: set[str] = set()

    def of(
        self,
        spots: tuple[HotSpot, ...],
        dry: dict[str, float],
        low: frozenset[str],
        early: frozenset[str] = frozenset(),
    ) -> Revision | None:
        """Return the plan changed, what was changed and why; None if nothing could be.

        What could not be cured is in `left` afterwards, with what would help.

        Parameters
        ----------
        spots
            Pools to cure.
        dry
            By feeder, what it must give over what it can.
        low
            Feeders that are hottest at their neck.
        early
            Feeders whose neck freezes before what it feeds.
        """
        for spot in spots:
            self._for = spot.section
            if not self._cure(spot):
                left = _let_be(spot) if self._is_small(spot) else _beyond_us(spot)
                self.left = (*self.left, left)
            else:
                self._why.append(
                    f"{spot.name}: {spot.isolated_volume_mm3 / 1e3:.2f} cm³ cut off at "
                    f"{spot.closed_s:.0f} s, solid at {spot.freezing_time_s:.0f} s"
                )
        for feeder in self._plan.feeders:
            self._for = feeder.name
            short = dry.get(feeder.name, 0.0) if self._may_feed else 0.0
            is_dry = short > 0.0 and feeder.name not in self._touched
            if is_dry and self._filled_up(feeder, short):
                self._why.append(f"{feeder.name} must give {short:.2f} x what it can")
            is_low = feeder.name in low and feeder.name not in self._touched and self._may_feed
            if is_low and self._raised(feeder, HIGHER * feeder.height_mm):
                self._why.append(f"{feeder.name} is hottest at its neck")
            is_early = feeder.name in early and feeder.name not in self._touched and self._may_feed
            if is_early and (self._widened(feeder) or self._grown(feeder, WIDER_FOOT)):
                self._why.append(f"{feeder.name} is shut off by its neck")
        if not self._steps:
            return None
        tops = [f.at_mm[2] + f.height_mm for f in self._feeders if not f.is_open]
        changed = replace(
            self._plan,
            feeders=tuple(self._feeders),
            chills=tuple(self._chills),
            ingates=tuple(self._gates),
            reasons=tuple(self._reasons),
            top_mm=max([self._plan.top_mm, *(top + self._sand_above_mm for top in tops)]),
        )
        return Revision(plan=changed, steps=tuple(self._steps), why=tuple(self._why))

    def _goes(self, kind: Kind, item: str, text: str) -> bool:
        """Write down a change, unless it was tried before and did not help."""
        step = Step(kind=kind, item=item, for_what=self._for, text=text)
        if step.change in self._refused:
            return False
        self._steps.append(step)
        return True

    def _cure(self, spot: HotSpot) -> bool:
        """Change one thing for one pool; return whether that was possible."""
        placement = next((p for p in self._placements if p.name == spot.part), None)
        section = self._section(spot)
        if placement is None or section is None:
            return False
        if spot.gate and self._flattened(spot):
            return True
        own = self._at_hand(spot, section) if self._may_feed else []
        if any(feeder.name in self._touched for feeder in own):
            return True  # this round already changes the feeder this pool hangs on
        for feeder in own:
            if self._improved(feeder, spot):
                return True
        if self._is_small(spot):
            return False
        small = min(SMALL_POOL * spot.section_volume_mm3, SMALL_WALLS * section.thickness_mm**3)
        if spot.isolated_volume_mm3 < small:
            steps = (self._chilled, self._fed, self._moved)
        else:
            steps = (self._fed, self._moved, self._chilled)
        return any(step(spot, section, placement) for step in steps)

    def _is_small(self, spot: HotSpot) -> bool:
        """Return whether a pool leaves a hole too small to set a feeder or chill for."""
        return spot.hole_mm3 <= small_hole_mm3(self._finder.casting_mm3)

    def _section(self, spot: HotSpot) -> Section | None:
        """Return the survey's section a pool is in, smaller where it froze in less than C M²."""
        n = len(self._placements)
        for section in self._finder.by_name.values():
            if region_name(spot.part, section.name, n) == spot.section:
                shown = math.sqrt(spot.freezing_time_s / section.constant_s_mm2)
                shown = min(max(shown, 0.5 * section.modulus_mm), section.modulus_mm)
                return replace(section, modulus_mm=shown)
        return None

    def _serving(self, spot: HotSpot) -> list[FeederPlan]:
        """Return the feeders that may be changed for a pool, nearest first.

        Those that serve its section; where none does, those that are nearest to some of it.
        """
        n = len(self._placements)
        mine = [f for f in self._feeders if f.into == spot.part and f.name not in self._given]
        meant = [
            f for f in mine if spot.section in {region_name(spot.part, s, n) for s in f.serves}
        ]
        near = meant or [f for f in mine if self._pair(f, spot) is not None]
        return sorted(near, key=lambda feeder: math.dist(feeder.at_mm, spot.at_mm))

    def _at_hand(self, spot: HotSpot, section: Section) -> list[FeederPlan]:
        """Return the feeders that may be changed for a pool: the nearest, and all that reach it."""
        serving = self._serving(spot)
        reach = section_reach_mm(section, self._alloy, to_end=True, is_chilled=False)
        away = [math.dist(f.at_mm, spot.at_mm) - 0.5 * f.diameter_mm for f in serving]
        return serving[:1] + [
            f for f, away_mm in zip(serving[1:], away[1:], strict=True) if away_mm <= reach
        ]

    # ---- change an ingate ----------------------------------------------------------------

    def _flattened(self, spot: HotSpot) -> bool:
        """Make the ingate that keeps a hot spot hot flatter at the same area."""
        if not self._may_gate:
            return False
        gate = next((one for one in self._gates if one.name == spot.gate), None)
        if gate is None or gate.name in self._touched:
            return gate is not None
        new = flatter(gate, replace(self._plan, ingates=tuple(self._gates)))
        if new is None:
            return False
        what = (
            f"{gate.name}: {gate.width_mm:.0f} x {gate.height_mm:.0f} to "
            f"{new.width_mm:.0f} x {new.height_mm:.0f} mm"
        )
        if not self._goes("gate", gate.name, what):
            return False
        self._gates[self._gates.index(gate)] = new
        self._touched.add(gate.name)
        return True

    # ---- change a feeder -----------------------------------------------------------------

    def _improved(self, feeder: FeederPlan, spot: HotSpot) -> bool:
        """Enlarge a feeder or its neck, if that is what closed first.

        Where both were still liquid as the pool was cut off, the way through the casting closed.
        """
        pair = self._pair(feeder, spot)
        if pair is None:
            return False
        if self._lifted(feeder, spot):
            return True
        if self._tries(feeder) >= TRIES:
            return False
        closed_s = AS_IT_CLOSED * spot.closed_s
        is_way = min(pair.feeder_time_s, pair.neck_time_s) > closed_s
        if is_way and math.dist(pair.neck_mm, spot.at_mm) > 0.75 * feeder.diameter_mm:
            return False
        if pair.feeder_time_s < spot.freezing_time_s:
            need = (spot.freezing_time_s / max(pair.feeder_time_s, 1e-9)) ** GROWTH * 1.05
            factor = min(max(need, LEAST_AT_ONCE), MOST_AT_ONCE)
            return self._grown(feeder, factor) or self._sleeved(feeder)
        if pair.neck_time_s < spot.freezing_time_s:
            return self._widened(feeder) or self._grown(feeder, 1.15)
        under = math.dist(pair.neck_mm, spot.at_mm) < 0.75 * feeder.diameter_mm
        return under and self._grown(feeder, 1.12)

    def _pair(self, feeder: FeederPlan, spot: HotSpot) -> FeedPair | None:
        return self._pairs.get((feeder.name, spot.section))

    def _tries(self, feeder: FeederPlan) -> int:
        """Return in how many rounds a cure changed a feeder."""
        return sum(
            any(step.item == feeder.name and step.kind in CURES for step in one.steps)
            for one in self._plan.rounds
        )

    def _lifted(self, feeder: FeederPlan, spot: HotSpot) -> bool:
        """Make a feeder beside end over a pool that lies higher than its top: metal runs down."""
        foot, top = feeder.at_mm[2], feeder.at_mm[2] + feeder.height_mm
        if feeder.kind != "side" or top >= spot.hole_at_mm[2]:
            return False
        height = math.ceil(spot.hole_at_mm[2] - foot + OVER_POOL * feeder.diameter_mm)
        factor = max(height / SLIMMEST / feeder.diameter_mm, 1.0)
        lifted = self._placed(replace(scaled(feeder, factor), height_mm=float(height)))
        return lifted is not None and self._resized(feeder, lifted)

    def _placed(
        self, feeder: FeederPlan, others: list[FeederPlan] | None = None
    ) -> FeederPlan | None:
        """Return a changed feeder where it has room, one beside farther out if need be, or None."""
        neck_mm = math.dist(feeder.at_mm[:2], feeder.neck_to_mm[:2]) - 0.5 * feeder.diameter_mm
        most = max(LONGEST_NECK * feeder.diameter_mm - neck_mm, 0.0)
        further = np.linspace(0.0, most, 4).tolist() if feeder.kind == "side" else [0.0]
        for by_mm in further:
            moved = moved_out(feeder, by_mm)
            if self._room.has(moved, others or self._feeders) and self._stands(moved):
                return moved
        return None

    def _filled_up(self, feeder: FeederPlan, short: float) -> bool:
        """Give a feeder the feed metal it lacks; `short` is what it must give over what it can."""
        if short > SHORT and self._sleeved(feeder):
            return True
        factor = min(math.cbrt(short) * SPARE, MOST_FILLED_UP)
        return self._grown(feeder, factor) or self._sleeved(feeder)

    def _sleeved(self, feeder: FeederPlan) -> bool:
        """Put a plain feeder into an insulating sleeve: it gives more of its metal, and lasts.

        One that is gated into stays plain: the gate would have to break through the sleeve.
        """
        is_gated = any(gate.into == feeder.name for gate in self._gates)
        if self._job.feeding.sleeves == "none" or feeder.sleeve != "none" or is_gated:
            return False
        wall = sleeve_wall_mm("insulating", feeder.diameter_mm)
        sleeved = replace(feeder, sleeve="insulating", sleeve_mm=wall)
        if feeder.diameter_mm < LEAST_SLEEVE_MM or not self._room.has(sleeved, self._feeders):
            return False
        what = f"{feeder.name}: in an insulating sleeve"
        return self._goes("sleeve", feeder.name, what) and self._swap(feeder, sleeved)

    def _grown(self, feeder: FeederPlan, factor: float) -> bool:
        grown = self._placed(scaled(feeder, factor))
        if grown is None:
            return self._raised(feeder, feeder.height_mm * factor**2)
        return self._resized(feeder, grown)

    def _stands(self, feeder: FeederPlan) -> bool:
        """Return whether a top feeder has ground under the whole of its foot."""
        placement = next((p for p in self._placements if p.name == feeder.into), None)
        if placement is None or feeder.kind == "side" or feeder.neck_width_mm > 0.0:
            return True
        at = unplaced(np.array([feeder.at_mm]), placement)[0]
        return self._finder.has_ground(at, feeder.diameter_mm)

    def _raised(self, feeder: FeederPlan, height_mm: float) -> bool:
        """Make a feeder higher, up to where more height adds no freezing time."""
        height = float(math.ceil(min(height_mm, HIGHEST * feeder.diameter_mm)))
        raised = replace(feeder, height_mm=height)
        if height <= feeder.height_mm or not self._room.has(raised, self._feeders):
            return False
        return self._resized(feeder, raised)

    def _resized(self, feeder: FeederPlan, grown: FeederPlan) -> bool:
        what = (
            f"{feeder.name}: {feeder.diameter_mm:.0f} x {feeder.height_mm:.0f} to "
            f"{grown.diameter_mm:.0f} x {grown.height_mm:.0f} mm"
        )
        return self._goes("size", feeder.name, what) and self._swap(feeder, grown)

    def _widened(self, feeder: FeederPlan) -> bool:
        if not feeder.neck_width_mm > 0.0:
            return False
        most = 0.95 * feeder.diameter_mm
        width = round(min(feeder.neck_width_mm * NECK_STEP, most), 1)
        if width <= feeder.neck_width_mm + 0.5:
            return False
        height = feeder.neck_height_mm
        if feeder.kind == "side":
            height = round(min(height * 1.1, 0.9 * feeder.height_mm), 1)
        what = (
            f"{feeder.name} neck: {feeder.neck_width_mm:.0f} x {feeder.neck_height_mm:.0f} to "
            f"{width:.0f} x {height:.0f} mm"
        )
        wider = replace(feeder, neck_width_mm=width, neck_height_mm=height)
        return self._goes("neck", feeder.name, what) and self._swap(feeder, wider)

    def _swap(self, old: FeederPlan, new: FeederPlan) -> bool:
        self._feeders[self._feeders.index(old)] = new
        self._touched.add(old.name)
        return True

    # ---- add something -------------------------------------------------------------------

    def _fed(self, spot: HotSpot, section: Section, placement: Placement) -> bool:
        """Set another feeder on a hot spot."""
        if not self._may_feed:
            return False
        seat = self._seat_for(spot, section, placement, self._feeders)
        if seat is None:
            return False
        name = next_name("F", [feeder.name for feeder in self._feeders])
        added = feeder_at(seat, (section.name,), name, placement)
        x, y, z = added.at_mm
        what = (
            f"{name}: new, {added.diameter_mm:.0f} x {added.height_mm:.0f} mm on {spot.name} at "
            f"({x:.0f}, {y:.0f}, {z:.0f})"
        )
        if not self._room.has(added, self._feeders) or not self._goes("add", name, what):
            return False
        self._feeders.append(added)
        self._touched.add(name)
        self._reasons.append(
            Reason(item=name, why=self._finder.why(seat, (section.name,)), source=WLODAWER)
        )
        return True

    def _moved(self, spot: HotSpot, section: Section, placement: Placement) -> bool:
        """Move the nearest feeder that may be changed over a hot spot it leaves no room beside."""
        bound = self._touched | {gate.into for gate in self._gates}
        own = [f for f in self._serving(spot) if self._may_feed and f.name not in bound]
        if not own:
            return False
        feeder = min(own, key=lambda one: math.dist(one.at_mm, spot.hole_at_mm))
        others = [other for other in self._feeders if other is not feeder]
        seat = self._seat_for(spot, section, placement, others)
        if seat is None:
            return False
        there = feeder_at(seat, feeder.serves, feeder.name, placement)
        factor = max(feeder.diameter_mm / there.diameter_mm, 1.0)
        moved = self._placed(scaled(there, factor), others)
        if moved is None or math.dist(moved.at_mm, feeder.at_mm) < LEAST_MOVE * feeder.diameter_mm:
            return False
        x, y, z = moved.at_mm
        what = f"{feeder.name}: moved onto {spot.name}, to ({x:.0f}, {y:.0f}, {z:.0f})"
        return self._goes("move", feeder.name, what) and self._swap(feeder, moved)

    def _seat_for(
        self, spot: HotSpot, section: Section, placement: Placement, others: list[FeederPlan]
    ) -> Seat | None:
        """Return a seat near the highest point of a pool, else near its hot spot, or None."""
        hot, hole = unplaced(np.array([spot.at_mm, spot.hole_at_mm]), placement)
        taken = self._room.taken(spot.at_mm[2], others, placement)
        feeds = spot.isolated_volume_mm3
        for near in (hole, hot):
            seat = self._finder.seat(section, near, feeds, taken, over_mm=float(hole[2]))
            if seat is not None and self._finder.is_near(seat, near):
                return seat
        return None

    def _chilled(self, spot: HotSpot, section: Section, placement: Placement) -> bool:
        """Set chills against a hot spot: one, or a few smaller ones where there is less room."""
        if not self._may_chill:
            return False
        new = chills_against(
            spot, section, placement, self._finder, self._room, self._chills, self._feeders
        )
        if not new:
            return False
        wide_mm = ", ".join(f"{chill.size_mm[0]:.0f}" for chill in new)
        names = f"{new[0].name} to {new[-1].name}" if len(new) > 1 else new[0].name
        what = f"{names}: new chills, {wide_mm} mm wide, on {spot.name}"
        if not self._goes("add", new[0].name, what):
            return False
        self._chills += new
        why = f"{spot.name} is cut off; chilled it freezes before its way to the feeder does"
        self._reasons += [Reason(item=chill.name, why=why, source=WLODAWER) for chill in new]
        return True


def _beyond_us(spot: HotSpot) -> Reason:
    """Return what is left of a pool nothing here can cure, and what would."""
    return Reason(
        item=spot.section,
        why=(
            f"{spot.name}: no free place for a feeder within {NEAR:.0f} walls of the pool, on top "
            "or beside it, and no flat ground for a chill that was not tried before. What would "
            "help: padding the way to the nearest feeder so that it gets thicker toward it, a face "
            "freed (keep_clear), the casting turned so that the pool lies high, or a thinner wall "
            "there"
        ),
        source="common practice, no source",
    )


def _let_be(spot: HotSpot) -> Reason:
    """Return why nothing new is set for a pool, and what would cure it."""
    return Reason(
        item=spot.section,
        why=(
            f"{spot.name}: a hole of {spot.hole_mm3 / 1e3:.2f} cm³ at most is too small to set a "
            "feeder or chill for. What would cure it: a chill on that place (rigging.chill), or a "
            "thicker way to the nearest feeder; else test for leaks and X-ray it there"
        ),
        source="common practice, no source",
    )
