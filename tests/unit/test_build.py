"""Bodies of the rigging: exact sizes, real contacts, and errors that say where."""

import math
from dataclasses import replace

import numpy as np
import pytest

from moldprep.catalog import find
from moldprep.errors import StageError
from moldprep.geometry.shapes import revolved
from moldprep.geometry.solid import Solid
from moldprep.records import Alloy, Body, Pattern, RiggingPlan, Role
from moldprep.records.plan import (
    BasinPlan,
    ChillPlan,
    FeederPlan,
    FilterPlan,
    IngatePlan,
    Placement,
    RunnerPlan,
    SpruePlan,
    VentPlan,
    WellPlan,
)
from moldprep.rigging.bodies import (
    basin_body,
    entry_radius_mm,
    runner_body,
    sprue_body,
    stream_areas_mm2,
)
from moldprep.rigging.build import build_rigging
from moldprep.rigging.feed.reach import Target
from moldprep.rigging.gating import stream_area_mm2
from moldprep.rigging.metal import join_metal
from moldprep.rigging.stream.contacts import find_patches
from moldprep.tolerances import OVERLAP_MM
from tests.helpers import agree

BLOCK = Solid.box((0.0, 0.0, -20.0), (100.0, 100.0, 20.0))
SPRUE = SpruePlan(at_mm=(0.0, 0.0, 0.0), top_mm=200.0, foot_area_mm2=300.0, top_area_mm2=671.0)
GATE = IngatePlan(
    name="ingate-1",
    path_mm=((50.0, -40.0, 0.0), (50.0, -1.0, 0.0)),
    width_mm=30.0,
    height_mm=10.0,
    side_deg=0.0,
)


def pattern_of(solid, extra=()):
    flags = np.zeros(solid.n_triangles, bool)
    return Pattern(
        solid=solid, extra=extra, shrink=np.ones(3), stock_mm3=0.0, draft_mm3=0.0,
        is_machined=flags, is_kept_clear=flags.copy(), draft=(), undercuts=(),
    )  # fmt: skip


def plan_of(**items):
    empty = {
        "placements": (Placement(name="casting"),), "pour_time_s": 10.0, "choke_mm2": 300.0,
        "ratio": (1.0, 2.0, 2.0), "top_mm": 250.0, "basin": None, "sprue": None, "well": None,
        "runners": (), "ingates": (), "filters": (), "feeders": (), "chills": (), "vents": (),
        "reasons": (),
    }  # fmt: skip
    return RiggingPlan(**(empty | items))


def built(solid=BLOCK, extra=(), **items):
    return build_rigging(plan_of(**items), pattern_of(solid, extra))


def body(rigging, name):
    (found,) = (one for one in rigging.metal if one.name == name)
    return found.solid


# ---- sprue, basin, well --------------------------------------------------------------------


def test_printed_sprue_follows_the_falling_stream():
    """Every cross-section is Q/√(2gz) from the level that its two ends imply."""
    solid = sprue_body(SPRUE, has_basin=False).solid
    level = 200.0 / ((671.0 / 300.0) ** 2 - 1.0)
    flow = 671.0 / stream_area_mm2(1.0, level)
    for z in (1.0, 40.0, 100.0, 150.0, 199.0):
        agree(solid.slice_at(z).area, stream_area_mm2(flow, level + 200.0 - z), rel=1e-3,
              why="straight between 48 stations")  # fmt: skip


def test_cone_is_wider_midway_than_the_stream():
    cone = sprue_body(replace(SPRUE, kind="cone"), has_basin=False).solid
    stream = sprue_body(SPRUE, has_basin=False).solid
    for z in (0.5, 199.5):
        agree(cone.slice_at(z).area, stream.slice_at(z).area, rel=2e-2, why="the ends are shared")
    assert cone.slice_at(100.0).area > 1.1 * stream.slice_at(100.0).area


