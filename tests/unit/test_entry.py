"""Filters open at a joint, wherever their runner lies: they are set into the sand from there."""

import numpy as np
import pytest

from moldprep.geometry.solid import Solid
from moldprep.records.plan import FilterPlan, RunnerPlan
from moldprep.rigging.bodies import FILTER_LIP_MM, filter_body
from moldprep.rigging.build import build_rigging
from moldprep.rigging.gates.entry import Entry, down_to_joint_mm, entry_of
from moldprep.rigging.layout import CLEANED_MM
from moldprep.rigging.stream.channels import cut_section
from tests.helpers import agree
from tests.unit.test_plan import planned

EDGE, HIGH = 40.0, 12.0
FREE = 0.5 * EDGE - FILTER_LIP_MM


@pytest.mark.parametrize(
    ("floor_mm", "want"),
    [
        (-12.0, Entry(floor_mm=-12.0, filter_mm=-6.0)),  # the runner's top is the joint
        (-22.0, Entry(floor_mm=-22.0, filter_mm=-16.0)),  # the free face ends flush with it
        (-27.0, Entry(floor_mm=-27.0, filter_mm=-16.0)),  # raised by 5 mm, until it does
        (19.0, Entry(floor_mm=19.0, filter_mm=16.0)),  # sunk by 9 mm
        (60.0, Entry(floor_mm=0.0, filter_mm=6.0, slope_mm=60.0)),  # up from the joint
    ],
)
def test_a_filter_reaches_the_joint(floor_mm, want):
    found = entry_of(floor_mm, HIGH, EDGE, joint_mm=0.0)
    assert found == want
    assert abs(found.filter_mm) <= FREE  # no seat alone between the free face and the joint


def test_deep_in_the_drag_or_without_a_filter_the_channels_keep_their_level():
    """A runner fed from above it would not be full when its gates start."""
    for edge in (EDGE, 0.0):
        found = entry_of(-60.0, HIGH, edge, joint_mm=0.0)
        assert found == Entry(floor_mm=-60.0, filter_mm=-54.0)


@pytest.mark.parametrize(("floor_mm", "want"), [(3.0, 0.0), (5.0, 5.0), (-3.0, -3.0), (0.0, 0.0)])
def test_a_well_leaves_no_skin_over_a_joint(floor_mm, want):
    """Under 5 mm of printed sand does not hold: common practice, no source."""
    assert down_to_joint_mm(floor_mm, joint_mm=0.0) == want


@pytest.mark.parametrize("deep_mm", [48.0, -60.0])
def test_a_slope_from_the_filter_is_as_large_as_the_runner(deep_mm):
    runners = tuple(
        RunnerPlan(name=name, path_mm=((a, 0.0, z), (b, 0.0, z)), width_mm=16.0, height_mm=HIGH,
                   side_deg=0.0)
        for name, a, b, z in (("runner-1", -50.0, 0.0, -HIGH),
                              ("runner-2", 46.0 + abs(deep_mm), 200.0, -HIGH - deep_mm))
    )  # fmt: skip
    one = FilterPlan(at_mm=(23.0, 0.0, -0.5 * HIGH), length_mm=EDGE, width_mm=EDGE,
                     thickness_mm=22.0)  # fmt: skip
    made = filter_body(one, "filter", runners)
    assert len(made.solid.parts()) == 1
    np.testing.assert_allclose(made.path_mm[0], (0.0, 0.0, -0.5 * HIGH))
    np.testing.assert_allclose(made.path_mm[-1], (*runners[1].path_mm[0][:2], -6.0 - deep_mm))
    along = made.path_mm[-1] - made.path_mm[-2]
    middle = 0.5 * (made.path_mm[-1] + made.path_mm[-2])
    area, _, _ = cut_section(made.solid, middle, along / np.linalg.norm(along))
    agree(area, 16.0 * HIGH, rel=0.03, why="square across the slope; 45 degrees but for overlaps")


@pytest.mark.parametrize(("level", "is_set"), [("bottom", False), (100.0, True)])
def test_gates_inside_a_half_have_runners_a_lance_passes(level, is_set):
    block = Solid.box((0.0, 0.0, 0.0), (160.0, 100.0, 120.0))
    plan, pattern = planned("cover", solid=block, z_mm=60.0, rigging={"gate_level_mm": level})
    solid = next(b.solid for b in build_rigging(plan, pattern).bodies if b.name == "filter")
    low, high = solid.bounds[:, 2].tolist()
    assert (low < 60.0 < high) is is_set
    last = plan.runners[-1]
    assert abs(last.path_mm[0][2] - 60.0) > 20.0
    assert abs(plan.runners[0].path_mm[0][2] - (60.0 if is_set else last.path_mm[0][2])) < 0.01
    narrow = last.width_mm - last.height_mm * np.tan(np.radians(abs(last.side_deg)))
    assert min(last.height_mm, narrow) >= CLEANED_MM - 0.1
