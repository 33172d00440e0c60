"""Chills and sleeves in the mold stage: play round them, plugs over them, what they press on."""

import numpy as np
import pytest
from shapely.geometry import Point

from moldprep.geometry.solid import Solid
from moldprep.jobfile import make_job
from moldprep.mold.assembly import find_order
from moldprep.mold.handling import measure_pieces
from moldprep.mold.inserts import insert_facts
from moldprep.records import Role, Rules
from moldprep.units import G_M_S2
from tests.helpers import agree
from tests.molds import SILICA, STEEL, metal_of, mold_of, rigging_of

PLATE = Solid.box((-100, -60, -20), (100, 60, 20))
FEEDER = Solid.cone(25, 25, 60).moved((0, 0, 30))
NECK = Solid.cone(12, 12, 12).moved((0, 0, 19))
SLEEVE = Solid.cone(35, 35, 70).moved((0, 0, 30)) - FEEDER
FED = (("F1", Role.FEEDER, FEEDER), ("neck-F1", Role.NECK, NECK))


def sleeved(**tables):
    mold_tables = {"mold": {"locators": False, "marks": False, "lifting": "none", **tables}}
    return mold_of(
        PLATE, *FED, inserts=[("sleeve-F1", SLEEVE)], material="insulating", **mold_tables
    )


def shares(mold):
    parts = [piece.solid for piece in mold.pieces] + [body for _, body in mold.clearances]
    return sum(part.volume_mm3 for part in parts) + mold.metal.volume_mm3 + mold.inserts_mm3


@pytest.mark.parametrize("form", ["block", "contour"])
def test_a_sleeve_deep_in_the_cope_gets_a_plug(form):
    mold = sleeved(form=form)
    names = [piece.name for piece in mold.pieces]
    assert names == ["drag", "cope", "plug-F1"]
    assert all(len(piece.solid.parts()) == 1 for piece in mold.pieces)
    agree(shares(mold), mold.block.volume_mm3, rel=1e-6, why="float64 booleans")
    (plug,) = (piece.solid for piece in mold.pieces if piece.name == "plug-F1")
    assert plug.bounds[0, 2] == pytest.approx(100.3, abs=1e-6)  # sleeve's top and the play
    assert plug.bounds[1, 2] == pytest.approx(mold.block.bounds[1, 2], abs=1e-6)
    cope = next(piece.solid for piece in mold.pieces if piece.name == "cope")
    agree(plug.gap_mm(cope, 2.0), 0.3, rel=0.02, why="facets of both cones, gap across the lean")


def test_plugs_side_by_side_taper_less_where_one_would_leave_no_room_for_the_next():
    """8 mm between the sleeves: beside a shaft of 3 degrees even an upright one has no wall."""
    twice = [((x, 0.0, 0.0), k) for k, x in ((1, -39.0), (2, 39.0))]
    fed = [(f"F{k}", Role.FEEDER, FEEDER.moved(at)) for at, k in twice]
    fed += [(f"neck-F{k}", Role.NECK, NECK.moved(at)) for at, k in twice]
    sleeves = [(f"sleeve-F{k}", SLEEVE.moved(at)) for at, k in twice]
    keys = {"locators": False, "marks": False, "lifting": "none", "top_mm": 150.0}
    mold = mold_of(PLATE, *fed, inserts=sleeves, material="insulating", mold=keys)
    assert [piece.name for piece in mold.pieces] == ["drag", "cope", "plug-F1", "plug-F2"]
    agree(shares(mold), mold.block.volume_mm3, rel=1e-6, why="float64 booleans")
    ways = insert_facts(mold.inserts, mold.pieces, find_order(mold.pieces))
    assert [fact.blocked_mm2 for fact in ways] == [0.0, 0.0]


def in_drag(**tables):
    """Return a mold with a feeder and its sleeve deep in the drag, beside a plate at the joint."""
    feeder = Solid.cone(25, 25, 60).moved((160, 0, -110))
    neck = Solid.box((90, -10, -105), (140, 10, -85))
    sleeve = Solid.cone(35, 35, 70).moved((160, 0, -110)) - feeder - neck
    mold_tables = {"mold": {"locators": False, "marks": False, "lifting": "none", **tables}}
    return mold_of(
        Solid.box((-100, -60, -120), (100, 60, 0)),
        ("F1", Role.FEEDER, feeder),
        ("neck-F1", Role.NECK, neck - Solid.box((-100, -60, -120), (100, 60, 0))),
        inserts=[("sleeve-F1", sleeve)],
        material="insulating",
        **mold_tables,
    )


