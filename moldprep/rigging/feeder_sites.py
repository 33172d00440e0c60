"""Where on a pattern a feeder or a chill can sit, by the maps of its top, underside and slices.

One cell of the survey's lattice exact. Pattern frame, z up.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from shapely import distance, points
from shapely.geometry import LineString

from moldprep.rigging.site_maps import Bools, Face, Floats, Maps

STEP_SHARE: Final = 0.35
"""Steps under a foot up to this share of its diameter would be filled with feeder metal."""

N_DIRECTIONS: Final = 24

BORE_SHARE: Final = 10.0
"""A hole up to this many times the area of a foot is a bore; a wider one is a window."""

OVER_BORE: Final = 0.95
"""A foot stands at least this share of its radius away from a bore: the rest is the grid's."""

CHILL_ROOM_MM: Final = 10.0
"""How far a chill stands out from its face, at least: a core print must not begin there."""

GAP_MM: Final = 20.0
"""Sand between a feeder and another casting: 20 to 25 mm for small molds (common practice, no
source)."""


@dataclass(frozen=True, kw_only=True)
class TopSite:
    """A place on top of the pattern.

    foot_mm    : diameter of the level, open ground round it that is the pattern's own
    is_stepped : whether a full foot would bury a step of the casting beside it, or close a bore
    """

    at_mm: tuple[float, float, float]
    foot_mm: float
    is_stepped: bool
    is_machined: bool
    hole_share: float


@dataclass(frozen=True, kw_only=True)
class SideSite:
    """A place beside the pattern: where the neck meets it, and the way out from there."""

    neck_to_mm: tuple[float, float, float]
    outward: tuple[float, float]
    wall_mm: float
    is_machined: bool


@dataclass(frozen=True, kw_only=True)
class ChillSite:
    """A flat piece of the pattern's surface a chill can lie against.

    normal : outward, along one of the axes
    """

    at_mm: tuple[float, float, float]
    normal: tuple[float, float, float]
    width_mm: float


