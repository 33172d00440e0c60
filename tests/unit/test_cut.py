"""cut_mold: the block, its halves, what fills it, what floats."""

from itertools import combinations

import numpy as np
import pytest
from shapely.geometry import box

from moldprep.errors import StageError
from moldprep.geometry.rays import Rays
from moldprep.geometry.solid import Solid
from moldprep.mold.assembly import find_order
from moldprep.records import Role
from tests.helpers import agree
from tests.molds import mold_of, plan_of, sprue

BOX = Solid.box((-60, -40, -30), (60, 40, 30))
QUIET = {"marks": False, "lifting": "none"}
EXACT = "float64 booleans"


def assert_sound(mold):
    """Block = metal + inserts + pieces + clearances; nothing overlaps; every piece one body."""
    bodies = [(p.name, p.solid) for p in mold.pieces] + list(mold.clearances)
    total = mold.metal.volume_mm3 + mold.inserts_mm3 + sum(b.volume_mm3 for _, b in bodies)
    agree(total, mold.block.volume_mm3, rel=1e-6, why="promised balance")
    for (a, body_a), (b, body_b) in combinations([("metal", mold.metal), *bodies], 2):
        shared = (body_a & body_b).volume_mm3
        assert shared < 1e-6 * mold.block.volume_mm3, (a, b, shared)
    for piece in mold.pieces:
        assert len(piece.solid.parts()) == 1, piece.name


def test_box_in_a_block_with_walls_of_the_job():
    mold = mold_of(BOX, mold={"wall_mm": 30.0, "top_mm": 25.0, "bottom_mm": 20.0})
    np.testing.assert_allclose(mold.block.bounds, [[-90, -70, -50], [90, 70, 55]])
    assert [piece.name for piece in mold.pieces] == ["drag", "cope"]
    assert_sound(mold)


def test_halves_meet_exactly_at_the_parting():
    mold = mold_of(BOX, z_mm=7.0, mold={"locators": False})
    drag, cope = mold.pieces
    assert drag.solid.bounds[1, 2] == 7.0
    assert cope.solid.bounds[0, 2] == 7.0


def test_sprue_breaks_out_of_the_cope():
    mold = mold_of(BOX, sprue(0, 0, 20, 140), plan=plan_of(top_mm=140.0))
    assert mold.block.bounds[1, 2] == 140.0
    (hole,) = mold.pieces[-1].solid.slice_at(139.0).geoms
    assert len(hole.interiors) == 1
    assert_sound(mold)


@pytest.mark.parametrize("cheeks_mm", [(), (60.0,)])
def test_the_sand_of_a_bore_that_is_closed_on_top_stands_on_the_drag(cheeks_mm):
    """A hub with a feeder over its bore, parted half way up: the sand in it is in one piece."""
    hub = Solid.cone(45.0, 45.0, 80.0) - Solid.cone(22.0, 22.0, 82.0).moved((0.0, 0.0, -1.0))
    feeder = ("F1", Role.FEEDER, Solid.cone(42.0, 42.0, 90.0).moved((0.0, 0.0, 79.9)))
    mold = mold_of(hub, feeder, z_mm=40.0, cheeks_mm=cheeks_mm, plan=plan_of(top_mm=220.0))
    drag = mold.pieces[0]
    assert drag.name == "drag"
    peg = Solid.cone(21.0, 21.0, 79.0)
    agree((drag.solid & peg).volume_mm3, peg.volume_mm3, rel=1e-6, why=EXACT)
    assert {piece.name for piece in mold.pieces} <= {"drag", "cheek", "cheek-1", "cope"}
    assert_sound(mold)


@pytest.mark.parametrize("low", [-61.7, -60.1, -59.3, -60.0])
def test_no_skin_of_rounding_closes_an_open_body(low):
    """The block's top is its floor plus its height, which need not add up to the last bit."""
    mold = mold_of(BOX, sprue(40, 0, low / 3.0, 250.1), mold={"bottom_mm": -low})
    cope = Rays.of(mold.pieces[-1].solid)
    hits = cope.crossings(np.array([[40.0, 0.3, 400.0]]), np.array([0.0, 0.0, -1.0]))
    assert len(hits.ray) == 0
    assert_sound(mold)


def test_open_body_that_ends_low_gets_a_mouth():
    mold = mold_of(BOX, sprue(0, 0, 20, 100), plan=plan_of(top_mm=140.0))
    (mouth,) = [body for name, body in mold.clearances if name == "sprue mouth"]
    agree(mouth.bounds[1, 2], 140.0, rel=1e-12, why=EXACT)
    assert_sound(mold)


