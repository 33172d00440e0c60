"""Locators, straps, vents, lifting, marks, contour and splitting: what each does to the sand."""

from itertools import pairwise

import numpy as np
import pytest

from moldprep.catalog import find
from moldprep.checks import all_checks, run_check
from moldprep.errors import StageError
from moldprep.findings import Verdict
from moldprep.geometry.lattice import Lattice
from moldprep.geometry.occupancy import occupied
from moldprep.geometry.solid import Solid
from moldprep.jobfile import make_job
from moldprep.mold import features
from moldprep.mold.assembly import find_order
from moldprep.mold.bolts import flange_bend_mpa, worst_bend
from moldprep.mold.cutting import Cutting
from moldprep.mold.dusting import find_loose_sand
from moldprep.mold.handling import measure_pieces
from moldprep.mold.locators import find_slide
from moldprep.mold.marks import letters, sunk
from moldprep.mold.split import fits
from moldprep.records import Piece, Role, Rules
from moldprep.results import Results
from tests.helpers import agree
from tests.molds import PRINTER, SILICA, STEEL, metal_of, mold_of, rigging_of, sprue
from tests.unit.test_cores import BORED, PLAIN, VOLUTE
from tests.unit.test_cut import BOX, assert_sound

BIG = Solid.box((-150, -120, -60), (150, 120, 60))
HEAVY = {"wall_mm": 60.0}


THICK = Solid.box((-90, -50, -45), (90, 50, 45)) - Solid.cone(25, 25, 300, 96).turned(
    (0, 90, 0)
).moved((-150, 0, 0))
SQUINT = (  # two bores side by side that open into each other: each ends at metal
    Solid.box((-90, -50, -45), (90, 90, 45))
    - Solid.cone(25, 25, 65, 96).turned((0, 90, 0)).moved((-100, 0, 0))
    - Solid.cone(25, 25, 155, 96).turned((0, 90, 0)).moved((-55, 35, 0))
)


def gaps_of(mold, part):
    return [(name, body) for name, body in mold.clearances if part in name]


def test_locator_gap_is_the_jobs_clearance():
    mold = mold_of(BOX, mold={**PLAIN, "clearance_mm": 0.5})
    drag, cope = (piece.solid for piece in mold.pieces)
    pins = drag.split_at((0.0, 0.0, 1.0), 0.5)[0]
    agree(pins.gap_mm(cope, 5.0), 0.5, rel=0.05, why="64 facets; the side gap is measured square")


def test_one_of_three_locators_is_smaller():
    drag = mold_of(BOX, mold=PLAIN).pieces[0].solid
    feet = sorted(part.area for part in drag.slice_at(0.5).geoms)
    assert len(feet) == 3
    assert feet[0] < 0.6 * feet[1]
    agree(feet[1], feet[2], rel=1e-9, why="same size")


def test_no_locators_where_the_job_says_so():
    mold = mold_of(BOX, mold={**PLAIN, "locators": False})
    assert gaps_of(mold, "locator") == []


def test_core_vents_lead_from_the_print_to_the_outside():
    mold = mold_of(BORED, mold=PLAIN)
    vents = gaps_of(mold, "vent")
    assert [name for name, _ in vents] == ["core-1 vent 1", "core-1 vent 2"]
    for _, vent in vents:
        low, high = vent.bounds
        assert (
            min(abs(low[0] - mold.block.bounds[0, 0]), abs(high[0] - mold.block.bounds[1, 0])) < 1.0
        )
        assert vent.gap_mm(mold.metal, 50.0) > 4.0


def test_core_vents_reach_to_the_heart_of_a_long_core_and_keep_their_wall(monkeypatch):
    monkeypatch.setattr(features, "SHORT_WAY_MM", 20.0)
    mold = mold_of(THICK, mold=PLAIN)
    vents = [vent for _, vent in gaps_of(mold, "vent")]
    assert len(vents) == 2
    inside = [vent & THICK.hull() for vent in vents]
    assert sum(body.size_mm[0] for body in inside) > 0.75 * THICK.size_mm[0]
    assert all(body.gap_mm(mold.metal, 50.0) > 7.9 for body in inside)
    assert (vents[0] & vents[1]).is_empty
    assert_sound(mold)


