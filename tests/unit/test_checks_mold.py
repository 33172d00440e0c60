"""Every mold check: one good case, one bad, told apart at its limit."""

from dataclasses import replace

import pytest

from moldprep.catalog import find
from moldprep.checks import all_checks, run_check
from moldprep.findings import Verdict
from moldprep.geometry.solid import Solid
from moldprep.jobfile import make_job
from moldprep.records import (
    AssemblyStep,
    CoreFacts,
    Gap,
    Handling,
    Mold,
    Piece,
    PieceFacts,
    Printer,
    Rules,
    Sand,
)
from moldprep.results import Results

PIECE = PieceFacts(
    name="cope", role="cope", mass_kg=15.0, size_mm=(200.0, 200.0, 100.0),
    center_of_mass_mm=(0.0, 0.0, 50.0), thinnest_mm=20.0, thinnest_at_mm=(1.0, 2.0, 3.0),
    slenderness=2.0, bend_stress_mpa=0.1, bend_at_mm=(4.0, 5.0, 6.0), pressure_pa=5e3,
    metal_n=(0.0, 0.0, 50.0), wall_mm=30.0, wall_span_mm=100.0, wall_stress_mpa=0.1,
    wall_at_mm=(3.0, 3.0, 3.0), loose_sand_mm3=0.0,
    loose_at_mm=(7.0, 8.0, 9.0), hidden_mm2=0.0, hidden_at_mm=(1.0, 1.0, 1.0),
)  # fmt: skip
CORE = CoreFacts(
    name="core-1", weight_n=50.0, lift_n=100.0, bearing_mm2=1000.0, bearing_mpa=0.1,
    rest_mm2=900.0, rest_mpa=0.01, overhang_mm=0.0, gas_ml=1e4, gas_pressure_pa=500.0,
    vented_mm=0.0, metal_pressure_pa=9000.0, at_mm=(0.0, 0.0, 1.0),
)  # fmt: skip
GAP = Gap(a="drag", b="cope", gap_mm=0.0, clearance_mm=0.3, touching_mm2=1e4, at_mm=(1.0, 1.0, 2.0))
CORE_GAP = replace(GAP, b="core-1", gap_mm=0.3, touching_mm2=0.0)
STEP = AssemblyStep(piece="cope", direction=(0.0, 0.0, -1.0), hits=(), text="Close cope")
GOOD = Handling(
    pieces=(PIECE,), cores=(CORE,), steps=(STEP,), gaps=(GAP,), level_mm=200.0, cope_lift_n=50.0,
    cope_kg=15.0, weight_factor=1.5, weight_kg=0.0, sand_kg=40.0, sand_to_metal=4.0,
    joint_head_mm=100.0, joint_holds_mm=140.0, bolt_bend_mpa=0.1,
)  # fmt: skip


def verdicts(check_id, handling, process="pieces", clearances=(), **mold_keys):
    cores = {"process": process}
    job = make_job(
        {"alloy": "carbon-steel", "casting": {"file": "a.stl"}, "mold": mold_keys, "cores": cores},
        folder=".",
        where="",
    )
    rules = find(Rules, "usual")
    sand, printer = find(Sand, "silica-furan"), find(Printer, "box-m")
    mold = replace(cut(), clearances=clearances)
    return run_check(
        all_checks()[check_id], Results(handling, mold, job, sand, printer, rules), rules
    )


def with_piece(**facts):
    return replace(GOOD, pieces=(replace(PIECE, **facts),))


def bolted(bend_mpa):
    return replace(GOOD, bolt_bend_mpa=bend_mpa, bolt_at_mm=(7.0, 8.0, 9.0))


def with_gap(**facts):
    return replace(GOOD, gaps=(replace(GAP, **facts),))


def with_core(**facts):
    return replace(GOOD, cores=(replace(CORE, **facts),))


