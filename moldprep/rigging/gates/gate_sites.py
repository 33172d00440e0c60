"""Where ingates enter a casting: the best side, level, number, places and section of them."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import product
from typing import Final

import numpy as np
from shapely.geometry import Point

from moldprep.arrays import Flags, Floats
from moldprep.records import Alloy
from moldprep.records.plan import FeederPlan
from moldprep.rigging.feed.webs import WEB_MM
from moldprep.rigging.gates.gate_walls import (
    HEIGHTS_MM,
    Approach,
    Wall,
    Walls,
    outline_points,
)
from moldprep.rigging.gates.sides import Gate, Section, Side, level_cost
from moldprep.rigging.gates.spread import one_each, spread
from moldprep.rigging.gates.tries import TRIES, Try, break_off_notch_mm, narrowest_mm
from moldprep.tolerances import OVERLAP_MM

FREE_WAY: Final = 2.0
"""Free way before a gate over its thickness: closer by, the jet washes what stands opposite
(common practice, no source). [-]"""

STRIKES: Final = 200.0
"""What it costs, in mm of gate, to have the jet strike what stands opposite at once."""

COUNTS: Final = (1, 2, 3, 4, 6, 8)
FLATTEST: Final = 20.0
"""Width over height of an ingate, at most; the thickest that fits is taken. [-]"""

WIDEST_MM: Final = 120.0
GATE_SPACING_MM: Final = 250.0
"""Length of casting one ingate serves (common practice, no source). [mm]"""

CLOSENESS: Final = (1.0, 0.75, 0.5, 0.3)
"""How far gates stand apart, over an even spread: round castings want them nearer the middle."""

RUNNER_GROWTH: Final = 0.25
"""How much of its height a runner may gain when it is sized for the feeders of later rounds. [-]"""

EVEN_MM: Final = 0.02
"""A channel this near to the joint is flush with it."""

LEVEL_STEP_MM: Final = 1.5
LEVEL_STRIDE: Final = 3
"""Every so many levels are tried first; those between only where none of them takes a gate."""

FEEDER_GATE_MM: Final = 20.0
"""Height of an ingate into a side feeder (common practice, no source). [mm]"""

WIDEST_INTO_FEEDER: Final = 0.7
"""Width of an ingate over the side feeder it runs into, at most: it meets a round face. [-]"""

FARTHEST_LEVEL_MM: Final = 45.0
"""How far off the parting levels are compared, once one offers something, and how far off those
between are tried at all. [mm]"""

MOST_RANKED: Final = 8
"""Sides that are laid out in full before one is chosen."""

FLUSH_MM: Final = 4.0
"""Walls this little behind the outline count as the outline: draft and fillets. [mm]"""

HIDDEN: Final = 6.0
"""What a millimetre behind the casting's outline costs, in mm of gate: hard to cut off clean."""


