"""Feeders beside a wall, in it, and in one another; sizes and gaps known from the drawing."""

import pytest

from moldprep.catalog import find
from moldprep.checks import all_checks, run_check
from moldprep.findings import Verdict
from moldprep.geometry.solid import Solid
from moldprep.records import Alloy, Rules
from moldprep.results import Results
from moldprep.rigging.build import build_rigging
from moldprep.rigging.feed.beside import stands_clear
from moldprep.rigging.feed.reach import Target
from moldprep.rigging.flow import trace_flow
from tests.feeding_cases import pattern_of, plan_of, side_feeder, top_feeder
from tests.helpers import agree

RULES = Rules(title="none", source={})
WALL = Solid.box((0, 0, 0), (200, 200, 20)) + Solid.box((100, 0, 19), (115, 200, 150))
"""A plate with a wall across its middle."""


def say(check_id, feeders, alloy="carbon-steel", solid=WALL):
    alloy, plan = find(Alloy, alloy), plan_of(feeders)
    rigging = build_rigging(plan, pattern_of(solid))
    flow = trace_flow(rigging, plan, alloy)
    return run_check(all_checks()[check_id], Results(rigging, plan, flow, alloy, RULES), RULES)


def beside(gap_mm, **more):
    """A feeder on the plate, so far from the wall."""
    return top_feeder("F1", (70.0 - gap_mm, 100.0, 20.0), 60.0, 90.0, **more)


@pytest.mark.parametrize(("gap", "verdict"), [(30.0, Verdict.PASS), (-12.0, Verdict.FAIL)])
def test_a_feeder_that_runs_into_a_wall_above_its_foot(gap, verdict):
    (finding,) = say("feeding/feeder-clear-of-casting", [beside(gap)])
    assert (finding.verdict, finding.part) == (verdict, "F1")
    if verdict is Verdict.FAIL:
        # chord 2 sqrt(30² - 18²) = 48 mm, from 15 mm over the foot to the dome's start at 60 mm:
        # 2160 mm², and what the dome adds up to where it leaves the wall, sqrt(30² - 18²) higher
        assert 2160.0 < finding.value < 48.0 * (45.0 + 24.0)
        agree(finding.at_mm[1], 100.0, rel=0.01, why="amid the wall's length; facets")
        assert "runs into the casting beside its foot" in finding.message


def test_a_side_feeder_is_allowed_its_neck_alone():
    block = Solid.box((0, 0, 0), (60, 60, 60))
    shelf = Solid.box((59, 0, 90), (140, 60, 100)) + Solid.box((0, 0, 59), (60, 60, 100))
    neck = {"neck_to_mm": (60.0, 30.0, 30.0), "neck": (25.0, 25.0)}
    side = [side_feeder("F1", (110.0, 30.0, 10.0), 60.0, 100.0, **neck)]
    (clear,) = say("feeding/feeder-clear-of-casting", side, solid=block)
    (in_shelf,) = say("feeding/feeder-clear-of-casting", side, solid=block + shelf)
    assert (clear.verdict, in_shelf.verdict) == (Verdict.PASS, Verdict.FAIL)
    assert in_shelf.value > 500.0


@pytest.mark.parametrize(
    ("gap", "alloy", "is_clear"),
    [
        (-12.0, "al-si12", False),  # in the wall
        (3.0, "al-si12", False),  # a web that breaks off
        (7.0, "al-si12", True),
        (7.0, "carbon-steel", False),  # burnt through
        (12.0, "carbon-steel", True),
    ],
)
def test_a_seat_is_tried_with_the_measures_it_is_judged_by(gap, alloy, is_clear):
    target = Target("casting", WALL)
    assert stands_clear(beside(gap), target, find(Alloy, alloy)) is is_clear


def test_no_thin_sand_is_left_under_a_feeder_on_a_neck():
    """A side feeder whose foot hangs 3 mm, then 6 mm over a ledge that goes out from the wall."""
    block = Solid.box((0, 0, 0), (60, 60, 100)) + Solid.box((59, 0, 0), (160, 60, 27))
    clear = [
        stands_clear(
            side_feeder(
                "F1", (110.0, 30.0, foot), 60.0, 90.0, neck_to_mm=(60.0, 30.0, 50.0),
                neck=(25.0, 2.0 * (50.0 - foot)),
            ),
            Target("casting", block), find(Alloy, "al-si12"),
        )
        for foot in (30.0, 33.0)
    ]  # fmt: skip
    assert clear == [False, True]


@pytest.mark.parametrize(("apart", "verdict"), [(30.0, Verdict.PASS), (-10.0, Verdict.FAIL)])
def test_feeders_that_run_into_each_other(apart, verdict):
    plate = Solid.box((0, 0, 0), (300, 200, 20))
    feeders = [
        top_feeder("F1", (60.0, 100.0, 20.0), 60.0, 90.0),
        top_feeder("F2", (120.0 + apart, 100.0, 20.0), 60.0, 90.0),
    ]
    (finding,) = say("feeding/feeders-stand-apart", feeders, solid=plate)
    assert finding.verdict is verdict
    if verdict is Verdict.FAIL:
        assert "F1 and F2 run into each other" in finding.message
        agree(finding.at_mm[0], 85.0, rel=0.01, why="halfway; facets")


@pytest.mark.parametrize(
    ("gap", "alloy", "verdict"),
    [
        (26.0, "carbon-steel", Verdict.PASS),
        (24.0, "carbon-steel", Verdict.WARN),
        (11.0, "grey-iron", Verdict.WARN),
        (9.0, "grey-iron", Verdict.FAIL),
        (9.0, "al-si12", Verdict.WARN),
    ],
)
def test_sand_between_a_feeder_and_a_wall(gap, alloy, verdict):
    (finding,) = say("mold/sand-between-metal", [beside(gap)], alloy)
    assert finding.verdict is verdict, finding.message
    if verdict is not Verdict.PASS:
        agree(finding.value, gap, rel=0.03, why="50 mm² of a round side lie a little farther off")


def test_sand_between_two_feeders_is_said_once():
    plate = Solid.box((0, 0, 0), (300, 200, 20))
    feeders = [top_feeder(f"F{k}", (60.0 + 75.0 * k, 100.0, 20.0), 60.0, 90.0) for k in range(2)]
    (finding,) = say("mold/sand-between-metal", feeders, solid=plate)
    agree(finding.value, 15.0, rel=0.03, why="50 mm² of round sides lie a little farther off")
    assert (finding.verdict, finding.part) == (Verdict.WARN, "F0")


def test_sand_under_a_foot_and_beside_a_neck_is_thin_on_purpose():
    """A foot 10 mm over the plate, on a neck 25 mm wide."""
    plate = Solid.box((0, 0, 0), (200, 200, 20))
    neck = {"neck_width_mm": 25.0, "neck_to_mm": (70.0, 100.0, 20.0)}
    raised = top_feeder("F1", (70.0, 100.0, 30.0), 60.0, 90.0, **neck)
    (finding,) = say("mold/sand-between-metal", [raised], solid=plate)
    assert finding.verdict is Verdict.PASS
