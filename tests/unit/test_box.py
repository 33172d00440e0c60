"""Pieces in job boxes: nothing lost, nothing overlaps, few boxes; and what the run takes."""

from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

from moldprep.catalog import find
from moldprep.checks import all_checks, run_check
from moldprep.findings import Verdict
from moldprep.geometry.solid import Solid
from moldprep.printing.box import overhang_mm, pack_boxes, usable_box
from moldprep.printing.estimate import estimate_print, n_layers
from moldprep.printing.layers import placed, slice_box
from moldprep.records import Mold, Piece, Printer, Rules, Sand
from moldprep.results import Results
from tests.handmade import handmade_job
from tests.helpers import agree

PRINTER = find(Printer, "box-m").model_copy(
    update={"box_mm": (600.0, 400.0, 300.0), "wall_gap_mm": 20.0, "layer_mm": 0.3}
)
SAND = find(Sand, "silica-furan")
JOB = handmade_job(Path())
GAP = JOB.box.gap_mm


def mold_of(*sizes, low=(7.0, -3.0, 11.0)):
    pieces = tuple(
        Piece(name=f"core-{k}", role="core", solid=Solid.box(low, np.add(low, size)))
        for k, size in enumerate(sizes, start=1)
    )
    block = Solid.box((0, 0, 0), (1, 1, 1))
    return Mold(block=block, metal=block, pieces=pieces, clearances=(), inserts_mm3=0.0, z_mm=0.0)


def pack(*sizes):
    mold = mold_of(*sizes)
    return mold, pack_boxes(mold, PRINTER, SAND, JOB)


def assert_sound(mold, plan):
    """Every piece is in one box or too large; in its box and clear of all others."""
    names = sorted([item.piece for item in plan.items] + [name for name, _ in plan.too_large])
    assert names == sorted(piece.name for piece in mold.pieces)
    low = np.array([PRINTER.wall_gap_mm, PRINTER.wall_gap_mm, 0.0])
    bounds = {item: placed(mold, item).bounds for item in plan.items}
    for item, (start, end) in bounds.items():
        assert (start >= low - 1e-6).all(), item
        assert (end <= low + usable_box(PRINTER) + 1e-6).all(), item
    for one, other in combinations(plan.items, 2):
        if one.box == other.box:
            (a0, a1), (b0, b1) = bounds[one], bounds[other]
            assert np.max(np.maximum(a0 - b1, b0 - a1)) >= GAP - 1e-6, (one, other)


@pytest.mark.parametrize("n", [1, 2, 5, 12, 40])
def test_random_pieces_are_packed_soundly(n):
    sizes = np.random.default_rng(n).uniform(40.0, 180.0, (n, 3))
    mold, plan = pack(*sizes)
    assert_sound(mold, plan)
    assert plan.n_boxes == max(item.box for item in plan.items)
    assert len(plan.heights_mm) == plan.n_boxes


def test_eight_equal_pieces_fill_one_box_as_they_must():
    """Room 560 x 360 x 300: four of 275 x 175 on the floor and four above, with 10 mm between."""
    mold, plan = pack(*[(275.0, 175.0, 145.0)] * 8)
    assert_sound(mold, plan)
    assert plan.n_boxes == 1
    assert plan.heights_mm == pytest.approx((300.0,))


def test_one_more_than_fits_opens_a_second_box():
    _, plan = pack(*[(275.0, 175.0, 145.0)] * 9)
    assert plan.n_boxes == 2
    assert sorted(plan.heights_mm) == pytest.approx([145.0, 300.0])


def test_a_piece_that_fits_only_turned_is_turned():
    mold, plan = pack((350.0, 550.0, 100.0))
    assert plan.items[0].turn_deg == 90.0
    assert_sound(mold, plan)


def test_a_piece_too_large_is_named_with_its_overhang():
    _, plan = pack((350.0, 575.0, 320.0), (50.0, 50.0, 50.0))
    ((name, over),) = plan.too_large
    assert name == "core-1"
    np.testing.assert_allclose(over, [15.0, 0.0, 20.0])
    assert [item.piece for item in plan.items] == ["core-2"]


def test_no_pieces_need_no_box():
    _, plan = pack()
    assert (plan.n_boxes, plan.n_layers, plan.print_time_s, plan.fill_pct) == (0, 0, 0.0, 0.0)


def test_overhang_takes_the_better_way_round():
    over = overhang_mm(np.array([[300.0, 500.0, 10.0]]), np.array([510.0, 310.0, 5.0]))
    np.testing.assert_allclose(over, [[-10.0, -10.0, 5.0]])


