"""Vents where air would be caught, and nowhere else."""

import math
from dataclasses import replace

import numpy as np
import pytest
from shapely.geometry import Point, box

from moldprep.geometry.solid import Solid
from moldprep.records import (
    Body,
    FeederPlan,
    IngatePlan,
    Parting,
    Pattern,
    Placement,
    PullChoice,
    RiggingPlan,
    Role,
)
from moldprep.rigging.gates.room import channel_prism
from moldprep.rigging.stream.flood import amid
from moldprep.rigging.vents.feeder_vents import vents_on_feeders
from moldprep.rigging.vents.vented import vented
from moldprep.rigging.vents.venting import LARGEST_MM, RESERVE, high_points, plan_vents
from tests.castings import job_for
from tests.gating_bench import ALLOY
from tests.helpers import agree

HERE = (Placement(name="casting"),)
PEAKS = (
    Solid.box((0, 0, 0), (120, 40, 16))
    + Solid.box((10, 10, 10), (40, 30, 60))
    + Solid.box((80, 10, 10), (110, 30, 46))
)
ROOF = (  # a hall whose ceiling is covered by a slab of the casting itself
    Solid.box((0, 0, 0), (100, 100, 10))
    + Solid.box((0, 0, 0), (20, 20, 60))
    + Solid.box((0, 0, 50), (100, 100, 60))
    + Solid.box((50, 50, 5), (70, 70, 30))
)


def pattern_of(solid):
    n = solid.n_triangles
    return Pattern(
        solid=solid, extra=(), shrink=np.ones(3), stock_mm3=0.0, draft_mm3=0.0,
        is_machined=np.zeros(n, bool), is_kept_clear=np.zeros(n, bool), draft=(), undercuts=(),
    )  # fmt: skip


def parting_of(solid):
    body = Body(name="casting", role=Role.CASTING, solid=solid)
    choice = PullChoice(pull=(0.0, 0.0, 1.0), z_mm=0.0, score=0.0, terms=())
    turn = np.hstack([np.eye(3), np.zeros((3, 1))])
    return Parting(
        bodies=(body,), turn=turn, z_mm=0.0, chosen=choice, runners_up=(), undercuts=(), reason=""
    )


def top_feeder(x, y, z, diameter=20.0, **more):
    return FeederPlan(
        name="F1", kind="top", at_mm=(x, y, z), diameter_mm=diameter, height_mm=40.0, **more
    )


def vents_of(solid, *feeders, placements=HERE, top=200.0, choke=0.0):
    vents, _, reasons = plan_vents(
        pattern_of(solid), parting_of(solid), feeders, placements, top, ALLOY, choke
    )
    return vents, reasons


def test_every_peak_gets_a_vent_amid_its_top():
    vents, reasons = vents_of(PEAKS)
    places = sorted(vent.at_mm for vent in vents)
    np.testing.assert_allclose(places, [(25, 20, 60), (95, 20, 46)], atol=4.0)
    np.testing.assert_allclose([z for *_, z in places], [60.0, 46.0], atol=1e-4)
    assert [reason.item for reason in reasons] == ["vent-1", "vent-2"]


def test_a_peak_under_a_feeder_needs_none():
    (vent,), _ = vents_of(PEAKS, top_feeder(25.0, 20.0, 60.0))
    assert vent.at_mm[0] > 80.0


def test_a_side_feeder_serves_no_peak():
    side = FeederPlan(
        name="F1", kind="side", at_mm=(-40.0, 20.0, 0.0), diameter_mm=30.0, height_mm=40.0,
        neck_width_mm=10.0, neck_height_mm=10.0, neck_to_mm=(0.0, 20.0, 8.0),
    )  # fmt: skip
    vents, _ = vents_of(PEAKS, side)
    assert len(vents) == 2


def test_a_flat_plate_without_a_feeder_gets_one():
    (vent,), _ = vents_of(Solid.box((0, 0, 0), (100, 60, 12)))
    np.testing.assert_allclose(vent.at_mm, (50.0, 30.0, 12.0), atol=2.0)


def test_a_flat_plate_under_a_feeder_gets_none():
    assert vents_of(Solid.box((0, 0, 0), (100, 60, 12)), top_feeder(20.0, 20.0, 12.0))[0] == ()


def test_a_vent_is_at_most_half_the_wall_below_but_can_be_cleaned():
    (thick,), _ = vents_of(Solid.box((0, 0, 0), (100, 60, 40)))
    (thin,), _ = vents_of(Solid.box((0, 0, 0), (100, 60, 7)))
    assert thick.diameter_mm == 8.0
    assert thin.diameter_mm == 5.0


def test_vents_are_widened_toward_the_choke():
    choke = 150.0
    vents, reasons = vents_of(PEAKS, choke=choke)
    total = sum(0.25 * math.pi * vent.diameter_mm**2 for vent in vents)
    agree(total, RESERVE * choke, rel=0.02, why="diameters in tenths of a millimetre")
    assert any("choke" in reason.why for reason in reasons)
    most, _ = vents_of(PEAKS, choke=1e6)
    assert max(vent.diameter_mm for vent in most) <= LARGEST_MM


