"""Loose sand: the voids of a piece that no air lance, brush or wire can reach.

After printing, every void of a piece is full of unbound sand. A void is clean when it lies in a
straight line from outside, when a tool fits in, or when it is shallow against its opening. A
passage no wider than its openings is blown clean from beside it: sand under a bar across a slot
goes, sand in a pocket behind a neck stays.
"""

from dataclasses import dataclass
from itertools import product

import cc3d
import edt
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import dijkstra

from moldprep.geometry.lattice import Lattice
from moldprep.geometry.solid import Floats

Flags = NDArray[np.bool_]

LENGTH_TO_WIDTH = 5.0
"""An opening of 1/5 of the passage's length still empties it; common practice, no source."""

WIDER = 1.5
"""Width of a passage over that of its openings, at most: more is a pocket behind a neck."""

FEWEST_CUBES = 10
"""Fewer cubes together are noise along a slanted wall or in a corner."""

ROUNDING = 1.0 + 1e-4
"""Distances of the grid are single precision."""


@dataclass(frozen=True)
class LooseSand:
    """Sand that stays in: volume of all such voids, and the middle of the largest."""

    volume_mm3: float
    at_mm: tuple[float, float, float]


def find_loose_sand(sand: Flags, lattice: Lattice, tool_mm: float) -> LooseSand:
    """Return the voids of one piece that cannot be cleaned.

    Parameters
    ----------
    sand
        (nx, ny, nz), the piece; at least one empty cube on every side.
    lattice
        Where those cubes are.
    tool_mm
        Smallest opening a tool or a jet works through. [mm]

    Notes
    -----
    Good to about one cube; a void narrower than two cubes is not seen.
    """
    pitch = lattice.pitch_mm
    void = ~sand
    half_width = edt.edt(void, anisotropy=(pitch,) * 3, black_border=False, parallel=2)
    reached = _tool_reaches(half_width, tool_mm / 2.0, pitch)
    clean = reached | _sees_outside(sand)
    rest = void & ~clean
    if not rest.any():
        return LooseSand(0.0, (0.0, 0.0, 0.0))
    deepest_mm = LENGTH_TO_WIDTH * tool_mm
    depth, beside = (_way_in_mm(start, void, pitch, deepest_mm) for start in (reached, clean))
    for opening_mm in np.arange(tool_mm, 2.0 * pitch, -pitch):
        gets_in = _tool_reaches(half_width, opening_mm / 2.0, pitch)
        rest &= ~(gets_in & (depth <= LENGTH_TO_WIDTH * opening_mm))
        rest &= ~_blown_out(rest, gets_in, beside, half_width, opening_mm)
    label, counts = _wide_parts(rest, half_width, pitch)
    if not counts.any():
        return LooseSand(0.0, (0.0, 0.0, 0.0))
    middle = lattice.center_mm(np.argwhere(label == int(np.argmax(counts))).mean(axis=0))
    volume = float(counts.sum()) * pitch**3
    return LooseSand(volume, (float(middle[0]), float(middle[1]), float(middle[2])))


def _way_in_mm(start: Flags, void: Flags, pitch: float, most_mm: float) -> Floats:
    """Return how far each cube of a void is from where it starts, on a way through the void.

    Infinite beyond `most_mm`, and in sand.
    """
    inside = np.flatnonzero(void & ~start)
    number = np.full(void.size, -1, np.int64)
    number[inside] = np.arange(len(inside))
    n, outer = len(inside), start.ravel()
    place, first = np.array(np.unravel_index(inside, void.shape)), np.full(n, np.inf)
    row, column, far = [], [], []
    for step in product((-1, 0, 1), repeat=3):
        length = pitch * float(np.linalg.norm(step))
        beside = np.ravel_multi_index(place + np.array(step)[:, None], void.shape, mode="clip")
        first[outer[beside]] = np.minimum(first[outer[beside]], length)
        row.append(np.flatnonzero(number[beside] >= 0))
        column.append(number[beside][row[-1]])
        far.append(np.full(len(row[-1]), length))
    begin = np.flatnonzero(np.isfinite(first))
    row.append(np.full(len(begin), n))
    ends = (np.concatenate(row), np.concatenate([*column, begin]))
    ways = coo_array((np.concatenate([*far, first[begin]]), ends), shape=(n + 1, n + 1))
    graph: csr_array = csr_array(ways)
    found = np.where(outer, 0.0, np.inf)
    found[inside] = dijkstra(graph, indices=[n], min_only=True, limit=most_mm)[:n]
    return found.reshape(void.shape)


