"""Every casting check: one good case, one bad, told apart at its limit."""

from dataclasses import replace

import numpy as np
import pytest

from moldprep.catalog import find
from moldprep.checks import all_checks, run_check
from moldprep.findings import Verdict
from moldprep.geometry.solid import Solid
from moldprep.records import (
    Alloy,
    Body,
    Casting,
    ClosedVoid,
    DrilledBore,
    Repair,
    Role,
    Rules,
    Survey,
)
from moldprep.results import Results

BLOCK = Solid.box((0, 0, 0), (100, 80, 60))
GOOD = Casting(
    bodies=(Body(name="casting", role=Role.CASTING, solid=BLOCK),), file="a.stl", sha256="0" * 64,
    unit="mm", repairs=(Repair(what="corners welded", count=60),), deviation_mm=0.0,
    face_color=np.empty((0, 4), np.uint8),
)  # fmt: skip


def findings(check_id, *records):
    rules = find(Rules, "usual")
    return run_check(all_checks()[check_id], Results(*records, rules), rules)


def verdicts(check_id, *records):
    return [finding.verdict for finding in findings(check_id, *records)]


def of_solid(solid):
    return replace(GOOD, bodies=(Body(name="casting", role=Role.CASTING, solid=solid),))


@pytest.mark.parametrize(("off", "verdict"), [(0.0, Verdict.PASS), (0.01, Verdict.WARN)])
def test_a_rebuilt_model_is_never_passed_over(off, verdict):
    casting = replace(GOOD, deviation_mm=off)
    assert verdicts("casting/model-is-the-customers", casting) == [verdict]


@pytest.mark.parametrize(
    ("off", "verdict"), [(0.0, Verdict.SKIP), (0.99, Verdict.PASS), (1.01, Verdict.FAIL)]
)
def test_rebuild_is_close(off, verdict):
    assert verdicts("casting/rebuild-is-close", replace(GOOD, deviation_mm=off)) == [verdict]


def test_mends_are_told_one_by_one():
    assert verdicts("casting/model-needs-no-mending", GOOD) == [Verdict.PASS]
    mends = (Repair(what="facets turned", count=3), Repair(what="small flat holes closed", count=1))
    found = findings("casting/model-needs-no-mending", replace(GOOD, repairs=mends))
    assert [(one.verdict, one.value) for one in found] == [(Verdict.WARN, 3), (Verdict.WARN, 1)]


def test_is_one_piece():
    assert verdicts("casting/is-one-piece", GOOD) == [Verdict.PASS]
    two = Solid.union([BLOCK, Solid.box((200, 0, 0), (210, 10, 10))])
    (found,) = findings("casting/is-one-piece", of_solid(two))
    assert found.verdict is Verdict.WARN
    assert "(205.0, 5.0, 5.0)" in found.remedy


def test_no_closed_void():
    assert verdicts("casting/no-closed-void", GOOD) == [Verdict.PASS]
    hollow = replace(GOOD, voids=(ClosedVoid(volume_mm3=2e4, at_mm=(50.0, 40.0, 30.0)),))
    (found,) = findings("casting/no-closed-void", hollow)
    assert found.verdict is Verdict.FAIL
    assert "20.00 cm³ around (50.0, 40.0, 30.0) mm" in found.message


def test_bores_cast_solid_are_told_with_their_widths():
    assert verdicts("casting/bores-hold-sand", GOOD) == [Verdict.PASS]
    bores = [DrilledBore(width_mm=w, depth_mm=20.0, at_mm=(9.0, 9.0, 9.0), axis=(0.0, 0.0, 1.0))
             for w in (4.2, 4.2, 3.3)]  # fmt: skip
    (found,) = findings("casting/bores-hold-sand", replace(GOOD, drilled=tuple(bores)))
    assert (found.verdict, found.value) == (Verdict.WARN, 3)
    assert "2 of 4.2 mm, 1 of 3.3 mm" in found.message


@pytest.mark.parametrize(("share", "verdict"), [(1.01, Verdict.PASS), (0.99, Verdict.FAIL)])
def test_walls_can_be_run(share, verdict):
    alloy = find(Alloy, "al-si12")
    survey = Survey(
        sections=(), joins=(), label=np.zeros((1, 1, 1), np.uint8), pitch_mm=1.0,
        origin_mm=np.zeros(3), thin_mm=1.0, run_wall_mm=share * alloy.smallest_wall_mm,
    )  # fmt: skip
    assert verdicts("casting/walls-can-be-run", survey, alloy) == [verdict]


@pytest.mark.parametrize(("side", "verdict"), [(20.1, Verdict.PASS), (19.9, Verdict.WARN)])
def test_size_is_usual(side, verdict):
    casting = of_solid(Solid.box((0, 0, 0), (side, 5, 5)))
    assert verdicts("casting/size-is-usual", casting) == [verdict]


@pytest.mark.parametrize(
    "check_id",
    ["model-is-the-customers", "rebuild-is-close", "model-needs-no-mending", "is-one-piece",
     "no-closed-void", "walls-can-be-run", "size-is-usual"],
)  # fmt: skip
def test_nothing_made_is_skipped(check_id):
    assert verdicts(f"casting/{check_id}") == [Verdict.SKIP]
