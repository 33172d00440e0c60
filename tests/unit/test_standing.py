"""What an automatic plan cannot build is left out and told; what the job gives stays."""

from dataclasses import replace

from moldprep.records import VentPlan
from moldprep.rigging.build import build_rigging
from moldprep.rigging.standing import standing
from tests.unit.test_plan import job_of, planned

ASTRAY = VentPlan(name="vent-9", at_mm=(-40.0, 100.0, 25.0), diameter_mm=8.0)
GOOD = VentPlan(name="vent-1", at_mm=(80.0, 100.0, 80.0), diameter_mm=8.0)


def test_a_vent_beside_the_casting_is_left_out_with_its_reason():
    plan, pattern = planned("plate")
    wrong = replace(plan, vents=(GOOD, ASTRAY))
    kept = standing(wrong, pattern, job_of("carbon-steel"))
    assert [vent.name for vent in kept.vents] == ["vent-1"]
    assert "left out" in next(one.why for one in kept.reasons if one.item == "vent-9")
    assert kept.ingates == plan.ingates
    names = [body.name for body in build_rigging(kept, pattern).bodies]
    assert "vent-1" in names
    assert "vent-9" not in names


def test_a_vent_the_job_gives_stays_right_or_wrong():
    plan, pattern = planned("plate")
    given = {"name": "vent-9", "at_mm": list(ASTRAY.at_mm), "diameter_mm": 8.0}
    job = job_of("carbon-steel", rigging={"vent": [given]})
    assert standing(replace(plan, vents=(ASTRAY,)), pattern, job).vents == (ASTRAY,)
