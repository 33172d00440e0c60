"""The casting's wall as ingates meet it: level rays from one side.

Everything here is in the frame of one casting as the pattern lies. A side is named by the
direction the ingates come from: `v` runs outward along it, `s` along the runner.
"""

import math
from collections.abc import Iterator, Sequence
from copy import copy
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np
from scipy.ndimage import maximum_filter1d
from shapely import distance, segmentize
from shapely import points as as_points
from shapely.geometry.base import BaseGeometry

from moldprep.arrays import Flags
from moldprep.geometry.rays import Rays
from moldprep.geometry.solid import Floats, Ints
from moldprep.records import Pattern
from moldprep.records.plan import FeederPlan
from moldprep.rigging.gates.room import Room
from moldprep.rigging.gates.windows import even_windows

HEIGHTS_MM: Final = (30.0, 25.0, 20.0, 16.0, 13.0, 10.0, 8.0, 6.0, 5.0, 4.0, 3.0, 2.0, 1.5)
"""Thicknesses an ingate may have, thickest first."""

RISES_MM: Final = np.array([0.3, *sorted(HEIGHTS_MM)])
"""Heights over or under a level at which its wall is looked at."""

LEAST_MM: Final = 3.0
"""The thinnest ingate where the casting gives a choice."""

DEEPEST_MM: Final = 15.0
"""How far behind the casting's own shadow the wall may lie where a gate enters it: draft, fillets
and shallow recesses, but no bore, which a core would have to make. [mm]"""

MOST_HIDDEN_MM: Final = 60.0
"""The same where nothing else takes a gate. [mm]"""

STEEPEST: Final = 1.5
"""How steeply a wall may run away from the front of a gate: round castings do. [-]"""

HUMP: Final = 0.3
"""How far both flanks of a gate may lie behind its middle, over its width: round castings, but no
tooth that it would wrap. [-]"""

STEP_MM: Final = 1.0
"""A gate covers no step higher than this: it would hang over a gap. [mm]"""


@dataclass(frozen=True, kw_only=True)
class Approach:
    """One way to come at a casting with ingates.

    out_deg     : direction the gates come from
    level_mm    : height of the joint between runner and gates
    gates_above : gates lie above that level, the runner below; or the other way round
    runner_mm   : height of the runner
    thinness    : thickness of a gate over the wall it joins, at most
    sand_mm     : sand kept between gates and feeders or chills
    deepest_mm  : how far behind the casting's own shadow the wall may lie
    least_mm    : thickness of the thinnest gate
    tallest     : height of a gate over its width, at most
    """

    out_deg: float
    level_mm: float
    gates_above: bool
    runner_mm: float
    thinness: float
    sand_mm: float
    deepest_mm: float = DEEPEST_MM
    least_mm: float = LEAST_MM
    tallest: float = 1.0

    @property
    def out(self) -> Floats:
        """(2,) unit vector outward, exact for the four sides of a box."""
        angle = math.radians(self.out_deg)
        return np.round(np.array([math.cos(angle), math.sin(angle)]), 12)

    @property
    def along(self) -> Floats:
        """(2,) unit vector along the runner, counter-clockwise round the casting."""
        x, y = self.out
        return np.array([-y, x])

    def gate_band_mm(self, height_mm: float) -> tuple[float, float]:
        """Return (lowest, highest) of gates of this height. [mm]"""
        if self.gates_above:
            return self.level_mm, self.level_mm + height_mm
        return self.level_mm - height_mm, self.level_mm

    def whole_band_mm(self) -> tuple[float, float]:
        """Return (lowest, highest) of the runner and the highest gates. [mm]"""
        low, high = self.gate_band_mm(HEIGHTS_MM[0])
        if self.gates_above:
            return low - self.runner_mm, high
        return low, high + self.runner_mm


