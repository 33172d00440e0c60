"""Bodies of the rigging, one function a kind: plan item -> exact solid. Part frame, mm."""

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import Final

import numpy as np
from shapely.geometry import Point, Polygon
from shapely.geometry import box as rectangle

from moldprep.geometry.shapes import (
    area_radius_mm,
    column,
    placed_outline,
    raised,
    revolved,
    rounded_box_outline,
    rounded_path,
    section_points,
    swept_channel,
    turned_box,
)
from moldprep.geometry.solid import Floats, Solid
from moldprep.records import Body, Insert, Role
from moldprep.records.plan import (
    BasinPlan,
    ChillPlan,
    FeederPlan,
    FilterPlan,
    IngatePlan,
    RunnerPlan,
    SpruePlan,
    VentPlan,
    WellPlan,
)
from moldprep.rigging.feed.chill_sites import LED_ON
from moldprep.rigging.feed.reach import Target
from moldprep.tolerances import OVERLAP_MM

N_STATIONS: Final = 48
"""Sections of a stream-shaped sprue: between them it is off the stream by under 0.1 %."""

STEP_SHARE: Final = 0.5
"""How much deeper the pouring end of an offset basin is than its step, over its depth."""

ENTRY_SHARE: Final = 0.2
"""Radius of the rounded sprue entry over the sprue's top diameter."""

UNDER_METAL: Final = 0.3
"""Share of a chill that has metal so near over or under it, where that is the face it lies on."""

STANDS_OUT_MM: Final = 1.0
"""A chill that stands out no more than this is ground to the edge of the metal."""

NEAR_START_MM: Final = 1.0
"""Half the side of the cube round a channel's start that its outer part is known by."""

FEEDERS_KEPT: Final = 128
"""Feeders whose bodies are kept: from one round to the next, most stay as they are."""

STEEP_SHARE: Final = 0.8
"""Share of the way to a filter that a slope takes at most, where there is no more room."""

FILTER_LIP_MM: Final = 4.0
"""Seat all round a filter (3 to 5 mm, common practice, no source)."""


def entry_radius_mm(sprue: SpruePlan) -> float:
    """Return the radius of the rounded entry from basin to sprue; none on a plain cone. [mm]"""
    if sprue.kind == "cone":
        return 0.0
    return ENTRY_SHARE * 2.0 * math.sqrt(sprue.top_area_mm2 / math.pi)


def stream_areas_mm2(sprue: SpruePlan, z_mm: Floats) -> Floats:
    """Return the areas a sprue has at these heights.

    A stream follows A ~ 1 / √(level - z); the level follows from the areas at top and foot. A
    sprue that does not narrow is built as the straight cone between its ends.
    """
    length_mm = sprue.top_mm - sprue.at_mm[2]
    below_top = sprue.top_mm - z_mm
    squeeze = (sprue.top_area_mm2 / sprue.foot_area_mm2) ** 2
    if sprue.kind == "stream" and squeeze > 1.0 + 1e-6:
        level_mm = length_mm / (squeeze - 1.0)
        return np.asarray(sprue.top_area_mm2 * np.sqrt(level_mm / (level_mm + below_top)))
    ends = math.sqrt(sprue.top_area_mm2), math.sqrt(sprue.foot_area_mm2)
    return np.asarray((ends[0] + (ends[1] - ends[0]) * below_top / length_mm) ** 2)


def sprue_body(sprue: SpruePlan, has_basin: bool) -> Body:
    """Return the sprue, from the rounded entry down into the well."""
    x, y, foot = sprue.at_mm
    top = sprue.top_mm - (entry_radius_mm(sprue) if has_basin else 0.0)
    z = np.linspace(foot, top, N_STATIONS)
    radii = [area_radius_mm(float(area)) for area in stream_areas_mm2(sprue, z)]
    over = OVERLAP_MM if has_basin else 0.0
    z_all = [foot - OVERLAP_MM, *z, *([top + over] if over else [])]
    solid = revolved([radii[0], *radii, *([radii[-1]] if over else [])], z_all, (x, y, 0.0))
    path = np.array([(x, y, top), (x, y, foot)])
    return Body(name="sprue", role=Role.SPRUE, solid=solid, path_mm=path)


