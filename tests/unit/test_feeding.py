"""Pools, pairs and feeding checks: made-up freezing fields, then castings with a known outcome."""

from dataclasses import replace

import networkx as nx
import numpy as np
import pytest

from moldprep.catalog import find
from moldprep.checks import all_checks, gathered, judged, run_check
from moldprep.findings import Verdict
from moldprep.geometry.solid import Solid
from moldprep.records import (
    Alloy,
    ChillPlan,
    Feeding,
    FeedPair,
    Freezing,
    Grid,
    Metal,
    Role,
    Round,
    Rules,
    Step,
)
from moldprep.results import Results
from moldprep.thermal.feedpairs import demand_pct
from moldprep.thermal.pools import find_pools, grown, way_mm
from tests.feeding_cases import (
    Piece,
    plan_of,
    side_feeder,
    solve,
    steel,
    survey_of,
    top_feeder,
)
from tests.helpers import agree
from tests.thermal_cases import SAND, job_for

RULES = Rules(title="none", source={})


def judge(check_id, run, *more):
    """Return what one check says of a run."""
    made = (run.feeding, run.plan, run.metal, run.grid, run.freezing)
    records = (*made, steel(), SAND, job_for("carbon-steel"), *more)
    return run_check(all_checks()[check_id], Results(*records), RULES)


def bar_field(heights):
    """Return a field of freezing times along x with a parabola across, sand around."""
    time = np.full((len(heights) + 2, 7, 7), np.nan, np.float32)
    across = np.array([0.6, 0.9, 1.0, 0.9, 0.6])
    time[1:-1, 1:-1, 1:-1] = np.array(heights)[:, None, None] * np.minimum.outer(across, across)
    return time


def test_two_peaks_part_where_the_neck_freezes():
    """Peaks 200 and 160, the neck between them 100: the lower one is cut off at 100."""
    time = bar_field([150, 200, 150, 100, 130, 160, 120])
    source = np.zeros(time.shape, np.uint16)
    source[1:4] = np.where(np.isfinite(time[1:4]), 3, 0)
    pools = find_pools(time, source)
    assert sorted(pools.peak_s.tolist(), reverse=True)[:2] == [200.0, 160.0]
    assert pools.closed_s.tolist() == [100.0]
    cut_off = pools.pool[pools.peak] == 0
    assert pools.time_s[cut_off].max() == 160.0
    held = pools.source[~cut_off & (pools.time_s > 100.0)]
    assert set(held.tolist()) == {3}


def test_without_a_feeder_everything_is_one_pool_from_the_start():
    pools = find_pools(bar_field([100, 120, 100]), np.zeros((5, 7, 7), np.uint16))
    assert pools.closed_s.tolist() == [0.0]
    assert (pools.pool[pools.peak] == 0).all()


def test_a_feeder_that_freezes_first_leaves_the_casting_cut_off():
    """The feeder's peak is the lower one: the casting's pool is cut off all the same."""
    time = bar_field([150, 200, 150, 100, 130, 160, 120])
    source = np.zeros(time.shape, np.uint16)
    source[5:8] = np.where(np.isfinite(time[5:8]), 2, 0)
    pools = find_pools(time, source)
    assert pools.closed_s.tolist() == [100.0]
    assert pools.peak_s[pools.top_of(0)] == 200.0


def test_small_wiggles_do_not_count():
    """A peak 1 % above its neck goes with the pool that takes it in; one 50 % above stays."""
    pools = find_pools(bar_field([200, 100, 101, 100, 150]), np.zeros((7, 7, 7), np.uint16))
    counts_as = pools.counting(0.02, 0.0)
    kept = {float(pools.peak_s[row]) for row in set(counts_as.tolist())}
    assert {200.0, 150.0} <= kept
    assert 101.0 not in kept


def test_every_cell_of_metal_is_in_one_pool():
    time = bar_field([150, 200, 150, 100, 130, 160, 120])
    pools = find_pools(time, np.zeros(time.shape, np.uint16))
    assert sorted(pools.cell.tolist()) == np.flatnonzero(np.isfinite(time.ravel())).tolist()
    assert (pools.peak_s[pools.peak] >= pools.time_s).all()


