"""How a casting lies, where the mold opens, and what the pull leaves over."""

import numpy as np
import pytest

from moldprep.errors import JobError
from moldprep.geometry.solid import Solid
from moldprep.parting import find_parting, turn_upright
from moldprep.records import Body, Role
from moldprep.records.job import FaceSelector, PartingKeys, PatternKeys, StockKeys
from tests.castings import cast, job_for, parted
from tests.helpers import agree

BOX = Solid.box((10, 20, 30), (110, 80, 70))
CUP = Solid.cone(50, 50, 80, 64) - Solid.cone(40, 40, 80, 64).moved((0, 0, 10))


@pytest.mark.parametrize(
    "pull", [(0, 0, 1), (0, 0, -1), (1, 0, 0), (0, -1, 0), (0.6, 0.0, 0.8), (1e-9, 0, -1)]
)
def test_turn_brings_the_pull_up_and_keeps_lengths(pull):
    pull = np.array(pull) / np.linalg.norm(pull)
    turn = turn_upright(pull)
    np.testing.assert_allclose(turn[:, :3] @ pull, (0, 0, 1), atol=1e-8)
    np.testing.assert_allclose(turn[:, :3] @ turn[:, :3].T, np.eye(3), atol=1e-12)
    agree(np.linalg.det(turn[:, :3]), 1.0, rel=1e-12, why="a turn, no mirror")


def test_turn_is_the_smallest_one():
    """A turn by t has the trace 1 + 2 cos t; the smallest t is the angle to the pull."""
    pull = np.array([0.48, 0.6, 0.64])
    agree(np.trace(turn_upright(pull)[:, :3]), 1.0 + 2.0 * 0.64, rel=1e-12, why="closed form")


def test_the_job_is_obeyed():
    parting = parted(BOX, pull=(0, 1, 0), z_mm=25.0)
    assert parting.chosen.pull == (0.0, 1.0, 0.0)
    agree(parting.z_mm, 45.0, rel=1e-12, why="25 mm above y = 20, the model's origin kept")
    assert parting.runners_up == ()
    assert "as the job says" in parting.reason
    agree(np.sort(parting.casting.size_mm), (40.0, 60.0, 100.0), rel=1e-9, why="only turned")


def test_a_plate_lies_flat_and_opens_half_way_up():
    parting = parted(BOX)
    assert parting.chosen.pull == (0.0, 0.0, 1.0)
    agree(parting.z_mm, 50.0, rel=1e-9, why="shallowest draw")
    assert parting.undercuts == ()
    assert len({choice.pull for choice in parting.runners_up}) > 3


def test_a_tilted_plate_is_turned_flat():
    parting = parted(BOX.turned((20, 30, 10)))
    agree(np.sort(parting.casting.size_mm)[0], 40.0, rel=1e-6, why="its faces give the direction")
    assert parting.undercuts == ()


@pytest.mark.parametrize("segments", [24, 64, 257])
def test_a_ball_opens_at_its_equator_without_undercuts(segments):
    parting = parted(Solid.sphere(50, segments))
    assert abs(parting.z_mm) < 2.0
    assert parting.undercuts == ()


def test_terms_add_up_and_the_best_comes_first():
    parting = parted(CUP)
    for choice in (parting.chosen, *parting.runners_up):
        agree(sum(value for _, value in choice.terms), choice.score, rel=1e-12, why="a sum")
    scores = [choice.score for choice in (parting.chosen, *parting.runners_up)]
    assert scores == sorted(scores)


def test_a_cup_opens_at_its_floor():
    parting = parted(CUP)
    assert parting.chosen.pull[2] in (1.0, -1.0)
    assert parting.undercuts == ()


def test_a_machined_face_goes_down():
    cone = Solid.cone(50, 50, 30, 64) + Solid.cone(20, 20, 60, 64)
    stock = (StockKeys(faces=FaceSelector(toward=(0, 0, 1), plane_at=(0, 0, 60)), mm=2.0),)
    plain = parted(cone, pattern=PatternKeys())
    machined = parted(cone, pattern=PatternKeys(stock=stock))
    assert plain.chosen.pull == (0.0, 0.0, 1.0)
    assert machined.chosen.pull == (0.0, 0.0, -1.0)


