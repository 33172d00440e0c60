"""Automatic gating: right amounts, short straight gates, nothing in the way, every choice told."""

import math
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from shapely.geometry import Polygon

from moldprep.catalog import find
from moldprep.errors import StageError
from moldprep.geometry.solid import Solid
from moldprep.jobfile import make_job
from moldprep.records import (
    Alloy,
    Body,
    Parting,
    Pattern,
    PullChoice,
    Role,
    Rules,
    Sand,
    Section,
    Survey,
)
from moldprep.records.plan import FeederPlan, IngatePlan, Placement
from moldprep.rigging.build import build_rigging
from moldprep.rigging.flow import trace_flow
from moldprep.rigging.gates.copies import feeder_placed, gates_into_copies
from moldprep.rigging.gates.tree import Spacing, balanced_tree
from moldprep.rigging.gates.trees import stagger_mm
from moldprep.rigging.layout import Layout
from moldprep.rigging.metal import join_metal
from moldprep.rigging.plan import plan_rigging
from moldprep.rigging.planfile import plan_tables
from moldprep.rigging.pour_times import steel_s
from tests.helpers import agree

WALL_MM = 25.0


def _tube(radius, length, axis):
    body = Solid.cone(radius, radius, length).moved((0.0, 0.0, -length / 2.0))
    return body.turned((0.0, 90.0, 0.0) if axis == "x" else (90.0, 0.0, 0.0))


def plate():
    """A plate with two bosses, parted at its upper face."""
    return Solid.union([
        Solid.box((0.0, 0.0, 0.0), (300.0, 200.0, 25.0)),
        Solid.cone(40.0, 40.0, 80.0).moved((80.0, 100.0, 0.0)),
        Solid.cone(30.0, 30.0, 60.0).moved((220.0, 100.0, 0.0)),
    ])  # fmt: skip


def wheel():
    """A wheel with a V-groove at the parting: the groove is a core's work."""
    rim = Solid.cone(150.0, 150.0, 80.0, 96).moved((0.0, 0.0, -40.0))
    return rim - wheel_groove() - Solid.cone(20.0, 20.0, 100.0).moved((0.0, 0.0, -50.0))


def wheel_groove():
    groove = [(150.0, 30.0), (130.0, 5.0), (130.0, -5.0), (150.0, -30.0)]
    return Solid.revolve(Polygon([(180.0, -30.0), (180.0, 30.0), *groove]), 96)


def tee():
    """A pipe tee with flanges, bores crossing, parted through the bores' middle."""
    outside = Solid.union([
        _tube(50.0, 400.0, "x"), _tube(90.0, 25.0, "x").moved((190.0, 0.0, 0.0)),
        _tube(90.0, 25.0, "x").moved((-190.0, 0.0, 0.0)),
        _tube(45.0, 200.0, "y").moved((0.0, 100.0, 0.0)),
        _tube(85.0, 25.0, "y").moved((0.0, 190.0, 0.0)),
    ])  # fmt: skip
    return outside - tee_bore()


def tee_bore():
    """The bores and, 55 mm beyond the flanges, their prints."""
    return _tube(35.0, 515.0, "x") + _tube(32.0, 258.0, "y").moved((0.0, 129.0, 0.0))


def cover():
    """A thin-walled lid, 6 mm."""
    shell = Solid.box((0.0, 0.0, 0.0), (400.0, 250.0, 40.0))
    return shell - Solid.box((6.0, 6.0, 6.0), (394.0, 244.0, 50.0))


CASES = {
    "plate": (plate, 25.0, "carbon-steel"),
    "wheel": (wheel, 0.0, "ductile-iron"),
    "tee": (tee, 0.0, "carbon-steel"),
    "cover": (cover, 6.0, "al-si12"),
}


def pattern_of(solid, extra=(), kept_clear=None):
    flags = np.zeros(solid.n_triangles, bool)
    return Pattern(
        solid=solid, extra=extra, shrink=np.ones(3), stock_mm3=0.0, draft_mm3=0.0,
        is_machined=flags, is_kept_clear=flags.copy() if kept_clear is None else kept_clear,
        draft=(), undercuts=(),
    )  # fmt: skip


