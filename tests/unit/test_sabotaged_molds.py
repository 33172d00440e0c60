"""Molds spoilt on purpose: each must be caught by the right check, at the right place.

Everything is measured by the pipeline's own stages on the spoilt bodies; nothing is told to the
checks.
"""

import numpy as np
import pytest

from moldprep.catalog import find
from moldprep.checks import all_checks, run_check
from moldprep.findings import Verdict
from moldprep.geometry.solid import Solid
from moldprep.jobfile import make_job
from moldprep.mold.handling import measure_pieces
from moldprep.printing.box import pack_boxes
from moldprep.records import (
    Alloy,
    Body,
    Insert,
    Metal,
    Mold,
    Piece,
    Printer,
    Rigging,
    Role,
    Rules,
    Sand,
)
from moldprep.results import Results
from tests.molds import parting_at

BLOCK = Solid.box((-200, -150, -120), (200, 150, 150))
PLATE = Solid.box((-120, -80, -20), (120, 80, 20))


def piece(name, solid):
    return Piece(name=name, role=name.split("-")[0], solid=solid)


def halves(hollow, block=BLOCK):
    cope, drag = (block - hollow).split_at((0.0, 0.0, 1.0), 0.0)
    return piece("drag", drag), piece("cope", cope)


def findings(check_id, metal, pieces, prints=(), inserts=(), **tables):
    """Return what a check says of these pieces around this metal."""
    tables = {"alloy": "carbon-steel", "casting": {"file": "a.stl"}, **tables}
    job = make_job(tables, folder=".", where="")
    alloy, sand = find(Alloy, "carbon-steel"), find(Sand, "silica-furan")
    printer, rules = find(Printer, "box-m"), find(Rules, "usual")
    mold = Mold(
        block=BLOCK, metal=metal, pieces=tuple(pieces), clearances=(), inserts_mm3=0.0, z_mm=0.0,
        prints=tuple(prints), inserts=tuple(inserts),
    )  # fmt: skip
    whole = Metal(
        solid=metal, parts=("casting",), roles=(Role.CASTING,), mass_kg=10.0, casting_kg=10.0,
        yield_pct=100.0,
    )  # fmt: skip
    handling = measure_pieces(mold, whole, alloy, sand, job, rules)
    plan = pack_boxes(mold, printer, sand, job)
    results = Results(mold, handling, plan, job, sand, printer, rules, parting_at(0.0, metal))
    return run_check(all_checks()[check_id], results, rules)


def failed(check_id, *args, **tables):
    return [f for f in findings(check_id, *args, **tables) if f.verdict is Verdict.FAIL]


def cored(print_mm):
    """A round bar with a bore, its core, and prints of this length."""
    turn = (0.0, 90.0, 0.0)
    bar = Solid.cone(60, 60, 240, 96).moved((0, 0, -120)).turned(turn)
    length = 240.0 + 2.0 * print_mm
    core = Solid.cone(40, 40, length, 96).moved((0, 0, -0.5 * length)).turned(turn)
    drag, cope = halves(bar + core)
    seats = [
        (f"core-1 print {k}", core.split_at((sign, 0.0, 0.0), 120.0)[0])
        for k, sign in ((1, 1.0), (2, -1.0))
        if print_mm
    ]
    return bar - core, (drag, piece("core-1", core), cope), seats


def test_a_sound_cored_mold_passes():
    metal, pieces, seats = cored(40.0)
    for check_id in ("mold/core-print-bears", "mold/core-has-a-print", "mold/assembles"):
        assert not failed(check_id, metal, pieces, seats), check_id


def test_a_floating_core():
    metal, pieces, _ = cored(0.0)
    (found,) = failed("mold/core-has-a-print", metal, pieces)
    assert (found.part, np.round(found.at_mm, 1).tolist()) == ("core-1", [0.0, 0.0, 0.0])
    # lift = (rho metal - rho sand) g V, on 0.35 MPa of print
    assert "print of 1" in found.remedy
    assert "chaplets" in found.remedy
    (found,) = failed("mold/core-print-bears", metal, pieces)
    assert "nothing bears it" in found.message


def test_a_print_too_short():
    metal, pieces, seats = cored(0.8)
    (found,) = failed("mold/core-print-bears", metal, pieces, seats)
    assert found.part == "core-1"
    assert found.value > 0.35