def basin_body(basin: BasinPlan, sprue: SpruePlan) -> Body:
    """Return the pouring basin with the rounded entry to the sprue under its floor."""
    x, y, _ = sprue.at_mm
    floor, rim = sprue.top_mm, sprue.top_mm + basin.depth_mm
    if basin.kind == "cup":
        cup = column((x, y, floor), 0.7 * basin.width_mm, basin.width_mm, basin.depth_mm)
        return Body(name="basin", role=Role.BASIN, solid=cup + _entry(sprue))
    pool = Solid.extrude(basin_outline(basin, sprue), floor, rim)
    deep = Solid.extrude(_deep_end(basin, sprue), floor - STEP_SHARE * basin.depth_mm, rim)
    return Body(name="basin", role=Role.BASIN, solid=pool + deep + _entry(sprue))


def basin_outline(basin: BasinPlan, sprue: SpruePlan) -> Polygon:
    """Return the basin from above: round for a cup, else long, away from the sprue."""
    if basin.kind == "cup":
        return Point(sprue.at_mm[:2]).buffer(0.5 * basin.width_mm)
    return placed_outline(_pool(basin), sprue.at_mm, basin.turn_deg)


def _pool(basin: BasinPlan) -> Polygon:
    """Return an offset basin's outline with the sprue at the origin, pouring end along x."""
    outline = rounded_box_outline(basin.length_mm, basin.width_mm, 0.3 * basin.width_mm)
    return placed_outline(outline, (0.5 * (basin.length_mm - basin.width_mm), 0.0), 0.0)


def _deep_end(basin: BasinPlan, sprue: SpruePlan) -> Polygon:
    """Return the part of the basin beyond the step, where the ladle pours."""
    step_x = step_from_sprue_mm(basin)
    far = rectangle(step_x, -basin.width_mm, basin.length_mm, basin.width_mm)
    return placed_outline(_pool(basin).intersection(far), sprue.at_mm, basin.turn_deg)


def step_from_sprue_mm(basin: BasinPlan) -> float:
    """Return how far from the sprue's axis the basin's floor steps down. [mm]"""
    return 0.5 * (basin.length_mm - 0.5 * basin.width_mm)


def _entry(sprue: SpruePlan) -> Solid:
    """Return the trumpet between basin floor and sprue."""
    radius = entry_radius_mm(sprue)
    if radius == 0.0:
        return Solid.empty()
    x, y, _ = sprue.at_mm
    low = sprue.top_mm - radius
    area = float(stream_areas_mm2(sprue, np.array([low]))[0])
    angles = np.linspace(0.0, 0.5 * math.pi, 9)
    radii = area_radius_mm(area) + radius * (1.0 - np.cos(angles))
    heights = low + radius * np.sin(angles)
    return revolved([*radii, radii[-1]], [*heights, sprue.top_mm + OVERLAP_MM], (x, y, 0.0))


def well_body(well: WellPlan) -> Body:
    """Return the well under the sprue."""
    solid = column(well.at_mm, well.diameter_mm, well.diameter_mm, well.depth_mm)
    return Body(name="well", role=Role.WELL, solid=solid)


def runner_path(runner: RunnerPlan) -> Floats:
    """Return the runner's floor line with its bends."""
    return rounded_path(np.asarray(runner.path_mm), runner.bend_ratio * runner.width_mm)


def runner_body(runner: RunnerPlan) -> Body:
    """Return one runner."""
    path = runner_path(runner)
    solid = swept_channel(path, runner.width_mm, runner.height_mm, runner.side_deg)
    middle = raised(path, 0.5 * runner.height_mm)
    return Body(name=runner.name, role=Role.RUNNER, solid=solid, path_mm=middle)


def ingate_body(ingate: IngatePlan, target: Target) -> Body:
    """Return one ingate, brought just into the body it feeds, with its break-off notch."""
    path = np.asarray(ingate.path_mm)
    section = (ingate.width_mm, ingate.height_mm, ingate.side_deg)
    path, near_mm = target.brought_into(path, *section, what=ingate.name)
    solid = swept_channel(path, *section)
    if ingate.notch_mm > 0.0:
        solid = solid - _notch(ingate, path, near_mm)
    middle = raised(path, 0.5 * ingate.height_mm)
    solid = _not_through(solid, target, middle[0])
    return Body(name=ingate.name, role=Role.INGATE, solid=solid, path_mm=middle)


