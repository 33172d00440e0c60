"""Gating sized anew for what a later plan pours: places kept, sections and times in proportion."""

from dataclasses import replace

import numpy as np
import pytest

from moldprep.catalog import find
from moldprep.checks import run_checks
from moldprep.findings import Verdict
from moldprep.geometry.solid import Solid
from moldprep.pipeline import STAGES
from moldprep.records import Alloy, Pattern, RiggingPlan, Rules, Sand
from moldprep.records.job import MoldKeys, RiggingKeys
from moldprep.records.plan import FeederPlan, Placement
from moldprep.results import Results
from moldprep.rigging.build import build_rigging
from moldprep.rigging.flow import trace_flow
from moldprep.rigging.gates.copies import point_placed
from moldprep.rigging.gates.resized import Resizing
from moldprep.rigging.gates.settled import inverse, joint_mm
from moldprep.rigging.gates.sizing import RUNNER_OVER_FOOT
from moldprep.rigging.gating import equivalent_head_mm
from moldprep.rigging.pour_times import steel_s
from tests.castings import cast, job_for
from tests.helpers import agree

TWO = ((0.0, 0.0, 0.0), (0.0, 260.0, 180.0))
CASES = {
    "one": {},
    "four round a sprue": {"mold": MoldKeys(count=4)},
    "two facing each other": {
        "rigging": {
            "placements": tuple(
                Placement(name=f"part-{k}", move_mm=(x, y, 5.0), turn_deg=turn)
                for k, (x, y, turn) in enumerate(TWO, start=1)
            )
        }
    },
    "one, turned and moved": {
        "rigging": {"placements": (Placement(name="p", move_mm=(9.0, 4.0, 5.0), turn_deg=30.0),)}
    },
}


def planned(alloy="carbon-steel", **tables):
    """Return results up to the plan of a block without feeders."""
    keys = RiggingKeys(auto=("gating", "vents"), **tables.pop("rigging", {}))
    job = job_for(alloy, rigging=keys, **tables)
    block = Solid.box((-110.0, -70.0, -30.0), (110.0, 70.0, 30.0))
    results = Results(
        job, find(Alloy, job.alloy), find(Sand, job.sand), find(Rules, job.rules), cast(block)
    )
    for stage in STAGES[1:5]:
        results = results.plus(stage.make(results))
    return results


def with_feeders(plan, diameter_mm, height_mm=120.0):
    """Return the plan with a feeder amid the top of every copy."""
    feeders = tuple(
        FeederPlan(
            name=f"F{k}", kind="top", at_mm=point_placed((0.0, 0.0, 30.0), place),
            diameter_mm=diameter_mm, height_mm=height_mm, into=place.name,
        )
        for k, place in enumerate(plan.placements, start=1)
    )  # fmt: skip
    return replace(plan, feeders=feeders, vents=())


def gates_mm2(plan):
    return sum(gate.width_mm * (gate.height_mm - gate.notch_mm) for gate in plan.ingates)


