"""Remake an open model on a grid: inside and outside by the parity of rays, three ways."""

from math import ceil
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from moldprep.errors import GeometryError
from moldprep.geometry.facets import Facets
from moldprep.geometry.rays import Rays
from moldprep.geometry.solid import Floats, Solid

N_ALONG: Final = 160
"""Cells along the longest side where the job says "auto"."""

MAX_CELLS: Final = 60_000_000
BELT: Final = 3
"""Cells of outside around the model."""


NEAR: Final = 3.0
MOST: Final = 0.5
"""Of the old surface at least this share must lie within so many cells of the new one."""


def rebuild(mesh: Facets, pitch_mm: float | str, *, is_closed: bool = False) -> tuple[Solid, float]:
    """Return (the solid remade from a mesh, its largest deviation from the mesh). [mm]

    A point is inside where most of the rays through it, along x, y and z, have crossed the surface
    an odd number of times; a ray that met a hole is not asked. The new surface lies
    between the grid's points by their distance from the old one.

    Parameters
    ----------
    mesh
        The surface. [mm]
    pitch_mm
        Edge of a grid cell, or "auto". [mm]
    is_closed
        The surface is closed and wound alike, but passes through itself: what it winds around
        twice is inside too.

    Raises
    ------
    GeometryError
        geometry/rebuild-failed, if the grid would be too large, or nothing or next to nothing is
        enclosed.
    """
    used = mesh.points[np.unique(mesh.faces)]
    low, high = used.min(axis=0), used.max(axis=0)
    pitch = float((high - low).max()) / N_ALONG if isinstance(pitch_mm, str) else pitch_mm
    shape = tuple(ceil(float(s) / pitch) + 2 * BELT + 1 for s in high - low)
    if np.prod(shape, dtype=float) > MAX_CELLS:
        raise GeometryError(
            f"a rebuild at {pitch:g} mm needs {np.prod(shape, dtype=float):.3g} cells, "
            f"{MAX_CELLS:.3g} are allowed",
            code="geometry/rebuild-failed",
            fix="set a coarser casting.rebuild_pitch_mm",
        )
    # Off the grid by an odd share, so that rays do not run along faces and edges.
    origin = low - pitch * (BELT + np.array([0.137, 0.271, 0.413]))
    rays = Rays(mesh.points, mesh.faces)
    normal = _normals(mesh) if is_closed else None
    inside = _inside(rays, normal, origin, pitch, shape)
    signed = _signed_distance(rays, inside, origin, pitch)
    solid = _contour(signed, origin, pitch)
    kept = _kept_share(mesh, solid, NEAR * pitch)
    if kept < MOST:
        raise GeometryError(
            f"the open model encloses next to nothing: {100.0 * kept:.0f} % of its surface is left "
            "after a rebuild",
            code="geometry/rebuild-failed",
            fix="its sheets may have no thickness; export a solid body",
        )
    return solid, _deviation(mesh, solid)


def _normals(mesh: Facets) -> Floats:
    a, b, c = (mesh.points[mesh.faces[:, k]] for k in range(3))
    return np.cross(b - a, c - a)


def _inside(
    rays: Rays, normal: Floats | None, origin: Floats, pitch: float, shape: tuple[int, ...]
) -> NDArray[np.bool_]:
    """Return the grid of points that most of the three rays through them call inside.

    With normals, inside is what is entered more often than left; else what is crossed oddly.
    """
    votes = np.zeros(shape, np.int8)
    for axis in range(3):
        across = [k for k in range(3) if k != axis]
        i, j = np.meshgrid(*(np.arange(shape[k]) for k in across), indexing="ij")
        start = np.tile(origin, (i.size, 1))
        start[:, across[0]] += i.ravel() * pitch
        start[:, across[1]] += j.ravel() * pitch
        start[:, axis] -= pitch
        crossed = rays.crossings(start, np.eye(3)[axis])
        cell = np.ceil(crossed.distance / pitch - 1.0).astype(np.int64)
        turns = np.zeros((i.size, shape[axis]), np.int32)
        fits = (cell >= 0) & (cell < shape[axis])
        step = np.ones(len(cell), np.int32)
        if normal is not None:
            step = np.where(normal[crossed.facet, axis] < 0.0, 1, -1).astype(np.int32)
        np.add.at(turns, (crossed.ray[fits], cell[fits]), step[fits])
        depth = np.cumsum(turns, axis=1)
        is_in = depth % 2 == 1 if normal is None else depth > 0
        says = np.where(is_in, 1, -1).astype(np.int8)
        says[is_in[:, -1]] = 0  # a ray that ends inside has met a hole: it has no vote
        votes += np.moveaxis(says.reshape(*i.shape, shape[axis]), 2, axis)
    return np.asarray(votes > 0)


def _signed_distance(
    rays: Rays, inside: NDArray[np.bool_], origin: Floats, pitch: float
) -> NDArray[np.float32]:
    """Return the distance from the old surface, negative inside, true near the new one only."""
    signed = np.where(inside, -pitch, pitch).astype(np.float32)
    ball = ndimage.generate_binary_structure(3, 3)
    near = ndimage.binary_dilation(inside, ball) & ~ndimage.binary_erosion(inside, ball)
    points = origin + np.argwhere(near) * pitch
    place, _ = rays.nearest(points)
    distance = np.linalg.norm(points - place, axis=1)
    distance = np.clip(distance, 0.02 * pitch, pitch)  # never on the contour itself
    signed[near] = np.where(inside[near], -distance, distance)
    return signed


def _contour(signed: NDArray[np.float32], origin: Floats, pitch: float) -> Solid:
    """Return the body where the distance is below zero."""
    import pyvista as pv  # half a second to load, for models that must be rebuilt only

    grid = pv.ImageData(dimensions=signed.shape, spacing=(pitch,) * 3, origin=origin)
    grid.point_data["distance"] = signed.ravel(order="F")
    surface = grid.contour([0.0], scalars="distance", method="flying_edges")
    if surface.n_cells == 0:
        raise GeometryError(
            "the open model encloses nothing",
            code="geometry/rebuild-failed",
            fix="it may be a surface without thickness; export a solid body",
        )
    faces = np.asarray(surface.regular_faces, np.int64)
    points = np.asarray(surface.points, np.float64)
    a, b, c = (points[faces[:, k]] for k in range(3))
    outward = float(np.einsum("ij,ij->i", a - origin, np.cross(b - origin, c - origin)).sum()) > 0
    return Solid.from_mesh(points, faces if outward else faces[:, ::-1])


def _kept_share(mesh: Facets, solid: Solid, near_mm: float) -> float:
    """Return the share of the old surface that the new one goes along."""
    middle = mesh.points[mesh.faces].mean(axis=1)
    place, _ = Rays.of(solid).nearest(middle)
    area = np.linalg.norm(_normals(mesh), axis=1)
    is_kept = np.linalg.norm(middle - place, axis=1) <= near_mm
    return float(area[is_kept].sum() / area.sum())


def _deviation(mesh: Facets, solid: Solid) -> float:
    """Return the largest distance between the old surface and the new, looked at both ways."""
    points, faces = solid.mesh()
    back, _ = Rays(mesh.points, mesh.faces).nearest(points)
    corners = mesh.points[mesh.faces]
    samples = np.vstack([corners.reshape(-1, 3), corners.mean(axis=1)])
    forth, _ = Rays(points, faces).nearest(samples)
    return float(max(
        np.linalg.norm(points - back, axis=1).max(),
        np.linalg.norm(samples - forth, axis=1).max(),
    ))  # fmt: skip
