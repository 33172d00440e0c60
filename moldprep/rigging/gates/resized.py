"""Gating sized anew once feeding has changed what is poured: places kept, sections as needed."""

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Final

from shapely.geometry import Point

from moldprep.records import (
    Alloy,
    ChillPlan,
    FeederPlan,
    IngatePlan,
    Job,
    Parting,
    Pattern,
    Placement,
    Reason,
    RiggingPlan,
    Rules,
    Survey,
)
from moldprep.results import Results
from moldprep.rigging.gates.automatic import AutoGating
from moldprep.rigging.gates.copies import layout_placed, lifted, point_placed
from moldprep.rigging.gates.gate_cure import BETWEEN_MM
from moldprep.rigging.gates.gate_sites import WIDEST_INTO_FEEDER
from moldprep.rigging.gates.reasons import sizing_reasons
from moldprep.rigging.gates.room import Room, outline_placed
from moldprep.rigging.gates.settled import inverse, joint_mm, settled_side
from moldprep.rigging.gates.sides import Side
from moldprep.rigging.gates.sizing import Shop, Sizes
from moldprep.rigging.gates.whose import is_laid_out
from moldprep.rigging.layout import Layout
from moldprep.rigging.rounding import rounded

LEAST_CHANGE: Final = 0.03
"""Change of pouring time or ingates that is left alone: times are not known so well. [-]"""

SIZED: Final = ("pour-time", "choke", "ratio", "sprue", "filter", "ingate")
"""Items whose reasons speak of areas."""