def _notch(ingate: IngatePlan, path: Floats, near_mm: float) -> Solid:
    """Return the ridge of sand that thins the gate just before the casting."""
    start, along = path[-2], path[-1] - path[-2]
    along = along / np.linalg.norm(along)
    across = np.array([-along[1], along[0], 0.0]) * ingate.width_mm
    depth = ingate.notch_mm
    apex = start + (near_mm - depth - 1.0) * along + (0.0, 0.0, ingate.height_mm - depth)
    rise = np.array([0.0, 0.0, 2.0 * depth])
    ridge = [apex, apex + rise - 2.0 * depth * along, apex + rise + 2.0 * depth * along]
    return Solid.hull_of(np.array([p + side * across for p in ridge for side in (-1.0, 1.0)]))


def filter_body(plan: FilterPlan, name: str, runners: tuple[RunnerPlan, ...]) -> Body:
    """Return the filter's print with its chambers to the two runner ends that face it."""
    angle = math.radians(plan.turn_deg)
    flow = np.array([math.cos(angle), math.sin(angle)])
    center = np.asarray(plan.at_mm)
    solid = turned_box(center, (plan.thickness_mm, plan.length_mm, plan.width_mm), plan.turn_deg)
    ways = {1.0: np.empty((0, 3)), -1.0: np.empty((0, 3))}
    for sign in ways:
        facing = _facing_end(plan, runners, sign * flow)
        if facing is not None:
            widening, ways[sign] = _chamber(plan, *facing)
            solid = solid + widening
    path = np.vstack([ways[1.0], center[None], ways[-1.0][::-1]])
    path = path if len(path) > 1 else np.empty((0, 3))
    return Body(name=name, role=Role.FILTER, solid=solid, path_mm=path)


def _facing_end(
    plan: FilterPlan, runners: tuple[RunnerPlan, ...], flow: Floats
) -> tuple[RunnerPlan, Floats, Floats] | None:
    """Return (runner, end point, direction) of the nearest end that points along `flow` at it."""
    center, reach = np.asarray(plan.at_mm), 2.0 * max(plan.length_mm, plan.width_mm)
    nearest, found = math.inf, None
    for runner in runners:
        path = np.asarray(runner.path_mm)
        for at, leg in ((path[-1], path[-1] - path[-2]), (path[0], path[0] - path[1])):
            toward = leg / np.linalg.norm(leg)
            gap = center - at
            off_line = abs(float(gap[0] * flow[1] - gap[1] * flow[0]))
            ahead = float(gap[:2] @ flow)
            is_facing = float(toward[:2] @ flow) > 0.99 and off_line <= 0.5 * runner.width_mm
            is_near = 0.0 < ahead <= min(nearest, reach + abs(float(gap[2])))
            if is_facing and is_near:
                nearest, found = ahead, (runner, at, toward)
    return found


def _chamber(
    plan: FilterPlan, runner: RunnerPlan, at: Floats, toward: Floats
) -> tuple[Solid, Floats]:
    """Return the widening between a runner's end and the filter's free face, and its middle line.

    A runner that ends over or under that face comes to it by a slope of the same section.
    """
    center = np.asarray(plan.at_mm)
    lip = 2.0 * min(FILTER_LIP_MM, 0.2 * plan.length_mm, 0.2 * plan.width_mm)
    face = center - toward * (0.5 * plan.thickness_mm - OVERLAP_MM)
    floor = face - (0.0, 0.0, 0.5 * (plan.width_mm - lip))
    print_side = section_points(floor, toward, plan.length_mm - lip, plan.width_mm - lip, 0.0)
    end = at - OVERLAP_MM * toward
    middle = at + np.array([0.0, 0.0, 0.5 * runner.height_mm])
    rise = float(center[2] - middle[2])
    if 2.0 * abs(rise) <= plan.width_mm - lip - runner.height_mm:
        return Solid.hull_of(np.vstack([print_side, _section(runner, end, toward)])), middle[None]
    run = min(abs(rise), STEEP_SHARE * float((face - at)[:2] @ toward[:2]))
    knee = end + run * toward + (0.0, 0.0, rise)
    taller = math.hypot(run, rise) / run  # upright, so that it is as large across the slope
    corners = np.vstack([_section(runner, point, toward, taller) for point in (end, knee)])
    (x0, y0, _), (x1, y1, _) = corners.min(axis=0), corners.max(axis=0)
    floor_mm = float(min(at[2], knee[2]))  # what is taller stands out of neither channel
    slab = Solid.box((x0, y0, floor_mm), (x1, y1, floor_mm + abs(rise) + runner.height_mm))
    slope = Solid.hull_of(corners) & slab
    widening = np.vstack([print_side, _section(runner, knee, toward)])
    way = np.stack([middle, middle + knee - end])
    return slope + Solid.hull_of(widening), way


