"""Facts of pieces measured on molds whose answer is known."""

import numpy as np
import pytest

from moldprep.catalog import find
from moldprep.geometry.lattice import Lattice
from moldprep.geometry.occupancy import occupied
from moldprep.geometry.solid import Solid
from moldprep.jobfile import make_job
from moldprep.mold.assembly import find_order, hits_on_the_way
from moldprep.mold.coating import find_hidden
from moldprep.mold.dusting import find_loose_sand
from moldprep.mold.handling import head_kept_out_mm, measure_pieces
from moldprep.mold.pressure import find_wetted, force_n
from moldprep.mold.strength import bending_mpa, find_thinnest, find_weakest_finger
from moldprep.records import Alloy, Metal, Mold, Piece, Role, Rules, Sand
from moldprep.units import G_M_S2, pressure_pa
from tests.helpers import agree

DENSITY = 7000.0
LEVEL = 150.0


def piece(name, solid):
    return Piece(name=name, role=name.split("-")[0], solid=solid)


def halves(block, *holes):
    body = block - Solid.union(holes)
    cope, drag = body.split_at((0.0, 0.0, 1.0), 0.0)
    return piece("drag", drag), piece("cope", cope)


@pytest.fixture(scope="module")
def cored():
    """A horizontal cylinder with a through core, closed at z = 0."""
    level_axis = (0.0, 90.0, 0.0)
    outer = Solid.cone(50, 50, 200, 128).moved((0, 0, -100)).turned(level_axis)
    bore = Solid.cone(20, 20, 400, 96).moved((0, 0, -200)).turned(level_axis)
    block = Solid.box((-150, -100, -100), (150, 100, 150))
    drag, cope = halves(block, outer, bore)
    return outer - bore, (drag, piece("core-1", bore & block), cope), bore, outer


def test_cope_lift_of_a_cored_cylinder(cored):
    """Hydrostatics: rho g (head x shadow - volume under the shadow), to rounding."""
    metal, pieces, _, outer = cored
    wetted = find_wetted(metal, pieces, [0.0])
    upper = outer.split_at((0.0, 0.0, 1.0), 0.0)[0]
    want = pressure_pa(1.0, DENSITY) * (LEVEL * 200.0 * 100.0 - upper.volume_mm3) / 1e6
    agree(force_n(wetted.of(2), LEVEL, DENSITY)[2], want, rel=1e-6, why="exact on facets")


def test_core_buoyancy_is_the_metal_displaced(cored):
    """Archimedes, for the part of the core inside the metal."""
    metal, pieces, bore, _ = cored
    wetted = find_wetted(metal, pieces, [0.0])
    inside = bore & Solid.box((-100, -50, -50), (100, 50, 50))
    want = pressure_pa(1.0, DENSITY) * inside.volume_mm3 / 1e6
    agree(force_n(wetted.of(1), LEVEL, DENSITY)[2], want, rel=1e-6, why="exact on facets")


def test_cope_lift_of_a_dome():
    """A dome rising into the cope: rho g (head x shadow - volume of the dome)."""
    dome = Solid.sphere(60, 128).split_at((0.0, 0.0, 1.0), 0.0)[0]
    pieces = halves(Solid.box((-100, -100, -50), (100, 100, 100)), dome)
    wetted = find_wetted(dome, pieces, [0.0])
    shadow = dome.slice_at(1e-9).area
    want = pressure_pa(1.0, DENSITY) * (LEVEL * shadow - dome.volume_mm3) / 1e6
    agree(force_n(wetted.of(1), LEVEL, DENSITY)[2], want, rel=1e-6, why="exact on facets")


def test_forces_on_all_pieces_add_up_to_the_metal_weight(cored):
    """Newton: level surface aside, the sand carries the metal; here all faces are covered."""
    metal, pieces, _, _ = cored
    wetted = find_wetted(metal, pieces, [0.0])
    total = sum(force_n(wetted.of(k), LEVEL, DENSITY) for k in range(3))
    agree(-total[2], pressure_pa(1.0, DENSITY) * metal.volume_mm3 / 1e6, rel=1e-6, why="closed")
    assert np.abs(total[:2]).max() < 1e-6 * abs(total[2])