def test_a_core_vent_stops_short_of_metal_ahead(monkeypatch):
    monkeypatch.setattr(features, "SHORT_WAY_MM", 20.0)
    mold = mold_of(SQUINT, mold=PLAIN)
    vents = [vent for _, vent in gaps_of(mold, "vent")]
    assert any((vent & SQUINT.hull()).size_mm[0] > 30.0 for vent in vents if not vent.is_empty)
    assert all(vent.gap_mm(mold.metal, 50.0) > 7.9 for vent in vents)
    assert_sound(mold)


@pytest.mark.parametrize("kind", ["auto", "pockets", "holes"])
def test_lifting_is_alike_on_both_sides_of_the_center_of_mass(kind):
    mold = mold_of(BIG, mold={**HEAVY, "lifting": kind, "marks": False})
    cope = mold.pieces[-1]
    holes = gaps_of(mold, "cope lifting")
    assert len(holes) == (2 if kind == "holes" else 4)
    middle = np.mean([body.centroid_mm for _, body in holes], axis=0)
    np.testing.assert_allclose(middle[:2], cope.solid.centroid_mm[:2], atol=3.0)
    for _, hole in holes:
        assert hole.gap_mm(mold.metal, 50.0) > 9.0
    assert_sound(mold)


def test_light_pieces_get_no_lifting_by_themselves():
    assert gaps_of(mold_of(BOX), "lifting") == []


def test_marks_are_sunk_letters_on_the_front():
    with_marks, without = mold_of(BOX), mold_of(BOX, mold={"marks": False})
    marks = gaps_of(with_marks, "mark")
    assert [name for name, _ in marks] == ["drag mark", "cope mark"]
    for (_, body), a, b in zip(marks, with_marks.pieces, without.pieces, strict=True):
        agree(b.solid.volume_mm3 - a.solid.volume_mm3, body.volume_mm3, rel=1e-6, why="exact")
        agree(body.bounds[0, 1], with_marks.block.bounds[0, 1], rel=1e-9, why="on the face")
        agree(body.size_mm[1], 1.5, rel=1e-6, why="depth of a mark")


def test_letters_read_from_outside():
    """An L has its foot on the reader's right; seen from the front, right is +x."""
    body = sunk(letters(["L"], 10.0), np.zeros(3), np.array([1.0, 0, 0]), np.array([0, 0, 1.0]))
    foot = body.split_at((0.0, 0.0, -1.0), 2.0)[0]
    agree(body.size_mm[2], 10.0, rel=1e-3, why="height of a capital")
    assert foot.centroid_mm[0] > body.centroid_mm[0]


def test_arrow_points_at_the_sprue():
    """A mark is wider by its arrow, and the arrow's head lies toward the sprue."""
    right = letters(["12.0 kg →"], 10.0)
    left = letters(["12.0 kg ←"], 10.0)
    assert right.area > letters(["12.0 kg"], 10.0).area
    assert not right.equals(left)


def test_cut_keeps_what_it_removes_by_name():
    piece = Piece(name="drag", role="drag", solid=Solid.box((0, 0, 0), (10, 10, 10)))
    done = Cutting(pieces=(piece,)).cut(
        [("a", Solid.box((-1, 1, 1), (2, 2, 2))), ("b", Solid.box((5, 5, 9), (6, 6, 12)))]
    )
    np.testing.assert_allclose([body.volume_mm3 for _, body in done.clearances], [2.0, 1.0])
    agree(done.pieces[0].solid.volume_mm3, 997.0, rel=1e-12, why="exact")


@pytest.mark.parametrize("casting", [BOX, VOLUTE])
def test_contour_saves_sand_and_keeps_the_wall(casting):
    rod = sprue(-120, -120, -10, 130)
    block = mold_of(casting, rod, mold={**PLAIN, "wall_mm": 25.0})
    contour = mold_of(casting, rod, mold={**PLAIN, "form": "contour", "wall_mm": 25.0})
    sand = [sum(p.solid.volume_mm3 for p in mold.pieces) for mold in (block, contour)]
    assert sand[1] < 0.85 * sand[0]
    assert_sound(contour)
    floor = contour.block.bounds[0, 2]
    assert contour.block.slice_at(floor + 0.1).area > 0.0
    low, high = contour.block.bounds
    air = Solid.box(low - 1.0, high - (0.0, 0.0, 40.0)) - contour.block
    assert air.gap_mm(contour.metal, 60.0) > 24.0