def test_way_goes_round_the_sand():
    """A U of metal, 1 mm cells: 9 down, 9 along, 9 up, less the two diagonal short cuts."""
    metal = np.zeros((10, 10, 1), bool)
    metal[0, :], metal[-1, :], metal[:, 0] = True, True, True
    start = np.zeros(metal.shape, np.uint16)
    start[0, 9, 0] = 5
    way, label = way_mm(metal, start, 1.0)
    agree(way[9, 9, 0], 23.0 + 2.0 * np.sqrt(2.0), rel=1e-6, why="exact on the grid")
    assert label[9, 9, 0] == 5


# ---- castings with a known outcome: real heat solve ----------------------------------------

PLATE = Solid.box((0, 0, 0), (180, 80, 20))
BOSS = Solid.box((180, 10, -20), (240, 70, 40))
PLATE_PIECE = Piece("plate", PLATE, "plate", 20.0, 8.2, (90.0, 40.0, 10.0))
BOSS_PIECE = Piece("boss", BOSS, "chunky", 60.0, 11.0, (210.0, 40.0, 10.0))
FEEDER = top_feeder("F1", (30.0, 40.0, 20.0), 60.0, 80.0, serves=("plate",))


def bossed(chills=(), length=180.0):
    """Return the run of a plate of this length with the boss at its end, and its survey."""
    plate = Solid.box((0, 0, 0), (length, 80, 20))
    boss = BOSS.moved((length - 180.0, 0.0, 0.0))
    pieces = [
        replace(PLATE_PIECE, solid=plate, at_mm=(length / 2.0, 40.0, 10.0)),
        replace(BOSS_PIECE, solid=boss, at_mm=(length + 30.0, 40.0, 10.0)),
    ]
    survey = survey_of(pieces, [("plate", "boss", 20.0, (length, 40.0, 10.0))])
    return solve(plate + boss, survey, plan_of([FEEDER], chills)), survey


@pytest.fixture(scope="module")
def boss_run():
    return bossed()


def test_boss_at_the_far_end_is_cut_off(boss_run):
    """The plate (20 mm) freezes between the feeder and the boss (60 mm)."""
    run, _ = boss_run
    worst = run.feeding.hot_spots[0]
    assert (worst.name, worst.part, worst.fed_by) == ("boss", "casting", "")
    plate = next(spot for spot in run.feeding.hot_spots if spot.name == "plate")
    assert plate.fed_by == "F1"
    assert worst.closed_s < worst.freezing_time_s
    inside = (np.array(worst.at_mm) > (180, 10, -20)) & (np.array(worst.at_mm) < (240, 70, 40))
    assert inside.all(), worst.at_mm
    assert worst.hole_at_mm[2] > 40.0 - 2.0 * run.grid.pitch_mm, "the hole sits at the top"
    assert 0.3 < worst.isolated_volume_mm3 / BOSS.volume_mm3 < 0.7
    agree(worst.hole_mm3, 0.03 * worst.isolated_volume_mm3, rel=1e-6, why="contraction 3 %")


def test_the_boss_cut_off_is_judged(boss_run):
    findings = judge("feeding/no-pool-cut-off", boss_run[0])
    failed = [finding for finding in findings if finding.verdict is Verdict.FAIL]
    assert [finding.part for finding in failed] == ["casting"]
    assert failed[0].value > 30.0
    assert failed[0].at_mm[0] > 180.0
    assert "boss" in failed[0].message


def test_a_section_freezes_at_one_time_and_its_modulus_is_of_the_rules_clock(boss_run):
    """Hot spots and pairs say the same; the solve's own clock is taken out of the modulus."""
    run, survey = boss_run
    times = {spot.section: spot.freezing_time_s for spot in run.feeding.hot_spots}
    for pair in run.feeding.pairs:
        assert pair.section_time_s == times[pair.section]
    rule = {section.name: section.modulus_mm for section in survey.sections}
    for spot in run.feeding.hot_spots:
        agree(spot.modulus_mm, rule[spot.section], rel=0.05, why="as thick as it is by the rule")


def test_neck_in_the_plate_shows_in_the_graph(boss_run):
    """The edge between plate and boss freezes no later than the plate, before the boss."""
    run, _ = boss_run
    edge = run.feeding.graph.edges["plate", "boss"]
    boss = next(spot for spot in run.feeding.hot_spots if spot.name == "boss")
    assert edge["time_s"] < boss.freezing_time_s
    assert abs(edge["at_mm"][0] - 180.0) < 2.0 * run.grid.pitch_mm


