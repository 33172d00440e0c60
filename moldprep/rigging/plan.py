"""Survey -> RiggingPlan: what is hung on the pattern, where, and why. No bodies are made here."""

from dataclasses import replace
from functools import cached_property

import numpy as np

from moldprep.geometry.solid import Solid
from moldprep.mold.rooms import print_rooms
from moldprep.records import (
    Alloy,
    Job,
    Parting,
    Pattern,
    PrintRoom,
    RiggingPlan,
    Rules,
    Sand,
    Survey,
)
from moldprep.records.plan import (
    BasinPlan,
    ChillPlan,
    FeederPlan,
    Placement,
    Reason,
)
from moldprep.rigging.bodies import basin_outline
from moldprep.rigging.build import placed
from moldprep.rigging.feed.feeder_plan import plan_feeders
from moldprep.rigging.gates.automatic import AutoGating
from moldprep.rigging.gates.clearance import Blocked, basin_depth_mm, clear_basin, meets_vents
from moldprep.rigging.gates.completion import Hung, completed
from moldprep.rigging.gates.copies import (
    as_columns,
    chill_placed,
    feeder_placed,
    gates_into_copies,
    layout_placed,
    lifted,
)
from moldprep.rigging.gates.reasons import layout_reasons
from moldprep.rigging.gates.room import Room, chill_prisms, feeder_prisms
from moldprep.rigging.gates.sizing import Shop, Sizes
from moldprep.rigging.gates.whose import is_brought, is_laid_out
from moldprep.rigging.rounding import rounded
from moldprep.rigging.standing import standing
from moldprep.rigging.vents.vented import vented

HERE = (Placement(name="casting"),)


def plan_rigging(
    survey: Survey,
    pattern: Pattern,
    parting: Parting,
    job: Job,
    alloy: Alloy,
    rules: Rules,
    sand: Sand,
) -> RiggingPlan:
    """Return the rigging: what the job gives, as it is; the rest by rule.

    Parameters
    ----------
    survey
        Sections and hot spots of the bare pattern.
    pattern
        What is cast.
    parting
        Where the mold opens.
    job
        What is given, and which families are planned automatically.
    alloy
        Ratio, pouring time, critical speed, filter figures.
    rules
        Shop settings: sand walls, heads.
    sand
        What the mold is made of: it says which sand must be a core, and so where prints will lie.

    Raises
    ------
    StageError
        rigging/no-gate-site, rigging/no-room.
    """
    plan = _Planner(survey, pattern, parting, job, alloy, Shop.of(rules), sand).plan()
    return standing(plan, pattern, job)


