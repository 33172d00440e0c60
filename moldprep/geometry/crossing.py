"""Where one closed surface passes through itself: found by rays, taken apart by the kernel."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from moldprep.arrays import Flags
from moldprep.geometry.rays import Rays
from moldprep.geometry.solid import Floats, Ints, Solid

N_ACROSS: Final = (24, 160)
"""Rays across the longest side along each axis: fewest, and most; more for more facets."""

DEPTH_MM: Final = 0.3
"""Overlaps less deep than this are rounding of facets at fillets: a grain of sand."""

N_AGREE: Final = 4
"""Rays that must meet the overlap; a single one may have slipped through an edge."""

MARGINS: Final = (0.01, 0.03, 0.1)
"""How much larger than an overlap the box around it is, as shares of the longest side."""

N_ROUNDS: Final = 12
"""Overlaps taken apart one after another, at most."""


@dataclass(frozen=True, eq=False)
class Overlap:
    """What the surface winds around other than once.

    ends      : (k, 2, 3) both ends of each overlapped stretch of a ray [mm]
    depth_mm  : length of the longest
    volume_mm3: of all of it, as far as the rays can tell
    """

    ends: Floats
    depth_mm: float
    volume_mm3: float

    @property
    def at_mm(self) -> tuple[float, float, float]:
        """Middle of the longest stretch. [mm]"""
        length = np.linalg.norm(self.ends[:, 1] - self.ends[:, 0], axis=1)
        x, y, z = self.ends[int(length.argmax())].mean(axis=0)
        return float(x), float(y), float(z)

    def around(self) -> Floats:
        """Return (2, 3): the box around the overlap that the longest stretch belongs to. [mm]"""
        low, high = self.ends.min(axis=1), self.ends.max(axis=1)
        box = self.ends[int(np.linalg.norm(high - low, axis=1).argmax())]
        box = np.array([box.min(axis=0), box.max(axis=0)])
        reach = 0.02 * float((high.max(axis=0) - low.min(axis=0)).max()) + DEPTH_MM
        while True:
            near = ((low <= box[1] + reach) & (high >= box[0] - reach)).all(axis=1)
            grown = np.array([low[near].min(axis=0), high[near].max(axis=0)])
            if np.array_equal(grown, box):
                return box
            box = grown


def untangled(solid: Solid) -> tuple[Solid, int, Overlap | None]:
    """Return (the body with its overlaps united, how many there were, one that would not go).

    A box is cut out around the overlap. Inside it, the arms that pass through one another are
    bodies apart, and unite.
    """
    for n_done in range(N_ROUNDS):
        overlap = self_overlap(solid)
        if overlap is None:
            return solid, n_done, None
        apart = _taken_apart(solid, overlap)
        if apart is None:
            return solid, n_done, overlap
        solid = apart
    return solid, N_ROUNDS, self_overlap(solid)


def _taken_apart(solid: Solid, overlap: Overlap) -> Solid | None:
    """Return the body with most of one overlap united, None where its arms hang together."""
    low, high = overlap.around()
    longest = float(solid.size_mm.max())
    best, least = None, 0.9 * overlap.volume_mm3
    for share in MARGINS:
        inside, outside = solid.split(Solid.box(low - share * longest, high + share * longest))
        arms = inside.parts()
        if len(arms) < 2:
            continue
        whole = Solid.union([outside, *arms])
        left = self_overlap(whole)
        if left is None:
            return whole
        if left.volume_mm3 < least:
            best, least = whole, left.volume_mm3
    return best


def self_overlap(solid: Solid) -> Overlap | None:
    """Return the self-overlap of a closed body, None where there is none to speak of.

    Along a ray the surface is entered and left in turn; where it is entered twice before it is
    left, or left before it is entered, it has passed through itself.
    """
    points, faces = solid.mesh()
    best, step = _stretches(points, faces, lambda depth: (depth > 1) | (depth < 0))
    if len(best) < N_AGREE:
        return None
    length = np.linalg.norm(best[:, 1] - best[:, 0], axis=1)
    return Overlap(best, float(length.max()), float(length.sum() * step**2))


def winds_backward(points: Floats, faces: Ints) -> bool:
    """Return whether a closed mesh is left before it is entered anywhere: metal inside out."""
    best, _ = _stretches(points, faces, lambda depth: depth < 0)
    return len(best) >= N_AGREE


def _stretches(
    points: Floats, faces: Ints, is_wrong: Callable[[Ints], Flags]
) -> tuple[Floats, float]:
    """Return (ends (k, 2, 3) of wrong stretches along the axis that shows most, ray spacing)."""
    rays = Rays(points, faces)
    a, b, c = (points[faces[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    bounds = np.array([a.min(axis=0), a.max(axis=0)])
    n_across = np.clip(2.0 * np.sqrt(len(faces)), *N_ACROSS)
    step = float((bounds[1] - bounds[0]).max() / n_across)
    return max((_along(rays, normal, bounds, step, k, is_wrong) for k in range(3)), key=len), step


def _along(
    rays: Rays,
    normal: Floats,
    bounds: Floats,
    step: float,
    axis: int,
    is_wrong: Callable[[Ints], Flags],
) -> Floats:
    """Return (k, 2, 3): ends of the wrong stretches of a sheaf of rays along an axis."""
    low, high = bounds
    across = [k for k in range(3) if k != axis]
    u, v = np.meshgrid(*(np.arange(low[k] + 0.437 * step, high[k], step) for k in across))
    start = np.empty((u.size, 3))
    start[:, across[0]], start[:, across[1]] = u.ravel(), v.ravel()
    start[:, axis] = low[axis] - step
    direction = np.eye(3)[axis] + np.array([0.00173, 0.00091, 0.00137])  # off walls and edges
    direction /= np.linalg.norm(direction)
    hit = rays.crossings(start, direction)
    depth = np.cumsum(np.where(normal[hit.facet] @ direction < 0.0, 1, -1))
    _, first, count = np.unique(hit.ray, return_index=True, return_counts=True)
    depth -= np.repeat(np.r_[0, depth][first], count)  # each ray begins outside
    leaves = np.repeat(depth[first + count - 1] == 0, count)  # and must end there
    is_next = hit.ray[1:] == hit.ray[:-1]
    on = np.flatnonzero(leaves[: len(is_next)] & is_next)
    length = hit.distance[1:][on] - hit.distance[:-1][on]
    on = np.asarray(on, np.int64)[is_wrong(depth[on]) & (length > DEPTH_MM)]
    ends = np.stack([hit.distance[on], hit.distance[on + 1]], axis=1)
    return np.asarray(start[hit.ray[on], None, :] + ends[:, :, None] * direction)
