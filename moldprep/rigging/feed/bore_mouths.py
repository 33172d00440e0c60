"""Bores and windows seen from above: what a feeder must leave open, and what it may stand over."""

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from scipy import fft, ndimage

from moldprep.rigging.feed.chill_sites import ChillSites
from moldprep.rigging.feed.site_maps import Bools, Disc, Floats

STEP_SHARE: Final = 0.35
"""Steps under a foot up to this share of its diameter would be filled with feeder metal."""

BORE_SHARE: Final = 2.0
"""A hole up to this many times the area of a feeder is a bore, whose sand would hang on little
beside it …"""

BORE_MM2: Final = 5000.0
"""… but none wider than this, 80 mm across: that is a window (common practice, no source)."""

WINDOW_SHARE: Final = 1.0 / 3.0
"""How much of a window's mouth a feeder may cover: what is left carries the sand in it (common
practice, no source)."""

OVER_BORE: Final = 0.95
"""A foot stands at least this share of its radius away from a bore: the rest is the grid's."""

GAP_MM: Final = 20.0
"""Sand between a feeder and another casting: 20 to 25 mm for small molds (common practice, no
source)."""

ROUND_MM: Final = 100.0
"""How far round a bore its ground is looked at."""

LEAST_PEG_MM: Final = 15.0
"""Width of the thinnest sand that stands up in a bore alone (common practice, no source)."""

