"""The closed loop: what a round changes, what it never touches, and where it ends."""

import math
from dataclasses import replace

import networkx as nx
import numpy as np
import pytest

from moldprep.catalog import find
from moldprep.errors import StageError
from moldprep.geometry.solid import Solid
from moldprep.records import (
    ChillPlan,
    Feeding,
    FeedPair,
    Freezing,
    Grid,
    HotSpot,
    Job,
    Metal,
    Placement,
    RiggingPlan,
    Role,
    Rules,
    Step,
)
from moldprep.results import Results
from moldprep.rigging.feed.cures import TRIES, Cures
from moldprep.rigging.feed.feeder_plan import plan_feeders
from moldprep.rigging.feed.feeder_seats import SeatFinder
from moldprep.rigging.feed.ground import Ground
from moldprep.rigging.feed.revision import Revision
from moldprep.rigging.feed.shortfall import left_over
from moldprep.rigging.revise import TRIAL_SHARE, _costliest, _in_the_way, feed_by_rounds
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
from tests.handmade import section
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
    """What the pipeline does, from a plan put together by hand."""

    def __init__(self, solid, survey, plan, job, wall_mm=25.0):
        self.solid, self.survey, self.job = solid, survey, job
        self.pattern = pattern_of(solid)
        rules = find(Rules, "usual").model_copy(update={"settings": {"feeder_wall_mm": wall_mm}})
        parting = parting_of(solid, 10.0)
        self.start = Results(job, steel(), rules, self.pattern, parting, survey, plan)
        self.made = []

    def make(self, results):
        run = solve(self.solid, self.survey, results.need(RiggingPlan), results.need(Job))
        self.made.append(results.need(Job).freezing.max_updates)
        return results.plus(run.metal).plus(run.grid).plus(run.freezing).plus(run.feeding)

    def go(self):
        self.results = feed_by_rounds(self.start, self.make, self.make)
        self.plan, self.feeding = self.results.need(RiggingPlan), self.results.need(Feeding)
        return self


def best_of(loop):
    """Return the round whose plan remained."""
    return [one for one in loop.plan.rounds if one.outcome == "kept"][-1]


@pytest.mark.slow
def test_a_feeder_too_small_grows_until_the_plate_is_fed():
    small = replace(LARGE, diameter_mm=36.0, height_mm=54.0)
    loop = Loop(PLATE, plate_survey(), plan_of([small]), job_of(feeding={"rounds": 6})).go()
    assert left_over(loop.feeding, loop.job) == ()
    rounds = loop.plan.rounds
    assert rounds[0].changed == "first plan"
    assert rounds[0].left_mm3 > 0.0
    assert not rounds[0].is_sound
    assert best_of(loop).is_sound
    assert loop.plan.feeders[0].diameter_mm > 36.0
    assert rounds[1].changed.startswith("F1: 36 x 54 to")
    yield_pct = loop.results.need(Metal).yield_pct
    best = [one for one in rounds if one.outcome == "kept"][-1]
    agree(best.yield_pct, yield_pct, rel=1e-9, why="measured")
    assert best.unfed_mm3 == min(one.unfed_mm3 for one in rounds if one.pitch_mm == best.pitch_mm)


@pytest.mark.slow
def test_a_boss_cut_off_gets_its_own_feeder_or_chill():
    loop = Loop(PLATE + BOSS, bossed_survey(), plan_of([LARGE]), job_of(feeding={"rounds": 6})).go()
    assert left_over(loop.feeding, loop.job) == ()
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
    assert loop.plan.rounds[1].changed.startswith("C1")


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