class Resizing:
    """Sizes the gating of later plans as the first one's was sized.

    What the first plan's areas are over the handbook's for its weight, losses and narrow walls
    included, those of a later plan are over the handbook's for its own.
    """

    def __init__(self, first: RiggingPlan, auto: AutoGating) -> None:
        self._first, self._auto = first, auto
        self._fed = _feeders_of_one(first)
        places = auto.job.rigging.placements
        self._up_mm = places[0].move_mm[2] if places else 0.0

    @classmethod
    def of(cls, results: Results) -> "Resizing":
        """Return the sizing of all plans that follow from the one in `results`."""
        plan = results.need(RiggingPlan)
        auto = AutoGating.of(
            results.need(Survey), results.need(Pattern), results.need(Parting),
            results.need(Job), results.need(Alloy), Shop.of(results.need(Rules)),
            plan.print_rooms,
        )  # fmt: skip
        return cls(plan, auto)

    def resized(self, plan: RiggingPlan) -> RiggingPlan:
        """Return the plan with its gating sized for what it pours; its gates stay where they are.

        Runner, sprue, filter and basin are laid out anew, clear of the feeders and chills there
        are by now. Where they find no room the gating stays, and a reason says what it lacks.
        """
        is_ours = is_laid_out(self._auto.job, self._auto.pattern)
        if not is_ours or plan.sprue is None or not plan.ingates or not plan.runners:
            return plan
        fed = _feeders_of_one(plan)
        sizes = self._sizes(plan, fed)
        if _is_as_planned(sizes, plan):
            return plan
        wider = sizes.ingate_mm2 / _gates_mm2(plan)
        feeders, chills = self._on_pattern(plan)
        room = self._auto.room(feeders, chills, plan.top_mm)
        laid = self._laid(plan, sizes, wider, fed, room)
        if laid is None:
            return replace(plan, reasons=(*plan.reasons, self._kept(plan, sizes)))
        new_sizes, side, layout = laid
        if _is_as_planned(new_sizes, plan):
            return plan
        return self._hung(plan, new_sizes, side, layout)

    # ---- how large ------------------------------------------------------------------------

    def _sizes(self, plan: RiggingPlan, fed: Sequence[FeederPlan]) -> Sizes:
        """Return the areas for what a plan pours, in proportion to the first plan's."""
        first, level = self._first, joint_mm(self._first.ingates[0]) - self._up_mm
        tops = [one.top_mm - self._up_mm for one in (first, plan)]
        usual_s = self._auto.sized_under(tops[0], self._fed, level).pour_time_s
        slower = round(first.pour_time_s / usual_s, 2)
        before = self._auto.sized_under(tops[0], self._fed, level, slower)
        after = self._auto.sized_under(tops[1], fed, level, slower)
        assert first.sprue is not None  # resized() has seen to it
        foot = first.sprue.foot_area_mm2 * after.foot_mm2 / before.foot_mm2
        runner = first.ratio[1] * first.choke_mm2 * after.runner_mm2 / before.runner_mm2
        ingate = _gates_mm2(first) * after.ingate_mm2 / before.ingate_mm2
        choke = min(foot, runner, ingate)
        return replace(
            after,
            pour_time_s=first.pour_time_s * after.pour_time_s / before.pour_time_s,
            foot_mm2=foot,
            runner_mm2=runner,
            ingate_mm2=ingate,
            choke_mm2=choke,
            flow_mm3_s=after.flow_mm3_s * choke / after.choke_mm2,
            reasons=(
                *(reason for reason in after.reasons if reason.item in ("pour-time", "ratio")),
                Reason(
                    item="choke",
                    why=f"{choke:.0f} mm² instead of {first.choke_mm2:.0f} mm²: after the rounds of"
                    f" feeding {after.poured_kg:.1f} kg are poured, {before.poured_kg:.1f} kg were"
                    " planned; sprue, runners and ingates follow",
                    source="the heat solve; " + next(
                        r.source for r in after.reasons if r.item == "choke"),
                ),
            ),
        )  # fmt: skip

    # ---- where ----------------------------------------------------------------------------

    def _laid(
        self, plan: RiggingPlan, sizes: Sizes, wider: float, fed: Sequence[FeederPlan], room: Room
    ) -> tuple[Sizes, Side, Layout] | None:
        """Return areas, side and channels; gates that cannot widen stay as wide as they are."""
        top_mm = plan.top_mm - self._up_mm
        for factor in dict.fromkeys((wider, min(wider, 1.0))):
            side = settled_side(plan, factor, BETWEEN_MM, in_row=bool(self._auto.placements))
            if side is None:
                return None
            if factor > 1.0 and not self._takes(side, plan, room):
                continue
            asked = replace(sizes, ingate_mm2=sizes.ingate_mm2 * factor / wider)
            found = self._auto.laid_again(side, asked, top_mm, fed, room)
            if found is not None:
                return found[0], side, found[1]
        return None

    def _takes(self, side: Side, plan: RiggingPlan, room: Room) -> bool:
        """Return whether walls, feeders and neighbors have room for wider gates."""
        sides = getattr(side, "each", (side,))
        diameter = {feeder.name: feeder.diameter_mm for feeder in plan.feeders}
        sand = self._auto.shop.channel_wall_mm
        for one in sides:
            along = sorted(gate.along_mm for gate in one.gates)
            width = max(gate.width_mm for gate in one.gates)
            if any(b - a < width + sand for a, b in pairwise(along)):
                return False
            if any(
                gate.width_mm > WIDEST_INTO_FEEDER * diameter[gate.into]
                for gate in one.gates
                if gate.into in diameter
            ):
                return False
        return all(self._auto.takes(one, room) for one in sides)

    def _on_pattern(
        self, plan: RiggingPlan
    ) -> tuple[tuple[FeederPlan, ...], tuple[ChillPlan, ...]]:
        """Return all feeders and chills of all copies, as if they hung on one pattern."""
        by_name = {place.name: place for place in plan.placements}
        first = plan.placements[0]
        feeders = [_feeder_at(f, inverse(by_name.get(f.into, first))) for f in plan.feeders]
        chills = [_chill_at(c, inverse(self._owner(c, plan.placements))) for c in plan.chills]
        return tuple(feeders), tuple(chills)

    def _owner(self, chill: ChillPlan, placements: Sequence[Placement]) -> Placement:
        """Return the copy a chill lies against."""
        if len(placements) == 1:
            return placements[0]
        outline = self._auto.pattern.solid.shadow()
        spot = Point(chill.at_mm[:2])
        return min(placements, key=lambda place: outline_placed(outline, place).distance(spot))

    # ---- the new plan ---------------------------------------------------------------------

    def _hung(self, plan: RiggingPlan, sizes: Sizes, side: Side, layout: Layout) -> RiggingPlan:
        """Return the plan with new channels; feeders and chills go with their copies."""
        places = self._auto.job.rigging.placements
        if len(places) == 1:
            layout = layout_placed(layout, places[0])
        elif places:
            layout = lifted(layout, places[0].move_mm[2])
        old = {place.name: place for place in plan.placements}
        new = {place.name: place for place in map(rounded, layout.placements)}
        feeders, chills = list(plan.feeders), list(plan.chills)
        if new != old:
            feeders = [
                _feeder_at(_feeder_at(f, inverse(old[f.into])), new[f.into]) for f in feeders
            ]
            owners = [self._owner(chill, plan.placements) for chill in chills]
            chills = [
                _chill_at(_chill_at(chill, inverse(own)), new[own.name])
                for chill, own in zip(chills, owners, strict=True)
            ]
        foot, runner, ingate = (
            round(area / sizes.choke_mm2, 2)
            for area in (sizes.foot_mm2, sizes.runner_mm2, sizes.ingate_mm2)
        )
        kept = tuple(reason for reason in plan.reasons if reason.item not in SIZED)
        return replace(
            plan,
            placements=tuple(new.values()),
            pour_time_s=round(sizes.pour_time_s, 2),
            choke_mm2=round(sizes.choke_mm2, 2),
            ratio=plan.ratio if self._auto.job.rigging.ratio != "auto" else (foot, runner, ingate),
            basin=rounded(layout.basin),
            sprue=rounded(layout.sprue),
            well=rounded(layout.well),
            runners=tuple(map(rounded, layout.runners)),
            ingates=tuple(map(rounded, _into_own(layout, plan))),
            filters=tuple(map(rounded, layout.filters)),
            feeders=tuple(map(rounded, feeders)),
            chills=tuple(map(rounded, chills)),
            reasons=(*sizing_reasons(layout, sizes, self._auto.alloy), *kept),
        )

    def _kept(self, plan: RiggingPlan, sizes: Sizes) -> Reason:
        """Return why the gating was left as it is."""
        return Reason(
            item="choke",
            why=f"left at {plan.choke_mm2:.0f} mm²: what is poured now asks for"
            f" {sizes.choke_mm2:.0f} mm², but channels of that size find no room beside the feeders"
            " and chills there are by now",
            source="geometry",
        )