def parting_of(solid, z_mm):
    choice = PullChoice(pull=(0.0, 0.0, 1.0), z_mm=z_mm, score=0.0, terms=())
    return Parting(
        bodies=(Body(name="casting", role=Role.CASTING, solid=solid),),
        turn=np.hstack([np.eye(3), np.zeros((3, 1))]), z_mm=z_mm, chosen=choice, runners_up=(),
        undercuts=(), reason="",
    )  # fmt: skip


def survey_of(solid):
    section = Section(
        name="section-1", volume_mm3=solid.volume_mm3, cooled_area_mm2=solid.area_mm2,
        modulus_mm=solid.volume_mm3 / solid.area_mm2, freezing_time_s=100.0, constant_s_mm2=1.0,
        shape="chunky", thickness_mm=20.0, at_mm=tuple(solid.centroid_mm),
        hot_modulus_mm=solid.volume_mm3 / solid.area_mm2, hot_time_s=100.0, order=1,
    )  # fmt: skip
    return Survey(sections=(section,), joins=(), label=np.zeros((2, 2, 2), np.uint8), pitch_mm=5.0,
                  origin_mm=np.zeros(3), thin_mm=8.0, run_wall_mm=8.0)  # fmt: skip


def job_of(alloy, **tables):
    tables.setdefault("rigging", {}).setdefault("auto", ["gating"])
    table = {"name": "t", "alloy": alloy, "casting": {"file": "t.stl", "unit": "mm"}, **tables}
    return make_job(table, folder=Path(), where="test")


def planned(case, *, z_mm=None, pattern=None, solid=None, alloy=None, **tables):
    make, z, usual = CASES[case]
    solid = make() if solid is None else solid
    alloy = alloy or usual
    pattern = pattern or pattern_of(solid)
    job = job_of(alloy, **tables)
    plan = plan_rigging(
        survey_of(solid), pattern, parting_of(solid, z if z_mm is None else z_mm), job,
        find(Alloy, alloy), find(Rules, "usual"), find(Sand, job.sand),
    )  # fmt: skip
    return plan, pattern


def built(case, **kwargs):
    plan, pattern = planned(case, **kwargs)
    return plan, build_rigging(plan, pattern)


def gate_area(plan):
    return sum(g.width_mm * (g.height_mm - g.notch_mm) for g in plan.ingates)


# ---- every case ----------------------------------------------------------------------------


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("count", [1, 4])
def test_metal_hangs_together_and_keeps_the_sand_wall(case, count):
    _, rigging = built(case, mold={"count": count})
    metal = join_metal(rigging, find(Alloy, CASES[case][2]))
    assert len(metal.solid.parts()) == 1
    castings = Solid.union(body.solid for body in rigging.castings)
    assert len(castings.parts()) == count
    for body in rigging.bodies:
        if body.role is not Role.INGATE:
            gap = castings.gap_mm(body.solid, 2.0 * WALL_MM)
            assert gap >= WALL_MM - 1.0, f"{body.name} is {gap:.1f} mm from a casting"


@pytest.mark.parametrize("case", CASES)
def test_channels_have_the_areas_of_the_plan(case):
    plan, _ = planned(case)
    foot, runner, gates = plan.ratio
    agree(min(foot, runner, gates), 1.0, rel=1e-6, why="the choke is the smallest")
    agree(plan.sprue.foot_area_mm2, foot * plan.choke_mm2, rel=1e-3, why="rounded to 0.01")
    agree(gate_area(plan), gates * plan.choke_mm2, rel=1e-2, why="rounded to 0.01 mm")
    last = plan.runners[-1]
    agree(last.width_mm * last.height_mm, runner * plan.choke_mm2, rel=1e-2, why="rounded")


@pytest.mark.parametrize("case", CASES)
def test_ingates_keep_below_the_critical_speed(case):
    """Fastest at any time in any gate, by the network of the built bodies; Campbell, rule 2."""
    plan, rigging = built(case)
    alloy = find(Alloy, CASES[case][2])
    flow = trace_flow(rigging, plan, alloy)
    speeds = [c.speed_m_s for c in flow.channels if c.body.startswith("ingate")]
    assert len(speeds) == len(plan.ingates)
    assert max(speeds) <= alloy.critical_speed_m_s


