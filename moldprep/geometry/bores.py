"""Bores too narrow for sand to stand in: found on the surface, and filled to be drilled later."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from moldprep.arrays import Flags
from moldprep.geometry.faces import Surface
from moldprep.geometry.solid import Floats, Ints, Solid
from moldprep.records import DrilledBore

OFF_MM: Final = 1e-3
"""Rays start this far off the surface they leave."""

ONE_WALL_DEG: Final = 70.0
"""Facets that bend less are one wall: those of a hexagon are, those of bores that cross are not."""

STRAIGHT: Final = 0.25
"""Walls lean from their axis by no more than 30°: the square of its sine. [-]"""

ROUND: Final = 0.2
"""Share of the wall that faces across the bore's longer side, at least: a gap has none. [-]"""

OPEN: Final = 0.15
"""Normals of a wall that goes all round add up to less than this share of its area. [-]"""

WIDEST: Final = 1.2
"""A bore is no wider than so many times its sand, by the corners of its facets: where it is, a pin
stands in it. [-]"""

SHALLOWEST: Final = 0.5
"""A bore is at least so many widths deep: sand stands in a shallower dimple. [-]"""

GROWN_MM: Final = 0.05
"""Fillings reach so far into the wall, so that it leaves no seam."""

NO_SOURCE: Final = np.iinfo(np.int32).max
"""What `Solid.face_sources` says of the facets of fillings: more than a file has."""


@dataclass(frozen=True)
class Bore:
    """A narrow bore, straight and closed all round.

    points : (n, 3) its corners, with those of its bottom [mm]
    """

    facts: DrilledBore
    points: Floats


def fill_bores(solid: Solid, bores: list[Bore]) -> Solid:
    """Return the body with bores filled, flush with the faces they open in."""
    return Solid.union([solid, *map(_filling, bores)]) if bores else solid


def find_bores(surface: Surface, below_mm: float) -> list[Bore]:
    """Return the bores in whose middle sand would be thinner than this, widest first.

    Parameters
    ----------
    surface
        Of a closed body. [mm]
    below_mm
        Sand thinner than this does not stand. [mm]

    Notes
    -----
    A bore is a wall that faces itself across less than `below_mm` of sand, whose normals lie
    across one axis, to all sides. Slots longer than `below_mm`, gaps, grooves open to a side,
    dimples less than half as deep as wide, bent passages and threads are none.
    """
    wall = surface.patches(_sand_mm(surface) < below_mm, surface.bend_deg < ONE_WALL_DEG)
    if wall.max(initial=-1) < 0:
        return []
    axes, is_round = _axes(surface, wall)
    beside = _beside(surface)
    order = np.argsort(wall, kind="stable")
    split = np.searchsorted(wall[order], np.arange(len(axes) + 1))
    found = []
    for k in np.flatnonzero(is_round):
        facets = order[split[k] : split[k + 1]]
        found += list(_bore(surface, facets, axes[k], beside, below_mm))
    return sorted(found, key=lambda bore: widest_first(bore.facts))


def widest_first(bore: DrilledBore) -> tuple[float, tuple[float, float, float]]:
    """Return what bores are sorted by."""
    return -bore.width_mm, bore.at_mm


def _sand_mm(surface: Surface) -> Floats:
    """Return (m,) how far each facet's middle is from metal it faces; inf where from none."""
    start = surface.centers_mm + OFF_MM * surface.normals
    distance, _ = surface.rays.first(start, surface.normals)
    return np.where(surface.is_thin, np.inf, distance)


