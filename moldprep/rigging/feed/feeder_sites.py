"""Where on a pattern a feeder or a chill can sit, by the maps of its top, underside and slices.

One cell of the survey's lattice exact. Pattern frame, z up.
"""

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from shapely import distance, points
from shapely.geometry import LineString

from moldprep.rigging.feed.bore_mouths import GAP_MM, BoreSites
from moldprep.rigging.feed.leads import leave_metal, spread_cells
from moldprep.rigging.feed.reach import section_grid
from moldprep.rigging.feed.site_maps import FOOT_SHARE, SIDE_GAP_MM, Bools, Floats

N_DIRECTIONS: Final = 24

UNDER_NECK_MM: Final = 10.0
"""How far under its neck's middle a feeder beside must find room at least: its foot, and sand."""

N_HEIGHTS: Final = 5
"""Heights of a section at which a side feeder is tried, the parting's first."""

PER_HEIGHT: Final = 0.5
"""What a neck off the parting costs, over the same way off the hot spot."""

NECKS_TRIED: Final = 200
"""Columns tried for an offset neck, best first."""

FAR: Final = 3.0
"""Walls from the hot spot to the feeder's edge within which an offset neck is worth it."""

NECK_MEETS: Final = 0.75
"""Share of a neck's section that must meet the casting squarely."""

IN_POCKET: Final = 0.25
"""How deep in a pocket a feeder may stand, over its diameter; deeper there is a core."""

MARGIN_CELLS: Final = 16
"""Margins round maps go up in so many cells, so that feeders of about one size share them."""

WALLED_COST: Final = 1.0
"""What less sand than SIDE_GAP_MM to a wall that rises beside costs, in walls off the hot spot."""


@dataclass(frozen=True, kw_only=True)
class TopSite:
    """A place on top of the pattern.

    middle_mm  : (x, y) of the feeder; on a neck it may stand beside its foot
    foot_mm    : diameter of the level, open ground round it that is the pattern's own
    is_stepped : whether a full foot would bury a step of the casting beside it
    """

    at_mm: tuple[float, float, float]
    middle_mm: tuple[float, float]
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


