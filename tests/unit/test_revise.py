"""The closed loop: what a round changes, what it never touches, and where it ends."""

from dataclasses import replace

import pytest

from moldprep.geometry.solid import Solid
from moldprep.records import Feeding, FeedPair
from moldprep.rigging.feeder_plan import plan_feeders
from moldprep.rigging.revise import close_round, left_over, revise_plan
from tests.feeding_cases import (
    Piece,
    job_of,
    parting_of,
    pattern_of,
    plan_of,
    side_feeder,
    solve,
    steel,
    survey_of,
    top_feeder,
)
from tests.helpers import agree

PLATE = Solid.box((0, 0, 0), (180, 80, 20))
BOSS = Solid.box((180, 10, -20), (240, 70, 40))
LARGE = top_feeder("F1", (30.0, 40.0, 20.0), 60.0, 90.0, serves=("plate",))


def plate_survey():
    return survey_of([Piece("plate", PLATE, "plate", 20.0, 8.2, (90.0, 40.0, 10.0))])


def bossed_survey():
    return survey_of(
        [
            Piece("plate", PLATE, "plate", 20.0, 8.2, (90.0, 40.0, 10.0)),
            Piece("boss", BOSS, "chunky", 60.0, 11.0, (210.0, 40.0, 10.0)),
        ],
        [("plate", "boss", 20.0, (180.0, 40.0, 10.0))],
    )


class Loop:
    """What the pipeline does: build, solve, revise, until nothing changes."""

    def __init__(self, solid, survey, plan, job):
        self.solid, self.survey, self.plan, self.job = solid, survey, plan, job
        self.run = solve(solid, survey, plan, job)

    def next(self):
        return revise_plan(
            self.plan,
            self.run.feeding,
            self.run.metal,
            pattern_of(self.solid),
            parting_of(self.solid, 10.0),
            self.survey,
            self.job,
            steel(),
        )

    def go(self):
        for _ in range(self.job.feeding.rounds):
            plan = self.next()
            if plan is None:
                break
            self.plan = plan
            self.run = solve(self.solid, self.survey, plan, self.job)
        self.plan = close_round(self.plan, self.run.feeding, self.run.metal, self.job)
        return self


@pytest.mark.slow
def test_a_feeder_too_small_grows_until_the_plate_is_fed():
    small = replace(LARGE, diameter_mm=36.0, height_mm=54.0)
    loop = Loop(PLATE, plate_survey(), plan_of([small]), job_of(feeding={"rounds": 6})).go()
    assert left_over(loop.run.feeding, loop.job) == ()
    rounds = loop.plan.rounds
    assert rounds[0].changed == "first plan"
    assert rounds[0].left_mm3 > 0.0
    assert not rounds[0].is_sound
    assert rounds[-1].is_sound
    assert loop.plan.feeders[0].diameter_mm > 36.0
    assert rounds[1].changed.startswith("F1: 36 x 54 to")
    agree(rounds[-1].yield_pct, loop.run.metal.yield_pct, rel=1e-9, why="measured")


@pytest.mark.slow
def test_a_boss_cut_off_gets_its_own_feeder_or_chill():
    loop = Loop(PLATE + BOSS, bossed_survey(), plan_of([LARGE]), job_of(feeding={"rounds": 6})).go()
    assert left_over(loop.run.feeding, loop.job) == ()
    new = loop.plan.rounds[1].changed
    assert "new" in new
    assert "boss" in new
    assert {feeder.name for feeder in loop.plan.feeders} >= {"F1"}
    assert any(reason.item != "F1" for reason in loop.plan.reasons)


def test_without_feeders_in_auto_a_chill_is_all_it_may_set():
    job = job_of(feeding={"rounds": 1}, rigging={"auto": ["chills"]})
    loop = Loop(PLATE + BOSS, bossed_survey(), plan_of([LARGE]), job).go()
    assert loop.plan.feeders == (LARGE,)
    assert loop.plan.chills
    assert loop.plan.rounds[1].before_chills == ()


@pytest.mark.slow
def test_what_the_job_gives_is_never_changed():
    """The given feeder is far too small; the loop sets others and leaves it alone."""
    table = {"name": "F1", "kind": "top", "at_mm": [30.0, 40.0, 20.0], "diameter_mm": 36.0}
    table |= {"height_mm": 54.0, "serves": ["plate"]}
    job = job_of(feeding={"rounds": 2}, rigging={"feeder": [table]})
    given = job.rigging.feeder[0]
    loop = Loop(PLATE, plate_survey(), plan_of([given]), job).go()
    assert loop.plan.feeders[0] == given
    assert len(loop.plan.rounds) > 1


