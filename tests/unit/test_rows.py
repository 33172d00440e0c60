"""Castings the job places by hand: one straight runner gates them, or the error says why not."""

import pytest

from moldprep.catalog import find
from moldprep.checks import run_checks
from moldprep.errors import StageError
from moldprep.findings import Verdict
from moldprep.geometry.solid import Solid
from moldprep.pipeline import STAGES
from moldprep.records import Alloy, RiggingPlan, Rules, Sand
from moldprep.records.job import MoldKeys, RiggingKeys
from moldprep.records.plan import Placement
from moldprep.results import Results
from tests.castings import cast, job_for

SIZE = (80.0, 50.0, 30.0)


def planned(*places, until="flow"):
    """Return the results of blocks at (x, y, turn)."""
    keys = RiggingKeys(
        placements=tuple(
            Placement(name=f"part-{k}", move_mm=(x, y, z), turn_deg=turn)
            for k, (x, y, turn, *rest) in enumerate(places, start=1)
            for z in [rest[0] if rest else 0.0]
        )
    )
    block = Solid.box([-0.5 * s for s in SIZE], [0.5 * s for s in SIZE])
    return made_until(until, block, job_for("al-si7mg", rigging=keys))


def made_until(until, solid, job):
    """Return the results of a casting's job up to a stage."""
    results = Results(
        job, find(Alloy, job.alloy), find(Sand, job.sand), find(Rules, job.rules), cast(solid)
    )
    for stage in STAGES[1:]:
        results = results.plus(stage.make(results))
        if stage.name == until:
            return results
    raise ValueError(until)


@pytest.mark.parametrize(
    "places",
    [
        ((0, 0, 0), (160, 0, 0)),
        ((0, 0, 0), (150, 0, 90), (300, 5, 180)),
        ((0, 0, 0), (160, 0, 0), (0, 190, 180), (160, 190, 0)),
        ((0, 0, 30), (180, 40, -30), (60, 260, 10)),
    ],
    ids=["row", "row of three, one across", "two rows", "each turned"],
)
def test_placed_castings_are_gated_where_they_lie(places):
    made = planned(*places)
    plan = made.need(RiggingPlan)
    assert [place.move_mm[:2] for place in plan.placements] == [p[:2] for p in places]
    assert {gate.into for gate in plan.ingates} == {place.name for place in plan.placements}
    found = run_checks(made, ("gating",)).findings
    assert [f.message for f in found if f.verdict is Verdict.FAIL] == []


@pytest.mark.parametrize(
    "places",
    [
        [(x, y, 0) for x in (0, 140) for y in (0, 110, 220)],
        [(x, y, 0) for x in (0, 130, 260) for y in (0, 140, 280)],
        [(x + 5 * (y > 200), y, 180 * (y == 130)) for x in (0, 125) for y in (0, 130, 270, 390)],
    ],
    ids=["3 x 2, runners outside", "3 x 3", "4 rows, not quite in line"],
)
def test_rows_of_castings_hang_on_runners_of_one_trunk_and_fill_alike(places):
    made = planned(*places)
    plan = made.need(RiggingPlan)
    assert [place.move_mm[:2] for place in plan.placements] == [p[:2] for p in places]
    assert sorted(gate.into for gate in plan.ingates) == sorted(p.name for p in plan.placements)
    found = run_checks(made, ("gating",)).findings
    assert [f.message for f in found if f.verdict is Verdict.FAIL] == []
    alike = [f for f in found if f.id == "gating/castings-fill-alike"]
    assert len(alike) == len(places)
    assert [f.message for f in alike if f.verdict is not Verdict.PASS] == []


def test_castings_behind_others_are_refused_with_what_to_do():
    places = [(x, y, 0) for x in (0, 110, 220) for y in (0, 80, 160)]
    with pytest.raises(StageError, match="no runners have room past all castings") as err:
        planned(*places, until="plan")
    assert err.value.code == "rigging/no-room"
    assert "every other gap between rows" in err.value.fix
    assert "mold.count = 9" in err.value.fix


def test_castings_at_unlike_heights_are_refused_by_name():
    with pytest.raises(StageError, match="part-2 lie at another height than part-1"):
        planned((0, 0, 0), (160, 0, 0, 12.0), until="plan")


def test_tiny_castings_round_one_sprue_fed_through_their_gates_fail_nothing():
    job = job_for(
        "al-si7mg", mold=MoldKeys(count=8), rigging=RiggingKeys(auto=("gating", "chills", "vents"))
    )
    made = made_until("flow", Solid.box((0, 0, 0), (12, 8, 4)), job)
    found = run_checks(made, ("gating",)).findings
    assert [f.message for f in found if f.verdict is Verdict.FAIL] == []


def test_a_tiny_casting_under_a_feeder_is_told_how_such_are_poured():
    made = made_until("flow", Solid.box((0, 0, 0), (12, 8, 4)), job_for("al-si7mg"))
    found = run_checks(made, ("gating",)).findings
    (fault,) = [f for f in found if f.verdict is Verdict.FAIL]
    assert fault.id == "gating/channels-keep-their-sand"
    assert "several round one sprue (mold.count = 8)" in fault.remedy
