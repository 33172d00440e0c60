"""Pools of liquid in a frozen record: the merge tree over freezing time, and ways through metal.

At time s the metal still liquid is every cell with a later freezing time. Taking the cells from the
last to freeze to the first, a cell without a taken neighbor starts a pool (a peak), a cell between
two pools is the neck where they part. All 26 neighbors count: a channel thinner than a cell that
runs askew shows up as cells touching at edges or corners, and cutting it there would invent holes;
the price is at most one cell's diagonal of metal that is frozen in truth.
"""

from dataclasses import dataclass
from heapq import heappop, heappush
from typing import TypeVar

import numba
import numpy as np
from numpy.typing import NDArray

from moldprep.arrays import Ints
from moldprep.geometry.linked import root_of

Label = TypeVar("Label", np.uint8, np.uint16)


@dataclass(frozen=True, kw_only=True, eq=False)
class Pools:
    """The merge tree of one freezing record; a peak is a place that freezes later than all around.

    cell       : (n,) flat index of every metal cell, last to freeze first
    time_s     : (n,) its freezing time [s]
    peak       : (n,) row of the peak whose pool it joined
    source     : (n,) label of the feeder it hung on when it froze, 0 for none
    at         : (p,) flat index of every peak's cell, and `peak_s` (p,) its freezing time [s]
    parent     : (p,) the peak whose pool took this one in, -1 for none; `merged_s` (p,) when [s]
    pool       : (p,) row of the cut-off pool the peak is in, -1 where a feeder held on
    closed_s   : (q,) when each pool lost its last feeder, 0 where it never had one [s]
    """

    cell: Ints
    time_s: NDArray[np.float64]
    peak: Ints
    source: Ints
    at: Ints
    peak_s: NDArray[np.float64]
    parent: Ints
    merged_s: NDArray[np.float64]
    pool: Ints
    closed_s: NDArray[np.float64]

    def top_of(self, pool: int) -> int:
        """Return the peak of a pool that freezes last."""
        members = np.flatnonzero(self.pool == pool)
        return int(members[np.argmax(self.peak_s[members])])

    def counting(self, share: float | NDArray[np.float64], step_s: float) -> NDArray[np.int64]:
        """Return (p,) for each peak the peak it counts as.

        A peak that outlasts the neck where its pool parts by less than `share` (one for all or
        one each) of its own freezing time, or by less than two time steps, is noise of the grid
        and goes with the
        pool that takes it in.
        """
        counts_as = np.arange(len(self.at))
        least_s = np.maximum(share * self.peak_s, 2.0 * step_s)
        for row in np.argsort(self.peak_s, kind="stable")[::-1]:
            lasts = self.peak_s[row] - self.merged_s[row]
            if self.parent[row] >= 0 and lasts < least_s[row]:
                counts_as[row] = counts_as[self.parent[row]]
        return counts_as


def find_pools(time_s: NDArray[np.float32], source: NDArray[np.uint16]) -> Pools:
    """Return the merge tree of freezing times.

    Parameters
    ----------
    time_s
        (nx, ny, nz) float32, NaN in sand. [s]
    source
        (nx, ny, nz) uint16, label of the feeder a cell belongs to, 0 elsewhere.

    Returns
    -------
    Pools
        Peaks, necks and cut-off pools.
    """
    flat = time_s.ravel()
    metal = np.flatnonzero(np.isfinite(flat))
    order = metal[np.argsort(-flat[metal], kind="stable")]
    peak, held, at, parent, merged, pool, closed = _merge(
        order, flat.astype(np.float64), source.ravel(), np.array(time_s.shape, np.int64)
    )
    return Pools(
        cell=order,
        time_s=flat[order].astype(np.float64),
        peak=peak,
        source=held,
        at=at,
        peak_s=flat[at].astype(np.float64),
        parent=parent,
        merged_s=merged,
        pool=pool,
        closed_s=closed,
    )


