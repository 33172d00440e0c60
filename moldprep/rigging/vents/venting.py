"""Venting: where the pattern traps air while it fills, and the vents that let it out."""

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from shapely import affinity, contains, distance
from shapely import points as as_points
from shapely.geometry import Point as Spot
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

from moldprep.geometry.lattice import Lattice
from moldprep.geometry.occupancy import shares_of
from moldprep.geometry.rays import Rays
from moldprep.geometry.solid import Floats, Solid
from moldprep.records import (
    Alloy,
    CoreVentPlan,
    FeederPlan,
    Parting,
    Pattern,
    Placement,
    Reason,
    VentPlan,
)
from moldprep.rigging.stream.flood import amid, escape, peaks
from moldprep.rigging.vents.vent_places import vent_places

CELLS: Final = 250_000
"""Cells of the grid on which high points are looked for."""

SMALLEST_MM: Final = 5.0
LARGEST_MM: Final = 15.0
"""Single vent 5 to 8 mm on small castings, 8 to 15 on large (common practice, no source)."""

SMALL_MM: Final = 8.0
LARGE_CASTING_MM: Final = 300.0
"""Longest side from which a casting counts as large here (common practice, no source)."""

BETWEEN_MM: Final = 6.0
"""Sand between two vents, at least (common practice, no source). [mm]"""

RESERVE: Final = 1.03
"""Vents over the choke: bodies of many sides are a little smaller than round ones. [-]"""

LEAST_AIR_MM3: Final = 200.0
"""Less air than this goes out through the sand."""

UNDER_TOP_MM: Final = 2.0
"""How far under a top its width is measured. [mm]"""

N_TURNS: Final = 12
"""Directions in which the width under a top is measured."""

NARROWEST_MM: Final = 3.0
"""Vent on a ridge that is no wider (smallest hole in sand, common practice, no source). [mm]"""

LITTLE_AIR_MM3: Final = 500.0
"""Air that sand lets out of a cavity without a vent, as `fill/no-trapped-air` has it (common
practice, no source). [mm³]"""

Feet = tuple[tuple[float, float, float, float], ...]

SOURCE: Final = "vent on each high spot, in total the choke: common practice, no source"


@dataclass(frozen=True, eq=False)
class HighPoint:
    """A high point of the pattern that no feeder stands on; the pattern's own frame.

    at_mm    : a place on its top, on the surface, in the middle of what is level
    air_mm3  : air it would catch
    wall_mm  : metal straight below
    wide_mm  : metal from side to side just under the top, at its narrowest
    is_clear : whether the way straight up is sand all along
    spots_mm : (n, 3) other places on that top with sand all the way up, amid cells
    """

    at_mm: tuple[float, float, float]
    air_mm3: float
    wall_mm: float
    wide_mm: float
    is_clear: bool
    spots_mm: Floats


