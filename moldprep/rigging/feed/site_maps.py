"""Maps of a pattern: its top, its underside, its holes, and where core prints will lie.

All maps share the survey's lattice; they are one cell of it exact. Pattern frame, z up.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from shapely import affinity, distance, points
from shapely.geometry import LineString, MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

from moldprep.geometry.rays import Rays
from moldprep.records import Pattern, Placement, PrintRoom, Survey

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

Disc = tuple[float, float, float]
"""Room that is taken, from above: x, y, radius. [mm]"""

N_LEVELS: Final = 24
"""Heights at which pockets are looked for."""

SIDE_GAP_MM: Final = 10.0
"""Sand between a feeder and what stands beside it, at least: thinner sand burns through between
iron or steel (common practice, no source)."""

FOOT_SHARE: Final = 0.25
"""A feeder on top may be in metal up to this share of its width over its foot."""

LEVEL: Final = 0.7
"""A face counts as facing up or down where its normal has at least this much z (45°)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Face:
    """What rays see of the pattern from above or from below, column by column.

    z_mm  : (nx, ny) height, NaN beside the pattern
    level : normal's share along the ray, outward positive
    label : section under the skin, 0 for none
    """

    z_mm: Floats
    level: Floats
    is_kept: Bools
    is_machined: Bools
    label: NDArray[np.int64]