def test_an_interlock_that_cannot_close():
    drag, cope = halves(PLATE)
    hook = Solid.box((150, -20, -60), (170, 20, 1)) + Solid.box((130, -20, -60), (171, 20, -40))
    room = Solid.box((149, -21, -61), (172, 21, 1)) + Solid.box((129, -21, -61), (172, 21, -39))
    pieces = (piece("drag", drag.solid - room), piece("cope", cope.solid + hook))
    (found,) = failed("mold/assembles", PLATE, pieces)
    assert (found.part, found.value) == ("cope", 1.0)
    assert "it hits drag" in found.message


def test_a_blind_pocket_full_of_loose_sand():
    drag, cope = halves(PLATE)
    pocket = Solid.box((150, -40, -100), (190, 40, -60)) + Solid.box((165, -3, -61), (171, 3, 1))
    pieces = (piece("drag", drag.solid - pocket), cope)
    (found,) = failed("mold/no-loose-sand-stays", PLATE, pieces)
    assert found.part == "drag"
    np.testing.assert_allclose(found.at_mm, (170, 0, -80), atol=4.0)
    height = float(found.remedy.partition("cheeks_at_mm = [")[2].partition("]")[0])
    assert height == pytest.approx(-60.0, abs=4.0)  # its middle, below the plate's lowest point


def test_a_web_of_2_mm():
    slot = Solid.box((122, -60, -20), (140, 60, 20))
    (found,) = [
        f
        for f in failed("mold/sand-is-thick-enough", PLATE, halves(PLATE + slot))
        if f.part == "drag"
    ]
    assert found.value == pytest.approx(2.0, abs=0.01)
    assert found.at_mm[0] == pytest.approx(121.0, abs=0.1)
    assert abs(found.at_mm[1]) <= 60.0
    assert -20.0 <= found.at_mm[2] <= 0.0


def test_a_skin_of_3_mm_under_a_channel():
    """A channel that lies a little above the parting leaves a web of sand below it."""
    channel = Solid.box((118, -20, 3), (170, 20, 20))
    (found,) = [
        f
        for f in failed("mold/sand-is-thick-enough", PLATE, halves(PLATE + channel))
        if f.part == "cope"
    ]
    assert found.value == pytest.approx(3.0, abs=0.01)
    assert found.at_mm[2] == pytest.approx(1.5, abs=0.1)
    assert 118.0 <= found.at_mm[0] <= 170.0


def test_a_wall_too_thin_for_the_head():
    """7 mm of sand beside 200 mm of iron: thick enough to handle, far too thin to pour against."""
    tall = Solid.box((-120, -80, -100), (120, 80, 100))
    block = Solid.box((-200, -150, -160), (127, 150, 160))
    found = findings("mold/walls-bear-the-head", tall, halves(tall, block))
    assert [(one.part, one.verdict) for one in found] == [
        ("drag", Verdict.WARN),
        ("cope", Verdict.WARN),
    ]
    assert found[0].at_mm[0] == pytest.approx(120.0)
    assert "flask" in found[0].remedy
    assert not failed("mold/sand-is-thick-enough", tall, halves(tall, block))


def test_a_core_that_rubs_in_its_seat():
    metal, (drag, core, cope), seats = cored(40.0)
    fat = core.solid.moved((0, 0, -0.2)) - metal
    room = core.solid.scaled((1.01, 1.01, 1.01))
    pieces = (
        piece("drag", drag.solid - room),
        piece("core-1", fat),
        piece("cope", cope.solid - room),
    )
    (found, *_) = failed("mold/mating-faces-clear", metal, pieces, seats)
    assert found.part == "core-1" or "core-1" in found.message
    assert found.value < 0.95
    assert abs(found.at_mm[0]) > 119.0


def test_a_core_that_tips_before_the_cope_is_on():
    """A bar on one short print: its middle hangs over the cavity."""
    metal, (drag, core, cope), seats = cored(40.0)
    stub = core.solid - Solid.box((110, -70, -70), (400, 70, 70))
    (found,) = failed(
        "mold/core-stands-when-set", metal, (drag, piece("core-1", stub), cope), seats[1:]
    )
    assert found.part == "core-1"
    assert "tips when it is set" in found.message


def test_a_cope_light_enough_to_float():
    tall = PLATE + Solid.cone(15, 15, 131).moved((0, 0, 19))
    thin = Solid.box((-125, -85, -120), (125, 85, 40)) + Solid.cone(20, 20, 120).moved((0, 0, 30))
    pieces = halves(tall, thin)
    (found,) = failed("mold/stated-weights-suffice", tall, pieces, mold={"weight_kg": 5.0})
    assert found.part == "cope"
    assert found.value < 1.0
    assert not failed("mold/stated-weights-suffice", tall, pieces, mold={"weight_kg": 500.0})