def test_closed_feeder_stays_covered():
    feeder = ("F1", Role.FEEDER, Solid.cone(20, 20, 80).moved((30, 0, 25)))
    mold = mold_of(BOX, feeder, plan=plan_of(top_mm=90.0), mold={"top_mm": 40.0})
    assert mold.block.bounds[1, 2] == 105.0 + 40.0


def test_chill_is_neither_sand_nor_metal():
    chill = ("chill-1", Solid.box((-20, 35, -10), (20, 60, 10)))
    mold = mold_of(BOX, inserts=[chill])
    agree(mold.inserts_mm3, 40.0 * 20.0 * 20.0, rel=1e-9, why=EXACT)
    assert_sound(mold)


def test_sand_inside_a_bell_stands_on_the_drag():
    bell = BOX - Solid.box((-50, -30, -30), (50, 30, 20))
    mold = mold_of(bell, z_mm=-30.0, mold={"locators": False})
    drag, _ = mold.pieces
    assert drag.solid.bounds[1, 2] == 20.0
    assert_sound(mold)


def test_void_without_an_opening_names_the_floating_body():
    hollow = BOX - Solid.sphere(20)
    with pytest.raises(StageError) as caught:
        mold_of(hollow)
    assert caught.value.code == "mold/floating-sand"
    assert "(0.0, 0.0, 0.0)" in caught.value.where  # the middle of the whole void
    assert f"{Solid.sphere(20).volume_mm3:.0f} mm³" in str(caught.value)
    assert "chaplets" in caught.value.fix


def test_locators_close_one_way_only():
    mold = mold_of(BOX)
    drag, cope = (piece.solid for piece in mold.pieces)
    middle = 0.5 * (mold.block.bounds[0] + mold.block.bounds[1])
    for turn in (180.0,):
        turned = cope.moved(-middle).turned((0, 0, turn)).moved(middle)
        assert (turned & drag).volume_mm3 > 100.0
    assert (cope & drag).volume_mm3 < 1e-6
    for up in (2.0, 10.0, 40.0):
        assert (cope.moved((0, 0, up)) & drag).volume_mm3 < 1e-6


def test_parting_outside_the_block_is_refused():
    with pytest.raises(StageError) as caught:
        mold_of(BOX, z_mm=500.0)
    assert caught.value.code == "mold/parting-outside-block"


def test_cheek_between_two_partings():
    mold = mold_of(BOX, z_mm=-10.0, cheeks_mm=[15.0])
    assert [piece.name for piece in mold.pieces] == ["drag", "cheek-1", "cope"]
    assert_sound(mold)


@pytest.mark.parametrize("turn", [0.0, 14.0])
def test_bore_that_breaks_into_a_pocket_is_cut_off_from_it(turn):
    """Its slot ends inside the bore: past both ends the core has sand of a half beside it."""
    bore = Solid.cone(3, 3, 80, 48).turned((0, 90, 0)).moved((-40, 14, 5))
    pocket = Solid.box((-14, -12, -40), (2, 12, 10))
    body = Solid.box((-20, -20, -20), (20, 20, 20)) - pocket - bore
    mold = mold_of(body.turned((0, 0, turn)), z_mm=5.0)
    assert [piece.role for piece in mold.pieces] == ["drag", "core", "cope"]
    assert_sound(mold)


@pytest.mark.parametrize("form", ["block", "contour"])
def test_a_skin_under_a_channel_is_left_out(form):
    """A gate whose floor was rounded 0.002 mm above the joint leaves no film in the cope."""
    gate = Solid.box((59, -15, 0.002), (90, 15, 12))
    mold = mold_of(BOX, ("ingate", Role.INGATE, gate), mold={"form": form})
    assert_sound(mold)
    skins = dict(mold.clearances)["skins too thin to print"]
    agree(skins.volume_mm3, 30.0 * 30.0 * 0.002, rel=1e-6, why=EXACT)
    cope = mold.pieces[-1].solid
    assert cope.slice_at(0.001).intersection(box(61, -14, 89, 14)).area < 1e-9


def test_a_slanted_wall_keeps_its_feather_edge():
    low = [(x, y, 0.0) for x in (-60, 60) for y in (-40, 40)]
    high = [(x, y, 30.0) for x in (-60, 90) for y in (-40, 40)]
    wedge = Solid.hull_of(np.array(low + high))
    mold = mold_of(wedge + Solid.box((-60, -40, -30), (60, 40, 0)))
    assert "skins too thin to print" not in dict(mold.clearances)