def test_sprue_that_does_not_narrow_is_built_as_drawn():
    upside_down = replace(SPRUE, foot_area_mm2=671.0, top_area_mm2=300.0)
    areas = stream_areas_mm2(upside_down, np.array([0.0, 200.0]))
    agree(areas, [671.0, 300.0], rel=1e-12, why="its two ends")


def test_entry_is_rounded_and_sprue_meets_basin_in_full():
    basin = BasinPlan(length_mm=120.0, width_mm=60.0, depth_mm=50.0)
    sprue = sprue_body(SPRUE, has_basin=True).solid
    pool = basin_body(basin, SPRUE).solid & Solid.box((-25.0, -25.0, 0.0), (25.0, 25.0, 300.0))
    radius = entry_radius_mm(SPRUE)
    assert radius > 4.0
    low = 200.0 - radius
    just_under, flush = pool.slice_at(low + 0.05).area, pool.slice_at(199.99).area
    agree(just_under, sprue.slice_at(low - 0.05).area, rel=2e-2, why="tangent at its low end")
    assert flush > 1.5 * just_under
    agree((pool & sprue).volume_mm3, OVERLAP_MM * sprue.slice_at(low).area, rel=3e-2,
          why="a disc of the overlap's height")  # fmt: skip


def test_basin_has_a_deep_end_away_from_the_sprue():
    basin = BasinPlan(length_mm=120.0, width_mm=60.0, depth_mm=50.0, turn_deg=90.0)
    solid = basin_body(basin, SPRUE).solid
    low, high = solid.bounds
    agree(high[2], 250.0, rel=1e-9, why="floor plus depth")
    agree(low[2], 175.0, rel=1e-9, why="half the depth deeper beyond the step")
    deep = solid.slice_at(180.0)
    assert deep.bounds[1] > 40.0  # the pouring end lies toward +y
    agree(high[1], 90.0, rel=1e-9, why="length less half the width")


# ---- runners and gates ---------------------------------------------------------------------


def test_runner_bends_keep_their_section():
    path = ((0.0, 0.0, 0.0), (200.0, 0.0, 0.0), (200.0, 150.0, 0.0))
    runner = RunnerPlan(name="runner-1", path_mm=path, width_mm=20.0, height_mm=15.0)
    made = runner_body(runner)
    agree(made.solid.volume_mm3, 300.0 * (350.0 - 60.0 + 15.0 * math.pi), rel=3e-3,
          why="radius 1.5 widths, arc of chords")  # fmt: skip
    assert made.path_mm[:, 2] == pytest.approx(7.5)
    square = runner_body(replace(runner, bend_ratio=0.0)).solid
    agree(square.volume_mm3, 300.0 * 350.0, rel=1e-9, why="mitred corner")


def test_gate_reaches_just_into_the_wall():
    gate = body(built(ingates=(GATE,)), "ingate-1")
    agree(gate.bounds[1, 1], OVERLAP_MM, rel=1e-3, why="float32 rays")
    agree((gate & BLOCK).volume_mm3, 300.0 * OVERLAP_MM, rel=1e-2, why="float32 rays")


@pytest.mark.parametrize("end_y", [-15.0, 30.0], ids=["ends short", "ends deep inside"])
def test_gate_is_lengthened_or_shortened_to_the_wall(end_y):
    gate = replace(GATE, path_mm=((50.0, -40.0, 0.0), (50.0, end_y, 0.0)))
    agree(body(built(ingates=(gate,)), "ingate-1").bounds[1, 1], OVERLAP_MM, rel=1e-3,
          why="float32 rays")  # fmt: skip


def test_gate_on_a_round_wall_touches_across_its_whole_width():
    round_one = Solid.cone(50.0, 50.0, 60.0, 128).moved((50.0, 50.0, -30.0))
    rigging = built(round_one, ingates=(GATE,))
    cut = (body(rigging, "ingate-1") & round_one).slice_at(5.0)
    agree(cut.bounds[2] - cut.bounds[0], 30.0, rel=3e-2, why="128 facets")


