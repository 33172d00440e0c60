"""Where channels go: runners with gates to a side of each casting, sprue, filter and basin."""

import math
from abc import ABC, abstractmethod
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from shapely.geometry import LineString
from shapely.ops import unary_union

from moldprep.geometry.shapes import trapezoid_widths_mm
from moldprep.geometry.solid import Floats
from moldprep.records import Alloy
from moldprep.records.plan import (
    BasinPlan,
    FilterPlan,
    IngatePlan,
    Placement,
    Point,
    RunnerPlan,
    SpruePlan,
    WellPlan,
)
from moldprep.rigging.bodies import FILTER_LIP_MM, basin_outline
from moldprep.rigging.gate_limits import filter_area_mm2
from moldprep.rigging.gates.clearance import (
    Blocked,
    basin_depth_mm,
    channel_outlines,
    clear_basin,
)
from moldprep.rigging.gates.entry import Entry, down_to_joint_mm, entry_of
from moldprep.rigging.gates.room import Room, outline_placed
from moldprep.rigging.gates.sides import SIDE_DEG, Side, opens_at
from moldprep.rigging.gates.sizing import Shop, Sizes
from moldprep.rigging.gates.tree import Arm, Tree
from moldprep.rigging.gating import taper_area_mm2
from moldprep.tolerances import OVERLAP_MM

RUNNER_SHAPES: Final = (1.3, 1.6, 2.0, 2.5, 3.2)
"""Width of a runner over its height, usual ones first (1 to 2: P. N. Rao, from memory). [-]"""

BEND_RATIO: Final = 1.5
"""Radius of a printed runner's bends over its width: wider ones save little of the loss (common
practice, no source)."""
WELL_OVER_FOOT: Final = 5.0
"""Area of the well over the sprue's foot (P. N. Rao, from memory). [-]"""

FILTERS_MM: Final = (40.0, 50.0, 60.0, 75.0, 100.0, 125.0, 150.0)
"""Edges of square foam filters in common use (common practice, no source). [mm]"""

FILTER_RESERVE: Final = 1.15
"""Metal a filter is sized for, over what is planned: feeders may still grow (common practice, no
source)."""

FARTHEST_MM: Final = 300.0
"""How much farther out than the sand wall a runner may lie before another side is wanted."""

GATE_COST_MM: Final = 1000.0
"""Ground in mm² that one more mm between runner and casting is worth."""

OPENING_RESERVE: Final = 1.2
"""Opening between runner and gate over the smaller section of the two, at least. [-]"""

CLEANED_MM: Final = 14.0
"""Height and narrowest width of runners that open to no joint: a lance and a brush pass all along,
which takes 10 to 15 mm (common practice, no source). [mm]"""

RIDGE_MM: Final = 6.0
"""Sand between two gates that leave a runner at one place to both sides. [mm]"""


@dataclass(frozen=True, kw_only=True)
class Channels:
    """Sections common to all arms: heights, the filter if any, the well. [mm]

    least_width_mm : of runners that only a tool cleans
    floor_mm : of the runners
    entry    : heights of well and filter before them
    lead_mm  : from the sprue to the end of the filter's widening
    """

    runner_width_mm: float
    runner_height_mm: float
    least_width_mm: float
    floor_mm: float
    entry: Entry
    filter_mm: float
    filter_thick_mm: float
    chamber_mm: float
    well_mm: float
    lead_mm: float
    extension_mm: float


@dataclass(frozen=True, kw_only=True)
class Branch:
    """What hangs on one arm of the tree: its gates by name, and how many castings.

    arm, n_arms : number of the arm, and of all arms
    share       : of the whole flow
    """

    arm: int
    n_arms: int
    share: float
    gates: tuple[str, ...]
    n_castings: int


@dataclass(frozen=True, kw_only=True)
class Layout:
    """Everything automatic gating decides on, in the part frame."""

    placements: tuple[Placement, ...]
    sprue: SpruePlan
    well: WellPlan
    basin: BasinPlan
    runners: tuple[RunnerPlan, ...]
    ingates: tuple[IngatePlan, ...]
    filters: tuple[FilterPlan, ...]
    branches: tuple[Branch, ...] = ()


def runner_section_mm(area_mm2: float) -> tuple[float, float]:
    """Return (width, height) of a runner of this area. [mm]"""
    height = math.sqrt(area_mm2 / RUNNER_SHAPES[0])
    return area_mm2 / height, height