def test_chills_on_the_boss_cure_it():
    """A plate within reach of its feeder: the boss is cut off without chills, fed with them."""
    chills = [
        ChillPlan(name="C1", at_mm=(140.0, 40.0, -39.0), size_mm=(60.0, 60.0, 40.0)),
        ChillPlan(name="C2", at_mm=(189.0, 40.0, 10.0), size_mm=(40.0, 60.0, 60.0)),
    ]
    bare, _ = bossed(length=110.0)
    assert bare.feeding.hot_spots[0].name == "boss"
    assert bare.feeding.hot_spots[0].fed_by == ""
    run, _ = bossed(chills, length=110.0)
    findings = judge("feeding/no-pool-cut-off", run)
    assert {finding.verdict for finding in findings} == {Verdict.PASS}
    boss = next(spot for spot in run.feeding.hot_spots if spot.name == "boss")
    assert (boss.fed_by, boss.isolated_volume_mm3) == ("F1", 0.0)


def bar_run(length):
    bar = Solid.box((0, 0, 0), (length, 50, 50))
    piece = Piece("bar", bar, "bar", 50.0, 11.5, (length / 2.0, 25.0, 25.0))
    feeder = top_feeder("F1", (40.0, 25.0, 50.0), 80.0, 110.0, serves=("bar",))
    return solve(bar, survey_of([piece]), plan_of([feeder]))


@pytest.mark.parametrize(("length", "verdict"), [(260.0, Verdict.PASS), (480.0, Verdict.WARN)])
def test_bar_against_its_feeding_distance(length, verdict):
    """6 sqrt(T) of a 50 mm bar is 214 mm (Bishop, Myskowski, Pellini 1951, from memory)."""
    run = bar_run(length)
    (finding,) = judge("feeding/within-reach", run)
    assert finding.verdict is verdict
    (pair,) = run.feeding.pairs
    agree(pair.reach_mm, 213.8, rel=1e-3, why="6 sqrt(50/25.4) in")
    agree(pair.distance_mm, length - 80.0, rel=0.1, why="from the feeder's edge, on a 4 mm grid")
    agree(finding.value, pair.distance_mm / pair.reach_mm, rel=1e-9, why="identity")


def h_run(feeders):
    left, right = Solid.box((0, 0, 0), (50, 50, 80)), Solid.box((130, 0, 0), (180, 50, 80))
    web = Solid.box((50, 15, 30), (130, 35, 50))
    survey = survey_of(
        [
            Piece("left", left, "chunky", 50.0, 10.2, (25.0, 25.0, 40.0)),
            Piece("right", right, "chunky", 50.0, 10.2, (155.0, 25.0, 40.0)),
            Piece("web", web, "bar", 20.0, 5.0, (90.0, 25.0, 40.0)),
        ],
        [
            ("left", "web", 20.0, (50.0, 25.0, 40.0)),
            ("right", "web", 20.0, (130.0, 25.0, 40.0)),
        ],
    )
    return solve(left + right + web, survey, plan_of(feeders))


def test_h_shape_with_one_feeder():
    """The far post loses its feeder when the web has frozen, nearly whole."""
    run = h_run([top_feeder("F1", (25.0, 25.0, 80.0), 64.0, 90.0, serves=("left",))])
    spots = {spot.name: spot for spot in run.feeding.hot_spots}
    assert spots["left"].fed_by == spots["web"].fed_by == "F1"
    assert spots["right"].fed_by == ""
    assert 0.7 < spots["right"].isolated_volume_mm3 / (50 * 50 * 80) < 1.0
    agree(spots["right"].closed_s, spots["web"].freezing_time_s, rel=0.1, why="the web is the neck")
    assert 130.0 < spots["right"].at_mm[0] < 180.0


def test_h_shape_with_two_feeders_is_sound():
    run = h_run(
        [
            top_feeder("F1", (25.0, 25.0, 80.0), 64.0, 90.0, serves=("left",)),
            top_feeder("F2", (155.0, 25.0, 80.0), 64.0, 90.0, serves=("right",)),
        ]
    )
    assert {spot.fed_by for spot in run.feeding.hot_spots} <= {"F1", "F2"}
    findings = judge("feeding/feeder-outlasts-section", run)
    assert {finding.verdict for finding in findings} == {Verdict.PASS}


