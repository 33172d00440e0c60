"""Where ingates can enter a casting: sides, levels and places, found with level rays.

Everything here is in the frame of one casting as the pattern lies. A side is named by the
direction the ingates come from: `v` runs outward along it, `s` along the runner.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, minimum_filter1d
from shapely import segmentize
from shapely.geometry.base import BaseGeometry

from moldprep.geometry.rays import Rays
from moldprep.geometry.solid import Floats
from moldprep.records import Alloy, Pattern
from moldprep.records.plan import FeederPlan
from moldprep.rigging.room import Room
from moldprep.tolerances import OVERLAP_MM

SIDES_DEG: Final = (270.0, 90.0, 0.0, 180.0)
SLANTED_DEG: Final = (45.0, 135.0, 225.0, 315.0)
LEVEL_STEP_MM: Final = 1.5
CLOSENESS: Final = (1.0, 0.75, 0.5, 0.3)
"""How far gates stand apart, over an even spread: round castings want them nearer the middle."""

BREAK_OFF: Final = 0.7
"""Thickness of an ingate over the wall it joins, at most: it then breaks off in the gate
(common practice, no source). [-]"""

TRIES: Final = ((SIDES_DEG, BREAK_OFF), (SLANTED_DEG, BREAK_OFF), (SIDES_DEG, 1.0))
"""Directions and thickness over the wall's, in the order they are tried."""

HEIGHTS_MM: Final = (30.0, 25.0, 20.0, 16.0, 13.0, 10.0, 8.0, 6.0, 5.0, 4.0, 3.0)
COUNTS: Final = (1, 2, 3, 4, 6, 8)
FLATNESS: Final = (1.0, 20.0)
"""Width over height of an ingate, from and to (common practice, no source). [-]"""

WIDEST_MM: Final = 120.0
FLUSH_MM: Final = 4.0
"""How far behind the casting's own shadow the wall may lie where a gate enters it: draft and
fillets, but no bore and no undercut, which a core would have to make. [mm]"""

GATE_SPACING_MM: Final = 250.0
"""Length of casting one ingate serves (common practice, no source). [mm]"""


@dataclass(frozen=True, kw_only=True)
class Gate:
    """One ingate before it has a runner.

    along_mm : place along the side; `wall_mm` the nearest wall, outward
    into     : "casting", or the feeder's name
    """

    along_mm: float
    wall_mm: float
    width_mm: float
    height_mm: float
    notch_mm: float
    into: str


@dataclass(frozen=True, kw_only=True)
class Side:
    """One way to gate a casting.

    out_deg     : direction the gates come from
    level_mm    : height of the joint between runner and gates
    gates_above : gates lie above that level, the runner below; or the other way round
    edge_mm     : how far out the casting and its feeders reach near that level
    wall_mm     : thickness of the thinnest wall a gate joins
    score       : lower is better
    """

    out_deg: float
    level_mm: float
    gates_above: bool
    gates: tuple[Gate, ...]
    edge_mm: float
    wall_mm: float
    score: float

    @property
    def out(self) -> Floats:
        """(2,) unit vector outward."""
        return out_of(self.out_deg)

    @property
    def along(self) -> Floats:
        """(2,) unit vector along the runner."""
        return along_of(self.out_deg)


def out_of(out_deg: float) -> Floats:
    """Return the unit vector of a direction, exact for the four sides of a box."""
    angle = math.radians(out_deg)
    return np.round(np.array([math.cos(angle), math.sin(angle)]), 12)


def along_of(out_deg: float) -> Floats:
    """Return the unit vector along a side, counter-clockwise round the casting."""
    return out_of(out_deg + 90.0)


@dataclass(frozen=True, kw_only=True)
class Wall:
    """The casting's wall as level rays see it from one side, at heights away from a level.

    s, rise  : (n,) places along the side; (k,) heights from the level
    hit      : (n, k) outward place of the first metal, -inf where there is none
    thick    : (n, k) smaller of the metal's depth and its height there
    is_clear : (n, k) False where nothing may sit
    edge     : (n,) how far out the casting's whole shadow reaches
    """

    s: Floats
    rise: Floats
    hit: Floats
    thick: Floats
    is_clear: NDArray[np.bool_]
    edge: Floats


