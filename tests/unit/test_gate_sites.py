"""Where ingates find a place: on castings with teeth, and on very small ones."""

import numpy as np
import pytest
import trimesh
from shapely.geometry import box

from moldprep.catalog import find
from moldprep.checks import run_checks
from moldprep.findings import Verdict
from moldprep.geometry.solid import Solid
from moldprep.jobfile import mesh_job
from moldprep.pipeline import prepare
from moldprep.records import Alloy, Fill, Metal, RiggingPlan
from moldprep.rigging.gates.gate_sites import _leaves_skin
from moldprep.rigging.gates.gate_walls import Approach, _outer_edge
from moldprep.rigging.gates.sizing import (
    SPEED_RESERVE,
    Sizes,
    _with_least_foot,
    with_less_ingate,
)
from moldprep.rigging.gates.spread import spread
from tests.helpers import agree

FAIL = Verdict.FAIL


def gear():
    """A disc with 24 teeth and a bore."""
    teeth = [
        Solid.box((85.0, -7.0, 0.0), (107.0, 7.0, 40.0)).turned((0.0, 0.0, 15.0 * k))
        for k in range(24)
    ]
    disc = Solid.union([Solid.cone(90.0, 90.0, 40.0), *teeth])
    return disc - Solid.cone(20.0, 20.0, 60.0).moved((0.0, 0.0, -5.0))


def _made(tmp_path, solid, alloy):
    points, faces = solid.mesh()
    path = tmp_path / "part.stl"
    trimesh.Trimesh(points, faces, process=False).export(path)
    return prepare(mesh_job(path, alloy, "mm"), "fill")


@pytest.mark.parametrize("half_mm", [0.01, 0.5, 3.0, 400.0])
def test_outer_edge_of_outlines_of_any_size(half_mm):
    outline = np.asarray(box(-half_mm, -half_mm, half_mm, half_mm).exterior.coords)
    s = np.linspace(-half_mm, half_mm, 60)
    agree(
        _outer_edge(s, outline[:, 0], outline[:, 1]).max(),
        half_mm,
        rel=1e-9,
        why="the square's own edge",
    )


@pytest.mark.parametrize(
    ("level_mm", "gates_above", "skins"),
    [
        (0.0, True, (False, False, False)),  # the joint itself
        (-0.3, True, (True, True, True)),  # the runner's top a hair off the joint
        (-5.0, True, (True, True, True)),  # gate of 5 mm is flush, the runner 4.5 mm under it
        (-6.0, True, (True, False, False)),  # gate of 6 mm is flush, 5.5 mm over the runner
        (-8.0, True, (True, True, False)),  # gates of 5 and 6 mm end 3 and 2 mm under it
        (6.0, False, (True, False, False)),  # the same above the joint
        (16.0, True, (True, True, True)),  # the runner's floor 4 mm over it
        (18.0, True, (True, True, True)),  # 6 mm, which the runner may still grow into
        (21.0, True, (False, False, False)),  # 9 mm: it may grow by 3
    ],
)
def test_channels_off_the_joint_leave_no_skin_of_sand(level_mm, gates_above, skins):
    """Under 5 mm of printed sand does not hold: common practice, no source."""
    way = Approach(
        out_deg=0.0, level_mm=level_mm, gates_above=gates_above, runner_mm=12.0, thinness=0.5,
        sand_mm=25.0,
    )  # fmt: skip
    assert tuple(_leaves_skin(way, np.array([5.0, 6.0, 8.0]), joint_mm=0.0)) == skins


REACH = (
    "gating/castings-are-reached", "gating/ingates-are-reached", "gating/feeders-are-reached",
    "gating/channels-are-reached", "gating/nothing-dangles", "gating/no-near-miss",
    "gating/contacts-are-as-wide-as-channels", "gating/no-neck-in-channels",
    "gating/bottleneck-is-the-choke", "gating/no-loop-in-runners", "gating/head-fills-the-mold",
    "gating/filters-are-not-bypassed", "fill/everything-fills", "fill/no-trapped-air",
)  # fmt: skip
"""What every automatic system must hold, whatever the casting."""


def _misses(results):
    review = run_checks(results, ("gating", "fill"))
    return [(f.id, f.message) for f in review.findings if f.id in REACH and f.verdict is FAIL]


@pytest.mark.parametrize(
    ("solid", "alloy"),
    [
        (gear(), "ductile-iron"),
        (Solid.box((0.0, 0.0, 0.0), (12.0, 8.0, 4.0)), "al-si7mg"),
        (Solid.box((0.0, 0.0, 0.0), (24.0, 18.0, 9.0)), "tin-bronze"),
    ],
    ids=["gear", "12 x 8 x 4", "24 x 18 x 9"],
)
def test_every_closed_casting_gets_a_gate(tmp_path, solid, alloy):
    made = _made(tmp_path, solid, alloy)
    assert made.need(RiggingPlan).ingates
    assert _misses(made) == []


def test_each_of_two_bodies_apart_gets_a_gate_from_one_runner(tmp_path):
    one = Solid.box((-50.0, -40.0, -20.0), (50.0, 40.0, 20.0))
    made = _made(tmp_path, one + one.moved((160.0, 0.0, 0.0)), "carbon-steel")
    ends = [gate.path_mm[-1][0] for gate in made.need(RiggingPlan).ingates]
    assert any(-50.0 < x < 50.0 for x in ends)
    assert any(110.0 < x < 210.0 for x in ends)
    assert _misses(made) == []
    assert made.need(Fill).unfilled_mm3 < 1e-3 * made.need(Metal).solid.volume_mm3


def test_gates_on_teeth_are_spread_over_different_teeth():
    """Places that fit at 0, 1, 40 and 80 mm: three gates 30 mm apart want one at each tooth."""
    s = np.arange(0.0, 101.0)
    fits = np.isin(s, (0.0, 1.0, 40.0, 80.0))
    assert spread(s, fits, 3, 30.0, 0.1) == [1, 40, 80]
    assert spread(s, fits, 4, 30.0, 1.0) is None


def test_the_thinnest_sprue_gets_gates_for_the_critical_speed():
    """A plate of 80 x 50 x 4 mm: the least sprue passes more than its own flow asks for."""
    alloy = find(Alloy, "al-si7mg")
    sizes = Sizes(
        poured_kg=0.04, pour_time_s=1.0, head_mm=200.0, flow_mm3_s=2e4, choke_mm2=10.0,
        foot_mm2=10.0, runner_mm2=20.0, ingate_mm2=40.0, reasons=(),
    )  # fmt: skip
    wide = _with_least_foot(sizes, alloy)
    agree(
        wide.flow_mm3_s / wide.ingate_mm2 / 1000.0 * SPEED_RESERVE,
        alloy.critical_speed_m_s,
        rel=1e-9,
        why="continuity",
    )
    less = with_less_ingate(wide, 0.1, alloy)
    agree(less.choke_mm2 * less.pour_time_s, wide.choke_mm2 * wide.pour_time_s, rel=1e-9,
          why="half the choke takes twice the time")  # fmt: skip