def test_feeder_too_small():
    """24 mm on a 20 mm plate: freezes first, and has not the metal either."""
    small = replace(FEEDER, diameter_mm=24.0, height_mm=36.0)
    run = solve(PLATE, survey_of([PLATE_PIECE]), plan_of([small]))
    (spot,) = run.feeding.hot_spots
    (pair,) = run.feeding.pairs
    assert spot.fed_by == ""
    assert spot.isolated_volume_mm3 > 0.2 * PLATE.volume_mm3
    agree(spot.closed_s, pair.feeder_time_s, rel=0.1, why="cut off when the feeder is solid")
    for check_id in ("feeding/feeder-outlasts-section", "feeding/feed-metal-suffices"):
        (finding,) = judge(check_id, run)
        assert (finding.verdict, finding.part) == (Verdict.FAIL, "F1"), check_id
    (finding,) = judge("feeding/modulus-factor", run)
    assert finding.verdict is Verdict.WARN
    agree(pair.feeder_modulus_mm, 5.31, rel=0.01, why="domed, foot not cooling, by hand")


@pytest.mark.parametrize(
    ("neck", "verdict"), [((12.0, 12.0), Verdict.FAIL), ((70.0, 60.0), Verdict.PASS)]
)
def test_neck_of_a_side_feeder(neck, verdict):
    """A 12 mm neck on an 80 mm cube freezes at once; 70 x 60 mm lasts."""
    cube = Solid.box((0, 0, 0), (80, 80, 80))
    survey = survey_of([Piece("cube", cube, "chunky", 80.0, 13.3, (40.0, 40.0, 40.0))])
    feeder = side_feeder(
        "F1", (160.0, 40.0, 0.0), 110.0, 130.0, (80.0, 40.0, 35.0), neck, serves=("cube",)
    )
    run = solve(cube, survey, plan_of([feeder]))
    (finding,) = judge("feeding/neck-outlasts-section", run)
    assert (finding.verdict, finding.part) == (verdict, "F1")
    assert abs(finding.at_mm[0] - 90.0) < 25.0, "the neck is between cube and feeder"
    (spot,) = run.feeding.hot_spots
    if verdict is Verdict.FAIL:
        (pair,) = run.feeding.pairs
        agree(spot.closed_s, pair.neck_time_s, rel=0.05, why="cut off when the neck is solid")
        assert spot.isolated_volume_mm3 > 0.9 * cube.volume_mm3
    else:
        assert spot.fed_by == "F1"


def test_sleeve_doubles_a_feeders_time():
    """A gain of 1.4 is a time ratio of 2; a wall of 0.2 D on a 60 mm feeder gives about that."""
    plate = Solid.box((0, 0, 0), (60, 60, 20))
    survey = survey_of([Piece("plate", plate, "plate", 20.0, 6.0, (30.0, 30.0, 10.0))])
    bare = replace(FEEDER, at_mm=(30.0, 30.0, 20.0))
    sleeved = replace(bare, sleeve="exothermic", sleeve_mm=12.0)
    times = [
        solve(plate, survey, plan_of([feeder])).feeding.pairs[0].feeder_time_s
        for feeder in (bare, sleeved)
    ]
    agree(times[1] / times[0], 2.0, rel=0.1, why="makers' gains spread from 1.3 to 1.6")


# ---- checks on made-up pairs ---------------------------------------------------------------


@pytest.fixture(scope="module")
def sound_run():
    return solve(PLATE, survey_of([PLATE_PIECE]), plan_of([FEEDER]))


def with_pair(run, **fields):
    (pair,) = run.feeding.pairs
    feeding = run.feeding
    changed = Feeding(
        sections=feeding.sections,
        hot_spots=feeding.hot_spots,
        pairs=(replace(pair, **fields),),
        graph=feeding.graph,
        label=feeding.label,
    )
    return replace(run, feeding=changed)


DEEP_MM3 = 10e3 / (0.14 - 0.01 * demand_pct(steel()))
"""A plain feeder of steel, 14 % and 4.28 %: with its pipe at the neck it has given 10 cm³, with a
fifth of the way left (0.8 x 14 % - 4.28 %) of its volume, 7.12 cm³."""