@pytest.mark.parametrize("tables", [{"feeding": {"rounds": 0}}, {"rigging": {"auto": ["vents"]}}])
def test_nothing_to_do_is_one_solve_at_full_budget(tables):
    loop = Loop(PLATE, plate_survey(), plan_of([]), job_of(**tables)).go()
    assert loop.made == [loop.job.freezing.max_updates]
    assert [one.changed for one in loop.plan.rounds] == ["first plan"]
    assert loop.plan.rounds[0].unfed_mm3 > 0.0


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
    assert best_of(loop).is_sound
    assert best_of(loop).yield_pct > rounds[0].yield_pct + 3.0
    assert loop.plan.feeders[0].diameter_mm < 100.0


def made_by(left_of):
    """Return a maker of results whose only pool is `left_of(plan)` mm³ large."""

    def make(results):
        plan = results.need(RiggingPlan)
        left = left_of(plan)
        spot = HotSpot(
            name="plate", section="plate", part="casting", at_mm=(90.0, 40.0, 10.0), modulus_mm=8.2,
            freezing_time_s=90.0, fed_by="" if left else "F1", closed_s=80.0,
            isolated_volume_mm3=left, hole_mm3=0.03 * left, hole_at_mm=(90.0, 40.0, 20.0),
            section_volume_mm3=PLATE.volume_mm3, cure="",
        )  # fmt: skip
        pair = FeedPair(
            feeder="F1", section="plate", feeder_time_s=200.0, section_time_s=90.0,
            neck_time_s=120.0, feeder_modulus_mm=12.0, section_modulus_mm=8.2,
            feeder_volume_mm3=2e5, need_mm3=1e4, can_give_mm3=2e4, distance_mm=50.0,
            reach_mm=90.0, neck_mm=(30.0, 40.0, 20.0),
        )  # fmt: skip
        feeding = Feeding(
            sections=(section("plate", "casting", PLATE.volume_mm3, 90.0, 1),), hot_spots=(spot,),
            pairs=(pair,), graph=nx.Graph(), label=np.zeros((1, 1, 1), np.uint16),
        )  # fmt: skip
        poured = sum(f.diameter_mm**2 * f.height_mm for f in plan.feeders)
        metal = Metal(
            solid=PLATE, parts=("casting",), roles=(Role.CASTING,), mass_kg=1e-6 * poured,
            casting_kg=1.0, yield_pct=50.0,
        )  # fmt: skip
        return results.plus(feeding).plus(metal).plus(GRID).plus(FREEZING)

    return make


GRID = Grid(
    label=np.zeros((1, 1, 1), np.uint8),
    fraction=np.zeros((1, 1, 1), np.float32),
    material=np.zeros((1, 1, 1), np.uint8),
    materials=("sand",),
    pitch_mm=4.0,
    origin_mm=np.zeros(3),
)

NOTHING = np.full((1, 1, 1), np.nan, np.float32)
FREEZING = Freezing(
    time_s=NOTHING, gradient_k_mm=NOTHING, cooling_k_s=NOTHING, niyama=NOTHING, pitch_mm=4.0,
    n_cells=1, n_steps=1, heat_balance_error=0.0, time_all_solid_s=1.0, shake_out_s=float("nan"),
)  # fmt: skip


def test_never_ends_on_a_round_worse_than_an_earlier_one():
    """Every change makes the pool larger: the first plan is what remains, all else is told."""
    first = LARGE.diameter_mm
    plan = plan_of([LARGE])
    make = made_by(lambda p: 5e3 if p.feeders == (LARGE,) and not p.chills else 9e3)
    loop = Loop(PLATE, plate_survey(), plan, job_of(feeding={"rounds": 3}))
    results = feed_by_rounds(loop.start, make, make)
    kept = results.need(RiggingPlan)
    assert kept.feeders == (LARGE,)
    assert kept.feeders[0].diameter_mm == first
    assert kept.chills == ()
    tried = [one for one in kept.rounds if one.outcome.startswith("put back")]
    assert tried
    assert len({one.changed for one in tried}) == len(tried)  # nothing is tried twice
    assert all(one.unfed_mm3 > kept.rounds[0].unfed_mm3 for one in tried)