@pytest.mark.parametrize("case", CASES)
def test_runner_goes_on_past_its_last_gate(case):
    plan, _ = planned(case)
    runner = np.array(plan.runners[-1].path_mm)
    along = (runner[-1] - runner[0]) / np.linalg.norm(runner[-1] - runner[0])
    last = max(float((np.array(g.path_mm[0]) - runner[0]) @ along) for g in plan.ingates)
    assert np.linalg.norm(runner[-1] - runner[0]) - last >= 40.0


@pytest.mark.parametrize("case", CASES)
def test_gates_are_straight_and_thinner_than_the_wall(case):
    plan, _ = planned(case)
    assert plan.ingates
    for gate in plan.ingates:
        assert len(gate.path_mm) == 2
        assert gate.notch_mm > 0.0
    wall = {"plate": 25.0, "wheel": 80.0, "tee": 25.0, "cover": 6.0}[case]
    assert max(gate.height_mm for gate in plan.ingates) <= 0.7 * wall + 1e-9


@pytest.mark.parametrize("case", CASES)
def test_every_choice_has_a_reason_with_a_source(case):
    plan, _ = planned(case)
    items = {reason.item for reason in plan.reasons}
    assert {"pour-time", "choke", "ratio", "cope", "sprue", "well", "basin", "runner-1",
            "ingate-1", "filter"} <= items  # fmt: skip
    assert all(reason.why and reason.source for reason in plan.reasons)


@pytest.mark.parametrize(("case", "count"), [("plate", 1), ("wheel", 4), ("cover", 2)])
def test_plan_tables_read_back_as_the_same_plan(case, count):
    plan, _ = planned(case, mold={"count": count})
    tables = tomllib.loads(plan_tables(plan))
    again, _ = planned(case, mold={"count": count}, **tables)
    assert replace(again, reasons=()) == replace(plan, reasons=())
    assert plan_tables(again).splitlines()[2:4] == plan_tables(plan).splitlines()[2:4]


def test_the_same_job_gives_the_same_plan():
    assert planned("tee")[0] == planned("tee")[0]


# ---- amounts -------------------------------------------------------------------------------


def test_steel_pours_by_the_steel_formula():
    plan, pattern = planned("plate")
    kg = pattern.solid.volume_mm3 * 1e-9 * find(Alloy, "carbon-steel").density_liquid_kg_m3
    agree(plan.pour_time_s, steel_s(kg), rel=1e-3, why="rounded to 0.01 s")


def test_job_says_time_ratio_and_head():
    plan, _ = planned(
        "plate", rigging={"pour_time_s": 12.0, "ratio": [1.0, 1.5, 3.0], "head_mm": 180.0}
    )
    assert plan.pour_time_s == 12.0
    assert plan.ratio == (1.0, 1.5, 3.0)
    agree(plan.sprue.top_mm - 25.0, 180.0, rel=1e-6, why="over the parting")
    agree(gate_area(plan), 3.0 * plan.choke_mm2, rel=1e-2, why="rounded")


def test_slower_pour_has_a_smaller_choke():
    fast, _ = planned("plate", rigging={"pour_time_s": 6.0})
    slow, _ = planned("plate", rigging={"pour_time_s": 12.0})
    agree(fast.choke_mm2 / slow.choke_mm2, 2.0, rel=5e-2, why="the basin's depth differs a little")


def test_hand_made_molds_get_a_cone_and_square_corners():
    plan, _ = planned("plate", rigging={"channels": "hand"})
    assert plan.sprue.kind == "cone"
    assert {runner.bend_ratio for runner in plan.runners} == {0.0}


@pytest.mark.parametrize(
    ("alloy", "ratio", "gates_above"),
    [
        ("al-si12", "auto", True),
        ("grey-iron", (2.0, 1.5, 1.0), False),  # the gates are the choke: they keep it full
        ("grey-iron", (1.0, 1.3, 2.0), True),  # gates below would drain the runner
    ],
)
def test_runner_lies_where_it_runs_full(alloy, ratio, gates_above):
    plan, _ = planned("plate", alloy=alloy, z_mm=12.0, rigging={"ratio": ratio})
    gate, runner = plan.ingates[0].path_mm[0][2], plan.runners[0].path_mm[0][2]
    assert (gate > runner) is gates_above


# ---- places --------------------------------------------------------------------------------