def plan_vents(
    pattern: Pattern,
    parting: Parting,
    feeders: tuple[FeederPlan, ...],
    placements: tuple[Placement, ...],
    top_mm: float,
    alloy: Alloy,
    choke_mm2: float = 0.0,
    keep_out: tuple[BaseGeometry, ...] = (),
) -> tuple[tuple[VentPlan, ...], tuple[CoreVentPlan, ...], tuple[Reason, ...]]:
    """Return a vent for every high point of every casting that no top feeder serves.

    Where the casting itself lies over a high point, the sand between is a core: it gets a bore.

    Parameters
    ----------
    pattern
        What is cast.
    parting
        Where the mold opens.
    feeders
        Those planned so far, part frame.
    placements
        Where each casting sits.
    top_mm
        Top of the cope; a high point must lie under it. [mm]
    alloy
        For the thinnest usual wall.
    choke_mm2
        Choke the vents and open feeders together should match; 0 leaves that out. [mm²]
    keep_out
        Outlines from above, part frame, where vents come up only if a high point has no other
        place.

    Notes
    -----
    A vent is no thicker than half the metal under it, so that it freezes first, and no thinner
    than sand can be cleaned out of. Where the way up is blocked by the casting itself, the air
    leaves through the core's sand into a bore that leads out by its print.

    References
    ----------
    Common practice, no source (vents at every high point, in total as large as the choke).
    """
    if pattern.solid.volume_mm3 <= LITTLE_AIR_MM3:
        none = f"none: the sand lets out the {pattern.solid.volume_mm3 / 1000.0:.1f} cm³ of air"
        return (), (), (Reason(item="vent-1", why=none, source=SOURCE),)
    vents: list[VentPlan] = []
    bores: list[CoreVentPlan] = []
    reasons: list[Reason] = []
    thickest: list[float] = []
    known: dict[Feet, list[HighPoint]] = {}
    for place in placements:
        mine = [f for f in feeders if f.into in (place.name, "casting") and f.kind == "top"]
        feet = tuple(sorted(foot_unplaced(f, place) for f in mine))
        if feet not in known:
            known[feet] = high_points(pattern.solid, feet)
        kept = unary_union([_outline_unplaced(outline, place) for outline in keep_out])
        for point in (_beside(one, kept, pattern.solid) for one in known[feet]):
            at = _placed(point.at_mm, place)
            if at[2] >= top_mm:
                continue  # no metal rises to it: a check tells
            if not point.is_clear:
                bores.append(
                    CoreVentPlan(name=f"core-vent-{len(bores) + 1}", at_mm=at, into=place.name)
                )
                reasons.append(_blocked(bores[-1], point))
                continue
            if _room_mm(at, vents) < NARROWEST_MM:
                continue  # the vent beside it takes this air as well
            name = f"vent-{len(vents) + 1}"
            diameter = _diameter_mm(point, pattern, alloy)
            thickest.append(max(0.5 * min(point.wall_mm, point.wide_mm), diameter))
            vents.append(VentPlan(name=name, at_mm=at, diameter_mm=diameter, into=place.name))
            where = "above" if at[2] > parting.z_mm else "below"
            reasons.append(
                Reason(
                    item=name,
                    why=f"high point {where} the parting would catch "
                    f"{point.air_mm3 / 1000.0:.1f} cm³ of air",
                    source=SOURCE,
                )
            )
    rooms = [_room_mm(v.at_mm, [w for w in vents if w is not v]) for v in vents]
    vents = [
        replace(vent, diameter_mm=min(vent.diameter_mm, round(room, 1)))
        for vent, room in zip(vents, rooms, strict=True)
    ]
    most_mm = [min(limits) for limits in zip(thickest, rooms, strict=True)]
    open_mm2 = sum(0.25 * math.pi * f.diameter_mm**2 for f in feeders if f.is_open)
    wanted_mm2 = RESERVE * choke_mm2 - open_mm2
    vents, why = _widened(vents, most_mm, wanted_mm2)
    lack_mm2 = wanted_mm2 - sum(0.25 * math.pi * v.diameter_mm**2 for v in vents)
    more = _more(pattern, placements, top_mm, vents, lack_mm2, keep_out)
    if more:
        reason = f"besides the high points, so that vents match the choke of {choke_mm2:.0f} mm²"
        why.append(Reason(item=more[0].name, why=reason, source=SOURCE))
    return (*vents, *more), tuple(bores), (*reasons, *why)


def _room_mm(at: tuple[float, float, float], vents: list[VentPlan]) -> float:
    """Return how wide a vent may be that its neighbor, as wide, stands its sand apart. [mm]"""
    away = [math.dist(at[:2], vent.at_mm[:2]) - BETWEEN_MM for vent in vents]
    return min([*away, LARGEST_MM])


def _beside(point: HighPoint, kept: BaseGeometry, solid: Solid) -> HighPoint:
    """Return a high point with its vent moved along its top, out of what stands there.

    Where all of the top lies in the way, the vent stands as far off as it goes.
    """
    if not point.is_clear or not kept.contains(Spot(point.at_mm)) or not len(point.spots_mm):
        return point
    spots = as_points(point.spots_mm[:, :2])
    inside = np.where(contains(kept, spots), distance(kept.boundary, spots), 0.0)
    off = np.hypot(*(point.spots_mm[:, :2] - np.array(point.at_mm[:2])).T)
    best = np.lexsort((off, inside))[0]
    rays = Rays.of(solid)
    at, wall = _surface_at(solid, rays, point.spots_mm[best], point.wall_mm)
    _, wide = _amid_width(rays, at, wall)
    return replace(
        point, at_mm=(float(at[0]), float(at[1]), float(at[2])), wall_mm=wall, wide_mm=wide
    )


def _more(
    pattern: Pattern, placements: tuple[Placement, ...], top_mm: float, vents: list[VentPlan],
    lack_mm2: float, keep_out: tuple[BaseGeometry, ...],
) -> list[VentPlan]:  # fmt: skip
    """Return vents that add what the others lack of the choke, as far as there is room."""
    if lack_mm2 <= 0.0:
        return []
    is_large = float(pattern.solid.size_mm.max()) > LARGE_CASTING_MM
    more: list[VentPlan] = []
    for place in placements:
        there = [_unturned(np.array(v.at_mm), place)[:2] for v in vents if v.into == place.name]
        outlines = tuple(_outline_unplaced(outline, place) for outline in keep_out)
        found = vent_places(
            pattern, np.array(there), outlines, lack_mm2 / len(placements), SMALLEST_MM,
            LARGEST_MM if is_large else SMALL_MM,
        )  # fmt: skip
        for local, diameter in found:
            at = _placed(local, place)
            if at[2] < top_mm:
                name = f"vent-{len(vents) + len(more) + 1}"
                more.append(VentPlan(name=name, at_mm=at, diameter_mm=diameter, into=place.name))
    return more