def test_a_cross_hole_is_an_undercut_with_its_area_and_place():
    """A 20 mm hole through an 80 mm block, across the pull: all of its wall, half in each half."""
    block = Solid.box((-40, -40, 0), (40, 40, 60))
    hole = Solid.cone(10, 10, 80, 128).turned((90, 0, 0)).moved((0, 40, 30))
    parting = parted(block - hole, pull=(0, 0, 1), z_mm=30.0)
    assert {one.side for one in parting.undercuts} == {"cope", "drag"}
    for one in parting.undercuts:
        agree(one.area_mm2, np.pi * 10.0 * 80.0, rel=0.03, why="grain-wide slack at the parting")
        agree(np.hypot(one.at_mm[0], one.at_mm[2] - 30.0), 10.0, rel=1e-2, why="on the wall")


def test_a_groove_round_a_rim_is_an_undercut():
    ring = Solid.cone(60, 60, 40, 96)
    groove = Solid.cone(60.5, 50, 10, 96).moved((0, 0, 20)) + Solid.cone(50, 60.5, 10, 96).moved(
        (0, 0, 10)
    )
    rim = ring - (groove - Solid.cone(50, 50, 40, 96))
    parting = parted(rim, pull=(0, 0, 1), z_mm=20.0)
    assert sorted(one.side for one in parting.undercuts) == [
        "cope",
        "drag",
    ]  # as large as each other


@pytest.mark.parametrize("z_mm", [-1.0, 41.0])
def test_a_parting_outside_the_casting_is_refused(z_mm):
    with pytest.raises(JobError) as caught:
        parted(BOX, pull=(0, 0, 1), z_mm=z_mm)
    assert caught.value.code == "job/parting-outside"
    assert "40.000 mm high" in str(caught.value)


def test_a_pull_without_direction_is_refused():
    with pytest.raises(JobError) as caught:
        parted(BOX, pull=(0, 0, 0))
    assert caught.value.code == "job/bad-value"


def test_rigging_in_the_model_is_turned_too():
    sprue = Body(
        name="sprue", role=Role.SPRUE, solid=Solid.box((200, 0, 0), (210, 10, 50)),
        path_mm=np.array([[205.0, 5.0, 50.0], [205.0, 5.0, 0.0]]),
    )  # fmt: skip
    casting = cast(BOX, extra=(sprue,))
    parting = find_parting(casting, job_for(parting=PartingKeys(pull=(1, 0, 0))))
    (turned,) = (body for body in parting.bodies if body.role is Role.SPRUE)
    np.testing.assert_allclose(turned.solid.bounds[:, 2], (200, 210), atol=1e-9)
    np.testing.assert_allclose(turned.path_mm[:, 2], 205.0, atol=1e-9)


def test_the_same_casting_gives_the_same_parting():
    one, two = parted(CUP), parted(CUP)
    assert (one.chosen, one.runners_up, one.undercuts) == (
        two.chosen,
        two.runners_up,
        two.undercuts,
    )


def test_a_bell_opens_at_its_rim():
    """The sand inside a bell goes with the drag: no undercut with the mold opened at the rim."""
    bell = Solid.box((0, 0, 0), (200, 150, 10)) + Solid.box((20, 20, 0), (180, 130, 60))
    bell = bell - Solid.box((28, 28, -1), (172, 122, 52))
    parting = find_parting(cast(bell), job_for())
    assert parting.undercuts == ()
    assert abs(parting.chosen.pull[2]) == 1.0
    tunnel = bell - Solid.box((90, -1, 20), (110, 151, 40))
    (first, *_) = find_parting(
        cast(tunnel), job_for(parting={"pull": [0, 0, 1], "z_mm": 0})
    ).undercuts
    assert first.side == "cope"


def test_cheeks_part_at_heights_above_the_lowest_point_as_the_parting_does():
    job = job_for(parting={"pull": [0, 0, 1], "z_mm": 40.0}, mold={"cheeks_at_mm": [10.0, 60.0]})
    low = float(BOX.bounds[0, 2])
    assert find_parting(cast(BOX), job).joints_mm == pytest.approx((low + 10, low + 40, low + 60))