def filter_edge_mm(sizes: Sizes, alloy: Alloy, arms: int) -> float:
    """Return the edge of the square filter each arm needs, 0 if none in use is large enough."""
    poured_kg = FILTER_RESERVE * sizes.poured_kg
    area = filter_area_mm2(
        poured_kg, poured_kg / sizes.pour_time_s, sizes.choke_mm2,
        alloy.filter_kg_cm2, alloy.filter_kg_s_cm2, alloy.filter_choke_ratio,
    ) / arms  # fmt: skip
    free = math.sqrt(area) + 2.0 * FILTER_LIP_MM
    return next((edge for edge in FILTERS_MM if edge >= free), 0.0)


@dataclass(frozen=True, kw_only=True)
class Task:
    """What is to be laid out, and in what.

    side       : how one casting is gated
    sizes      : areas of the whole system
    room       : what one casting and its feeders take
    count      : castings round the sprue
    top_mm     : height of the cope's top
    is_printed : channels as a printer can make them: the sprue follows the stream, bends are round;
                 else a straight taper and square corners
    spacing_mm : sand between castings
    joint_mm   : height at which the mold opens
    weights    : section of each arm of the tree over what its share asks for; none: as it asks
    """

    side: Side
    sizes: Sizes
    room: Room
    count: int
    top_mm: float
    is_printed: bool
    shop: Shop
    spacing_mm: float
    joint_mm: float
    weights: tuple[float, ...] = ()


def runner_height_mm(side: Side, runner_mm2: float, count: int) -> float:
    """Return the height of the runners, flat enough that gates to both sides get through.

    Gates that leave a runner at one place share its width; the opening of each must not be
    smaller than the gate or the runner.
    """
    gate = side.gates[0]
    leaf_mm2 = runner_mm2 * min(1.0, 2.0 / count)
    need = OPENING_RESERVE * min(gate.width_mm * (gate.height_mm - gate.notch_mm), leaf_mm2)
    first = runner_mm2 if count <= 2 else 0.5 * runner_mm2
    for shape in RUNNER_SHAPES:
        height = round(math.sqrt(first / shape), 1)
        width = max(trapezoid_widths_mm(leaf_mm2 / height, height, SIDE_DEG))
        opening = (0.5 * width - 1.0 - 0.5 * RIDGE_MM) * gate.width_mm
        if count == 1 or opening >= need:
            return height
    return round(math.sqrt(first / RUNNER_SHAPES[0]), 1)


def channels_for(task: Task, alloy: Alloy, arms: int) -> Channels:
    """Return the sections that do not depend on where things lie, for runners leaving the sprue."""
    side, sizes = task.side, task.sizes
    height, least = runner_height_mm(side, sizes.runner_mm2, task.count), 0.0
    if not opens_at(side, task.joint_mm):
        height = max(height, CLEANED_MM)
        least = CLEANED_MM + height * math.tan(math.radians(SIDE_DEG))
    width = max(sizes.runner_mm2 / arms / height, least)
    below = side.level_mm - height + OVERLAP_MM
    floor = below if side.gates_above else side.level_mm - OVERLAP_MM
    edge = filter_edge_mm(sizes, alloy, arms)
    chamber = max(12.0, 0.5 * (edge - 2.0 * FILTER_LIP_MM - height)) if edge else 0.0
    thick = 0.0 if not edge else 22.0 if edge <= 100.0 else 30.0
    well = well_diameter_mm(sizes.foot_mm2, width)
    entry = entry_of(floor, height, edge, task.joint_mm)
    filtered = 2.0 * chamber + thick + entry.slope_mm if edge else 0.0
    lead = 0.5 * well + 20.0 + filtered + max(25.0, width)
    return Channels(
        runner_width_mm=width, runner_height_mm=height, least_width_mm=least, floor_mm=floor,
        entry=entry, filter_mm=edge,
        filter_thick_mm=thick, chamber_mm=chamber, well_mm=well, lead_mm=lead,
        extension_mm=max(40.0, 1.5 * width),
    )  # fmt: skip


