"""Channels for castings that the job places by hand: straight runners between or beside them.

Runners lie along `u`, each in a lane; castings lie on one side of a lane or on both, and each is
gated from the side that faces it. One lane is a runner past the sprue; several hang on a trunk
(`comb`). Whatever lies behind another casting, seen from every lane, cannot be served.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Final

import numpy as np
from shapely.geometry import LineString

from moldprep.errors import StageError
from moldprep.geometry.solid import Floats, Ints
from moldprep.records import Alloy
from moldprep.records.plan import IngatePlan, Placement
from moldprep.rigging.gates.clearance import Blocked
from moldprep.rigging.gates.sides import SIDE_DEG, Gate, Side
from moldprep.rigging.gates.tree import Arm, Seat, Tree, weighted
from moldprep.rigging.layout import (
    FARTHEST_MM,
    GATE_COST_MM,
    OPENING_RESERVE,
    RIDGE_MM,
    Channels,
    Draft,
    Layout,
    Task,
    channels_for,
    moved,
)
from moldprep.tolerances import OVERLAP_MM

STEP_MM: Final = 20.0
"""Steps in which places for the sprue and the runner are tried. [mm]"""

LANE_SAND_MM: Final = 5.0
"""Sand between a gate and castings it passes: this much stands safely (common practice, no source).
[mm]"""

ROW_MM: Final = 20.0
"""Castings this much farther across than the one before lie in another row. [mm]"""

MOST_ROWS_ACROSS: Final = 8
"""Rows that several runners are laid past."""

LEVEL_MM: Final = 0.01
"""Placements that differ less in height lie level. [mm]"""

Search = Callable[[float], tuple[Side, ...]]
"""Sides a casting may be gated from, best first, coming from one direction in its own frame."""


@dataclass(frozen=True, kw_only=True)
class RowSide(Side):
    """A way to gate all placed castings from straight runners; as a side, that of the first one.

    along_deg : direction of the runners
    each      : side of each casting, in the order of the placements
    is_turned : whether each lies beyond its runner, at more `v`
    lane      : number of the runner each is gated from, from low `v` up; empty for one runner
    """

    along_deg: float
    each: tuple[Side, ...]
    is_turned: tuple[bool, ...]
    lane: tuple[int, ...] = ()

    @property
    def n_lanes(self) -> int:
        """How many runners carry gates."""
        return len(set(self.lane)) or 1


def rows_of(placements: Sequence[Placement], search: Search) -> tuple[RowSide, ...]:
    """Return every way to lay one straight runner past all castings, cheapest gates first.

    Parameters
    ----------
    placements
        Where the castings lie.
    search
        Finds the sides of one casting.
    """
    found: list[RowSide] = []
    for along_deg in _directions(placements):
        for is_turned in _splits(placements, along_deg):
            found += _gated(placements, search, along_deg, is_turned)
    return tuple(sorted(found, key=lambda row: row.score))


def lanes_of(placements: Sequence[Placement], search: Search) -> Iterator[RowSide]:
    """Yield every way to lay several runners past rows of castings, few runners first.

    Parameters
    ----------
    placements
        Where the castings lie.
    search
        Finds the sides of one casting.
    """
    ways = []
    for along_deg in _directions(placements):
        row = _rows(placements, along_deg)
        if 1 < row.max() + 1 <= MOST_ROWS_ACROSS:
            for turned in product((True, False), repeat=int(row.max()) + 1):
                gap = np.array([k if below else k + 1 for k, below in enumerate(turned)])[row]
                lane = np.unique(gap, return_inverse=True)[1]
                beyond = tuple(turned[k] for k in row.tolist())
                ways.append((int(lane.max()) + 1, along_deg, beyond, tuple(lane.tolist())))
    for n_lanes, along_deg, is_turned, lanes in sorted(ways):
        if n_lanes > 1:
            found = _gated(placements, search, along_deg, is_turned)
            yield from (replace(row, lane=lanes) for row in found)


def _gated(
    placements: Sequence[Placement], search: Search, along_deg: float, is_turned: tuple[bool, ...]
) -> Iterator[RowSide]:
    """Yield what castings offer that are gated from these sides."""
    offered = [
        search(_own_deg(along_deg, place, turned))
        for place, turned in zip(placements, is_turned, strict=True)
    ]
    yield from _alike(offered, along_deg, is_turned)


def _rows(placements: Sequence[Placement], along_deg: float) -> Ints:
    """Return the number of the row each casting lies in, from low `v` up."""
    _, v = axes_of(along_deg)
    across = np.array([place.move_mm[:2] for place in placements]) @ v
    order = np.argsort(across, kind="stable")
    row = np.empty(len(across), np.int64)
    row[order] = np.cumsum(np.diff(across[order], prepend=across[order[0]]) > ROW_MM)
    return row


def refuse_uneven(placements: Sequence[Placement]) -> None:
    """Raise where castings that one runner is to feed do not lie level."""
    first = placements[0].move_mm[2]
    off = [place.name for place in placements if abs(place.move_mm[2] - first) > LEVEL_MM]
    if off:
        raise StageError(
            f"{', '.join(off)} lie at another height than {placements[0].name}: one runner cannot"
            " gate them all at the parting",
            code="rigging/no-room",
            where="[[rigging.placements]]",
            fix="give all placements the same height (move_mm z), or [[rigging.runner]] and"
            " [[rigging.ingate]] tables",
        )


def not_in_rows(placements: Sequence[Placement], search: Search, wide_mm: float) -> StageError:
    """Return the error for castings no straight runners can serve, with those that are in the way.

    `wide_mm` is the room between two rows for runner and sand.
    """
    mute = []
    for place in placements:
        ways = product(_directions(placements), (False, True))
        if not any(search(_own_deg(along, place, turned)) for along, turned in ways):
            mute.append(place.name)
    what = (
        f"{', '.join(mute)}: no side of the casting, as it is turned there, takes an ingate"
        if mute
        else "no runners have room past all castings with a free way to each of them"
    )
    return StageError(
        what,
        code="rigging/no-room",
        where=f"[[rigging.placements]], {len(placements)} castings",
        fix=f"place them in rows and leave {wide_mm:.0f} mm or more in every other gap between"
        f" rows, so that none lies behind another; or take the placements out and set mold.count ="
        f" {len(placements)}; or give [[rigging.runner]] and [[rigging.ingate]] tables",
    )


def lay_row(
    task: Task, row: RowSide, placements: tuple[Placement, ...], alloy: Alloy
) -> tuple[float, Layout] | None:
    """Return (cost, the gating of all placed castings), or None where it finds no room.

    What costs is ground, and ways of unlike length from the sprue to the castings.
    """
    channels = channels_for(task, alloy, arms=1)
    best: tuple[float, Layout] | None = None
    for v_mm in RowDraft.lines(task, channels, row, placements):
        for u_mm in RowDraft.sprues(channels, row, placements):
            draft = RowDraft(task, channels, row, placements, (u_mm, v_mm))
            if not draft.has_free_ways():
                return None  # wherever the runner lies, the same castings lie before others
            layout = draft.layout()
            if layout is not None:
                cost = draft.ground_mm2(layout) + GATE_COST_MM * (draft.unlike_mm() + row.score)
                if best is None or cost < best[0]:
                    best = (cost, layout)
        if best is not None:
            return best
    return None


class RowDraft(Draft):
    """One attempt: the sprue stands at the origin, the castings where that leaves them."""

    def __init__(
        self, task: Task, channels: Channels, row: RowSide, placements: tuple[Placement, ...],
        sprue_uv: tuple[float, float],
    ) -> None:  # fmt: skip
        self._row = row
        u, v = axes_of(row.along_deg)
        self._sprue_at = sprue_uv[0] * u + sprue_uv[1] * v
        self._places = tuple(_moved(place, -self._sprue_at) for place in placements)
        self._ends = [gate_ends(*pair, u, v) for pair in zip(row.each, self._places, strict=True)]
        super().__init__(task, channels, u, v)
        self.tree = weighted(self._arms(), task.weights)

    @staticmethod
    def lines(
        task: Task, channels: Channels, row: RowSide, placements: tuple[Placement, ...]
    ) -> Iterator[float]:
        """Yield places of the runner's middle across the rows, nearest the castings first."""
        u, v = axes_of(row.along_deg)
        walls = [
            [float(end[1]) for end in gate_ends(side, place, u, v)]
            for side, place in zip(row.each, placements, strict=True)
        ]
        off = task.shop.channel_wall_mm + 0.5 * channels.runner_width_mm + 1.0
        below = [max(w) for w, turned in zip(walls, row.is_turned, strict=True) if not turned]
        above = [min(w) for w, turned in zip(walls, row.is_turned, strict=True) if turned]
        low = max(below) + off if below else -math.inf
        high = min(above) - off if above else math.inf
        if not below:
            yield from np.arange(high, high - FARTHEST_MM, -STEP_MM).tolist()
        elif not above:
            yield from np.arange(low, low + FARTHEST_MM, STEP_MM).tolist()
        elif low <= high:
            middle = 0.5 * (low + high)
            tries = np.arange(0.0, 0.5 * (high - low) + 1e-6, STEP_MM)
            yield from sorted({*(middle + tries).tolist(), *(middle - tries).tolist()},
                              key=lambda at: abs(at - middle))  # fmt: skip

    @staticmethod
    def sprues(
        channels: Channels, row: RowSide, placements: tuple[Placement, ...]
    ) -> Iterator[float]:
        """Yield places of the sprue along the runner that leave room before the next gates."""
        u, v = axes_of(row.along_deg)
        gates = [
            (float(end[0]), 0.5 * gate.width_mm)
            for side, place in zip(row.each, placements, strict=True)
            for gate, end in zip(side.gates, gate_ends(side, place, u, v), strict=True)
        ]
        low = min(at - half for at, half in gates) - channels.lead_mm
        high = max(at + half for at, half in gates) + channels.lead_mm
        for at in np.arange(low - FARTHEST_MM, high + FARTHEST_MM + 1.0, STEP_MM).tolist():
            if all(abs(at - gate) - half >= channels.lead_mm for gate, half in gates):
                yield at
        yield from (low, high)

    def unlike_mm(self) -> float:
        """Return how much farther the farthest gate is from the sprue than the nearest."""
        far = [abs(float(end[0])) for ends in self._ends for end in ends]
        return max(far) - min(far)

    def layout(self) -> Layout | None:
        """Return the layout with the castings where the job wants them."""
        found = super().layout() if self._openings_are_wide() else None
        return None if found is None else moved(found, np.append(self._sprue_at, 0.0))

    # ---- what differs from a tree ---------------------------------------------------------

    def _arms(self) -> Tree:
        """Return one arm to each side of the sprue that has castings."""
        middles = [float(np.mean([end[0] for end in ends])) for ends in self._ends]
        seats = tuple(
            Seat(u_mm=at, v_mm=0.0, is_turned=turned)
            for at, turned in zip(middles, self._row.is_turned, strict=True)
        )
        arms = []
        for sign in (1.0, -1.0):
            mine = tuple(k for k, at in enumerate(middles) if at * sign > 0.0)
            if mine:
                arms.append(
                    Arm(start=np.zeros(2), heading=np.array([sign, 0.0]), length_mm=0.0,
                        share=len(mine) / len(seats), parent=-1, seats=mine)
                )  # fmt: skip
        return Tree(seats=seats, arms=tuple(arms), half_mm=(0.0, 0.0))

    def _placements(self) -> tuple[Placement, ...]:
        return self._places

    def _n_gates(self, seat: int) -> int:
        return len(self._row.each[seat].gates)

    def _end_mm(self, arm: Arm) -> float:
        reach = max(
            abs(float(end[0] - arm.start[0])) + 0.5 * gate.width_mm
            for k in arm.seats
            for gate, end in zip(self._row.each[k].gates, self._ends[k], strict=True)
        )
        return reach + self.channels.extension_mm

    def _ingates(self, placements: tuple[Placement, ...]) -> tuple[IngatePlan, ...]:
        """Return every ingate, straight from the runner to the wall of its casting."""
        plans: list[IngatePlan] = []
        for arm in self.tree.arms:
            face_half = self._face_half(self._arm_width(arm))
            for k in arm.seats:
                sign = -1.0 if self._row.is_turned[k] else 1.0
                for gate, end in zip(self._row.each[k].gates, self._ends[k], strict=True):
                    faced = self._is_faced(k, gate, end)
                    start_v = float(arm.start[1])
                    start_v += -sign * 0.5 * RIDGE_MM if faced else sign * face_half
                    plans.append(self._ingate(gate, end, start_v, placements[k], len(plans) + 1))
        return tuple(plans)

    def _ingate(
        self, gate: Gate, end: Floats, start_v: float, place: Placement, number: int
    ) -> IngatePlan:
        side = self.side
        z = side.level_mm - (0.0 if side.gates_above else gate.height_mm)
        ends = [end[0] * self.u + v * self.v for v in (start_v, end[1])]
        return IngatePlan(
            name=f"ingate-{number}",
            path_mm=tuple((float(p[0]), float(p[1]), z) for p in ends),
            width_mm=gate.width_mm, height_mm=gate.height_mm, into=place.name,
            side_deg=SIDE_DEG if side.gates_above else -SIDE_DEG, notch_mm=gate.notch_mm,
        )  # fmt: skip

    def _is_faced(self, k: int, gate: Gate, end: Floats) -> bool:
        """Return whether a gate from beyond the runner meets this one on it."""
        turned, lane = self._row.is_turned, self._row.lane or (0,) * len(self._row.each)
        return any(
            abs(float(there[0] - end[0])) < 0.5 * (gate.widest_mm + other.widest_mm) + RIDGE_MM
            for j, side in enumerate(self._row.each)
            if turned[j] != turned[k] and lane[j] == lane[k]
            for other, there in zip(side.gates, self._ends[j], strict=True)
        )

    def _openings_are_wide(self) -> bool:
        """Return whether gates that meet on the runner each have half of it wide enough."""
        for arm in self.tree.arms:
            width = self._arm_width(arm)
            opening_mm = self._face_half(width) - 0.5 * RIDGE_MM
            runner_mm2 = width * self.channels.runner_height_mm
            for k in arm.seats:
                for gate, end in zip(self._row.each[k].gates, self._ends[k], strict=True):
                    area = gate.width_mm * (gate.height_mm - gate.notch_mm)
                    need = OPENING_RESERVE * min(area, runner_mm2)
                    if self._is_faced(k, gate, end) and opening_mm * gate.width_mm < 0.999 * need:
                        return False
        return True

    def has_free_ways(self) -> bool:
        """Return whether every gate has a free way past the other castings."""
        for gate in self._ingates(self._places):
            others = tuple(place for place in self._places if place.name != gate.into)
            lane = LineString([p[:2] for p in gate.path_mm]).buffer(
                0.5 * gate.width_mm, cap_style="flat"
            )
            low = gate.path_mm[0][2]
            blocked = Blocked(self.room, others, LANE_SAND_MM)
            if not blocked.is_clear(lane, low, low + gate.height_mm):
                return False
        return True