def test_no_channel_runs_into_a_bore():
    _, rigging = built("tee")
    bore = tee_bore()
    assert sum((body.solid & bore).volume_mm3 for body in rigging.bodies) == 0.0


def test_no_gate_goes_into_a_groove_that_a_core_makes():
    plan, rigging = built("wheel")
    groove = wheel_groove() & Solid.cone(144.0, 144.0, 80.0, 96).moved((0.0, 0.0, -40.0))
    for gate in rigging.of_role(Role.INGATE):  # the flank's outermost part counts as the lip
        assert (gate.solid & groove).volume_mm3 < 0.01 * gate.solid.volume_mm3
    assert any("nearest level to the parting" in reason.why for reason in plan.reasons)


@pytest.mark.parametrize("z_mm", [-60.0, 140.0], ids=["below", "above"])
def test_parting_beside_the_casting_gates_at_the_nearest_level(z_mm):
    plan, rigging = built("plate", z_mm=z_mm)
    assert plan.ingates
    for gate in plan.ingates:
        assert 0.0 <= gate.path_mm[0][2] <= 25.0
    assert len(join_metal(rigging, find(Alloy, "carbon-steel")).solid.parts()) == 1


def test_kept_clear_faces_get_no_gate():
    solid = plate()
    points, faces = solid.mesh()
    middle = points[faces].mean(axis=1)
    on_long_sides = (middle[:, 1] < 0.1) | (middle[:, 1] > 199.9)
    plan, _ = planned("plate", solid=solid, pattern=pattern_of(solid, kept_clear=on_long_sides))
    assert plan.ingates
    for gate in plan.ingates:
        along = np.subtract(gate.path_mm[1], gate.path_mm[0])
        assert abs(along[0]) > abs(along[1])


def test_no_place_for_a_gate_is_an_error_that_helps():
    solid = plate()
    clear = np.ones(solid.n_triangles, bool)
    with pytest.raises(StageError, match="takes ingates") as err:
        planned("plate", solid=solid, pattern=pattern_of(solid, kept_clear=clear))
    assert err.value.code == "rigging/no-gate-site"
    assert "rigging.ingate" in err.value.fix


def test_gate_goes_through_the_side_feeder_where_the_alloy_wants_it():
    feeder = {"name": "F1", "kind": "side", "at_mm": [150.0, -80.0, -10.0], "diameter_mm": 90.0,
              "height_mm": 120.0, "neck_width_mm": 40.0, "neck_height_mm": 20.0,
              "neck_to_mm": [150.0, 0.0, 12.0]}  # fmt: skip
    plan, rigging = built("plate", alloy="ductile-iron", rigging={"feeder": [feeder]})
    assert {gate.into for gate in plan.ingates} == {"F1"}
    metal = join_metal(rigging, find(Alloy, "ductile-iron"))
    assert len(metal.solid.parts()) == 1


@pytest.mark.parametrize("name", ["Feeder-1", "hub"])
def test_a_feeder_of_the_job_may_have_any_name(name):
    feeder = {"name": name, "kind": "side", "at_mm": [150.0, -80.0, -10.0], "diameter_mm": 90.0,
              "height_mm": 120.0, "neck_width_mm": 40.0, "neck_height_mm": 20.0,
              "neck_to_mm": [150.0, 0.0, 12.0]}  # fmt: skip
    plan, _ = planned("plate", alloy="ductile-iron", rigging={"feeder": [feeder]})
    assert {gate.into for gate in plan.ingates} == {name}


def test_each_copy_is_gated_through_its_own_feeder():
    gate = IngatePlan(name="g", path_mm=((0.0, 0.0, 0.0),), width_mm=9.0, height_mm=9.0, into="F2")
    first = tuple(
        FeederPlan(name=f"F{k}", kind="side", at_mm=(0.0, 0.0, 0.0), diameter_mm=9.0, height_mm=9.0)
        for k in (1, 2)
    )
    places = (Placement(name="casting-1"), Placement(name="casting-2"))
    copied = [feeder_placed(f, p, j + 2 * k) for k, p in enumerate(places)
              for j, f in enumerate(first, start=1)]  # fmt: skip
    assert [(one.name, one.into) for one in copied] == [
        ("F1", "casting-1"), ("F2", "casting-1"), ("F3", "casting-2"), ("F4", "casting-2"),
    ]  # fmt: skip
    layout = Layout(placements=places, sprue=None, well=None, basin=None, runners=(),
                    ingates=(gate, gate), filters=())  # fmt: skip
    assert [g.into for g in gates_into_copies(layout, first, copied)] == ["F2", "F4"]
    assert [g.into for g in gates_into_copies(layout, first, first)] == ["F2", "F2"]