def test_gate_that_misses_says_where():
    gate = replace(GATE, path_mm=((150.0, -40.0, 0.0), (150.0, -1.0, 0.0)))
    with pytest.raises(StageError, match=r"ingate-1 does not meet casting.*150\.0, -40\.0") as err:
        built(ingates=(gate,))
    assert err.value.code == "rigging/ingate-misses"
    assert err.value.fix


def test_gate_that_starts_inside_says_where():
    gate = replace(GATE, path_mm=((50.0, 40.0, 0.0), (50.0, 60.0, 0.0)))
    with pytest.raises(StageError, match="starts inside casting") as err:
        built(ingates=(gate,))
    assert err.value.code == "rigging/ingate-buried"


def test_notch_thins_the_gate_by_its_depth_only():
    plain = body(built(ingates=(GATE,)), "ingate-1")
    notched = body(built(ingates=(replace(GATE, notch_mm=2.0),)), "ingate-1")
    near_wall = Solid.box((0.0, -3.1, -10.0), (100.0, -2.9, 30.0))
    for solid, height in ((plain, 10.0), (notched, 8.0)):
        agree((solid & near_wall).volume_mm3, 30.0 * height * 0.2, rel=1e-2, why="the V's flank")


def test_filter_widens_from_runner_to_print_and_back():
    ends = ((0.0, 40.0), (102.0, 160.0))
    runners = tuple(
        RunnerPlan(name=f"runner-{k + 1}", path_mm=((a, -60.0, 0.0), (b, -60.0, 0.0)),
                   width_mm=20.0, height_mm=20.0, side_deg=0.0)
        for k, (a, b) in enumerate(ends)
    )  # fmt: skip
    one = FilterPlan(at_mm=(71.0, -60.0, 10.0), length_mm=60.0, width_mm=60.0, thickness_mm=22.0)
    rigging = built(runners=runners, filters=(one,))
    made = body(rigging, "filter")
    print_area = (made & Solid.box((70.9, -200, -99), (71.1, 0, 99))).volume_mm3 / 0.2
    agree(print_area, 3600.0, rel=1e-9, why="the print itself")
    seat = (made & Solid.box((59.0, -200, -99), (59.2, 0, 99))).volume_mm3 / 0.2
    assert 2400.0 < seat < 52.0 * 52.0 * 1.01  # a lip of 4 mm holds the filter
    for runner in ("runner-1", "runner-2"):
        agree((body(rigging, runner) & made).volume_mm3, 400.0 * OVERLAP_MM, rel=5e-2,
              why="the runner's section, a little widened")  # fmt: skip
    path = next(b.path_mm for b in rigging.bodies if b.name == "filter")
    np.testing.assert_allclose(path[:, 0], [40.0, 71.0, 102.0])


# ---- feeders, vents, inserts ---------------------------------------------------------------

TOP = FeederPlan(name="F1", kind="top", at_mm=(50.0, 50.0, 20.0), diameter_mm=40.0,
                 height_mm=60.0, has_air_core=False)  # fmt: skip


def test_blind_feeder_has_a_half_ball_on_top():
    feeder = body(built(feeders=(TOP,)), "F1")
    want = math.pi * 20.0**2 * (40.0 + 2.0 / 3.0 * 20.0 + OVERLAP_MM)
    agree(feeder.volume_mm3, want, rel=1e-2, why="64 facets round, 12 up")
    agree(feeder.bounds[1, 2], 80.0, rel=1e-9, why="foot plus height")
    agree((feeder & BLOCK).volume_mm3, math.pi * 400.0 * OVERLAP_MM, rel=1e-2, why="64 facets")


def test_air_core_dents_the_dome():
    plain = body(built(feeders=(TOP,)), "F1")
    cored = body(built(feeders=(replace(TOP, has_air_core=True),)), "F1")
    assert 0.0 < plain.volume_mm3 - cored.volume_mm3 < 0.02 * plain.volume_mm3
    assert cored.slice_at(75.0).geoms[0].interiors