@pytest.mark.parametrize(
    ("check_id", "good", "bad", "miss"),
    [
        (
            "feeding/feeder-outlasts-section",
            {"feeder_time_s": 200.0},
            {"feeder_time_s": 198.0},
            "fail",
        ),
        ("feeding/neck-outlasts-section", {"neck_time_s": 200.0}, {"neck_time_s": 198.0}, "fail"),
        ("feeding/feed-metal-suffices", {"can_give_mm3": 1001.0}, {"can_give_mm3": 999.0}, "fail"),
        (
            "feeding/feed-metal-suffices",
            {"can_give_mm3": 1000.0 * (1.0 - 1e-12)},
            {"can_give_mm3": 999.0},
            "fail",
        ),
        ("feeding/pipe-stays-in-feeder", {"need_mm3": 7.1e3}, {"need_mm3": 7.3e3}, "warn"),
        ("feeding/pipe-stays-in-feeder", {"need_mm3": 7.1e3}, {"need_mm3": 10.1e3}, "fail"),
        ("feeding/pipe-ends-above-neck", {"neck_time_s": 290.0}, {"neck_time_s": 299.0}, "warn"),
        ("feeding/pipe-ends-above-neck", {"neck_time_s": 290.0}, {"neck_time_s": 304.0}, "fail"),
        ("feeding/within-reach", {"distance_mm": 89.0}, {"distance_mm": 91.0}, "warn"),
        ("feeding/within-reach", {"distance_mm": 89.0}, {"distance_mm": 179.0}, "warn"),
        ("feeding/not-far-beyond-reach", {"distance_mm": 179.0}, {"distance_mm": 181.0}, "warn"),
        ("feeding/modulus-factor", {"feeder_modulus_mm": 9.7}, {"feeder_modulus_mm": 9.5}, "warn"),
    ],
)
def test_both_sides_of_each_limit(sound_run, check_id, good, bad, miss):
    base = {
        "section_time_s": 199.0,
        "feeder_time_s": 300.0,
        "section_modulus_mm": 8.0,
        "need_mm3": 1000.0,
        "feeder_volume_mm3": DEEP_MM3,
        "can_give_mm3": 1e6,
        "distance_mm": 10.0,
        "reach_mm": 90.0,
    }
    for fields, verdict in ((good, Verdict.PASS), (bad, Verdict(miss))):
        (finding,) = judge(check_id, with_pair(sound_run, **{**base, **fields}))
        assert (finding.verdict, finding.part) == (verdict, "F1"), finding.message


def test_too_far_is_a_fault_only_where_the_solve_agrees(sound_run):
    """Sound by the solve: a warning. A pool beyond what may be, or a low Niyama value: a fault."""
    check_id = "feeding/not-far-beyond-reach"
    far = with_pair(sound_run, distance_mm=500.0, reach_mm=90.0)
    niyama = far.freezing.niyama
    steep = np.where(np.isfinite(niyama), np.float32(9.0), np.float32(np.nan))
    flat = np.where(np.isfinite(niyama), np.float32(0.1), np.float32(np.nan))
    sound = replace(far, freezing=replace(far.freezing, niyama=steep))
    low = replace(far, freezing=replace(far.freezing, niyama=flat))
    spot = replace(far.feeding.hot_spots[0], name="plate", fed_by="")
    pools = [
        replace(spot, isolated_volume_mm3=share * spot.section_volume_mm3) for share in (4e-3, 6e-3)
    ]
    cut_off = [replace(sound, feeding=replace(far.feeding, hot_spots=(pool,))) for pool in pools]
    found = [judge(check_id, run)[0] for run in (sound, low, *cut_off)]
    verdicts = [Verdict.WARN, Verdict.FAIL, Verdict.WARN, Verdict.FAIL]
    assert [one.verdict for one in found] == verdicts
    assert "leaves no pool" in found[0].message
    assert "100 % of it are under the Niyama limit" in found[1].message
    assert "a pool of 0.4 % at most" in found[2].message
    assert "a pool of 0.6 % cut off" in found[3].message
    agree(found[0].value, 500.0 / 90.0, rel=1e-9, why="a quotient")


def test_many_misses_are_gathered_into_the_worst_and_a_sum():
    misses = [judged(False, f"no {k}", value=float(k), part=f"p{k}") for k in range(1, 11)]
    fine = [judged(True, f"yes {k}", value=0.1 * k) for k in range(5)]
    found = list(gathered([*fine, *misses], "sections", most=3))
    assert [one.message for one in found[:3]] == ["no 10", "no 9", "no 8"]
    assert found[3].message == "7 more sections like these; the next: no 7"
    assert found[3].verdict is Verdict.FAIL
    assert found[4].message == "5 other sections are fine; nearest to the limit: yes 4"
    assert len(found) == 5
    assert list(gathered(fine, "sections")) == fine


