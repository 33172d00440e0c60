"""Cores: which sand becomes one, its exact body, its prints, what the job may say."""

import numpy as np
import pytest
from shapely.geometry import Polygon

from moldprep.errors import JobError, StageError
from moldprep.geometry.solid import Solid
from moldprep.jobfile import make_job
from moldprep.mold.bearing import find_bearing, least_pressure_mpa
from moldprep.mold.cores import find_cores
from moldprep.mold.enclosed import find_hemmed
from moldprep.mold.rooms import print_rooms
from moldprep.records import Role
from tests.helpers import agree
from tests.molds import PRINTER, SILICA, mold_of
from tests.unit.test_cut import assert_sound

PLAIN = {"marks": False, "lifting": "none"}


def x_bore(radius, length, segments=128):
    bar = Solid.cone(radius, radius, length, segments).turned((0, 90, 0))
    return bar.moved((-0.5 * length, 0, 0))


def y_bore(radius, length, segments=128):
    return Solid.cone(radius, radius, length, segments).turned((-90, 0, 0))


BLOCK = Solid.box((-60, -40, -30), (60, 40, 30))
BORED = BLOCK - x_bore(15, 200)
TEE = x_bore(40, 240) + y_bore(40, 120) - x_bore(30, 300) - y_bore(30, 200)
VOLUTE = (
    Solid.cone(90, 90, 70, 128).moved((0, 0, -35))
    + x_bore(32, 180).moved((90, 60, 0))
    + Solid.cone(40, 40, 90, 96)
    - Solid.cone(78, 78, 46, 128).moved((0, 0, -23))
    - x_bore(22, 300).moved((150, 56, 0))
    - Solid.cone(28, 28, 100, 96)
)


def cores_of(mold):
    return [piece for piece in mold.pieces if piece.role == "core"]


def test_a_horizontal_bore_gives_one_core_of_its_volume():
    """The bore's prism has a closed form: n/2 r² sin(2 pi/n) L."""
    (core,) = cores_of(mold_of(BORED, mold=PLAIN))
    inside = core.solid & Solid.box((-60, -40, -30), (60, 40, 30))
    area = 0.5 * 128 * 15.0**2 * np.sin(2.0 * np.pi / 128)
    agree(inside.volume_mm3, area * 120.0, rel=1e-4, why="its ends are set 1 micron inside")
    prints = core.solid.volume_mm3 - inside.volume_mm3
    assert prints > 0.2 * inside.volume_mm3


def test_a_core_is_its_bore_and_its_prints_and_no_more():
    job = make_job({"alloy": "steel", "casting": {"file": "x.stl"}}, folder=".", where="")
    (core,) = find_cores(BORED, [(BORED, find_hemmed(BORED, 0.0))], (), job, SILICA, 0.0).cores
    area = 0.5 * 128 * 15.0**2 * np.sin(2.0 * np.pi / 128)
    prints = sum((one.solid - BLOCK).volume_mm3 for one in core.prints)
    assert len(core.prints) == 2
    agree(core.solid.volume_mm3, area * 120.0 + prints, rel=1e-3, why="0.1 % is asked for")


@pytest.mark.parametrize("turn", [0.0, 30.0, 77.0])
def test_a_bore_at_any_angle_gives_one_core(turn):
    casting = BORED.turned((0, 0, turn))
    mold = mold_of(casting, mold=PLAIN)
    (core,) = cores_of(mold)
    want = x_bore(15, 120).volume_mm3
    inside = (core.solid & BLOCK.turned((0, 0, turn))).volume_mm3
    agree(inside, want, rel=1e-3, why="promised 0.1 %")
    assert_sound(mold)


def with_nibs(casting, nib_mm):
    """Return a casting with small corners that shift the grid laid over it by a part of a cube."""
    low = casting.bounds[0]
    nibs = [Solid.box(low - nib_mm * np.eye(3)[k], low + 4.0) for k in range(3)]
    return Solid.union([casting, *nibs]) if nib_mm else casting


SLOW_NIBS = [pytest.param(nib, marks=pytest.mark.slow) for nib in (0.21, 0.62)]


