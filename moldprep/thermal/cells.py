"""What the cells of the heat solve hold, and which of them it visits.

Most cells are plain sand or inner metal, with neighbors all like them: they are visited as runs
along z. The odd ones between (at the metal's skin, cut, inserts, at the edge of the grid) are kept
in a list, each with the conductances of its six faces.
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from moldprep.thermal import contacts, surface
from moldprep.thermal.materials import OUTSIDE

ODD_WORK = 4
"""Work on an odd cell, in plain ones."""

Field = NDArray[np.float32]
Ints = NDArray[np.int32]
Flags = NDArray[np.bool_]

NODE: Final = 0.23
"""A cell with more metal than this stands for metal, one with less for what is around it."""

SHARES_A_THREAD = 4
"""Shares of the work for each thread: enough that none waits long for the last."""

MOST_AT_ONCE = 3
"""Stages whose planes are in the cache at once."""


class Cells(NamedTuple):
    """What is in each cell, in cells.

    metal : how much metal it holds
    other : how much else
    rest  : which medium that is: 1 sand, …, OUTSIDE

    A cut cell holds either, and its neighbors the other, so they may hold more than there is room.
    """

    metal: Field
    other: Field
    rest: NDArray[np.uint8]


LIKE: Final = -1
"""Stands for a face within sand or within metal."""


class Odd(NamedTuple):
    """The cells with faces between unlike cells: mixtures, and what lies beside them or at an edge.

    Plane by plane; in each sand, then full metal, then mixtures, for quick loops. Runs pass over
    those of sand and of full metal as well, since cutting them short would cost more. What the odd
    cells hold stands side by side here, since in the grid each would lie in a line of memory of its
    own. Their heat goes back to the grid after every step.

    at              : (n,) place in the flat grid
    first           : (n + 1,) where the faces of each begin
    temp, temp_next : (n + 6,) temperatures at the last two stages, and of the six sides [°C]
    seen            : (n + 6,) those that the sand sees: its own, and means of the rest over a step
    heat, heat_next : (n,) enthalpy at the last two stages [J/mm³]
    piece           : (n, 4) the piece of a mixture's T(H) it was last on: its H, next H, T, dT/dH
    sum, sum_next   : (n,) sums of T over time in the step that is being made [K s]
    metal, other, rest : (n,) what they hold, as in `Cells`
    is_edge         : (n,) whether a face is outside
    like            : (n,) a bit for each face within sand or within metal
    step            : (6,) steps of the flat grid to the cell across each face

    Of their faces to unlike cells, m in all:

    near            : (m,) the odd cell across; n + side where it is outside
    face            : (m,) which face of the cell it is (low x, high x, low y, …)
    twin            : (m,) the same face as the cell across has it; -1 outside
    g               : (m,) conductance
    area            : (m,) area of the metal's surface along the axis over that of the face; |n|
                      along the axis between cells with metal
    depth           : (m,) how far the middle of the cell without metal is from the surface [cells]
    edge            : (m,) how much more passes there than a flat surface of this depth would let
    """

    at: Ints
    first: Ints
    temp: Field
    temp_next: Field
    seen: Field
    heat: Field
    heat_next: Field
    piece: Field
    sum: Field
    sum_next: Field
    metal: Field
    other: Field
    rest: NDArray[np.uint8]
    is_edge: Flags
    like: NDArray[np.uint8]
    step: Ints
    near: Ints
    face: NDArray[np.uint8]
    twin: Ints
    g: Field
    area: Field
    depth: Field
    edge: Field


class Part(NamedTuple):
    """What a sweep goes through: the sand, or all the rest.

    runs  : (n, 5) ix, iy, first, last + 1, and 1 for plain sand or 2 for inner metal
    on    : (n,) odd cells
    run_ends, odd_ends : (nx + 1,) where the runs and the odd cells of each plane begin
    cuts  : plane that each share of the work begins with, and the end
    at_once : stages that follow each other by a plane; shares have at least two planes for each
    n     : cells in all
    """

    runs: Ints
    on: Ints
    run_ends: Ints
    odd_ends: Ints
    cuts: Ints
    at_once: int
    n: int


class Visits(NamedTuple):
    """The part of the grid that the heat has reached.

    rows  : (n, 4) ix, iy, first, last + 1 of each row
    on    : (n,) odd cells
    is_on : (all odd cells,) whether they are among them
    sand, quick : what lies in them: the sand, and what heat spreads in much faster
    """

    rows: Ints
    on: Ints
    is_on: NDArray[np.uint8]
    sand: Part
    quick: Part


class Plan:
    """The cells sorted by kind; gives what is to be visited for a reach of the heat."""

    def __init__(self, cells: Cells, share: Field) -> None:
        self._shape = cells.rest.shape
        kind = np.where(cells.metal == 1.0, np.uint8(2), np.uint8(3))
        kind[(cells.metal == 0.0) & (cells.rest == 1)] = 1
        kind[cells.rest == OUTSIDE] = 0
        self.odd = _odd_cells(kind, cells, share)
        n_z = self._shape[2]
        flat = kind.ravel()
        self._row, self._along = np.divmod(self.odd.at, np.int32(n_z))
        self.is_sand = flat[self.odd.at] == 1
        runs = _runs(kind, self.odd.at)
        self._is_alone = ~_are_within(runs, self.odd.at, self._shape)
        self._sand_runs, self._metal_runs = (runs[runs[:, 4] == of] for of in (1, 2))

    @property
    def n_bytes(self) -> int:
        """What the lists hold."""
        return sum(
            held.nbytes
            for held in (
                self._sand_runs, self._metal_runs, self._row, self._along, self.is_sand,
                self._is_alone,
            )
        )  # fmt: skip

    def all_rows(self) -> Ints:
        """Return every row within the grid, as `Visits.rows`."""
        n_x, n_y, n_z = self._shape
        at = np.indices((n_x - 2, n_y - 2)).reshape(2, -1).T + 1
        return np.hstack([at, np.broadcast_to([1, n_z - 1], at.shape)]).astype(np.int32)

    def visits(self, reach: Ints, n_threads: int) -> Visits:
        """Return what lies within (nx, ny, 2) first and last + 1 of each row."""
        at = np.argwhere(reach[..., 1] > reach[..., 0])
        rows = np.hstack([at, reach[at[:, 0], at[:, 1]]]).astype(np.int32)
        is_on = np.zeros(len(self.odd.at), np.uint8)
        contacts.within(self._along, self._row, reach.reshape(-1, 2), is_on)
        on = np.flatnonzero(is_on).astype(np.int32)
        is_sand = self.is_sand[on]
        sand = self._part(_clipped(self._sand_runs, reach), on[is_sand], n_threads)
        quick = self._part(_clipped(self._metal_runs, reach), on[~is_sand], n_threads)
        return Visits(rows, on, is_on, sand, quick)

    def _part(self, runs: Ints, on: Ints, n_threads: int) -> Part:
        planes = np.arange(self._shape[0] + 1)
        run_ends = np.searchsorted(runs[:, 0], planes).astype(np.int32)
        odd_ends = np.searchsorted(self._row[on] // self._shape[1], planes).astype(np.int32)
        length = np.concatenate([[0], np.cumsum(runs[:, 3] - runs[:, 2])])
        work = length[run_ends] + ODD_WORK * odd_ends
        n_planes = int((np.diff(work) > 0).sum())
        at_once = max(1, min(n_planes // (4 * n_threads), MOST_AT_ONCE))
        shares = np.linspace(0.0, work[-1], SHARES_A_THREAD * n_threads + 1)
        cuts = _apart(np.unique(np.searchsorted(work, shares)), 2 * at_once)
        n_alone = int(self._is_alone[on].sum())
        return Part(runs, on, run_ends, odd_ends, cuts, at_once, int(length[-1]) + n_alone)


def _runs(kind: NDArray[np.uint8], odd: Ints) -> Ints:
    """Return the runs of sand and metal as in `Part`, each from its first plain cell to its last.

    Between them it may pass over odd cells of its kind.
    """
    ends = np.flatnonzero(np.diff(kind.ravel()))
    plain = kind.copy()
    plain.ravel()[odd] = 0
    plain = plain.ravel()
    steps = np.flatnonzero(np.diff(plain)) + 1
    begin, end = steps[:-1][plain[steps[:-1]] > 0], steps[1:][plain[steps[:-1]] > 0]
    of_kind = np.searchsorted(ends, begin)
    heads = np.flatnonzero(np.diff(of_kind, prepend=-1))
    tails = np.append(heads[1:], len(begin))[: len(heads)] - 1
    row, first = np.divmod(begin[heads], kind.shape[2])
    length = end[tails] - begin[heads]
    where = np.divmod(row, kind.shape[1])
    runs = np.column_stack([*where, first, first + length, plain[begin[heads]]])
    return runs.astype(np.int32)


def _are_within(runs: Ints, at: Ints, shape: tuple[int, ...]) -> Flags:
    """Return (n,) whether runs pass over these places of the flat grid."""
    begin = (runs[:, 0] * np.int32(shape[1]) + runs[:, 1]) * np.int32(shape[2]) + runs[:, 2]
    length = np.append(runs[:, 3] - runs[:, 2], 0)
    run = np.searchsorted(begin, at, "right") - 1
    return np.asarray((run >= 0) & (at - np.append(begin, 0)[run] < length[run]))


def _apart(cuts: NDArray[np.intp], least: int) -> Ints:
    """Return the cuts with the first and the last, and of the others those so far apart."""
    kept = [cuts[0]]
    for cut in cuts[1:-1]:
        if cut - kept[-1] >= least and cuts[-1] - cut >= least:
            kept.append(cut)
    return np.array([*kept, cuts[-1]], np.int32)


def _clipped(runs: Ints, reach: Ints) -> Ints:
    """Return what of the runs lies within a reach, see `Plan.visits`."""
    reached = reach.reshape(-1, 2)[runs[:, 0] * np.int32(reach.shape[1]) + runs[:, 1]]
    first = np.maximum(runs[:, 2], reached[:, 0])
    last = np.minimum(runs[:, 3], reached[:, 1])
    kept = np.flatnonzero(last > first)
    runs = runs[kept]
    runs[:, 2], runs[:, 3] = first[kept], last[kept]
    return runs


def _odd_cells(kind: NDArray[np.uint8], cells: Cells, share: Field) -> Odd:
    """Return the cells with unlike neighbors, given 1 sand, 2 metal, 3 the rest, 0 outside."""
    is_odd = (kind == 3) | ((kind == 1) & (cells.other != 1.0))
    for axis in range(3):
        for shift in (1, -1):
            is_odd |= kind != np.roll(kind, shift, axis)
    is_odd &= kind > 0
    flat, n = kind.ravel(), int(is_odd.sum())
    by_place = np.flatnonzero(is_odd).astype(np.int32)
    order = np.lexsort((flat[by_place], by_place // (kind.shape[1] * kind.shape[2])))
    at, rank = by_place[order], np.argsort(order).astype(np.int32)
    n_y, n_z = kind.shape[1:]
    step = np.array([-n_y * n_z, n_y * n_z, -n_z, n_z, -1, 1], np.int32)
    near = np.full((n, 6), LIKE, np.int32)
    for face in range(6):
        beyond = flat[at + step[face]]
        is_unlike = (beyond != flat[at]) | (beyond == 3)
        place = rank[np.searchsorted(by_place, at + step[face]).clip(0, n - 1)]
        near[is_unlike, face] = place[is_unlike]
        near[beyond == 0, face] = n + face
    like = np.packbits(near == LIKE, axis=1, bitorder="little").ravel()
    cell, side = np.nonzero(near != LIKE)
    number = np.full((n + 6, 6), -1, np.int32)
    number[cell, side] = np.arange(len(cell))
    near = near[cell, side]
    temp = np.zeros(n + 6, np.float32)
    held = (cells.metal.ravel()[at], cells.other.ravel()[at], cells.rest.ravel()[at])
    heat, heat_next, total, total_next = np.zeros((4, n), np.float32)
    is_edge = np.zeros(n, np.bool_)
    is_edge[cell[near >= n]] = True
    odd = Odd(
        at, np.searchsorted(cell, np.arange(n + 1)).astype(np.int32), temp, temp.copy(),
        temp.copy(), heat, heat_next, np.zeros((n, 4), np.float32), total, total_next, *held,
        is_edge, like, step, near, side.astype(np.uint8), number[near, side ^ 1],
        *np.zeros((4, len(near)), np.float32),
    )  # fmt: skip
    surface.lean(odd, kind.shape, share)
    return odd


def widened(reach: NDArray[np.int32], n_z: int, cells: int = 2) -> NDArray[np.int32]:
    """Return the reached ranges grown by some cells in every direction, within 1 … n - 1."""
    first, last = reach[..., 0].copy(), reach[..., 1].copy()
    for _ in range(cells):
        for edge, pick, none in ((first, np.minimum, n_z), (last, np.maximum, 0)):
            around = np.pad(edge, 1, constant_values=none)
            for shifted in (around[:-2, 1:-1], around[2:, 1:-1], around[1:-1, :-2]):
                pick(edge, shifted, out=edge)
            pick(edge, around[1:-1, 2:], out=edge)
    is_on = last > first
    first = np.where(is_on, np.maximum(first - cells, 1), n_z)
    last = np.where(is_on, np.minimum(last + cells, n_z - 1), 0)
    for edge, none in ((first, n_z), (last, 0)):
        edge[[0, -1]], edge[:, [0, -1]] = none, none
    return np.stack([first, last], axis=2).astype(np.int32)


def shared_out(
    share: Field, rest: NDArray[np.uint8], metal: Field, other: Field
) -> tuple[Field, Field]:
    """Return the metal and the other stuff of all cells, each in the cells that stand for it.

    Every cell is a node of metal or of what is around it, by its share of metal: what it holds of
    the other goes in equal parts to the neighbors that stand for that. So no cell mixes what is hot
    from the start with what is cold. A cell with only metal around it hands its sand on through
    those neighbors that have sand beside them; not so a cell that is mostly sand, in a gap too
    narrow for cells of its own. Metal with no node of metal near is one itself, and keeps its sand.

    Parameters
    ----------
    share
        (nx, ny, nz) share of metal of each cell.
    rest
        (nx, ny, nz) what else is in it.
    metal, other
        (nx, ny, nz) what is handed over: amounts, or their heat.
    """
    is_node = share > NODE
    near, far = _ways_to(share, is_node)
    metal = _handed_over(metal, far, near)
    metal = _handed_over(metal, near, is_node)
    takes = (share <= NODE) & (rest != OUTSIDE) & ((share == 0.0) | near | far)
    beside_sand = is_node & (_beside(takes.astype(np.float32)) > 0.0)
    inside = is_node & ~beside_sand & (share > 0.5)
    other = _handed_over(other, inside, beside_sand)
    return metal, _handed_over(other, beside_sand, takes)


def _ways_to(share: Field, is_node: Flags) -> tuple[Flags, Flags]:
    """Return which of the cells with too little metal are beside a node, and beside those."""
    little = (share > 0.0) & ~is_node
    near = little & (_beside(is_node.astype(np.float32)) > 0.0)
    return near, little & ~near & (_beside(near.astype(np.float32)) > 0.0)


def _handed_over(held: Field, gives: Flags, takes: Flags) -> Field:
    """Return what cells hold after some hand all of it in equal parts to neighbors that take."""
    count = _beside(takes.astype(np.float32))
    gives = gives & (count > 0.0)
    part = np.divide(held, count, out=np.zeros_like(held), where=gives)
    kept = np.where(gives, np.float32(0.0), held)
    kept[takes] += _beside(part)[takes]
    return np.asarray(kept, np.float32)


def _beside(values: Field) -> Field:
    """Return the sum over the six neighbors of every cell; the border holds nothing."""
    total = np.zeros_like(values)
    for axis in range(3):
        for shift in (1, -1):
            total += np.roll(values, shift, axis)
    return total
