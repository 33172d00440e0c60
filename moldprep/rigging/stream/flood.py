"""Flood: metal rising and air leaving on a grid of cells. Bucket queues, compiled.

All kernels work on flat cells of an array padded with one cell of sand on every side, so that a
step never leaves it. `z` runs fastest: the cell above is the next one.
"""

from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from moldprep.arrays import Ints
from moldprep.geometry.linked import root_of

Small = NDArray[np.int32]


@dataclass(frozen=True, eq=False)
class Rise:
    """How metal spreads from its inlets, lowest place first.

    order : (n,) int32 rank in which each cell fills, -1 never
    hop   : (n,) int32 steps of the front inside its layer of one front height
    run   : (n,) int32 steps from the inlet
    falls : (k, 2) int64 lip and landing cell of every drop of two cells or more
    """

    order: Small
    hop: Small
    run: Small
    falls: Ints


@dataclass(frozen=True, eq=False)
class Peaks:
    """High points of a body, and the air each would hold if it had no way out.

    cell   : (k,) the highest cell
    saddle : (k,) layer at which it joins a higher peak; -1 for the highest
    volume : (k,) air above that, in cells' shares
    """

    cell: Ints
    saddle: Ints
    volume: NDArray[np.float64]


def rise(
    inside: NDArray[np.bool_], seeds: list[Ints], front_cells: int, shape: tuple[int, int, int]
) -> Rise:
    """Return how metal fills cells from seeds, lowest reachable place first.

    Parameters
    ----------
    inside
        (n,) flat, padded: cells that can fill.
    seeds
        Ints each inlet opens into.
    front_cells
        Height of a running front, in cells: within it the front runs ahead, not up.
    shape
        Of the padded array.

    Notes
    -----
    Fronts are counted in layers of `front_cells` from the lowest cell up. Metal at an inlet or
    over a lip falls straight down until something holds it; then the lowest layer it can reach
    fills outward, then the next. Two pools fill as they can be reached.
    """
    order, hop, run, falls = _rise(
        inside,
        np.concatenate(seeds) if seeds else np.empty(0, np.int64),
        front_cells,
        lowest_layer(inside, shape),
        np.array(shape, np.int64),
    )
    return Rise(order, hop, run, falls)


def amid(flat: NDArray[np.bool_]) -> tuple[int, int]:
    """Return the cell of a level patch that lies amid it: far from its rim, near its middle."""
    room = ndimage.distance_transform_edt(np.pad(flat, 1))[1:-1, 1:-1]
    cells = np.argwhere(flat & (room >= room.max() - 1.0))
    off = np.linalg.norm(cells - cells.mean(axis=0), axis=1)
    x, y = cells[int(np.argmin(off))]
    return int(x), int(y)


def lowest_layer(inside: NDArray[np.bool_], shape: tuple[int, int, int]) -> int:
    """Return the lowest layer that has a cell; 0 where there is none."""
    layers = np.flatnonzero(inside.reshape(shape).any(axis=(0, 1)))
    return int(layers[0]) if len(layers) else 0


def escape(
    inside: NDArray[np.bool_], seeds: Ints, names: Ints, shape: tuple[int, int, int]
) -> tuple[Small, Small]:
    """Return (lowest layer air must pass on its best way out, which outlet) of each cell.

    Air at a cell is caught when that layer lies below the cell. -1 where there is no way out.
    """
    return _escape(inside, seeds, names, np.array(shape, np.int64))  # type: ignore[no-any-return]


def peaks(
    inside: NDArray[np.bool_], share: NDArray[np.float32], shape: tuple[int, int, int]
) -> Peaks:
    """Return every high point with the air above the saddle to a higher one."""
    cells = np.flatnonzero(inside)
    layer = cells % shape[2]
    order = cells[np.argsort(-layer, kind="stable")]
    return Peaks(*_peaks(order, share, np.array(shape, np.int64)))


