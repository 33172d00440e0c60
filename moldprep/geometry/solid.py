"""Solid: a closed body in mm. The only file that imports the mesh kernel.

Booleans are exact up to float64; a broken body stops here, at once. What goes in and out are
`Floats` and `Ints`, to be had here as well.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final, Self

import manifold3d
import numpy as np
from numpy.typing import NDArray
from shapely import get_parts, make_valid
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from moldprep.arrays import Floats as Floats
from moldprep.arrays import Ints as Ints
from moldprep.errors import GeometryError
from moldprep.tolerances import ROUNDING_MM3

SEGMENTS: Final = 64
"""Facets of a full circle where the caller does not say."""

HAIR_MM: Final = 1e-6
"""How far points are put off where needle facets mislead the kernel: a file holds less."""

MOST_ANCESTORS: Final = 20_000
"""Bodies a body may have been made of before it forgets them: a few megabytes of list."""


@dataclass(frozen=True, eq=False)
class Solid:
    """A closed body, in mm. Operations return new bodies; an empty body is legal."""

    _kernel: manifold3d.Manifold
    _n_ancestors: int = 1

    def __post_init__(self) -> None:
        status = self._kernel.status()  # also forces the kernel's lazy work to happen now
        if status is not manifold3d.Error.NoError:
            raise GeometryError(
                f"not a closed body ({status.name})",
                code="geometry/not-closed",
                fix="repair the model in CAD, or set casting.repair = 'rebuild'",
            )

    # ---- making ---------------------------------------------------------------------------

    @classmethod
    def empty(cls) -> Self:
        """Return a body without volume."""
        return cls(manifold3d.Manifold())

    @classmethod
    def from_mesh(cls, points: Floats, faces: Ints, sources: Ints | None = None) -> Self:
        """Return the body inside a closed, outward-facing triangle mesh.

        Parameters
        ----------
        points
            (n, 3) float64. [mm]
        faces
            (m, 3) int64, counter-clockwise from outside.
        sources
            (m,) int64 not below 0, what `face_sources` will say of each facet; its row if missing.

        Raises
        ------
        GeometryError
            geometry/not-closed, if an edge does not have exactly two faces.
        """
        mesh = manifold3d.Mesh64(
            vert_properties=np.ascontiguousarray(points, np.float64),
            tri_verts=np.ascontiguousarray(faces, np.uint64),
            face_id=np.asarray(np.arange(len(faces)) if sources is None else sources, np.uint64),
        )
        return cls(manifold3d.Manifold(mesh))

    @classmethod
    def from_file_mesh(
        cls, points: Floats, faces: Ints, slack_mm3: float, sources: Ints | None = None
    ) -> Self:
        """Return the body inside a mesh, of the volume that its own facets enclose.

        The kernel may close up needle facets wrongly as it takes a mesh in, and then hold another
        body: points put off by a hair, the same each time, leave it no needles. Parameters as
        `from_mesh`; `slack_mm3` is what the volumes may differ by.
        """
        solid = cls.from_mesh(points, faces, sources)
        if abs(solid.volume_mm3 - enclosed_mm3(points, faces)) <= slack_mm3:
            return solid
        hair = np.random.default_rng(0).uniform(-HAIR_MM, HAIR_MM, points.shape)
        return cls.from_mesh(points + hair, faces, sources)

    @classmethod
    def box(cls, low: Sequence[float], high: Sequence[float]) -> Self:
        """Return the axis-aligned box between two corners. [mm]"""
        size = np.subtract(high, low)
        if not (size > 0.0).all():
            raise ValueError(f"box: {low=}, {high=}")
        kernel = manifold3d.Manifold.cube([float(s) for s in size])
        return cls(kernel.translate([float(v) for v in low]))

    @classmethod
    def sphere(cls, radius_mm: float, segments: int = SEGMENTS) -> Self:
        """Return a faceted ball about the origin; its corners lie on the sphere."""
        return cls(manifold3d.Manifold.sphere(radius_mm, segments))

    @classmethod
    def cone(
        cls, r_low_mm: float, r_high_mm: float, height_mm: float, segments: int = SEGMENTS
    ) -> Self:
        """Return a cone or cylinder about z from z = 0 up; its corners lie on the circle."""
        return cls(manifold3d.Manifold.cylinder(height_mm, r_low_mm, r_high_mm, segments))

    @classmethod
    def extrude(cls, outline: Polygon | MultiPolygon, z_low: float, z_high: float) -> Self:
        """Return the upright prism over a plane outline, from z_low to z_high. [mm]"""
        if not z_high > z_low:
            raise ValueError(f"extrude: {z_low=}, {z_high=}")
        kernel = manifold3d.Manifold.extrude(_cross_section(outline), z_high - z_low)
        return cls(kernel.translate([0.0, 0.0, z_low]))

    @classmethod
    def revolve(cls, outline: Polygon, segments: int = SEGMENTS) -> Self:
        """Return the body of an (r, z) outline turned about the z axis. [mm]"""
        return cls(manifold3d.Manifold.revolve(_cross_section(outline), segments))

    @classmethod
    def hull_of(cls, points: Floats) -> Self:
        """Return the convex hull of (n, 3) points. [mm]"""
        return cls(manifold3d.Manifold.hull_points(np.ascontiguousarray(points, np.float64)))

    @classmethod
    def union(cls, bodies: Iterable["Solid"]) -> Self:
        """Return everything that is in any of the bodies."""
        operands = list(bodies)
        kernels = [body._kernel for body in operands]
        whole = manifold3d.Manifold.batch_boolean(kernels, manifold3d.OpType.Add)
        return cls(whole, sum(body._n_ancestors for body in operands) or 1)

    # ---- booleans -------------------------------------------------------------------------

    def __add__(self, other: "Solid") -> "Solid":
        return Solid(self._kernel + other._kernel, self._n_ancestors + other._n_ancestors)

    def __sub__(self, other: "Solid") -> "Solid":
        return _made_of(self._kernel - other._kernel, self, other)

    def __and__(self, other: "Solid") -> "Solid":
        return _made_of(self._kernel ^ other._kernel, self, other)

    def split(self, cutter: "Solid") -> tuple["Solid", "Solid"]:
        """Return (part inside the cutter, part outside it)."""
        inside, outside = self._kernel.split(cutter._kernel)
        return _made_of(inside, self, cutter), _made_of(outside, self, cutter)

    def split_at(self, normal: Sequence[float], offset_mm: float) -> tuple["Solid", "Solid"]:
        """Return (part on the side the normal points to, the other part) of a plane."""
        above, below = self._kernel.split_by_plane([float(v) for v in normal], float(offset_mm))
        return _made_of(above, self), _made_of(below, self)

    # ---- moving ---------------------------------------------------------------------------

    def moved(self, by: Sequence[float]) -> "Solid":
        """Return the body shifted by (x, y, z). [mm]"""
        return Solid(self._kernel.translate([float(v) for v in by]), self._n_ancestors)

    def turned(self, degrees_xyz: Sequence[float]) -> "Solid":
        """Return the body turned about x, then y, then z through the origin. [deg]"""
        return Solid(self._kernel.rotate([float(v) for v in degrees_xyz]), self._n_ancestors)

    def scaled(self, factors: Sequence[float]) -> "Solid":
        """Return the body scaled about the origin along x, y, z. [-]"""
        return Solid(self._kernel.scale([float(v) for v in factors]), self._n_ancestors)

    def transformed(self, matrix: Floats) -> "Solid":
        """Return the body under a (3, 4) affine matrix: p -> R p + t. [mm]"""
        return Solid(
            self._kernel.transform(np.ascontiguousarray(matrix, np.float64)), self._n_ancestors
        )

    # ---- reshaping ------------------------------------------------------------------------

    def hull(self) -> "Solid":
        """Return the convex hull."""
        return Solid(self._kernel.hull())

    def simplified(self, tolerance_mm: float) -> "Solid":
        """Return the body with facets merged; its surface moves by at most the tolerance.

        Its facets no longer know what they came from.
        """
        return Solid(self._kernel.as_original().simplify(tolerance_mm))

    def refined(self, length_mm: float) -> "Solid":
        """Return the same body with edges cut so that none is longer than this. [mm]"""
        return Solid(self._kernel.refine_to_length(float(length_mm)), self._n_ancestors)

    def parts(self) -> tuple["Solid", ...]:
        """Return the connected bodies, largest volume first; each keeps the voids inside it.

        Shells without volume, left where faces of two bodies coincide, are passed over.
        """
        shells = [Solid(kernel, self._n_ancestors) for kernel in self._kernel.decompose()]
        shells = [shell for shell in shells if abs(shell.volume_mm3) > ROUNDING_MM3]
        outer = sorted((s for s in shells if s.volume_mm3 > 0.0), key=lambda s: s.volume_mm3)
        held: list[list[Solid]] = [[body] for body in outer]
        for void in (s for s in shells if s.volume_mm3 <= 0.0):
            point = void.mesh()[0][0]
            around = [k for k, body in enumerate(outer) if _is_within(point, body.bounds)]
            if len(around) > 1:
                around = [k for k in around if _winding(point, outer[k]) > 0.5]
            if around:
                held[around[0]].append(void)
        pieces = [_joined(group) if len(group) > 1 else group[0] for group in held]
        return tuple(sorted(pieces, key=lambda body: (-body.volume_mm3, *body.bounds[0])))

    def without_specks(self, speck_mm3: float) -> "Solid":
        """Return the body without loose pieces and voids smaller than a speck."""
        shells = [Solid(kernel, self._n_ancestors) for kernel in self._kernel.decompose()]
        kept = [shell for shell in shells if abs(shell.volume_mm3) >= speck_mm3]
        return self if len(kept) == len(shells) else _joined(kept)

    # ---- measuring ------------------------------------------------------------------------

    @property
    def is_empty(self) -> bool:
        """Whether nothing is left."""
        return bool(self._kernel.is_empty())

    @cached_property
    def volume_mm3(self) -> float:
        """Enclosed volume. [mm³]"""
        return float(self._kernel.volume())

    @cached_property
    def area_mm2(self) -> float:
        """Surface area. [mm²]"""
        return float(self._kernel.surface_area())

    @cached_property
    def bounds(self) -> Floats:
        """(2, 3) float64: lowest and highest corner; NaN where empty. [mm]"""
        if self.is_empty:
            return np.full((2, 3), np.nan)
        return np.reshape(np.asarray(self._kernel.bounding_box(), np.float64), (2, 3))

    @property
    def size_mm(self) -> Floats:
        """(3,) extents. [mm]"""
        return np.asarray(self.bounds[1] - self.bounds[0])

    @cached_property
    def centroid_mm(self) -> Floats:
        """(3,) center of the volume; NaN where empty. [mm]"""
        points, faces = self.mesh()
        if len(faces) == 0:
            return np.full(3, np.nan)
        a, b, c = (points[faces[:, k]] - points[0] for k in range(3))
        six_volumes = np.einsum("ij,ij->i", a, np.cross(b, c))
        middle: Floats = ((a + b + c) * six_volumes[:, None]).sum(axis=0) / (
            4.0 * six_volumes.sum()
        )
        return np.asarray(middle + points[0])

    @property
    def genus(self) -> int:
        """Number of handles of the surface."""
        return int(self._kernel.genus())

    @property
    def n_triangles(self) -> int:
        """Number of facets."""
        return int(self._kernel.num_tri())

    def mesh(self) -> tuple[Floats, Ints]:
        """Return (points (n, 3) float64 [mm], faces (m, 3) int64), outward."""
        mesh = self._kernel.to_mesh64()
        points = np.array(mesh.vert_properties[:, :3], np.float64)
        return points, np.array(mesh.tri_verts, np.int64)

    def face_sources(self) -> Ints:
        """Return (m,) the source in `from_mesh` each facet came from; aligned with `mesh()`.

        Holds for bodies made by `from_mesh`, moved, scaled, or joined with one another; a cut
        forgets.
        """
        return np.array(self._kernel.to_mesh64().face_id, np.int64)

    def may_touch(self, other: "Solid") -> bool:
        """Return whether the boxes round two bodies meet; False only if they are surely apart."""
        (low, high), (low_2, high_2) = self.bounds, other.bounds
        return bool((low <= high_2).all() and (low_2 <= high).all())

    def gap_mm(self, other: "Solid", search_mm: float) -> float:
        """Return the smallest distance to another body, at most `search_mm`. [mm]"""
        return float(self._kernel.min_gap(other._kernel, search_mm))

    def slice_at(self, z_mm: float) -> MultiPolygon:
        """Return the cross-section at a height, in x and y. [mm]"""
        return _outline(self._kernel.slice(float(z_mm)))

    def shadow(self) -> MultiPolygon:
        """Return the outline seen along z, in x and y. [mm]"""
        return _outline(self._kernel.project())


def _made_of(kernel: manifold3d.Manifold, *operands: Solid) -> Solid:
    """Return what an operation made; with too many ancestors, it forgets them.

    The kernel lists the ancestors of all operands, so that a body cut with one it was cut from
    doubles its list each time, and would fill the memory after thirty such cuts. To forget is not
    free: facets nearly in one plane become one, and later cuts lose some volume by it.
    """
    n_ancestors = sum(body._n_ancestors for body in operands)
    if n_ancestors > MOST_ANCESTORS:
        return Solid(kernel.as_original())
    return Solid(kernel, n_ancestors)


def _joined(shells: Sequence[Solid]) -> Solid:
    """Return an outer shell and the shells of its voids as one body."""
    meshes = [shell.mesh() for shell in shells]
    starts = np.cumsum([0] + [len(points) for points, _ in meshes[:-1]])
    faces = [faces + start for (_, faces), start in zip(meshes, starts, strict=True)]
    return Solid.from_mesh(np.vstack([points for points, _ in meshes]), np.vstack(faces))


def _is_within(point: Floats, bounds: Floats) -> bool:
    return bool((point >= bounds[0]).all() and (point <= bounds[1]).all())


def _winding(point: Floats, body: Solid) -> float:
    """Return how often the surface winds round a point: 1 inside, 0 outside."""
    points, faces = body.mesh()
    corners = points[faces] - point
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    la, lb, lc = (np.linalg.norm(v, axis=1) for v in (a, b, c))
    dots = [np.einsum("ij,ij->i", u, v) for u, v in ((a, b), (b, c), (c, a))]
    above = np.einsum("ij,ij->i", a, np.cross(b, c))
    below = la * lb * lc + dots[0] * lc + dots[1] * la + dots[2] * lb
    return float(np.arctan2(above, below).sum() / (2.0 * np.pi))


def enclosed_mm3(points: NDArray[np.floating], faces: Ints) -> float:
    """Return the volume inside a closed, outward mesh. [mm³]"""
    if len(faces) == 0:
        return 0.0
    near = points.astype(np.float64) - points[0]
    a, b, c = (near[faces[:, k]] for k in range(3))
    return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6.0)


def filled(loops: Sequence[Floats]) -> Ints:
    """Return (m, 3) triangles between plane loops, counter-clockwise; holes run clockwise.

    Every point of every loop is used, and every edge of the loops borders one triangle.

    Parameters
    ----------
    loops
        Each (k, 2) float64; the triangles number their points one loop after another. [mm]
    """
    return np.array(manifold3d.triangulate([np.ascontiguousarray(r) for r in loops]), np.int64)


def _cross_section(outline: Polygon | MultiPolygon) -> manifold3d.CrossSection:
    polygons = outline.geoms if isinstance(outline, MultiPolygon) else [outline]
    rings = []
    for polygon in polygons:
        ccw = orient(polygon)
        rings += [np.asarray(ring.coords)[:-1, :2] for ring in (ccw.exterior, *ccw.interiors)]
    return manifold3d.CrossSection(rings, manifold3d.FillRule.Positive)


def _outline(section: manifold3d.CrossSection) -> MultiPolygon:
    """Return shapely polygons with holes; the kernel gives rings, holes clockwise."""
    shells: list[Polygon] = []
    for island in section.decompose():
        rings = sorted((Polygon(ring) for ring in island.to_polygons()), key=lambda r: -r.area)
        if rings and rings[0].area > 0.0:
            shells.append(Polygon(rings[0].exterior, [ring.exterior for ring in rings[1:]]))
    outline = MultiPolygon(shells)
    return outline if outline.is_valid else _only_polygons(make_valid(outline))


def _only_polygons(shape: BaseGeometry) -> MultiPolygon:
    """Return the parts of a shape that have an area."""
    kept = [part for part in get_parts(get_parts(shape)) if part.geom_type == "Polygon"]
    return MultiPolygon(kept)
