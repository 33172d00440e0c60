"""Laws of pouring: what flows in is what is there, and similar systems pour alike."""

import dataclasses

import numpy as np
import pytest

from moldprep.rigging.flow import trace_flow
from tests.gating_bench import ALLOY, good_plan, good_rigging, with_solid
from tests.helpers import agree


@pytest.fixture(scope="module")
def flow():
    return trace_flow(good_rigging(), good_plan(), ALLOY)


def changed(change, paths):
    """Return the good system with every body and path changed."""
    rigging = good_rigging()
    for body in rigging.metal:
        rigging = with_solid(rigging, body.name, change)
    bodies = tuple(
        dataclasses.replace(body, path_mm=paths(body.path_mm)) for body in rigging.bodies
    )
    return dataclasses.replace(rigging, bodies=bodies)


def test_what_flows_in_is_what_is_there(flow):
    """Each cavity's volume is the integral of its inflow; the inlets' shares sum to it."""
    for cavity in flow.cavities:
        time, _, volume, rate = cavity.course.T
        agree(np.trapezoid(rate, time), volume[-1], rel=5e-3, why="trapezoid over 80 steps")
        agree(cavity.shares.sum(axis=1), rate, rel=1e-12, why="the sum of its inlets")
        assert (np.diff(volume) >= 0.0).all()
        assert (np.diff(cavity.course[:, 1]) >= 0.0).all()
    into = sum(float(cavity.course[0, 3]) for cavity in flow.cavities)
    sprue = next(c for c in flow.channels if c.body == "sprue")
    agree(sprue.flow_mm3_s, into, rel=1e-9, why="continuity")


@pytest.mark.parametrize("factor", [0.5, 3.0])
def test_similar_systems_follow_froude(flow, factor):
    """Times go with the root of size, speeds too: only gravity drives. Friction moves it a little.

    W. Froude's law of similarity; Re grows with size^1.5, and with it friction falls.
    """
    large = trace_flow(
        changed(lambda s: s.scaled((factor,) * 3), lambda p: p * factor),
        dataclasses.replace(good_plan(), choke_mm2=factor**2 * good_plan().choke_mm2),
        ALLOY,
    )
    cavity, larger = (f.pour_time_s - f.prime_s for f in (flow, large))
    agree(larger / cavity, factor**0.5, rel=0.06, why="friction factor Re^-1/4")
    quicker = larger / cavity < factor**0.5
    assert quicker is (factor > 1.0), "friction weighs less in the larger system"
    agree(large.source_mm, factor * flow.source_mm, rel=1e-6, why="geometry")
    agree(large.bottleneck_mm2, factor**2 * flow.bottleneck_mm2, rel=1e-2, why="stations move")


@pytest.mark.parametrize(
    ("change", "paths"),
    [
        pytest.param(
            lambda s: s.scaled((1.0, -1.0, 1.0)), lambda p: p * np.array([1.0, -1.0, 1.0]),
            id="mirrored",
        ),
        pytest.param(
            lambda s: s.moved((310.0, -220.0, 0.0)), lambda p: p + np.array([310.0, -220.0, 0.0]),
            id="moved",
        ),
    ],
)  # fmt: skip
def test_moved_and_mirrored_systems_pour_alike(flow, change, paths):
    same = trace_flow(changed(change, paths), good_plan(), ALLOY)
    agree(same.pour_time_s, flow.pour_time_s, rel=1e-3, why="sections at shifted stations")
    wanted = {c.body: c.share for c in flow.channels}
    for channel in same.channels:
        agree(channel.share, wanted[channel.body], rel=2e-3, why="sections at shifted stations")