SLIMMEST_PEG: Final = 3.0
"""Height over width of the slimmest sand that does (common practice, no source)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class BoreMouth:
    """The upper end of an upright bore, with level ground all round it.

    middle_mm : (x, y) of the bore's middle
    radius_mm : from there to the farthest edge of the bore
    ground_mm : width of the ground round it where it is narrowest
    at_mm     : the place on that ground nearest the hot spot
    bore      : its columns
    """

    middle_mm: tuple[float, float]
    radius_mm: float
    ground_mm: float
    at_mm: tuple[float, float, float]
    is_machined: bool
    bore: Bools


class BoreSites(ChillSites):
    """What the bores of one pattern leave free, and which of them a feeder may stand over."""

    def bore_mouths(self, section: int, near_mm: Floats) -> list[BoreMouth]:
        """Return the bores whose sand stands up from below alone, nearest the hot spot first.

        A feeder closes such a bore on top: its sand is the drag's all the way up. It must be wide
        enough for its height, and what is round its mouth level, most of it of this section.
        """
        parts, _ = ndimage.label(self._holes)
        margin = int(np.ceil(ROUND_MM / self._pitch))
        found = []
        for number, box in enumerate(ndimage.find_objects(parts), start=1):
            round_it = tuple(slice(max(s.start - margin, 0), s.stop + margin) for s in box)
            bore = parts == number
            if bore[round_it].sum() * self._pitch**2 > BORE_MM2:
                continue
            mouth = self._mouth(bore, round_it, section, near_mm)
            found += [mouth] if mouth is not None else []
        return sorted(found, key=lambda mouth: float(np.hypot(*(mouth.middle_mm - near_mm[:2]))))

    def _mouth(
        self, bore: Bools, round_it: tuple[slice, ...], section: int, near_mm: Floats
    ) -> BoreMouth | None:
        """Return the mouth of a bore, looked at `round_it`, or None where nothing may stand."""
        top, pitch, here = self.top, self._pitch, bore[round_it]
        away = ndimage.distance_transform_edt(~here) * pitch
        rim = ~here & (away <= 2.5 * pitch)
        z = top.z_mm[round_it]
        level = float(np.median(z[rim]))
        deep = level - float(self.bottom.z_mm[round_it][rim].min())
        wide = 2.0 * float(ndimage.distance_transform_edt(np.pad(here, 1)).max()) * pitch
        is_own = float(np.mean(top.label[round_it][rim] == section)) > 0.5
        if not is_own or wide < LEAST_PEG_MM or not deep <= SLIMMEST_PEG * wide:
            return None
        ground = ~top.is_kept[round_it] & (np.abs(z - level) <= pitch)
        beyond = ~ground & ~here
        ground_mm = (float(away[beyond].min()) if beyond.any() else ROUND_MM) - pitch
        if ground_mm <= 0.0:
            return None
        x, y = self._x[round_it[0], None], self._y[None, round_it[1]]
        middle = np.array([np.mean((x * here)[here]), np.mean((y * here)[here])])
        way = np.hypot(x - near_mm[0], y - near_mm[1])
        on_it = ~here & (away <= 0.5 * ground_mm + pitch)
        i, j = np.unravel_index(int(np.argmin(np.where(on_it, way, np.inf))), way.shape)
        return BoreMouth(
            middle_mm=(float(middle[0]), float(middle[1])),
            radius_mm=float(np.hypot(x - middle[0], y - middle[1])[here].max()) + 0.5 * pitch,
            ground_mm=ground_mm,
            at_mm=(float(x[i, 0]), float(y[0, j]), level),
            is_machined=bool(top.is_machined[round_it][i, j]),
            bore=bore,
        )

    def has_room_over(
        self, mouth: BoreMouth, diameter_mm: float, height_mm: float, taken: tuple[Disc, ...]
    ) -> bool:
        """Return whether a feeder over a bore keeps clear of all but the ground round the bore."""
        middle, level = self._column(*mouth.middle_mm), mouth.at_mm[2]
        on_ground, radius = self._column(*mouth.at_mm[:2]), 0.5 * diameter_mm
        z = np.nan_to_num(self.top.z_mm, nan=-1e9)
        under = self._footprint(middle, radius)
        rises = float(z[under].max()) - level > max(0.15 * diameter_mm, self._pitch)
        in_room = self._in_rooms(radius, np.full(z.shape, level), level + height_mm)[middle]
        if rises or in_room or self._is_stepped(on_ground, middle, diameter_mm):
            return False
        return bool(self._free_above(radius, taken, but=mouth.bore)[middle])

    def _free_above(
        self, radius_mm: float, taken: tuple[Disc, ...], but: Bools | None = None
    ) -> Bools:
        """Return the columns a feeder's middle may be over: clear of others and bores `but` one."""
        free = self._off(taken, radius_mm) & (self._from_rivals > radius_mm + GAP_MM)
        if but is not None:
            return free & self._off_bores(radius_mm, but)
        if radius_mm not in self._off_all_bores:
            self._off_all_bores[radius_mm] = self._off_bores(radius_mm, np.zeros_like(free))
        return free & self._off_all_bores[radius_mm]

    @cached_property
    def _off_all_bores(self) -> dict[float, Bools]:
        """What `_off_bores` found: places are looked for again and again for one feeder."""
        return {}

    def _off_bores(self, radius_mm: float, but: Bools) -> Bools:
        """Return the columns where a feeder's middle leaves bores and windows open, `but` one."""
        area = np.pi * radius_mm**2
        widest = min(BORE_SHARE * area, BORE_MM2)
        bores = self._bores(widest) & ~but
        free = np.ones(bores.shape, np.bool_)
        if bores.any():
            clear = ndimage.distance_transform_edt(~np.pad(bores, 1))[1:-1, 1:-1] * self._pitch
            free &= clear >= OVER_BORE * radius_mm
        for window in self._windows(widest, area / WINDOW_SHARE):
            covered = _sums_over(window, self._disc(radius_mm))
            free &= covered <= WINDOW_SHARE * window.sum() + 0.5
        return free

    def _is_stepped(
        self, spot: tuple[np.intp, ...], middle: tuple[np.intp, ...], diameter_mm: float
    ) -> bool:
        """Return whether a foot of this width would bury a step of the casting below its ground.

        `spot` is a column of that ground, `middle` the column under the middle of the foot.
        """
        radius = 0.5 * diameter_mm
        z = np.nan_to_num(self.top.z_mm, nan=-1e9)
        drop = np.where(self._footprint(middle, radius), z[spot] - z, 0.0)
        step = drop > max(0.05 * diameter_mm, 2.0 * self._pitch)
        step &= drop < STEP_SHARE * diameter_mm + self._pitch
        step &= self._smooth != self._smooth[spot]
        return bool(step.sum() > 0.05 * np.pi * (radius / self._pitch) ** 2)

    def _column(self, x_mm: float, y_mm: float) -> tuple[np.intp, np.intp]:
        """Return the index of the column at a place."""
        return np.argmin(np.abs(self._x - x_mm)), np.argmin(np.abs(self._y - y_mm))


def _sums_over(values: Bools, disc: Floats) -> Floats:
    """Return the sum over a disc round each column (scipy.signal's takes a second to load)."""
    n_x, n_y = values.shape
    fast = [
        fft.next_fast_len(n + m - 1, real=True)
        for n, m in zip(values.shape, disc.shape, strict=True)
    ]
    sums = fft.irfftn(fft.rfftn(values, fast) * fft.rfftn(disc, fast), fast)
    x, y = ((m - 1) // 2 for m in disc.shape)
    return np.asarray(sums[x : x + n_x, y : y + n_y], np.float64)