def _directions(placements: Sequence[Placement]) -> list[float]:
    """Return directions a runner may have: along and across the mold, and the castings' own."""
    own = {round(place.turn_deg % 90.0, 3) for place in placements}
    return [turn + square for turn in sorted({0.0, *own}) for square in (0.0, 90.0)]


def _splits(placements: Sequence[Placement], along_deg: float) -> list[tuple[bool, ...]]:
    """Return which castings lie beyond the runner, for each place it may have among them."""
    _, v = axes_of(along_deg)
    across = np.array([place.move_mm[:2] for place in placements]) @ v
    borders = [-math.inf, *np.unique(np.round(across, 3)).tolist()]
    return [tuple((across > border + 1e-2).tolist()) for border in borders]


def _alike(
    offered: Sequence[tuple[Side, ...]], along_deg: float, is_turned: tuple[bool, ...]
) -> Iterator[RowSide]:
    """Yield rows of sides at one height, gates all above or all below the joint."""
    heights = {(side.level_mm, side.gates_above) for side in offered[0]}
    for level_mm, above in sorted(heights):
        same = [
            [s for s in sides if s.level_mm == level_mm and s.gates_above == above]
            for sides in offered
        ]
        if all(same):
            each = tuple(min(sides, key=lambda side: side.score) for sides in same)
            first = {**vars(each[0]), "score": float(np.mean([side.score for side in each]))}
            yield RowSide(**first, along_deg=along_deg, each=each, is_turned=is_turned)