def test_no_rib_of_a_contoured_cope_ends_free():
    """What goes when the top is shrunk by more than half a rib are ribs: all have two ends."""
    rods = [Solid.cone(25, 25, 190).moved((x, y, -10)) for x in (-110, 110) for y in (-80, 80)]
    bodies = [(f"vent-{k}", Role.VENT, rod) for k, rod in enumerate(rods)]
    mold = mold_of(BIG, *bodies, mold={**PLAIN, "form": "contour", "wall_mm": 30.0})
    assert_sound(mold)
    top = mold.block.slice_at(float(mold.block.bounds[1, 2]) - 1.0)
    stout = top.buffer(-10.0).buffer(10.5)
    ribs = [part for part in getattr(top.difference(stout), "geoms", ()) if part.area > 18.0**2]
    assert ribs
    for rib in ribs:
        joined = rib.buffer(1.0).intersection(stout)
        assert len(getattr(joined, "geoms", [joined])) >= 2


def test_a_contoured_cope_stands_on_its_sand_and_empties():
    """A basin high up beside the casting: under it is sand, not a cell full of loose grains."""
    wide = ("basin", Role.BASIN, Solid.box((-190, -60, 150), (-110, 60, 190)))
    mold = mold_of(BIG, sprue(-150, 0, -10, 155), wide, mold={**PLAIN, "form": "contour"})
    for up, down, levels in ((1.0, 0.0, (40, 90, 150, 185)), (0.0, 1.0, (-100, -70, -50, -40))):
        sections = [mold.block.slice_at(z) for z in levels]
        for low, high in pairwise(sections):
            wider = up * high.difference(low).area + down * low.difference(high).area
            assert wider < 1.0
    for piece in mold.pieces:
        lattice = Lattice.from_corner(piece.solid.bounds, 3.0, belt=2)
        loose = find_loose_sand(occupied(piece.solid, lattice), lattice, 12.0)
        assert loose.volume_mm3 < 100.0, piece.name
    assert_sound(mold)


def test_bend_of_a_bolted_flange():
    """A bolt 30 mm out on a flange of 30 mm: 6 F a / (b t²), b = 40 + 60 mm."""
    agree(flange_bend_mpa(900.0, 30.0, 30.0), 6 * 900 * 30 / (100 * 900), rel=1e-12, why="same")
    slab = Solid.box((0, 0, 0), (200, 100, 60)) + Solid.box((0, 50, -80), (200, 100, 140))
    hole = Solid.cone(9, 9, 62).moved((100, 20, -1))
    piece = Piece(name="cope", role="cope", solid=slab - hole)
    bend, at = worst_bend([piece], [("bolt hole 1-1", hole & slab)], 900.0)
    agree(bend, flange_bend_mpa(900.0, 30.0, 30.0), rel=1e-6, why="the wall stands at y = 50")
    np.testing.assert_allclose(at[:2], (100, 20), atol=1e-6)


def test_pieces_that_do_not_fit_are_cut_and_pinned():
    small = PRINTER.model_copy(update={"box_mm": (330.0, 420.0, 300.0), "wall_gap_mm": 10.0})
    mold = mold_of(BIG, printer=small, mold=HEAVY)
    assert [p.name for p in mold.pieces] == ["drag-a", "drag-b", "cope-a", "cope-b"]
    assert all(fits(p.solid.size_mm, small) for p in mold.pieces)
    a, b = mold.pieces[0].solid, mold.pieces[1].solid
    assert a.gap_mm(b, 5.0) > 0.15
    assert (b.moved((0, 8.0, 0)) & a).volume_mm3 > 10.0  # pins hold it sideways
    assert_sound(mold)


