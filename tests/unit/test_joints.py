"""The groove for a rope round the cavity: where it lies, when it is cut, what it is worth."""

import pytest
from shapely.geometry import Polygon
from shapely.ops import unary_union

from moldprep.geometry.solid import Solid
from moldprep.mold.joints import is_sealed
from tests.helpers import agree
from tests.molds import mold_of, sprue
from tests.unit.test_cores import BORED
from tests.unit.test_cut import BOX, assert_sound

WALL = {"wall_mm": 45.0, "marks": False}
TALL = sprue(55, 0, -5, 260)


def grooves(mold):
    return [body for name, body in mold.clearances if name.startswith("seal groove")]


def test_groove_goes_all_round_metal_and_prints():
    mold = mold_of(BORED, TALL, mold={**WALL, "seal": "groove"})
    (groove,) = grooves(mold)
    (ring,) = groove.slice_at(-0.1).geoms
    (hole,) = ring.interiors
    inside = Polygon(hole)
    for body in (mold.metal, *(seat for _, seat in mold.prints)):
        assert inside.contains(body.slice_at(-0.1))
    # 26 mm behind a print leave room for 8 mm of sand and a groove of 8 x 4.8 mm
    hollow = unary_union(
        [body.slice_at(-0.1) for body in (mold.metal, *dict(mold.prints).values())]
    )
    agree(inside.exterior.distance(hollow), 8.0, rel=0.02, why="outlines simplified to 0.1 mm")
    assert ring.buffer(-3.8).area > 0.0
    assert ring.buffer(-4.1).is_empty
    agree(groove.size_mm[2], 4.8, rel=1e-9, why="0.6 of its width")
    assert is_sealed(mold.metal, mold.clearances, mold.z_mm)
    assert_sound(mold)


def test_groove_is_cut_where_the_head_asks_for_it():
    """2 x 1.5 N/m x cos 40° / (7000 g 0.3 mm) = 112 mm of steel."""
    low, high = (sprue(55, 0, -5, top) for top in (100, 125))
    assert not grooves(mold_of(BOX, low, mold=WALL))
    assert len(grooves(mold_of(BOX, high, mold=WALL))) == 1
    assert not grooves(mold_of(BOX, high, mold={**WALL, "seal": "none"}))


def test_without_room_the_groove_is_left_out_and_said():
    mold = mold_of(BOX, mold={"wall_mm": 15.0, "seal": "groove"})
    assert not grooves(mold)
    assert any("no room for a seal groove" in note for note in mold.notes)
    assert not is_sealed(mold.metal, mold.clearances, mold.z_mm)


@pytest.mark.parametrize("form", ["block", "contour"])
def test_each_joint_of_a_mold_with_a_cheek_gets_its_own(form):
    keys = {"seal": "groove", "form": form}
    mold = mold_of(BOX, TALL, mold={**WALL, **keys}, cheeks_mm=[12.0])
    assert sorted(round(float(body.bounds[1, 2]), 3) for body in grooves(mold)) == [0.0, 12.0]
    assert_sound(mold)


def test_an_open_groove_does_not_seal():
    metal = Solid.box((-10, -10, -10), (10, 10, 10))
    ring = Solid.box((-30, -30, -5), (30, 30, 0)) - Solid.box((-25, -25, -6), (25, 25, 1))
    assert is_sealed(metal, [("seal groove in drag", ring)], 0.0)
    broken = ring - Solid.box((20, -2, -6), (31, 2, 1))
    assert not is_sealed(metal, [("seal groove in drag", broken)], 0.0)
    beside = ring.moved((100.0, 0.0, 0.0))
    assert not is_sealed(metal, [("seal groove in drag", beside)], 0.0)