def _own_deg(along_deg: float, place: Placement, is_turned: bool) -> float:
    """Return from where gates come in the frame of a casting on this side of a runner."""
    toward = along_deg + (270.0 if is_turned else 90.0)
    return round((toward - place.turn_deg) % 360.0, 6) % 360.0


def axes_of(along_deg: float) -> tuple[Floats, Floats]:
    """Return (2,) unit vectors along and across a runner, exact for quarter turns."""
    angle = math.radians(along_deg)
    x, y = np.round([math.cos(angle), math.sin(angle)], 12)
    return np.array([x, y]), np.array([-y, x])


def gate_ends(side: Side, place: Placement, u: Floats, v: Floats) -> list[Floats]:
    """Return (u, v) of the end of each gate, a little inside the wall it joins."""
    turn = math.radians(place.turn_deg)
    c, s = np.round([math.cos(turn), math.sin(turn)], 15)
    found = []
    for gate in side.gates:
        own = gate.along_mm * side.way.along + (gate.wall_mm - OVERLAP_MM) * side.way.out
        at = np.array([[c, -s], [s, c]]) @ own + np.array(place.move_mm[:2])
        found.append(np.array([at @ u, at @ v]))
    return found


def _moved(place: Placement, by: Floats) -> Placement:
    x, y, z = place.move_mm
    return replace(place, move_mm=(float(x + by[0]), float(y + by[1]), z))