def test_parts_are_located_by_tongue_and_groove_where_the_job_says_so():
    small = PRINTER.model_copy(update={"box_mm": (330.0, 420.0, 300.0), "wall_gap_mm": 10.0})
    mold = mold_of(BIG, printer=small, mold={**HEAVY, "split_joint": "tongue"})
    a, b = mold.pieces[0].solid, mold.pieces[1].solid
    assert "tongue and groove" in " ".join(mold.notes)
    joint = 0.5 * (a.bounds[1, 0] + b.bounds[0, 0])  # the tongue reaches past the glue face
    tongue = a.split_at((1.0, 0.0, 0.0), float(b.bounds[0, 0]) + 0.5)[0]
    assert len(tongue.parts()) == 1
    long, wide = sorted(tongue.size_mm[1:])[::-1]
    assert long > 3.0 * wide, joint
    agree(a.gap_mm(b, 5.0), 0.2, rel=0.05, why="room for glue on the face")
    for side in ((0.0, 1.0, 0.0), (0.0, 0.0, 1.0)):
        assert (b.moved(tuple(2.0 * s for s in side)) & a).volume_mm3 > 10.0, side
    assert (b.moved((5.0, 0.0, 0.0)) & a).volume_mm3 < 1e-6  # pushed together along x
    assert_sound(mold)


def test_a_piece_too_large_after_all_cuts_is_said_so(monkeypatch):
    monkeypatch.setattr("moldprep.mold.split.DEEPEST", 4)
    tiny = PRINTER.model_copy(update={"box_mm": (100.0, 80.0, 60.0), "wall_gap_mm": 5.0})
    mold = mold_of(BIG, printer=tiny, mold=HEAVY)
    assert sum(piece.role == "cope" for piece in mold.pieces) == 16
    assert any("still too large or heavy after 4 cuts" in note for note in mold.notes)
    assert_sound(mold)


def test_a_contoured_mold_is_bolted_through_its_flanges():
    rod = sprue(-120, -120, -10, 130)
    mold = mold_of(VOLUTE, rod, mold={**PLAIN, "form": "contour", "wall_mm": 25.0})
    bolts = gaps_of(mold, "bolt hole")
    assert len(bolts) == 4
    drag, cope = mold.pieces[0].solid, mold.pieces[-1].solid
    for _, bolt in bolts:
        agree(bolt.size_mm[2], 60.0, rel=1e-6, why="both flanges, 30 mm each")
        assert bolt.gap_mm(mold.metal, 50.0) > 9.9
        x, y = bolt.centroid_mm[:2]
        way = Solid.box((x - 5, y - 5, -400), (x + 5, y + 5, 400))
        assert (way & (drag + cope)).is_empty  # open from above and below
    middle = np.mean([body.centroid_mm for _, body in bolts], axis=0)
    assert np.abs(middle - cope.centroid_mm)[:2].max() < 30.0
    assert_sound(mold)


def test_too_heavy_pieces_are_cut():
    weak = PRINTER.model_copy(update={"lift_kg": 25.0})
    mold = mold_of(BIG, printer=weak, mold=HEAVY)
    heaviest = max(p.solid.volume_mm3 for p in mold.pieces) * 1e-9 * SILICA.density_kg_m3
    assert heaviest <= 25.0
    assert_sound(mold)


def quartered(**mold):
    """Return a mold whose halves are cut into four each, along x and y."""
    small = PRINTER.model_copy(update={"box_mm": (270.0, 250.0, 300.0), "wall_gap_mm": 5.0})
    return mold_of(BIG, printer=small, mold={**HEAVY, **mold})


@pytest.mark.parametrize("kind", ["pins", "tongue"])
def test_four_parts_are_glued_in_pairs_and_go_in_as_one(kind):
    """One by one the last would hit both its neighbors' locators."""
    mold = quartered(split_joint=kind, marks=False)
    drags = [piece for piece in mold.pieces if piece.role == "drag"]
    assert [piece.cut for piece in drags] == ["00", "01", "10", "11"]
    steps = find_order(mold.pieces)
    assert not any(step.hits for step in steps)
    assert [step.text.partition(" level")[0] for step in steps[:3]] == [
        "Join drag-b to drag-a",
        "Join drag-d to drag-c",
        "Join drag-c, drag-d to drag-a, drag-b",
    ]
    assert steps[-1].text == "Close cope straight down"
    assert_sound(mold)