def test_a_plan_that_cannot_be_built_is_passed_over():
    """Building a larger feeder fails: the loop says so and goes on from what it had."""
    sound = made_by(lambda p: 5e3)

    def make(results):
        if results.need(RiggingPlan).feeders != (LARGE,) or results.need(RiggingPlan).chills:
            raise StageError("F1 stands on nothing", code="rigging/feeder-misses")
        return sound(results)

    loop = Loop(PLATE, plate_survey(), plan_of([LARGE]), job_of(feeding={"rounds": 2}))
    plan = feed_by_rounds(loop.start, make, make).need(RiggingPlan)
    assert plan.feeders == (LARGE,)
    assert "not built: F1 stands on nothing" in {one.outcome for one in plan.rounds}


def test_the_last_solve_is_the_jobs_and_trials_are_coarser():
    loop = Loop(PLATE, plate_survey(), plan_of([LARGE]), job_of(feeding={"rounds": 1})).go()
    full = loop.job.freezing.max_updates
    assert loop.made[-1] == full
    assert loop.made[0] == TRIAL_SHARE * full
    assert loop.results.need(Job) == loop.job
    assert any("on the full grid" in one.changed for one in loop.plan.rounds)


def dry(results):
    """Make results where LARGE must give 30 cm³ and can give 20; any other is large enough."""
    made = made_by(lambda p: 0.0)(results)
    feeding = made.need(Feeding)
    (pair,) = feeding.pairs
    need = 3e4 if results.need(RiggingPlan).feeders == (LARGE,) else 1e4
    return made.plus(replace_pair(feeding, replace(pair, need_mm3=need)))


@pytest.mark.parametrize("wall_mm", [25.0, 60.0])
def test_a_grown_feeder_keeps_the_rule_sets_sand_above_it(wall_mm):
    job = job_of(feeding={"rounds": 1, "sleeves": "none"})
    loop = Loop(PLATE, plate_survey(), plan_of([LARGE], top_mm=115.0), job, wall_mm)
    plan = feed_by_rounds(loop.start, dry, dry).need(RiggingPlan)
    (feeder,) = plan.feeders
    assert feeder.height_mm > LARGE.height_mm
    assert plan.top_mm == feeder.at_mm[2] + feeder.height_mm + wall_mm


def test_what_a_round_changed_is_told_one_by_one():
    job = job_of(feeding={"rounds": 1, "sleeves": "none"})
    loop = Loop(PLATE, plate_survey(), plan_of([LARGE]), job)
    plan = feed_by_rounds(loop.start, dry, dry).need(RiggingPlan)
    (step,) = plan.rounds[1].steps
    assert (step.kind, step.item, step.for_what) == ("size", "F1", "F1")
    assert plan.rounds[1].changed == step.text


@pytest.mark.parametrize("sleeves", ["none", "auto"])
def test_a_feeder_that_would_run_dry_grows_or_gets_a_sleeve(sleeves):
    """It must give 30 cm³ and can give 20: no pool, but not sound. At 1.5 x a sleeve first."""
    job = job_of(feeding={"rounds": 1, "sleeves": sleeves})
    loop = Loop(PLATE, plate_survey(), plan_of([LARGE]), job)
    plan = feed_by_rounds(loop.start, dry, dry).need(RiggingPlan)
    (feeder,) = plan.feeders
    if sleeves == "none":
        assert feeder.diameter_mm > LARGE.diameter_mm
        assert feeder.sleeve == "none"
    else:
        assert (feeder.diameter_mm, feeder.sleeve) == (LARGE.diameter_mm, "insulating")
        assert feeder.sleeve_mm >= 8.0
    assert "must give" in plan.rounds[1].why
    assert not plan.rounds[0].is_sound
    assert plan.rounds[-1].is_sound