@pytest.mark.parametrize("nib_mm", [0.0, 0.43, *SLOW_NIBS])
@pytest.mark.parametrize("turn", [0.0, 15.0, 30.0, 45.0])
@pytest.mark.parametrize("is_block_turned", [True, False])
def test_one_core_wherever_the_grid_lies(is_block_turned, turn, nib_mm):
    """The bore's own volume and its prints', within 0.1 %; at 30 deg it comes out at an edge."""
    way = (0.0, 0.0, turn)
    block = BLOCK.turned(way) if is_block_turned else BLOCK
    bore = x_bore(12, 400).turned(way)
    casting = with_nibs(block, nib_mm) - bore
    job = make_job({"alloy": "steel", "casting": {"file": "x.stl"}}, folder=".", where="test")
    found = find_cores(casting, [(casting, find_hemmed(casting, 0.0))], (), job, SILICA, 0.0)
    (core,) = found.cores
    prints = sum((one.solid - block).volume_mm3 for one in core.prints)
    assert len(core.prints) == 2
    want = (bore & block).volume_mm3 + prints
    agree(core.solid.volume_mm3, want, rel=1e-3, why="promised 0.1 %; ends are set 1 micron inside")


def test_a_bore_with_slanted_mouths_is_cut_at_their_planes():
    """Turned about all axes: the planes are those of the block, to rounding."""
    way = (30.0, 30.0, 30.0)
    casting = BORED.turned(way)
    job = make_job({"alloy": "steel", "casting": {"file": "x.stl"}}, folder=".", where="test")
    found = find_cores(casting, [(casting, find_hemmed(casting, 0.0))], (), job, SILICA, 0.0)
    (core,) = found.cores
    inside = (core.solid & BLOCK.turned(way)).volume_mm3
    agree(inside, x_bore(15, 120).volume_mm3, rel=1e-4, why="ends are set 1 micron inside")


def test_a_bore_off_the_parting_reaches_down_into_the_drag():
    mold = mold_of(BLOCK - x_bore(15, 200).moved((0, 0, 8)), mold=PLAIN)
    (core,) = cores_of(mold)
    assert core.solid.bounds[0, 2] < -6.0
    assert_sound(mold)


@pytest.mark.parametrize("casting", [BORED, TEE, VOLUTE])
def test_cores_go_together_with_both_halves_along_z(casting):
    """Lift the cope off, then the core out: nothing may be in the way at any height."""
    mold = mold_of(casting)
    (core,) = cores_of(mold)
    drag, cope = mold.pieces[0].solid, mold.pieces[-1].solid
    for up in (0.0, 0.5, 3.0, 12.0, 40.0, 90.0):
        assert (cope.moved((0, 0, up)) & core.solid).volume_mm3 < 1e-3
        assert (core.solid.moved((0, 0, up)) & drag).volume_mm3 < 1e-3
    assert_sound(mold)


@pytest.mark.parametrize("casting", [BORED, TEE, VOLUTE])
def test_a_core_rests_in_the_drag(casting):
    """Lowered by more than the gap it stands on the drag's sand, at its prints."""
    mold = mold_of(casting, cores={"clearance_mm": 0.3})
    (core,) = cores_of(mold)
    sunk = core.solid.moved((0, 0, -1.0)) & mold.pieces[0].solid
    assert sunk.volume_mm3 > 50.0


def test_a_core_goes_in_one_way_only():
    mold = mold_of(BORED, mold=PLAIN)
    (core,) = cores_of(mold)
    sand = mold.pieces[0].solid + mold.pieces[-1].solid
    for turn in ((0, 0, 180), (180, 0, 0), (90, 0, 0), (0, 180, 0)):
        assert (core.solid.turned(turn) & sand).volume_mm3 > 20.0, turn


def test_a_blind_bore_is_balanced_on_its_only_print():
    """Moments about the mouth: the print outweighs what hangs free, so it lies still when set."""
    mold = mold_of(
        BLOCK - x_bore(15, 200).moved((-20, 0, 0)) + Solid.box((30, -40, -30), (60, 40, 30)),
        mold=PLAIN,
    )
    (core,) = cores_of(mold)
    assert core.solid.centroid_mm[0] < -60.0
    assert "to balance it" in " ".join(mold.notes)
    under = find_bearing(core.solid, [mold.pieces[0].solid]).only_under()
    assert under.overhang_mm(core.solid.centroid_mm) == 0.0
    assert least_pressure_mpa(under, -1.0, core.solid.centroid_mm) < 1.0
    assert_sound(mold)