class GateSearch:
    """Finds the best side of a casting for its ingates."""

    def __init__(
        self,
        walls: Walls,
        feeders: Sequence[FeederPlan],
        alloy: Alloy,
        wall_mm: float,
        joint_mm: float,
    ) -> None:
        """Take the casting among what stands round it, the usual wall of sand, and the joint."""
        self._joint_mm = joint_mm
        self._walls, self._room, self._wall_mm = walls, walls.room, wall_mm
        self._gates_each = self._walls.n_pieces > 1
        self._metal = self._walls.metal_of(feeders)
        wants_feeders = alloy.wants_gates == "feeder"
        bare = [f for f in feeders if f.kind == "side" and f.sleeve == "none"]
        self._feeders = bare if wants_feeders else []

    def ranked(
        self,
        level_mm: float,
        area_mm2: float,
        runner_mm: float,
        *,
        prefers_above: bool,
        n_levels: int,
        tries: Sequence[Try] = TRIES,
    ) -> tuple[Side, ...]:
        """Return the best sides, best first: at the level, or the nearest with a wall for a gate.

        Parameters
        ----------
        level_mm
            Height of the parting. [mm]
        area_mm2
            Area of all ingates of this casting. [mm²]
        runner_mm
            Height of the runner. [mm]
        prefers_above
            Whether ingates belong above the runner, so that it fills before they run.
        n_levels
            How many levels that offer something are compared; 0 takes the first that offers
            anything, good or not.
        tries
            What is asked of a place, strictest first.
        """
        found: list[tuple[float, Side]] = []
        each_level = n_levels > 1
        wide, between = self._levels(level_mm)
        for level in (*wide, *between):
            if found and level in between:
                break
            if found and abs(level - level_mm) > FARTHEST_LEVEL_MM:
                break
            here = self._at_level(level, area_mm2, runner_mm, tries)
            found += [
                (level_cost(side, prefers_above, level_mm, self._joint_mm), side) for side in here
            ]
            n_levels -= any(self._is_good(side, prefers_above) for side in here)
            if found and n_levels <= 0:
                break
        if not found and self._gates_each:
            self._gates_each = False  # better some of the bodies than none: the checks tell
            return self.ranked(
                level_mm, area_mm2, runner_mm, prefers_above=prefers_above, n_levels=n_levels,
                tries=tries,
            )  # fmt: skip
        return _best_of_each_way(found, each_level=each_level)

    def _is_good(self, side: Side, prefers_above: bool) -> bool:
        """Return whether no other level need be looked at.

        Gates behind the outline are hard to cut off; a jet that strikes something close by washes
        it; gates that drain their runner let slag in: a level lower they may lie above it.
        """
        is_drained = prefers_above and not side.gates_above
        return side.hidden_mm <= FLUSH_MM and side.free_way >= FREE_WAY and not is_drained

    def _at_level(
        self, level: float, area_mm2: float, runner_mm: float, tries: Sequence[Try]
    ) -> list[Side]:
        """Return what one level offers, by the first of the tries that offers anything.

        Tries that leave less sand beside gates often see the same wall as one that found nothing.
        """
        barren: set[tuple[Wall, Approach]] = set()
        for one in tries:
            ways = [
                Approach(
                    out_deg=out_deg,
                    level_mm=level,
                    gates_above=above,
                    runner_mm=runner_mm,
                    thinness=one.thinness,
                    sand_mm=one.sand * self._wall_mm,
                    deepest_mm=one.deepest_mm,
                    least_mm=one.least_mm,
                    tallest=one.tallest,
                )
                for out_deg, above in product(one.sides_deg, (True, False))
            ]
            here = [side for way in ways for side in self._sides(way, area_mm2, barren)]
            if here:
                return here
        return []

    def _levels(self, level_mm: float) -> tuple[list[float], list[float]]:
        """Return the parting's height and some others through the casting, then those between.

        Each list has the nearest first. Gates flush with the joint are among them, their runner on
        the far side of it.
        """
        low, high = self._walls.extents_mm
        step = max(LEVEL_STEP_MM, (high - low) / 80.0)
        others = np.arange(low + 0.5 * LEVEL_STEP_MM, high, step).round(2)
        is_wide = np.arange(len(others)) % LEVEL_STRIDE == 0
        wide, between = (
            sorted(part.tolist(), key=lambda z: (abs(z - level_mm), z))
            for part in (others[is_wide], others[~is_wide])
        )
        flush = (self._joint_mm - height for height in HEIGHTS_MM if height > WEB_MM)
        near = sorted(
            (*wide, *(z for z in flush if low < z < high)), key=lambda z: (abs(z - level_mm), z)
        )
        return [level_mm, *near], [z for z in between if abs(z - level_mm) <= FARTHEST_LEVEL_MM]

    def _sides(
        self, way: Approach, area_mm2: float, barren: set[tuple[Wall, Approach]]
    ) -> list[Side]:
        """Return what can be done one way; what offers nothing, but for its sand, is noted."""
        side = None if self._gates_each else self._into_feeders(way, area_mm2)
        if side is not None:
            return [side]
        if not self._walls.reaches_edge(way):
            return []
        wall = self._walls.seen(way)
        asked = (wall, replace(way, sand_mm=0.0))
        if asked in barren:
            return []
        sides = list((self._into_each if self._gates_each else self._into_one)(wall, way, area_mm2))
        if not sides:
            barren.add(asked)
        return sides

    def _into_one(self, wall: Wall, way: Approach, area_mm2: float) -> Iterator[Side]:
        """Yield equal ingates into the wall, of each number that it takes."""
        heights = wall.heights_mm(way)
        if len(heights):
            for count, sections in self._sections(wall, way, area_mm2, heights):
                yield from self._into_wall(wall, way, count, sections)

    def _sections(
        self, wall: Wall, way: Approach, area_mm2: float, heights: Floats
    ) -> Iterator[tuple[int, list[list[float]]]]:  # fmt: skip
        """Yield each number of gates with the (width, height, notch) it may have, thickest first.

        What no place of the wall has room for is left out.
        """
        number, notches = np.array(COUNTS), break_off_notch_mm(heights)
        widths = area_mm2 / number[:, None] / (heights - notches)
        widths[0, -1] = max(widths[0, -1], heights[-1])  # more than is asked for, not less
        ok = (heights <= way.tallest * widths) & (
            widths <= np.minimum(FLATTEST * heights, WIDEST_MM)
        )
        ok &= wall.may_fit(number, widths, heights, way)
        ok &= ~_leaves_skin(way, heights, self._joint_mm)
        for row in np.flatnonzero(ok.any(axis=1)).tolist():
            sections = np.column_stack([widths[row], heights, notches])[ok[row]]
            yield COUNTS[row], sections.tolist()

    def _into_wall(
        self, wall: Wall, way: Approach, count: int, sections: list[list[float]]
    ) -> Iterator[Side]:
        """Yield `count` equal ingates into the casting's wall, as thick as it allows."""
        for width, height, notch in sections:
            fits = wall.fits(width, height, way)
            if not fits.any():
                continue
            spreads = [
                spread(wall.s, fits, count, width + self._wall_mm, closeness)
                for closeness in (CLOSENESS if count > 1 else CLOSENESS[:1])
            ]
            places = [found for found in spreads if found]
            yield from (
                self._side(wall, way, [(k, (width, height, notch)) for k in found])
                for found in places
            )
            ways = [wall.free_way(k, width, height) for found in places for k in found]
            if ways and min(ways) >= FREE_WAY:
                return

    def _into_each(self, wall: Wall, way: Approach, area_mm2: float) -> Iterator[Side]:
        """Yield one ingate into each body, with its share of the area, as thick as it allows."""
        owners = self._walls.owners(wall, way)
        heights = wall.heights_mm(way)
        heights = heights[~_leaves_skin(way, heights, self._joint_mm)]
        fits, chosen = np.zeros(len(wall.s), bool), []
        for body, metal in enumerate(self._metal.tolist()):
            mine = owners == body
            for section in _sections_of(metal * area_mm2, heights, way.tallest):
                here = mine & wall.fits(section[0], section[1], way)
                if here.any():
                    fits |= here
                    chosen.append(section)
                    break
            else:
                return
        widest = max(width for width, _, _ in chosen)
        places = one_each(wall.s, fits, owners, len(chosen), widest + self._wall_mm)
        if places:
            bodies = [int(owners[k]) for k in places]
            side = self._side(
                wall, way, [(k, chosen[body]) for k, body in zip(places, bodies, strict=True)]
            )
            filled = tuple(
                replace(gate, piece=body, metal=float(self._metal[body]))
                for gate, body in zip(side.gates, bodies, strict=True)
            )
            yield replace(side, gates=filled)

    def _side(
        self,
        wall: Wall,
        way: Approach,
        places: list[tuple[int, Section]],
    ) -> Side:
        """Return the side with gates at these places of the wall, each of its section."""
        met = [wall.met_by(k, width, height) for k, (width, height, _) in places]
        gates = tuple(
            Gate(
                along_mm=float(wall.s[k]),
                wall_mm=float(hit.max()),
                width_mm=width,
                height_mm=height,
                notch_mm=notch,
                into="casting",
            )
            for (k, (width, height, notch)), (hit, _) in zip(places, met, strict=True)
        )
        extent = float(np.ptp(wall.s))
        wanted = max(1.0, extent / GATE_SPACING_MM)
        spacing = 12.0 * max(0.0, wanted - len(gates)) + 8.0 * max(0.0, len(gates) - wanted)
        slant = float(np.mean([np.ptp(hit) for hit, _ in met]))
        hidden = float(np.mean([wall.behind_mm(k, w, h) for k, (w, h, _) in places]))
        size = 0.1 * (self._walls.girth_mm - extent)
        free = np.array([wall.free_way(k, w, h) for k, (w, h, _) in places])
        strikes = STRIKES * float(np.mean(np.maximum(1.0 - free / FREE_WAY, 0.0)))
        return Side(
            way=way,
            gates=gates,
            wall_mm=min(float(thick.min()) for _, thick in met),
            hidden_mm=hidden,
            score=self._mean_length_mm(way, gates)
            + spacing + slant + size + strikes + HIDDEN * hidden,
            free_way=float(free.min()),
        )  # fmt: skip

    def _mean_length_mm(self, way: Approach, gates: Sequence[Gate]) -> float:
        """Return how long the gates are beyond the sand wall, with the runner past everything."""
        margin = 0.5 * max(gate.width_mm for gate in gates) + way.sand_mm
        edge = self._walls.edge_mm(way, gates[0].along_mm - margin, gates[-1].along_mm + margin)
        edge = max([edge, *(gate.wall_mm for gate in gates)])
        return float(np.mean([edge - gate.wall_mm for gate in gates]))

    # ---- through side feeders -------------------------------------------------------------

    def _into_feeders(self, way: Approach, area_mm2: float) -> Side | None:
        """Return ingates straight into the side feeders that stand on this side."""
        low, high = way.gate_band_mm(FEEDER_GATE_MM)
        reached = [f for f in self._feeders if self._is_open_to(f, way, low, high)]
        if not reached:
            return None
        notch = float(break_off_notch_mm(np.array(FEEDER_GATE_MM)))
        width = area_mm2 / len(reached) / (FEEDER_GATE_MM - notch)
        if width > WIDEST_INTO_FEEDER * min(feeder.diameter_mm for feeder in reached):
            return None
        gates = [
            Gate(
                along_mm=float(np.array(feeder.at_mm[:2]) @ way.along),
                wall_mm=float(np.array(feeder.at_mm[:2]) @ way.out)
                + math.sqrt((0.5 * feeder.diameter_mm) ** 2 - (0.5 * width) ** 2),
                width_mm=width,
                height_mm=FEEDER_GATE_MM,
                notch_mm=notch,
                into=feeder.name,
            )
            for feeder in reached
        ]
        gates.sort(key=lambda gate: gate.along_mm)
        gaps = np.diff([gate.along_mm for gate in gates])
        if not (gaps >= width + self._wall_mm).all():
            return None
        return Side(
            way=way,
            gates=tuple(gates),
            wall_mm=min(feeder.diameter_mm for feeder in reached),
            hidden_mm=0.0,
            score=self._mean_length_mm(way, gates) - 200.0 * len(reached),
        )

    def _is_open_to(self, feeder: FeederPlan, way: Approach, low: float, high: float) -> bool:
        """Return whether a level lane runs from outside straight into a feeder's cylinder."""
        at = np.array(feeder.at_mm[:2])
        radius = 0.5 * feeder.diameter_mm
        tall = feeder.height_mm - (0.0 if feeder.is_open else radius)
        if feeder.at_mm[2] > low + OVERLAP_MM or feeder.at_mm[2] + tall < high:
            return False
        front = float(at @ way.out) + radius
        others = [
            outline_points(outline)
            for outline, _, _ in self._room.beside(low, high, way.sand_mm)
            if outline.distance(Point(*at)) > 1.0
        ]
        points = np.vstack([outline_points(self._room.solid.shadow()), *others])
        lane = np.abs(points @ way.along - float(at @ way.along)) < radius + way.sand_mm
        return not bool((lane & (points @ way.out > front - radius)).any())


