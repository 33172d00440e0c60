"""What it costs to lay gates off the joint."""

import math

import pytest

from moldprep.rigging.gates.gate_walls import Approach
from moldprep.rigging.gates.sides import DEAD_END, LANCE_MM, Gate, Side, depth_cost

JOINT_MM = 40.0


def side(level_mm, thick_mm):
    """Return a side whose runner lies under one gate."""
    way = Approach(
        out_deg=0.0, level_mm=level_mm, gates_above=True, runner_mm=15.0, thinness=0.7, sand_mm=25.0
    )
    gate = Gate(
        along_mm=0.0, wall_mm=20.0, width_mm=40.0, height_mm=thick_mm, notch_mm=1.5, into="casting"
    )
    return Side(way=way, gates=(gate,), wall_mm=20.0, hidden_mm=0.0, score=0.0)


def test_channels_that_open_to_the_joint_cost_nothing_more():
    assert depth_cost(side(JOINT_MM, 8.0), 50.0, JOINT_MM) == 0.0
    assert depth_cost(side(JOINT_MM + 14.0, 8.0), 50.0, JOINT_MM) == 0.0  # its floor is in the drag


@pytest.mark.parametrize("level_mm", [0.0, 90.0])
def test_deep_channels_cost_more_where_a_lance_gets_in_from_neither_end(level_mm):
    wide_mm, thin_mm = LANCE_MM + 0.1, LANCE_MM - 0.1
    wide_mm2, thin_mm2 = (0.25 * math.pi * across**2 for across in (wide_mm, thin_mm))
    usual = depth_cost(side(level_mm, wide_mm), thin_mm2, JOINT_MM)
    assert 0.0 < usual == depth_cost(side(level_mm, thin_mm), wide_mm2, JOINT_MM)
    assert depth_cost(side(level_mm, thin_mm), thin_mm2, JOINT_MM) == usual + DEAD_END
    deeper_mm = level_mm + (5.0 if level_mm > JOINT_MM else -5.0)
    assert usual < depth_cost(side(deeper_mm, wide_mm), wide_mm2, JOINT_MM)