def jacket(*openings):
    """Return a cylinder with a water jacket round its bore and openings out of that."""
    wall = Solid.cone(95, 95, 170).moved((0, 0, -85)) - Solid.cone(50, 50, 172).moved((0, 0, -86))
    room = Solid.cone(84, 84, 120).moved((0, 0, -60)) - Solid.cone(60, 60, 122).moved((0, 0, -61))
    return wall - room - Solid.union(openings)


def x_rod(radius, low, high, z=0.0):
    return Solid.cone(radius, radius, high - low).turned((0, 90, 0)).moved((low, 0, z))


@pytest.mark.parametrize("openings", [
    (x_rod(9, 70, 120, -35), x_rod(9, -120, -70, 35)),  # through the round wall, no flange
    (Solid.box((70, -25, -6), (120, 25, 6)), Solid.box((-120, -25, -6), (-70, 25, 6))),
    tuple(Solid.cone(7, 7, 50).moved((x, 0, 50)) for x in (-72, 72)),  # in the deck only
])  # fmt: skip
def test_a_water_jacket_is_one_core_with_prints_out_of_its_openings(openings):
    casting = jacket(*openings)
    mold = mold_of(casting, mold=PLAIN)
    (core,) = cores_of(mold)
    room = 2.0 * 60.0 * 0.5 * 64 * np.sin(2.0 * np.pi / 64) * (84.0**2 - 60.0**2)
    assert 0.0 < core.solid.volume_mm3 - room < 0.1 * room
    assert sum(name.startswith("core-1 print") for name, _ in mold.prints) == 2
    assert_sound(mold)


def test_no_print_is_longer_than_reason_to_balance_a_jacket():
    mold = mold_of(jacket(x_rod(9, 70, 120)), mold=PLAIN)
    (core,) = cores_of(mold)
    assert core.solid.size_mm[0] < 2.5 * 190.0
    assert any("set chaplets" in note for note in mold.notes)


def test_a_short_print_lets_a_blind_core_tip():
    casting = BLOCK - x_bore(15, 200).moved((-20, 0, 0)) + Solid.box((30, -40, -30), (60, 40, 30))
    mold = mold_of(casting, mold=PLAIN, cores={"print_mm": 20.0})
    (core,) = cores_of(mold)
    under = find_bearing(core.solid, [mold.pieces[0].solid]).only_under()
    assert under.overhang_mm(core.solid.centroid_mm) > 10.0
    assert least_pressure_mpa(under, -1.0, core.solid.centroid_mm) == np.inf


def test_a_core_that_only_opens_upward_falls():
    """A water jacket with holes in its roof: nothing lies under it before the cope is on."""
    holes = Solid.union(
        Solid.cone(12, 12, 100, 48).moved((0.7 * x, 0.7 * x * side, 0))
        for x in (-50, 50)
        for side in (-1, 1)
    )
    jacket = Solid.cone(60, 60, 50, 96).moved((0, 0, -35)) - Solid.cone(30, 30, 60, 96).moved(
        (0, 0, -40)
    )
    body = Solid.box((-80, -80, -50), (80, 80, 40)) - Solid.cone(20, 20, 200, 64).moved(
        (0, 0, -100)
    )
    mold = mold_of(body - jacket - holes, mold=PLAIN)
    (core,) = cores_of(mold)
    assert find_bearing(core.solid, [mold.pieces[0].solid]).only_under().area_of(1.0) == 0.0
    assert_sound(mold)


def test_a_bore_that_ends_in_a_step_is_cut_square():
    """Half its mouth opens on a face, half goes on into a boss: no plane along its mean cuts it."""
    block = Solid.box((0, 0, 0), (220, 140, 90)) + Solid.box((60, 140, 30), (160, 170, 60))
    bores = x_bore(20, 240).moved((110, 70, 45)) + y_bore(16, 160).moved((60, -10, 45))
    mold = mold_of(block - bores, z_mm=60.0, mold=PLAIN)
    (core,) = cores_of(mold)
    assert_sound(mold)
    for half in (piece for piece in mold.pieces if piece.role != "core"):
        assert (half.solid & core.solid).volume_mm3 < 1.0


def test_gap_round_a_print_is_what_the_job_says():
    mold = mold_of(BORED, mold={**PLAIN, "coating_mm": 0.2}, cores={"clearance_mm": 0.4})
    (core,) = cores_of(mold)
    drag = mold.pieces[0].solid
    end = core.solid.split_at((1.0, 0.0, 0.0), 62.0)[0]
    agree(end.gap_mm(drag, 5.0), 0.6, rel=0.07, why="round grown by a polyhedron")


