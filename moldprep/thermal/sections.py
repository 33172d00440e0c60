"""Voxels of a body -> sections: regions of like thickness, each around one thickest place.

The thickness of a voxel is the diameter of the largest ball inside the body that covers it. Voxels
are flooded from the thickest down. A region goes on while the thickness stays above a
share of its own thickest place; what is thinner starts a region of its own, so that a plate is one
section and the boss on it another. Corners and edges of a thick body are thin too: a region that is
far slimmer than its own thickness is such a rim, and goes to the section it lies on.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import cc3d
import edt
import numpy as np
from numpy.typing import NDArray

from moldprep.thermal.balls import NEIGHBORS
from moldprep.thermal.curves import compiled

Shares = NDArray[np.float32]
Labels = NDArray[np.int32]

FACES: Final = NEIGHBORS[np.abs(NEIGHBORS).sum(axis=1) == 1]
"""Steps to the six voxels beside one."""

KEEPS_ON: Final = 0.65
"""A section goes on while its thickness is above this share of its thickest place. Modulus is half
the thickness of a plate and a quarter to a sixth of that of a bar or boss, so thickness must rise
by more than half before the modulus rises by the 1.2 to 1.3 that feeding rules ask between one
section and the next (R. Wlodawer, Directional Solidification of Steel Castings, 1966). Walls of
one thickness are one section round an L (ball at the corner 1.17 of the wall), through a T (1.25),
where they cross (1.41) and where two ribs cross on a plate (1.5)."""

RIM: Final = 0.6
"""A region without room for a ball of this share of its thickness is a rim.
A plate beside a boss has 1, the corner a ball leaves in a square edge 0.17, in a cube's 0.27."""

SWELLS: Final = 1.05
"""A rim goes to sections at least so thick for their part that it is no more than this share of
their thickest place: what lies in the mouth of a bar belongs to the block the bar stands on."""

TRIM: Final = 0.5
"""Likewise for the parts of a region: rims that hang on a thin section of the same thickness."""

SMALLEST_SHARE: Final = 0.002
"""Of the body's volume; smaller regions go to their neighbor."""

MOST_SECTIONS: Final = 250


@dataclass(frozen=True, eq=False)
class Cells:
    """Cells of metal; the border is empty.

    inside    : (nx, ny, nz) cells whose center is metal
    depth     : (nx, ny, nz) distance of each of them to the surface [cells]
    thickness : (nx, ny, nz) thickness there, 0 where no ball covers the center [cells]
    """

    inside: NDArray[np.bool_]
    depth: Shares
    thickness: Shares

    @cached_property
    def _steps_out(self) -> Shares:
        return np.asarray(edt.edt(self.inside, black_border=True, parallel=2))

    def own_depth(self, label: Labels) -> Shares:
        """Return the distance of each cell's center to the edge of its own region. [cells]"""
        steps = np.asarray(edt.edt(label.astype(np.uint32), black_border=True, parallel=2))
        return np.where(steps < self._steps_out - 1e-3, steps - np.float32(0.5), self.depth)

    def calibers(self, label: Labels) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return (n + 1,) diameter of each region's own largest ball, and the thickness there."""
        own = self.own_depth(label).ravel()
        cell = np.flatnonzero(label)
        named = label.ravel()[cell]
        order = np.lexsort((-cell, own[cell], named))  # the deepest of each region comes last
        last = cell[order[np.flatnonzero(np.diff(named[order], append=0))]]
        room, thick = 2.0 * own[last].astype(np.float64), self.thickness.ravel()[last]
        return np.append(0.0, room), np.append(0.0, thick.astype(np.float64))


def cut_sections(cells: Cells, least: float) -> tuple[Labels, int]:
    """Return ((nx, ny, nz) labels 1 … n inside and 0 outside, n).

    Parameters
    ----------
    cells
        The metal.
    least
        What is thinner is edges and corners, and goes to the section it lies on. [cells]
    """
    label = _flooded(np.where(cells.thickness >= least, cells.thickness, np.float32(0.0)))
    label = _without_rims(label, cells)
    label = grown(label, cells.inside, np.ones_like(label))
    label = _without_rims(_trimmed(label, cells), cells)
    label = _without_crumbs(_alike_joined(label, cells))
    return label, int(label.max())