def test_the_order_of_a_cut_mold_is_judged():
    """Its cope goes in as one though no piece is called so."""
    mold = quartered(marks=False)
    rigging, rules = rigging_of(BIG), find(Rules, "usual")
    job = make_job({"alloy": "steel", "casting": {"file": "x.stl"}}, folder=".", where="")
    handling = measure_pieces(mold, metal_of(rigging), STEEL, SILICA, job, rules)
    found = run_check(all_checks()["mold/assembles"], Results(handling, job), rules)
    assert [one.verdict for one in found] == [Verdict.PASS] * 7
    assert [one.part for one in found][-1] == "cope"


def test_parts_of_what_the_crane_cannot_lift_go_in_one_by_one():
    """Upright tongues hold a part sideways and let it straight down past its neighbor."""
    weak = PRINTER.model_copy(update={"lift_kg": 25.0})
    mold = mold_of(BIG, printer=weak, mold={**HEAVY, "marks": False})
    steps = find_order(mold.pieces)
    assert not any(step.hits for step in steps)
    assert {step.direction for step in steps} == {(0.0, 0.0, -1.0)}
    assert [step.piece for step in steps] == [piece.name for piece in mold.pieces[1:]]
    drags = [piece for piece in mold.pieces if piece.role == "drag"]
    assert {(piece.cut, piece.is_glued) for piece in drags} == {("0", False), ("1", False)}
    assert "upright tongues" in " ".join(mold.notes)
    for aside in (-3.0, 3.0):
        assert (drags[1].solid.moved((0, aside, 0)) & drags[0].solid).volume_mm3 > 10.0
    assert_sound(mold)


def test_a_cut_leaves_no_skin_along_a_wall():
    """The even cut would lie 2 mm beside the wall of the cavity; it is moved off that."""
    casting = Solid.box((3.0, -60, -60), (90, 60, 60)) + Solid.box((-88, -8, -8), (4, 8, 8))
    small = PRINTER.model_copy(update={"box_mm": (250.0, 400.0, 400.0), "wall_gap_mm": 5.0})
    mold = mold_of(casting, printer=small, mold={**PLAIN, "wall_mm": 100.0})
    low, high, *rest = [piece.solid.bounds[:, 0] for piece in mold.pieces if piece.role == "drag"]
    assert not rest
    for cut in (high[0], low[1]):
        assert abs(cut - 3.0) > 10.0


def test_a_tongue_needs_sand_as_wide_as_itself_all_along():
    """A narrow ledge beside a hollow takes none: it would stand in the hollow."""
    step = Solid.box((0, 0, 0), (200, 300, 100)) - Solid.box((-1, 110, 60), (201, 301, 101))
    ends = find_slide(step, step.moved((0, 0, 100)), 100.0, 0.3, 0)
    assert ends
    assert all(end.y_mm + end.radius_mm < 110.0 for end in ends)


def test_parts_of_a_cut_piece_are_lifted_by_their_cut_faces_too():
    mold = quartered(lifting="pockets", marks=False)
    for piece in mold.pieces:
        holes = [body for name, body in mold.clearances if name.startswith(f"{piece.name} lifting")]
        assert len(holes) == 4, piece.name
        off = np.array([body.centroid_mm for body in holes]) - piece.solid.centroid_mm
        assert (off.min(axis=0) < 0.0)[:2].all()  # the center of mass hangs between the pins,
        assert (off.max(axis=0) > 0.0)[:2].all()
        assert np.abs(off.mean(axis=0))[:2].min() < 1.0  # and half way between the pairs
    assert_sound(mold)


def test_splitting_can_be_forbidden():
    small = PRINTER.model_copy(update={"box_mm": (330.0, 420.0, 300.0)})
    mold = mold_of(BIG, printer=small, mold={**HEAVY, "split_too_large": False})
    assert len(mold.pieces) == 2


def test_cheeks_get_locators_and_marks_too():
    mold = mold_of(BIG, z_mm=-20.0, mold=HEAVY, cheeks_mm=[30.0])
    names = [name for name, _ in mold.clearances]
    assert "locator gaps drag to cheek-1" in names
    assert "locator gaps cheek-1 to cope" in names
    assert "cheek-1 mark" in names
    assert_sound(mold)


def test_a_cheek_outside_the_block_is_refused():
    with pytest.raises(StageError):
        mold_of(BOX, cheeks_mm=[900.0])
