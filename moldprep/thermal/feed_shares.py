"""Feeders that help one another: while the way between them is liquid, their metal is shared."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from moldprep.arrays import Floats
from moldprep.records import Grid
from moldprep.thermal.pools import way_mm
from moldprep.thermal.regions import last_contacts


@dataclass(frozen=True)
class Way:
    """Two feeders whose parts of a casting touch.

    a, b     : their numbers
    open_mm3 : (2,) metal of each one's part that is solid before the way between them is [mm³]
    """

    a: int
    b: int
    open_mm3: tuple[float, float]


def ways_down(
    casting: NDArray[np.bool_], start: NDArray[np.uint16], tops_mm: Floats, grid: Grid
) -> tuple[NDArray[np.float32], NDArray[np.uint16]]:
    """Return the way from the nearest feeder that stands high enough, and its number. [mm]

    Parameters
    ----------
    casting
        (nx, ny, nz) bool.
    start
        (nx, ny, nz) uint16, the feeders' numbers where they enter the casting, else 0.
    tops_mm
        By number, how high each feeder stands; row 0 counts for none. [mm]
    grid
        Where the cells are.

    Notes
    -----
    What is higher than all feeders that have a way to it stays with the nearest.
    """
    way, nearest = way_mm(casting, start, grid.pitch_mm)
    low_mm = grid.origin_mm[2] + np.arange(casting.shape[2]) * grid.pitch_mm
    for top in np.unique(tops_mm[1:]):
        above = (nearest > 0) & (tops_mm[nearest] <= top) & (low_mm > top)
        higher = np.where(tops_mm[start] > top, start, 0).astype(start.dtype)
        if not above.any() or not higher.any():
            continue
        further, other = way_mm(casting, higher, grid.pitch_mm)
        above &= other > 0
        way[above], nearest[above] = further[above], other[above]
    return way, nearest


def ways_between(
    nearest: NDArray[np.uint16], time_s: NDArray[np.float32], grid: Grid
) -> tuple[Way, ...]:
    """Return the ways between neighboring feeders.

    Parameters
    ----------
    nearest
        (nx, ny, nz) uint16, number of the nearest feeder of each cell of casting, else 0.
    time_s
        (nx, ny, nz) float32, freezing time. [s]
    grid
        Metal in each cell.
    """
    volume = grid.fraction.astype(np.float64) * grid.pitch_mm**3
    ways = []
    for a, b, when, _ in last_contacts(nearest, time_s):
        solid = [float(volume[(nearest == k) & (time_s <= when)].sum()) for k in (a, b)]
        ways.append(Way(a, b, (solid[0], solid[1])))
    return tuple(ways)


def shared_needs(
    need_mm3: Mapping[int, float],
    can_give_mm3: Sequence[Mapping[int, float]],
    ways: Iterable[Way],
    demand: float,
) -> dict[int, float]:
    """Return what each feeder must give after its neighbors have helped it.

    What a feeder lacks a neighbor gives in its place as long as the way between them is open: at
    most the demand of the metal that freezes until then, and no more than it has to spare.

    Parameters
    ----------
    need_mm3
        By feeder, the demand of the metal nearest to it. [mm³]
    can_give_mm3
        By feeder, its feed metal: first down to its reserve, then all of it. Levels even out, so
        that none is drawn on below its reserve while a neighbor has more. [mm³]
    ways
        Between which feeders.
    demand
        Share of the metal that feeders must make up for. [-]
    """
    need = dict(need_mm3)
    helpers: dict[int, dict[int, float]] = {}
    for way in ways:
        helpers.setdefault(way.a, {})[way.b] = demand * way.open_mm3[0]
        helpers.setdefault(way.b, {})[way.a] = demand * way.open_mm3[1]
    for can in can_give_mm3:
        for short in sorted(need):
            open_to = helpers.get(short, {})
            for helper, most in sorted(open_to.items(), key=lambda h: (-h[1], h[0])):
                lacks = need[short] - can[short]
                spare = can.get(helper, 0.0) - need.get(helper, 0.0)
                helps = min(lacks, spare, most)
                if helps > 0.0 and need.get(helper, 0.0) > 0.0:
                    need[short] -= helps
                    need[helper] += helps
                    open_to[helper] -= helps
    return need