def test_a_vee_groove_stays_with_its_halves():
    groove = Polygon([(40.0, 0.0), (61.0, 15.0), (61.0, -15.0)])
    sheave = Solid.cone(60, 60, 50, 128).moved((0, 0, -25)) - Solid.revolve(groove, 128)
    mold = mold_of(sheave, mold=PLAIN)
    assert cores_of(mold) == []
    assert_sound(mold)


def test_a_short_bolt_hole_stays_and_a_long_one_does_not():
    lug = Solid.box((-10, -40, 10), (10, 40, 60))
    short = lug - x_bore(9, 60).moved((0, 0, 35))
    assert cores_of(mold_of(short, mold=PLAIN)) == []
    long = Solid.box((-60, -40, 10), (60, 40, 60)) - x_bore(9, 200).moved((0, 0, 35))
    assert len(cores_of(mold_of(long, z_mm=10.0, mold=PLAIN))) == 1


def test_a_cavity_wider_than_its_opening_is_a_core():
    bulb = Solid.box((-60, -60, 5), (60, 60, 100)) - Solid.sphere(40).moved((0, 0, 52))
    vase = bulb - x_bore(12, 80).moved((40, 0, 52))
    assert len(cores_of(mold_of(vase, z_mm=5.0, mold=PLAIN))) == 1


def test_with_half_leaves_no_core():
    mold = mold_of(BORED, cores={"process": "with-half"})
    assert cores_of(mold) == []
    assert_sound(mold)


def test_cores_only_gives_cores_and_the_room_for_their_prints():
    mold = mold_of(BORED, cores={"process": "only"})
    assert [piece.name for piece in mold.pieces] == ["core-1"]
    assert [name for name, _ in mold.prints] == ["core-1 print 1", "core-1 print 2"]
    core = mold.pieces[0].solid
    for _, room in mold.prints:
        assert 0.0 < (room - core).volume_mm3 < room.volume_mm3
    assert_sound(mold)


def test_cores_only_tells_the_fit_of_every_print():
    mold = mold_of(BORED, cores={"process": "only", "clearance_mm": 0.4}, mold={"coating_mm": 0.3})
    fits = [note for note in mold.notes if note.startswith("fit of core-1 print")]
    assert len(fits) == 2
    assert all("gap 0.70 mm each face (0.4 clearance + 0.3 coating)" in note for note in fits)
    core = mold.pieces[0].solid
    for _, room in mold.prints:
        around = room - core
        agree(2.0 * around.volume_mm3 / around.area_mm2, 0.7, rel=0.1, why="a shell, its rims")


def test_cores_only_without_any_core_is_refused():
    with pytest.raises(StageError) as caught:
        mold_of(BLOCK, cores={"process": "only"})
    assert caught.value.code == "mold/no-core"


def test_declared_box_wins():
    """A notch that would stay with its half becomes a core where the job wants it."""
    notched = BLOCK - Solid.box((-20, 10, -30), (20, 40, 5))
    box = [[-20, 10, -30], [20, 40, 5]]
    mold = mold_of(
        notched, z_mm=-30.0, mold=PLAIN, cores={"declared": [{"name": "loose", "box": box}]}
    )
    (core,) = cores_of(mold)
    assert core.name == "loose"
    inside = (core.solid & Solid.box(*box)).volume_mm3
    agree(inside, 40.0 * 30.0 * 35.0, rel=1e-3, why="set 1 micron inside the box")
    assert_sound(mold)


def test_two_cores_that_meet_clear_each_other():
    """A bore in two declared halves: one ends short of the other by the print gap."""
    halves = [
        {"name": name, "box": [[low, -20, -20], [high, 20, 20]]}
        for name, low, high in (("a", -60, 0), ("b", 0, 60))
    ]
    mold = mold_of(BORED, mold=PLAIN, cores={"declared": halves})
    a, b = cores_of(mold)
    agree(a.solid.gap_mm(b.solid, 2.0), 0.3, rel=0.02, why="DIP_MM inside each face")
    assert_sound(mold)