def _blown_out(
    rest: Flags,
    gets_in: Flags,
    beside: Floats,
    half_width: NDArray[np.float32],
    opening_mm: float,
) -> Flags:
    """Return the parts of what is left that are passages: reached, short, and nowhere wide."""
    label = cc3d.connected_components(rest, connectivity=6)
    n = int(label.max()) + 1
    width, length, is_met = np.zeros(n), np.zeros(n), np.zeros(n, bool)
    mine = label[rest]
    np.maximum.at(width, mine, 2.0 * half_width[rest])
    np.maximum.at(length, mine, beside[rest])
    np.logical_or.at(is_met, mine, gets_in[rest])
    goes = is_met & (width <= WIDER * opening_mm) & (length <= LENGTH_TO_WIDTH * opening_mm)
    goes[0] = False
    return np.asarray(goes[label])


def _wide_parts(
    rest: Flags, half_width: NDArray[np.float32], pitch: float
) -> tuple[NDArray[np.integer], NDArray[np.integer]]:
    """Return (label, cubes of each label) of what is left; voxel noise along walls has none."""
    label = cc3d.connected_components(rest, connectivity=6)
    counts = np.bincount(label.ravel())
    width = np.zeros(len(counts))
    np.maximum.at(width, label[rest], 2.0 * half_width[rest])
    counts[(width <= ROUNDING * 2.0 * pitch) | (counts < FEWEST_CUBES)] = 0
    counts[0] = 0
    return label, counts


def _sees_outside(sand: Flags) -> Flags:
    """Return cubes from which one of 26 straight lines leaves the lattice through void."""
    seen = np.zeros(sand.shape, bool)
    for step in product((-1, 0, 1), repeat=3):
        if any(step):
            seen |= _free_along(sand, step)
    return seen


def _free_along(sand: Flags, step: tuple[int, ...]) -> Flags:
    """Return cubes from which the line along `step` meets no sand."""
    axis = next(k for k, s in enumerate(step) if s)
    turned = np.moveaxis(sand, axis, 0)
    others = [s for k, s in enumerate(step) if k != axis]
    if step[axis] > 0:
        turned = turned[::-1]
    free = np.empty(turned.shape, bool)
    free[0] = ~turned[0]
    for row in range(1, len(turned)):
        free[row] = ~turned[row] & _shifted(free[row - 1], others[0], others[1])
    if step[axis] > 0:
        free = free[::-1]
    return np.moveaxis(free, 0, axis)


def _shifted(plane: Flags, by_0: int, by_1: int) -> Flags:
    """Return plane[i + by_0, j + by_1]; outside the plane all is free."""
    out = np.ones(plane.shape, bool)
    n0, n1 = plane.shape
    to = (slice(max(-by_0, 0), n0 - max(by_0, 0)), slice(max(-by_1, 0), n1 - max(by_1, 0)))
    fro = (slice(max(by_0, 0), n0 + min(by_0, 0)), slice(max(by_1, 0), n1 + min(by_1, 0)))
    out[to] = plane[fro]
    return out


def _tool_reaches(half_width: NDArray[np.float32], radius_mm: float, pitch: float) -> Flags:
    """Return cubes that a ball of this radius, rolled in from outside, can sweep over."""
    room = np.pad(half_width >= radius_mm, 1, constant_values=True)
    label = cc3d.connected_components(room, connectivity=6)
    reached = label == label[0, 0, 0]
    swept = edt.edt(~reached, anisotropy=(pitch,) * 3, black_border=False, parallel=2)
    return np.asarray(swept[1:-1, 1:-1, 1:-1] <= radius_mm)