def gate_ends(plan):
    """Return where gates enter each casting, in its own frame."""
    places = {place.name: place for place in plan.placements}
    return np.array([
        point_placed(gate.path_mm[-1], inverse(places[gate.into])) for gate in plan.ingates
    ])  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_gating_follows_what_is_poured(case):
    results = planned(**CASES[case])
    first = results.need(RiggingPlan)
    later = with_feeders(first, 100.0)
    new = Resizing.of(results).resized(later)
    n, rho = len(first.placements), find(Alloy, "carbon-steel").density_liquid_kg_m3
    block_kg = n * results.need(Pattern).solid.volume_mm3 * rho * 1e-9
    feeders_kg = n * np.pi / 4.0 * 100.0**2 * 120.0 * rho * 1e-9
    slower = steel_s(block_kg + feeders_kg) / steel_s(block_kg)
    agree(new.pour_time_s / first.pour_time_s, slower, rel=2e-3, why="times shown to 0.01 s")
    # gates pass the flow of the first moment: under the full head, not the equivalent one
    head_mm = first.top_mm - joint_mm(first.ingates[0])
    joint = joint_mm(first.ingates[0]) - first.placements[0].move_mm[2]
    low, high = results.need(Pattern).solid.bounds[:, 2]
    heads = [equivalent_head_mm(head_mm, z - low, z - joint) for z in (high, high + 120.0)]
    faster = (block_kg + feeders_kg) / block_kg / slower * np.sqrt(heads[0] / heads[1])
    agree(gates_mm2(new) / gates_mm2(first), faster, rel=0.03, why="sections shown to 0.01 mm")
    assert new.choke_mm2 > 1.05 * first.choke_mm2
    np.testing.assert_allclose(gate_ends(new), gate_ends(first), atol=0.05)
    assert any("after the rounds of feeding" in reason.why for reason in new.reasons)


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("diameter_mm", [50.0, 100.0])
def test_the_new_channels_hang_together_and_keep_their_sand(case, diameter_mm):
    results = planned(**CASES[case])
    plan = Resizing.of(results).resized(with_feeders(results.need(RiggingPlan), diameter_mm))
    rigging = build_rigging(plan, results.need(Pattern))
    flow = trace_flow(rigging, plan, results.need(Alloy))
    made = results.plus(plan).plus(rigging).plus(flow)
    found = run_checks(made, ("gating",)).findings
    passed_over = {"gating/vents-match-the-choke"}  # vents are planned after this
    bad = [f.message for f in found if f.verdict is Verdict.FAIL and f.id not in passed_over]
    assert bad == []
    agree(flow.pour_time_s - flow.prime_s, plan.pour_time_s, rel=0.1,
          why="the trial pour stops within 2 %, and has blocks for castings")  # fmt: skip


def test_copies_take_their_feeders_along():
    results = planned(mold=MoldKeys(count=4))
    first = results.need(RiggingPlan)
    new = Resizing.of(results).resized(with_feeders(first, 100.0))
    assert new.placements != first.placements
    places = {place.name: place for place in new.placements}
    for feeder in new.feeders:
        home = point_placed(feeder.at_mm, inverse(places[feeder.into]))
        np.testing.assert_allclose(home, (0.0, 0.0, 30.0), atol=0.02)


def test_what_pours_as_planned_keeps_its_gating():
    results = planned()
    plan = results.need(RiggingPlan)
    resize = Resizing.of(results).resized
    assert resize(plan) is plan
    once = resize(with_feeders(plan, 100.0))
    assert resize(once) is once


def test_channels_of_the_job_are_left_alone():
    results = planned()
    plan = results.need(RiggingPlan)
    given = planned(
        rigging={"sprue": plan.sprue, "runner": plan.runners, "ingate": plan.ingates,
                 "well": plan.well, "basin": plan.basin}
    )  # fmt: skip
    later = with_feeders(given.need(RiggingPlan), 100.0)
    assert Resizing.of(given).resized(later) is later


def test_where_larger_channels_find_no_room_a_reason_says_so():
    results = planned()
    later = with_feeders(results.need(RiggingPlan), 100.0)
    start = later.sprue.at_mm
    ring = tuple(
        replace(later.feeders[0], name=f"F{k}", at_mm=(x, y, start[2] - 60.0), height_mm=200.0)
        for k, (x, y) in enumerate(
            [(-400.0 + 70.0 * i, sign * (75.0 + 70.0 * j)) for i in range(12) for j in range(6)
             for sign in (1.0, -1.0)], start=2
        )
    )  # fmt: skip
    crowded = replace(later, feeders=(*later.feeders, *ring))
    new = Resizing.of(results).resized(crowded)
    assert new.runners == crowded.runners
    assert any("find no room beside the feeders" in reason.why for reason in new.reasons)


def test_the_runner_stays_wider_than_the_foot_that_a_trial_pour_asks_for():
    """Where the sprue's foot is the choke, runners take half as much again (RUNNER_OVER_FOOT)."""
    results = planned()
    first = results.need(RiggingPlan)
    again = Resizing.of(results).resized(with_feeders(first, 100.0))
    for plan in (first, again):
        foot, runner, _ = plan.ratio
        assert foot == 1.0
        assert runner >= RUNNER_OVER_FOOT