class Sites(Maps):
    """All places of one pattern."""

    # ---- top -----------------------------------------------------------------------------

    def on_top(
        self,
        sections: set[int],
        near_mm: Floats,
        diameter_mm: float,
        height_mm: float,
        scale_mm: float,
        taken: tuple[tuple[float, float, float], ...] = (),
        *,
        over_bores: bool = False,
    ) -> TopSite | None:
        """Return the best place for a foot on top of one of these sections, or None.

        Only what is seen from above counts, so it is never in a bore or under an overhang, and
        nothing of the pattern may rise through the foot. Of what is left the best is near the hot
        spot (in lengths of `scale_mm`), on wide level ground, clear of holes, on a face that is
        machined anyway. The room of core prints is left free.

        Parameters
        ----------
        sections
            Numbers of the sections it may stand on (label, from 1).
        near_mm
            (3,) the hot spot. [mm]
        diameter_mm
            Of the foot. [mm]
        height_mm
            Of the feeder. [mm]
        scale_mm
            Thickness of the section. [mm]
        taken
            (x, y, radius) of discs it must not overlap. [mm]
        over_bores
            Whether it may hang over the mouth of a bore, on a foot that stands beside it.
        """
        face, radius = self.top, 0.5 * diameter_mm
        z = np.nan_to_num(face.z_mm, nan=-1e9)
        rises = self._highest(z, radius) - z
        may = np.isin(face.label, sorted(sections)) & ~face.is_kept & (face.level > 0.2)
        may &= rises <= max(0.15 * diameter_mm, self._pitch)
        for x, y, r in taken:
            may &= np.hypot(self._x[:, None] - x, self._y[None, :] - y) > r + radius
        may &= self._highest(np.where(face.is_kept, 1.0, 0.0), 0.35 * radius) < 0.5
        if self._rivals is not None:
            x, y = np.meshgrid(self._x, self._y, indexing="ij")
            may &= distance(points(x, y), self._rivals) > radius + GAP_MM
        may &= ~self._in_rooms(radius, z, z + height_mm)
        square = max(round(float(np.sqrt(np.pi) * radius / self._pitch)), 1)  # a disc's area
        bores = np.pad(self._bores(BORE_SHARE * np.pi * radius**2), 1, constant_values=False)
        clear = ndimage.distance_transform_edt(~bores)[1:-1, 1:-1] * self._pitch
        over = clear < OVER_BORE * radius if bores.any() else np.zeros_like(may)
        may &= over_bores | ~over
        if not may.any():
            return None
        level = np.minimum(self._top_ground / radius, 1.0)
        holes = ndimage.uniform_filter(self._holes.astype(float), square, mode="constant")
        way = np.hypot(self._x[:, None] - near_mm[0], self._y[None, :] - near_mm[1])
        cost = way / scale_mm + 1.5 * (1.0 - level) + 3.0 * holes - 0.4 * face.is_machined
        cost += 0.25 * np.abs(z - near_mm[2]) / scale_mm
        spot = np.unravel_index(int(np.argmin(np.where(may, cost, np.inf))), cost.shape)
        drop = np.where(self._footprint(spot, radius), z[spot] - z, 0.0)
        step = drop > max(0.05 * diameter_mm, 2.0 * self._pitch)
        step &= drop < STEP_SHARE * diameter_mm + self._pitch
        step &= self._smooth != self._smooth[spot]
        is_stepped = over[spot] or step.sum() > 0.05 * np.pi * (radius / self._pitch) ** 2
        return TopSite(
            at_mm=(float(self._x[spot[0]]), float(self._y[spot[1]]), float(face.z_mm[spot])),
            foot_mm=2.0 * float(self._top_ground[spot]),
            is_stepped=bool(is_stepped),
            is_machined=bool(face.is_machined[spot]),
            hole_share=float(holes[spot]),
        )

    # ---- side ----------------------------------------------------------------------------

    def beside(
        self,
        section: int,
        near_mm: Floats,
        z_mm: float,
        diameter_mm: float,
        neck_mm: float,
        height_mm: float,
        taken: tuple[tuple[float, float, float], ...] = (),
    ) -> SideSite | None:
        """Return the best place for a side feeder on a section, its neck at a height, or None.

        The neck leaves the section sideways through its outer face, never into a bore, and the
        feeder's whole height stands clear of all metal.

        Parameters
        ----------
        section
            Number of the section (label, from 1).
        near_mm
            (3,) the hot spot. [mm]
        z_mm
            Wanted height of the neck; the nearest height the section has is taken. [mm]
        diameter_mm
            Of the feeder. [mm]
        neck_mm
            Length of the neck. [mm]
        height_mm
            Height of the feeder above the neck. [mm]
        taken
            (x, y, radius) of discs it must not overlap. [mm]
        """
        label, pitch = self._survey.label, self._pitch
        has = np.flatnonzero((label == section).any(axis=(0, 1)))
        if not len(has):
            return None
        wanted = (z_mm - self._survey.origin_mm[2]) / pitch - 0.5
        inner = has[1:-1] if len(has) > 2 else has
        k = int(inner[np.argmin(np.abs(inner - wanted))])
        margin = int(np.ceil((diameter_mm + 2.0 * neck_mm) / pitch)) + 2
        top = min(label.shape[2], k + int(np.ceil(height_mm / pitch)) + 1)
        low = max(0, k - int(np.ceil(0.4 * diameter_mm / pitch)))
        tall = np.pad((label[:, :, low:top] > 0).any(axis=2), margin)
        clear = ndimage.distance_transform_edt(~tall) * pitch
        level = np.pad(label[:, :, k], margin)
        own = np.argwhere(level == section)
        origin = self._survey.origin_mm[:2] - margin * pitch
        spot = (np.asarray(near_mm[:2]) - origin) / pitch - 0.5
        start = own[np.argmin(np.hypot(*(own - spot).T))].astype(float)
        outside = ndimage.label(level == 0)[0]
        outer = outside == outside[0, 0]
        sites = []
        for turn in range(N_DIRECTIONS):
            angle = 2.0 * np.pi * turn / N_DIRECTIONS
            way = np.array([np.cos(angle), np.sin(angle)])
            found = _leave(level, outer, start, way)
            if found is None or level[tuple(np.rint(found - way).astype(int))] != section:
                continue
            exit_mm = origin + (found + 0.5) * pitch
            middle = found + way * (neck_mm + 0.5 * diameter_mm) / pitch
            index = tuple(np.rint(middle).astype(int))
            if min(index) < 0 or np.any(np.array(index) >= clear.shape):
                continue
            at = origin + (middle + 0.5) * pitch
            free = clear[index] >= 0.5 * diameter_mm + 0.6 * neck_mm
            if self._rivals is not None:
                free &= distance(points(*at), self._rivals) > 0.5 * diameter_mm + GAP_MM
            free &= all(
                np.hypot(*(at - np.array([x, y]))) > r + 0.5 * diameter_mm for x, y, r in taken
            )
            low_mm = self._survey.origin_mm[2] + k * pitch
            free &= not self.is_in_room(
                LineString([at, exit_mm]), 0.5 * neck_mm, low_mm, low_mm + pitch
            )
            free &= not self.is_in_room(
                LineString([at, at]), 0.5 * diameter_mm, low_mm, low_mm + height_mm
            )
            place = np.array([*exit_mm, self._survey.origin_mm[2] + (k + 0.5) * pitch])
            _, facet = self._rays.nearest(place[None, :])
            if not free or self._pattern.is_kept_clear[facet[0]]:
                continue
            far = float(np.hypot(*(found - start))) * pitch
            machined = bool(self._pattern.is_machined[facet[0]])
            sites.append((far - 5.0 * machined, turn, place, way, machined))
        if not sites:
            return None
        _, _, place, way, machined = min(sites, key=lambda s: (round(s[0], 6), s[1]))
        column = label[
            tuple(np.rint((place[:2] - self._survey.origin_mm[:2]) / pitch - 0.5 - way).astype(int))
        ]
        return SideSite(
            neck_to_mm=(float(place[0]), float(place[1]), float(place[2])),
            outward=(float(way[0]), float(way[1])),
            wall_mm=_run(column > 0, k) * pitch,
            is_machined=machined,
        )

    # ---- chills --------------------------------------------------------------------------

    def for_chill(
        self,
        section: int,
        near_mm: Floats,
        width_mm: float,
        taken: tuple[tuple[float, float, float], ...] = (),
    ) -> ChillSite | None:
        """Return the best flat ground for a chill under or on top of a section, or None.

        Underneath is best: the chill lies where it is set, and feeders stay free above. `taken`
        are discs (x, y, radius) its middle must not lie in.
        """
        found = [
            site
            for face, up in ((self.bottom, False), (self.top, True))
            if (site := self._flat(face, section, near_mm, width_mm, taken, up=up)) is not None
        ]
        wide = [site for site in found if site.width_mm >= 0.6 * width_mm]
        return next(iter(wide or found), None)

    def _flat(
        self,
        face: Face,
        section: int,
        near_mm: Floats,
        width_mm: float,
        taken: tuple[tuple[float, float, float], ...],
        *,
        up: bool,
    ) -> ChillSite | None:
        may = (face.label == section) & (face.level > 0.95)
        if not may.any():
            return None
        ground = self._ground(face)
        z = np.nan_to_num(face.z_mm, nan=-1e9)
        low, high = (z, z + CHILL_ROOM_MM) if up else (z - CHILL_ROOM_MM, z)
        may &= ~self._in_rooms(0.25 * width_mm, low, high)
        for x, y, radius in taken:
            may &= np.hypot(self._x[:, None] - x, self._y[None, :] - y) > radius
        if not may.any():
            return None
        way = np.hypot(self._x[:, None] - near_mm[0], self._y[None, :] - near_mm[1])
        cost = way / width_mm + 2.0 * (1.0 - np.minimum(2.0 * ground / width_mm, 1.0))
        i, j = np.unravel_index(int(np.argmin(np.where(may, cost, np.inf))), cost.shape)
        width = min(2.0 * float(ground[i, j]), width_mm)
        while width > 0.25 * width_mm and self._in_rooms(0.7 * width, low, high)[i, j]:
            width *= 0.8
        if width < 0.25 * width_mm:
            return None
        return ChillSite(
            at_mm=(float(self._x[i]), float(self._y[j]), float(face.z_mm[i, j])),
            normal=(0.0, 0.0, 1.0 if up else -1.0),
            width_mm=width,
        )


def _leave(level: NDArray[np.integer], outer: Bools, start: Floats, way: Floats) -> Floats | None:
    """Return the first cell outside the metal along a way, or None if that is not the outside."""
    for step in range(1, 2 * max(level.shape)):
        spot = start + step * way
        index = tuple(np.rint(spot).astype(int))
        if min(index) < 0 or index[0] >= level.shape[0] or index[1] >= level.shape[1]:
            return None
        if level[index] == 0:
            return spot - 0.5 * way if outer[index] else None
    return None


def _run(is_metal: Bools, k: int) -> int:
    """Return how many cells of metal hang together along a column through cell k."""
    parts, _ = ndimage.label(is_metal)
    return int((parts == parts[k]).sum()) if parts[k] else 1