def test_a_piece_larger_than_the_box():
    drag, cope = halves(PLATE)
    long = piece("drag", drag.solid + Solid.box((-900, -150, -120), (-199, 150, -60)))
    over = failed("printing/piece-fits-box", PLATE, (long, cope))
    assert [found.part for found in over] == ["drag"]
    assert over[0].value > 0.0


def chilled(low, high, lip=None):
    """Halves round the plate with a pocket for a chill; a lip of sand over it where asked."""
    chill = Solid.box(low, high)
    pieces = halves(PLATE + chill)
    if lip is not None:
        drag = piece("drag", pieces[0].solid + (lip - chill))
        pieces = (drag, piece("cope", pieces[1].solid - lip))
    return pieces, [Insert(name="chill-1", material="iron", solid=chill)]


def test_a_chill_under_a_plate_goes_straight_down():
    pieces, inserts = chilled((-30, -30, -40), (30, 30, -20))
    (found,) = findings("mold/inserts-go-in", PLATE, pieces, inserts=inserts)
    assert (found.verdict, found.value) == (Verdict.PASS, 0.0)
    assert "into drag straight down" in found.message


def test_a_chill_beside_a_plate_is_pushed_into_its_pocket():
    pieces, inserts = chilled((120, -30, -15), (140, 30, -5))
    (found,) = findings("mold/inserts-go-in", PLATE, pieces, inserts=inserts)
    assert found.verdict is Verdict.PASS
    assert "then pushed into its pocket" in found.message


def test_a_chill_that_reaches_under_the_sand():
    pieces, inserts = chilled((90, -30, -40), (130, 30, -20))  # 10 mm of it beyond the plate
    (found,) = failed("mold/inserts-go-in", PLATE, pieces, inserts=inserts)
    assert (found.part, found.at_mm) == ("chill-1", (110.0, 0.0, -30.0))
    assert found.value == pytest.approx(10.0 * 60.0, rel=0.1)


def test_a_chill_that_the_cope_hits():
    """Free in its drag, it stands in the way of sand that hangs from the cope."""
    chill = Solid.box((-30, -30, -40), (30, 30, -20))
    pin = Solid.box((25, -5, -30), (35, 5, 1))
    drag, cope = halves(PLATE - pin)
    pieces = (piece("drag", drag.solid - chill), piece("cope", cope.solid + pin))
    inserts = [Insert(name="chill-1", material="iron", solid=chill)]
    (found,) = failed("mold/inserts-go-in", PLATE - pin, pieces, inserts=inserts)
    assert found.part == "chill-1"
    assert found.value > 0.0


def test_a_chill_that_no_sand_holds():
    pieces, _ = chilled((-30, -30, -40), (30, 30, -20))
    loose = [Insert(name="chill-1", material="iron", solid=Solid.box((-5, -5, -5), (5, 5, 5)))]
    (found,) = failed("mold/inserts-go-in", PLATE, pieces, inserts=loose)
    assert "lies against no sand" in found.message


def test_a_mold_without_inserts_skips_them():
    (found,) = findings("mold/inserts-go-in", PLATE, halves(PLATE))
    assert found.verdict is Verdict.SKIP


@pytest.mark.parametrize(("low_mm", "is_set"), [(-40.0, True), (-20.0, True), (-41.0, False)])
def test_a_filter_inside_the_drag_stays_on_the_bench(low_mm, is_set):
    box = Solid.box((150.0, -20.0, low_mm), (172.0, 20.0, low_mm + 40.0))
    body = Body(name="filter", role=Role.FILTER, solid=box)
    metal = PLATE + box
    mold = Mold(block=BLOCK, metal=metal, pieces=halves(metal), clearances=(), inserts_mm3=0.0,
                z_mm=0.0)  # fmt: skip
    rigging = Rigging(castings=(), bodies=(body,), inserts=())
    rules = find(Rules, "usual")
    results = Results(mold, rigging, rules, parting_at(0.0, metal))
    (found,) = run_check(all_checks()["mold/filters-go-in"], results, rules)
    assert (found.verdict is Verdict.PASS) is is_set
    if not is_set:
        assert (found.part, found.value) == ("filter", 1.0)
        assert "cheeks_at_mm = [20]" in found.remedy  # its middle, over the lowest metal
