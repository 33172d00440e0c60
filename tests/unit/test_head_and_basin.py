"""Head and basin: no more than the metal needs, by formula."""

import math

import pytest

from moldprep.geometry.solid import Solid
from moldprep.records.plan import BasinPlan
from moldprep.rigging.bodies import basin_body
from moldprep.rigging.gates.clearance import basin_width_mm
from moldprep.rigging.layout import sprue_plan
from tests.unit.test_plan import planned


@pytest.mark.parametrize("alloy", ["al-si7mg", "grey-iron", "carbon-steel"])
def test_a_small_casting_gets_no_more_head_than_it_needs(alloy):
    """A block of 60 x 40 x 30 mm: the thinnest sprue passes it in time under far less than usual.

    100 mm over casting and filter remain: rule set, priming head of filters.
    """
    block = Solid.box((0.0, 0.0, 0.0), (60.0, 40.0, 30.0))
    plan, _ = planned("plate", solid=block, z_mm=0.0, alloy=alloy)
    (one,) = plan.filters
    covered = [f.at_mm[2] + f.height_mm + 25.0 for f in plan.feeders if not f.is_open]
    assert plan.top_mm >= max(130.0, one.at_mm[2] + 100.0, *covered)
    assert plan.top_mm <= max(130.0, 0.5 * one.width_mm + 100.0, *covered) + 0.1


def test_a_large_casting_gets_the_usual_head():
    block = Solid.box((0.0, 0.0, 0.0), (400.0, 300.0, 60.0))
    plan, _ = planned("cover", solid=block, z_mm=0.0)
    assert plan.top_mm >= 200.0 + 50.0  # usual head and depth of a basin: rule set


@pytest.mark.parametrize(("foot_mm2", "head_mm"), [(80.0, 110.0), (150.0, 250.0), (900.0, 300.0)])
def test_a_basin_holds_a_second_of_flow(foot_mm2, head_mm):
    """What the foot passes: c A sqrt(2 g h), c = 0.85 with bends."""
    sprue = sprue_plan((0.0, 0.0, 0.0), foot_mm2, head_mm, is_cone=False)
    depth = head_mm - sprue.top_mm
    width = basin_width_mm(sprue, depth)
    made = basin_body(
        BasinPlan(length_mm=2.0 * width, width_mm=width, depth_mm=depth, turn_deg=0.0), sprue
    )
    flow = 0.85 * foot_mm2 * math.sqrt(2.0 * 9810.0 * head_mm)
    assert made.solid.volume_mm3 >= flow
    assert width >= 40.0
    assert depth >= 2.5 * math.sqrt(4.0 / math.pi * foot_mm2)
    narrower = width - 5.0
    mouth = 2.0 * math.sqrt(sprue.top_area_mm2 / math.pi)
    is_least = narrower < 40.0 or narrower < 2.5 * mouth
    assert is_least or made.solid.volume_mm3 * (narrower / width) ** 2 < 1.05 * flow