def test_a_declared_box_round_all_of_the_casting_is_refused_where_it_holds_its_outside():
    whole = [{"name": "all", "box": [[-500, -500, -500], [500, 500, 500]]}]
    spool = x_bore(40, 200) + x_bore(80, 20).moved((90, 0, 0)) + x_bore(80, 20).moved((-90, 0, 0))
    with pytest.raises(JobError) as caught:
        mold_of(spool - x_bore(15, 300), mold=PLAIN, cores={"declared": whole})
    assert caught.value.code == "job/bad-value"
    assert "hollow" in caught.value.fix
    mold = mold_of(BORED, mold=PLAIN, cores={"declared": whole})  # a block: the bore is all of it
    assert [core.name for core in cores_of(mold)] == ["all"]
    assert_sound(mold)


def test_a_found_core_leaves_room_for_a_declared_part_of_it():
    end = [{"name": "end", "box": [[35, -20, -20], [60, 20, 20]]}]
    mold = mold_of(BORED, mold=PLAIN, cores={"declared": end})
    declared, found = cores_of(mold)
    assert (declared.name, found.name) == ("end", "core-1")
    assert declared.solid.gap_mm(found.solid, 2.0) > 0.29
    assert_sound(mold)


def test_declared_model_brings_its_own_prints(tmp_path):
    bar = x_bore(14.99, 160, 64)
    points, faces = bar.mesh()
    corners = points[faces].astype("<f4")
    record = np.zeros(len(faces), np.dtype([("n", "<f4", 3), ("c", "<f4", (3, 3)), ("s", "<u2")]))
    record["c"] = corners
    path = tmp_path / "bar.stl"
    path.write_bytes(b"own core".ljust(80) + np.uint32(len(faces)).tobytes() + record.tobytes())
    mold = mold_of(
        BLOCK - x_bore(15, 200), folder=tmp_path, mold=PLAIN,
        cores={"declared": [{"name": "bar", "file": "bar.stl"}]},
    )  # fmt: skip
    (core,) = cores_of(mold)
    inside = (core.solid & BLOCK).volume_mm3
    agree(inside, 0.75 * bar.volume_mm3, rel=1e-5, why="single precision file, 120 of 160 mm")
    assert len(mold.prints) == 2


def test_declared_core_needs_a_box_or_a_file():
    with pytest.raises(JobError):
        mold_of(BLOCK, cores={"declared": [{"name": "x"}]})


def test_metal_in_the_way_shortens_or_drops_a_print():
    free = mold_of(BORED, mold=PLAIN)
    wall = ("F1", Role.FEEDER, Solid.box((75, -30, -30), (95, 30, 30)))
    held = mold_of(BORED, wall, mold=PLAIN)
    assert cores_of(held)[0].solid.bounds[1, 0] < 75.0 < cores_of(free)[0].solid.bounds[1, 0]
    assert_sound(held)


def test_a_sheet_with_a_cross_hole_keeps_its_inside_on_the_drag():
    lid = Solid.box((-100, -60, 0), (100, 60, 40)) - Solid.box((-95, -55, -1), (95, 55, 35))
    lid = lid - x_bore(6, 300).moved((0, 0, 15))
    mold = mold_of(lid, mold=PLAIN)
    drag, cope = mold.pieces
    assert drag.solid.bounds[1, 2] == 35.0
    for up in (0.0, 5.0, 30.0):
        assert (cope.solid.moved((0, 0, up)) & drag.solid).volume_mm3 < 1e-3
    assert_sound(mold)


def test_hemmed_in_volume_of_a_bore_on_the_grid():
    (region,) = find_hemmed(BORED, 0.0).undercut
    agree(region.volume_mm3, np.pi * 15.0**2 * 120.0, rel=0.01, why="cubes of 0.6 mm")
    assert len(region.openings) == 2


def test_core_split_for_a_small_box_stays_whole_in_volume():
    small = PRINTER.model_copy(update={"box_mm": (150.0, 150.0, 400.0), "wall_gap_mm": 5.0})
    mold = mold_of(BORED, printer=small, mold=PLAIN)
    assert {piece.name for piece in cores_of(mold)} == {"core-1-a", "core-1-b"}
    assert_sound(mold)


def test_rooms_of_the_prints_are_known_before_any_rigging():
    job = make_job({"alloy": "steel", "casting": {"file": "x.stl"}}, folder=".", where="test")
    rooms = print_rooms(BORED, job, SILICA, 0.0)
    assert len(rooms) == 2
    (core,) = cores_of(mold_of(BORED, mold=PLAIN))
    outside = core.solid - BLOCK
    bodies = [Solid.extrude(Polygon(room.outline_mm), room.low_mm, room.high_mm) for room in rooms]
    assert (outside - Solid.union(bodies)).volume_mm3 < 1e-3