def grown(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return a 3-D mask with all 26 neighbors of its cells, axis by axis (quick)."""
    for axis in range(3):
        mask, old = mask.copy(), np.moveaxis(mask, axis, 0)
        new = np.moveaxis(mask, axis, 0)
        new[1:] |= old[:-1]
        new[:-1] |= old[1:]
    return mask


@numba.njit(cache=True)
def _cut_off(first: int, following: Ints, pool: Ints, closed: list[float], time: float) -> None:
    """Mark every peak of a pool as cut off at this time."""
    closed.append(time)
    row = first
    while True:
        pool[row] = len(closed) - 1
        row = following[row]
        if row == first:
            return


@numba.njit(cache=True)
def _merge(
    order: Ints, time: NDArray[np.float64], source: NDArray[np.uint16], shape: Ints
) -> tuple[Ints, Ints, Ints, Ints, NDArray[np.float64], Ints, NDArray[np.float64]]:
    """Unite cells downward in freezing time; peaks are the nodes of the tree."""
    n, ny, nz = len(order), shape[1], shape[2]
    peak_of = np.full(len(time), -1, np.int64)  # peak a taken cell joined
    n_peaks = 0
    at = np.empty(n, np.int64)
    root = np.empty(n, np.int64)  # union-find over peaks
    oldest = np.empty(n, np.int64)  # of a root: its peak that freezes last
    held_by = np.empty(n, np.int64)  # of a root: label of the feeder it hangs on, 0 for none
    held_s = np.empty(n, np.float64)  # of a root: how long that feeder lasts
    following = np.empty(n, np.int64)  # ring of the peaks of one pool
    parent = np.empty(n, np.int64)
    merged = np.empty(n, np.float64)
    pool = np.empty(n, np.int64)
    cell_peak, cell_held = np.empty(n, np.int64), np.empty(n, np.int64)
    closed = [0.0]
    closed.clear()
    near = np.empty(26, np.int64)
    for k in range(n):
        cell = order[k]
        now = time[cell]
        ix, iy, iz = cell // (ny * nz), (cell // nz) % ny, cell % nz
        count = 0
        for dx in range(max(ix - 1, 0), min(ix + 2, shape[0])):
            for dy in range(max(iy - 1, 0), min(iy + 2, ny)):
                for dz in range(max(iz - 1, 0), min(iz + 2, nz)):
                    beside = peak_of[(dx * ny + dy) * nz + dz]
                    if beside >= 0:
                        found = root_of(root, beside)
                        is_new = True
                        for j in range(count):
                            if near[j] == found:
                                is_new = False
                        if is_new:
                            near[count] = found
                            count += 1
        if count == 0:
            row = n_peaks
            n_peaks += 1
            at[row], root[row], oldest[row], following[row] = cell, row, row, row
            parent[row], merged[row], pool[row] = -1, 0.0, -1
            held_by[row], held_s[row] = source[cell], now
            near[0], count = row, 1
        is_held = source[cell] > 0
        best = near[0]
        for j in range(count):
            is_held = is_held or held_by[near[j]] > 0
            if time[at[oldest[near[j]]]] > time[at[oldest[best]]]:
                best = near[j]
        if is_held:
            for j in range(count):
                if held_by[near[j]] == 0:
                    _cut_off(near[j], following, pool, closed, now)
                    held_by[near[j]], held_s[near[j]] = -1, -1.0
        for j in range(count):
            other = near[j]
            if other == best:
                continue
            loser = oldest[other]
            parent[loser], merged[loser] = oldest[best], now
            if (held_s[other] > held_s[best] and held_by[other] > 0) or held_by[best] <= 0:
                held_by[best], held_s[best] = held_by[other], held_s[other]
            root[other] = best
            following[best], following[other] = following[other], following[best]
        if source[cell] > 0 and held_by[best] <= 0:
            held_by[best], held_s[best] = source[cell], now
        peak_of[cell] = oldest[best]
        cell_peak[k], cell_held[k] = oldest[best], max(held_by[best], 0)
    for row in range(n_peaks):
        if root[row] == row and held_by[row] == 0:
            _cut_off(row, following, pool, closed, 0.0)
    return (
        cell_peak,
        cell_held,
        at[:n_peaks].copy(),
        parent[:n_peaks].copy(),
        merged[:n_peaks].copy(),
        pool[:n_peaks].copy(),
        np.array(closed),
    )


def way_mm(
    metal: NDArray[np.bool_], start: NDArray[Label], pitch_mm: float
) -> tuple[NDArray[np.float32], NDArray[Label]]:
    """Return the shortest way through metal from the nearest start, and which start that is.

    Parameters
    ----------
    metal
        (nx, ny, nz) bool: cells that may be passed.
    start
        (nx, ny, nz) of unsigned integers: 0, or the label of a start.
    pitch_mm
        Edge of one cell. [mm]

    Returns
    -------
    tuple
        (nx, ny, nz) float32 way [mm], inf where there is none; and (nx, ny, nz) label,
        of the type of `start`.
    """
    far, label = np.full(metal.shape, np.inf, np.float32), np.zeros(metal.shape, start.dtype)
    box = _box_of(metal)
    inside = np.pad(metal[box], 1)  # so that every cell has all its neighbors
    way = np.where(inside, np.float32(np.inf), np.float32(-1.0))  # less than none: not to be passed
    which = np.pad(np.where(metal[box], start[box], 0), 1)
    _walk(way.ravel(), which.ravel(), *_steps(inside.shape, pitch_mm))
    core = (slice(1, -1),) * 3
    far[box] = np.where(inside, way, np.float32(np.inf))[core]
    label[box] = which[core]
    return far, label


def _box_of(metal: NDArray[np.bool_]) -> tuple[slice, ...]:
    """Return the smallest box of cells round the metal."""
    sides = []
    for other in ((1, 2), (0, 2), (0, 1)):
        there = np.flatnonzero(metal.any(axis=other))
        sides.append(slice(there[0], there[-1] + 1) if len(there) else slice(0, 0))
    return tuple(sides)


def _steps(shape: tuple[int, ...], pitch_mm: float) -> tuple[Ints, NDArray[np.float64]]:
    """Return (26,) from a cell to each neighbor: the step in a flat array, and its length. [mm]"""
    near = np.array([one for one in np.ndindex(3, 3, 3) if one != (1, 1, 1)]) - 1
    length = pitch_mm * np.sqrt(np.abs(near).sum(axis=1).astype(np.float32)).astype(np.float64)
    return near @ np.array([shape[1] * shape[2], shape[2], 1]), length


@numba.njit(cache=True)
def _walk(
    far: NDArray[np.float32], label: NDArray[Label], steps: Ints, lengths: NDArray[np.float64]
) -> None:
    """Write the shortest way from the nearest labeled cell, and its label, on every cell.

    The heap holds a way and its cell in one integer: the bits of numbers not below zero rise with
    them.
    """
    bits = far.view(np.int32)
    cell_bits = (np.int64(1) << 32) - 1
    heap = [np.int64(0)]
    heap.clear()
    for first in np.flatnonzero(label):
        far[first] = 0.0
        heap.append(first)
    while heap:
        nearest = heappop(heap)
        cell = nearest & cell_bits
        if (nearest >> 32) > bits[cell]:
            continue
        here, start = np.float64(far[cell]), label[cell]
        for k in range(len(steps)):
            beside = cell + steps[k]
            there = np.float32(here + lengths[k])
            if there < far[beside] - np.float32(1e-4):
                far[beside] = there
                label[beside] = start
                heappush(heap, (np.int64(bits[beside]) << 32) | beside)
