"""Castings the job places by hand: one straight runner gates them, or the error says why not."""

import pytest

from moldprep.catalog import find
from moldprep.checks import run_checks
from moldprep.errors import StageError
from moldprep.findings import Verdict
from moldprep.geometry.solid import Solid
from moldprep.pipeline import STAGES
from moldprep.records import Alloy, RiggingPlan, Rules, Sand
from moldprep.records.job import RiggingKeys
from moldprep.records.plan import Placement
from moldprep.results import Results
from tests.castings import cast, job_for

SIZE = (80.0, 50.0, 30.0)


def planned(*places, until="flow"):
    """Return the results of blocks at (x, y, turn)."""
    block = Solid.box([-0.5 * s for s in SIZE], [0.5 * s for s in SIZE])
    keys = RiggingKeys(
        placements=tuple(
            Placement(name=f"part-{k}", move_mm=(x, y, z), turn_deg=turn)
            for k, (x, y, turn, *rest) in enumerate(places, start=1)
            for z in [rest[0] if rest else 0.0]
        )
    )
    job = job_for("al-si7mg", rigging=keys)
    results = Results(
        job, find(Alloy, job.alloy), find(Sand, job.sand), find(Rules, job.rules), cast(block)
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


def test_castings_behind_others_are_refused_with_what_to_do():
    places = [(x, y, 0) for x in (0, 140) for y in (0, 110, 220)]
    with pytest.raises(StageError, match="no straight runner has room past all castings") as err:
        planned(*places, until="plan")
    assert err.value.code == "rigging/no-room"
    assert "two rows that face each other" in err.value.fix
    assert "mold.count = 6" in err.value.fix


def test_castings_at_unlike_heights_are_refused_by_name():
    with pytest.raises(StageError, match="part-2 lie at another height than part-1"):
        planned((0, 0, 0), (160, 0, 0, 12.0), until="plan")
