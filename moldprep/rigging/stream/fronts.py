"""Fronts: where streams of metal meet, how cold they are, and thin walls they run through."""

from collections import deque
from typing import Final

import cc3d
import edt
import networkx as nx
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from moldprep.records import Alloy, FlowGraph, Meeting, Metal, Role, ThinRun
from moldprep.rigging.stream.cooling import cooling_k
from moldprep.rigging.stream.flood import Rise, lowest_layer
from moldprep.rigging.stream.space import Space

BAND: Final = 2
"""Steps of a front that are looked at together."""

LONG_RUN: Final = 4.0
"""Way through a thin wall over its thickness from which on metal has to run it (common practice,
no source). [-]"""

LONG_WAY: Final = 8
"""Fronts that were apart for fewer steps than this did not part at all."""


def temperature_c(cooled_k: float, alloy: Alloy) -> float:
    """Return the temperature of metal poured amid its window that has lost this much heat. [°C]

    The loss is given as if there were no latent heat; below the liquidus it goes slower.

    Examples
    --------
    >>> from moldprep.catalog import find
    >>> alloy = find(Alloy, "al-si7mg")
    >>> temperature_c(50.0, alloy), round(temperature_c(107.0 + 35.36, alloy))
    (670.0, 608)
    """
    pour_c = alloy.pour_c
    if pour_c - cooled_k >= alloy.liquidus_c:
        return pour_c - cooled_k
    heat = float(np.interp(alloy.liquidus_c, *np.array(alloy.heat_j_kgk).T))
    more = cooled_k - (pour_c - alloy.liquidus_c)
    width = max(alloy.liquidus_c - alloy.solidus_c, 1.0)
    return alloy.liquidus_c - more * width / (width + alloy.latent_j_kg / heat)


def find_meetings(
    space: Space,
    spread: Rise,
    time: NDArray[np.float32],
    front: int,
    flow: FlowGraph,
    alloy: Alloy,
) -> list[Meeting]:
    """Return where fronts that parted, or came from two inlets, meet.

    The front is cut into bands of a few steps; a connected piece of a band that touches two
    pieces of the band before it is where two fronts meet.
    """
    reached = spread.order.reshape(space.shape) >= 0
    base = lowest_layer(space.inside.ravel(), space.shape)
    layer = np.maximum(np.arange(space.shape[2]) - base, 0) // front
    hop = spread.hop.reshape(space.shape) // BAND
    n_bands = int(hop.max()) + 1
    band = np.where(reached, layer[None, None, :] * n_bands + hop + 1, 0)
    pieces = cc3d.connected_components(band.astype(np.uint32), connectivity=6)
    pairs = _touching(pieces)
    if not len(pairs):
        return []
    some = np.zeros(int(pieces.max()) + 1, np.int64)
    some[pieces.ravel()] = band.ravel()
    ahead: nx.DiGraph[int] = nx.DiGraph()
    ahead.add_edges_from(
        (int(a), int(b)) if some[a] < some[b] else (int(b), int(a))
        for a, b in pairs
        if abs(some[a] - some[b]) == 1 and (some[a] - 1) // n_bands == (some[b] - 1) // n_bands
    )
    spots = [node for node in sorted(ahead) if ahead.in_degree(node) > 1]
    graph = nx.compose(ahead, _risen_from(pieces, reached, layer)) if spots else ahead
    spots = [node for node in spots if _was_apart(graph, ahead, node)]
    if not spots:
        return []
    found = _as_meetings(space, spots, pieces, time, flow, alloy)
    return _apart(found, 3.0 * front * space.grid.pitch_mm)


def _risen_from(
    pieces: NDArray[np.uint32], reached: NDArray[np.bool_], layer: NDArray[np.int64]
) -> "nx.DiGraph[int]":
    """Return edges from the pools that stand full to the fronts that rise out of them.

    Fronts out of one pool are one front, however the grid cuts them up. Pools have numbers
    beyond those of the pieces.
    """
    graph: nx.DiGraph[int] = nx.DiGraph()
    next_number = int(pieces.max()) + 1
    for k in range(1, int(layer.max()) + 1):
        first = int(np.argmax(layer == k))
        pools = cc3d.connected_components(reached[:, :, :first], connectivity=6)
        rises = (pools[:, :, -1] > 0) & (pieces[:, :, first] > 0)
        pairs = np.stack([pools[:, :, -1][rises], pieces[:, :, first][rises]], axis=1)
        for pool, piece in np.unique(pairs.astype(np.int64), axis=0):
            graph.add_edge(next_number + int(pool), int(piece))
        next_number += int(pools.max()) + 1
    return graph


def _apart(meetings: list[Meeting], reach_mm: float) -> list[Meeting]:
    """Return one meeting of each cluster, the coldest."""
    kept: list[Meeting] = []
    for meeting in sorted(meetings, key=lambda m: (m.temperature_c, m.at_mm)):
        if all(np.linalg.norm(np.subtract(meeting.at_mm, k.at_mm)) > reach_mm for k in kept):
            kept.append(meeting)
    return kept


def _touching(pieces: NDArray[np.uint32]) -> NDArray[np.int64]:
    found = []
    for axis in range(3):
        a = np.take(pieces, range(pieces.shape[axis] - 1), axis)
        b = np.take(pieces, range(1, pieces.shape[axis]), axis)
        differ = (a != b) & (a > 0) & (b > 0)
        pair = np.sort(np.stack([a[differ], b[differ]], axis=1).astype(np.int64), axis=1)
        found.append(np.unique(pair, axis=0))
    return np.unique(np.concatenate(found), axis=0)