class _Planner:
    """Holds what every step of the plan needs."""

    def __init__(
        self,
        survey: Survey,
        pattern: Pattern,
        parting: Parting,
        job: Job,
        alloy: Alloy,
        shop: Shop,
        sand: Sand,
    ) -> None:
        self.survey, self.pattern, self.parting = survey, pattern, parting
        self.job, self.alloy, self.shop, self.sand = job, alloy, shop, sand
        given = job.rigging
        self.has_own = is_brought(pattern)
        self.count = len(given.placements) or job.mold.count

    def plan(self) -> RiggingPlan:
        """Return the whole plan."""
        if is_laid_out(self.job, self.pattern):
            return self._automatic()
        return self._given()

    # ---- automatic gating -----------------------------------------------------------------

    def _automatic(self) -> RiggingPlan:
        """Return a plan whose channels are laid out here."""
        feeders, chills, reasons = self._feeders(HERE)
        top, sizes, cope_why, side, layout = self._auto.laid(feeders, chills)
        places = self.job.rigging.placements
        if places:
            up_mm = places[0].move_mm[2]
            layout = layout_placed(layout, places[0]) if len(places) == 1 else lifted(layout, up_mm)
            top += up_mm
        first = feeders
        feeders, chills = self._copied(feeders, chills, layout.placements)
        layout = replace(layout, ingates=gates_into_copies(layout, first, feeders))
        why = (
            *sizes.reasons,
            cope_why,
            *layout_reasons(
                layout,
                side,
                sizes,
                self.alloy,
                self.shop,
                self._auto.wanted_level_mm,
                float(self.pattern.solid.bounds[0, 2]),
            ),
            *reasons,
        )
        return self._finished(Hung.of(layout), feeders, chills, sizes, top, why)

    def _feeders(
        self, placements: tuple[Placement, ...]
    ) -> tuple[tuple[FeederPlan, ...], tuple[ChillPlan, ...], tuple[Reason, ...]]:
        return plan_feeders(
            self.survey,
            self.pattern,
            self.parting,
            self.job,
            self.alloy,
            placements,
            self._print_rooms,
        )

    @cached_property
    def _print_rooms(self) -> tuple[PrintRoom, ...]:
        """Where the core prints of one casting will lie, on all its sides."""
        return print_rooms(self.pattern.solid, self.job, self.sand, self.parting.z_mm)

    @cached_property
    def _auto(self) -> AutoGating:
        return AutoGating.of(
            self.survey, self.pattern, self.parting, self.job, self.alloy, self.shop,
            self._print_rooms,
        )  # fmt: skip

    def _copied(
        self, feeders: tuple[FeederPlan, ...], chills: tuple[ChillPlan, ...],
        placements: tuple[Placement, ...],
    ) -> tuple[tuple[FeederPlan, ...], tuple[ChillPlan, ...]]:  # fmt: skip
        """Return the feeders and chills of every copy; what the job gives stays as it is."""
        given = self.job.rigging
        all_feeders = [
            feeder if given.feeder else feeder_placed(feeder, place, j + k * len(feeders))
            for k, place in enumerate(placements if not given.feeder else placements[:1])
            for j, feeder in enumerate(feeders, start=1)
        ]
        all_chills = [
            chill if given.chill else chill_placed(chill, place, j + k * len(chills))
            for k, place in enumerate(placements if not given.chill else placements[:1])
            for j, chill in enumerate(chills, start=1)
        ]
        return tuple(all_feeders), tuple(all_chills)

    # ---- given, or brought by the model ---------------------------------------------------

    def _given(self) -> RiggingPlan:
        """Return a plan whose channels the job or the model brings."""
        keys = self.job.rigging
        placements = keys.placements or self._row()
        feeders, chills, reasons = self._feeders(placements)
        hanging = (*feeders, *as_columns(self.pattern.extra))
        top, sizes, _ = self._auto.sized(
            hanging[: max(1, len(hanging) // self.count)], self.parting.z_mm
        )
        if self.has_own:
            top = max([float(body.solid.bounds[1, 2]) for body in self.pattern.extra])
            note = Reason(item="gating", why="comes inside the model", source="model")
        else:
            note = Reason(
                item="gating", why="given by the job file, kept as it is", source="job file"
            )
        if keys.sprue is not None:
            top = keys.sprue.top_mm + (keys.basin.depth_mm if keys.basin else 0.0)
        hung = Hung(placements=placements, sprue=keys.sprue, well=keys.well, basin=keys.basin,
                    runners=keys.runner, ingates=keys.ingate, filters=keys.filter)  # fmt: skip
        added: tuple[Reason, ...] = ()
        if "gating" in keys.auto and not self.has_own:
            blocked = self._blocked_by(feeders, chills, top, placements)
            is_printed = keys.channels == "printed"
            if keys.sprue is not None and keys.basin is None:
                top += basin_depth_mm(keys.sprue.foot_area_mm2)
            hung, added = completed(hung, sizes, top, blocked, is_printed=is_printed)
        why = (note, *added, *sizes.reasons, *reasons)
        return self._finished(hung, feeders, chills, sizes, top, why)

    def _blocked_by(
        self, feeders: tuple[FeederPlan, ...], chills: tuple[ChillPlan, ...], top: float,
        placements: tuple[Placement, ...],
    ) -> Blocked:  # fmt: skip
        """Return what stands in the way in the mold as a whole."""
        bodies = Solid.union(placed(self.pattern.solid, place) for place in placements)
        room = Room(bodies, feeder_prisms(feeders, top) + chill_prisms(chills))
        return Blocked(room, HERE, self.shop.channel_wall_mm)

    def _row(self) -> tuple[Placement, ...]:
        """Return the castings side by side along the shorter side."""
        if self.count == 1:
            return HERE
        size = self.pattern.solid.size_mm
        spacing = self.job.mold.spacing_mm
        gap = self.shop.spacing_mm if spacing == "auto" else spacing
        axis = int(size[1] <= size[0])
        moves = np.zeros((self.count, 3))
        moves[:, axis] = (np.arange(self.count) - 0.5 * (self.count - 1)) * (size[axis] + gap)
        return tuple(
            Placement(name=f"casting-{k + 1}", move_mm=(float(x), float(y), float(z)))
            for k, (x, y, z) in enumerate(moves)
        )

    # ---- the end --------------------------------------------------------------------------

    def _finished(
        self, hung: Hung, feeders: tuple[FeederPlan, ...], chills: tuple[ChillPlan, ...],
        sizes: Sizes, top: float, reasons: tuple[Reason, ...],
    ) -> RiggingPlan:  # fmt: skip
        """Return the plan with vents added and every number as a job file shows it."""
        given = self.job.rigging
        if not given.feeder:
            feeders = tuple(_opened(feeder, top) for feeder in feeders)
        ratio, choke = self._ratio(hung, sizes)
        plan = RiggingPlan(
            placements=tuple(map(rounded, hung.placements)),
            pour_time_s=round(sizes.pour_time_s, 2),
            choke_mm2=choke, ratio=ratio, top_mm=round(top, 2),
            basin=rounded(hung.basin) if hung.basin else None,
            sprue=rounded(hung.sprue) if hung.sprue else None,
            well=rounded(hung.well) if hung.well else None,
            runners=tuple(map(rounded, hung.runners)),
            ingates=tuple(map(rounded, hung.ingates)),
            filters=tuple(map(rounded, hung.filters)),
            feeders=tuple(map(rounded, feeders)),
            chills=tuple(map(rounded, chills)),
            vents=(),
            reasons=reasons,
            print_rooms=self._print_rooms,
        )  # fmt: skip
        plan = vented(plan, self.pattern, self.parting, self.job, self.alloy)
        return replace(plan, basin=self._beside_vents(plan))

    def _beside_vents(self, plan: RiggingPlan) -> BasinPlan | None:
        """Return the basin; an automatic one is turned out of the vents' way."""
        basin, sprue = plan.basin, plan.sprue
        if basin is None or sprue is None or self.job.rigging.basin is not None:
            return basin
        if not meets_vents(basin_outline(basin, sprue), plan.vents):
            return basin
        blocked = self._blocked_by(plan.feeders, plan.chills, plan.top_mm, plan.placements)
        turned = clear_basin(sprue, plan.top_mm, basin.turn_deg, blocked, plan.vents)
        return rounded(turned) if turned else basin

    def _ratio(self, hung: Hung, sizes: Sizes) -> tuple[tuple[float, float, float], float]:
        """Return (ratio over the choke, choke): a given ratio stays as it is."""
        keys = self.job.rigging
        areas = (sizes.foot_mm2, sizes.runner_mm2, sizes.ingate_mm2)
        ratio = keys.ratio if keys.ratio != "auto" else tuple(
            round(area / sizes.choke_mm2, 2) for area in areas)  # fmt: skip
        foot = hung.sprue.foot_area_mm2 if hung.sprue else sizes.foot_mm2
        return (ratio[0], ratio[1], ratio[2]), round(round(foot, 2) * min(ratio) / ratio[0], 2)


def _opened(feeder: FeederPlan, top: float) -> FeederPlan:
    """Return a feeder; an open one goes to the cope's top."""
    if not feeder.is_open:
        return feeder
    return replace(feeder, height_mm=max(feeder.height_mm, top - feeder.at_mm[2]))