def test_cored_mold_end_to_end(cored):
    solid, pieces, _, _ = cored
    metal = Metal(
        solid=solid, parts=("casting",), roles=(Role.CASTING,), mass_kg=8.0, casting_kg=8.0,
        yield_pct=100.0,
    )  # fmt: skip
    block = Solid.box((-150, -100, -100), (150, 100, 150))
    mold = Mold(block=block, metal=solid, pieces=pieces, clearances=(), inserts_mm3=0.0, z_mm=0.0)
    job = make_job({"alloy": "carbon-steel", "casting": {"file": "a.stl"}}, folder=".", where="")
    sand = find(Sand, "silica-furan")
    facts = measure_pieces(
        mold, metal, find(Alloy, "carbon-steel"), sand, job, find(Rules, "usual")
    )
    assert [step.piece for step in facts.steps] == ["core-1", "cope"]
    assert not any(step.hits for step in facts.steps)
    (core,) = facts.cores
    assert core.lift_n > 0.0
    # two prints of 50 mm, 40 mm wide; faces within 72 deg of level count
    agree(core.bearing_mm2, 2 * 50 * 40, rel=0.06, why="the steepest flanks do not bear")
    agree(core.bearing_mpa, core.lift_n / core.bearing_mm2, rel=0.02, why="spots are uneven")
    assert core.overhang_mm == 0.0
    agree(core.rest_mm2, core.bearing_mm2, rel=0.02, why="alike above and below")
    factor = (facts.cope_kg + facts.weight_kg) * G_M_S2 / facts.cope_lift_n
    assert factor == pytest.approx(max(1.5, facts.cope_kg * G_M_S2 / facts.cope_lift_n))
    agree(
        facts.sand_kg,
        (block.volume_mm3 - solid.volume_mm3) / 1e9 * sand.density_kg_m3,
        rel=1e-9,
        why="all sand is in a piece",
    )


BLOCK = Solid.box((0, 0, 0), (200, 150, 100))
POCKET = Solid.box((50, 50, 30), (150, 100, 70))


@pytest.mark.parametrize(
    ("name", "void", "stuck_mm3"),
    [
        ("open pocket", Solid.box((50, 50, 50), (150, 100, 101)), 0.0),
        ("enclosed", POCKET, POCKET.volume_mm3),
        ("narrow neck", POCKET + Solid.cone(3, 3, 200).moved((100, 75, 40)), POCKET.volume_mm3),
        ("wide neck", POCKET + Solid.cone(10, 10, 200).moved((100, 75, 40)), 0.0),
        (
            "slot under a bar",
            Solid.box((96, 20, 20), (104, 130, 101)) - Solid.box((80, 60, 50), (120, 90, 75)),
            0.0,
        ),
        (
            "slot under a plate",
            Solid.box((96, 20, 20), (104, 130, 101)) - Solid.box((80, 15, 50), (120, 135, 75)),
            8.0 * 110.0 * 30.0,
        ),
        ("through bore", Solid.cone(4, 4, 300).turned((0, 90, 0)).moved((-10, 75, 50)), 0.0),
    ],
)
def test_loose_sand(name, void, stuck_mm3):
    lattice = Lattice.from_corner(BLOCK.bounds, 2.0, belt=2)
    loose = find_loose_sand(occupied(BLOCK - void, lattice), lattice, 12.0)
    assert loose.volume_mm3 == pytest.approx(stuck_mm3, rel=0.02), name
    if stuck_mm3:
        height = 35.0 if "plate" in name else 50.0
        np.testing.assert_allclose(loose.at_mm, (100, 75, height), atol=2.0)