def _section(runner: RunnerPlan, floor: Floats, toward: Floats, taller: float = 1.0) -> Floats:
    """Return the corners of a runner's section, so much taller both up and down. [mm]"""
    height = taller * runner.height_mm
    floor = floor - (0.0, 0.0, 0.5 * (height - runner.height_mm))
    return section_points(floor, toward, runner.width_mm, height, runner.side_deg)


@lru_cache(FEEDERS_KEPT)
def feeder_bodies(feeder: FeederPlan, target: Target, top_mm: float) -> tuple[Body, ...]:
    """Return the feeder, and its neck where it has one."""
    if feeder.kind == "side":
        return (_named(feeder, _feeder_column(feeder, top_mm)), _side_neck(feeder, target))
    if feeder.neck_width_mm > 0.0:
        return (_named(feeder, _feeder_column(feeder, top_mm)), _top_neck(feeder, target))
    at, column = np.asarray(feeder.at_mm), _feeder_column(feeder, top_mm)
    return (_named(feeder, target.set_down(column, at, feeder.diameter_mm, what=feeder.name)),)


def _named(feeder: FeederPlan, solid: Solid) -> Body:
    return Body(name=feeder.name, role=Role.FEEDER, solid=solid)


def _feeder_column(feeder: FeederPlan, top_mm: float) -> Solid:
    """Return the feeder itself: open ones to the cope's top, blind ones with dome and dimple."""
    x, y, foot = feeder.at_mm
    radius = 0.5 * feeder.diameter_mm
    top = foot + feeder.height_mm
    if feeder.is_open:
        return revolved([radius, radius], [foot, max(top, top_mm)], (x, y, 0.0))
    crown = min(radius, 0.9 * feeder.height_mm)
    angles = np.linspace(0.0, 0.5 * math.pi, 13)[:-1]
    radii = [radius, *(radius * np.cos(angles))]
    heights = [foot, *(top - crown + crown * np.sin(angles))]
    dome = revolved([*radii, 0.0], [*heights, top], (x, y, 0.0))
    if not feeder.has_air_core:
        return dome
    depth = 0.5 * radius
    dimple = column((x, y, top - depth), 0.08 * radius, 0.4 * radius, depth + 1.0)
    return dome - dimple


def _top_neck(feeder: FeederPlan, target: Target) -> Body:
    """Return the necked-down foot of a top feeder; it may stand off the feeder's middle."""
    foot, at = feeder.at_mm[2], np.asarray(feeder.neck_to_mm)
    off = float(np.linalg.norm(at[:2] - feeder.at_mm[:2]))
    most = max(feeder.diameter_mm - 2.0 * off, feeder.neck_width_mm)
    wide = min(most, feeder.neck_width_mm + 2.0 * max(0.0, foot - at[2]))
    radii = [0.5 * feeder.neck_width_mm, 0.5 * wide, 0.5 * wide]
    solid = revolved(radii, [float(at[2]), foot, foot + OVERLAP_MM], (at[0], at[1], 0.0))
    name = f"neck-{feeder.name}"
    solid = target.set_down(solid, at, feeder.neck_width_mm, what=name)
    return Body(name=name, role=Role.NECK, solid=solid)


