"""Voxels of a body -> sections: regions of like thickness, each around one thickest place.

The thickness of a voxel is the diameter of the largest ball inside the body that covers it. Levels
of thickness are flooded from the thickest down. A region goes on while the thickness stays above a
share of its own thickest place; what is thinner starts a region of its own, so that a plate is one
section and the boss on it another. Corners and edges of a thick body are thin too: a region that is
far slimmer than its own thickness is such a rim, and goes to the section it lies on.
"""

from typing import Final

import cc3d
import edt
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Shares = NDArray[np.float32]
Labels = NDArray[np.int32]

STEP: Final = 1.13
"""From one level of thickness to the next."""

KEEPS_ON: Final = 0.78
"""A section goes on while its thickness is above this share of its thickest place: modulus falls by
the 1.2 to 1.3 that feeding rules ask between one section and the next (R. Wlodawer, Directional
Solidification of Steel Castings, 1966)."""

NOISE_CELLS: Final = 1.0
"""Thickness in whole cells is uncertain by this much."""

RIM: Final = 0.6
"""A region without room for a ball of this share of its thickness is a rim.
A plate beside a boss has 1, the corner a ball leaves in a square edge 0.17, in a cube's 0.27."""

TRIM: Final = 0.5
"""Likewise for the parts of a region: rims that hang on a thin section of the same thickness."""

SMALLEST_SHARE: Final = 0.002
"""Of the body's volume; smaller regions go to their neighbor."""

MOST_SECTIONS: Final = 250


def ball_thickness(inside: NDArray[np.bool_], depth: Shares) -> tuple[Shares, NDArray[np.float64]]:
    """Return (thickness of each voxel [cells], the levels it takes, falling).

    By openings: a ball of radius r covers a voxel if a voxel deeper than r is nearer than r.
    """
    deepest = float(depth.max())
    n = max(int(np.floor(np.log(max(deepest, 1.0)) / np.log(STEP))), 0)
    radii = deepest / STEP ** np.arange(n + 1) * (1.0 - 1e-6)
    thickness = np.where(inside, np.float32(2.0 * min(1.0, deepest)), np.float32(0.0))
    for radius in radii[::-1]:
        core = depth >= radius
        covered = inside & (edt.edt(~core, black_border=False, parallel=2) <= radius)
        thickness[covered] = 2.0 * radius
    return thickness, np.append(2.0 * radii, 2.0 * min(1.0, deepest))


def cut_sections(inside: NDArray[np.bool_], depth: Shares) -> tuple[Labels, int]:
    """Return ((nx, ny, nz) labels 1 … n inside and 0 outside, n).

    Parameters
    ----------
    inside
        (nx, ny, nz) voxels whose center is metal; the border is empty.
    depth
        (nx, ny, nz) distance of a voxel's center to the surface. [cells]
    """
    thickness, levels = ball_thickness(inside, depth)
    label = _flood(inside, thickness, np.unique(levels)[::-1])
    label = _without_rims(label, thickness)
    label = _without_rims(_trimmed(label, thickness), thickness)
    label = _without_crumbs(_alike_joined(label, thickness))
    return label, int(label.max())


def _flood(inside: NDArray[np.bool_], thickness: Shares, levels: NDArray[np.float64]) -> Labels:
    """Return regions by falling level of thickness."""
    label = np.zeros(inside.shape, np.int32)
    peak = [0.0]
    root = [0]
    for level in levels:
        new = inside & (np.abs(thickness - level) < 1e-3 * level) & (label == 0)
        parts, n = cc3d.connected_components(new, connectivity=26, return_N=True)
        touching = _touching(parts, label)
        name = np.zeros(n + 1, np.int32)
        for part in range(1, n + 1):
            near = {_top(root, other) for other in touching.get(part, ())}
            lives = sorted(r for r in near if level >= KEEPS_ON * peak[r] - NOISE_CELLS)
            if not lives:
                peak.append(float(level))
                root.append(len(root))
                lives = [len(root) - 1]
            first = max(lives, key=lambda r: (peak[r], -r))
            for other in lives:
                root[other] = first
            name[part] = first
        label[new] = name[parts[new]]
    final = np.array([_top(root, r) for r in range(len(root))], np.int32)
    return _numbered(final[label])


def _touching(parts: NDArray[np.uint32], label: Labels) -> dict[int, list[int]]:
    """Return which labels each new part touches across faces."""
    codes = []
    for axis in range(3):
        a, b = np.moveaxis(parts, axis, 0), np.moveaxis(label, axis, 0)
        for one, two in ((a[:-1], b[1:]), (a[1:], b[:-1])):
            both = (one > 0) & (two > 0)
            codes.append(np.unique((one[both].astype(np.int64) << 32) | two[both]))
    table: dict[int, list[int]] = {}
    for code in np.unique(np.concatenate(codes)).tolist():
        table.setdefault(code >> 32, []).append(code & 0xFFFFFFFF)
    return table


def _top(root: list[int], region: int) -> int:
    while root[region] != region:
        region = root[region]
    return region