def test_thin_web_is_found_where_it_is():
    pockets = Solid.box((50, 50, 20), (99, 100, 101)) + Solid.box((101, 50, 20), (150, 100, 101))
    thin = find_thinnest(BLOCK - pockets)
    assert thin.thickness_mm == pytest.approx(2.0, abs=0.01)
    assert thin.at_mm[0] == pytest.approx(100.0, abs=1.0)


def hidden_mm2(void):
    """Return the hidden area of a void in a block, all of it cavity."""
    sand = BLOCK - void
    points, faces = (void & BLOCK).mesh()
    corners = points[faces]
    top = corners[:, :, 2].min(axis=1) > 99.9  # the way in is no face
    return find_hidden(sand, corners[~top])[0]


def test_an_open_hole_hides_nothing_and_a_bend_does():
    """A hole ten times as deep as wide is seen to its end along its own axis, at 3 to 6 degrees."""
    straight = Solid.cone(4.5, 4.5, 200).moved((100, 75, 10))
    assert hidden_mm2(straight) == 0.0
    assert hidden_mm2(Solid.box((20, 20, 40), (180, 130, 101))) == 0.0
    foot = Solid.box((40, 60, 10), (104.5, 90, 30))
    found = hidden_mm2(straight + foot)
    assert found > 0.8 * (2 * 64.5 * 30 + 2 * 64.5 * 20 + 2 * 30 * 20 - 2 * np.pi * 4.5**2)
    assert found < 2 * 64.5 * 30 + 2 * 64.5 * 20 + 2 * 30 * 20


def test_finger_is_found_and_a_plain_block_has_none():
    lattice = Lattice.from_corner(np.array([[0, 0, 0], [200, 150, 200]]), 3.0, belt=2)
    assert find_weakest_finger(occupied(BLOCK, lattice), lattice, 1e4) is None
    pin = Solid.cone(8, 8, 80).moved((100, 75, 99))
    finger = find_weakest_finger(occupied(BLOCK + pin, lattice), lattice, 1e4)
    assert finger.length_mm == pytest.approx(79.0, abs=3.0)
    assert finger.thickness_mm == pytest.approx(16.0, abs=3.0)
    assert finger.stress_mpa == pytest.approx(
        bending_mpa(finger.length_mm, finger.thickness_mm, 1, 1e4)
    )


def test_interlocked_pieces_cannot_close():
    """A cope with an arm that reaches under the drag's lip."""
    lip = Solid.box((0, 0, 0), (100, 100, 20)) + Solid.box((0, 0, 20), (30, 100, 60))
    lip = lip + Solid.box((0, 0, 60), (60, 100, 80))
    arm = Solid.box((31, 0, 20.5), (60, 100, 59)) + Solid.box((61, 0, 20.5), (100, 100, 90))
    arm = arm + Solid.box((31, 0, 20.5), (100, 100, 40))
    (step,) = find_order((piece("drag", lip), piece("cope", arm)))
    assert step.hits == ("drag",)
    assert "no straight way" in step.text


def test_parts_of_a_split_piece_are_joined_level_and_close_as_one():
    """A pin across the joint: straight down it would hit, so the parts are pushed together."""
    pin = Solid.box((49, 40, 40), (60, 60, 60))
    left = Solid.box((0, 0, 0), (50, 100, 100)) + pin
    right = Solid.box((50, 0, 0), (100, 100, 100)) - pin
    drag = piece("drag", Solid.box((0, 0, -50), (100, 100, 0)))
    parts = [
        Piece(name=f"cope-{name}", role="cope", solid=body, cut=cut)
        for name, body, cut in (("a", left, "0"), ("b", right, "1"))
    ]
    join, close = find_order((drag, *parts))
    assert (join.piece, join.direction, join.hits) == ("cope-b", (-1.0, 0.0, 0.0), ())
    assert (close.piece, close.direction[2], close.hits) == ("cope", -1.0, ())


