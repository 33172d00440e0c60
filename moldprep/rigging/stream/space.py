"""Space: one cavity of the mold on the grid, with the places where metal comes in."""

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import cc3d
import edt
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from moldprep.arrays import Ints
from moldprep.records import CavityRise, FlowGraph, Grid, Metal

SOLID_SHARE: Final = 0.35
"""A cell with less metal than this does not carry flow: it is the skin of a body."""


THIN_SHARE: Final = 0.1
"""A cell with less metal than this lets no air pass either. With more it may be all that a slanted
fin, thinner than the cells, has between two of them."""


@dataclass(frozen=True, eq=False)
class Space:
    """One cavity on the padded grid.

    inside : (nx + 2, ny + 2, nz + 2) cells of the cavity that carry flow
    airy   : the same that let air pass: the skin of bodies, too
    inlets : flat cells each inlet opens into
    """

    course: CavityRise
    inside: NDArray[np.bool_]
    airy: NDArray[np.bool_]
    inlets: list[Ints]
    grid: Grid

    @property
    def shape(self) -> tuple[int, int, int]:
        """Shape of the padded grid."""
        nx_, ny, nz = self.inside.shape
        return nx_, ny, nz

    @cached_property
    def share(self) -> NDArray[np.float32]:
        """Share of each padded cell that is metal of this cavity."""
        return np.where(self.inside, np.pad(self.grid.fraction, 1), np.float32(0.0))

    @cached_property
    def depth(self) -> NDArray[np.float32]:
        """Distance of each cell's center from the sand, in cells."""
        return np.asarray(edt.edt(self.inside), np.float32)

    def place(self, cell: int) -> tuple[float, float, float]:
        """Return the center of a flat, padded cell. [mm]"""
        index = np.array(np.unravel_index(cell, self.shape)) - 1
        x, y, z = self.grid.origin_mm + (index + 0.5) * self.grid.pitch_mm
        return float(x), float(y), float(z)

    def part(self, cell: int, metal: Metal) -> str:
        """Return the body a flat, padded cell belongs to."""
        x, y, z = np.array(np.unravel_index(cell, self.shape)) - 1
        return metal.parts[int(self.grid.label[x, y, z]) - 1]

    def labeled(self, names: list[str], metal: Metal) -> NDArray[np.bool_]:
        """Return which padded cells belong to these bodies."""
        return np.isin(np.pad(self.grid.label, 1), [metal.parts.index(n) + 1 for n in names])


def lay_out(grid: Grid, metal: Metal, flow: FlowGraph) -> list[Space]:
    """Return the cells of every cavity and of its inlets.

    A body of the model in several pieces may lie in several cavities under one name: each piece
    then goes to the cavity whose inlets open into it, and one without an inlet to the first.
    """
    spaces = [_space(grid, metal, flow, course) for course in flow.cavities]
    names = [name for space in spaces for name in space.course.parts]
    if len(names) == len(set(names)):
        return spaces
    claimed = np.zeros(np.add(grid.label.shape, 2), bool)
    apart = []
    for space in spaces:
        opened = [cells for other in spaces if other is not space for cells in other.inlets]
        mine = space.inside & ~(_pieces_at(space.inside, opened) | claimed)
        mine |= _pieces_at(space.inside, space.inlets)
        claimed |= mine
        apart.append(replace(space, inside=mine, airy=mine | (space.airy & ~space.inside)))
    return apart


def _pieces_at(inside: NDArray[np.bool_], spots: list[Ints]) -> NDArray[np.bool_]:
    """Return the connected pieces that hold any of these flat cells."""
    pieces = cc3d.connected_components(inside, connectivity=6)
    held = np.unique(pieces.ravel()[np.concatenate(spots)]) if spots else np.empty(0, int)
    return np.asarray(np.isin(pieces, held[held > 0]))


def _space(grid: Grid, metal: Metal, flow: FlowGraph, course: CavityRise) -> Space:
    """Return all cells that bear the names of one cavity, and those of its inlets."""
    label = np.pad(grid.label, 1)
    mine = np.isin(label, [metal.parts.index(part) + 1 for part in course.parts])
    share = np.pad(grid.fraction, 1)
    inside = mine & (share >= SOLID_SHARE)
    inlets = [_opening(grid, metal, flow, course, inside, name) for name in course.inlets]
    return Space(course, inside, mine & (share >= THIN_SHARE), inlets, grid)


def _opening(
    grid: Grid,
    metal: Metal,
    flow: FlowGraph,
    course: CavityRise,
    inside: NDArray[np.bool_],
    name: str,
) -> Ints:
    """Return the cells of a cavity that touch an inlet; else the nearest to its contact."""
    inlet = np.pad(grid.label, 1) == metal.parts.index(name) + 1
    touching = np.flatnonzero(inside & ndimage.binary_dilation(inlet))
    if len(touching):
        return touching
    places = [c.at_mm for c in flow.contacts if name in (c.a, c.b)
              and (c.a in course.parts or c.b in course.parts)]  # fmt: skip
    cells = np.argwhere(inside)
    centers = grid.origin_mm + (cells - 0.5) * grid.pitch_mm
    far = np.linalg.norm(centers - np.array(places[0]), axis=1)
    return np.array([np.ravel_multi_index(tuple(cells[np.argmin(far)]), inside.shape)])