def test_open_feeder_reaches_the_top_of_the_cope():
    feeder = body(built(feeders=(replace(TOP, is_open=True),)), "F1")
    agree(feeder.bounds[1, 2], 250.0, rel=1e-9, why="the plan's top")


def test_feeder_on_a_slope_stands_on_it_all_round():
    ramp = Solid.hull_of(np.array([(x, y, z) for x, top in ((0.0, 10.0), (100.0, 30.0))
                                   for y in (0.0, 100.0) for z in (-20.0, top)]))  # fmt: skip
    feeder = body(built(ramp, feeders=(TOP,)), "F1")
    shared = (feeder & ramp).shadow().area
    agree(shared, math.pi * 400.0, rel=2e-2, why="the whole foot, 64 facets")


def test_feeder_beside_a_bore_does_not_run_down_it():
    bored = BLOCK - Solid.cone(12.0, 12.0, 60.0).moved((68.0, 50.0, -30.0))
    feeder = body(built(bored, feeders=(replace(TOP, at_mm=(50.0, 50.0, 21.0)),)), "F1")
    down_the_bore = Solid.cone(11.0, 11.0, 39.0).moved((68.0, 50.0, -20.0))
    assert (feeder & down_the_bore).volume_mm3 == 0.0


def test_feeder_over_nothing_is_refused():
    with pytest.raises(StageError, match="F1 stands on nothing") as err:
        built(feeders=(replace(TOP, at_mm=(300.0, 50.0, 20.0)),))
    assert err.value.code == "rigging/feeder-misses"


@pytest.mark.parametrize(
    ("rib_mm", "foot_mm", "stands"), [(1.5, 24.0, False), (1.5, 1.2, True), (24.0, 24.0, True)]
)
def test_a_thin_rib_is_no_ground_for_a_wide_foot(rib_mm, foot_mm, stands):
    rib = Solid.box((0.0, -0.5 * rib_mm, 0.0), (150.0, 0.5 * rib_mm, 32.0))
    ground = Target("casting", rib + Solid.box((0.0, -50.0, -4.0), (150.0, 50.0, 0.0)))
    assert ground.has_ground(np.array([75.0, 0.0, 32.0]), foot_mm) == stands


def test_side_feeder_joins_by_its_neck():
    side = FeederPlan(name="F1", kind="side", at_mm=(160.0, 50.0, -20.0), diameter_mm=60.0,
                      height_mm=70.0, neck_width_mm=30.0, neck_height_mm=24.0,
                      neck_to_mm=(100.0, 50.0, 0.0))  # fmt: skip
    rigging = built(feeders=(side,))
    feeder, neck = body(rigging, "F1"), body(rigging, "neck-F1")
    assert (feeder & BLOCK).is_empty
    agree((neck & BLOCK).volume_mm3, 30.0 * 24.0 * OVERLAP_MM, rel=1e-2, why="float32 rays")
    assert (neck & feeder).slice_at(0.0).bounds[1] == pytest.approx(35.0)  # its whole width
    assert [b.role for b in rigging.bodies] == [Role.FEEDER, Role.NECK]


def test_a_wide_neck_does_not_come_out_behind_a_round_wall():
    """80 mm wide on a ring 60 mm in radius, 8 mm thick: its sides meet 15 mm behind its middle."""
    ring = Solid.cone(60.0, 60.0, 40.0, 128) - Solid.cone(52.0, 52.0, 60.0, 128).moved((0, 0, -10))
    side = FeederPlan(name="F1", kind="side", at_mm=(125.0, 0.0, 10.0), diameter_mm=90.0,
                      height_mm=70.0, neck_width_mm=80.0, neck_height_mm=16.0,
                      neck_to_mm=(60.0, 0.0, 20.0))  # fmt: skip
    neck = body(built(ring, feeders=(side,)), "neck-F1")
    bore = Solid.cone(51.9, 51.9, 60.0, 128).moved((0.0, 0.0, -10.0))
    assert (neck & bore).volume_mm3 < 1.0
    assert len((neck - ring).parts()) == 1