def _flooded(thickness: Shares) -> Labels:
    """Return regions by falling thickness."""
    cell = np.flatnonzero(thickness)
    order = cell[np.argsort(-thickness.ravel()[cell], kind="stable")]
    steps = (NEIGHBORS @ (np.array(thickness.strides) // thickness.itemsize)).astype(np.int64)
    label = np.zeros(thickness.size, np.int32)
    root = _flood(order, thickness.ravel(), steps, label, KEEPS_ON)
    return _numbered(root[label].reshape(thickness.shape))


@compiled()
def _flood(order: Any, thickness: Any, steps: Any, label: Any, keeps_on: float) -> Any:
    """Label voxels from the thickest down; return the region each label has become part of."""
    root = np.zeros(len(order) + 1, np.int32)
    peak = np.zeros(len(order) + 1, np.float32)
    n = 0
    for cell in order:
        first = 0
        for step in steps:
            other = label[cell + step]
            while root[other] != other:
                other = root[other]
            if other == 0 or other == first or thickness[cell] < keeps_on * peak[other]:
                continue
            if first == 0:
                first = other
            elif peak[other] > peak[first]:
                root[first] = other
                first = other
            else:
                root[other] = first
        if first == 0:
            n += 1
            root[n] = n
            peak[n] = thickness[cell]
            first = n
        label[cell] = first
    for k in range(n + 1):
        top = k
        while root[top] != top:
            top = root[top]
        root[k] = top
    return root


def _top(root: list[int], region: int) -> int:
    while root[region] != region:
        region = root[region]
    return region


def _numbered(label: Labels) -> Labels:
    """Return the labels as 0 … n without gaps."""
    is_used = np.bincount(label.ravel()) > 0
    is_used[0] = False
    return np.cumsum(is_used).astype(np.int32)[label] * (label > 0)


def _without_rims(label: Labels, cells: Cells) -> Labels:
    """Give regions that have no room for a ball near their own thickness to their neighbors."""
    room, thick = cells.calibers(label)
    is_rim = room < RIM * thick
    if is_rim[1:].all():
        is_rim[int(np.argmax(thick))] = False
    kept = np.where(is_rim[label], 0, label)
    fits = grown(kept, label > 0, kept, cells.thickness, SWELLS * thick)
    return _numbered(grown(fits, label > 0, label))


def _trimmed(label: Labels, cells: Cells) -> Labels:
    """Keep of each region what a ball half as thick as the region reaches; give the rest away.

    What is left of a region may be in several places: then each is a region of its own.
    """
    _, thick = cells.calibers(label)
    radius = (0.5 * TRIM * thick).astype(np.float32)[label]
    core = (label > 0) & (cells.own_depth(label) >= radius)
    near = edt.edt(~core, black_border=False, parallel=2) <= radius
    kept = np.where(near, label, 0)
    parts = cc3d.connected_components(kept.astype(np.uint32), connectivity=26).astype(np.int32)
    return _numbered(grown(parts, label > 0, np.where(label > 0, int(parts.max()) + label, 0)))


def _alike_joined(label: Labels, cells: Cells) -> Labels:
    """Join neighbors of like thickness that are not parted by a neck."""
    peak = np.zeros(int(label.max()) + 1, np.float32)
    np.maximum.at(peak, label.ravel(), cells.thickness.ravel())
    root = list(range(len(peak)))
    for neck, a, b in sorted(_necks(label, cells.thickness), reverse=True):
        one, two = _top(root, a), _top(root, b)
        thick = max(peak[one], peak[two])
        if one != two and min(neck, peak[one], peak[two]) >= KEEPS_ON * thick:
            root[max(one, two)] = min(one, two)
            peak[min(one, two)] = thick
    return _numbered(np.array([_top(root, r) for r in range(len(root))], np.int32)[label])


def _necks(label: Labels, thickness: Shares) -> list[tuple[float, int, int]]:
    """Return (thickness of the neck, a, b) of regions that touch. [cells]

    It is the diameter of the largest disk for whose area there are faces as thick between them.
    """
    found: dict[tuple[int, int], list[Shares]] = {}
    for axis in range(3):
        a, b = (np.moveaxis(label, axis, 0)[s] for s in (slice(None, -1), slice(1, None)))
        t, u = (np.moveaxis(thickness, axis, 0)[s] for s in (slice(None, -1), slice(1, None)))
        at = (a > 0) & (b > 0) & (a != b)
        pair = np.sort(np.stack([a[at], b[at]], axis=1), axis=1)
        keys, which = np.unique(pair, axis=0, return_inverse=True)
        thick = np.minimum(t[at], u[at])
        for row, (one, two) in enumerate(keys.tolist()):
            found.setdefault((one, two), []).append(thick[which.ravel() == row])
    return [(_disk(np.concatenate(found[pair])), *pair) for pair in sorted(found)]


def _disk(thick: Shares) -> float:
    """Return the largest diameter that faces of a disk's area have for their thickness."""
    falling = np.sort(thick)[::-1]
    room = np.sqrt(np.arange(1, len(falling) + 1) / (0.25 * np.pi))
    return float(np.minimum(falling, room).max())


def _without_crumbs(label: Labels) -> Labels:
    """Give the smallest regions to their neighbors."""
    count = np.bincount(label.ravel())
    count[0] = 0
    is_crumb = (count < SMALLEST_SHARE * count.sum()) & (count > 0)
    is_crumb[np.argsort(-count, kind="stable")[MOST_SECTIONS:]] = True
    is_crumb[[0, int(count.argmax())]] = False
    return _numbered(_given_away(label, is_crumb))


def _given_away(label: Labels, is_gone: NDArray[np.bool_]) -> Labels:
    """Return the labels with some regions grown over by their neighbors.

    A region that no other touches (a body of its own) stays.
    """
    if not is_gone.any():
        return label
    return grown(np.where(is_gone[label], 0, label), label > 0, label)


def grown(
    label: Labels, into: NDArray[np.bool_], otherwise: Labels,
    thickness: Shares | None = None, most: NDArray[np.float64] | None = None,
) -> Labels:  # fmt: skip
    """Return labels spread through faces over the voxels of `into` that have none.

    A voxel takes the label that most of its faces show. Where nothing can reach, `otherwise`
    holds. With `thickness` and `most`, no label spreads over voxels thicker than its most. The
    border must not be in `into`.
    """
    label = label.copy()
    flat = label.reshape(-1)
    steps = (FACES @ (np.array(label.strides) // label.itemsize)).astype(np.int64)
    cell = np.flatnonzero(into & (label == 0))
    while len(cell):
        near = flat[cell[:, None] + steps]
        if thickness is not None and most is not None:
            near[thickness.ravel()[cell, None] > most[near]] = 0
        votes = (near[:, :, None] == near[:, None, :]).sum(axis=2) * (near > 0)
        best = near[np.arange(len(cell)), votes.argmax(axis=1)]
        if not best.any():
            flat[cell] = otherwise.ravel()[cell]
            break
        flat[cell] = best
        cell = cell[best == 0]
    return label