def _outline_unplaced(outline: BaseGeometry, place: Placement) -> BaseGeometry:
    """Return an outline as seen from the pattern's own frame."""
    x, y, _ = place.move_mm
    return affinity.rotate(affinity.translate(outline, -x, -y), -place.turn_deg, origin=(0, 0))


def high_points(solid: Solid, feet: Feet) -> list[HighPoint]:
    """Return the high points that air cannot leave by way of a feeder's foot.

    Parameters
    ----------
    solid
        The pattern.
    feet
        (x, y, z, diameter) of the top feeders that stand on it; one whose foot lies just beside
        the pattern lets nothing out. [mm]
    """
    pitch = float((np.prod(solid.size_mm) / CELLS) ** (1.0 / 3.0))
    lattice = Lattice.around(solid.bounds, pitch, belt=1)
    share = np.pad(shares_of(solid, lattice), 1)
    inside = share >= 0.5
    shape = (inside.shape[0], inside.shape[1], inside.shape[2])
    origin = lattice.origin_mm - pitch
    seeds = _under_feet(inside, feet, origin, pitch)
    names = np.zeros(len(seeds), np.int64)
    out, _ = escape(inside.ravel(), seeds, names, shape)
    layer = np.arange(inside.size) % shape[2]
    found = peaks(inside.ravel(), share.ravel(), shape)
    rays = Rays.of(solid)
    points = []
    for cell, saddle, volume in zip(found.cell, found.saddle, found.volume, strict=True):
        air = float(volume) * pitch**3
        is_served = out[cell] >= layer[cell] - 1
        is_small = air < LEAST_AIR_MM3 or (saddle >= 0 and layer[cell] - saddle < 2)
        if is_served or is_small:
            continue
        points.append(_high_point(solid, rays, inside, int(cell), air, origin, pitch))
    return points


def _high_point(
    solid: Solid,
    rays: Rays,
    inside: NDArray[np.bool_],
    cell: int,
    air_mm3: float,
    origin: Floats,
    pitch: float,
) -> HighPoint:
    """Return the place for a vent on one peak: amid its level top, with a free way up if any."""
    x, y, z = np.unravel_index(cell, inside.shape)
    level = inside[:, :, z] & ~inside[:, :, z + 1]
    flat, _ = ndimage.label(level)
    top = flat == flat[x, y]
    blocked = inside[:, :, z + 1 :].any(axis=2)
    free = top & ~blocked
    cell_at = origin + (np.array([*amid(free if free.any() else top), z]) + 0.5) * pitch
    at, wall = _surface_at(solid, rays, cell_at, pitch)
    middle, wide = _amid_width(rays, at, wall)
    if free.any():
        at, wall = _surface_at(solid, rays, middle, pitch)
    columns = np.argwhere(free)
    levels = np.full(len(columns), z)
    return HighPoint(
        at_mm=(float(at[0]), float(at[1]), float(at[2])),
        air_mm3=air_mm3,
        wall_mm=wall,
        wide_mm=wide,
        is_clear=bool(free.any()),
        spots_mm=origin + (np.column_stack([columns, levels]) + 0.5) * pitch,
    )


def _surface_at(solid: Solid, rays: Rays, at: Floats, pitch: float) -> tuple[Floats, float]:
    """Return (place on the surface nearest above or below, metal straight below it [mm])."""
    up = np.array([[at[0], at[1], float(solid.bounds[1, 2]) + 1.0]])
    hits = rays.crossings(up, np.array([0.0, 0.0, -1.0])).distance
    heights = up[0, 2] - hits
    if not len(heights):
        return at, pitch
    surface = float(heights[int(np.argmin(np.abs(heights - at[2])))])
    below = heights[heights < surface - 1e-3]
    wall = surface - float(below.max()) if len(below) else pitch
    return np.array([at[0], at[1], surface]), wall


