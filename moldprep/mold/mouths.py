"""Mouths: the planes across the openings through which a core meets the sand outside."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from moldprep.arrays import Flags
from moldprep.geometry.solid import Floats, Solid
from moldprep.mold.enclosed import Opening

DIP_MM: Final = 1e-3
"""How far inside an opening its plane is set, so that metal closes the sand off all round."""

FLAT_DEG: Final = 15.0
"""A facet is part of the flat round an opening up to this angle from the measured normal."""

NOISE_DEG: Final = 0.05
"""A flat this near to square is square: single precision in a mesh file."""

EDGE_DEG: Final = 75.0
"""The two flats of an opening at an edge lean from its normal by less than this."""

NEAR_CUBES: Final = 1.5
"""Cubes by which the places of an opening may rise above the flats at its edge."""

LEAST_SIDE: Final = 0.1
"""Share of all flat facets round an opening at an edge that each of its two sides has."""

BOTH_SIDES: Final = 0.7
"""Share of them that both have: less is a bent surface."""

BENT_DEG: Final = 5.0
"""An opening without a flat that is this near to square is taken as square."""

UPRIGHT: Final = 0.7
"""An opening whose normal has more than this along z looks up or down."""


@dataclass(frozen=True)
class Plane:
    """A plane across an opening, or across one side of it.

    normal : unit, outward; the plane is normal · p = offset_mm
    spread : (2, 2) lowest and highest (u, v) of a rectangle that covers the opening, see `frame`
    """

    normal: Floats
    offset_mm: float
    spread: Floats

    def slab(self, thick_mm: float) -> Solid:
        """Return the slab of this thickness outside the plane, over its rectangle."""
        u, v = frame(self.normal)
        corners = [
            a * u + b * v + c * self.normal
            for a in self.spread[:, 0]
            for b in self.spread[:, 1]
            for c in (self.offset_mm, self.offset_mm + thick_mm)
        ]
        return Solid.hull_of(np.array(corners))


@dataclass(frozen=True)
class Flat:
    """Facets of a casting that lie in one plane near an opening; weight: nearness times area."""

    normal: Floats
    offset_mm: float
    weight: float


@dataclass(frozen=True)
class Mouth:
    """Where a core ends before it gets a print: at a plane, or at two where it opens at an edge.

    normal  : unit, outward; the plane's, or the mean of both
    plug    : the slabs outside the planes
    rise_mm : how far the rim reaches outside the plane: no flat was there to set it by; 0 in a flat
    """

    planes: tuple[Plane, ...]
    normal: Floats
    plug: Solid
    at_mm: Floats
    rise_mm: float = 0.0

    @property
    def is_bent(self) -> bool:
        """Whether there was no flat to set its plane by."""
        return self.rise_mm > 0.0

    @property
    def offset_mm(self) -> float:
        """Place of the first plane along its normal."""
        return self.planes[0].offset_mm

    @property
    def smaller_mm(self) -> float:
        """Smaller side of the rectangle that covers the opening in its first plane."""
        return float(np.ptp(self.planes[0].spread, axis=0).min())

    @property
    def u(self) -> Floats:
        """Unit vector across the mouth, level."""
        return frame(self.normal)[0]

    @property
    def v(self) -> Floats:
        """Unit vector across the mouth, up where it can be."""
        return frame(self.normal)[1]

    @property
    def is_upright(self) -> bool:
        """Whether it looks up or down."""
        return abs(float(self.normal[2])) > UPRIGHT

    def slab(self, thick_mm: float) -> Solid:
        """Return the slab of this thickness outside the planes."""
        return Solid.union(plane.slab(thick_mm) for plane in self.planes)

    def outside(self, body: Solid, by_mm: float = 0.0) -> Solid:
        """Return the part of a body outside the planes, moved outward by so much."""
        parts, inside = [], body
        for plane in self.planes:
            nx, ny, nz = plane.normal
            outer, inside = inside.split_at((nx, ny, nz), plane.offset_mm + by_mm)
            parts.append(outer)
        return Solid.union(parts) if len(parts) > 1 else parts[0]

    def holds(self, points: Floats, within_mm: float) -> Flags:
        """Return which of some points lie in its planes."""
        held = np.zeros(len(points), bool)
        for plane in self.planes:
            held |= np.abs(points @ plane.normal - plane.offset_mm) < within_mm
        low, high = self.plug.bounds
        return np.asarray(
            held & ((points > low - within_mm) & (points < high + within_mm)).all(axis=1)
        )


def flat_mouth(plane: Plane, thick_mm: float, at_mm: Floats) -> Mouth:
    """Return the mouth at one plane, with a plug of this thickness."""
    return Mouth((plane,), plane.normal, plane.slab(thick_mm), at_mm)


class Skin:
    """The facets of a casting, to find the flats round an opening."""

    def __init__(self, casting: Solid) -> None:
        points, faces = casting.mesh()
        corners = points[faces]
        cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        length = np.linalg.norm(cross, axis=1)
        self.area = 0.5 * length
        self.normal = np.divide(
            cross, length[:, None], out=np.zeros_like(cross), where=length[:, None] > 0.0
        )
        self.low, self.high = corners.min(axis=1), corners.max(axis=1)
        self.middle = corners.mean(axis=1)
        self.offset = np.einsum("ij,ij->i", self.normal, corners[:, 0])

    def flat_at(self, opening: Opening, pitch_mm: float) -> Flat | None:
        """Return the largest flat round an opening, None where it is bent.

        The flat faces along the opening (a flange) or against it (the inside of a wall).
        """
        toward = self.normal @ opening.normal
        flats = self._flats(opening, pitch_mm, np.abs(toward) > math.cos(math.radians(FLAT_DEG)))
        if not flats or flats[0].weight < max(0.25 * sum(f.weight for f in flats), pitch_mm**2):
            return None
        return flats[0]

    def edge_at(self, opening: Opening, pitch_mm: float) -> tuple[Flat, ...]:
        """Return the two flats that meet where an opening lies at an edge; none elsewhere."""
        toward = self.normal @ opening.normal
        flats = self._flats(opening, pitch_mm, toward > math.cos(math.radians(EDGE_DEG)))
        total = sum(flat.weight for flat in flats)
        sides = tuple(flats[:2])
        if len(sides) < 2 or sides[1].weight < LEAST_SIDE * total:
            return ()
        if sum(side.weight for side in sides) < BOTH_SIDES * total:
            return ()
        rise = [opening.places @ side.normal - side.offset_mm for side in sides]
        return sides if np.max(rise) < NEAR_CUBES * pitch_mm else ()

    def _flats(self, opening: Opening, pitch_mm: float, chosen: Flags) -> list[Flat]:
        """Return the flats round an opening that chosen facets make up, the weightiest first."""
        blur = pitch_mm + max(np.abs(opening.reach_mm))
        reach = 2.0 * blur
        near = chosen & (self.low <= opening.bounds[1] + reach).all(axis=1)
        near &= (self.high >= opening.bounds[0] - reach).all(axis=1)
        rows = np.flatnonzero(near)
        side = np.sign(self.normal[rows] @ opening.normal)
        normal, offset = self.normal[rows] * side[:, None], self.offset[rows] * side
        height = (offset - normal @ opening.at_mm) / blur
        weight = np.where(np.abs(height) < 2.5, self.area[rows] / (1.0 + height**2) ** 2, 0.0)
        keys = np.round(np.column_stack([normal, 0.1 * offset]), 3)
        _, group = np.unique(keys, axis=0, return_inverse=True)
        group = group.ravel()
        share = np.bincount(group, weights=weight)
        found = []
        for k in np.argsort(-share, kind="stable"):
            if share[k] > 0.0:
                row = int(np.where(group == k, weight, 0.0).argmax())
                squared = _squared(normal[row], NOISE_DEG)
                found.append(Flat(squared, float(squared @ self.middle[rows[row]]), share[k]))
        return found


def make_mouth(opening: Opening, skin: Skin, pitch_mm: float) -> Mouth:
    """Return the mouth at an opening: the flat round it, two at an edge, else inside its rim."""
    low, high = opening.reach_mm
    flat = skin.flat_at(opening, pitch_mm)
    sides = (flat,) if flat is not None else skin.edge_at(opening, pitch_mm)
    if not sides:
        return bent_mouth(opening, pitch_mm)
    thick = 3.0 * pitch_mm + high - low
    planes = tuple(_plane(side, opening, pitch_mm) for side in sides)
    mean = np.sum([side.weight * side.normal for side in sides], axis=0)
    normal = planes[0].normal if len(planes) == 1 else mean / np.linalg.norm(mean)
    plug = Solid.union(plane.slab(thick) for plane in planes)
    return Mouth(planes, normal, plug, opening.at_mm)


def bent_mouth(opening: Opening, pitch_mm: float) -> Mouth:
    """Return the mouth inside the rim of an opening without a flat."""
    return _bent_mouth(opening, pitch_mm, _squared(opening.normal, BENT_DEG))


def square_mouth(opening: Opening, pitch_mm: float) -> Mouth:
    """Return the mouth inside the rim of a bent opening, square to the nearest axis."""
    return _bent_mouth(opening, pitch_mm, _squared(opening.normal, 90.0))


def _bent_mouth(opening: Opening, pitch_mm: float, normal: Floats) -> Mouth:
    """Return the mouth just inside the rim of an opening, across a normal."""
    along = opening.places @ normal
    low, high = float(along.min()), float(along.max())
    plane = _plane(Flat(normal, low - pitch_mm, 1.0), opening, pitch_mm)
    plug = plane.slab(4.0 * pitch_mm + high - low)
    return Mouth((plane,), normal, plug, opening.at_mm, rise_mm=high - low + pitch_mm)


def _plane(flat: Flat, opening: Opening, pitch_mm: float) -> Plane:
    """Return a flat's plane, set a little inward, over a rectangle that covers an opening.

    The opening's places are taken straight to the plane and along its normal: a slanted bore
    meets the flat further on.
    """
    lift = (flat.offset_mm - opening.places @ flat.normal) / float(flat.normal @ opening.normal)
    spots = np.vstack([opening.places, opening.places + np.outer(lift, opening.normal)])
    across = np.column_stack([spots @ axis for axis in frame(flat.normal)])
    reach = 2.5 * pitch_mm
    spread = np.array([across.min(axis=0) - reach, across.max(axis=0) + reach])
    return Plane(flat.normal, flat.offset_mm - DIP_MM, spread)


def frame(normal: Floats) -> tuple[Floats, Floats]:
    """Return (u, v) across a normal: u level, v up where it can be."""
    level = np.cross([0.0, 0.0, 1.0], normal)
    length = float(np.linalg.norm(level))
    u = level / length if length > 1e-6 else np.array([1.0, 0.0, 0.0])
    return u, np.cross(normal, u)


def rim_of(core: Solid, mouth: Mouth) -> Floats:
    """Return (n, 3) the corners of a core that lie in the planes of its mouth. [mm]"""
    points = core.mesh()[0]
    in_plane = np.zeros(len(points), bool)
    for plane in mouth.planes:
        in_plane |= np.abs(points @ plane.normal - plane.offset_mm) < 0.1 * DIP_MM
    low, high = mouth.plug.bounds
    in_plane &= ((points > low - 2 * DIP_MM) & (points < high + 2 * DIP_MM)).all(axis=1)
    return np.asarray(points[in_plane])


def _squared(normal: Floats, within_deg: float) -> Floats:
    """Return the axis a normal is this near to, else the normal."""
    axis = int(np.abs(normal).argmax())
    if abs(float(normal[axis])) < math.cos(math.radians(within_deg)):
        return normal
    squared = np.zeros(3)
    squared[axis] = math.copysign(1.0, normal[axis])
    return squared