class Maps:
    """What is seen of one pattern, column by column."""

    def __init__(
        self,
        pattern: Pattern,
        survey: Survey,
        joints_mm: tuple[float, ...],
        rivals: MultiPolygon | None = None,
        rooms: tuple[PrintRoom, ...] = (),
    ) -> None:
        """Take the pattern, where the sand parts, other castings' outlines, core prints' room."""
        self.joints_mm = joints_mm
        self._rooms = tuple((Polygon(r.outline_mm), r.low_mm, r.high_mm) for r in rooms)
        self._pattern, self._survey = pattern, survey
        self._rivals = rivals if rivals is not None and not rivals.is_empty else None
        self._pitch = survey.pitch_mm
        self._rays = Rays.of(pattern.solid)
        corner, faces = pattern.solid.mesh()
        a, b, c = (corner[faces[:, k]] for k in range(3))
        across = np.cross(b - a, c - a)
        self._normal = across / np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-12)
        nx, ny, _ = survey.label.shape
        self._x = survey.origin_mm[0] + (np.arange(nx) + 0.5) * self._pitch
        self._y = survey.origin_mm[1] + (np.arange(ny) + 0.5) * self._pitch

    @cached_property
    def top(self) -> Face:
        """The pattern seen from above."""
        return self._seen(up=True)

    @cached_property
    def bottom(self) -> Face:
        """The pattern seen from below."""
        return self._seen(up=False)

    def _seen(self, *, up: bool) -> Face:
        label = self._survey.label
        nx, ny, _ = label.shape
        low, high = self._pattern.solid.bounds[:, 2]
        sign = 1.0 if up else -1.0
        start = np.empty((nx * ny, 3))
        start[:, 0], start[:, 1] = np.repeat(self._x, ny), np.tile(self._y, nx)
        start[:, 2] = high + 1.0 if up else low - 1.0
        distance, facet = self._rays.first(start, np.array([0.0, 0.0, -sign]))
        hit = facet >= 0
        z = np.where(hit, start[:, 2] - sign * distance, np.nan)
        take = np.maximum(facet, 0)
        inside = label[:, :, ::-1] if up else label
        first = np.argmax(inside > 0, axis=2)
        under = np.take_along_axis(inside, first[:, :, None], axis=2)[:, :, 0]
        return Face(
            z_mm=z.reshape(nx, ny),
            level=np.where(hit, sign * self._normal[take, 2], 0.0).reshape(nx, ny),
            is_kept=(hit & self._pattern.is_kept_clear[take]).reshape(nx, ny),
            is_machined=(hit & self._pattern.is_machined[take]).reshape(nx, ny),
            label=np.where(hit.reshape(nx, ny), under, 0).astype(np.int64),
        )

    @cached_property
    def _holes(self) -> Bools:
        """Columns beside the pattern that it surrounds: bores and windows."""
        solid = np.isfinite(self.top.z_mm)
        return np.asarray(ndimage.binary_fill_holes(solid) & ~solid)

    @cached_property
    def _pocket_mm(self) -> Floats:
        """How deep each column lies in a pocket the pattern surrounds, seen from above. [mm]"""
        z = np.nan_to_num(self.top.z_mm, nan=-np.inf)
        deep = np.zeros(z.shape)
        lowest, highest = (float(z) for z in self._pattern.solid.bounds[:, 2])
        for level in np.linspace(lowest, highest, N_LEVELS):
            high = z >= level
            inside = ndimage.binary_fill_holes(high) & ~high & np.isfinite(z)
            deep[inside] = level - z[inside]
        return deep

    def _ground(self, face: Face, is_kept: Bools) -> Floats:
        """Return how far each column is from an edge, a step, a kept face or a steep slope. [mm]"""
        z = np.nan_to_num(face.z_mm, nan=-1e9)
        rise = ndimage.maximum_filter(z, 3) - ndimage.minimum_filter(z, 3)
        good = np.isfinite(face.z_mm) & ~is_kept & (face.level > LEVEL)
        good &= rise < 2.5 * self._pitch
        padded = np.pad(good, 1)
        cells = ndimage.distance_transform_edt(padded)[1:-1, 1:-1]
        cells = np.where(cells > 0.0, cells + 1.0, 0.0)  # the rim of a step is not good, but there
        return np.asarray(cells * self._pitch)

    @cached_property
    def _top_ground(self) -> Floats:
        return self._ground(self.top, self.top.is_kept)

    def ground_mm2(self, section: int) -> float:
        """Return the area of a section that is seen from above, at least one cell's. [mm²]"""
        return max(int((self.top.label == section).sum()), 1) * self._pitch**2

    def _bores(self, most_mm2: float) -> Bools:
        """Return the columns of the holes up to an area."""
        parts, _ = ndimage.label(self._holes)
        area = np.bincount(parts.ravel()) * self._pitch**2
        area[0] = np.inf
        return np.asarray((area <= most_mm2)[parts])

    def _windows(self, least_mm2: float, most_mm2: float) -> list[Bools]:
        """Return the columns of each hole between two areas."""
        parts, count = ndimage.label(self._holes)
        area = np.bincount(parts.ravel(), minlength=count + 1) * self._pitch**2
        return [
            np.asarray(parts == k) for k in range(1, count + 1) if least_mm2 < area[k] <= most_mm2
        ]

    def _disc(self, radius_mm: float) -> Floats:
        """Return a disc of ones on the lattice."""
        n = int(radius_mm / self._pitch)
        x = np.arange(-n, n + 1) * self._pitch
        return np.asarray(np.hypot(x[:, None], x) <= radius_mm, np.float64)

    def _in_rooms(self, radius_mm: float, low_mm: Floats, high_mm: Floats | float) -> Bools:
        """Return where a disc between two heights would be in the room of a core print."""
        found = np.zeros((len(self._x), len(self._y)), np.bool_)
        for away, (_, low, high) in zip(self._from_rooms, self._rooms, strict=True):
            found |= (away < radius_mm) & (low_mm < high) & (high_mm > low)
        return found

    @cached_property
    def _from_rooms(self) -> tuple[Floats, ...]:
        """How far each column is from each core print's room. [mm]"""
        return tuple(self._away(outline) for outline, _, _ in self._rooms)

    @cached_property
    def _from_rivals(self) -> Floats:
        """How far each column is from the other castings. [mm]"""
        if self._rivals is None:
            return np.full((len(self._x), len(self._y)), np.inf)
        return self._away(self._rivals)

    def _away(self, outline: BaseGeometry) -> Floats:
        x, y = np.meshgrid(self._x, self._y, indexing="ij")
        return np.asarray(distance(points(x, y), outline), np.float64)

    def is_in_room(self, way: LineString, radius_mm: float, low_mm: float, high_mm: float) -> bool:
        """Return whether what lies within a radius of a way is in the room of a core print."""
        return any(
            low_mm < high and high_mm > low and way.distance(outline) < radius_mm
            for outline, low, high in self._rooms
        )

    def sand_round_mm(
        self, kind: str, at_mm: tuple[float, float, float], width_mm: float, height_mm: float
    ) -> float:
        """Return the sand between a feeder's side and the pattern beside it. [mm]

        One on top may stand in metal a little over its foot.
        """
        x, y, z = at_mm
        low = z + FOOT_SHARE * width_mm if kind == "top" else z
        return self.sand_beside_mm((x, y), 0.5 * width_mm, low, z + height_mm)

    def sand_beside_mm(
        self, middle_mm: tuple[float, float], radius_mm: float, low_mm: float, high_mm: float
    ) -> float:
        """Return the sand between an upright column and the pattern beside it, inf where none is.

        Parameters
        ----------
        middle_mm
            (x, y) of the column. [mm]
        radius_mm
            Its radius. [mm]
        low_mm, high_mm
            Between which heights the pattern is looked at. [mm]

        Notes
        -----
        Below 0 they overlap. Exact to half a cell of the survey.
        """
        pitch = self._pitch
        z = self._survey.origin_mm[2] + (np.arange(len(self._metal_below) - 1) + 0.5) * pitch
        first, end = np.searchsorted(z, low_mm), np.searchsorted(z, high_mm, side="right")
        metal = self._metal_below[max(end, first)] > self._metal_below[first]
        if not metal.any():
            return float("inf")
        x, y = middle_mm
        away = np.hypot(self._x[:, None] - x, self._y[None, :] - y)[metal]
        return float(away.min()) - radius_mm - 0.5 * pitch

    @cached_property
    def _metal_below(self) -> NDArray[np.int32]:
        """(nz + 1, nx, ny) cells with metal below each level of the survey."""
        counts = np.cumsum(self._survey.label > 0, axis=2, dtype=np.int32)
        return np.ascontiguousarray(np.pad(counts, ((0, 0), (0, 0), (1, 0))).transpose(2, 0, 1))

    @cached_property
    def _smooth(self) -> NDArray[np.integer]:
        """Columns that hang together without a step seen from above, numbered; 0 at a step."""
        z = np.nan_to_num(self.top.z_mm, nan=-1e9)
        rise = ndimage.maximum_filter(z, 3) - ndimage.minimum_filter(z, 3)
        parts, _ = ndimage.label(np.isfinite(self.top.z_mm) & (rise < 2.5 * self._pitch))
        grown = ndimage.grey_dilation(parts, size=(3, 3))  # the rim of a step belongs to its ground
        return np.where(parts > 0, parts, np.where(np.isfinite(self.top.z_mm), grown, 0))

    def _highest_top(self, radius_mm: float) -> Floats:
        """Return the highest place of the pattern within a disc round each column. [mm]"""
        if radius_mm not in self._tops:
            top = np.nan_to_num(self.top.z_mm, nan=-1e9)
            self._tops[radius_mm] = self._highest(top, radius_mm)
        return self._tops[radius_mm]

    @cached_property
    def _tops(self) -> dict[float, Floats]:
        """What `_highest_top` found: places are looked for again and again for one feeder."""
        return {}

    def _highest(self, values: Floats, radius_mm: float) -> Floats:
        """Return the highest value within a disc round each column.

        The disc is the union of upright rectangles in it (within 4 % of its area), which are
        quick: their filter works along each axis in turn.
        """
        best = values
        for angle in np.radians((15.0, 35.0, 55.0, 75.0)):
            half = radius_mm / self._pitch * np.array([np.cos(angle), np.sin(angle)])
            size = tuple(2 * int(n) + 1 for n in np.floor(half + 1e-9))
            found = ndimage.maximum_filter(values, size=size, mode="constant", cval=-1e9)
            best = np.maximum(best, found)
        return best

    def _off(self, discs: Sequence[Disc], wider_mm: float = 0.0) -> Bools:
        """Return the columns off all discs (x, y, radius), each so much wider. [mm]"""
        off = np.ones((len(self._x), len(self._y)), np.bool_)
        for x, y, radius in discs:
            reach = radius + wider_mm
            i = slice(*np.searchsorted(self._x, (x - reach, x + reach)))
            j = slice(*np.searchsorted(self._y, (y - reach, y + reach)))
            off[i, j] &= np.hypot(self._x[i, None] - x, self._y[None, j] - y) > reach
        return off

    def _footprint(self, spot: tuple[np.intp, ...], radius_mm: float) -> Bools:
        x, y = self._x[spot[0]], self._y[spot[1]]
        return np.asarray(np.hypot(self._x[:, None] - x, self._y[None, :] - y) <= radius_mm)


def rivals_of(pattern: Pattern, placements: tuple[Placement, ...]) -> MultiPolygon | None:
    """Return every other copy's outline, as seen from each copy, joined."""
    if len(placements) < 2:
        return None
    shadow = pattern.solid.shadow()
    seen = []
    for own in placements:
        for other in placements:
            if other is own:
                continue
            outline = affinity.rotate(shadow, other.turn_deg, origin=(0, 0))
            dx, dy = (other.move_mm[k] - own.move_mm[k] for k in range(2))
            outline = affinity.translate(outline, dx, dy)
            turn = np.radians(-own.turn_deg)
            cos, sin = math.cos(turn), math.sin(turn)
            seen.append(affinity.affine_transform(outline, [cos, -sin, sin, cos, 0.0, 0.0]))
    joined = unary_union(seen)
    return joined if isinstance(joined, MultiPolygon) else MultiPolygon([joined])