def test_a_contoured_mold_tells_the_sand_it_saves():
    mold = mold_of(BOX, mold={"form": "contour"})
    (note,) = [n for n in mold.notes if "contoured" in n]
    saved = float(np.prod(mold.block.size_mm)) - mold.block.volume_mm3
    assert f"{saved / 1e6:.1f} L" in note
    assert saved > 0.0
    assert not any("contoured" in n for n in mold_of(BOX).notes)


def steps_of(mold):
    return {step.piece: step.hits for step in find_order(mold.pieces)}


def test_sand_over_a_core_in_the_drag_hangs_on_the_cope():
    """A boss with a bore, well below the parting: the core must come past the sand over it."""
    level = (0.0, 90.0, 0.0)
    boss = Solid.cone(22, 22, 60, 96).turned(level).moved((60, 0, -45))
    bore = Solid.cone(12, 12, 120, 96).turned(level).moved((20, 0, -45))
    room = Solid.cone(50, 50, 120, 128).moved((0, 0, -60))
    well = Solid.cone(64, 64, 160, 128).moved((0, 0, -80))
    top = Solid.cone(30, 30, 60, 96).moved((0, 0, 40))
    mold = mold_of(well + boss - room - bore - top, z_mm=0.0, mold={"marks": False})
    assert steps_of(mold) == {"core-1": (), "cope": ()}
    cope = mold.pieces[-1].solid
    assert -32.0 < cope.bounds[0, 2] < -23.0  # down on the boss, from the side of the core on
    assert any("the joint steps there" in note for note in mold.notes)
    assert_sound(mold)


def test_sand_under_a_core_in_the_cope_stands_on_the_drag():
    """The same upside down, with a print that reaches down to the joint."""
    level = (0.0, 90.0, 0.0)
    boss = Solid.cone(22, 22, 60, 96).turned(level).moved((60, 0, 45))
    bore = Solid.cone(12, 12, 120, 96).turned(level).moved((20, 0, 45))
    room = Solid.cone(50, 50, 120, 128).moved((0, 0, -60))
    well = Solid.cone(64, 64, 160, 128).moved((0, 0, -80))
    foot = Solid.cone(30, 30, 60, 96).moved((0, 0, -100))
    mold = mold_of(well + boss - room - bore - foot, z_mm=0.0, mold={"marks": False})
    assert steps_of(mold) == {"core-1": (), "cope": ()}
    assert any("under a core" in note for note in mold.notes)
    assert_sound(mold)


def test_sand_in_a_housing_does_not_hang_on_the_cope_by_an_oil_port():
    """Open below and at a half bore, so no plane makes a core of it; an 18 mm port leads up."""
    box_ = Solid.box((-100, -70, -60), (100, 70, 60)) - Solid.box((-90, -60, -61), (90, 60, 50))
    half_bore = Solid.cone(40, 40, 400, 96).turned((0, 90, 0)).moved((-200, 0, -60))
    boss = Solid.cone(18, 18, 35, 96).turned((90, 0, 0)).moved((0, -55, 30))
    port = Solid.cone(9, 9, 60, 96).turned((90, 0, 0)).moved((0, -40, 30))
    mold = mold_of(box_ + boss - half_bore - port, z_mm=0.0, mold=QUIET)
    drag = mold.pieces[0]
    inside = Solid.box((-90, -60, 0), (90, 60, 50))
    assert (drag.solid & inside).volume_mm3 > 0.95 * inside.volume_mm3 - 18.0**2 * np.pi * 15.0
    assert steps_of(mold) == {"cope": ()}
    assert_sound(mold)


@pytest.mark.parametrize("form", ["block", "contour"])
def test_a_pipe_with_ends_at_two_heights_goes_together(form):
    """Its one end dips below the joint, the other rises over it: sand steps both ways."""

    def pipe(radius, over):
        low = Solid.cone(radius, radius, 100 + over, 96).turned((0, 90, 0))
        ends = [low.moved((-150 - over, 0, -30)), low.moved((50, 0, 30))]
        bend = [Solid.sphere(radius, 96).moved((x, 0, z)) for x, z in ((-50, -30), (50, 30))]
        return Solid.union([*ends, (bend[0] + bend[1]).hull()])

    mold = mold_of(pipe(30, 0) - pipe(22, 20), mold={**QUIET, "form": form})
    assert steps_of(mold) == {"core-1": (), "cope": ()}
    ways = [note for note in mold.notes if "the joint steps there" in note]
    assert any("over a core" in note for note in ways)
    assert any("under a core" in note for note in ways)
    assert_sound(mold)