def test_a_wide_plate_gets_as_many_vents_as_its_choke_asks_for():
    """Common practice: vents in total as large as the choke; half the wall each, at most."""
    choke = 300.0
    plate = Solid.box((0, 0, 0), (200, 160, 24))
    vents, _ = vents_of(plate, choke=choke)
    total = sum(0.25 * math.pi * vent.diameter_mm**2 for vent in vents)
    assert total >= choke
    assert max(vent.diameter_mm for vent in vents) <= LARGEST_MM
    places = np.array([vent.at_mm for vent in vents])
    np.testing.assert_allclose(places[:, 2], 24.0, atol=1e-3)
    apart = np.linalg.norm(places[:, None] - places, axis=2) + 1e9 * np.eye(len(places))
    assert apart.min() > 25.0


def test_more_vents_keep_out_of_what_stands_there():
    plate, basin = Solid.box((0, 0, 0), (200, 160, 24)), box(0.0, 0.0, 100.0, 160.0)
    vents, _, _ = plan_vents(pattern_of(plate), parting_of(plate), (), HERE, 200.0, ALLOY, 300.0,
                          (basin,))  # fmt: skip
    assert len(vents) > 1
    assert min(vent.at_mm[0] for vent in vents[1:]) >= 100.0


def test_copies_are_vented_where_they_sit():
    places = (
        Placement(name="casting-1", move_mm=(0.0, 0.0, 0.0)),
        Placement(name="casting-2", move_mm=(500.0, 0.0, 7.0), turn_deg=90.0),
    )
    vents, _ = vents_of(PEAKS, placements=places)
    assert [vent.into for vent in vents] == ["casting-1"] * 2 + ["casting-2"] * 2
    x, y, z = next(v.at_mm for v in vents if v.into == "casting-1" and v.at_mm[2] > 50.0)
    a, b, c = next(v.at_mm for v in vents if v.into == "casting-2" and v.at_mm[2] > 60.0)
    np.testing.assert_allclose((a, b, c), (500.0 - y, x, z + 7.0), atol=1e-6)


def test_two_peaks_close_together_get_vents_with_sand_between_them():
    """Fins 12 mm apart: each may have a vent of 6 mm, and both want to be wider for the choke."""
    fins = Solid.box((0, 0, 0), (60, 60, 20)) + Solid.union(
        Solid.box((x, 10, 19), (x + 8, 50, 60)) for x in (10, 24)
    )
    vents, _ = vents_of(fins, choke=400.0)
    for k, one in enumerate(vents):
        for other in vents[k + 1 :]:
            apart = math.dist(one.at_mm[:2], other.at_mm[:2])
            assert apart - 0.5 * (one.diameter_mm + other.diameter_mm) >= 5.9


def test_a_vent_moves_along_its_top_out_of_what_stands_there():
    plate = Solid.box((0, 0, 0), (200, 60, 20))
    kept = box(60.0, -20.0, 140.0, 80.0)
    vents, _, _ = plan_vents(
        pattern_of(plate), parting_of(plate), (), HERE, 200.0, ALLOY, 0.0, (kept,)
    )
    assert vents
    x, y, z = vents[0].at_mm
    assert x < 61.0 or x > 139.0
    assert 0.0 < y < 60.0
    agree(z, 20.0, rel=1e-3, why="on the plate's top")


def test_a_high_point_under_the_casting_itself_is_vented_through_the_core():
    vents, bores, reasons = plan_vents(
        pattern_of(ROOF), parting_of(ROOF), (top_feeder(10.0, 10.0, 60.0),), HERE, 200.0, ALLOY
    )
    assert vents == ()
    assert [bore.name for bore in bores] == ["core-vent-1"]
    assert len(reasons) == 1
    assert "core" in reasons[0].why
    (point,) = high_points(ROOF, ((10.0, 10.0, 60.0, 20.0),))
    assert not point.is_clear
    assert 0.8 < point.air_mm3 / (20.0 * 20.0 * 20.0) < 1.2  # a grid for finding, not measuring


def test_a_ball_is_vented_at_its_top():
    ball = Solid.sphere(40.0, 96).moved((10.0, -20.0, 40.0))
    (vent,), _ = vents_of(ball)
    np.testing.assert_allclose(vent.at_mm, (10.0, -20.0, 80.0), atol=2.0)


def test_a_feeder_whose_foot_lies_beside_the_casting_lets_nothing_out():
    ball = Solid.sphere(40.0, 96).moved((0.0, 0.0, 40.0))
    (vent,), _ = vents_of(ball, top_feeder(70.0, 0.0, 40.0))
    np.testing.assert_allclose(vent.at_mm, (0.0, 0.0, 80.0), atol=2.0)


def test_vents_for_the_choke_do_not_come_up_between_walls_that_leave_them_no_sand():
    slot = Solid.box((0, 0, 0), (200, 60, 62)) - Solid.box((93, -1, 50), (107, 61, 70))
    vents, _ = vents_of(slot, top_feeder(20, 30, 62), choke=600.0)
    assert len(vents) > 2
    assert all(abs(vent.at_mm[2] - 62.0) < 0.01 for vent in vents)