def _side_neck(feeder: FeederPlan, target: Target) -> Body:
    """Return the neck from a side feeder to the casting."""
    center, to = np.asarray(feeder.at_mm), np.asarray(feeder.neck_to_mm)
    along = (to - center) * (1.0, 1.0, 0.0)
    along = along / np.linalg.norm(along)
    radius, half = 0.5 * feeder.diameter_mm, 0.5 * feeder.neck_width_mm
    inside = math.sqrt(max(radius**2 - half**2, 0.0)) - OVERLAP_MM
    floor = to[2] - 0.5 * feeder.neck_height_mm
    start = np.array([*(center + along * inside)[:2], floor])
    end = np.array([to[0], to[1], floor])
    section = (feeder.neck_width_mm, feeder.neck_height_mm, 0.0)
    name = f"neck-{feeder.name}"
    path, _ = target.brought_into(np.stack([start, end]), *section, what=name)
    middle = raised(path, 0.5 * feeder.neck_height_mm)
    solid = _not_through(swept_channel(path, *section), target, middle[0])
    return Body(name=name, role=Role.NECK, solid=solid, path_mm=middle)


def _not_through(channel: Solid, target: Target, start: Floats) -> Solid:
    """Return a channel without what comes out again behind the wall it meets.

    A wide one on a round wall goes deeper in its middle than at its sides.
    """
    outside = (channel - target.solid).parts()
    if len(outside) < 2:
        return channel
    low, high = start - NEAR_START_MM, start + NEAR_START_MM
    at_start = Solid.box(tuple(low), tuple(high))
    behind = [part for part in outside if (part & at_start).is_empty]
    return channel - Solid.union(behind)


def sleeve_insert(feeder: FeederPlan, metal: Solid, top_mm: float) -> Insert:
    """Return the sleeve round a feeder: a lined tube, closed over a blind one."""
    wide = feeder.diameter_mm + 2.0 * feeder.sleeve_mm
    height = (
        max(top_mm - feeder.at_mm[2], feeder.height_mm)
        if feeder.is_open
        else feeder.height_mm + feeder.sleeve_mm
    )
    solid = column(feeder.at_mm, wide, wide, height) - metal
    return Insert(name=f"sleeve-{feeder.name}", material=feeder.sleeve, solid=solid)


def chill_insert(chill: ChillPlan, metal: Solid, others: Sequence[Solid]) -> Insert:
    """Return a chill: its block, shaped by the metal and by the inserts set before it.

    On a face that slopes it is led on to the metal, so that no wedge of sand keeps them apart.
    """
    block = turned_box(chill.at_mm, chill.size_mm, chill.turn_deg)
    shaped = _led_on(chill, block, metal) - metal
    for other in others:
        if shaped.may_touch(other):
            shaped = shaped - other
    parts = shaped.parts()  # behind a thin wall there may be more of it
    solid = max(parts, key=lambda part: (part & block).volume_mm3) if parts else shaped
    return Insert(name=chill.name, material=chill.material, solid=solid)


def _led_on(chill: ChillPlan, block: Solid, metal: Solid) -> Solid:
    """Return a chill's block, longer on the side where metal lies over or under much of it.

    What stands out beyond the metal by a strip would be barred by sand: it is ground off.
    """
    x, y, thick = chill.size_mm
    reach = 0.5 * thick + LED_ON * min(x, y)  # from the middle: two boxes that kiss are not one
    for way in (1.0, -1.0):
        at_x, at_y, at_z = chill.at_mm
        middle = (at_x, at_y, at_z + 0.5 * way * reach)
        beyond = turned_box(middle, (x, y, reach), chill.turn_deg)
        under = (beyond & metal).shadow()
        if under.area > UNDER_METAL * x * y:
            low, high = beyond.bounds[:, 2] + np.array([-thick, thick])
            below = Solid.extrude(under, low, high)
            is_edge = block.shadow().difference(under.buffer(STANDS_OUT_MM)).is_empty
            return (block + beyond) & below if is_edge else block + (beyond & below)
    return block


def vent_body(vent: VentPlan, target: Target, top_mm: float) -> Body:
    """Return a vent from a high point to the top of the cope."""
    x, y, z = vent.at_mm
    radius = 0.5 * vent.diameter_mm
    shaft = revolved([radius, radius], [z, top_mm], (x, y, 0.0))
    at = np.array([x, y, z])
    solid = target.set_down(shaft, at, vent.diameter_mm, what=vent.name)
    path = np.array([(x, y, z), (x, y, top_mm)])
    return Body(name=vent.name, role=Role.VENT, solid=solid, path_mm=path)