def test_necked_down_top_feeder():
    necked = replace(TOP, at_mm=(50.0, 50.0, 30.0), neck_width_mm=20.0, neck_height_mm=10.0,
                     neck_to_mm=(50.0, 50.0, 20.0))  # fmt: skip
    rigging = built(feeders=(necked,))
    assert (body(rigging, "F1") & BLOCK).is_empty
    layer = math.pi * ((10.0 + OVERLAP_MM) ** 3 - 10.0**3) / 3.0  # widens 1 mm a millimetre
    agree((body(rigging, "neck-F1") & BLOCK).volume_mm3, layer, rel=1e-2, why="64 facets")


def test_vent_runs_from_the_casting_to_the_top():
    vent = body(built(vents=(VentPlan(name="vent-1", at_mm=(20.0, 20.0, 20.0), diameter_mm=8.0),)),
                "vent-1")  # fmt: skip
    np.testing.assert_allclose(vent.bounds[:, 2], [20.0 - OVERLAP_MM, 250.0], atol=1e-3)


def test_chill_is_ground_to_the_edge_of_the_metal_it_stands_out_of_by_little():
    """0.4 mm of a 40 mm chill stand out of a plate: none is left there; of 5 mm, all."""
    plate = Solid.box((-50.0, -50.0, 0.0), (20.0, 50.0, 15.0))
    for out, wide in ((0.4, 39.6), (5.0, 40.0)):
        plan = ChillPlan(name="C1", at_mm=(out, 0.0, -5.0), size_mm=(40.0, 40.0, 12.0))
        (chill,) = built(plate, chills=(plan,)).inserts
        agree(float(chill.solid.size_mm[0]), wide, rel=1e-6, why="exact boxes")


def test_chill_under_a_slope_is_led_on_to_it_and_goes_straight_down():
    """Under the flank of a pipe: no sand between them, none in its way, nothing in the bore."""
    outer = Solid.cone(50, 50, 200).turned((0, 90, 0)).moved((-100, 0, 0))
    bore = Solid.cone(40, 40, 200).turned((0, 90, 0)).moved((-100, 0, 0))
    chill = ChillPlan(name="C1", at_mm=(0.0, 22.0, -53.0), size_mm=(30.0, 30.0, 16.0))
    (insert,) = built(outer - bore, chills=(chill,)).inserts
    assert len(insert.solid.parts()) == 1
    assert (insert.solid & outer).volume_mm3 < 1.0
    drag = Solid.box((-100, -100, -100), (100, 100, 0)) - outer - insert.solid
    for up in (0.5, 3.0, 10.0, 25.0, 60.0):
        assert (insert.solid.moved((0, 0, up)) & drag).volume_mm3 < 1.0


def test_chill_takes_the_shape_of_the_casting():
    round_one = Solid.cone(50.0, 50.0, 60.0, 128).moved((50.0, 50.0, -30.0))
    chill = ChillPlan(name="C1", at_mm=(105.0, 50.0, 0.0), size_mm=(30.0, 40.0, 20.0))
    (insert,) = built(round_one, chills=(chill,)).inserts
    assert insert.material == "iron"
    assert (insert.solid & round_one).volume_mm3 < 1e-6
    assert insert.solid.volume_mm3 < 30.0 * 40.0 * 20.0
    assert insert.solid.gap_mm(round_one, 1.0) < 1e-6


