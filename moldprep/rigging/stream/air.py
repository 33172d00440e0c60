"""Air: every high point of a cavity, what it would catch, and what lets it out."""

from typing import Final

import cc3d
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from moldprep.arrays import Ints
from moldprep.records import AirPocket, FlowGraph, Metal, Rigging, Role
from moldprep.rigging.stream.flood import Peaks, amid, escape, peaks
from moldprep.rigging.stream.space import Space

LEAST_CELLS: Final = 8.0
"""A high point that holds fewer cells of air is the grain of the grid."""

FOOT_CELLS: Final = 2
"""How far from a vent's opening the grid's next cell of metal may lie."""

LEAST_LAYERS: Final = 2
"""So is one that stands up by less than this many layers."""


def find_pockets(space: Space, flow: FlowGraph, rigging: Rigging, metal: Metal) -> list[AirPocket]:
    """Return every high point of a cavity, with what lets its air out, or nothing.

    Air leaves upward only: by vents and feeders that break out of the cope's top, or up a sprue
    that stands on the casting. A closed feeder is an outlet only where a vent stands on it: the
    sand core in its top lets air in while it feeds, not a cavity's air out while it fills. Air
    does not leave through ingates.

    Parameters
    ----------
    space
        The cavity on the padded grid.
    flow
        Contacts, and which bodies are open at the top.
    rigging
        Roles of the bodies.
    metal
        Names of the labels.
    """
    shut = [part for part in space.course.parts if flow.graph.nodes[part]["role"] == "vent"]
    body = space.inside & ~space.labeled(shut, metal)
    found = peaks(body.ravel(), space.share.ravel(), space.shape)
    seeds, names, outlets = _outlets(space, flow, rigging, metal)
    out, _ = escape(space.inside.ravel(), seeds, names, space.shape)
    thin, by = escape(space.airy.ravel(), seeds, names, space.shape)
    layer = np.arange(space.inside.size) % space.shape[2]
    caught = (body.ravel() & (out < layer)).reshape(space.shape)
    pools = cc3d.connected_components(caught, connectivity=6)
    held = ndimage.sum_labels(space.share, pools, np.arange(int(pools.max()) + 1))
    cell_mm3 = space.grid.pitch_mm**3
    areas = {name: _outlet_area(name, space, flow) for name in outlets}
    pockets = []
    for row in _worth_a_vent(found, layer):
        cell, pool = int(found.cell[row]), int(pools.ravel()[found.cell[row]])
        served = pool == 0 or thin[cell] >= layer[cell] - 1
        name = outlets[int(by[cell])] if served and by[cell] >= 0 else ""
        volume = float(found.volume[row])
        if not served:  # the highest point of a pool holds what its lower ones do not
            volume = min(volume, float(held[pool]))
            held[pool] -= volume
        pockets.append(
            AirPocket(
                at_mm=space.place(_middle_of_top(body, cell)),
                volume_mm3=volume * cell_mm3,
                vent=name,
                vent_area_mm2=areas.get(name, 0.0),
                part=space.part(cell, metal),
            )
        )
    return pockets


def _worth_a_vent(found: Peaks, layer: Ints) -> list[int]:
    """Return the rows of high points that are no grain of the grid, lowest first."""
    stands = layer[found.cell] - found.saddle
    is_real = (found.volume >= LEAST_CELLS) & ((found.saddle < 0) | (stands >= LEAST_LAYERS))
    rows = np.flatnonzero(is_real)
    return [int(row) for row in rows[np.argsort(layer[found.cell[rows]], kind="stable")]]


def _middle_of_top(body: NDArray[np.bool_], cell: int) -> int:
    """Return the cell amid the level top a high point belongs to."""
    x, y, z = np.unravel_index(cell, body.shape)
    flat, _ = ndimage.label(body[:, :, z])
    return int(np.ravel_multi_index((*amid(flat == flat[x, y]), z), body.shape))


def _outlets(
    space: Space, flow: FlowGraph, rigging: Rigging, metal: Metal
) -> tuple[Ints, Ints, list[str]]:
    """Return (cells air can leave from, outlet of each, names of the outlets)."""
    cells: list[Ints] = []
    names: list[Ints] = []
    outlets: list[str] = []
    for name in sorted({*space.course.parts, *space.course.inlets}):
        node = flow.graph.nodes[name]
        role = Role(node["role"])
        if role in (Role.VENT, Role.FEEDER) and node["is_open"]:
            mine = space.inside & space.labeled([name], metal)
        elif role in (Role.SPRUE, Role.BASIN) and name in space.course.inlets:
            spots = space.inlets[space.course.inlets.index(name)]
            mine = np.zeros(space.shape, bool)
            mine.ravel()[spots] = True
        else:
            continue
        found = np.flatnonzero(mine)
        top = found[found % space.shape[2] >= (found % space.shape[2]).max(initial=0) - 1]
        if role is Role.VENT:
            top = np.union1d(top, _feet(name, space, flow))
        cells.append(top)
        names.append(np.full(len(top), len(outlets)))
        outlets.append(name)
    if not cells:
        return np.empty(0, np.int64), np.empty(0, np.int64), outlets
    return np.concatenate(cells), np.concatenate(names), outlets


def _feet(name: str, space: Space, flow: FlowGraph) -> Ints:
    """Return the cells under a vent's foot: a vent may be thinner than the grid can show."""
    cells: list[int] = []
    for _, other, data in flow.graph.edges(name, data=True):
        if other in space.course.parts:
            index = np.floor((data["at_mm"] - space.grid.origin_mm) / space.grid.pitch_mm) + 1
            low = np.maximum(index.astype(np.int64) - FOOT_CELLS, 0)
            window = tuple(slice(a, a + 2 * FOOT_CELLS + 1) for a in low)
            near = np.argwhere(space.inside[window])
            if len(near):
                off = np.linalg.norm(near + low - index, axis=1)
                spot = near[int(np.argmin(off))] + low
                cells.append(int(np.ravel_multi_index(tuple(spot), space.shape)))
    return np.array(cells, np.int64)


def _outlet_area(name: str, space: Space, flow: FlowGraph) -> float:
    """Return the tightest place of an outlet: its own sections, and where it joins. [mm²]"""
    sections = [station.area_mm2 for station in flow.stations if station.body == name]
    joins = [
        data["area_mm2"]
        for _, other, data in flow.graph.edges(name, data=True)
        if other in space.course.parts
    ]
    return float(min([*sections, *joins], default=0.0))