def row_run(f2_can_give_mm3):
    """A row of cells: F1, 20 cells of casting that freeze from F2's end toward F1, F2."""
    seconds = [200.0, *np.linspace(150.0, 50.0, 20), 120.0]
    time = np.full((24, 3, 3), np.nan, np.float32)
    label = np.zeros(time.shape, np.uint8)
    time[1:-1, 1, 1], label[1:-1, 1, 1] = seconds, [2, *[1] * 20, 3]
    grid = Grid(
        label=label, fraction=(label > 0).astype(np.float32), material=np.zeros_like(label),
        materials=("sand",), pitch_mm=10.0, origin_mm=np.zeros(3),
    )  # fmt: skip
    nothing = np.full_like(time, np.nan)
    freezing = Freezing(
        time_s=time, gradient_k_mm=nothing, cooling_k_s=nothing, niyama=nothing, pitch_mm=10.0,
        n_cells=22, n_steps=100, heat_balance_error=0.0, time_all_solid_s=200.0,
        shake_out_s=float("nan"),
    )  # fmt: skip
    metal = Metal(
        solid=Solid.box((0, 0, 0), (1, 1, 1)), parts=("casting", "F1", "F2"),
        roles=(Role.CASTING, Role.FEEDER, Role.FEEDER), mass_kg=1.0, casting_kg=1.0,
        yield_pct=90.0,
    )  # fmt: skip
    pairs = tuple(
        FeedPair(
            feeder=name, section="row", feeder_time_s=200.0, section_time_s=150.0,
            neck_time_s=150.0, feeder_modulus_mm=1.0, section_modulus_mm=1.0,
            feeder_volume_mm3=1e6, need_mm3=1e3, can_give_mm3=can_give, distance_mm=1.0,
            reach_mm=9.0, neck_mm=(0.0, 0.0, 0.0),
        )
        for name, can_give in (("F1", f2_can_give_mm3), ("F2", 5e3))
    )  # fmt: skip
    empty = nx.Graph()
    feeding = Feeding(
        sections=(), hot_spots=(), pairs=pairs, graph=empty, label=label.astype(np.uint16)
    )
    return freezing, grid, metal, feeding


@pytest.mark.parametrize(
    ("can_give", "verdicts"),
    [(2.1e3, [Verdict.PASS, Verdict.WARN]), (1.9e3, [Verdict.PASS, Verdict.PASS])],
)
def test_a_feeder_that_nothing_hangs_on_is_named(can_give, verdicts):
    """All but the last cell, which touches F2, freezes before the way to F2 does without F1."""
    records = row_run(can_give)
    check = all_checks()["feeding/every-feeder-is-needed"]
    found = run_check(check, Results(*records, steel(), plan_of([])), RULES)
    assert [f.verdict for f in found] == verdicts
    assert [round(f.value, 6) for f in found] == [19.0, 0.0]
    assert ("0.1 cm³ too little" in found[1].message) == (can_give < 2e3)


def test_a_feeder_that_was_missed_or_is_far_from_all_it_feeds_is_needed():
    """Either the mold was frozen without it, or a steel goes on beyond its reach as it is."""
    freezing, grid, metal, feeding = row_run(2.1e3)
    check = all_checks()["feeding/every-feeder-is-needed"]
    step = Step(kind="drop", item="F2, F3", for_what="F2", text="F2, F3 left out")
    without = Round(
        number=3, changed=step.text, why="", left_mm3=0.0, yield_pct=50.0, unfed_mm3=9e3,
        steps=(step,), outcome="put back to round 2",
    )  # fmt: skip
    tried = replace(plan_of([]), rounds=(without,))
    _, two = run_check(check, Results(freezing, grid, metal, feeding, steel(), tried), RULES)
    assert two.verdict is Verdict.PASS
    assert "without F2, F3 (round 3), the castings had 9.0 cm³" in two.message
    far = replace(feeding, pairs=tuple(replace(p, distance_mm=20.0) for p in feeding.pairs))
    for alloy, verdict in ((steel(), Verdict.PASS), (find(Alloy, "al-si7mg"), Verdict.WARN)):
        _, two = run_check(check, Results(freezing, grid, metal, far, alloy, plan_of([])), RULES)
        assert two.verdict is verdict


