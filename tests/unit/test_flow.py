"""Contacts, sections and the graph, measured on bodies of known size."""

import dataclasses

import numpy as np
import pytest

from moldprep.geometry.solid import Solid
from moldprep.jobfile import make_job
from moldprep.pipeline import prepare
from moldprep.records import Alloy, Body, Role
from moldprep.rigging.flow import trace_flow
from moldprep.rigging.stream.channels import cut_section, trace_channel
from moldprep.rigging.stream.contacts import contains, find_gap, find_patches
from moldprep.rigging.stream.gate_facts import has_dimple
from moldprep.rigging.stream.network import build_network
from moldprep.thermal.feedpairs import demand_pct
from tests.gating_bench import (
    ALLOY,
    CHOKE,
    good_plan,
    good_rigging,
    plus,
    sprue_solid,
    with_solid,
    without,
)
from tests.helpers import agree
from tests.nastymesh import stl_bytes

BLOCK = Solid.box((0, 0, 0), (300, 20, 20))
NO_PATH = np.empty((0, 3))
TURNS = [(0.0, 0.0, 0.0), (13.0, 27.0, 31.0), (90.0, 0.0, 45.0)]


def area(a, b):
    return sum(patch.area_mm2 for patch in find_patches(a, b))


# ---- contacts -----------------------------------------------------------------------------


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("depth", [0.1, 0.5, 5.0])
def test_a_bar_that_reaches_in_opens_by_its_section(turn, depth):
    bar = Solid.box((100, 20 - depth, 5), (120, 60, 15))
    agree(area(BLOCK.turned(turn), bar.turned(turn)), 200.0, rel=1e-6, why="exact booleans")


@pytest.mark.parametrize("depth", [0.1, 0.5, 5.0])
def test_faces_flush_beside_the_opening_do_not_count(depth):
    """Bar and block stand on one floor: the shared floor is no opening."""
    bar = Solid.box((100, 20 - depth, 0), (120, 60, 10))
    agree(area(BLOCK, bar), 200.0, rel=1e-9, why="exact booleans")


@pytest.mark.parametrize("turn", TURNS)
def test_bodies_that_only_share_a_face_are_joined_by_it(turn):
    bar = Solid.box((100, 20, 5), (120, 60, 15))
    (patch,) = find_patches(BLOCK.turned(turn), bar.turned(turn))
    agree(patch.area_mm2, 200.0, rel=0.02, why="measured by nudges, normals rounded to 1e-3")
    assert patch.is_flush


def test_a_shared_face_of_part_of_a_body_counts_by_the_overlap():
    bar = Solid.box((290, 20, 10), (330, 60, 50))
    agree(area(BLOCK, bar), 10.0 * 10.0, rel=0.01, why="nudged")


@pytest.mark.parametrize("gap", [0.03, 0.2, 0.3])
def test_a_gap_is_no_connection(gap):
    bar = Solid.box((100, 20 + gap, 0), (120, 60, 10))
    assert find_patches(BLOCK, bar) == ()
    near = find_gap(BLOCK, bar)
    agree(near.gap_mm, gap, rel=1e-6, why="kernel's own distance")
    np.testing.assert_allclose(near.at_mm, (110.0, 20.0 + 0.5 * gap, 5.0), atol=0.5)


def test_touching_at_an_edge_or_a_corner_is_no_connection():
    edge = Solid.box((100, 20, 20), (120, 60, 40))
    corner = Solid.box((300, 20, 20), (320, 40, 40))
    wedge = Solid.box((-10, -10, -10), (10, 10, 10)).turned((45, 0, 0))
    knife = wedge.moved((50, 10, 20 - wedge.bounds[0, 2]))
    for other in (edge, corner, knife):
        assert find_patches(BLOCK, other) == ()
        assert find_gap(BLOCK, other).gap_mm < 1e-9


def test_a_round_bar_opens_by_its_circle():
    bar = Solid.cone(8, 8, 40, 128).moved((150, 10, 19.5))
    agree(area(BLOCK, bar), np.pi * 64.0, rel=1e-3, why="128 facets")


def test_a_bar_through_a_block_opens_twice():
    agree(area(BLOCK, Solid.box((100, -30, 5), (120, 60, 15))), 400.0, rel=1e-9, why="two ends")


def test_two_places_are_two_contacts():
    clamp = Solid.box((50, 15, 5), (60, 60, 15)) + Solid.box((200, 15, 5), (210, 60, 15))
    clamp += Solid.box((50, 50, 5), (210, 60, 15))
    patches = find_patches(BLOCK, clamp)
    assert [round(patch.area_mm2) for patch in patches] == [100, 100]
    assert sorted(round(patch.at_mm[0]) for patch in patches) == [55, 205]


def test_far_bodies_have_no_gap():
    assert find_gap(BLOCK, BLOCK.moved((0, 30, 0))) is None
    assert contains(BLOCK, np.array([5.0, 5.0, 5.0]))
    assert not contains(BLOCK, np.array([5.0, 25.0, 5.0]))