class Draft(ABC):
    """One attempt at a layout round a sprue at the origin; its tree says where runners go.

    Runners that carry gates run along `u`; `v` is across them.
    """

    tree: Tree

    def __init__(self, task: Task, channels: Channels, u: Floats, v: Floats) -> None:
        self.side, self.sizes, self.room = task.side, task.sizes, task.room
        self.top_mm, self.is_printed = task.top_mm, task.is_printed
        self.channels, self.shop, self.joint_mm = channels, task.shop, task.joint_mm
        self.u, self.v = u, v

    def layout(self) -> Layout | None:
        """Return the layout, or None where something comes too near to something else."""
        placements = self._placements()
        sprue, well = self._sprue()
        runners, filters = self._runners(well)
        ingates = self._ingates(placements)
        blocked = self._blocked(placements)
        if not self._is_clear(blocked, sprue, well, runners, filters):
            return None
        ahead = math.degrees(math.atan2(self.u[1], self.u[0]))
        basin = clear_basin(sprue, self.top_mm, ahead, blocked)
        if basin is None:
            return None
        return Layout(placements=placements, sprue=sprue, well=well, basin=basin, runners=runners,
                      ingates=ingates, filters=filters,
                      branches=self._branches(ingates))  # fmt: skip

    def ground_mm2(self, layout: Layout) -> float:
        """Return the area of the box round everything, from above."""
        outlines = [outline_placed(self.room.whole, place) for place in layout.placements]
        outlines += [LineString([p[:2] for p in r.path_mm]).buffer(0.5 * r.width_mm)
                     for r in layout.runners]  # fmt: skip
        outlines.append(basin_outline(layout.basin, layout.sprue))
        x0, y0, x1, y1 = unary_union(outlines).bounds
        return float((x1 - x0 + 80.0) * (y1 - y0 + 80.0))

    @abstractmethod
    def _placements(self) -> tuple[Placement, ...]:
        """Return where each casting lies."""

    @abstractmethod
    def _ingates(self, placements: tuple[Placement, ...]) -> tuple[IngatePlan, ...]:
        """Return every ingate, straight from its runner to the wall."""

    @abstractmethod
    def _n_gates(self, seat: int) -> int:
        """Return how many gates the casting on a seat has."""

    @abstractmethod
    def _end_mm(self, arm: Arm) -> float:
        """Return where an arm ends, from its branching point."""

    # ---- pieces of it ---------------------------------------------------------------------

    def _face_half(self, width: float) -> float:
        """Return how far from a runner's middle gates may start over its joint face."""
        height = self.channels.runner_height_mm
        return 0.5 * max(trapezoid_widths_mm(width, height, self._lean())) - 1.0

    def _sprue(self) -> tuple[SpruePlan, WellPlan]:
        c = self.channels
        foot = (0.0, 0.0, c.entry.floor_mm + c.runner_height_mm)
        sprue = sprue_plan(foot, self.sizes.foot_mm2, self.top_mm, is_cone=not self.is_printed)
        floor = down_to_joint_mm(c.entry.floor_mm - c.runner_height_mm, self.joint_mm)
        well = WellPlan(at_mm=(0.0, 0.0, floor), diameter_mm=c.well_mm, depth_mm=foot[2] - floor)
        return sprue, well

    def _arm_width(self, arm: Arm) -> float:
        usual = self.sizes.runner_mm2 * arm.share * arm.weight / self.channels.runner_height_mm
        return max(usual, self.channels.least_width_mm)

    def _branches(self, ingates: tuple[IngatePlan, ...]) -> tuple[Branch, ...]:
        """Return what hangs on each arm: the ingates come arm by arm."""
        found, done = [], 0
        for k, arm in enumerate(self.tree.arms):
            count = sum(self._n_gates(seat) for seat in arm.seats)
            if count:
                mine = tuple(gate.name for gate in ingates[done : done + count])
                found.append(Branch(arm=k, n_arms=len(self.tree.arms), share=arm.share,
                                    gates=mine, n_castings=len(arm.seats)))  # fmt: skip
            done += count
        return tuple(found)

    def _lean(self) -> float:
        """Return the lean of runners: the wide side lies at the joint with the gates."""
        return -SIDE_DEG if self.side.gates_above else SIDE_DEG

    def _runners(self, well: WellPlan) -> tuple[tuple[RunnerPlan, ...], tuple[FilterPlan, ...]]:
        """Return all runners and filters."""
        runners: list[RunnerPlan] = []
        filters: list[FilterPlan] = []
        for arm in self.tree.arms:
            width = self._arm_width(arm)
            begin = self._begin_mm(arm, width, well)
            end = self._end_mm(arm)
            if arm.parent < 0 and self.channels.filter_mm:
                begin, plan, first = self._filter(arm, width, begin, well, len(runners) + 1)
                runners.append(first)
                filters.append(plan)
            floor = self.channels.floor_mm
            runners.append(self._runner(arm, width, begin, end, floor, len(runners) + 1))
        return tuple(runners), tuple(filters)

    def _begin_mm(self, arm: Arm, width: float, well: WellPlan) -> float:
        """Return where an arm starts, from its branching point: in the well or the trunk."""
        floor, top = trapezoid_widths_mm(width, self.channels.runner_height_mm, self._lean())
        if arm.parent < 0:
            half = 0.5 * max(floor, top)
            return math.sqrt((0.5 * well.diameter_mm) ** 2 - half**2) - OVERLAP_MM - 0.5
        trunk = self._arm_width(self.tree.arms[arm.parent])
        narrow = min(trapezoid_widths_mm(trunk, self.channels.runner_height_mm, self._lean()))
        return 0.5 * narrow - OVERLAP_MM

    def _point(self, arm: Arm, along: float, z: float) -> tuple[float, float, float]:
        uv = arm.start + along * arm.heading
        xy = uv[0] * self.u + uv[1] * self.v
        return float(xy[0]), float(xy[1]), z

    def _runner(
        self, arm: Arm, width: float, begin: float, end: float, z: float, k: int
    ) -> RunnerPlan:
        return RunnerPlan(
            name=f"runner-{k}", path_mm=(self._point(arm, begin, z), self._point(arm, end, z)),
            width_mm=width, height_mm=self.channels.runner_height_mm, side_deg=self._lean(),
            bend_ratio=BEND_RATIO if self.is_printed else 0.0,
        )  # fmt: skip

    def _filter(
        self, arm: Arm, width: float, begin: float, well: WellPlan, k: int
    ) -> tuple[float, FilterPlan, RunnerPlan]:
        """Return (where the runner goes on, the filter, the runner before it)."""
        c = self.channels
        before = 0.5 * well.diameter_mm + 20.0
        middle = before + c.chamber_mm + 0.5 * c.filter_thick_mm
        heading = arm.heading[0] * self.u + arm.heading[1] * self.v
        plan = FilterPlan(
            at_mm=self._point(arm, middle, c.entry.filter_mm),
            length_mm=c.filter_mm, width_mm=c.filter_mm, thickness_mm=c.filter_thick_mm,
            turn_deg=round(math.degrees(math.atan2(heading[1], heading[0])), 2),
        )  # fmt: skip
        after = middle + 0.5 * c.filter_thick_mm + c.chamber_mm + c.entry.slope_mm
        return after, plan, self._runner(arm, width, begin, before, c.entry.floor_mm, k)

    # ---- keeping clear --------------------------------------------------------------------

    def _blocked(self, placements: tuple[Placement, ...]) -> Blocked:
        return Blocked(self.room, placements, self.shop.channel_wall_mm)

    def _is_clear(
        self, blocked: Blocked, sprue: SpruePlan, well: WellPlan,
        runners: tuple[RunnerPlan, ...], filters: tuple[FilterPlan, ...],
    ) -> bool:  # fmt: skip
        """Return whether every channel keeps the sand wall from castings and feeders."""
        return all(
            blocked.is_clear(outline, low, high)
            for outline, low, high in channel_outlines(sprue, well, runners, filters)
        )


