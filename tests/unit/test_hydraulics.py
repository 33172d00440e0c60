"""Pouring through a real rigging: closed forms of filling, shares, submerged gates."""

import dataclasses

import numpy as np
import pytest

from moldprep.errors import StageError
from moldprep.geometry.solid import Solid
from moldprep.records import Body, Role
from moldprep.rigging.flow import trace_flow
from moldprep.rigging.stream.hydraulics import G_MM_S2, Link, solve_network
from moldprep.rigging.stream.pool import Pool
from tests.gating_bench import ALLOY, good_plan, good_rigging, with_solid
from tests.helpers import agree


def test_pool_of_a_cone_holds_its_volume():
    cone = Solid.cone(40.0, 0.001, 90.0, 128)
    pool = Pool.of([cone])
    agree(pool.whole_mm3, cone.volume_mm3, rel=1e-9, why="scaled to the solid")
    half = pool.level_mm(pool.whole_mm3 * (1.0 - 0.5**3))
    agree(half, 45.0, rel=1e-2, why="96 slices; a cone's upper half holds an eighth")


def test_bottom_gated_mold_fills_in_the_closed_form_time():
    """t = 2 A_m / (A_g sqrt(2 g)) (sqrt h - sqrt(h - c)), A_g the effective area of the system.

    The system's discharge is taken from its own first step, so only the stepping is tested.
    """
    flow = trace_flow(good_rigging(), good_plan(), ALLOY)
    course = flow.cavities[0].course
    below = course[:, 1] <= 29.0  # the plate, below the foot of its feeder
    level, time, rate = course[below, 1], course[below, 0], course[0, 3]
    inlet = 2.0  # gates 4 mm high: submerged from 2 mm on
    head = flow.source_mm - inlet
    effective = rate / np.sqrt(2.0 * G_MM_S2 * head)
    plate = 100.0 * 60.0
    last = level[-1]
    want = plate * inlet / rate + 2.0 * plate / (effective * np.sqrt(2.0 * G_MM_S2)) * (
        np.sqrt(head) - np.sqrt(flow.source_mm - last)
    )
    agree(time[-1], want, rel=3e-3, why="friction factor moves a little with the flow")


def test_equal_castings_and_gates_share_alike():
    flow = trace_flow(good_rigging(), good_plan(), ALLOY)
    first, second = flow.cavities
    np.testing.assert_allclose(first.course, second.course, rtol=1e-9, atol=1e-9)
    shares = [c.share for c in flow.channels if c.body.startswith("ingate")]
    assert abs(sum(shares) - 1.0) < 1e-9
    assert flow.imbalance < 1e-9


def test_flow_falls_as_the_level_rises():
    flow = trace_flow(good_rigging(), good_plan(), ALLOY)
    rate = flow.cavities[0].course[:-1, 3]
    assert (np.diff(rate) <= 1e-6 * rate[0]).all()
    assert rate[-1] < 0.85 * rate[0]


def step_gated():
    """The good system with a second row of gates, 12 mm up, on casting-1."""
    rigging = good_rigging()
    high = Solid.box((95.0, 1.0, 14.0), (105.0, 30.5, 20.0)) + Solid.box(
        (95.0, 1.0, -0.5), (105.0, 7.0, 20.0)
    )
    body = Body(name="ingate-5", role=Role.INGATE, solid=high)
    return dataclasses.replace(rigging, bodies=(*rigging.bodies, body))


def test_gates_submerge_one_after_another():
    flow = trace_flow(step_gated(), good_plan(), ALLOY)
    course = next(c for c in flow.cavities if "casting-1" in c.parts)
    names = list(course.inlets)
    low, high = names.index("ingate-1"), names.index("ingate-5")
    level = course.course[:-1, 1]
    share = course.shares[:-1]
    early, late = level < 10.0, level > 25.0
    assert share[early, low].mean() > share[late, low].mean()
    ratio = share[:, high] / np.maximum(share[:, low], 1e-9)
    assert ratio[late].mean() > ratio[early].mean()


def test_a_wider_gate_takes_more():
    def widen(solid):
        return solid + Solid.box((110.0, 1.0, 0.0), (150.0, 30.5, 4.0))

    flow = trace_flow(with_solid(good_rigging(), "ingate-2", widen), good_plan(), ALLOY)
    share = {c.body: c.share for c in flow.channels}
    assert share["ingate-2"] > 1.1 * share["ingate-1"]


def test_a_mold_higher_than_the_basin_does_not_fill():
    def raise_it(solid):
        return solid + Solid.box((60.0, 40.0, 0.0), (100.0, 80.0, 260.0))

    flow = trace_flow(with_solid(good_rigging(), "casting-1", raise_it), good_plan(), ALLOY)
    assert flow.pour_time_s == np.inf
    assert not next(c for c in flow.cavities if "casting-1" in c.parts).is_full


def test_network_that_cannot_settle_says_so():
    links = [Link(0, 1, minor=1e-9), Link(1, 2, minor=3e-9), Link(1, 2, minor=7e-9)]
    with pytest.raises(StageError) as caught:
        solve_network(links, 3, {0: 100.0, 2: 0.0}, 0.0, rounds=1)
    assert caught.value.code == "flow/not-converged"