@dataclass(frozen=True, kw_only=True, eq=False)
class Wall:
    """What level rays meet from one side, at heights away from a level.

    s, rise  : (n,) places along the side; (k,) heights from the level
    hit      : (n, k) outward place of the first metal, -inf where there is none
    thick    : (n, k) smaller of the metal's depth and its height there; 0 where no gate may lie
    deep     : (n, k) that depth: free way from the surface to the sand behind, inward
    is_clear : (n, k) False where nothing may sit
    edge     : (n,) how far out the casting's whole shadow reaches
    """

    s: Floats
    rise: Floats
    hit: Floats
    thick: Floats
    deep: Floats
    is_clear: Flags
    edge: Floats

    @property
    def pitch_mm(self) -> float:
        """Distance of two places."""
        return float(self.s[1] - self.s[0])

    def heights_mm(self, way: Approach) -> Floats:
        """Return the gate heights that fit anywhere at all, thickest first."""
        usual = np.array(HEIGHTS_MM)
        fits = self._smooth(way).longest[:0:-1] > 0  # one row less: heights alone, thickest first
        return np.asarray(usual[fits & (usual >= way.least_mm)])

    def may_fit(self, counts: Ints, widths_mm: Floats, heights_mm: Floats, way: Approach) -> Flags:
        """Return which gates are not too wide for any place of the wall, nor for it all together.

        `widths_mm` has a row for each count and a column for each height.
        """
        smooth = self._smooth(way)
        rows = np.searchsorted(self.rise, heights_mm + 1e-9) - 1
        longest, most = smooth.longest[rows], smooth.before[-1, rows]
        half = np.ceil(0.5 * widths_mm / self.pitch_mm)
        is_together = counts[:, None] * widths_mm <= most * self.pitch_mm
        return np.asarray((2.0 * half + 1.0 <= longest) & is_together)

    @cached_property
    def _up_to(self) -> tuple[Flags, Floats, Floats, Floats]:
        """(n, k) clear, nearest hit, farthest hit, least thickness: from the level up to each."""
        return (
            np.logical_and.accumulate(self.is_clear, axis=1),
            np.maximum.accumulate(self.hit, axis=1),
            np.minimum.accumulate(self.hit, axis=1),
            np.minimum.accumulate(self.thick, axis=1),
        )

    def _row(self, height_mm: float) -> int:
        """Return the last of the heights a gate of this height covers."""
        return int(np.searchsorted(self.rise, height_mm + 1e-9)) - 1

    def fits(self, width_mm: float, height_mm: float, way: Approach) -> Flags:
        """Return (n,) where the middle of a gate of this section may lie.

        On a slanted wall one edge of the gate goes in deeper than the other: never through it.
        """
        half = self._half(width_mm)
        smooth, k = self._smooth(way), self._row(height_mm)
        if smooth.longest[k] < 2 * half + 1:
            return np.zeros(len(self.s), bool)
        _, nearest, farthest, thinnest = self._up_to
        fits: Flags = even_windows(
            smooth.before[:, k], half, nearest[:, k], farthest[:, k], thinnest[:, k],
            max(0.6 * width_mm, 4.0), max(HUMP * width_mm, 2.0 * STEP_MM),
        )  # fmt: skip
        return fits

    def _smooth(self, way: Approach) -> "_Smooth":
        """Return where a gate of each height may lie, however narrow.

        A place where the front jumps takes none: at a tooth, a rib, an edge.
        """
        key = (way.thinness, way.deepest_mm)
        if key not in self._counted:
            is_clear, front, far, thick = self._up_to
            with np.errstate(invalid="ignore"):
                jump = np.abs(np.diff(front, axis=0, append=front[-1:]))
                ok = jump <= STEEPEST * self.pitch_mm + STEP_MM
            ok &= is_clear & (far >= self.edge[:, None] - way.deepest_mm)
            ok &= way.thinness * thick >= self.rise
            self._counted[key] = _Smooth.of(ok)
        return self._counted[key]

    @cached_property
    def _counted(self) -> dict[tuple[float, float], "_Smooth"]:
        return {}

    def met_by(self, k: int, width_mm: float, height_mm: float) -> tuple[Floats, Floats]:
        """Return (hits, thicknesses) a gate of this section meets at a place. [mm]"""
        half = self._half(width_mm)
        used = self.rise <= height_mm + 1e-9
        window = slice(max(0, k - half), k + half + 1)
        return self.hit[window][:, used], self.thick[window][:, used]

    def behind_mm(self, k: int, width_mm: float, height_mm: float) -> float:
        """Return how far a gate's wall lies behind the casting's outline, on average. [mm]"""
        half = self._half(width_mm)
        hit, _ = self.met_by(k, width_mm, height_mm)
        return float(np.mean(self.edge[max(0, k - half) : k + half + 1, None] - hit))

    def free_way(self, k: int, width_mm: float, height_mm: float) -> float:
        """Return the metal's free way behind a gate amid it, over the gate's thickness. [-]

        Of the middle and of the median over its width the shorter: the jet is as wide as the gate,
        and opens amid its wall, which on round castings lies behind the nearest of it.
        """
        half, row = self._half(width_mm), self._row(0.5 * height_mm)
        window = slice(max(0, k - half), k + half + 1)
        deep, hit = self.deep[window, row], self.hit[window, row]
        behind_mm = max(float(self.hit[k, row] - np.mean(hit)), 0.0)
        return float(min(self.deep[k, row] - behind_mm, np.median(deep))) / height_mm

    def _half(self, width_mm: float) -> int:
        """Return half a width in places, never more than there are."""
        return min(max(1, math.ceil(0.5 * width_mm / self.pitch_mm)), len(self.s))