def with_runners_of(sizes: Sizes, layout: Layout) -> Sizes:
    """Return sizes with the area of the runners that leave the well: tools may want them larger."""
    reach = 0.5 * layout.well.diameter_mm
    leaving = (
        runner.width_mm * runner.height_mm
        for runner in layout.runners
        if math.dist(runner.path_mm[0][:2], layout.well.at_mm[:2]) <= reach
    )
    return replace(sizes, runner_mm2=max(sizes.runner_mm2, sum(leaving)))


def sprue_plan(
    foot_at_mm: tuple[float, float, float], foot_mm2: float, top_mm: float, *, is_cone: bool
) -> SpruePlan:
    """Return the sprue over a foot, as wide on top as the stream is under a full basin."""
    depth = basin_depth_mm(foot_mm2)
    head = top_mm - foot_at_mm[2]
    return SpruePlan(
        at_mm=foot_at_mm, top_mm=top_mm - depth, foot_area_mm2=foot_mm2,
        top_area_mm2=taper_area_mm2(foot_mm2, head, depth),
        kind="cone" if is_cone else "stream",
    )  # fmt: skip


def well_diameter_mm(foot_mm2: float, runner_mm: float) -> float:
    """Return the diameter of the well under a sprue, wide enough for its runner. [mm]"""
    return max(math.sqrt(4.0 / math.pi * WELL_OVER_FOOT * foot_mm2), 1.3 * runner_mm)


def moved(layout: Layout, by: Floats) -> Layout:
    """Return a whole gating moved. [mm]"""

    def at(point: Point) -> Point:
        x, y, z = np.asarray(point) + by
        return float(x), float(y), float(z)

    return replace(
        layout,
        placements=tuple(replace(p, move_mm=at(p.move_mm)) for p in layout.placements),
        sprue=replace(layout.sprue, at_mm=at(layout.sprue.at_mm)),
        well=replace(layout.well, at_mm=at(layout.well.at_mm)),
        runners=tuple(replace(r, path_mm=tuple(map(at, r.path_mm))) for r in layout.runners),
        ingates=tuple(replace(g, path_mm=tuple(map(at, g.path_mm))) for g in layout.ingates),
        filters=tuple(replace(f, at_mm=at(f.at_mm)) for f in layout.filters),
    )