# ---- sections -----------------------------------------------------------------------------


@pytest.mark.parametrize("turn", TURNS)
def test_section_is_normal_to_the_path(turn):
    at = Solid.box((149, 9, 9), (151, 11, 11)).turned(turn).centroid_mm
    along = Solid.box((9, -1, -1), (11, 1, 1)).turned(turn).centroid_mm
    got, girth, middle = cut_section(BLOCK.turned(turn), at, along)
    agree(got, 400.0, rel=1e-9, why="exact slice")
    agree(girth, 80.0, rel=1e-9, why="exact slice")
    np.testing.assert_allclose(middle, at, atol=1e-6)


@pytest.mark.parametrize("width", [0.6, 2.0, 10.0])
@pytest.mark.parametrize("path", ["given", "estimated"])
def test_a_neck_anywhere_in_a_channel_is_found(width, path):
    notched = BLOCK - Solid.box((150, -1, -1), (150 + width, 8, 21))
    line = np.array([(0.0, 10, 10), (300.0, 10, 10)]) if path == "given" else NO_PATH
    channel = trace_channel("r", notched, line, np.array([(0.0, 10, 10), (300.0, 10, 10)]))
    tight = min(channel.stations, key=lambda s: s.area_mm2)
    agree(tight.area_mm2, 240.0, rel=0.02, why="estimated lines tilt by a degree or so")
    assert 149.0 < tight.at_mm[0] < 151.0 + width


def test_sections_of_a_bent_channel_without_a_path():
    bend = BLOCK + Solid.box((280, 0, 0), (300, 200, 20))
    contacts = np.array([(0.0, 10, 10), (290.0, 200, 10)])
    channel = trace_channel("r", bend, NO_PATH, contacts)
    areas = [s.area_mm2 for s in channel.stations]
    agree(min(areas), 400.0, rel=0.01, why="no section is smaller than the channel")
    agree(np.median(areas), 400.0, rel=0.05, why="straight over most of its length")


def test_a_way_too_narrow_for_the_first_grid_is_still_found():
    """Two blocks far apart, joined by a 3 mm channel that a 10 mm grid does not see."""
    thin = Solid.box((0, 0, 0), (60, 200, 200)) + Solid.box((500, 0, 0), (560, 200, 200))
    thin += Solid.box((59, 100, 100), (501, 103, 103))
    contacts = np.array([(0.0, 100, 100), (560.0, 100, 100)])
    channel = trace_channel("r", thin, NO_PATH, contacts)
    agree(min(s.area_mm2 for s in channel.stations), 9.0, rel=0.02, why="channel of 3 x 3 mm")


def test_a_tree_without_a_path_has_a_leg_to_every_contact():
    tee = BLOCK + Solid.box((100, 0, 0), (110, 150, 20))
    contacts = np.array([(0.0, 10, 10), (300.0, 10, 10), (105.0, 150, 10)])
    channel = trace_channel("r", tee, NO_PATH, contacts)
    assert len(channel.legs) == 3
    least = {leg.ends[1]: leg.smallest.area_mm2 for leg in channel.legs if leg.ends[1] < 3}
    agree(least[2], 200.0, rel=0.02, why="branch of 10 x 20 mm")
    agree(least[1], 400.0, rel=0.02, why="main line of 20 x 20 mm")


# ---- the graph ----------------------------------------------------------------------------


def test_good_system_is_one_graph_with_the_choke_as_its_cut():
    flow = trace_flow(good_rigging(), good_plan(), ALLOY)
    assert set(flow.graph) == flow.reached
    assert flow.near_misses == flow.lost == flow.dangling == flow.loops == ()
    agree(flow.bottleneck_mm2, CHOKE, rel=3e-3, why="the first station is 1 mm over the foot")
    assert not flow.graph.has_edge("sprue", "runner-1")
    agree(flow.ratio_mm2, (90.0, 180.0, 360.0), rel=3e-3, why="built so")


def test_the_cut_adds_up_parallel_ways():
    """With a wide sprue the four gates together are the tightest place."""
    rigging = with_solid(good_rigging(), "sprue", lambda _: sprue_solid(foot=170.0))
    for name in ("ingate-1", "ingate-2", "ingate-3", "ingate-4"):
        rigging = with_solid(
            rigging, name, lambda solid: solid & Solid.box((-999, -99, -9), (999, 99, 1.5))
        )
    flow = trace_flow(rigging, good_plan(), ALLOY)
    agree(flow.bottleneck_mm2, 4 * 22.5 * 1.5, rel=1e-3, why="exact sections")
    assert len(flow.bottleneck) == 4