def _amid_width(rays: Rays, at: Floats, wall_mm: float) -> tuple[Floats, float]:
    """Return (the place moved amid the metal's sides, where it is narrowest; that width [mm])."""
    start = at - (0.0, 0.0, min(UNDER_TOP_MM, 0.4 * wall_mm))
    turns = np.pi * np.arange(N_TURNS) / N_TURNS
    ahead = np.stack([np.cos(turns), np.sin(turns), 0.0 * turns], axis=1)
    one, _ = rays.first(np.tile(start, (N_TURNS, 1)), ahead)
    other, _ = rays.first(np.tile(start, (N_TURNS, 1)), -ahead)
    k = int(np.argmin(one + other))
    if not np.isfinite(one[k] + other[k]):
        return at, LARGEST_MM
    return at + 0.5 * (one[k] - other[k]) * ahead[k], float(one[k] + other[k])


def _under_feet(
    inside: NDArray[np.bool_], feet: Feet, origin: Floats, pitch: float
) -> NDArray[np.int64]:
    """Return the top cells of the pattern under each feeder's foot."""
    cells: list[NDArray[np.int64]] = []
    n_x, n_y, n_z = inside.shape
    x, y = (origin[k] + (np.arange(n) + 0.5) * pitch for k, n in ((0, n_x), (1, n_y)))
    for at_x, at_y, at_z, diameter in feet:
        under = np.hypot(x[:, None] - at_x, y[None, :] - at_y) <= 0.5 * diameter
        top = n_z - 1 - np.argmax(inside[:, :, ::-1], axis=2)
        z_foot = (at_z - origin[2]) / pitch
        good = under & inside.any(axis=2) & (np.abs(top + 0.5 - z_foot) * pitch < diameter)
        i, j = np.nonzero(good)
        cells.append((i * n_y + j) * n_z + top[good])
    return np.concatenate(cells) if cells else np.empty(0, np.int64)


def foot_unplaced(feeder: FeederPlan, place: Placement) -> tuple[float, float, float, float]:
    """Return a feeder's foot in the pattern's own frame, and its width."""
    x, y, z = (round(float(v), 3) for v in _unturned(np.array(feeder.at_mm), place))
    return x, y, z, feeder.neck_width_mm or feeder.diameter_mm


def _unturned(at: Floats, place: Placement) -> Floats:
    """Return a place of the mold in the pattern's own frame."""
    return _turn(at - place.move_mm, -place.turn_deg)


def _placed(at_mm: tuple[float, float, float], place: Placement) -> tuple[float, float, float]:
    x, y, z = _turn(np.array(at_mm), place.turn_deg) + np.array(place.move_mm)
    return float(x), float(y), float(z)


def _turn(at: Floats, degrees: float) -> Floats:
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    return np.array([c * at[0] - s * at[1], s * at[0] + c * at[1], at[2]])


def _diameter_mm(point: HighPoint, pattern: Pattern, alloy: Alloy) -> float:
    """Return the diameter: by size of the casting, at most half the wall below."""
    is_large = float(pattern.solid.size_mm.max()) > LARGE_CASTING_MM
    usual = 10.0 if is_large else SMALL_MM
    most = max(0.5 * point.wall_mm, SMALLEST_MM, alloy.smallest_wall_mm)
    return round(min(usual, most, max(point.wide_mm, NARROWEST_MM)), 1)


def _widened(
    vents: list[VentPlan], most_mm: list[float], wanted_mm2: float
) -> tuple[list[VentPlan], list[Reason]]:
    """Return the vents, wider where together they are smaller than the choke; and why."""
    have = sum(0.25 * math.pi * vent.diameter_mm**2 for vent in vents)
    if not vents or have >= wanted_mm2:
        return vents, []
    factor = math.sqrt(wanted_mm2 / have)
    wider = [
        VentPlan(
            name=vent.name,
            at_mm=vent.at_mm,
            diameter_mm=max(vent.diameter_mm, round(min(vent.diameter_mm * factor, most), 1)),
            into=vent.into,
        )
        for vent, most in zip(vents, most_mm, strict=True)
    ]
    reason = Reason(
        item=", ".join(vent.name for vent in vents),
        why=f"widened toward the choke of {wanted_mm2:.0f} mm², at most to half the wall below",
        source=SOURCE,
    )
    return wider, [reason]


def _blocked(bore: CoreVentPlan, point: HighPoint) -> Reason:
    x, y, z = bore.at_mm
    return Reason(
        item=bore.name,
        why=f"the high point at ({x:.0f}, {y:.0f}, {z:.0f}) lies under the casting itself and "
        f"would catch {point.air_mm3 / 1000.0:.1f} cm³ of air: it leaves through the sand of the"
        " core over it, by a bore that leads out through a print",
        source=SOURCE,
    )