def test_of_changes_that_only_harm_together_new_feeders_go_first():
    feeder = Step(kind="add", item="F1", for_what="a", text="F1: new")
    chill = Step(kind="add", item="C1", for_what="b", text="C1: new chill")
    plan = plan_of([LARGE])
    assert _costliest(Revision(plan=plan, steps=(feeder, chill), why=())) == {"new"}
    assert _costliest(Revision(plan=plan, steps=(chill,), why=())) == {"new chill"}


def test_a_chill_beside_whose_section_a_neighbor_lost_more_is_in_the_way():
    """The rim's own pool is gone, but the boss was fed through it; nothing grew beside the hub."""
    ways = nx.Graph([("rim", "boss"), ("hub", "web")])
    feeding = Feeding(
        sections=(), hot_spots=(), pairs=(), graph=ways, label=np.zeros((1, 1, 1), np.uint16)
    )
    rim = Step(kind="add", item="C1", for_what="rim", text="C1: new chills on rim")
    hub = Step(kind="add", item="C2", for_what="hub", text="C2: new chills on hub")
    neck = Step(kind="neck", item="F1", for_what="rim", text="F1 neck")
    cold = [ChillPlan(name=name, at_mm=(0, 0, 0), size_mm=(20, 20, 10)) for name in ("C1", "C2")]
    plan = plan_of(chills=cold)
    revision = Revision(plan=plan, steps=(rim, hub, neck), why=())
    assert _in_the_way(revision, {"boss"}, feeding) == {"new chills on rim"}
    assert _in_the_way(revision, set(), feeding) == set()


def test_an_error_refuses_only_the_change_it_names():
    """F2 cannot be built larger: F1's change is tried again without it."""
    other = replace(LARGE, name="F2", at_mm=(140.0, 40.0, 20.0))
    make = made_by(lambda p: 0.0)

    def dry(results):
        if results.need(RiggingPlan).feeders[1] != other:
            raise StageError("F2 stands on nothing", code="rigging/feeder-misses", where="F2")
        feeding = make(results).need(Feeding)
        (pair,) = feeding.pairs
        grown = results.need(RiggingPlan).feeders[0] != LARGE
        one = replace(pair, need_mm3=1e4 if grown else 3e4)
        two = replace(pair, feeder="F2", need_mm3=3e4)
        return make(results).plus(replace(replace_pair(feeding, one), pairs=(one, two)))

    loop = Loop(PLATE, plate_survey(), plan_of([LARGE, other]), job_of(feeding={"rounds": 2}))
    plan = feed_by_rounds(loop.start, dry, dry).need(RiggingPlan)
    assert plan.rounds[1].outcome == "not built: F2 stands on nothing"
    assert plan.feeders[0] != LARGE
    assert plan.feeders[1] == other


def test_a_feeder_beside_is_lifted_over_a_pool_above_its_top():
    """A wall 120 mm high, fed by a low feeder: liquid does not run up. Wide enough to stay open."""
    wall = Solid.box((0, 0, 0), (80, 40, 120))
    survey = survey_of([Piece("wall", wall, "chunky", 40.0, 11.5, (40.0, 20.0, 60.0))])
    low = side_feeder(
        "F1", (130.0, 20.0, 0.0), 50.0, 60.0, (80.0, 20.0, 15.0), (36.0, 30.0), serves=("wall",)
    )
    loop = Loop(wall, survey, plan_of([low]), job_of(feeding={"rounds": 1, "sleeves": "none"}))
    loop.go()
    first = loop.plan.rounds[1].changed
    assert first.startswith("F1: 50 x 60 to 50 x 1"), first
    feeder = loop.plan.feeders[0]
    assert feeder.name == "F1"
    assert feeder.at_mm[2] + feeder.height_mm >= 120.0
    assert feeder.height_mm <= 3.0 * feeder.diameter_mm