def test_channels_keep_the_wall_from_side_feeders():
    feeder = {"name": "F1", "kind": "side", "at_mm": [150.0, -80.0, 0.0], "diameter_mm": 70.0,
              "height_mm": 100.0, "neck_width_mm": 40.0, "neck_height_mm": 20.0,
              "neck_to_mm": [150.0, 0.0, 12.0]}  # fmt: skip
    _, rigging = built("plate", rigging={"feeder": [feeder]})
    feeders = Solid.union(b.solid for b in rigging.of_role(Role.FEEDER, Role.NECK))
    roles = (Role.SPRUE, Role.WELL, Role.RUNNER, Role.FILTER, Role.INGATE, Role.BASIN)
    for body in rigging.of_role(*roles):
        assert feeders.gap_mm(body.solid, 60.0) >= WALL_MM - 1.0, body.name


# ---- several castings ----------------------------------------------------------------------


def test_four_castings_are_their_own_mirror_about_the_sprue():
    plan, rigging = built("wheel", mold={"count": 4})
    x, y, _ = plan.sprue.at_mm
    roles = (Role.CASTING, Role.RUNNER, Role.FILTER, Role.INGATE, Role.WELL)
    whole = Solid.union(body.solid for body in rigging.of_role(*roles)).moved((-x, -y, 0.0))
    turned = whole.turned((0.0, 0.0, 180.0))
    assert (whole - turned).volume_mm3 < 1e-4 * whole.volume_mm3
    ways = {place.name: [] for place in plan.placements}
    assert plan.ingates
    for gate in plan.ingates:
        ways[gate.into].append(math.dist(gate.path_mm[0][:2], (x, y)))
    first, *others = (sorted(lengths) for lengths in ways.values())
    for lengths in others:
        agree(lengths, first, rel=0.1, why="side by side where the runner is narrow")


@pytest.mark.parametrize("count", [2, 3, 4, 6, 8, 16])
def test_any_count_is_connected_and_apart(count):
    _, rigging = built("plate", mold={"count": count})
    castings = [body.solid for body in rigging.castings]
    assert len(Solid.union(castings).parts()) == count
    assert len(join_metal(rigging, find(Alloy, "carbon-steel")).solid.parts()) == 1


@pytest.mark.parametrize(
    ("case", "count"), [("plate", 3), ("wheel", 3), ("plate", 4), ("wheel", 6)]
)
def test_castings_of_any_count_fill_alike(case, count):
    """Narrow arms lose more on the way: a trial pour draws them wider."""
    plan, rigging = built(case, mold={"count": count})
    flow = trace_flow(rigging, plan, find(Alloy, CASES[case][2]))
    rates = np.array([c.flow_mm3_s[0] / c.volume_mm3[-1] for c in flow.cavities])
    assert len(rates) == count
    agree(rates, rates.mean(), rel=0.05, why="trials end 3 % apart, on blocks behind the gates")


@pytest.mark.parametrize("offsets", [[0.0], [-30.0, 30.0], [-45.0, 45.0], [-80.0, 0.0, 80.0]])
@pytest.mark.parametrize("apart", [20.0, 55.0, 90.0])
def test_gates_to_both_sides_of_a_runner_stand_apart(offsets, apart):
    shift = stagger_mm(np.array(offsets), apart)
    near, far = np.array(offsets) + 0.5 * shift, -np.array(offsets) - 0.5 * shift
    assert np.abs(near[:, None] - far).min() >= apart - 1e-6
    assert shift <= apart + 2.0 * max(offsets) + 1e-6


