"""Where ingates can enter a casting: sides, levels and places, found with level rays.

Everything here is in the frame of one casting as the pattern lies. A side is named by the
direction the ingates come from: `v` runs outward along it, `s` along the runner.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
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

BREAK_OFF: Final = 0.7
"""Thickness of an ingate over the wall it joins, at most: it then breaks off in the gate
(common practice, no source). [-]"""

HEIGHTS_MM: Final = (30.0, 25.0, 20.0, 16.0, 13.0, 10.0, 8.0, 6.0, 5.0, 4.0, 3.0)
COUNTS: Final = (1, 2, 3, 4, 6, 8)
FLATNESS: Final = (1.0, 20.0)
"""Width over height of an ingate, from and to (common practice, no source). [-]"""

WIDEST_MM: Final = 120.0
FLUSH_MM: Final = 8.0
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
        for sides_deg, flush_mm in (
            (SIDES_DEG, FLUSH_MM),
            (SLANTED_DEG, FLUSH_MM),
            (SIDES_DEG, 80.0),
        ):
            for level in self._levels(level_mm):
                found = [
                    side
                    for out_deg, above in product(sides_deg, (True, False))
                    for side in self._sides(out_deg, level, above, area_mm2, runner_mm, flush_mm)
                ]
                if found:
                    habit = {prefers_above: 0.0, not prefers_above: 15.0}
                    return min(found, key=lambda one: one.score + habit[one.gates_above])
        return None

    def _levels(self, level_mm: float) -> list[float]:
        """Return the parting's height, then others through the casting, nearest first."""
        low, high = self._bounds[:, 2]
        others = np.linspace(low, high, 25)
        near = sorted((float(z) for z in others), key=lambda z: (abs(z - level_mm), z))
        return [level_mm, *(round(z, 2) for z in near)]

    def _sides(
        self, out_deg: float, level: float, above: bool, area: float, runner: float, flush: float
    ) -> Iterator[Side]:
        """Yield what can be done from one direction at one level."""
        low, high = (level - runner, level + HEIGHTS_MM[0]) if above else (
            level - HEIGHTS_MM[0], level + runner)  # fmt: skip
        near = self.room.between(low - self.wall_mm, high + self.wall_mm)
        if near.is_empty:
            return
        edge_mm = float((_points(near) @ out_of(out_deg)).max())
        if self.alloy.wants_gates == "feeder":
            side = self._into_feeders(out_deg, level, above, area, edge_mm)
            if side is not None:
                yield side
                return
        wall = self._wall(out_deg, level, above)
        for count in COUNTS:
            side = self._into_wall(wall, out_deg, level, above, area, count, edge_mm, flush)
            if side is not None:
                yield side

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
        edge_mm: float, flush: float,
    ) -> Side | None:  # fmt: skip
        """Return `count` equal ingates into the casting's wall, as thick as it allows."""
        pitch = wall.s[1] - wall.s[0]
        for height in HEIGHTS_MM:
            notch = break_off_notch_mm(height)
            width = area / count / (height - notch)
            if not FLATNESS[0] * height <= width <= min(FLATNESS[1] * height, WIDEST_MM):
                continue
            fits = self._fits(wall, width, height, flush, pitch)
            places = _spread(wall.s, fits, count, width + self.wall_mm)
            if places is None:
                continue
            half = max(1, math.ceil(0.5 * width / pitch))
            used = wall.rise <= height + 1e-9
            gates, thinnest = [], math.inf
            for k in places:
                window = slice(max(0, k - half), k + half + 1)
                nearest = float(wall.hit[window][:, used].max())
                thinnest = min(thinnest, float(wall.thick[window][:, used].min()))
                gates.append(
                    Gate(along_mm=float(wall.s[k]), wall_mm=nearest, width_mm=width,
                         height_mm=height, notch_mm=notch, into="casting")
                )  # fmt: skip
            score = self._score(gates, wall, edge_mm, count, flush)
            return Side(out_deg=out_deg, level_mm=level, gates_above=above, gates=tuple(gates),
                        edge_mm=edge_mm, wall_mm=thinnest, score=score)  # fmt: skip
        return None

    def _fits(
        self, wall: Wall, width: float, height: float, flush: float, pitch: float
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
            & (edge - nearest <= flush)
            & (BREAK_OFF * thick >= height)
            & (clear > 0)
        )

    def _score(
        self, gates: list[Gate], wall: Wall, edge_mm: float, count: int, flush: float
    ) -> float:
        """Return how poor a side is: long gates, many or few gates, a large mold."""
        length = float(np.mean([edge_mm - gate.wall_mm for gate in gates]))
        extent = float(np.ptp(wall.s))
        wanted = extent / GATE_SPACING_MM
        across = float(np.ptp(_points(self._shadow) @ out_of(0.0))) + float(
            np.ptp(_points(self._shadow) @ out_of(90.0))
        )
        spacing = 12.0 * max(0.0, wanted - count) + 4.0 * max(0.0, count - max(wanted, 1.0))
        return length + spacing + 0.15 * (across - extent) + (50.0 if flush > FLUSH_MM else 0.0)

    def _into_feeders(
        self, out_deg: float, level: float, above: bool, area: float, edge_mm: float
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


def _spread(s: Floats, fits: NDArray[np.bool_], count: int, apart_mm: float) -> list[int] | None:
    """Return `count` places that fit, spread evenly over the casting, or None."""
    ok = np.flatnonzero(fits)
    if len(ok) == 0:
        return None
    wanted = s[0] + (s[-1] - s[0]) * (2 * np.arange(count) + 1) / (2 * count)
    places = [int(ok[np.argmin(np.abs(s[ok] - at))]) for at in wanted]
    gaps = np.diff(s[places])
    return places if bool((gaps >= apart_mm).all()) else None
