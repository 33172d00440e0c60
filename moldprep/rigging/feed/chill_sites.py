"""Where a chill can lie on a pattern: flat, under metal all over, and with a way in for it."""

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from moldprep.rigging.feed.site_maps import Bools, Face, Floats, Maps

LED_ON: Final = 1.0
"""How far a chill is led on to a slope, over its smaller side: up to 45° from end to end."""

CHILLED: Final = 2.0
"""How far from a chill it still draws heat, in walls (common practice, no source)."""

N_UNDER: Final = 7
"""Lines along each side of a chill on which metal is looked for."""

CHILL_ROOM_MM: Final = 10.0
"""How far a chill stands out from its face, at least: a core print must not begin there."""


@dataclass(frozen=True, kw_only=True)
class ChillSite:
    """A flat piece of the pattern's surface a chill can lie against.

    normal : outward, along one of the axes
    """

    at_mm: tuple[float, float, float]
    normal: tuple[float, float, float]
    width_mm: float


class ChillSites(Maps):
    """Places for chills on one pattern."""

    def for_chill(
        self,
        section: int,
        near_mm: Floats,
        width_mm: float,
        wall_mm: float,
        taken: tuple[tuple[float, float, float], ...] = (),
    ) -> ChillSite | None:
        """Return the best flat ground for a chill under or on top of a section, or None.

        It lies within `CHILLED` walls of the hot spot, `wall_mm` thick: none beyond a bore.
        Underneath is best: the chill lies where it is set, and feeders stay free above. A face to
        be kept clear takes one where it is machined: no feeder is cut off there, and its mark goes.
        `taken` are discs (x, y, radius) its middle must not lie in.
        """
        found = [
            site
            for face, up in ((self.bottom, False), (self.top, True))
            if (site := self._flat(face, section, near_mm, width_mm, wall_mm, taken, up=up))
            is not None
        ]
        wide = [site for site in found if site.width_mm >= 0.6 * width_mm]
        return next(iter(wide or found), None)

    def _flat(
        self,
        face: Face,
        section: int,
        near_mm: Floats,
        width_mm: float,
        wall_mm: float,
        taken: tuple[tuple[float, float, float], ...],
        *,
        up: bool,
    ) -> ChillSite | None:
        may = (face.label == section) & (face.level > 0.95)
        if not may.any():
            return None
        ground = self._ground(face, face.is_kept & ~face.is_machined)
        z = np.nan_to_num(face.z_mm, nan=-1e9)
        low, high = (z, z + CHILL_ROOM_MM) if up else (z - CHILL_ROOM_MM, z)
        may &= ~self._in_rooms(0.25 * width_mm, low, high)
        barred = self._barred(face)
        may &= ~barred & self._off(taken)
        way = np.hypot(self._x[:, None] - near_mm[0], self._y[None, :] - near_mm[1])
        away = np.hypot(np.maximum(way - 0.5 * width_mm, 0.0), z - near_mm[2])
        may &= away <= CHILLED * wall_mm
        if not may.any():
            return None
        cost = way / width_mm + 2.0 * (1.0 - np.minimum(2.0 * ground / width_mm, 1.0))
        i, j = np.unravel_index(int(np.argmin(np.where(may, cost, np.inf))), cost.shape)
        width = min(2.0 * float(ground[i, j]), width_mm)
        while width > 0.25 * width_mm and self._in_rooms(0.7 * width, low, high)[i, j]:
            width *= 0.8
        at = (float(self._x[i]), float(self._y[j]), float(face.z_mm[i, j]))
        normal = (0.0, 0.0, 1.0 if up else -1.0)
        while width >= 0.25 * width_mm:
            half = math.ceil(0.5 * width / self._pitch)
            near = (slice(max(c - half, 0), c + half + 1) for c in (i, j))
            if not barred[tuple(near)].any() and self._is_all_under_metal(at, normal, width):
                return ChillSite(at_mm=at, normal=normal, width_mm=width)
            width *= 0.9
        return None

    def _is_all_under_metal(
        self, at: tuple[float, float, float], normal: tuple[float, float, float], width_mm: float
    ) -> bool:
        """Return whether a chill has metal over (or under) all of it: sand there would bar it."""
        side = np.linspace(-0.52, 0.52, N_UNDER) * width_mm
        spots = np.stack(np.meshgrid(side, side, [normal[2]]), axis=-1).reshape(-1, 3)
        hit, _ = self._rays.first(np.array(at) + spots, -np.array(normal))
        return bool((hit <= 1.0 + LED_ON * width_mm).all())

    def _barred(self, face: Face) -> Bools:
        """Return the columns with sand between a face and its joint: no chill gets by.

        A face looks away from the joint its chill comes from, but for one beyond the last joint.
        """
        most = self._survey.label.shape[2]
        joints = np.array(self.joints_mm)
        level = np.nan_to_num(face.z_mm, nan=joints[0])
        last = len(joints) - 1
        if face is self.top:
            joint = joints[np.maximum(np.searchsorted(joints, level, side="right") - 1, 0)]
        else:
            joint = joints[np.minimum(np.searchsorted(joints, level), last)]
        ends = np.stack([level, joint], axis=2)
        cells = np.rint((np.sort(ends, axis=2) - self._survey.origin_mm[2]) / self._pitch)
        sand = np.take_along_axis(self._open_below, np.clip(cells, 0, most).astype(int), axis=2)
        return np.asarray(sand[:, :, 1] > sand[:, :, 0])

    @cached_property
    def _open_below(self) -> NDArray[np.int64]:
        """(nx, ny, nz + 1) cells of sand below each level that the halves are made of.

        That is what no metal and no core print shuts in at its height: sand inside a ring is a
        core's, or hangs down from the other half.
        """
        label = self._survey.label
        z = self._survey.origin_mm[2] + (np.arange(label.shape[2]) + 0.5) * self._pitch
        below = np.zeros((*label.shape[:2], len(z) + 1), np.int64)
        for k, level in enumerate(z):
            shut = label[:, :, k] > 0
            for away, (_, low, high) in zip(self._from_rooms, self._rooms, strict=True):
                shut |= (away <= 0.0) & (low < level < high)
            parts, _ = ndimage.label(~np.pad(shut, 1))
            below[:, :, k + 1] = below[:, :, k] + (parts == parts[0, 0])[1:-1, 1:-1]
        return below
