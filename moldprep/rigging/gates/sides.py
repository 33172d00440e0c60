"""One way to gate a casting: its gates, where they join, and what leaving the habit costs."""

import math
from dataclasses import dataclass
from typing import Final

from moldprep.geometry.shapes import trapezoid_widths_mm
from moldprep.rigging.gates.gate_walls import Approach

SIDE_DEG: Final = 10.0
"""Lean of the sides of runners and ingates (common practice, no source). [deg]"""

HERE_MM: Final = 0.5
"""A level this near to another is the same."""

OFF_LEVEL_MM: Final = 25.0
"""What it costs, in mm of gate, to lay channels inside a half; each mm off the parting adds 1."""

AGAINST_HABIT: Final = 15.0
"""What it costs, in mm of gate, to lay gates on the other side of the joint than usual."""

DRAINED: Final = 60.0
"""The same where gates below the joint would drain the runner: it never runs full then."""

BURIED: Final = 60.0
"""The same for channels that open nowhere to the joint they were wanted at."""

DEEP: Final = 0.5
"""What a millimetre off the parting costs, in mm of gate, once channels lie inside a half: they are
blown clean from the sprue through to the gates, however deep."""

LANCE_MM: Final = 12.0
"""A lance passes through a sprue's foot or a gate this wide (common practice, no source)."""

DEAD_END: Final = 150.0
"""The same, besides, where both are too narrow for that: sand would stay in the channels."""

HASTE: Final = 50.0
"""What it costs, in mm of gate, to pour e times slower: metal cools on the way."""

Section = tuple[float, float, float]
"""(width, height, depth of the notch) of a gate. [mm]"""


@dataclass(frozen=True, kw_only=True)
class Gate:
    """One ingate before it has a runner.

    along_mm : place along the side; `wall_mm` the nearest wall, outward
    into     : "casting", or the feeder's name
    piece    : number of the body it fills, of several that the casting's model holds
    metal    : what that body is of the casting [-]
    usual_mm : width before it was changed to make castings fill alike; 0 where it was not
    """

    along_mm: float
    wall_mm: float
    width_mm: float
    height_mm: float
    notch_mm: float
    into: str
    piece: int = 0
    metal: float = 1.0
    usual_mm: float = 0.0

    @property
    def widest_mm(self) -> float:
        """Width at the joint, where its sides have leaned out farthest."""
        return max(trapezoid_widths_mm(self.width_mm, self.height_mm, SIDE_DEG))


@dataclass(frozen=True, kw_only=True)
class Side:
    """One way to gate a casting; the lower its score, the better.

    wall_mm   : thickness of the thinnest wall a gate joins
    hidden_mm : how far the walls lie behind the casting's outline, on average
    free_way  : free way before the gates over their thickness, at the worst of them
    """

    way: Approach
    gates: tuple[Gate, ...]
    wall_mm: float
    hidden_mm: float
    score: float
    free_way: float = math.inf

    @property
    def level_mm(self) -> float:
        """Height of the joint between runner and gates."""
        return self.way.level_mm

    @property
    def gates_above(self) -> bool:
        """Whether the gates lie above that joint."""
        return self.way.gates_above


def level_cost(side: Side, prefers_above: bool, level_mm: float, joint_mm: float) -> float:
    """Return a side's score, with what it costs to leave the trade's habit or the level asked for.

    Channels wanted at the joint that open nowhere to it cost more: no brush reaches them, and
    loose sand stays in. Where another level is asked for, they are meant to.
    """
    against = DRAINED if prefers_above else AGAINST_HABIT
    habit = 0.0 if side.gates_above == prefers_above else against
    off_mm = abs(side.level_mm - level_mm)
    leaves = OFF_LEVEL_MM + off_mm if off_mm > HERE_MM else 0.0
    is_at_joint = abs(level_mm - joint_mm) <= HERE_MM
    buried = BURIED if is_at_joint and not opens_at(side, joint_mm) else 0.0
    return side.score + habit + leaves + buried


def depth_cost(side: Side, foot_mm2: float, joint_mm: float) -> float:
    """Return what it costs that channels open nowhere to the joint, if so. [mm of gate]"""
    if opens_at(side, joint_mm):
        return 0.0
    foot_mm = math.sqrt(4.0 / math.pi * foot_mm2)
    is_shut = max(foot_mm, *(gate.height_mm for gate in side.gates)) < LANCE_MM
    return OFF_LEVEL_MM + DEEP * abs(side.level_mm - joint_mm) + DEAD_END * is_shut


def haste_cost(slower: float) -> float:
    """Return what it costs to pour so many times slower. [mm of gate]"""
    return HASTE * math.log(slower)


def opens_at(side: Side, joint_mm: float) -> bool:
    """Return whether the gates or the runner reach a joint of the sand."""
    reach = side.level_mm - joint_mm
    below, above = side.way.runner_mm, max((gate.height_mm for gate in side.gates), default=0.0)
    if not side.gates_above:
        below, above = above, below
    return reach - below < HERE_MM and reach + above > -HERE_MM


def is_as_strict(side: Side, than: Side) -> bool:
    """Return whether a side keeps as much sand as another, and gates as thin for their walls."""
    way, other = side.way, than.way
    return way.sand_mm >= other.sand_mm and way.thinness <= other.thinness
