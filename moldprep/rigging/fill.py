"""Fill: how the metal rises. Order and time of filling, falls, meeting fronts, thin walls, air.

Each cavity (a casting with its feeders) is flooded on the grid from its inlets; volumes become
times through the course of the pour that the flow network gave. What runs ahead of the level is a
front about as high as a sessile drop of the metal, so within that height the metal goes outward
and above it upward.
"""

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from moldprep.arrays import Ints
from moldprep.geometry.solid import Floats
from moldprep.records import (
    Alloy,
    Fall,
    Fill,
    FlowGraph,
    Grid,
    Meeting,
    Metal,
    Rigging,
    Role,
    ThinRun,
)
from moldprep.rigging.gate_limits import critical_fall_mm
from moldprep.rigging.stream.air import find_pockets
from moldprep.rigging.stream.flood import Rise, rise
from moldprep.rigging.stream.fronts import find_meetings, find_thin_runs
from moldprep.rigging.stream.space import Space, lay_out
from moldprep.units import MM_PER_M


def trace_fill(grid: Grid, metal: Metal, flow: FlowGraph, rigging: Rigging, alloy: Alloy) -> Fill:
    """Return how the mold fills, from the first metal in the runners to the last in the cavities.

    Parameters
    ----------
    grid
        The metal in cubes.
    metal
        Names of the labels.
    flow
        Inlets, and the course of the pour through them.
    rigging
        Bodies, for vents and inlets.
    alloy
        Critical fall, cooling, thinnest usual wall.

    Notes
    -----
    Heights and places are good to one cell. The metal is taken to keep together: splashing,
    waves and the momentum of jets are not followed.

    References
    ----------
    R. Barnes, C. Lehman, D. Mulla, Priority-flood, Computers & Geosciences 62 (2014) 117-127
    (flooding from a queue). J. Campbell, Complete Casting Handbook (height of a running front).
    """
    times = np.full(np.add(grid.label.shape, 2), np.nan, np.float32)
    falls: list[Fall] = []
    meetings: list[Meeting] = []
    thin: list[ThinRun] = []
    unfilled = 0.0
    spaces = lay_out(grid, metal, flow)
    drop_mm = critical_fall_mm(alloy.surface_tension_n_m, alloy.density_liquid_kg_m3)
    front = max(1, round(drop_mm / grid.pitch_mm))
    for space in spaces:
        spread = rise(space.inside.ravel(), space.inlets, front, space.shape)
        time = _times(space, spread, flow.prime_s)
        is_empty = np.isnan(time) & space.inside
        is_island = is_empty & (spread.order.reshape(space.shape) < 0) & ~_lost(space, metal, flow)
        time = _with_islands(time, is_island)
        times[space.inside] = time[space.inside]
        unfilled += float(space.share[is_empty & ~is_island].sum()) * grid.pitch_mm**3
        falls += _falls(space, spread, metal, alloy)
        meetings += find_meetings(space, spread, time, front, flow, alloy)
        thin += find_thin_runs(space, spread, time, metal, alloy)
    whole = times[1:-1, 1:-1, 1:-1]
    _fill_channels(whole, grid, metal, flow)
    _fill_skin(whole, grid)
    pockets = [pocket for space in spaces for pocket in find_pockets(space, flow, rigging, metal)]
    return Fill(
        time_s=whole.copy(),
        level=_level(flow),
        falls=tuple(sorted(falls, key=lambda fall: (-fall.height_mm, fall.from_mm))),
        meetings=tuple(sorted(meetings, key=lambda meeting: meeting.temperature_c)),
        pockets=tuple(sorted(pockets, key=lambda pocket: -pocket.volume_mm3)),
        thin_runs=tuple(sorted(thin, key=lambda run: -run.time_s / run.freeze_s)),
        unfilled_mm3=unfilled + _never_reached(grid, metal, flow, rigging),
    )


# ---- times ------------------------------------------------------------------------------


def _times(space: Space, spread: Rise, prime_s: float) -> NDArray[np.float32]:
    """Return when each cell fills: its rank as a volume, and the volume as a time."""
    order = spread.order.reshape(space.shape)
    reached = np.flatnonzero(order.ravel() >= 0)
    ranked = reached[np.argsort(order.ravel()[reached], kind="stable")]
    volume = np.cumsum(space.share.ravel()[ranked], dtype=np.float64)
    course = space.course
    time = np.full(space.inside.size, np.nan, np.float32)
    if len(ranked) and course.volume_mm3[-1] > 0.0:
        if course.is_full:
            volume *= course.volume_mm3[-1] / volume[-1]
        moment = np.interp(volume, course.volume_mm3, course.time_s)
        moment[volume > course.volume_mm3[-1] * (1.0 + 1e-6)] = np.nan
        time[ranked] = prime_s + moment
    return time.reshape(space.shape)


def _lost(space: Space, metal: Metal, flow: FlowGraph) -> NDArray[np.bool_]:
    """Return the cells of bodies of which a piece is cut off from all metal."""
    names = {name for name, _ in flow.lost}
    return space.labeled([part for part in space.course.parts if part in names], metal)