@pytest.mark.parametrize("count", [1, 2, 4, 8, 16, 32])
def test_balanced_tree_gives_every_casting_the_same_share(count):
    tree = balanced_tree(
        count, Spacing(to_first_mm=200.0, pitch_mm=300.0, depth_mm=250.0, gap_mm=80.0)
    )
    assert len(tree.seats) == count
    shares = [arm.share / len(arm.seats) for arm in tree.arms if arm.seats]
    agree(shares, 1.0 / count, rel=1e-12, why="halved at every branching")
    places = {(round(seat.u_mm, 3), round(seat.v_mm, 3), seat.is_turned) for seat in tree.seats}
    assert len(places) == count


# ---- given and mixed -----------------------------------------------------------------------

OWN_GATE = {"name": "ingate-1", "path_mm": [[150.0, -60.0, 5.0], [150.0, 0.0, 5.0]],
            "width_mm": 40.0, "height_mm": 12.0}  # fmt: skip
OWN_RUNNER = {"name": "runner-1", "path_mm": [[40.0, -60.0, 16.5], [220.0, -60.0, 16.5]],
              "width_mm": 30.0, "height_mm": 25.0}  # fmt: skip


def test_given_channels_stay_and_missing_ones_are_added():
    plan, rigging = built("plate", rigging={"ingate": [OWN_GATE], "runner": [OWN_RUNNER]})
    assert plan.ingates[0].path_mm == ((150.0, -60.0, 5.0), (150.0, 0.0, 5.0))
    assert plan.runners[0].width_mm == 30.0
    assert plan.sprue is not None
    assert plan.well is not None
    assert plan.basin is not None
    assert len(join_metal(rigging, find(Alloy, "carbon-steel")).solid.parts()) == 1
    assert {"sprue", "well", "basin"} <= {r.item for r in plan.reasons if "added" in r.why}


def test_lone_ingates_get_a_runner():
    _, rigging = built("plate", rigging={"ingate": [OWN_GATE]})
    assert len(join_metal(rigging, find(Alloy, "carbon-steel")).solid.parts()) == 1


def test_nothing_is_added_where_gating_is_not_automatic():
    plan, _ = planned("plate", rigging={"auto": [], "ingate": [OWN_GATE]})
    assert (plan.sprue, plan.basin, plan.runners) == (None, None, ())


def test_channels_without_an_ingate_are_an_error_that_helps():
    with pytest.raises(StageError, match="no ingate") as err:
        planned("plate", rigging={"runner": [OWN_RUNNER]})
    assert err.value.code == "rigging/incomplete"


@pytest.mark.parametrize("count", [1, 4])
def test_the_channels_pour_in_the_time_they_are_drawn_for(count):
    """Quasi-steady Bernoulli with losses through the built bodies, against the time chosen."""
    plan, rigging = built("plate", alloy="al-si12", z_mm=12.0, mold={"count": count})
    flow = trace_flow(rigging, plan, find(Alloy, "al-si12"))
    agree(flow.pour_time_s - flow.prime_s, plan.pour_time_s, rel=0.1,
          why="the trial pour takes the gates as one height and losses as square")  # fmt: skip
    shares = [c.share * len(plan.ingates) for c in flow.channels if c.body.startswith("ingate")]
    np.testing.assert_allclose(shares, 1.0, atol=0.1)


def test_gating_inside_the_model_is_not_doubled():
    solid = plate()
    own = Body(
        name="sprue", role=Role.SPRUE, solid=Solid.box((300.0, 90.0, 0.0), (330.0, 110.0, 150.0))
    )
    plan, _ = planned("plate", solid=solid, pattern=pattern_of(solid, extra=(own,)))
    assert (plan.sprue, plan.runners, plan.ingates) == (None, (), ())
    agree(plan.top_mm, 150.0, rel=1e-9, why="top of the model's own sprue")


def test_placement_of_a_single_casting_moves_its_gating_too():
    place = {"name": "casting", "move_mm": [500.0, 100.0, 0.0], "turn_deg": 90.0}
    plan, rigging = built("plate", rigging={"placements": [place]})
    assert plan.placements[0].move_mm == (500.0, 100.0, 0.0)
    assert len(join_metal(rigging, find(Alloy, "carbon-steel")).solid.parts()) == 1