def test_core_that_only_goes_in_level_is_set_level():
    tunnel = Solid.box((0, 0, 0), (100, 100, 100)) - Solid.box((-1, 30, 30), (101, 70, 70))
    core = Solid.box((0, 30.3, 30.3), (100, 69.7, 69.7))
    assert hits_on_the_way(core, tunnel, (0.0, 0.0, -1.0))
    (step,) = find_order((piece("drag", tunnel), piece("core-1", core)))
    assert (step.hits, abs(step.direction[0])) == ((), 1.0)


def test_head_kept_out_of_a_gap():
    """A 0.3 mm gap under steel holds about 150 mm; capillary law 2 gamma cos / (rho g s)."""
    want = 2 * 1.87 * np.cos(np.radians(40.0)) / (0.3e-3 * 7000.0 * G_M_S2) * 1e3
    agree(head_kept_out_mm(0.3, 1.87, 7000.0), want, rel=1e-9, why="same law")
    assert head_kept_out_mm(0.0, 1.87, 7000.0) == float("inf")


def test_a_cheek_under_the_bulge_of_a_core_goes_in_before_it():
    """The core stands in the drag, and is wider in the cheek than the cheek's throat."""
    core = Solid.box((40, 40, -20), (60, 60, 40)) + Solid.box((20, 20, 20), (80, 80, 40))
    room = Solid.box((39, 39, -20), (61, 61, 40)) + Solid.box((19, 19, 20), (81, 81, 40))
    drag = piece("drag", Solid.box((0, 0, -40), (100, 100, 0)) - room)
    cheek = piece("cheek-1", Solid.box((0, 0, 0), (100, 100, 40)) - room)
    cope = piece("cope", Solid.box((0, 0, 40), (100, 100, 60)))
    steps = find_order((drag, piece("core-1", core), cheek, cope))
    assert [step.piece for step in steps] == ["cheek-1", "core-1", "cope"]
    assert not any(step.hits for step in steps)


def test_a_flange_under_a_cheek_lifts_cheek_and_cope():
    """Hydrostatics: a disc in the drag, its roof the cheek's underside, fed by a riser.

    Under the roof stands rho g (head x (disc - riser)); cope and cheek carry it together.
    """
    disc = Solid.cone(80, 80, 20, 96).moved((0, 0, -70))
    riser = Solid.cone(10, 10, 250, 96).moved((0, 0, -60))
    solid, block = disc + riser, Solid.box((-150, -150, -120), (150, 150, 150))
    above, drag = (block - solid).split_at((0.0, 0.0, 1.0), -50.0)
    cope, cheek = above.split_at((0.0, 0.0, 1.0), 0.0)
    mold = Mold(
        block=block, metal=solid, clearances=(), inserts_mm3=0.0, z_mm=0.0, cheeks_mm=(-50.0,),
        pieces=(piece("drag", drag), piece("cheek-1", cheek), piece("cope", cope)),
    )  # fmt: skip
    metal = Metal(
        solid=solid, parts=("casting",), roles=(Role.CASTING,), mass_kg=3.0, casting_kg=3.0,
        yield_pct=100.0,
    )  # fmt: skip
    job = make_job({"alloy": "carbon-steel", "casting": {"file": "a.stl"}}, folder=".", where="")
    steel, sand = find(Alloy, "carbon-steel"), find(Sand, "silica-furan")
    facts = measure_pieces(mold, metal, steel, sand, job, find(Rules, "usual"))
    roof_mm2 = disc.slice_at(-60.0).area - riser.slice_at(50.0).area
    want = pressure_pa(1.0, steel.density_liquid_kg_m3) * 240.0 * roof_mm2 / 1e6
    agree(facts.cope_lift_n, want, rel=1e-6, why="exact on facets")
    assert facts.lifted == ("cheek-1", "cope")
    kg = (cheek.volume_mm3 + cope.volume_mm3) / 1e9 * sand.density_kg_m3
    agree(facts.cope_kg, kg, rel=1e-9, why="both stand on the joint that opens")
    agree(facts.joint_head_mm, 240.0, rel=1e-9, why="the lowest joint is the cheek's")