def _was_apart(graph: "nx.DiGraph[int]", ahead: "nx.DiGraph[int]", node: int) -> bool:
    """Return whether two of the fronts that meet here have no common piece a short way back."""
    seen: list[set[int]] = []
    for start in sorted(ahead.predecessors(node)):
        back, queue = {start}, deque([(start, 1)])
        while queue:
            piece, steps = queue.popleft()
            if steps * BAND < LONG_WAY:
                for before in graph.predecessors(piece):
                    if before not in back:
                        back.add(before)
                        queue.append((before, steps + 1))
        seen.append(back)
    return any(not (a & b) for k, a in enumerate(seen) for b in seen[k + 1 :])


def _as_meetings(
    space: Space,
    spots: list[int],
    pieces: NDArray[np.uint32],
    time: NDArray[np.float32],
    flow: FlowGraph,
    alloy: Alloy,
) -> list[Meeting]:
    boxes = ndimage.find_objects(pieces.astype(np.int32))
    cooled = {channel.body: channel.cooled_k for channel in flow.channels}
    at_gate = max((cooled.get(name, 0.0) for name in space.course.inlets), default=0.0)
    meetings = []
    for spot in spots:
        box = boxes[spot - 1]
        mine = pieces[box] == spot
        index = np.argwhere(mine) + [axis.start for axis in box]
        middle = index[np.argmin(np.linalg.norm(index - index.mean(axis=0), axis=1))]
        late = float(np.nanmax(time[box][mine]))
        depth_mm = float(space.depth[box][mine].max()) * space.grid.pitch_mm
        stay = np.array([max(late - flow.prime_s, 0.0)])
        lost = at_gate + float(cooling_k(stay, np.array([depth_mm]), alloy)[0])
        meetings.append(
            Meeting(
                at_mm=space.place(int(np.ravel_multi_index(tuple(middle), space.shape))),
                time_s=late,
                temperature_c=temperature_c(lost, alloy),
            )
        )
    return meetings


def find_thin_runs(
    space: Space, spread: Rise, time: NDArray[np.float32], metal: Metal, alloy: Alloy
) -> list[ThinRun]:
    """Return the thin walls of a cavity: what an opening by a ball takes away.

    Vents are left out: one that freezes has done its work.
    """
    vents = [part for part, role in zip(metal.parts, metal.roles, strict=True)
             if role is Role.VENT]  # fmt: skip
    inside = space.inside & ~space.labeled(vents, metal)
    pitch = space.grid.pitch_mm
    radius = 0.5 * max(3.0 * pitch, 2.0 * alloy.smallest_wall_mm) / pitch
    core = space.depth > radius
    to_core = edt.edt(~core) if core.any() else np.full(space.shape, np.inf)
    # a convex corner lies up to sqrt(3) radii off the core without being thin
    thin = inside & (to_core > np.sqrt(3.0) * radius + 1.0)
    walls = cc3d.connected_components(thin, connectivity=6)
    run = spread.run.reshape(space.shape)
    runs = []
    for number, box in enumerate(ndimage.find_objects(walls.astype(np.int32)), start=1):
        mine = walls[box] == number
        moments = time[box][mine]
        if mine.sum() < 27 or np.isnan(moments).all():
            continue
        wall = _wall_cells(space.depth[box][mine], space.share[box][mine]) * pitch
        ways = run[box][mine] * pitch
        if np.ptp(ways) < LONG_RUN * wall or _is_stub(walls, number, box, inside, wall / pitch):
            continue
        index = np.argwhere(mine) + [axis.start for axis in box]
        last = index[int(np.nanargmax(moments))]
        cell = int(np.ravel_multi_index(tuple(last), space.shape))
        runs.append(
            ThinRun(
                part=space.part(cell, metal),
                wall_mm=wall,
                run_mm=float(np.ptp(ways)),
                time_s=float(np.nanmax(moments) - np.nanmin(moments)),
                freeze_s=alloy.constant_s_mm2 * (0.5 * wall) ** 2,
                at_mm=space.place(cell),
            )
        )
    return runs


def _is_stub(
    walls: NDArray[np.uint32], number: int, box: tuple[slice, ...], inside: NDArray[np.bool_],
    wall_cells: float,
) -> bool:  # fmt: skip
    """Return whether no cell of a thin wall lies far from thick metal: teeth, short ribs.

    Metal there is renewed and kept hot from its root, however long the root.
    """
    around = tuple(slice(axis.start - 1, axis.stop + 1) for axis in box)
    thick = inside[around] & (walls[around] == 0)
    if not thick.any():
        return False
    near = ndimage.binary_dilation(
        thick, iterations=max(1, round(LONG_RUN * wall_cells)), mask=inside[around]
    )
    return not bool(((walls[around] == number) & ~near).any())


def _wall_cells(depth: NDArray[np.float32], share: NDArray[np.float32]) -> float:
    """Return the thickness of a wall from the depths and shares of its cells, in cells.

    Across n whole cells the mean depth is n / 4 + 1 / 2 (exact for an even n).
    """
    cells = max(4.0 * float(depth.mean()) - 2.0, 1.0)
    return cells * float(share.mean())
