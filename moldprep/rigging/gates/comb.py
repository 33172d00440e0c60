"""Channels for rows of castings that the job places by hand: runners in lanes, on one trunk.

The trunk lies across, past one end of the rows; a stem leads to it from the sprue, which stands
farther out, so that none of the castings is in its way. Every lane leaves the trunk to one side.
"""

from collections.abc import Iterator
from itertools import product
from typing import Final

import numpy as np

from moldprep.geometry.solid import Floats
from moldprep.records import Alloy
from moldprep.records.plan import Placement
from moldprep.rigging.gates.rows import RowDraft, RowSide, axes_of, gate_ends
from moldprep.rigging.gates.tree import Arm, Seat, Tree
from moldprep.rigging.layout import Channels, Layout, Task, channels_for

STEP_MM: Final = 20.0
"""Steps in which outer lanes and the trunk move away from the castings. [mm]"""

STEPS: Final = 6
"""How many of them."""


def lay_comb(
    task: Task, row: RowSide, placements: tuple[Placement, ...], alloy: Alloy
) -> tuple[float, Layout] | None:
    """Return (cost, the gating of all placed castings), or None where it finds no room.

    What costs is ground; the nearest lanes and trunk that keep their sand are taken.
    """
    channels = channels_for(task, alloy, arms=1)
    best: tuple[float, Layout] | None = None
    for heading in (1.0, -1.0):
        for lanes_mm, trunk_mm in _places(task, channels, row, placements, heading):
            draft = CombDraft(task, channels, row, placements, (heading, lanes_mm, trunk_mm))
            if not draft.has_free_ways():
                return None
            layout = draft.layout()
            if layout is not None:
                cost = draft.ground_mm2(layout)
                if best is None or cost < best[0]:
                    best = (cost, layout)
                break
    return best


def _places(
    task: Task, channels: Channels, row: RowSide, placements: tuple[Placement, ...], heading: float
) -> Iterator[tuple[tuple[float, ...], float]]:
    """Yield (`v` of each lane, `u` of the trunk), nearest the castings first; none without room."""
    u, v = axes_of(row.along_deg)
    ends = [gate_ends(side, place, u, v) for side, place in zip(row.each, placements, strict=True)]
    off = task.shop.channel_wall_mm + 0.5 * channels.runner_width_mm + 1.0
    lanes: list[tuple[float, float]] = []
    for lane in range(row.n_lanes):
        mine = [(max(e[1] for e in end), min(e[1] for e in end), turned)
                for end, turned, at in zip(ends, row.is_turned, row.lane, strict=True)
                if at == lane]  # fmt: skip
        low = max((high for high, _, turned in mine if not turned), default=-np.inf) + off
        high = min((low_ for _, low_, turned in mine if turned), default=np.inf) - off
        if low > high:
            return
        middle, step = (0.5 * (low + high), 0.0) if np.isfinite([low, high]).all() else (
            (low, 1.0) if np.isfinite(low) else (high, -1.0))  # fmt: skip
        lanes.append((float(middle), step))
    first = min(heading * float(e[0]) for end in ends for e in end)
    for away, out in product(range(STEPS), range(STEPS)):
        trunk = heading * (first - off - STEP_MM * out)
        yield tuple(at + step * STEP_MM * away for at, step in lanes), trunk


class CombDraft(RowDraft):
    """One attempt: stem from the sprue, a trunk across, lanes from it past the castings."""

    def __init__(
        self, task: Task, channels: Channels, row: RowSide, placements: tuple[Placement, ...],
        places: tuple[float, tuple[float, ...], float],
    ) -> None:  # fmt: skip
        self._heading, lanes_mm, trunk_mm = places
        self._stem_mm = channels.lead_mm + 0.5 * channels.runner_width_mm
        lane = np.array(row.lane)
        halves = [abs(2 * int((lane < k).sum()) - len(lane)) for k in range(1, row.n_lanes)]
        k = 1 + int(np.argmin(halves))  # the trunk is met between two lanes, as even as they lie
        middle = 0.5 * (lanes_mm[k - 1] + lanes_mm[k])
        self._lanes_mm = tuple(at - middle for at in lanes_mm)
        super().__init__(
            task, channels, row, placements, (trunk_mm - self._heading * self._stem_mm, middle)
        )

    def _arms(self) -> Tree:
        """Return stem, trunks to both sides, and the lanes of each."""
        ahead, count = np.array([self._heading, 0.0]), len(self._ends)
        fork = self._stem_mm * ahead
        seats = tuple(
            Seat(u_mm=float(np.mean([end[0] for end in ends])), v_mm=0.0, is_turned=turned)
            for ends, turned in zip(self._ends, self._row.is_turned, strict=True)
        )
        held = [tuple(k for k, at in enumerate(self._row.lane) if at == lane)
                for lane in range(self._row.n_lanes)]  # fmt: skip
        arms = [Arm(start=np.zeros(2), heading=ahead, length_mm=self._stem_mm, share=1.0,
                    parent=-1, seats=())]  # fmt: skip
        for sign in (1.0, -1.0):
            mine = [k for k, at in enumerate(self._lanes_mm) if at * sign > 0.0]
            trunk = len(arms)
            across: Floats = np.array([0.0, sign])
            arms.append(
                Arm(start=fork, heading=across, parent=0, seats=(),
                    length_mm=max(abs(self._lanes_mm[k]) for k in mine),
                    share=sum(len(held[k]) for k in mine) / count)
            )  # fmt: skip
            arms += [
                Arm(start=fork + abs(self._lanes_mm[k]) * across, heading=ahead, length_mm=0.0,
                    share=len(held[k]) / count, parent=trunk, seats=held[k])
                for k in mine
            ]  # fmt: skip
        return Tree(seats=seats, arms=tuple(arms), half_mm=(0.0, 0.0))

    def _end_mm(self, arm: Arm) -> float:
        """Return where an arm ends: past its last gate, or just past its last branching."""
        if arm.seats:
            return super()._end_mm(arm)
        mine = [k for k, other in enumerate(self.tree.arms) if other is arm]
        after = max(self._arm_width(a) for a in self.tree.arms if a.parent in mine)
        return arm.length_mm + 0.6 * after