def test_a_neighbor_takes_over_where_one_feeder_is_enough():
    """Two feeders with spare metal on one plate: one is left out, and what is poured falls."""
    other = replace(LARGE, name="F2", at_mm=(120.0, 40.0, 20.0))
    make = made_by(lambda p: 0.0)

    def both(results):
        made = make(results)
        feeding = made.need(Feeding)
        (pair,) = feeding.pairs
        pairs = tuple(
            replace(pair, feeder=feeder.name, need_mm3=8e3)
            for feeder in results.need(RiggingPlan).feeders
        )
        return made.plus(replace(feeding, pairs=pairs))

    loop = Loop(PLATE, plate_survey(), plan_of([LARGE, other]), job_of(feeding={"rounds": 3}))
    plan = feed_by_rounds(loop.start, both, both).need(RiggingPlan)
    assert len(plan.feeders) == 1
    assert "left out" in plan.rounds[1].changed
    assert plan.rounds[1].poured_kg < plan.rounds[0].poured_kg


def test_feeders_that_nothing_hangs_on_go_first():
    """Four feeders for what two can give: the two largest go at once, and the pool stays none."""
    more = [replace(LARGE, name=f"F{k}", at_mm=(40.0 * k, 40.0, 20.0)) for k in (2, 3, 4)]
    make = made_by(lambda p: 0.0)

    def shared(results):
        made = make(results)
        (pair,) = made.need(Feeding).pairs
        feeders = results.need(RiggingPlan).feeders
        need = 2.6e4 / len(feeders)
        pairs = tuple(replace(pair, feeder=one.name, need_mm3=need) for one in feeders)
        return made.plus(replace(made.need(Feeding), pairs=pairs))

    loop = Loop(PLATE, plate_survey(), plan_of([LARGE, *more]), job_of(feeding={"rounds": 1}))
    plan = feed_by_rounds(loop.start, shared, shared).need(RiggingPlan)
    assert len(plan.feeders) == 2
    assert plan.rounds[1].changed == "F1, F2 left out"
    assert plan.rounds[1].outcome == "kept"


def replace_pair(feeding: Feeding, pair: FeedPair) -> Feeding:
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
    assert left_over(loop.feeding, job) == ()
    assert best_of(loop).is_sound
    assert loop.results.need(Metal).yield_pct > 45.0


def test_a_feeder_in_the_way_is_moved_over_the_pool():
    """A block with room for one on top, which stands at its end and was changed twice in vain."""
    block = Solid.cone(32.0, 32.0, 60.0)
    survey = survey_of([Piece("block", block, "chunky", 60.0, 10.5, (0.0, 0.0, 30.0))])
    first = top_feeder("F1", (12.0, 0.0, 60.0), 36.0, 40.0, serves=("block",))
    job = job_of(feeding={"rounds": 0, "sleeves": "none"}, rigging={"auto": ["feeders"]})
    loop = Loop(block, survey, plan_of([first]), job).go()
    (spot, *_), plan = left_over(loop.feeding, job), loop.plan
    grown = tuple(
        Step(kind="size", item="F1", for_what="block", text=f"F1: {k}") for k in range(TRIES)
    )
    tried = tuple(replace(plan.rounds[0], steps=(step,)) for step in grown)
    place = (Placement(name="casting"),)
    topped = pattern_of(block, kept=lambda normal, _: np.abs(normal[:, 2]) < 0.5)
    ground = Ground(survey, topped, parting_of(block, 10.0), job, steel(), place)
    finder = SeatFinder(ground)
    cures = Cures(replace(plan, rounds=tried), loop.feeding, finder, job, steel(), 25.0)
    revision = cures.of((spot,), {}, frozenset())
    assert [step.kind for step in revision.steps] == ["move"], revision.steps
    (moved,) = revision.plan.feeders
    assert moved.name == "F1"
    assert moved.diameter_mm >= 36.0
    assert math.dist(moved.at_mm, spot.hole_at_mm) < math.dist(first.at_mm, spot.hole_at_mm) - 10.0