@pytest.mark.parametrize(
    "tables", [{"feeding": {"rounds": 0}}, {"rigging": {"auto": ["gating", "vents"]}}]
)
def test_nothing_to_do_is_none(tables):
    loop = Loop(PLATE, plate_survey(), plan_of([]), job_of(**tables))
    assert loop.next() is None


def test_a_neck_that_freezes_early_is_widened():
    cube = Solid.box((0, 0, 0), (80, 80, 80))
    survey = survey_of([Piece("cube", cube, "chunky", 80.0, 13.3, (40.0, 40.0, 40.0))])
    feeder = side_feeder(
        "F1", (160.0, 40.0, 0.0), 110.0, 130.0, (80.0, 40.0, 35.0), (24.0, 24.0), serves=("cube",)
    )
    loop = Loop(cube, survey, plan_of([feeder]), job_of(feeding={"rounds": 1})).go()
    assert loop.plan.rounds[1].changed.startswith("F1 neck: 24 x 24 to 30 x 26")
    assert loop.plan.rounds[1].left_mm3 < loop.plan.rounds[0].left_mm3


@pytest.mark.slow
def test_a_feeder_much_too_large_shrinks_and_stays_sound():
    huge = replace(LARGE, diameter_mm=100.0, height_mm=150.0)
    loop = Loop(PLATE, plate_survey(), plan_of([huge]), job_of(feeding={"rounds": 4})).go()
    rounds = loop.plan.rounds
    assert all(one.is_sound for one in rounds)
    assert rounds[-1].yield_pct > rounds[0].yield_pct + 3.0
    assert loop.plan.feeders[0].diameter_mm < 100.0


def test_what_broke_is_put_back():
    """A saving that leaves a pool: the next round is the one before it, and then it rests."""
    survey, job = plate_survey(), job_of(feeding={"rounds": 4})
    loop = Loop(PLATE, survey, plan_of([replace(LARGE, diameter_mm=100.0, height_mm=150.0)]), job)
    sound = loop.run
    smaller = loop.next()
    assert smaller is not None
    broken = replace(smaller, feeders=(replace(smaller.feeders[0], diameter_mm=30.0),))
    loop.plan, loop.run = broken, solve(PLATE, survey, broken, job)
    back = loop.next()
    assert back is not None
    assert back.feeders == sound.plan.feeders
    assert back.rounds[-1].changed == "back to round 0"
    assert back.rounds[1].left_mm3 > 0.0
    loop.plan, loop.run = back, sound
    assert loop.next() is None


def test_a_feeder_that_would_run_dry_grows():
    loop = Loop(PLATE, plate_survey(), plan_of([LARGE]), job_of(feeding={"rounds": 1}))
    (pair,) = loop.run.feeding.pairs
    loop.run = replace(loop.run, feeding=_with(loop.run.feeding, replace(pair, need_mm3=3e4)))
    grown = loop.next()
    assert grown is not None
    assert grown.feeders[0].diameter_mm > LARGE.diameter_mm
    assert "must give" in grown.rounds[-1].why


def _with(feeding: Feeding, pair: FeedPair) -> Feeding:
    return Feeding(
        sections=feeding.sections,
        hot_spots=feeding.hot_spots,
        pairs=(pair,),
        graph=feeding.graph,
        label=feeding.label,
    )


@pytest.mark.slow
def test_the_automatic_plan_of_a_bossed_plate_ends_sound():
    """From the bare pattern to no pool over the limit, with the plan's own feeders."""
    solid, survey, job = PLATE + BOSS, bossed_survey(), job_of(feeding={"rounds": 4})
    feeders, chills, _ = plan_feeders(
        survey,
        pattern_of(solid),
        parting_of(solid, 10.0),
        job,
        steel(),
        plan_of().placements,
    )
    loop = Loop(solid, survey, plan_of(feeders, chills), job).go()
    assert left_over(loop.run.feeding, job) == ()
    assert loop.plan.rounds[-1].is_sound
    assert loop.run.metal.yield_pct > 45.0
