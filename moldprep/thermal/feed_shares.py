"""Feeders that help one another: while the way between them is liquid, their metal is shared."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from moldprep.records import Grid
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
    can_give_mm3: Mapping[int, float],
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
        By feeder, its feed metal. [mm³]
    ways
        Between which feeders.
    demand
        Share of the metal that feeders must make up for. [-]
    """
    need = dict(need_mm3)
    helpers: dict[int, list[tuple[int, float]]] = {}
    for way in ways:
        for short, helper, open_mm3 in (
            (way.a, way.b, way.open_mm3[0]),
            (way.b, way.a, way.open_mm3[1]),
        ):
            helpers.setdefault(short, []).append((helper, demand * open_mm3))
    for short in sorted(need):
        for helper, most in sorted(helpers.get(short, ()), key=lambda h: (-h[1], h[0])):
            lacks = need[short] - can_give_mm3[short]
            spare = can_give_mm3.get(helper, 0.0) - need.get(helper, 0.0)
            helps = min(lacks, spare, most)
            if helps > 0.0 and need.get(helper, 0.0) > 0.0:
                need[short] -= helps
                need[helper] += helps
    return need