FINS = Solid.union(
    [Solid.box((0, 0, 0), (90, 60, 12))]
    + [Solid.box((x, 0, 10), (x + 3, 60, 50)) for x in (20.0, 30.0, 40.0, 70.0)]
)


def test_every_thin_fin_is_vented_amid_its_width_and_no_wider_than_it():
    vents, _ = vents_of(FINS)
    assert sorted(round(vent.at_mm[0], 1) for vent in vents) == [21.5, 31.5, 41.5, 71.5]
    assert all(abs(vent.at_mm[2] - 50.0) < 0.01 for vent in vents)
    assert {vent.diameter_mm for vent in vents} == {3.0}


def test_amid_a_strip_one_cell_wide_is_on_the_strip():
    strip = np.zeros((9, 30), bool)
    strip[2, 3:10] = True
    assert amid(strip) == (2, 6)


def plan_with(*feeders, choke=300.0):
    return RiggingPlan(
        placements=HERE, pour_time_s=10.0, choke_mm2=choke, ratio=(1.0, 1.0, 1.0), top_mm=220.0,
        basin=None, sprue=None, well=None, runners=(), ingates=(), filters=(), feeders=feeders,
        chills=(), vents=(), reasons=(),
    )  # fmt: skip


def blind(name, x, diameter=80.0, **more):
    return FeederPlan(
        name=name, kind="top", at_mm=(x, 0.0, 40.0), diameter_mm=diameter, height_mm=100.0, **more
    )


SLAB = Solid.box((-200, -60, 0), (200, 60, 40))


def test_blind_feeders_carry_vents_until_they_match_the_choke():
    feeders = (blind("F1", -100.0), blind("F2", 100.0, 90.0))
    vents = vents_on_feeders(plan_with(*feeders), pattern_of(SLAB), 300.0)
    assert [vent.into for vent in vents] == ["F2", "F1"]
    total = sum(0.25 * math.pi * vent.diameter_mm**2 for vent in vents)
    agree(total, 300.0, rel=0.02, why="diameters in tenths of a millimetre")
    for vent, feeder in zip(vents, feeders[::-1], strict=True):
        off = math.dist(vent.at_mm[:2], feeder.at_mm[:2])
        assert 0.2 * feeder.diameter_mm / 2 < off - vent.diameter_mm / 2  # beside the air core
        assert off + vent.diameter_mm / 2 < feeder.diameter_mm / 2


def test_an_open_feeder_and_one_that_breathes_enough_carry_none():
    feeders = (blind("F1", -100.0, is_open=True), blind("F2", 100.0, 39.0))
    assert vents_on_feeders(plan_with(*feeders), pattern_of(SLAB), 0.0) == []


def test_every_large_blind_feeder_is_vented_whatever_the_choke():
    feeders = (blind("F1", -100.0), blind("F2", 100.0, 41.0))
    vents = vents_on_feeders(plan_with(*feeders), pattern_of(SLAB), 0.0)
    assert [(vent.into, vent.diameter_mm) for vent in vents] == [("F1", 5.0), ("F2", 5.0)]


def test_each_copy_gets_a_vent_where_its_air_would_not_pass_an_air_core():
    feeders = (blind("F1", -100.0, 39.0, into="A"), blind("F2", 100.0, 39.0, into="B"))
    vents = vents_on_feeders(plan_with(*feeders), pattern_of(SLAB), 20.0)
    assert [vent.into for vent in vents] == ["F1", "F2"]


def test_a_blind_feeder_without_an_air_core_is_vented_in_any_case():
    feeder = blind("F1", 0.0, has_air_core=False)
    (vent,) = vents_on_feeders(plan_with(feeder), pattern_of(SLAB), 0.0)
    assert vent.into == "F1"


def test_no_vent_comes_up_from_a_feeder_under_the_casting():
    shelf = SLAB + Solid.box((-200, -60, 150), (200, 60, 170))
    assert vents_on_feeders(plan_with(blind("F1", 0.0)), pattern_of(shelf), 300.0) == []


@pytest.mark.parametrize(("low_mm", "is_near"), [(1.0, True), (-30.0, False)])
def test_vents_keep_their_sand_from_gates_close_under_the_top(low_mm, is_near):
    """A plate with a gate under its rim, and a block with one far down."""
    plate = Solid.box((0, 0, min(0.0, low_mm - 10.0)), (120, 40, 10))
    gate = IngatePlan(
        name="ingate-1", path_mm=((60.0, 80.0, low_mm), (60.0, 22.0, low_mm)), width_mm=60.0,
        height_mm=8.0,
    )  # fmt: skip
    plan = replace(plan_with(), ingates=(gate,))
    made = vented(plan, pattern_of(plate), parting_of(plate), job_for(alloy=ALLOY.id), ALLOY)
    outline, _, _ = channel_prism(gate)
    gaps = [outline.distance(Point(vent.at_mm[:2])) - 0.5 * vent.diameter_mm
            for vent in made.vents]  # fmt: skip
    assert gaps
    assert (min(gaps) >= 5.0) is is_near