@numba.njit(cache=True)
def _rise(
    inside: NDArray[np.bool_], seeds: Ints, front: int, base: int, shape: Ints
) -> tuple[Small, Small, Small, Ints]:
    ny, nz = shape[1], shape[2]
    n = len(inside)
    order = np.full(n, -1, np.int32)
    hop = np.zeros(n, np.int32)
    run = np.zeros(n, np.int32)
    queued = np.zeros(n, np.bool_)
    following = np.full(n, -1, np.int64)
    n_buckets = nz // front + 2
    head = np.full(n_buckets, -1, np.int64)
    tail = np.full(n_buckets, -1, np.int64)
    step = np.array([-1, 1, -nz, nz, -ny * nz, ny * nz])
    lips = [np.int64(0)][:0]
    lands = [np.int64(0)][:0]
    rank = 0
    lowest = n_buckets
    # every inlet first sends a stream down to whatever holds it
    streams = [np.int64(0)][:0]
    for cell in seeds:
        if inside[cell] and order[cell] < 0:
            queued[cell] = True
            order[cell] = rank
            rank += 1
            streams.append(cell)
    while True:
        if len(streams) > 0:
            cell = streams.pop()
        else:
            while lowest < n_buckets and head[lowest] < 0:
                lowest += 1
            if lowest >= n_buckets:
                break
            cell = head[lowest]
            head[lowest] = following[cell]
            if head[lowest] < 0:
                tail[lowest] = -1
            order[cell] = rank
            rank += 1
        layer = (cell % nz - base) // front
        below = cell - 1
        if inside[below] and not queued[below]:
            lip = cell
            while inside[below] and not queued[below]:
                queued[below] = True
                order[below] = rank
                rank += 1
                run[below] = run[lip] + (lip - below)
                streams.append(below)
                below -= 1
            if lip - below - 1 >= 2:
                lips.append(lip)
                lands.append(below + 1)
        for k in range(1, 6):
            near = cell + step[k]
            if inside[near] and not queued[near]:
                queued[near] = True
                bucket = (near % nz - base) // front
                run[near] = run[cell] + 1
                hop[near] = hop[cell] + 1 if bucket == layer else 0
                if tail[bucket] < 0:
                    head[bucket] = near
                else:
                    following[tail[bucket]] = near
                tail[bucket] = near
                following[near] = -1
                if bucket < lowest:
                    lowest = bucket
    falls = np.empty((len(lips), 2), np.int64)
    for i in range(len(lips)):
        falls[i, 0] = lips[i]
        falls[i, 1] = lands[i]
    return order, hop, run, falls


@numba.njit(cache=True)
def _escape(
    inside: NDArray[np.bool_], seeds: Ints, names: Ints, shape: Ints
) -> tuple[Small, Small]:
    ny, nz = shape[1], shape[2]
    n = len(inside)
    out = np.full(n, -1, np.int32)
    by = np.full(n, -1, np.int32)
    following = np.full(n, -1, np.int64)
    head = np.full(nz + 1, -1, np.int64)
    step = np.array([-1, 1, -nz, nz, -ny * nz, ny * nz])
    highest = 0
    for i in range(len(seeds)):
        cell = seeds[i]
        if inside[cell] and out[cell] < 0:
            z = cell % nz
            out[cell] = z
            by[cell] = names[i]
            following[cell] = head[z]
            head[z] = cell
            highest = max(highest, z)
    while highest >= 0:
        cell = head[highest]
        if cell < 0:
            highest -= 1
            continue
        head[highest] = following[cell]
        for k in range(6):
            near = cell + step[k]
            if inside[near] and out[near] < 0:
                z = min(out[cell], near % nz)
                out[near] = z
                by[near] = by[cell]
                following[near] = head[z]
                head[z] = near
    return out, by


@numba.njit(cache=True)
def _peaks(
    order: Ints, share: NDArray[np.float32], shape: Ints
) -> tuple[Ints, Ints, NDArray[np.float64]]:
    ny, nz = shape[1], shape[2]
    own = np.full(shape[0] * ny * nz, -1, np.int64)  # row of the peak a cell belongs to
    step = np.array([1, -nz, nz, -ny * nz, ny * nz])
    top = np.empty(len(order), np.int64)
    parent = np.empty(len(order), np.int64)
    held = np.zeros(len(order), np.float64)
    saddle = np.full(len(order), -1, np.int64)
    volume = np.zeros(len(order), np.float64)
    n_peaks = 0
    for cell in order:
        mine = -1
        for k in range(5):
            near = own[cell + step[k]]
            if near < 0:
                continue
            near = root_of(parent, near)
            if mine < 0:
                mine = near
            elif near != mine:
                if top[near] % nz > top[mine] % nz:
                    mine, near = near, mine
                parent[near] = mine
                saddle[near] = cell % nz
                volume[near] = held[near]
                held[mine] += held[near]
        if mine < 0:
            mine = n_peaks
            top[mine] = cell
            parent[mine] = mine
            n_peaks += 1
        own[cell] = mine
        held[mine] += share[cell]
    for row in range(n_peaks):
        if parent[row] == row:
            volume[row] = held[row]
    return top[:n_peaks], saddle[:n_peaks], volume[:n_peaks]