def _with_islands(time: NDArray[np.float32], is_island: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Return the times with those of islands: cells that a wall thinner than the grid joins on.

    The bodies are joined, as their solids show; the metal comes when it comes nearby.
    """
    if not is_island.any() or np.isnan(time).all():
        return time
    near = ndimage.distance_transform_edt(
        np.isnan(time), return_distances=False, return_indices=True
    )
    filled = time.copy()
    filled[is_island] = time[tuple(axis[is_island] for axis in near)]
    return filled


def _fill_channels(times: NDArray[np.float32], grid: Grid, metal: Metal, flow: FlowGraph) -> None:
    """Give the gating its times: in order of the way from the pouring, up to `prime_s`."""
    held = {part for course in flow.cavities for part in course.parts}
    gating = [k + 1 for k, part in enumerate(metal.parts) if part not in held]
    mine = np.isin(grid.label, gating) & np.isnan(times)
    if not mine.any() or not np.isfinite(flow.prime_s):
        return
    sources = [k + 1 for k, role in enumerate(metal.roles) if role is Role.BASIN] or [
        k + 1 for k, role in enumerate(metal.roles) if role is Role.SPRUE
    ]
    seeds = np.pad(mine & np.isin(grid.label, sources), 1)
    inside = np.pad(mine, 1)
    way = _hops(inside, seeds)[1:-1, 1:-1, 1:-1]
    known = mine & (way >= 0)
    if known.any():
        times[known] = flow.prime_s * way[known] / max(int(way[known].max()), 1)


def _hops(inside: NDArray[np.bool_], seeds: NDArray[np.bool_]) -> NDArray[np.int32]:
    """Return steps from the seeds through the inside; -1 where there is no way."""
    nz, ny = inside.shape[2], inside.shape[1]
    steps = np.array([-1, 1, -nz, nz, -ny * nz, ny * nz])
    flat, way = inside.ravel(), np.full(inside.size, -1, np.int32)
    wave = np.flatnonzero(seeds & inside)
    way[wave] = 0
    count = 0
    while len(wave):
        count += 1
        near = np.unique((wave[:, None] + steps).ravel())
        wave = near[flat[near] & (way[near] < 0)]
        way[wave] = count
    return way.reshape(inside.shape)


def _fill_skin(times: NDArray[np.float32], grid: Grid) -> None:
    """Give metal cells without a time that of the nearest with one, a few cells off at most."""
    bare = (grid.label > 0) & np.isnan(times)
    if bare.all() or not bare.any():
        return
    far, near = ndimage.distance_transform_edt(np.isnan(times), return_indices=True)
    close = bare & (far <= 2.0)
    times[close] = times[tuple(axis[close] for axis in near)]


def _never_reached(grid: Grid, metal: Metal, flow: FlowGraph, rigging: Rigging) -> float:
    """Return the volume of castings that no inlet leads to. [mm³]"""
    held = {part for course in flow.cavities for part in course.parts}
    lost = [b.name for b in rigging.castings if b.name not in held]
    mine = np.isin(grid.label, [metal.parts.index(name) + 1 for name in lost])
    return float(grid.fraction[mine].sum()) * grid.pitch_mm**3


def _level(flow: FlowGraph) -> Floats:
    """Return time, highest level and mean gate speed, over all cavities."""
    if not flow.cavities:
        return np.empty((0, 3))
    time = np.unique(np.concatenate([c.time_s for c in flow.cavities]))
    area = {channel.body: channel.smallest_mm2 for channel in flow.channels}
    total = sum(area[name] for course in flow.cavities for name in course.inlets)
    level = np.max([np.interp(time, c.time_s, c.level_mm) for c in flow.cavities], axis=0)
    rate = np.sum(
        [np.interp(time, c.time_s, c.flow_mm3_s, right=0.0) for c in flow.cavities], axis=0
    )
    return np.stack([flow.prime_s + time, level, rate / max(total, 1e-9) / MM_PER_M], axis=1)


# ---- findings -----------------------------------------------------------------------------


def _falls(space: Space, spread: Rise, metal: Metal, alloy: Alloy) -> list[Fall]:
    """Return the drops higher than the metal bears."""
    highest = critical_fall_mm(alloy.surface_tension_n_m, alloy.density_liquid_kg_m3)
    pitch = space.grid.pitch_mm
    falls = []
    for inlet in space.inlets:  # streams out of one inlet are one fall, the highest
        lips = np.isin(spread.falls[:, 0], inlet)
        falls += _highest(spread.falls[lips])
    from_inlet = np.concatenate(space.inlets) if space.inlets else np.empty(0, np.int64)
    falls += list(spread.falls[~np.isin(spread.falls[:, 0], from_inlet)])
    return [
        Fall(
            height_mm=float(lip - land) * pitch,
            from_mm=space.place(int(lip)),
            to_mm=space.place(int(land)),
            part=space.part(int(land), metal),
        )
        for lip, land in falls
        if (lip - land) * pitch > highest
    ]


def _highest(falls: Ints) -> list[Ints]:
    return [falls[int(np.argmax(falls[:, 0] - falls[:, 1]))]] if len(falls) else []
