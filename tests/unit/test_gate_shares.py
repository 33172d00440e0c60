"""Gates share the metal by what they fill: bodies of unlike mass are full at the same time."""

import pytest

from moldprep.checks import run_checks
from moldprep.findings import Verdict
from moldprep.geometry.solid import Solid
from moldprep.records import RiggingPlan
from moldprep.rigging.gates.settled import settled_side
from tests.castings import job_for
from tests.unit.test_rows import made_until, planned

UNLIKE = Solid.union(
    [
        Solid.box((0, 0, 0), (100, 70, 30)),
        Solid.box((140, 0, 0), (200, 60, 60)),
        Solid.box((240, 10, 0), (270, 50, 20)),
    ]
)


@pytest.mark.parametrize("alloy", ["al-si7mg", "ductile-iron"])
def test_bodies_of_unlike_mass_are_full_at_the_same_time(alloy):
    results = made_until("flow", UNLIKE, job_for(alloy))
    plan = results.need(RiggingPlan)
    areas = [gate.width_mm * gate.height_mm for gate in plan.ingates]
    assert len(areas) == 3
    assert max(areas) > 3.0 * min(areas)
    found = run_checks(results, ("gating",)).findings
    alike = [f for f in found if f.id == "gating/castings-fill-alike"]
    assert len(alike) == 3
    assert [f.message for f in alike if f.verdict is not Verdict.PASS] == []
    share = [f for f in found if f.id in ("gating/gates-share-the-flow", "gating/every-gate-works")]
    assert [f.message for f in share if f.verdict is not Verdict.PASS] == []
    assert any("3 bodies of the model take" in reason.why for reason in plan.reasons)


def test_lanes_are_read_back_from_a_plan():
    places = [(x, y, 0) for x in (0, 140) for y in (0, 110, 220)]
    plan = planned(*places, until="plan").need(RiggingPlan)
    side = settled_side(plan, 1.0, 10.0, in_row=True)
    assert side is not None
    assert sorted(side.lane) == [0, 0, 0, 1, 1, 1]
    assert len(set(zip(side.lane, side.is_turned, strict=True))) == 2