def _numbered(label: Labels) -> Labels:
    """Return the labels as 0 … n without gaps."""
    is_used = np.bincount(label.ravel()) > 0
    is_used[0] = False
    return np.cumsum(is_used).astype(np.int32)[label] * (label > 0)


def _without_rims(label: Labels, thickness: Shares) -> Labels:
    """Give regions that have no room for a ball near their own thickness to their neighbors."""
    room, thick = _calibers(label, thickness, _own_depth(label))
    is_rim = room < RIM * thick
    if is_rim[1:].all():
        is_rim[int(np.argmax(thick))] = False
    return _numbered(_given_away(label, is_rim))


def _trimmed(label: Labels, thickness: Shares) -> Labels:
    """Keep of each region what a ball half as thick as the region reaches; give the rest away.

    What is left of a region may be in several places: then each is a region of its own.
    """
    own = _own_depth(label)
    _, thick = _calibers(label, thickness, own)
    radius = (0.5 * TRIM * thick).astype(np.float32)[label]
    core = (label > 0) & (own >= radius)
    near = edt.edt(~core, black_border=False, parallel=2) <= radius
    kept = np.where(near, label, 0)
    parts = cc3d.connected_components(kept.astype(np.uint16), connectivity=26).astype(np.int32)
    return _numbered(grown(parts, label > 0, np.where(label > 0, int(parts.max()) + label, 0)))


def _calibers(
    label: Labels, thickness: Shares, own: Shares
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return (n + 1,) diameter of each region's own largest ball, and the thickness there."""
    inside = np.flatnonzero(label)
    named, depth = label.ravel()[inside], own.ravel()[inside]
    order = np.lexsort((-inside, depth, named))  # the deepest of each region comes last
    last = inside[order[np.flatnonzero(np.diff(named[order], append=0))]]
    room, thick = 2.0 * own.ravel()[last].astype(np.float64), thickness.ravel()[last]
    return np.append(0.0, room), np.append(0.0, thick.astype(np.float64))


def _own_depth(label: Labels) -> Shares:
    """Return the distance of each voxel's center to the edge of its own region. [cells]"""
    return np.asarray(edt.edt(label.astype(np.uint16), black_border=True, parallel=2) - 0.5)


def _alike_joined(label: Labels, thickness: Shares) -> Labels:
    """Join neighbors of like thickness that are not parted by a neck."""
    _, peak = _calibers(label, thickness, _own_depth(label))
    root = list(range(len(peak)))
    for neck, a, b in sorted(_necks(label, thickness), reverse=True):
        one, two = _top(root, a), _top(root, b)
        thick = max(peak[one], peak[two])
        if one != two and min(neck, peak[one], peak[two]) >= KEEPS_ON * thick - NOISE_CELLS:
            root[max(one, two)] = min(one, two)
            peak[min(one, two)] = thick
    return _numbered(np.array([_top(root, r) for r in range(len(root))], np.int32)[label])


def _necks(label: Labels, thickness: Shares) -> list[tuple[float, int, int]]:
    """Return (largest thickness on the face between them, a, b) of regions that touch."""
    found: dict[tuple[int, int], float] = {}
    for axis in range(3):
        a, b = (np.moveaxis(label, axis, 0)[s] for s in (slice(None, -1), slice(1, None)))
        t, u = (np.moveaxis(thickness, axis, 0)[s] for s in (slice(None, -1), slice(1, None)))
        at = (a > 0) & (b > 0) & (a != b)
        pair = np.sort(np.stack([a[at], b[at]], axis=1), axis=1)
        keys, which = np.unique(pair, axis=0, return_inverse=True)
        most = np.zeros(len(keys))
        np.maximum.at(most, which.ravel(), np.minimum(t[at], u[at]))
        for key, value in zip(keys.tolist(), most.tolist(), strict=True):
            found[key[0], key[1]] = max(found.get((key[0], key[1]), 0.0), value)
    return [(neck, a, b) for (a, b), neck in sorted(found.items())]


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


def grown(label: Labels, into: NDArray[np.bool_], otherwise: Labels) -> Labels:
    """Return labels spread through faces over the voxels of `into` that have none.

    Where nothing can reach, `otherwise` holds.
    """
    label = label.copy()
    while True:
        empty = into & (label == 0)
        if not empty.any():
            return label
        box = ndimage.find_objects(empty.astype(np.uint8))[0]
        wide = tuple(slice(max(s.start - 1, 0), s.stop + 1) for s in box)
        view, hole = label[wide], empty[wide]
        best = np.zeros_like(view)
        for axis in range(3):
            for shift in (1, -1):
                near = np.zeros_like(view)
                a, b = np.moveaxis(near, axis, 0), np.moveaxis(view, axis, 0)
                if shift == 1:
                    a[1:] = b[:-1]
                else:
                    a[:-1] = b[1:]
                best = np.where(best == 0, near, best)
        filled = hole & (best > 0)
        if not filled.any():
            label[empty] = otherwise[empty]
            return label
        view[filled] = best[filled]