def test_sleeve_lines_the_feeder_without_touching_metal():
    sleeved = replace(TOP, sleeve="insulating", sleeve_mm=10.0)
    rigging = built(feeders=(sleeved,))
    (insert,) = rigging.inserts
    assert insert.name == "sleeve-F1"
    metal = Solid.union(one.solid for one in rigging.metal)
    assert (insert.solid & metal).volume_mm3 < 1e-6
    agree(insert.solid.slice_at(40.0).area, math.pi * (900.0 - 400.0), rel=1e-2, why="64 facets")


# ---- the whole -----------------------------------------------------------------------------


def test_copies_are_placed_and_named():
    places = (Placement(name="casting-1"), Placement(name="casting-2", move_mm=(300.0, 0.0, 0.0),
                                                     turn_deg=180.0))  # fmt: skip
    first, second = built(placements=places).castings
    assert (first.name, second.name) == ("casting-1", "casting-2")
    np.testing.assert_allclose(second.solid.bounds, [[200.0, -100.0, -20.0], [300.0, 0.0, 20.0]])


def test_rigging_of_the_model_comes_along_with_every_copy():
    own = Body(name="sprue", role=Role.SPRUE,
               solid=Solid.box((40.0, 40.0, 19.0), (60.0, 60.0, 90.0)))  # fmt: skip
    places = tuple(Placement(name=f"casting-{k}", move_mm=(200.0 * k, 0.0, 0.0)) for k in (1, 2))
    names = [b.name for b in built(extra=(own,), placements=places).bodies]
    assert names == ["sprue@casting-1", "sprue@casting-2"]


def test_unknown_target_lists_what_is_known():
    with pytest.raises(StageError, match=r"into 'F9'.*known: casting") as err:
        built(ingates=(replace(GATE, into="F9"),))
    assert err.value.code == "rigging/unknown-target"


def test_two_bodies_of_one_name_are_refused():
    with pytest.raises(StageError, match="two bodies are named 'ingate-1'") as err:
        built(ingates=(GATE, GATE))
    assert err.value.code == "rigging/same-name"


def test_body_buried_in_the_casting_is_refused():
    well = WellPlan(at_mm=(50.0, 50.0, -10.0), diameter_mm=20.0, depth_mm=15.0)
    with pytest.raises(StageError, match="well is buried in casting") as err:
        built(well=well)
    assert err.value.code == "rigging/body-buried"


def test_metal_is_one_body_with_parts_in_order():
    alloy = find(Alloy, "carbon-steel")
    rigging = built(ingates=(GATE,), feeders=(TOP,))
    metal = join_metal(rigging, alloy)
    assert metal.parts == ("casting", "ingate-1", "F1")
    assert len(metal.solid.parts()) == 1
    agree(metal.mass_kg, metal.solid.volume_mm3 * 1e-9 * alloy.density_liquid_kg_m3, rel=1e-12,
          why="volume by density")  # fmt: skip
    shrunk = BLOCK.volume_mm3 / (1.0 + alloy.shrink_pct / 100.0) ** 3
    agree(metal.casting_kg, shrunk * 1e-9 * alloy.density_kg_m3, rel=1e-12, why="cold casting")
    agree(metal.yield_pct, 100.0 * metal.casting_kg / metal.mass_kg, rel=1e-12, why="definition")


@pytest.mark.parametrize("y", [-3.0, -1.53, 0.0, 1.94, 8.87])
def test_a_column_beside_the_crest_of_a_barrel_is_open_into_it_with_its_whole_foot(y):
    barrel = revolved([68.3, 68.3], [-60.0, 60.0], (0.0, 0.0, 0.0)).turned((0.0, 90.0, 0.0))
    z = math.sqrt(68.3**2 - y**2)
    shaft = revolved([3.8, 3.8], [z, 200.0], (0.0, y, 0.0))
    column = Target("casting", barrel).set_down(shaft, np.array([0.0, y, z]), 7.6, what="vent-1")
    (patch,) = find_patches(barrel, column)
    agree(patch.area_mm2, math.pi * 3.8**2, rel=0.02, why="64 sides; the barrel's slope under it")
