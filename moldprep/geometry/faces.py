"""Faces of a body: facets with their neighbors, selectors, patches."""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from moldprep.arrays import Colors, Flags
from moldprep.geometry.rays import Rays
from moldprep.geometry.solid import Floats, Ints, Solid
from moldprep.records.casting import Casting, Role
from moldprep.records.job import FaceSelector

CYLINDER_OFF_REL: Final = 0.02
"""Facets are chords of the true cylinder: a corner may be off the radius by this share of it."""

CYLINDER_OFF_MM: Final = 0.5
"""And by this much whatever the radius, for models rounded to a tenth of a millimetre."""

CYLINDER_NORMAL_DEG: Final = 20.0
"""A normal on a cylinder is across its axis; coarse facets at fillets are off by less than this."""


THIN_MM: Final = 1e-3
"""A facet less high than this has no direction: float32 files are off by 3e-5 mm at 500 mm."""

SPECK_SHARE: Final = 1e-4
"""A face with less than this share of the surface is a leftover of a fillet's mesh."""

LEANS_OUT_DEG: Final = 1.5
"""A facet of a plane face leans less than this; the first chord of a fillet leans more."""

PLANE_FACE_SHARE: Final = 0.8
"""A chosen face is plane when so much of it leans no more than that."""

CARRY_MM: Final = 0.05
"""A facet of a boolean's result lies on the facet it came from but for rounding."""


