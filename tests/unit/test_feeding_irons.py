"""Irons draw until they swell; a pool's share of what it lies in; cells with little metal."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from moldprep.catalog import find
from moldprep.checks import all_checks, run_check
from moldprep.findings import Verdict
from moldprep.geometry.solid import Solid
from moldprep.records import Alloy, Feeding, Rules
from moldprep.results import Results
from moldprep.thermal.feeding import _Tracer
from tests.feeding_cases import Piece, plan_of, solve, survey_of, top_feeder

PLATE = Solid.box((0, 0, 0), (180, 80, 20))
PLATE_PIECE = Piece("plate", PLATE, "plate", 20.0, 8.2, (90.0, 40.0, 10.0))
FEEDER = top_feeder("F1", (30.0, 40.0, 20.0), 60.0, 80.0, serves=("plate",))


def judge(check_id, run):
    """Return what one check says of a run of ductile iron."""
    alloy = find(Alloy, "ductile-iron")
    records = (run.feeding, run.plan, run.metal, run.grid, run.freezing, alloy)
    return run_check(all_checks()[check_id], Results(*records), Rules(title="none", source={}))


@pytest.fixture(scope="module")
def sound_run():
    return solve(PLATE, survey_of([PLATE_PIECE]), plan_of([FEEDER]))


def with_pair(run, **fields):
    (pair,) = run.feeding.pairs
    old = run.feeding
    feeding = Feeding(
        sections=old.sections, hot_spots=old.hot_spots, pairs=(replace(pair, **fields),),
        graph=old.graph, label=old.label,
    )  # fmt: skip
    return replace(run, feeding=feeding)


ROTATED = np.array([[0.8, -0.6, 0.0], [0.48, 0.64, -0.6], [0.36, 0.48, 0.8]])


@pytest.mark.parametrize(
    ("check_id", "good", "bad"),
    [
        ("feeding/feeder-outlasts-section", {"feeder_time_s": 73.0}, {"feeder_time_s": 71.0}),
        ("feeding/neck-outlasts-section", {"neck_time_s": 73.0}, {"neck_time_s": 71.0}),
        ("feeding/pipe-ends-above-neck", {"neck_time_s": 270.0}, {"neck_time_s": 290.0}),
    ],
)
def test_an_iron_draws_from_its_feeder_until_it_swells(sound_run, check_id, good, bad):
    """Neck factor 0.6: 0.36 of 200 s is 72 s; a neck may outlast its feeder 0.99 / 0.36 = 2.75 x.

    Modulus of an iron's neck: S. I. Karsay, Ductile Iron III, Gating and Risering (from memory).
    """
    base = {"section_time_s": 200.0, "feeder_time_s": 100.0, "neck_time_s": 100.0}
    for fields, verdict in ((good, Verdict.PASS), (bad, Verdict.FAIL)):
        run = with_pair(sound_run, **{**base, **fields})
        findings = judge(check_id, run)
        assert {finding.verdict for finding in findings} == {verdict}, findings[0].message
        assert "thin" in findings[0].message


def lies_in(pool_mm3, own, whole_mm3):
    """Return what a pool with these volumes in regions is a share of."""
    tracer = object.__new__(_Tracer)
    tracer._regions = SimpleNamespace(volume_mm3=np.array(whole_mm3, float))
    tracer._region = np.arange(1, len(pool_mm3) + 1)
    tracer._mm3 = np.array(pool_mm3, float)
    return tracer._lies_in_mm3(np.arange(len(pool_mm3)), own)


@pytest.mark.parametrize(
    ("pool", "expected"),
    [
        ((30.0, 20.0), 100.0),  # within its section's volume: a share of that alone
        ((90.0, 60.0), 100.0 + 60.0),  # larger: its section, and what spills over
        ((90.0, 150.0), 100.0 + 200.0),  # fills most of the neighbor: that counts whole as well
    ],
)
def test_a_pool_is_never_more_than_what_it_lies_in(pool, expected):
    got = lies_in(pool, 0, (100.0, 200.0))
    assert got == expected
    assert sum(pool) <= got


def test_no_cell_freezes_before_it_is_poured():
    """A plate turned against the grid has cells with a few per cent of metal: solid at once."""
    turn = np.hstack([ROTATED, np.zeros((3, 1))])
    plate = Solid.box((-40, -40, -4), (40, 40, 4)).transformed(turn)
    piece = Piece("plate", plate, "plate", 8.0, 3.3, (0.0, 0.0, 0.0))
    run = solve(plate, survey_of([piece]), plan_of())
    metal = run.grid.label > 0
    assert (run.freezing.time_s[metal] >= 0.0).all()
    assert run.grid.fraction[metal].min() < 0.2