def test_closed_feeder_needs_its_air_core(sound_run):
    (good,) = judge("feeding/closed-feeder-breathes", sound_run)
    sealed = replace(sound_run, plan=plan_of([replace(FEEDER, has_air_core=False)]))
    (bad,) = judge("feeding/closed-feeder-breathes", sealed)
    assert (good.verdict, bad.verdict) == (Verdict.PASS, Verdict.FAIL)


def test_feeder_stands_higher_than_what_it_feeds(sound_run):
    (good,) = judge("feeding/feeder-stands-higher", sound_run)
    low = replace(sound_run, plan=plan_of([replace(FEEDER, at_mm=(30.0, 40.0, -70.0))]))
    (bad,) = judge("feeding/feeder-stands-higher", low)
    assert (good.verdict, bad.verdict) == (Verdict.PASS, Verdict.WARN)
    assert "mm BELOW the top of plate" in bad.message
    agree(good.value, 80.0, rel=0.05, why="80 mm feeder on top of the plate; one cell of grid")


def test_niyama_share_counts_what_is_under_the_limit(sound_run):
    (good,) = judge("feeding/niyama-share", sound_run)
    low = replace(
        sound_run.freezing,
        niyama=np.where(
            np.isfinite(sound_run.freezing.niyama), np.float32(0.5), np.float32(np.nan)
        ),
    )
    (bad,) = judge("feeding/niyama-share", replace(sound_run, freezing=low))
    assert bad.verdict is Verdict.WARN
    agree(bad.value, 100.0, rel=1e-6, why="everything is under 0.775")
    assert good.value < 50.0


@pytest.mark.parametrize(
    ("rest", "verdict"),
    [(1.4, Verdict.PASS), (0.7, Verdict.PASS), (1.6, Verdict.WARN), (0.6, Verdict.WARN)],
)
def test_rule_and_solve_are_compared_by_their_middle(boss_run, rest, verdict):
    run, survey = boss_run
    times = {spot.name: spot.freezing_time_s for spot in run.feeding.hot_spots}
    ruled = replace(
        survey,
        sections=tuple(
            replace(s, freezing_time_s=0.5 * times[s.name] / rest, hot_time_s=times[s.name] / rest)
            for s in survey.sections
        ),
    )
    (finding,) = judge("feeding/rule-and-solve-agree", run, ruled)
    assert finding.verdict is verdict, finding.message
    agree(finding.value, rest, rel=1e-9, why="hot spots' times over the rule's around them")
    assert f"are {2.0 * rest:.2f} x the modulus rule's" in finding.message
    assert "explains 2.00 x" in finding.message


def test_a_section_off_the_middle_is_named_in_the_one_line(boss_run):
    run, survey = boss_run
    times = {spot.name: spot.freezing_time_s for spot in run.feeding.hot_spots}
    off = replace(
        survey,
        sections=tuple(
            replace(s, freezing_time_s=times[s.name] * (0.1 if s.name == "boss" else 1.0))
            for s in survey.sections
        ),
    )
    (finding,) = judge("feeding/rule-and-solve-agree", run, off)
    assert "2 of them are off that middle by over 1.5 x, most plate with 1.00 x" in finding.message


def thick(survey, run, cells):
    """Return the survey with all walls so many cells of the run's grid thick."""
    wall = cells * run.grid.pitch_mm
    sections = tuple(replace(s, thickness_mm=wall) for s in survey.sections)
    return replace(survey, sections=sections, thin_mm=wall, run_wall_mm=wall)


@pytest.mark.parametrize(
    ("cells", "verdict"),
    [(3.1, Verdict.PASS), (2.9, Verdict.WARN), (1.6, Verdict.WARN), (1.4, Verdict.FAIL)],
)
def test_grid_resolves_walls(boss_run, cells, verdict):
    run, survey = boss_run
    (finding,) = judge("feeding/grid-resolves-walls", run, thick(survey, run, cells))
    assert (finding.verdict, round(finding.value, 6)) == (verdict, cells)
    finer = f"freezing.pitch_mm = {cells * run.grid.pitch_mm / 3.0:.2f} (3 cells across"
    assert (finer in finding.remedy) == (verdict is not Verdict.PASS)


def test_a_scrap_of_a_section_is_no_wall_that_matters(boss_run):
    run, survey = boss_run
    fine = thick(survey, run, 4.0)
    scrap = replace(fine.sections[0], name="lug", volume_mm3=1.0, thickness_mm=0.1)
    (finding,) = judge(
        "feeding/grid-resolves-walls", run, replace(fine, sections=(*fine.sections, scrap))
    )
    assert finding.verdict is Verdict.PASS