@dataclass(frozen=True, eq=False)
class Surface:
    """A closed, outward triangle mesh with what its neighbors make of it.

    points : (n, 3) float64 [mm]
    faces  : (m, 3) int64
    """

    points: Floats
    faces: Ints

    @classmethod
    def of(cls, solid: Solid) -> "Surface":
        """Return the surface of a solid; facets are numbered as in `solid.mesh()`."""
        return cls(*solid.mesh())

    @cached_property
    def rays(self) -> Rays:
        """The scene of the mesh. [mm]"""
        return Rays(self.points, self.faces)

    @cached_property
    def _cross(self) -> Floats:
        a, b, c = (self.points[self.faces[:, k]] for k in range(3))
        return np.asarray(np.cross(b - a, c - a))

    @cached_property
    def area_mm2(self) -> Floats:
        """(m,) area of each facet. [mm²]"""
        return np.asarray(0.5 * np.linalg.norm(self._cross, axis=1))

    @cached_property
    def normals(self) -> Floats:
        """(m, 3) outward unit normals; zero for a facet without area. [-]"""
        return np.asarray(
            self._cross / np.maximum(2.0 * self.area_mm2, np.finfo(float).tiny)[:, None]
        )

    @cached_property
    def least_height_mm(self) -> Floats:
        """(m,) height of each facet over its longest edge. [mm]"""
        at = self.points[self.faces]
        longest = np.linalg.norm(at - np.roll(at, 1, axis=1), axis=2).max(axis=1)
        return np.asarray(2.0 * self.area_mm2 / np.maximum(longest, 1e-12))

    @property
    def is_thin(self) -> Flags:
        """(m,) facets so thin that rounding decides where they face."""
        return np.asarray(self.least_height_mm <= THIN_MM)

    @cached_property
    def centers_mm(self) -> Floats:
        """(m, 3) middles of the facets. [mm]"""
        return np.asarray(self.points[self.faces].mean(axis=1))

    @cached_property
    def corner_angles(self) -> Floats:
        """(m, 3) angle of each facet at each of its corners. [rad]"""
        at = self.points[self.faces]
        ahead, behind = np.roll(at, -1, axis=1) - at, np.roll(at, 1, axis=1) - at
        across = np.linalg.norm(np.cross(ahead, behind), axis=2)
        return np.asarray(np.arctan2(across, np.einsum("ijk,ijk->ij", ahead, behind)))

    @cached_property
    def neighbors(self) -> tuple[Ints, Ints]:
        """Return ((k, 2) the facets at each edge, (k, 2) the points of that edge)."""
        edges = np.sort(self.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
        order = np.lexsort((edges[:, 1], edges[:, 0]))
        return (order // 3).reshape(-1, 2), edges[order].reshape(-1, 2, 2)[:, 0]

    @cached_property
    def edge_mm(self) -> Floats:
        """(k,) length of each edge, in the order of `neighbors`. [mm]"""
        _, ends = self.neighbors
        return np.asarray(np.linalg.norm(np.diff(self.points[ends], axis=1)[:, 0], axis=1))

    @cached_property
    def bend_deg(self) -> Floats:
        """(k,) angle between the facets at each edge, 0 where they are one plane. [deg]"""
        pair, _ = self.neighbors
        one, two = self.normals[pair[:, 0]], self.normals[pair[:, 1]]
        across = np.linalg.norm(np.cross(one, two), axis=1)
        return np.asarray(np.degrees(np.arctan2(across, np.einsum("ij,ij->i", one, two))))

    def patches(self, is_in: Flags, is_join: Flags | None = None) -> Ints:
        """Return (m,) the patch number of each facet, -1 for facets that are not in.

        Parameters
        ----------
        is_in
            (m,) facets to group.
        is_join
            (k,) edges that join, in the order of `neighbors`; all if not given.
        """
        pair, _ = self.neighbors
        keep = is_in[pair].all(axis=1)
        if is_join is not None:
            keep &= is_join
        one, two = pair[keep, 0], pair[keep, 1]
        m = len(self.faces)
        graph = coo_array((np.ones(len(one), np.int8), (one, two)), shape=(m, m))
        _, label = connected_components(graph, directed=False)
        _, number = np.unique(label[is_in], return_inverse=True)
        patch = np.full(m, -1, np.int64)
        patch[is_in] = number
        return patch

    def volume_mm3(self) -> float:
        """Return the enclosed volume. [mm³]"""
        corner = self.points[self.faces[:, 0]] - self.points.mean(axis=0)
        return float(np.einsum("ij,ij->", corner, self._cross) / 6.0)


def unit(vector: Iterable[float]) -> Floats:
    """Return a vector of length 1. [-]

    Examples
    --------
    >>> unit((0.0, 3.0, 4.0)).tolist()
    [0.0, 0.6, 0.8]
    """
    values = np.asarray(tuple(vector), np.float64)
    length = float(np.linalg.norm(values))
    if not length > 0.0:
        raise ValueError(f"unit: {values} has no direction")
    return np.asarray(values / length)


def select(surface: Surface, selector: FaceSelector, colors: Colors) -> Flags:
    """Return (m,) the facets a selector means; all of its conditions hold together.

    Parameters
    ----------
    surface
        The casting in the frame the selector speaks in.
    selector
        What is wanted; a selector without any condition means no facet.
    colors
        (m, 4) color of each facet, or (0, 4) where there is none.
    """
    asked = [
        condition
        for condition in (
            _toward(surface, selector),
            _on_plane(surface, selector),
            _in_box(surface, selector),
            _on_cylinder(surface, selector),
            _colored(surface, selector, colors),
        )
        if condition is not None
    ]
    if not asked:
        return np.zeros(len(surface.faces), np.bool_)
    return np.asarray(np.logical_and.reduce(asked))


def select_any(surface: Surface, selectors: Iterable[FaceSelector], colors: Colors) -> Flags:
    """Return (m,) the facets that at least one selector means."""
    chosen = np.zeros(len(surface.faces), np.bool_)
    for selector in selectors:
        chosen |= select(surface, selector, colors)
    return chosen


def without_specks(surface: Surface, chosen: Flags) -> Flags:
    """Return (m,) the chosen facets but for those a tolerance let in from the fillets around.

    Single ones go, and those at the rim of a plane face that lean out of its plane.
    """
    mine = np.flatnonzero(chosen)
    patch = surface.patches(chosen)[mine]
    each = surface.area_mm2[mine]
    area = np.bincount(patch, each)
    normals = surface.normals[mine]
    total = np.column_stack([np.bincount(patch, each * normals[:, k]) for k in range(3)])
    lead = total / np.maximum(np.linalg.norm(total, axis=1), 1e-12)[:, None]
    flat = np.einsum("ij,ij->i", normals, lead[patch]) >= np.cos(np.radians(LEANS_OUT_DEG))
    is_plane = np.bincount(patch, each * flat) >= PLANE_FACE_SHARE * area
    kept = np.zeros_like(chosen)
    kept[mine] = flat | ~is_plane[patch]
    patch = surface.patches(kept)[kept]
    area = np.bincount(patch, surface.area_mm2[kept])
    kept[kept] = (area >= SPECK_SHARE * surface.area_mm2.sum())[patch]
    return kept


def face_colors(casting: Casting, surface: Surface) -> Colors:
    """Return (m, 4) the color of each facet of `casting.solid`, or (0, 4) where there is none.

    Colors belong to the first casting body; where several were united, each facet takes the
    color of the nearest facet of that body.
    """
    colors = casting.face_color
    bodies = [body.solid for body in casting.bodies if body.role is Role.CASTING]
    if len(colors) == 0 or (len(bodies) == 1 and len(colors) == len(surface.faces)):
        return colors
    _, nearest = Rays.of(bodies[0]).nearest(surface.centers_mm)
    return np.asarray(colors[nearest])


def _toward(surface: Surface, selector: FaceSelector) -> Flags | None:
    if selector.toward is None:
        return None
    cosine = surface.normals @ unit(selector.toward)
    return np.asarray(cosine >= np.cos(np.radians(selector.within_deg)) - 1e-12)


def _on_plane(surface: Surface, selector: FaceSelector) -> Flags | None:
    """Return the facets wholly in a plane; without `toward`, its normal is the facet's own."""
    if selector.plane_at is None:
        return None
    off = surface.points[surface.faces] - np.asarray(selector.plane_at)
    if selector.toward is None:
        height = np.einsum("ijk,ik->ij", off, surface.normals)
    else:
        height = off @ unit(selector.toward)
    return np.asarray((np.abs(height) <= selector.plane_off_mm).all(axis=1))


def _in_box(surface: Surface, selector: FaceSelector) -> Flags | None:
    if selector.box is None:
        return None
    low, high = np.sort(np.asarray(selector.box), axis=0)
    inside = ((surface.points >= low - 1e-6) & (surface.points <= high + 1e-6)).all(axis=1)
    return np.asarray(inside[surface.faces].all(axis=1))


def _on_cylinder(surface: Surface, selector: FaceSelector) -> Flags | None:
    """Return the facets on a cylinder between the two axis points."""
    if selector.cylinder is None:
        return None
    start, end = (np.asarray(point) for point in selector.cylinder)
    axis = unit(end - start)
    along = (surface.points - start) @ axis
    radius = np.linalg.norm(surface.points - start - along[:, None] * axis, axis=1)
    slack = CYLINDER_OFF_MM
    is_on = (along >= -slack) & (along <= float(np.linalg.norm(end - start)) + slack)
    if selector.cylinder_radius_mm is not None:
        wanted = selector.cylinder_radius_mm
        is_on &= np.abs(radius - wanted) <= max(slack, CYLINDER_OFF_REL * wanted)
    is_across = np.abs(surface.normals @ axis) <= np.sin(np.radians(CYLINDER_NORMAL_DEG))
    out = surface.centers_mm - start
    out -= (out @ axis)[:, None] * axis
    length = np.maximum(np.linalg.norm(out, axis=1), 1e-12)
    is_round = np.abs(np.einsum("ij,ij->i", surface.normals, out)) >= 0.9 * length
    return np.asarray(is_on[surface.faces].all(axis=1) & is_across & is_round)


def _colored(surface: Surface, selector: FaceSelector, colors: Colors) -> Flags | None:
    if selector.color is None:
        return None
    if len(colors) != len(surface.faces):
        return np.zeros(len(surface.faces), np.bool_)
    wanted = bytes.fromhex(selector.color.lstrip("#"))
    return np.asarray((colors[:, :3] == np.frombuffer(wanted[:3], np.uint8)).all(axis=1))


def carried(
    labels: tuple[Flags, ...], old: Surface, new: Surface, off_mm: float = CARRY_MM
) -> tuple[Flags, ...]:
    """Return the labels of old facets on new facets that lie on them; False elsewhere.

    A new facet lies on the old one nearest to its middle, if that is near and faces alike.
    """
    place, nearest = old.rays.nearest(new.centers_mm)
    is_on = np.linalg.norm(place - new.centers_mm, axis=1) <= off_mm
    is_on &= np.einsum("ij,ij->i", old.normals[nearest], new.normals) > 0.7
    return tuple(np.asarray(label[nearest] & is_on) for label in labels)