@pytest.mark.parametrize(
    ("check_id", "bad", "verdict", "at"),
    [
        ("mold/assembles", replace(GOOD, steps=(replace(STEP, hits=("drag",)),)), "fail", 50.0),
        ("mold/cope-stays-down", replace(GOOD, cope_lift_n=99.0), "warn", None),
        ("mold/core-print-bears", with_core(bearing_mpa=0.36), "fail", 1.0),
        ("mold/core-stands-when-set", with_core(rest_mpa=0.36), "fail", 1.0),
        ("mold/walls-bear-the-head", with_piece(wall_stress_mpa=0.9), "warn", 3.0),
        ("mold/mating-faces-clear", with_gap(clearance_mm=0.27), "fail", 2.0),
        ("mold/core-gas-gets-out", with_core(gas_pressure_pa=9001.0), "warn", 1.0),
        ("mold/sand-is-thick-enough", with_piece(thinnest_mm=2.0), "fail", 3.0),
        ("mold/fingers-are-stout", with_piece(slenderness=5.1), "warn", 6.0),
        ("mold/fingers-bear-their-load", with_piece(bend_stress_mpa=1.0), "fail", 6.0),
        ("mold/no-loose-sand-stays", with_piece(loose_sand_mm3=200.0), "fail", 9.0),
        ("mold/faces-can-be-coated", with_piece(hidden_mm2=600.0), "warn", 1.0),
        ("mold/piece-can-be-lifted", with_piece(mass_kg=1001.0), "fail", 50.0),
        ("mold/piece-lifts-by-hand", with_piece(role="core", mass_kg=20.1), "warn", 50.0),
        ("mold/joint-keeps-metal-in", replace(GOOD, joint_head_mm=141.0), "warn", None),
        ("mold/flange-bears-its-bolts", bolted(1.0), "warn", 9.0),
    ],
)
def test_check_tells_good_from_bad(check_id, bad, verdict, at):
    (good,) = verdicts(check_id, GOOD)
    (found,) = verdicts(check_id, bad)
    assert good.verdict is Verdict.PASS
    assert found.verdict == verdict
    assert found.remedy
    assert found.source
    if at is not None:
        assert found.at_mm[2] == at


def test_a_core_may_not_touch_what_it_is_set_into():
    whole = replace(GOOD, pieces=(PIECE, replace(PIECE, name="core-1", role="core")))
    rubbing = replace(CORE_GAP, touching_mm2=200.0)
    for gap, verdict in ((CORE_GAP, Verdict.PASS), (rubbing, Verdict.FAIL)):
        (found,) = verdicts("mold/mating-faces-clear", replace(whole, gaps=(gap,)))
        assert found.verdict is verdict
        assert found.part == "core-1"


def test_stated_weights_are_held_against_the_bare_lift():
    lifted = replace(GOOD, cope_lift_n=1000.0)
    (found,) = verdicts("mold/stated-weights-suffice", lifted, weight_kg=50.0)
    assert found.verdict is Verdict.FAIL
    (found,) = verdicts("mold/stated-weights-suffice", lifted, weight_kg=100.0)
    assert found.verdict is Verdict.PASS
    (found,) = verdicts("mold/stated-weights-suffice", lifted)
    assert found.verdict is Verdict.SKIP


@pytest.mark.parametrize("check_id", ["mold/cope-stays-down", "mold/stated-weights-suffice"])
def test_cores_alone_have_no_cope_to_hold_down(check_id):
    lifted = replace(GOOD, cope_lift_n=100.0, cope_kg=0.0)
    (found,) = verdicts(check_id, lifted, process="only", weight_kg=1.0)
    assert found.verdict is Verdict.SKIP


def cut(*pieces):
    block = Solid.box((0, 0, 0), (10, 10, 10))
    named = tuple(
        Piece(name=f"piece-{k}", role="cope", solid=solid) for k, solid in enumerate(pieces)
    )
    metal = Solid.box((2, 2, 2), (4, 4, 4))
    return Mold(block=block, metal=metal, pieces=named, clearances=(), inserts_mm3=0.0, z_mm=5.0)


def judge(check_id, mold):
    rules = find(Rules, "usual")
    return [f.verdict for f in run_check(all_checks()[check_id], Results(mold, rules), rules)]


def test_volumes_of_a_whole_and_of_a_spoilt_mold():
    cavity = Solid.box((2, 2, 2), (4, 4, 4))
    low = Solid.box((0, 0, 0), (10, 10, 5)) - cavity
    high = Solid.box((0, 0, 5), (10, 10, 10))
    twice = Solid.box((0, 0, 4.9), (10, 10, 10)) - cavity
    scrap = low + Solid.box((2.5, 2.5, 2.5), (3, 3, 3))
    ids = ("mold/block-is-shared-out", "mold/pieces-do-not-overlap", "mold/piece-is-one-body")
    good = [judge(check_id, cut(low, high)) for check_id in ids]
    assert good == [["pass"], ["pass"], ["pass", "pass"]]
    assert judge(ids[0], cut(low)) == ["fail"]
    assert judge(ids[1], cut(low, twice)) == ["fail"]
    assert judge(ids[2], cut(scrap, high)) == ["fail", "pass"]


@pytest.mark.parametrize(
    ("role", "hole", "verdict"),
    [
        ("cope", "cope lifting 1", "pass"),
        ("cope", "bolt hole 1-1", "pass"),
        ("cope", "drag lifting 1", "warn"),
        ("core", "bolt hole 1-1", "warn"),
    ],
)
def test_a_heavy_piece_hangs_on_its_lifting_points_where_it_has_any(role, hole, verdict):
    heavy = with_piece(name=role, role=role, mass_kg=150.0)
    (found,) = verdicts("mold/piece-lifts-by-hand", heavy, clearances=((hole, Solid.empty()),))
    assert found.verdict == verdict
