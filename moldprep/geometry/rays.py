"""Rays against a solid: crossings, distances, nearest points. The only file that imports open3d.

The ray kernel works in float32; points are taken relative to the body's middle so that a micron
survives on a body of 10 m / 2^24.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldprep.geometry.solid import Floats, Ints, Solid
from moldprep.loading import without

with without(
    "open3d.ml",  # its tools for learning take two seconds to load, and serve nothing here
    "open3d.visualization.draw_plotly",  # a web server for pictures takes half a second
):
    import open3d as o3d

SCENES_KEPT: Final = 32
"""Bodies whose scene is kept for the next who asks: to sort the facets takes longer than most
questions."""

SLANTED: Final = tuple(
    np.array(d) / np.linalg.norm(d)
    for d in ((0.2935, 0.5127, 0.8067), (-0.6853, 0.2141, 0.6961), (0.1377, -0.8719, -0.4699))
)
"""Directions that no edge of a drawn part is likely to share."""


@dataclass(frozen=True)
class Crossings:
    """Where rays cross a surface, sorted by ray and then by distance.

    ray      : (k,) int64, row of the ray
    distance : (k,) float64 along the (unit) direction [mm]
    facet    : (k,) int64, row of `mesh()` faces
    """

    ray: Ints
    distance: Floats
    facet: Ints


class Rays:
    """A ray scene of one mesh."""

    def __init__(self, points: Floats, faces: Ints) -> None:
        self._bounds = np.array([points.min(axis=0), points.max(axis=0)])
        self._middle = self._bounds.mean(axis=0)
        self._scene = o3d.t.geometry.RaycastingScene()
        self._scene.add_triangles(
            o3d.core.Tensor((points - self._middle).astype(np.float32)),
            o3d.core.Tensor(faces.astype(np.uint32)),
        )

    @staticmethod
    def of(solid: Solid) -> "Rays":
        """Return the scene of a solid; facets are numbered as in `solid.mesh()`."""
        return _scene_of(solid)

    def first(self, origins: Floats, directions: Floats) -> tuple[Floats, Ints]:
        """Return (distance (n,) [mm], facet (n,)) of the first hit; inf and -1 where none."""
        if len(origins) == 0:
            return np.empty(0), np.empty(0, np.int64)
        hit = self._scene.cast_rays(self._tensor(origins, directions))
        facet = hit["primitive_ids"].numpy().astype(np.int64)
        distance = hit["t_hit"].numpy().astype(np.float64)
        return distance, np.where(np.isfinite(distance), facet, -1)

    def crossings(self, origins: Floats, directions: Floats) -> Crossings:
        """Return every crossing of every ray, sorted along each ray."""
        if len(origins) == 0:  # the kernel ends the process on no rays
            none = np.empty(0, np.int64)
            return Crossings(none, np.empty(0), none)
        hit = self._scene.list_intersections(self._tensor(origins, directions))
        ray = hit["ray_ids"].numpy().astype(np.int64)
        distance = hit["t_hit"].numpy()
        facet = hit["primitive_ids"].numpy().astype(np.int64)
        order = _along_each(ray, distance)
        return Crossings(ray[order], distance[order].astype(np.float64), facet[order])

    def nearest(self, points: Floats) -> tuple[Floats, Ints]:
        """Return (nearest surface point (n, 3) [mm], its facet (n,))."""
        if len(points) == 0:
            return np.empty((0, 3)), np.empty(0, np.int64)
        near = self._scene.compute_closest_points(
            o3d.core.Tensor((points - self._middle).astype(np.float32))
        )
        place = near["points"].numpy().astype(np.float64) + self._middle
        return place, near["primitive_ids"].numpy().astype(np.int64)

    def are_blocked(self, origins: Floats, directions: Floats) -> NDArray[np.bool_]:
        """Return (n,) whether anything lies ahead of each ray."""
        if len(origins) == 0:
            return np.zeros(0, bool)
        return np.asarray(self._scene.test_occlusions(self._tensor(origins, directions)).numpy())

    def is_inside(self, points: Floats) -> NDArray[np.bool_]:
        """Return (n,) whether each point is inside, by the parity of three slanted rays.

        The majority decides, so that one ray grazing an edge does no harm: the third is cast only
        where the first two differ.
        (The kernel's own occupancy query was wrong at 1 of 100 points 0.02 mm from a surface.)
        """
        inside = np.zeros(len(points), bool)
        low, high = self._bounds
        near = np.flatnonzero(((points >= low) & (points <= high)).all(axis=1))
        one, two = (self._is_odd(points[near], direction) for direction in SLANTED[:2])
        inside[near] = one
        split = near[one != two]
        inside[split] = self._is_odd(points[split], SLANTED[2])
        return inside

    def _is_odd(self, origins: Floats, direction: Floats) -> NDArray[np.bool_]:
        """Return (n,) whether each ray crosses the surface an odd number of times."""
        if len(origins) == 0:
            return np.zeros(0, bool)
        counts = self._scene.count_intersections(self._tensor(origins, direction)).numpy()
        return np.asarray(counts % 2 == 1)

    def _tensor(self, origins: Floats, directions: Floats) -> o3d.core.Tensor:
        rays = np.empty((len(origins), 6), np.float32)
        rays[:, :3], rays[:, 3:] = origins - self._middle, directions
        return o3d.core.Tensor(rays)


@lru_cache(SCENES_KEPT)
def _scene_of(solid: Solid) -> Rays:
    return Rays(*solid.mesh())


def _along_each(ray: Ints, distance: NDArray[np.float32]) -> Ints:
    """Return the order by ray, then by distance.

    The bits of numbers not below zero rise with them, so that one sort of integers does; hits come
    nearly in order, which a stable sort makes use of.
    """
    bits = (distance + np.float32(0.0)).view(np.uint32)  # no minus zero
    return np.argsort((ray << 32) | bits, kind="stable")