class GateSearch:
    """Finds the best side of a casting for its ingates."""

    def __init__(
        self, pattern: Pattern, room: Room, feeders: Sequence[FeederPlan], alloy: Alloy,
        wall_mm: float,
    ) -> None:  # fmt: skip
        self.pattern, self.room, self.alloy, self.wall_mm = pattern, room, alloy, wall_mm
        self.feeders = [f for f in feeders if f.kind == "side"]
        self._rays = Rays.of(pattern.solid)
        self._bounds = pattern.solid.bounds
        self._shadow = room.solid.shadow()
        self._edges: dict[float, Floats] = {}

    def best(
        self, level_mm: float, area_mm2: float, runner_mm: float, prefers_above: bool
    ) -> Side | None:
        """Return the best side, at the level or the nearest one where the casting has a wall.

        Parameters
        ----------
        level_mm
            Height of the parting. [mm]
        area_mm2
            Area of all ingates of this casting. [mm²]
        runner_mm
            Height of the runner. [mm]
        prefers_above
            Whether the trade puts this alloy's ingates above the runner.
        """
        for sides_deg, thinness in TRIES:
            for level in self._levels(level_mm):
                found = [
                    side
                    for out_deg, above in product(sides_deg, (True, False))
                    for side in self._sides(out_deg, level, above, area_mm2, runner_mm, thinness)
                ]
                if found:
                    habit = {prefers_above: 0.0, not prefers_above: 15.0}
                    return min(found, key=lambda one: one.score + habit[one.gates_above])
        return None

    def _levels(self, level_mm: float) -> list[float]:
        """Return the parting's height, then others through the casting, nearest first."""
        low, high = self._bounds[:, 2]
        others = np.arange(low + 0.5 * LEVEL_STEP_MM, high, max(LEVEL_STEP_MM, (high - low) / 80.0))
        near = sorted((float(z) for z in others), key=lambda z: (abs(z - level_mm), z))
        return [level_mm, *(round(z, 2) for z in near)]

    def _sides(
        self, out_deg: float, level: float, above: bool, area: float, runner: float, thinness: float
    ) -> Iterator[Side]:
        """Yield what can be done from one direction at one level."""
        if not self._meets_edge(out_deg, level):
            return
        if self.alloy.wants_gates == "feeder":
            side = self._into_feeders(out_deg, level, above, area, runner)
            if side is not None:
                yield side
                return
        wall = self._lanes(self._wall(out_deg, level, above), out_deg, level, above)
        lowest = wall.hit[:, wall.rise <= HEIGHTS_MM[-1]].min(axis=1)
        if not (lowest >= wall.edge - FLUSH_MM).any():
            return
        for count in COUNTS:
            yield from self._into_wall(wall, out_deg, level, above, area, count, runner, thinness)

    def _meets_edge(self, out_deg: float, level: float) -> bool:
        """Return whether the casting has a wall near its own shadow's edge, near a level.

        One coarse fan of rays per direction answers for all levels.
        """
        if out_deg not in self._edges:
            out, along = out_of(out_deg), along_of(out_deg)
            shadow = _points(self._shadow)
            s_all, v_all = shadow @ along, shadow @ out
            s = np.linspace(s_all.min() + 1.0, s_all.max() - 1.0, 60)
            low, high = self._bounds[:, 2]
            z = np.linspace(low + 0.05, high - 0.05, int(np.clip((high - low) / 1.5, 8, 160)))
            far = float(v_all.max()) + 10.0
            s_grid, z_grid = np.meshgrid(s, z, indexing="ij")
            flat = s_grid[..., None] * along + far * out
            origins = np.concatenate([flat, z_grid[..., None]], axis=2).reshape(-1, 3)
            distance, _ = self._rays.first(origins, np.array([-out[0], -out[1], 0.0]))
            hit = far - distance.reshape(s_grid.shape)
            edge = _outer_edge(s, s_all, v_all)[:, None]
            self._edges[out_deg] = z[(hit >= edge - 2.0 * FLUSH_MM).any(axis=0)]
        return bool((np.abs(self._edges[out_deg] - level) <= HEIGHTS_MM[-1]).any())

    def _edge_mm(
        self, out_deg: float, level: float, above: bool, runner: float, gates: Sequence[Gate]
    ) -> float:
        """Return how far out castings and feeders reach where runner and gates would lie."""
        tall = HEIGHTS_MM[0]
        low, high = (level - runner, level + tall) if above else (level - tall, level + runner)
        near = _points(self.room.between(low - self.wall_mm, high + self.wall_mm))
        along = near @ along_of(out_deg)
        margin = 0.5 * gates[0].width_mm + self.wall_mm
        first, last = gates[0].along_mm - margin, gates[-1].along_mm + margin
        beside = near[(along >= first) & (along <= last)] @ out_of(out_deg)
        return float(max([*beside, *(gate.wall_mm for gate in gates)]))

    def _lanes(self, wall: Wall, out_deg: float, level: float, above: bool) -> Wall:
        """Return the wall with nothing clear where a feeder or chill stands before it."""
        low, high = (level, level + HEIGHTS_MM[0]) if above else (level - HEIGHTS_MM[0], level)
        is_clear = wall.is_clear.copy()
        for outline, z_low, z_high in self.room.prisms:
            if z_low < high + self.wall_mm and z_high > low - self.wall_mm:
                points = _points(outline)
                along = points @ along_of(out_deg)
                beside = (wall.s >= along.min() - self.wall_mm) & (
                    wall.s <= along.max() + self.wall_mm
                )
                ahead = float((points @ out_of(out_deg)).max()) > wall.hit - self.wall_mm
                is_clear &= ~(beside[:, None] & ahead)
        return replace(wall, is_clear=is_clear)

    def _wall(self, out_deg: float, level: float, above: bool) -> Wall:
        """Return what level rays meet from one side."""
        out, along = out_of(out_deg), along_of(out_deg)
        shadow = _points(self._shadow)
        s_all, v_all = shadow @ along, shadow @ out
        n = int(np.clip((np.ptp(s_all)) / 2.0, 60, 240))
        s = np.linspace(s_all.min(), s_all.max(), n)
        rise = np.array([0.3, *sorted(HEIGHTS_MM)])
        z = level + (rise if above else -rise)
        far = float(v_all.max()) + 10.0
        flat = s[:, None, None] * along + far * out
        origins = np.concatenate(
            [
                np.broadcast_to(flat, (n, len(z), 2)),
                np.broadcast_to(z[None, :, None], (n, len(z), 1)),
            ],
            axis=2,
        ).reshape(-1, 3)
        inward = np.array([-out[0], -out[1], 0.0])
        distance, facet = self._rays.first(origins, inward)
        is_hit = np.isfinite(distance)
        thick = np.zeros(len(distance))
        thick[is_hit] = self._thickness(origins[is_hit] + inward * distance[is_hit, None], inward)
        is_clear = is_hit & ~self.pattern.is_kept_clear[facet]
        shape = (n, len(z))
        hit = np.where(is_hit, far - distance, -np.inf).reshape(shape)
        edge = _outer_edge(s, s_all, v_all)
        return Wall(s=s, rise=rise, hit=hit, thick=thick.reshape(shape),
                    is_clear=is_clear.reshape(shape), edge=edge)  # fmt: skip

    def _thickness(self, points: Floats, inward: Floats) -> Floats:
        """Return the metal behind points of the surface: smaller of its depth and its height."""
        depth, _ = self._rays.first(points + 0.05 * inward, inward)
        depth = np.where(np.isfinite(depth), depth, 0.0)
        inside = points + inward * np.minimum(0.5 * depth, 6.0)[:, None]
        up, _ = self._rays.first(inside, np.array([0.0, 0.0, 1.0]))
        down, _ = self._rays.first(inside, np.array([0.0, 0.0, -1.0]))
        height = up + down
        return np.minimum(depth, np.where(np.isfinite(height), height, 0.0))

    def _into_wall(
        self, wall: Wall, out_deg: float, level: float, above: bool, area: float, count: int,
        runner: float, thinness: float,
    ) -> Iterator[Side]:  # fmt: skip
        """Yield `count` equal ingates into the casting's wall, as thick as it allows."""
        pitch = wall.s[1] - wall.s[0]
        for height in HEIGHTS_MM:
            notch = break_off_notch_mm(height)
            width = area / count / (height - notch)
            if not FLATNESS[0] * height <= width <= min(FLATNESS[1] * height, WIDEST_MM):
                continue
            fits = self._fits(wall, width, height, thinness, pitch)
            found = False
            for closeness in CLOSENESS if count > 1 else CLOSENESS[:1]:
                places = _spread(wall.s, fits, count, width + self.wall_mm, closeness)
                if places is None:
                    continue
                found = True
                windows = [_window(wall, k, width, height, pitch) for k in places]
                gates = tuple(
                    Gate(along_mm=float(wall.s[k]), wall_mm=float(hit.max()), width_mm=width,
                         height_mm=height, notch_mm=notch, into="casting")
                    for k, (hit, _) in zip(places, windows, strict=True)
                )  # fmt: skip
                edge_mm = self._edge_mm(out_deg, level, above, runner, gates)
                spread = float(np.mean([np.ptp(hit) for hit, _ in windows]))
                yield Side(out_deg=out_deg, level_mm=level, gates_above=above, gates=gates,
                           edge_mm=edge_mm, wall_mm=min(float(t.min()) for _, t in windows),
                           score=self._score(gates, wall, edge_mm) + spread)  # fmt: skip
            if found:
                return

    def _fits(
        self, wall: Wall, width: float, height: float, thinness: float, pitch: float
    ) -> NDArray[np.bool_]:
        """Return (n,) where the middle of a gate of this section may lie."""
        used = wall.rise <= height + 1e-9
        size = 2 * max(1, math.ceil(0.5 * width / pitch)) + 1
        nearest, farthest = wall.hit[:, used].max(axis=1), wall.hit[:, used].min(axis=1)
        nearest = maximum_filter1d(nearest, size, mode="constant", cval=-np.inf)
        farthest = minimum_filter1d(farthest, size, mode="constant", cval=-np.inf)
        edge = maximum_filter1d(wall.edge, size, mode="nearest")
        thick = minimum_filter1d(wall.thick[:, used].min(axis=1), size, mode="constant", cval=0.0)
        clear = minimum_filter1d(
            wall.is_clear[:, used].all(axis=1).astype(np.uint8), size, mode="constant", cval=0
        )
        with np.errstate(invalid="ignore"):
            spread = nearest - farthest
        return np.asarray(
            np.isfinite(farthest)
            & (spread <= max(0.6 * width, 4.0))
            & (edge - nearest <= FLUSH_MM)
            & (thinness * thick >= height)
            & (clear > 0)
        )

    def _score(self, gates: Sequence[Gate], wall: Wall, edge_mm: float) -> float:
        """Return how poor a side is: long gates, too many or too few, a large mold."""
        length = float(np.mean([edge_mm - gate.wall_mm for gate in gates]))
        extent = float(np.ptp(wall.s))
        wanted = max(1.0, extent / GATE_SPACING_MM)
        spacing = 12.0 * max(0.0, wanted - len(gates)) + 8.0 * max(0.0, len(gates) - wanted)
        across = float(self._bounds[1, :2].sum() - self._bounds[0, :2].sum())
        return length + spacing + 0.1 * (across - extent)

    def _into_feeders(
        self, out_deg: float, level: float, above: bool, area: float, runner: float
    ) -> Side | None:
        """Return ingates straight into the side feeders that stand on this side."""
        out, along = out_of(out_deg), along_of(out_deg)
        height = next((h for h in HEIGHTS_MM if h <= 20.0), HEIGHTS_MM[-1])
        low, high = (level, level + height) if above else (level - height, level)
        casting = self.room.solid.shadow()
        reached = []
        for feeder in self.feeders:
            at = np.array(feeder.at_mm[:2])
            tall = feeder.height_mm - (0.0 if feeder.is_open else 0.5 * feeder.diameter_mm)
            is_level = feeder.at_mm[2] <= low + OVERLAP_MM and feeder.at_mm[2] + tall >= high
            front = float(at @ out) + 0.5 * feeder.diameter_mm
            lane = np.abs(_points(casting) @ along - float(at @ along))
            ahead = (_points(casting) @ out)[lane < 0.5 * feeder.diameter_mm + self.wall_mm]
            if is_level and (len(ahead) == 0 or float(ahead.max()) < front):
                reached.append((feeder, front))
        if not reached:
            return None
        notch = break_off_notch_mm(height)
        gates = []
        for feeder, front in reached:
            width = area / len(reached) / (height - notch)
            if width > 0.7 * feeder.diameter_mm:
                return None
            sag = 0.5 * feeder.diameter_mm - math.sqrt(
                0.25 * feeder.diameter_mm**2 - 0.25 * width**2
            )
            gates.append(
                Gate(along_mm=float(np.array(feeder.at_mm[:2]) @ along), wall_mm=front - sag,
                     width_mm=width, height_mm=height, notch_mm=notch, into=feeder.name)
            )  # fmt: skip
        gates.sort(key=lambda gate: gate.along_mm)
        edge_mm = self._edge_mm(out_deg, level, above, runner, gates)
        length = float(np.mean([edge_mm - gate.wall_mm for gate in gates]))
        return Side(out_deg=out_deg, level_mm=level, gates_above=above, gates=tuple(gates),
                    edge_mm=edge_mm, wall_mm=min(f.diameter_mm for f, _ in reached),
                    score=length - 200.0 * len(reached))  # fmt: skip


