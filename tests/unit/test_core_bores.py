"""Air under a core, with the casting over it: a bore in the core leads it to a print."""

import dataclasses

import numpy as np
import pytest

from moldprep.catalog import find
from moldprep.checks import run_checks
from moldprep.findings import Verdict
from moldprep.geometry.rays import Rays
from moldprep.geometry.solid import Solid
from moldprep.mold.features import VENT_WALL_MM
from moldprep.records import CoreVentPlan, Rules
from moldprep.results import Results
from tests.helpers import agree
from tests.molds import mold_of, plan_of, sprue

RULES = find(Rules, "usual")
PEAK = (100.0, 60.0, 45.0)
PLANNED = plan_of(200.0, core_vents=(CoreVentPlan(name="core-vent-1", at_mm=PEAK),))


def hall(pillar_mm=45.0):
    """A hollow box, open at both ends, with a pillar on its floor."""
    box = Solid.box((0, 0, 0), (200, 120, 100)) - Solid.box((10, 10, 10), (190, 110, 90))
    windows = Solid.box((-1, 30, 25), (11, 90, 75)) + Solid.box((189, 30, 25), (201, 90, 75))
    return box - windows + Solid.box((85, 45, 5), (115, 75, pillar_mm))


def made(casting, plan=PLANNED):
    return mold_of(casting, sprue(-120.0, 60.0, 0.0, 180.0), z_mm=50.0, plan=plan)


def found(mold, plan=PLANNED):
    (finding,) = [
        one for one in run_checks(Results(mold, plan, RULES), ("mold",)).findings
        if one.id == "mold/core-vents-lead-out"
    ]  # fmt: skip
    return finding


@pytest.fixture(scope="module")
def mold():
    return made(hall())


def test_the_bore_leads_from_over_the_pillar_to_the_vent_of_a_print(mold):
    bore = dict(mold.clearances)["core-vent-1"]
    near, _ = Rays.of(bore).nearest(np.array([PEAK]))
    assert np.linalg.norm(near[0] - PEAK) < 12.0
    vents = [body for name, body in mold.clearances if name.startswith("core-1 vent")]
    assert min(bore.gap_mm(vent, 5.0) for vent in vents) < 1e-3


def test_sand_is_left_between_the_bore_and_the_metal(mold):
    points, _ = dict(mold.clearances)["core-vent-1"].mesh()
    near, _ = Rays.of(mold.metal).nearest(points)
    assert np.linalg.norm(near - points, axis=1).min() > 0.9 * VENT_WALL_MM


def test_the_block_is_still_shared_out(mold):
    parts = [*(piece.solid for piece in mold.pieces), *(body for _, body in mold.clearances)]
    whole = mold.metal.volume_mm3 + sum(body.volume_mm3 for body in parts)
    agree(whole, mold.block.volume_mm3, rel=1e-6, why="float32 points")


def test_the_check_finds_the_bore_and_its_place(mold):
    assert found(mold).verdict is Verdict.PASS
    assert found(mold).at_mm == PEAK


def test_a_core_without_room_over_the_pillar_is_told():
    high = made(hall(86.0), _plan_at(86.0))
    said = found(high, _plan_at(86.0))
    assert said.verdict is Verdict.WARN
    assert said.at_mm == (100.0, 60.0, 86.0)
    assert any("core-vent-1" in note for note in high.notes)


def _plan_at(z_mm):
    vent = CoreVentPlan(name="core-vent-1", at_mm=(100.0, 60.0, z_mm))
    return dataclasses.replace(PLANNED, core_vents=(vent,))


def test_without_such_a_high_point_nothing_is_bored():
    assert found(made(hall(), plan_of(200.0)), plan_of(200.0)).verdict is Verdict.SKIP