def test_gates_at_the_bottom_let_no_metal_fall():
    """A block 120 mm tall, parted amid it: gates at the parting let metal fall 60 mm."""
    block = Solid.box((0.0, 0.0, 0.0), (160.0, 100.0, 120.0))
    high, _ = planned("cover", solid=block, z_mm=60.0, rigging={"gate_level_mm": "parting"})
    low, _ = planned("cover", solid=block, z_mm=60.0, rigging={"gate_level_mm": "bottom"})
    assert min(gate.path_mm[0][2] for gate in high.ingates) > 55.0
    assert max(gate.path_mm[0][2] for gate in low.ingates) < 5.0
    assert any("falls 60 mm" in reason.why and "bottom" in reason.why for reason in high.reasons)
    assert not any("gate_level_mm" in reason.why for reason in low.reasons)


@pytest.mark.parametrize(("z_mm", "at_bottom"), [(15.0, False), (60.0, True)])
def test_a_long_fall_is_saved_by_gates_at_the_bottom(z_mm, at_bottom):
    """The alloy bears a fall of 12 mm: 15 mm are not worth channels inside the drag, 60 mm are."""
    block = Solid.box((0.0, 0.0, 0.0), (160.0, 100.0, 120.0))
    plan, _ = planned("cover", solid=block, z_mm=z_mm)
    lowest = min(gate.path_mm[0][2] for gate in plan.ingates)
    assert (lowest < 5.0) is at_bottom


@pytest.mark.parametrize(("deep_mm", "is_lower"), [(60.0, True), (12.0, False)])
def test_a_lower_gate_is_taken_where_it_saves_a_fall(deep_mm, is_lower):
    """A bell: metal let in at its brim falls down one leg, runs up over a sill and down the other.

    Let in at the bottom it falls once; down legs as short as the alloy bears it falls not at all.
    """
    brim = 80.0 - deep_mm
    outside = Solid.box((0.0, 0.0, brim - deep_mm), (200.0, 120.0, 80.0))
    bell = outside - Solid.box((60.0, -1.0, -99.0), (140.0, 121.0, brim))
    plan, _ = planned("cover", solid=bell, z_mm=brim)
    assert (min(gate.path_mm[0][2] for gate in plan.ingates) < brim - 0.5 * deep_mm) is is_lower


@pytest.mark.parametrize(("wall_mm", "is_free"), [(15.0, True), (5.0, False)])
def test_the_jet_has_a_free_way_or_the_plan_says_why_not(wall_mm, is_free):
    """A frame round a core: a wall of 15 mm takes gates thin enough, one of 5 mm does not."""
    inside = Solid.box((wall_mm, wall_mm, -1.0), (300.0 - wall_mm, 200.0 - wall_mm, 61.0))
    frame = Solid.box((0.0, 0.0, 0.0), (300.0, 200.0, 60.0)) - inside
    plan, _ = planned("tee", solid=frame, z_mm=30.0)
    rigging = build_rigging(plan, pattern_of(frame))
    mouths = trace_flow(rigging, plan, find(Alloy, "carbon-steel")).mouths
    assert mouths
    assert all(mouth.ahead_mm >= 2.0 * mouth.thickness_mm for mouth in mouths) is is_free
    assert any("free before the gates" in reason.why for reason in plan.reasons) is not is_free


def test_gates_lie_at_the_height_the_job_asks_for():
    block = Solid.box((0.0, 0.0, 0.0), (160.0, 100.0, 120.0))
    plan, _ = planned("cover", solid=block, z_mm=60.0, rigging={"gate_level_mm": 30.0})
    assert all(abs(gate.path_mm[0][2] - 30.0) < 25.0 for gate in plan.ingates)
    assert any(abs(edge - 30.0) < 1.0 for gate in plan.ingates
               for edge in (gate.path_mm[0][2], gate.path_mm[0][2] + gate.height_mm))  # fmt: skip


def test_runners_of_ductile_iron_lie_under_their_gates_even_off_the_parting():
    """A block all in the drag: gates at the parting could only hang under their runner."""
    block = Solid.box((0.0, 0.0, -60.0), (160.0, 100.0, 0.0))
    plan, _ = planned("wheel", solid=block, z_mm=0.0)
    tops = [runner.path_mm[0][2] + runner.height_mm for runner in plan.runners]
    assert min(gate.path_mm[0][2] for gate in plan.ingates) >= max(tops) - 1.0
    assert all(gate.path_mm[0][2] + gate.height_mm <= 0.0 for gate in plan.ingates)