@dataclass(frozen=True)
class _Smooth:
    """Places that take a gate, height by height.

    before  : (n + 1, k) how many before each place
    longest : (k,) the most in a row
    """

    before: Ints
    longest: Ints

    @classmethod
    def of(cls, ok: Flags) -> "_Smooth":
        """Count (n, k) flags along the places."""
        before = np.vstack([np.zeros(ok.shape[1], np.int64), np.cumsum(ok, axis=0)])
        at_break = np.maximum.accumulate(np.where(ok, 0, before[1:]), axis=0)
        return cls(before, (before[1:] - at_break).max(axis=0))


@dataclass(frozen=True)
class _Front:
    """From where level rays of one direction come.

    s, edge : (n,) places along the side; how far out the casting's whole shadow reaches
    """

    s: Floats
    edge: Floats
    far_mm: float


@dataclass(frozen=True)
class _Row:
    """What the rays of one direction meet at one height, (n,) each, as in `Wall`."""

    hit: Floats
    thick: Floats
    deep: Floats
    is_clear: Flags


class Walls:
    """A casting, its feeders and its chills, as ingates see them."""

    def __init__(self, pattern: Pattern, room: Room) -> None:
        self.room = room
        self._is_kept_clear = pattern.is_kept_clear
        self._rays = Rays.of(pattern.solid)
        self._shadow = outline_points(room.solid.shadow())
        pieces = pattern.solid.parts()
        self._pieces = [piece.shadow() for piece in pieces]
        self._volumes_mm3 = np.array([piece.volume_mm3 for piece in pieces])
        self._bounds = pattern.solid.bounds
        self._edge_levels: dict[tuple[float, float], Floats] = {}
        self._fronts: dict[float, _Front] = {}
        self._rows: dict[float, dict[float, _Row]] = {}
        self._bare: dict[tuple[float, float, bool], Wall] = {}
        self._lanes: dict[tuple[float, float, bool, float], Wall] = {}
        self._reach: dict[tuple[int, float], tuple[float, float, float]] = {}

    def among(self, room: Room) -> "Walls":
        """Return the same casting among other things; what was seen of it is not looked at anew."""
        other = copy(self)
        other.room, other._reach, other._lanes = room, {}, {}
        return other

    @property
    def extents_mm(self) -> tuple[float, float]:
        """(lowest, highest) of the casting."""
        return float(self._bounds[0, 2]), float(self._bounds[1, 2])

    @property
    def girth_mm(self) -> float:
        """Length and width of the casting, added."""
        return float(self._bounds[1, :2].sum() - self._bounds[0, :2].sum())

    @property
    def n_pieces(self) -> int:
        """How many bodies lie apart from one another."""
        return len(self._pieces)

    def metal_of(self, feeders: Sequence[FeederPlan]) -> Floats:
        """Return (n,) what each body takes of the metal, with the feeders nearest to it. [-]"""
        volumes = self._volumes_mm3.copy()
        for one in feeders:
            there = as_points(one.neck_to_mm[:2] if one.kind == "side" else one.at_mm[:2])
            nearest = int(np.argmin([distance(piece, there) for piece in self._pieces]))
            volumes[nearest] += 0.25 * math.pi * one.diameter_mm**2 * one.height_mm
        return np.asarray(volumes / volumes.sum())

    def owners(self, wall: Wall, way: Approach) -> Ints:
        """Return (n,) number of the body met at each place along a side, -1 for none."""
        is_hit = np.isfinite(wall.hit[:, 0])
        found = np.full(len(wall.s), -1)
        met = wall.s[is_hit, None] * way.along + wall.hit[is_hit, :1] * way.out
        far = [distance(piece, as_points(met)) for piece in self._pieces]
        found[is_hit] = np.argmin(far, axis=0)
        return found

    def seen(self, way: Approach) -> Wall:
        """Return what level rays meet, and where feeders and chills leave room for a gate."""
        key = (way.out_deg, way.level_mm, way.gates_above)
        if key not in self._bare:
            self._bare[key] = self._seen_bare(way)
        lane = (*key, way.sand_mm)
        if lane not in self._lanes:
            self._lanes[lane] = self._with_lanes(self._bare[key], way)
        return self._lanes[lane]

    def _seen_bare(self, way: Approach) -> Wall:
        """Return what level rays meet, whatever stands before it."""
        heights = way.level_mm + (RISES_MM if way.gates_above else -RISES_MM)
        front = self._front_of(way)
        rows = self._rows_at(way, front, heights.round(3).tolist())
        hit, thick, deep = (
            np.stack([getattr(row, name) for row in rows], axis=1)
            for name in ("hit", "thick", "deep")
        )
        is_clear = np.stack([row.is_clear for row in rows], axis=1)
        return Wall(
            s=front.s, rise=RISES_MM, hit=hit, thick=thick, deep=deep, is_clear=is_clear,
            edge=front.edge,
        )  # fmt: skip

    def _front_of(self, way: Approach) -> "_Front":
        """Return where level rays from one direction start."""
        if way.out_deg not in self._fronts:
            s_all, v_all = self._shadow @ way.along, self._shadow @ way.out
            s = np.linspace(s_all.min(), s_all.max(), int(np.clip(np.ptp(s_all), 60, 200)))
            far = float(v_all.max()) + 10.0
            self._fronts[way.out_deg] = _Front(s, _outer_edge(s, s_all, v_all), far)
        return self._fronts[way.out_deg]

    def _rows_at(self, way: Approach, front: "_Front", heights: list[float]) -> list["_Row"]:
        """Return what rays meet at some heights: levels share most of theirs with others."""
        known = self._rows.setdefault(way.out_deg, {})
        new = [z for z in heights if z not in known]
        if new:
            known.update(zip(new, self._met(way, front, np.array(new)), strict=True))
        return [known[z] for z in heights]

    def _met(self, way: Approach, front: "_Front", z: Floats) -> Iterator["_Row"]:
        """Yield what rays meet at each of these heights."""
        origins, inward = _fan(way, front.s, z, front.far_mm), np.append(-way.out, 0.0)
        distance, facet = self._rays.first(origins, inward)
        is_hit = np.isfinite(distance)
        hit = np.where(is_hit, front.far_mm - distance, -np.inf)
        is_clear = is_hit & ~self._is_kept_clear[facet]
        asked = is_clear & (hit >= np.repeat(front.edge, len(z)) - MOST_HIDDEN_MM)
        thick, deep = np.zeros(len(distance)), np.zeros(len(distance))
        met = origins[asked] + inward * distance[asked, None]
        thick[asked], deep[asked] = self._thickness(met, inward)
        each = (part.reshape(len(front.s), len(z)).T for part in (hit, thick, deep))
        clear = is_clear.reshape(len(front.s), len(z)).T
        for row, is_clear_there in zip(zip(*each, strict=True), clear, strict=True):
            hit_there, thick_there, deep_there = row
            yield _Row(hit_there, thick_there, deep_there, is_clear_there)

    def _thickness(self, points: Floats, inward: Floats) -> tuple[Floats, Floats]:
        """Return the metal behind points of the surface: smaller of depth and height; depth."""
        depth, _ = self._rays.first(points + 0.05 * inward, inward)
        depth = np.where(np.isfinite(depth), depth, 0.0)
        inside = points + inward * np.minimum(0.5 * depth, 6.0)[:, None]
        up, _ = self._rays.first(inside, np.array([0.0, 0.0, 1.0]))
        down, _ = self._rays.first(inside, np.array([0.0, 0.0, -1.0]))
        height = up + down
        return np.minimum(depth, np.where(np.isfinite(height), height, 0.0)), depth

    def _with_lanes(self, wall: Wall, way: Approach) -> Wall:
        """Return the wall with nothing clear where a feeder or chill stands before it.

        Where none does, it is the same wall.
        """
        is_clear = wall.is_clear.copy()
        for k, rise in enumerate(wall.rise):
            low, high = way.gate_band_mm(float(rise))
            for outline, _, _ in self.room.beside(low, high, way.sand_mm):
                first, last, out = self._reach_of(outline, way)
                beside = (wall.s >= first - way.sand_mm) & (wall.s <= last + way.sand_mm)
                is_clear[:, k] &= ~(beside & (out > wall.hit[:, k] - way.sand_mm))
        is_same = bool((is_clear == wall.is_clear).all())
        return wall if is_same else replace(wall, is_clear=is_clear)

    def _reach_of(self, outline: BaseGeometry, way: Approach) -> tuple[float, float, float]:
        """Return (first and last place along a side, farthest out) of an outline. [mm]"""
        key = (id(outline), way.out_deg)
        if key not in self._reach:
            points = outline_points(outline)
            along, out = points @ way.along, points @ way.out
            is_none = len(points) == 0
            self._reach[key] = (
                (math.inf, -math.inf, -math.inf)
                if is_none
                else (float(along.min()), float(along.max()), float(out.max()))
            )
        return self._reach[key]

    def reaches_edge(self, way: Approach) -> bool:
        """Return whether the casting has a wall near its own shadow's edge, near the level.

        One coarse fan of rays per direction answers for all levels.
        """
        key = (way.out_deg, way.deepest_mm)
        if key not in self._edge_levels:
            s_all, v_all = self._shadow @ way.along, self._shadow @ way.out
            inset = min(1.0, 0.1 * float(np.ptp(s_all)))
            s = np.linspace(s_all.min() + inset, s_all.max() - inset, 60)
            low, high = self.extents_mm
            z = np.linspace(low + 0.05, high - 0.05, int(np.clip((high - low) / 1.5, 8, 160)))
            far = float(v_all.max()) + 10.0
            distance, _ = self._rays.first(_fan(way, s, z, far), np.append(-way.out, 0.0))
            hit = far - distance.reshape(len(s), len(z))
            edge = _outer_edge(s, s_all, v_all)[:, None]
            self._edge_levels[key] = z[(hit >= edge - 2.0 * way.deepest_mm).any(axis=0)]
        near = np.abs(self._edge_levels[key] - way.level_mm) <= LEAST_MM
        return bool(near.any())

    def edge_mm(self, way: Approach, first_mm: float, last_mm: float) -> float:
        """Return how far out anything reaches between two places along a side, -inf for none."""
        low, high = way.whole_band_mm()
        near = self.room.between(low, high, way.sand_mm)
        if near.is_empty:
            return -math.inf
        points = outline_points(near)
        along = points @ way.along
        beside = points[(along >= first_mm) & (along <= last_mm)] @ way.out
        return float(beside.max()) if len(beside) else -math.inf