def test_sections_thinner_than_a_cell_and_a_half_are_not_passed(boss_run):
    run, survey = boss_run
    fine = judge("feeding/no-pool-cut-off", run, thick(survey, run, 1.6))
    coarse = judge("feeding/no-pool-cut-off", run, thick(survey, run, 1.4))
    assert [f.verdict for f in fine] == [Verdict.FAIL, Verdict.PASS]
    assert [f.verdict for f in coarse] == [Verdict.FAIL, Verdict.SKIP]
    assert coarse[1].message.endswith("see feeding/grid-resolves-walls: plate")
    skipped = judge("feeding/rule-and-solve-agree", run, thick(survey, run, 1.4))
    assert [f.verdict for f in skipped] == [Verdict.SKIP]


@pytest.mark.parametrize(
    ("hole_mm3", "verdict"), [(97.0, Verdict.WARN), (105.0, Verdict.FAIL), (310.0, Verdict.FAIL)]
)
def test_a_hole_of_a_grain_of_sand_warns(boss_run, hole_mm3, verdict):
    """0.02 % of plate and boss, 288 and 216 cm³, is 101 mm³."""
    run, _ = boss_run
    spots = tuple(
        replace(spot, hole_mm3=hole_mm3) if spot.name == "boss" else spot
        for spot in run.feeding.hot_spots
    )
    feeding = replace(run.feeding, hot_spots=spots)
    found = judge("feeding/no-pool-cut-off", replace(run, feeding=feeding))
    assert next(f.verdict for f in found if "boss" in f.message) is verdict


def test_no_distances_are_held_against_light_alloys(sound_run):
    """Steel's distances are not lent: AlSi12 freezes from the skin and feeds farther."""
    far = with_pair(sound_run, distance_mm=120.0, reach_mm=90.0)
    records = (far.feeding, far.plan, far.metal, far.grid, far.freezing)
    for alloy, verdict in (("al-si12", "skip"), ("grey-iron", "warn"), ("carbon-steel", "warn")):
        results = Results(*records, find(Alloy, alloy))
        found = run_check(all_checks()["feeding/within-reach"], results, RULES)
        assert [f.verdict for f in found] == [Verdict(verdict)], alloy


def test_what_is_far_beyond_reach_is_said_once(sound_run):
    far = with_pair(sound_run, distance_mm=300.0, reach_mm=90.0)
    (once,) = judge("feeding/within-reach", far)
    (there,) = judge("feeding/not-far-beyond-reach", far)
    assert (once.verdict, there.verdict) == (Verdict.SKIP, Verdict.WARN)


def test_an_iron_may_feed_itself_late():
    """Ductile iron: the boss's pool closes after neck_factor² of its time and feeds itself."""
    survey = survey_of([PLATE_PIECE, BOSS_PIECE], [("plate", "boss", 20.0, (180.0, 40.0, 10.0))])
    iron = find(Alloy, "ductile-iron")
    run = solve(PLATE + BOSS, survey, plan_of([FEEDER]), alloy=iron)
    boss = next(spot for spot in run.feeding.hot_spots if spot.name == "boss")
    assert boss.fed_by == "expansion"
    assert boss.closed_s >= iron.neck_factor**2 * boss.freezing_time_s
    assert "thin rule" in boss.cure
    strict = iron.model_copy(update={"neck_factor": 1.0})
    run = solve(PLATE + BOSS, survey, plan_of([FEEDER]), alloy=strict)
    boss = next(spot for spot in run.feeding.hot_spots if spot.name == "boss")
    assert boss.fed_by == ""
    assert boss.isolated_volume_mm3 > 0.0


def test_without_feeding_every_check_is_skipped():
    for check_id, one in all_checks().items():
        if check_id.startswith("feeding/"):
            findings = run_check(one, Results(), RULES)
            assert {finding.verdict for finding in findings} == {Verdict.SKIP}, check_id


def test_grown_is_the_26_neighbors():
    mask = np.zeros((5, 6, 7), bool)
    mask[2, 3, 3] = True
    mask[0, 0, 0] = True
    assert grown(mask).sum() == 27 + 8
    assert mask.sum() == 2, "the argument stays as it was"