def _is_as_planned(sizes: Sizes, plan: RiggingPlan) -> bool:
    """Return whether a plan's sprue and gates have these areas, as near as times are known."""
    assert plan.sprue is not None  # resized() has seen to it
    changes = sizes.foot_mm2 / plan.sprue.foot_area_mm2, sizes.ingate_mm2 / _gates_mm2(plan)
    return all(abs(change - 1.0) < LEAST_CHANGE for change in changes)


def _feeders_of_one(plan: RiggingPlan) -> tuple[FeederPlan, ...]:
    """Return the feeders of the copy that has most metal in them."""
    copies = [
        tuple(f for f in plan.feeders if f.into in (place.name, "casting"))
        for place in plan.placements
    ]
    return max(copies, key=lambda fs: sum(f.diameter_mm**2 * f.height_mm for f in fs))


def _gates_mm2(plan: RiggingPlan) -> float:
    return sum(gate.width_mm * (gate.height_mm - gate.notch_mm) for gate in plan.ingates)


def _feeder_at(feeder: FeederPlan, place: Placement) -> FeederPlan:
    at, neck_to = (point_placed(p, place) for p in (feeder.at_mm, feeder.neck_to_mm))
    return replace(feeder, at_mm=at, neck_to_mm=neck_to)


def _chill_at(chill: ChillPlan, place: Placement) -> ChillPlan:
    at, turn = point_placed(chill.at_mm, place), (chill.turn_deg + place.turn_deg) % 360.0
    return replace(chill, at_mm=at, turn_deg=turn)


def _into_own(layout: Layout, plan: RiggingPlan) -> list[IngatePlan]:
    """Return the ingates, those into feeders each into its own copy's, as they were planned."""
    return [
        replace(gate, into=before.into, name=before.name)
        if gate.into not in {p.name for p in layout.placements} | {"casting"}
        else gate
        for gate, before in zip(layout.ingates, plan.ingates, strict=True)
    ]