def _sections_of(area_mm2: float, heights: Floats, tallest: float) -> Iterator[Section]:
    """Yield the sections a gate of this area may have, thickest first."""
    for height in heights.tolist():
        notch = float(break_off_notch_mm(np.array(height)))
        width = area_mm2 / (height - notch)
        if height <= tallest * width or height == heights[-1]:
            width = max(width, narrowest_mm(height))
            if width <= min(FLATTEST * height, WIDEST_MM):
                yield width, height, notch


def _leaves_skin(way: Approach, heights_mm: Floats, joint_mm: float) -> Flags:
    """Return which gates, or their runner, would leave a skin of sand at the joint of the sand."""
    up = 1.0 if way.gates_above else -1.0
    reach = up * (way.level_mm - joint_mm)
    gates_end, runner_end = reach + heights_mm, reach - way.runner_mm
    behind_gates = _is_skin(-gates_end) | _is_skin(reach)
    growth_mm = RUNNER_GROWTH * way.runner_mm
    behind_runner = _is_skin(-reach, OVERLAP_MM) | _is_skin(runner_end, growth_mm)
    return behind_gates | behind_runner


def _is_skin(sand_mm: float | Floats, growth_mm: float = 0.0) -> Flags:
    """Return whether so much sand between a channel and the joint is but a skin.

    `growth_mm` is how much nearer to the joint the channel comes, or may still come.
    """
    sand = np.asarray(sand_mm)
    return (sand > EVEN_MM) & (sand < WEB_MM + growth_mm)


def _best_of_each_way(found: list[tuple[float, Side]], *, each_level: bool) -> tuple[Side, ...]:
    """Return the best side of each direction and number of gates, cheapest first.

    `each_level` keeps the best of every level and of gates above and below it, too: where the
    cheapest finds no room, the next may.
    """
    best: dict[tuple[float, float, bool, int], tuple[float, Side]] = {}
    for cost, side in found:
        way = side.way
        level = (way.level_mm, way.gates_above) if each_level else (0.0, True)
        key = (way.out_deg, *level, len(side.gates))
        if key not in best or cost < best[key][0]:
            best[key] = (cost, side)
    ranked = sorted(best.items(), key=lambda item: (item[1][0], item[0]))
    return tuple(replace(side, score=cost) for _, (cost, side) in ranked[:MOST_RANKED])