def test_estimate_counts_layers_not_volume():
    """By hand: 2 boxes of 400 and 200 layers at 25 s and 1800 s set-up."""
    printer = PRINTER.model_copy(update={"layer_s": 25.0, "set_up_s": 1800.0})
    run = estimate_print((120.0, 60.0), 2.0e6, printer, SAND)
    assert run.n_layers == 600
    assert run.print_time_s == 2 * 1800.0 + 600 * 25.0
    agree(run.sand_kg, 0.6 * 0.4 * 0.18 * SAND.density_kg_m3, rel=1e-9, why="arithmetic")
    agree(run.printed_kg, 2.0e-3 * SAND.density_kg_m3, rel=1e-9, why="arithmetic")
    agree(
        run.binder_kg,
        2.0e-3 * SAND.density_kg_m3 * SAND.binder.pct_of_sand / 100,
        rel=1e-9,
        why="arithmetic",
    )
    agree(run.fill_pct, 100 * 2.0e6 / (600 * 400 * 180), rel=1e-9, why="arithmetic")


@pytest.mark.parametrize(
    ("height", "layers"), [(0.3, 1), (0.31, 2), (30.0, 100), (30.0 + 1e-9, 100), (0.0, 0)]
)
def test_layers_round_up_but_not_for_noise(height, layers):
    assert n_layers(height, 0.3) == layers


def test_layers_of_a_ball_add_up_to_its_volume():
    """Middle-of-layer outlines times thickness: the midpoint rule, second order."""
    ball = Solid.sphere(40.0, 128)
    mold = Mold(
        block=ball,
        metal=ball,
        pieces=(Piece(name="core-1", role="core", solid=ball),),
        clearances=(),
        inserts_mm3=0.0,
        z_mm=0.0,
    )
    plan = pack_boxes(mold, PRINTER, SAND, JOB)
    (piece,) = slice_box(plan, mold, PRINTER, 1)
    assert piece.first == 0
    assert len(piece.outlines) == plan.n_layers
    printed = sum(outline.area for outline in piece.outlines) * piece.layer_mm
    agree(printed, ball.volume_mm3, rel=1e-3, why="0.3 mm layers on an 80 mm ball")


def check(name, mold, plan, printer=PRINTER, sand=SAND, job=None):
    rules = find(Rules, "usual")
    job = job or handmade_job(Path())
    return run_check(all_checks()[name], Results(mold, plan, printer, sand, rules, job), rules)


@pytest.mark.parametrize("is_cut", [True, False])
def test_what_is_too_large_is_not_told_to_be_cut_again(is_cut):
    mold, plan = pack((350.0, 575.0, 320.0))
    job = handmade_job(Path(), mold={"split_too_large": is_cut})
    (bad,) = check("printing/piece-fits-box", mold, plan, job=job)
    assert bad.verdict is Verdict.FAIL
    assert ("split_too_large" in bad.remedy) == (not is_cut)
    assert "larger printer" in bad.remedy


def test_check_piece_fits_box():
    mold, plan = pack((350.0, 575.0, 320.0), (50.0, 50.0, 50.0))
    bad, good = check("printing/piece-fits-box", mold, plan)
    assert (bad.verdict, bad.part, bad.value) == (Verdict.FAIL, "core-1", pytest.approx(20.0))
    assert "box-m" in bad.message
    assert (good.verdict, good.part, good.value) == (Verdict.PASS, "core-2", 0.0)


@pytest.mark.parametrize(("gap", "verdict"), [(10.0, Verdict.PASS), (4.0, Verdict.WARN)])
def test_check_pieces_keep_their_gap(gap, verdict):
    mold = mold_of((100.0, 100.0, 50.0), (100.0, 100.0, 50.0))
    job = handmade_job(Path(), box={"gap_mm": gap})
    (found,) = check("printing/pieces-keep-their-gap", mold, pack_boxes(mold, PRINTER, SAND, job))
    assert found.verdict is verdict
    assert found.value == pytest.approx(gap)


def test_check_gap_says_so_when_a_piece_is_alone():
    mold, plan = pack((50.0, 50.0, 50.0))
    (found,) = check("printing/pieces-keep-their-gap", mold, plan)
    assert found.verdict is Verdict.SKIP


@pytest.mark.parametrize(("grain", "verdict"), [(0.29, Verdict.PASS), (0.31, Verdict.WARN)])
def test_check_layer_carries_grain(grain, verdict):
    mold, plan = pack((50.0, 50.0, 50.0))
    sand = SAND.model_copy(update={"grain_mm": grain})
    (found,) = check("printing/layer-carries-grain", mold, plan, sand=sand)
    assert found.verdict is verdict