@pytest.mark.parametrize("form", ["block", "contour"])
def test_a_sleeve_deep_in_the_drag_gets_a_lid_at_the_joint(form):
    mold = in_drag(form=form)
    assert [piece.name for piece in mold.pieces] == ["drag", "lid-F1", "cope"]
    assert all(len(piece.solid.parts()) == 1 for piece in mold.pieces)
    agree(shares(mold), mold.block.volume_mm3, rel=1e-6, why="float64 booleans")
    lid = mold.pieces[1].solid
    assert lid.bounds[0, 2] == pytest.approx(-39.7, abs=1e-6)  # sleeve's top and the play
    assert lid.bounds[1, 2] == pytest.approx(0.0, abs=1e-6)  # flush with the joint
    steps = find_order(mold.pieces)
    assert [(step.piece, step.hits) for step in steps] == [("lid-F1", ()), ("cope", ())]
    (facts,) = insert_facts(mold.inserts, mold.pieces, steps)
    assert (facts.piece, facts.blocked_mm2) == ("drag", 0.0)
    assert "straight down" in facts.way


def test_the_cope_holds_down_what_lies_loose_in_the_drag():
    """Metal under a sleeve in the drag lifts it, and the lid on it, against the cope."""
    rules = Rules.model_construct(id="test", settings={}, checks={})
    mold = in_drag()
    metal = metal_of(rigging_of(mold.metal))
    handling = measure_pieces(mold, metal, STEEL, SILICA, _job(), rules)
    # level at the joint: the cope bears nothing itself; the sleeve's roof is under 50 mm of head,
    # and the neck's way through its wall, 20 mm high, is pressed down more than up
    circle = 0.5 * 64 * np.sin(2 * np.pi / 64) * 1e-6  # of radius 1 mm, 64 facets [m²]
    wall = 0.020 * 0.0103  # 20 mm wide, between radii 25 and 35 mm [m²]
    up = 7000.0 * G_M_S2 * (circle * 25**2 * 0.050 - wall * 0.020)
    agree(handling.cope_lift_n, up, rel=2e-2, why="the play, and the wall as a flat one")


def test_a_vent_that_ends_under_a_sleeve_is_to_be_drilled():
    """Its way up and the sleeve share no room twice, and the crew is told."""
    cap = Solid.cone(35, 35, 10).moved((0, 0, 100))
    vent = ("vent-F1", Role.VENT, Solid.cone(3, 3, 8).moved((0, 0, 89)))
    mold = mold_of(
        PLATE, *FED, vent, inserts=[("sleeve-F1", SLEEVE + cap)], material="insulating",
        mold={"locators": False, "marks": False, "lifting": "none"},
    )  # fmt: skip
    agree(shares(mold), mold.block.volume_mm3, rel=1e-6, why="float64 booleans")
    assert "vent-F1 goes up through sleeve-F1: drill it there" in mold.notes


def test_a_plug_carries_its_name_on_top():
    with_marks, without = sleeved(marks=True), sleeved()
    (mark,) = [body for name, body in with_marks.clearances if name == "plug-F1 mark"]
    a, b = (mold.pieces[-1].solid for mold in (without, with_marks))
    agree(a.volume_mm3 - b.volume_mm3, mark.volume_mm3, rel=1e-6, why="exact")
    assert mark.bounds[1, 2] == pytest.approx(a.bounds[1, 2], abs=1e-6)


def test_the_play_round_an_insert_is_the_joint_clearance():
    mold = sleeved()
    cope = next(piece.solid for piece in mold.pieces if piece.name == "cope")
    (outline,) = cope.slice_at(60.0).geoms
    (pocket,) = outline.interiors
    agree(pocket.distance(Point(0.0, 0.0)), 35.3, rel=2e-3, why="64 facets of a circle")
    assert cope.slice_at(30.1).geoms[0].interiors[0].distance(Point(0.0, 0.0)) > 35.2
    neck = min(pocket.bounds[2] for pocket in cope.slice_at(29.9).geoms[0].interiors)
    agree(neck, 12.0, rel=1e-6, why="exact: it stands on the sand round the neck")


def test_metal_under_a_sleeve_lifts_what_holds_it():
    """Pressure on the dome of a blind feeder goes through the sleeve into the cope's weights."""
    mold, rules = sleeved(), Rules.model_construct(id="test", settings={}, checks={})
    rigging = rigging_of(PLATE, *FED, inserts=[("sleeve-F1", SLEEVE)])
    handling = measure_pieces(mold, metal_of(rigging), STEEL, SILICA, _job(), rules)
    (facts,) = handling.inserts
    assert (facts.piece, facts.blocked_mm2) == ("cope", 0.0)
    assert "straight down" in facts.way
    # level at the feeder's top: plate's top under 70 mm of head, less neck; feeder's foot is
    # pressed down under 60 mm of it, its top under none
    head_m, foot_m = 0.070, 0.060
    circle = 0.5 * 64 * np.sin(2 * np.pi / 64) * 1e-6  # of radius 1 mm, 64 facets [m²]
    up = (0.200 * 0.120 - circle * 12**2) * head_m - circle * (25**2 - 12**2) * foot_m
    agree(handling.cope_lift_n, 7000.0 * G_M_S2 * up, rel=2e-3, why="a seam of 0.3 mm of play")


def _job():
    return make_job({"alloy": "steel", "casting": {"file": "x.stl"}}, folder=".", where="test")