def _axes(surface: Surface, wall: Ints) -> tuple[Floats, Flags]:
    """Return ((k, 3) axis of each wall, (k,) whether it faces to all sides across that alike)."""
    n, mine = int(wall.max()) + 1, wall >= 0
    label, area, normal = wall[mine], surface.area_mm2[mine], surface.normals[mine]
    whole = np.bincount(label, area, n)
    total = np.stack([np.bincount(label, area * normal[:, i], n) for i in range(3)], axis=1)
    moment = np.stack(
        [np.bincount(label, area * normal[:, i] * normal[:, j], n)
         for i in range(3) for j in range(3)], axis=1,
    )  # fmt: skip
    spread, directions = np.linalg.eigh((moment / whole[:, None]).reshape(-1, 3, 3))
    axes = directions[:, :, 0]
    mean = np.asarray(total / whole[:, None])
    across = mean - np.einsum("ki,ki->k", mean, axes)[:, None] * axes
    is_closed = np.linalg.norm(across, axis=1) < OPEN
    return axes, (spread[:, 0] < STRAIGHT) & (spread[:, 1] > ROUND) & is_closed


def _beside(surface: Surface) -> Ints:
    """Return (m, 3) the facets beside each."""
    pair, _ = surface.neighbors
    mine, other = np.vstack([pair, pair[:, ::-1]]).T
    return np.asarray(other[np.argsort(mine, kind="stable")].reshape(-1, 3))


def _bore(
    surface: Surface, facets: Ints, axis: Floats, beside: Ints, below_mm: float
) -> Iterator[Bore]:
    """Yield the bore that a wall closes round, if it does."""
    _, _, turn = np.linalg.svd(axis[None])  # rows: the axis, and two across it
    corners = surface.points[np.unique(surface.faces[facets])] @ turn.T
    outline = shapely.MultiPoint(corners[:, 1:]).convex_hull
    width = _width_mm(outline)
    middle = np.asarray(outline.centroid.coords)[0]
    arm = (surface.centers_mm[facets] @ turn.T)[:, 1:] - middle
    facing = np.einsum("ij,ij->i", arm, (surface.normals[facets] @ turn.T)[:, 1:])
    is_hollow = float(surface.area_mm2[facets] @ facing) < 0.0
    depth = float(np.ptp(corners[:, 0]))
    if not is_hollow or width > WIDEST * below_mm or depth < SHALLOWEST * width:
        return
    every = _with_ends(surface, facets, turn, outline.buffer(GROWN_MM), beside)
    points = surface.points[np.unique(surface.faces[every])]
    along = points @ turn[0]
    x, y, z = turn.T @ [0.5 * (along.min() + along.max()), *middle]
    a, b, c = axis.tolist()
    at = (float(x), float(y), float(z))
    yield Bore(DrilledBore(width_mm=width, depth_mm=depth, at_mm=at, axis=(a, b, c)), points)


def _width_mm(outline: shapely.Geometry) -> float:
    """Return the shorter side of the smallest rectangle round an outline. [mm]"""
    ring = shapely.get_coordinates(shapely.minimum_rotated_rectangle(outline))
    return float(np.linalg.norm(np.diff(ring[:3], axis=0), axis=1).min())


def _with_ends(
    surface: Surface, facets: Ints, turn: Floats, outline: shapely.Geometry, beside: Ints
) -> Ints:
    """Return the facets of a wall with those that close its ends: bottoms, and drill tips."""
    found = set(facets.tolist())
    front = found
    while front:
        more = np.array(sorted({int(f) for f in beside[list(front)].ravel()} - found), np.int64)
        corners = surface.points[surface.faces[more].ravel()] @ turn.T
        is_in = shapely.contains_xy(outline, corners[:, 1], corners[:, 2])
        front = set(more[is_in.reshape(-1, 3).all(axis=1)].tolist())
        found |= front
    return np.array(sorted(found), np.int64)


def _filling(bore: Bore) -> Solid:
    """Return the body that fills a bore, a hair wider, its facets of no source."""
    axis = np.array(bore.facts.axis)
    arm = bore.points - np.array(bore.facts.at_mm)
    arm -= np.outer(arm @ axis, axis)
    far: NDArray[np.float64] = np.linalg.norm(arm, axis=1)[:, None]
    points, faces = Solid.hull_of(bore.points + GROWN_MM * arm / np.maximum(far, GROWN_MM)).mesh()
    return Solid.from_mesh(points, faces, np.full(len(faces), NO_SOURCE, np.int64))