def test_sections_found_without_any_path_are_the_same():
    """The same gating as it would come inside a customer's model: bodies, no center lines."""
    rigging = good_rigging()
    bare = dataclasses.replace(
        rigging, bodies=tuple(Body(name=b.name, role=b.role, solid=b.solid) for b in rigging.bodies)
    )
    flow = trace_flow(bare, good_plan(), ALLOY)
    agree(flow.bottleneck_mm2, CHOKE, rel=0.02, why="sprue cut along an estimated line")
    with_paths = trace_flow(rigging, good_plan(), ALLOY)
    agree(flow.pour_time_s, with_paths.pour_time_s, rel=0.05, why="lengths differ a little")
    assert flow.reached == with_paths.reached


def test_a_bottleneck_in_a_runner_without_path_is_found():
    rigging = with_solid(
        good_rigging(), "runner-1", lambda s: s - Solid.box((40, -8, -13), (43, 3, 1))
    )
    bare = dataclasses.replace(
        rigging, bodies=tuple(Body(name=b.name, role=b.role, solid=b.solid) for b in rigging.bodies)
    )
    flow = trace_flow(bare, good_plan(), ALLOY)
    assert flow.bottleneck == ("runner-1",)
    agree(flow.bottleneck_mm2, 4.5 * 12.0, rel=0.03, why="estimated line")
    assert abs(flow.bottleneck_at_mm[0] - 41.5) < 2.0


def test_a_body_in_two_pieces_counts_as_two():
    rigging = with_solid(
        good_rigging(), "runner-1", lambda s: s - Solid.box((99.9, -9, -20), (100.1, 9, 5))
    )
    network = build_network(rigging)
    assert len(network.lumps_of("runner-1")) == 2
    flow = trace_flow(rigging, good_plan(), ALLOY)
    assert [name for name, _ in flow.lost if name == "runner-1"] == ["runner-1"]
    assert "runner-1" not in flow.reached


def test_three_bodies_that_meet_in_one_place_are_no_loop():
    rigging = good_rigging()
    block = Body(name="runner-2", role=Role.RUNNER, solid=Solid.box((10, -9, -13), (40, 9, -1)))
    assert trace_flow(plus(rigging, block), good_plan(), ALLOY).loops == ()


def test_mold_without_sprue_and_basin_reaches_nothing():
    flow = trace_flow(without(good_rigging(), "sprue", "basin"), good_plan(), ALLOY)
    assert flow.reached == frozenset()
    assert flow.bottleneck == ()
    assert flow.pour_time_s == np.inf


@pytest.mark.parametrize("turn", [0.0, 33.0])
def test_turning_the_mold_changes_nothing(turn):
    rigging = good_rigging()

    def turned(body):
        c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
        path = body.path_mm @ np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]])
        return dataclasses.replace(body, solid=body.solid.turned((0, 0, turn)), path_mm=path)

    moved = dataclasses.replace(
        rigging,
        castings=tuple(map(turned, rigging.castings)),
        bodies=tuple(map(turned, rigging.bodies)),
    )
    flow, same = (trace_flow(r, good_plan(), ALLOY) for r in (moved, rigging))
    agree(flow.bottleneck_mm2, same.bottleneck_mm2, rel=1e-6, why="booleans in float64")
    agree(flow.pour_time_s, same.pour_time_s, rel=1e-3, why="slices of facets, turned")
    got = {(c.a, c.b): c.area_mm2 for c in flow.contacts}
    for contact in same.contacts:
        agree(
            got[contact.a, contact.b], contact.area_mm2, rel=0.05, why="flush sides, off by a bit"
        )


def test_an_air_core_is_seen_on_the_body():
    """The bench's feeders have a core in their top; the same without it do not breathe."""
    cored = next(body.solid for body in good_rigging().bodies if body.name == "F1")
    assert has_dimple(cored)
    assert not has_dimple(cored.hull())
    groove = Solid.box((60.0, 58.0, 80.0), (120.0, 62.0, 91.0))  # open to the side: no core
    assert not has_dimple(cored.hull() - groove)


def test_the_pouring_temperature_counts():
    hot = ALLOY.poured_at(760.0)
    assert trace_flow(good_rigging(), good_plan(), hot).pour_c == 760.0
    agree(
        trace_flow(good_rigging(), good_plan(), ALLOY).pour_c,
        0.5 * (ALLOY.pour_low_c + ALLOY.pour_high_c),
        rel=1e-9,
        why="middle of the window",
    )
    more = demand_pct(hot) - demand_pct(ALLOY)
    agree(
        more,
        ALLOY.liquid_contraction_pct_100k * (760.0 - ALLOY.pour_c) / 100.0,
        rel=1e-9,
        why="liquid contraction is linear",
    )


def test_the_jobs_pouring_temperature_is_the_alloys_from_the_start(tmp_path):
    (tmp_path / "x.stl").write_bytes(stl_bytes(BLOCK.mesh()))
    table = {"alloy": "al-si7mg", "casting": {"file": "x.stl", "unit": "mm"}}
    for given, want in (({"pour_c": 760.0}, 760.0), ({}, ALLOY.pour_c)):
        job = make_job({**table, "freezing": given}, folder=tmp_path, where="test")
        assert prepare(job, until="casting").need(Alloy).pour_c == want