def outline_points(outline: BaseGeometry) -> Floats:
    """Return (n, 2) points close together on an outline. [mm]"""
    parts = [part for part in getattr(outline, "geoms", [outline]) if not part.is_empty]
    rings = [np.asarray(segmentize(part.exterior, 4.0).coords)[:, :2] for part in parts]
    return np.vstack([np.empty((0, 2)), *rings])


def _fan(way: Approach, s: Floats, z: Floats, far: float) -> Floats:
    """Return (n k, 3) ray origins outside the casting, at places and heights."""
    s_grid, z_grid = np.meshgrid(s, z, indexing="ij")
    flat = s_grid[..., None] * way.along + far * way.out
    return np.concatenate([flat, z_grid[..., None]], axis=2).reshape(-1, 3)


def _outer_edge(s: Floats, s_all: Floats, v_all: Floats) -> Floats:
    """Return how far out an outline reaches near each place along a side."""
    edge = np.full(len(s), -np.inf)
    pitch = abs(s[1] - s[0])
    k = np.clip(np.rint((s_all - s[0]) / pitch).astype(int), 0, len(s) - 1)
    np.maximum.at(edge, k, v_all)
    reach = min(math.ceil(4.0 / pitch), len(s) // 2 - 1)  # a small casting is narrower than that
    return np.asarray(maximum_filter1d(edge, 2 * reach + 1, mode="nearest"))