class Sites(BoreSites):
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
        neck_mm: float = 0.0,
        lift_mm: float = 0.0,
        sleeve_mm: float = 0.0,
        refused: tuple[tuple[float, float, float], ...] = (),
    ) -> TopSite | None:
        """Return the best place for a feeder on top of one of these sections, or None.

        Only what is seen from above counts, so it is never in a bore or under an overhang, and
        nothing of the pattern may rise through the feeder, nor may it hang over the mouth of a
        bore. Of what is left the best is near the hot spot (in lengths of `scale_mm`), on wide
        level ground, clear of holes, on a face that is machined anyway. The room of core prints is
        left free.

        Parameters
        ----------
        sections
            Numbers of the sections it may stand on (label, from 1).
        near_mm
            (3,) the hot spot. [mm]
        diameter_mm
            Of the feeder, its sleeve included. [mm]
        height_mm
            Of the feeder. [mm]
        scale_mm
            Thickness of the section. [mm]
        taken
            (x, y, radius) of discs it must not overlap. [mm]
        neck_mm
            Over 0: it stands on a neck this wide, which may be off its middle. [mm]
        lift_mm
            Height of that neck: the feeder's foot is so far above the ground. [mm]
        sleeve_mm
            Wall of its sleeve, which the neck does not lie under. [mm]
        refused
            (x, y, radius) of discs where its foot must not be. [mm]
        """
        face, radius = self.top, 0.5 * diameter_mm
        z = np.nan_to_num(face.z_mm, nan=-1e9)
        stand = np.isin(face.label, sorted(sections)) & ~face.is_kept & (face.level > 0.2)
        stand &= self._pocket_mm <= max(IN_POCKET * diameter_mm, 2.0 * self._pitch)
        free = self._free_above(radius, taken)
        highest = self._highest_top(radius)
        way = np.hypot(self._x[:, None] - near_mm[0], self._y[None, :] - near_mm[1])
        if neck_mm > 0.0:
            stand &= (self._top_ground >= 0.5 * neck_mm) & (way <= FAR * scale_mm + diameter_mm)
        else:
            stand &= free & (highest - z <= max(0.15 * diameter_mm, self._pitch))
            stand &= self._highest(np.where(face.is_kept, 1.0, 0.0), 0.35 * radius) < 0.5
            stand &= ~self._in_rooms(radius, z, z + height_mm)
        stand &= self._off(refused)
        if not stand.any():
            return None
        square = max(round(float(np.sqrt(np.pi) * radius / self._pitch)), 1)  # a disc's area
        level = np.minimum(self._top_ground / (0.5 * neck_mm or radius), 1.0)
        holes = ndimage.uniform_filter(self._holes.astype(float), square, mode="constant")
        cost = way / scale_mm + 1.5 * (1.0 - level) - 0.4 * face.is_machined
        cost += 0.25 * np.abs(z - near_mm[2]) / scale_mm
        cost += 0.0 if neck_mm else 3.0 * holes
        walled = self._highest_top(radius + SIDE_GAP_MM)
        cost += 0.0 if neck_mm else WALLED_COST * (walled - z > FOOT_SHARE * diameter_mm)
        cost = np.where(stand, cost, np.inf)
        if not neck_mm:
            spot = np.unravel_index(int(np.argmin(cost)), cost.shape)
            return self._top_site(spot, spot, holes, diameter_mm)
        most_off = radius - sleeve_mm - 0.5 * neck_mm
        found = self._beside_its_neck(
            cost, free, highest, walled, radius, most_off, lift_mm, height_mm
        )
        return None if found is None else self._top_site(*found, holes, diameter_mm)

    def _top_site(
        self,
        spot: tuple[np.intp, ...],
        middle: tuple[np.intp, ...],
        holes: Floats,
        diameter_mm: float,
    ) -> TopSite:
        """Return what there is at a column, for a feeder whose middle is over another."""
        face = self.top
        return TopSite(
            at_mm=(float(self._x[spot[0]]), float(self._y[spot[1]]), float(face.z_mm[spot])),
            middle_mm=(float(self._x[middle[0]]), float(self._y[middle[1]])),
            foot_mm=2.0 * float(self._top_ground[spot]),
            is_stepped=self._is_stepped(spot, spot, diameter_mm),
            is_machined=bool(face.is_machined[spot]),
            hole_share=float(holes[spot]),
        )

    def _beside_its_neck(
        self,
        cost: Floats,
        free: Bools,
        highest: Floats,
        walled: Floats,
        radius_mm: float,
        most_off_mm: float,
        lift_mm: float,
        height_mm: float,
    ) -> tuple[tuple[np.intp, ...], tuple[np.intp, ...]] | None:
        """Return the best column for a neck, and the nearest one its feeder may be over."""
        off_free = ndimage.distance_transform_edt(~free) * self._pitch if free.any() else np.inf
        cost = np.where(off_free <= most_off_mm, cost, np.inf)
        order = np.argsort(cost, axis=None, kind="stable")[:NECKS_TRIED]
        z = np.nan_to_num(self.top.z_mm, nan=-1e9)
        for flat in order:
            spot = np.unravel_index(int(flat), cost.shape)
            if not np.isfinite(cost[spot]):
                return None
            foot = float(z[spot]) + lift_mm
            off = np.hypot(self._x[:, None] - self._x[spot[0]], self._y[None, :] - self._y[spot[1]])
            may = free & (highest <= foot - 0.5 * lift_mm) & (off <= most_off_mm)
            if may.any() and self._rooms:
                in_room = self._in_rooms(radius_mm, np.where(may, foot, np.inf), foot + height_mm)
                may &= ~in_room
            if may.any():
                clear = may & (walled <= foot)
                way = np.where(clear if clear.any() else may, off, np.inf)
                return spot, np.unravel_index(int(np.argmin(way)), off.shape)
        return None

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
    ) -> tuple[SideSite, ...]:
        """Return places for a side feeder on a section, its neck near a height, best first.

        The neck leaves the section sideways through its outer face, never into a bore, and the
        feeder's whole height stands clear of all metal, and not within the casting.

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
        has = np.flatnonzero((self._survey.label == section).any(axis=(0, 1)))
        if not len(has):
            return ()
        inner = has[1:-1] if len(has) > 2 else has
        wanted = (z_mm - self._survey.origin_mm[2]) / self._pitch - 0.5
        nearest = int(inner[np.argmin(np.abs(inner - wanted))])
        rows = {nearest, *(int(k) for k in np.linspace(inner[0], inner[-1], N_HEIGHTS))}
        sites = [
            (far + PER_HEIGHT * self._pitch * abs(k - nearest), k, turn, site)
            for k in sorted(rows)
            for far, turn, site in self._beside_at(
                k, section, near_mm, diameter_mm, neck_mm, height_mm, taken
            )
        ]
        return tuple(s[3] for s in sorted(sites, key=lambda s: (round(s[0], 6), s[1], s[2])))

    def _beside_at(
        self,
        k: int,
        section: int,
        near_mm: Floats,
        diameter_mm: float,
        neck_mm: float,
        height_mm: float,
        taken: tuple[tuple[float, float, float], ...],
    ) -> list[tuple[float, int, SideSite]]:
        """Return the places at one height as (way from the hot spot, direction, place)."""
        label, pitch = self._survey.label, self._pitch
        margin = MARGIN_CELLS * math.ceil(
            ((diameter_mm + 2.0 * neck_mm) / pitch + 2) / MARGIN_CELLS
        )
        level, outer = self._at_height(k, margin)
        own = np.argwhere(level == section)
        if not len(own):
            return []
        top = min(label.shape[2], k + int(np.ceil(height_mm / pitch)) + 1)
        low = max(0, k - int(np.ceil(UNDER_NECK_MM / pitch)))
        clear = self._clear_of(low, top, margin)
        roofed = np.pad(self._is_within(low, top), margin)
        origin = self._survey.origin_mm[:2] - margin * pitch
        spot = (np.asarray(near_mm[:2]) - origin) / pitch - 0.5
        starts = spread_cells(own.astype(float), spot)
        low_mm = float(self._survey.origin_mm[2] + k * pitch)
        found: list[tuple[int, Floats, Floats, Floats]] = []
        for turn in range(N_DIRECTIONS * len(starts)):
            angle = 2.0 * np.pi * turn / N_DIRECTIONS
            way = np.array([np.cos(angle), np.sin(angle)])
            cell = leave_metal(level, outer, starts[turn // N_DIRECTIONS], way)
            if cell is None or level[tuple(np.rint(cell - way).astype(int))] != section:
                continue
            middle = cell + way * (neck_mm + 0.5 * diameter_mm) / pitch
            index = tuple(np.rint(middle).astype(int))
            if min(index) < 0 or np.any(np.array(index) >= clear.shape) or roofed[index]:
                continue
            at, exit_mm = (origin + (one + 0.5) * pitch for one in (middle, cell))
            if clear[index] < 0.5 * diameter_mm + 0.6 * neck_mm or not self._is_free_beside(
                at, exit_mm, diameter_mm, neck_mm, low_mm, height_mm, taken
            ):
                continue
            found.append((turn, way, cell, np.array([*exit_mm, low_mm + 0.5 * pitch])))
        if not found:
            return []
        _, facets = self._rays.nearest(np.array([place for *_, place in found]))
        sites = []
        for facet, (turn, way, cell, place) in zip(facets, found, strict=True):
            if self._pattern.is_kept_clear[facet]:
                continue
            machined = bool(self._pattern.is_machined[facet])
            column = tuple(np.rint(cell - way).astype(int) - margin)
            site = SideSite(
                neck_to_mm=(float(place[0]), float(place[1]), float(place[2])),
                outward=(float(way[0]), float(way[1])),
                wall_mm=_run(label[column] > 0, k) * pitch,
                is_machined=machined,
            )
            off = float(np.hypot(*(place[:2] - np.asarray(near_mm[:2]))))
            sites.append((off - 5.0 * machined, turn, site))
        return sites

    def _at_height(self, k: int, margin: int) -> tuple[NDArray[np.integer], Bools]:
        """Return the sections at a height, with a margin, and what is outside them there."""
        if (k, margin) not in self._heights:
            level = np.pad(self._survey.label[:, :, k], margin)
            outside = ndimage.label(level == 0)[0]
            self._heights[k, margin] = level, np.asarray(outside == outside[0, 0])
        return self._heights[k, margin]

    def _clear_of(self, low: int, top: int, margin: int) -> Floats:
        """Return how far each column is from the metal between two heights, with a margin. [mm]"""
        if (low, top, margin) not in self._clear:
            tall = np.pad(self._metal_below[top] > self._metal_below[low], margin)
            self._clear[low, top, margin] = ndimage.distance_transform_edt(~tall) * self._pitch
        return self._clear[low, top, margin]

    def _is_within(self, low: int, top: int) -> Bools:
        """Return the columns with metal below and above two heights: the sand there is a core's."""
        below, whole = self._metal_below, self._metal_below[-1]
        return np.asarray((below[low] > 0) & (whole > below[top]))

    @cached_property
    def _heights(self) -> dict[tuple[int, int], tuple[NDArray[np.integer], Bools]]:
        return {}

    @cached_property
    def _clear(self) -> dict[tuple[int, int, int], Floats]:
        return {}

    def _is_free_beside(
        self,
        at: Floats,
        exit_mm: Floats,
        diameter_mm: float,
        neck_mm: float,
        low_mm: float,
        height_mm: float,
        taken: tuple[tuple[float, float, float], ...],
    ) -> bool:
        """Return whether a side feeder keeps clear of other castings, feeders and core prints."""
        radius = 0.5 * diameter_mm
        if self._rivals is not None and distance(points(*at), self._rivals) <= radius + GAP_MM:
            return False
        if any(math.hypot(at[0] - x, at[1] - y) <= r + radius for x, y, r in taken):
            return False
        neck, spot = LineString([at, exit_mm]), LineString([at, at])
        return not (
            self.is_in_room(neck, 0.5 * neck_mm, low_mm, low_mm + self._pitch)
            or self.is_in_room(spot, radius, low_mm, low_mm + height_mm)
        )

    def meets(
        self,
        neck_to_mm: tuple[float, float, float],
        outward: tuple[float, float],
        neck_mm: float,
        width_mm: float,
        height_mm: float,
    ) -> bool:
        """Return whether a neck of this section meets the pattern with most of its end."""
        along = np.array([-outward[0], -outward[1], 0.0])
        start = np.array(neck_to_mm) - along * neck_mm - (0.0, 0.0, 0.5 * height_mm)
        lines = section_grid(start, along, width_mm, height_mm, 0.0)
        hit, _ = self._rays.first(lines, along)
        return float(np.mean(hit <= neck_mm + 0.5 * width_mm)) >= NECK_MEETS


def _run(is_metal: Bools, k: int) -> int:
    """Return how many cells of metal hang together along a column through cell k."""
    parts, _ = ndimage.label(is_metal)
    return int((parts == parts[k]).sum()) if parts[k] else 1