def break_off_notch_mm(height_mm: float) -> float:
    """Return the depth of the break-off notch of a gate. [mm]"""
    return min(3.0, round(0.15 * height_mm, 1))


def _points(outline: BaseGeometry) -> Floats:
    """Return (n, 2) points close together on an outline."""
    parts = getattr(outline, "geoms", [outline])
    return np.vstack([np.asarray(segmentize(part.exterior, 4.0).coords)[:, :2] for part in parts])


def _outer_edge(s: Floats, s_all: Floats, v_all: Floats) -> Floats:
    """Return how far out an outline reaches near each place along a side."""
    edge = np.full(len(s), -np.inf)
    pitch = s[1] - s[0]
    k = np.clip(np.rint((s_all - s[0]) / pitch).astype(int), 0, len(s) - 1)
    np.maximum.at(edge, k, v_all)
    reach = 2 * math.ceil(4.0 / pitch) + 1
    return np.asarray(maximum_filter1d(edge, reach, mode="nearest"))


def _window(wall: Wall, k: int, width: float, height: float, pitch: float) -> tuple[Floats, Floats]:
    """Return (hits, thicknesses) a gate of this section meets at a place."""
    half = max(1, math.ceil(0.5 * width / pitch))
    used = wall.rise <= height + 1e-9
    window = slice(max(0, k - half), k + half + 1)
    return wall.hit[window][:, used], wall.thick[window][:, used]


def _spread(
    s: Floats, fits: NDArray[np.bool_], count: int, apart_mm: float, closeness: float
) -> list[int] | None:
    """Return `count` places that fit, spread evenly over the casting, or None."""
    ok = np.flatnonzero(fits)
    if len(ok) == 0:
        return None
    middle, extent = 0.5 * (s[0] + s[-1]), s[-1] - s[0]
    even = (2.0 * np.arange(count) + 1.0) / (2.0 * count) - 0.5
    wanted = middle + closeness * extent * even
    places = [int(ok[np.argmin(np.abs(s[ok] - at))]) for at in wanted]
    gaps = np.diff(s[places])
    return places if bool((gaps >= apart_mm).all()) else None
