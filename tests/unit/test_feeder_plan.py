"""Automatic feeders: which sections get one, where it sits, how large it is."""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from shapely.geometry import Point, Polygon

from moldprep.catalog import find
from moldprep.geometry.shapes import revolved
from moldprep.geometry.solid import Solid
from moldprep.records import Alloy, ChillPlan, IngatePlan, Placement, PrintRoom
from moldprep.rigging.build import build_rigging
from moldprep.rigging.feed.beside import stands_clear
from moldprep.rigging.feed.elbow_room import ElbowRoom
from moldprep.rigging.feed.feed_groups import FeedGroup, feed_groups, hot_time_s, joined_groups
from moldprep.rigging.feed.feeder_plan import plan_feeders
from moldprep.rigging.feed.feeder_sites import Sites
from moldprep.rigging.feed.feeder_size import moved_out, scaled, size_feeder
from moldprep.rigging.feed.reach import Target
from moldprep.rigging.feed.seat import off_joint_mm
from moldprep.rigging.feeders import feeder_volume_mm3
from moldprep.thermal.feedpairs import can_give_mm3, demand_pct, planned_modulus_mm
from moldprep.tolerances import OVERLAP_MM
from tests.feeding_cases import (
    Piece,
    job_of,
    parting_of,
    pattern_of,
    plan_of,
    side_feeder,
    steel,
    survey_of,
    top_feeder,
)
from tests.helpers import agree


def tube(outer, bore, height):
    """Return an upright tube."""
    hole = revolved([bore, bore], [-1.0, height + 1.0], (0.0, 0.0, 0.0))
    return revolved([outer, outer], [0.0, height], (0.0, 0.0, 0.0)) - hole


HERE = (Placement(name="casting"),)

LEFT, RIGHT = Solid.box((0, 0, 0), (50, 50, 80)), Solid.box((130, 0, 0), (180, 50, 80))
WEB = Solid.box((50, 15, 30), (130, 35, 50))


def h_survey():
    return survey_of(
        [
            Piece("left", LEFT, "chunky", 50.0, 10.2, (25.0, 25.0, 40.0)),
            Piece("right", RIGHT, "chunky", 50.0, 10.4, (155.0, 25.0, 40.0)),
            Piece("web", WEB, "bar", 20.0, 5.0, (90.0, 25.0, 40.0)),
        ],
        [
            ("left", "web", 20.0, (50.0, 25.0, 40.0)),
            ("right", "web", 20.0, (130.0, 25.0, 40.0)),
        ],
    )


def plan(solid, survey, *, z_mm=None, kept=None, machined=None, alloy=None, **job):
    pattern = pattern_of(solid, kept=kept, machined=machined)
    parting = parting_of(solid, float(solid.bounds[:, 2].mean()) if z_mm is None else z_mm)
    placements, rooms = job.pop("placements", HERE), job.pop("rooms", ())
    return plan_feeders(
        survey, pattern, parting, job_of(**job), alloy or steel(), placements, rooms
    )


def block(x0=0.0, kept=None, **job):
    solid = Solid.box((x0, 0, 0), (x0 + 80, 80, 60))
    modulus = 80 * 80 * 60 / (2 * 80 * 80 + 4 * 80 * 60)
    piece = Piece("block", solid, "chunky", 60.0, modulus, (x0 + 40.0, 40.0, 30.0))
    return plan(solid, survey_of([piece]), kept=kept, **job)


def test_two_posts_are_two_groups_and_the_web_hangs_on_one():
    groups = feed_groups(h_survey(), steel())
    assert sorted(group.root.name for group in groups) == ["left", "right"]
    assert ("web", "right") in [link for group in groups for link in group.parent]


def test_a_plate_hangs_on_its_boss_through_a_join_as_thick_as_itself():
    plate, boss = Solid.box((0, 0, 0), (180, 80, 20)), Solid.box((180, 10, -20), (240, 70, 40))
    survey = survey_of(
        [
            Piece("plate", plate, "plate", 20.0, 8.2, (90.0, 40.0, 10.0)),
            Piece("boss", boss, "chunky", 60.0, 11.0, (210.0, 40.0, 10.0)),
        ],
        [("plate", "boss", 20.0, (180.0, 40.0, 10.0))],
    )
    (group,) = feed_groups(survey, steel())
    assert (group.root.name, group.parent) == ("boss", (("plate", "boss"),))


@pytest.mark.parametrize(("join", "n_groups"), [(9.9, 2), (6.0, 3)])
def test_an_even_wall_is_one_group_whatever_its_sections(join, n_groups):
    """Three sections of a 10 mm wall in a row, then a post: what leaves no hole hangs on."""
    walls = [
        Piece(f"wall-{k}", Solid.box((100.0 * k, 0, 0), (100.0 * k + 100.0, 100, 10)), "plate",
              10.0, 4.5 + 0.1 * k, (100.0 * k + 50.0, 50.0, 5.0))
        for k in range(3)
    ]  # fmt: skip
    post = Piece("post", Solid.box((300, 0, 0), (360, 60, 60)), "chunky", 60.0, 12.0,
                 (330.0, 30.0, 30.0))  # fmt: skip
    at = (0.0, 50.0, 5.0)
    joins = [("wall-0", "wall-1", join, at), ("wall-1", "wall-2", 9.9, at),
             ("wall-2", "post", 4.0, at)]  # fmt: skip
    survey = survey_of([*walls, post], joins)
    apart = tuple(
        FeedGroup(root=section, members=(section,), parent=())
        for section in sorted(survey.sections, key=hot_time_s, reverse=True)
    )
    casting_mm3 = sum(section.volume_mm3 for section in survey.sections)
    groups = joined_groups(apart, survey, find(Alloy, "al-si7mg"), casting_mm3)
    assert groups[0].members == (survey.sections[3],)
    assert len(groups) == n_groups
    agree(sum(s.volume_mm3 for g in groups for s in g.members), casting_mm3, rel=1e-12, why="kept")


def test_an_irons_join_may_close_early():
    """Ductile iron, neck factor 0.6: a post may hang on its neighbor through 60 % of its size."""
    survey = h_survey()
    wide = replace(survey, joins=tuple(replace(j, thickness_mm=32.0) for j in survey.joins))
    assert len(feed_groups(wide, steel())) == 2
    thick_web = replace(
        wide,
        sections=tuple(
            replace(s, thickness_mm=52.0, modulus_mm=12.0, order=9) if s.name == "web" else s
            for s in wide.sections
        ),
    )
    assert len(feed_groups(thick_web, find(Alloy, "ductile-iron"))) == 1


def test_feeders_stand_on_both_posts():
    feeders, chills, reasons = plan(LEFT + RIGHT + WEB, h_survey())
    assert sorted(feeder.serves[0] for feeder in feeders) == ["left", "right"]
    assert chills == ()
    for feeder in feeders:
        middle = 25.0 if feeder.serves[0] == "left" else 155.0
        assert feeder.kind == "top"
        assert abs(feeder.at_mm[0] - middle) < 5.0
        assert feeder.at_mm[2] == pytest.approx(80.0)
        assert feeder.has_air_core
        assert not feeder.is_open
    assert {reason.item for reason in reasons} == {"F1", "F2"}


def test_size_meets_modulus_and_volume():
    """At least factor x modulus, and (e - a) V >= a V_c, with the formulas' own figures."""
    (feeder,), _, _ = block()
    modulus = 80 * 80 * 60 / (2 * 80 * 80 + 4 * 80 * 60)
    assert planned_modulus_mm(feeder) >= 1.2 * modulus
    volume = feeder_volume_mm3(feeder.diameter_mm, feeder.height_mm, is_domed=True)
    demand = demand_pct(steel())
    assert can_give_mm3(feeder, volume, demand) >= demand / 100.0 * 80 * 80 * 60


def test_volume_decides_on_a_large_flat_plate():
    """A thin, wide plate has little modulus and much volume."""
    solid = Solid.box((0, 0, 0), (400, 400, 20))
    survey = survey_of([Piece("plate", solid, "plate", 20.0, 9.1, (200.0, 200.0, 10.0))])
    (section,) = survey.sections
    size = size_feeder(section, section.volume_mm3, 4.0, 1.2, 1.1, kind="top", ground_mm2=1.0)
    assert size.decided_by == "volume"
    small = size_feeder(section, 1000.0, 4.0, 1.2, 1.1, kind="top", ground_mm2=1.0)
    assert small.decided_by == "modulus"
    assert small.diameter_mm < size.diameter_mm


def test_the_foot_of_a_top_feeder_adds_to_the_sections_modulus():
    """50 x 50 x 80 post, M 9.52; its whole top covered: 200000 / (21000 - 2500) = 10.81 mm."""
    post = Solid.box((0, 0, 0), (50, 50, 80))
    (section,) = survey_of(
        [Piece("post", post, "chunky", 50.0, 200000.0 / 21000.0, (25.0, 25.0, 40.0))]
    ).sections
    size = size_feeder(section, 0.0, 4.0, 1.2, 1.1, kind="top", ground_mm2=2500.0)
    agree(size.modulus_mm, 1.2 * 200000.0 / 18500.0, rel=1e-6, why="by hand")


def test_reach_puts_more_feeders_on_a_long_bar():
    """600 x 50 x 50 mm reaches 214 mm each way (6 sqrt T), less toward a rival: more than one."""
    solid = Solid.box((0, 0, 0), (600, 50, 50))
    survey = survey_of([Piece("bar", solid, "bar", 50.0, 11.5, (300.0, 25.0, 25.0))])
    feeders, _, _ = plan(solid, survey)
    assert len(feeders) >= 2
    spots = sorted(feeder.at_mm[0] for feeder in feeders)
    gaps = np.diff([0.0, *spots, 600.0])
    assert gaps[0] < 214.0 + 40.0
    assert gaps[-1] < 214.0 + 40.0
    for a, b in pairwise(feeders):
        clear = math.dist(a.at_mm[:2], b.at_mm[:2])
        assert clear > 0.5 * (a.diameter_mm + b.diameter_mm), "feeders keep clear of each other"


def test_a_top_to_keep_clear_sends_the_feeder_to_the_side():
    (feeder,), _, _ = block(kept=lambda normal, middle: normal[:, 2] > 0.5)
    assert feeder.kind == "side"
    x, y, z = feeder.neck_to_mm
    on_side = min(abs(x), abs(x - 80.0), abs(y), abs(y - 80.0))
    assert on_side < 2.5, "the neck meets a side face"
    assert 20.0 < z < 40.0, "near the parting"
    out = math.dist((x, y), feeder.at_mm[:2])
    assert out > 0.5 * feeder.diameter_mm, "beside, not in, the casting"
    assert out - 0.5 * feeder.diameter_mm <= 0.5 * feeder.diameter_mm, "neck at most D / 2"
    assert feeder.at_mm[2] + feeder.height_mm > 60.0, "ends above what it feeds"
    assert feeder.neck_width_mm > 0.0
    assert feeder.neck_height_mm > 0.0


@pytest.mark.parametrize(
    ("low", "high", "by"),
    [(0.0, 9.9, (1.1, 0.1)), (10.5, 20.0, (-1.5, -0.5)), (0.0, 5.0, ()), (5.0, 15.0, ())],
)
def test_a_neck_leaves_no_skin_of_sand_at_the_joint(low, high, by):
    assert off_joint_mm(low, high, 10.0) == pytest.approx(by)


def test_nowhere_to_go_is_said():
    feeders, chills, reasons = block(kept=lambda normal, middle: np.ones(len(normal), bool))
    assert feeders == ()
    assert chills == ()
    assert any("no place" in reason.why for reason in reasons)


def test_machined_faces_are_preferred():
    """Two equal steps of one block; the one that is machined gets the feeder."""
    solid = Solid.box((0, 0, 0), (200, 80, 60))
    survey = survey_of([Piece("block", solid, "chunky", 60.0, 16.0, (100.0, 40.0, 30.0))])
    for low in (True, False):
        (feeder, *_), _, _ = plan(
            solid + Solid.box((95, 0, 60), (105, 80, 75)),
            survey,
            machined=lambda normal, middle, low=low: (
                (normal[:, 2] > 0.5) & ((middle[:, 0] < 95.0) == low) & (middle[:, 2] < 65.0)
            ),
        )
        assert feeder.kind == "top"
        assert (feeder.at_mm[0] < 100.0) == low


def test_never_in_a_bore():
    """A hub with a 70 mm bore: the foot's middle is on metal, beside the bore."""
    hub = Solid.cone(80.0, 80.0, 60.0) - Solid.cone(35.0, 35.0, 80.0).moved((0.0, 0.0, -10.0))
    survey = survey_of([Piece("hub", hub, "bar", 45.0, 13.0, (57.0, 0.0, 30.0))])
    feeders, _, _ = plan(hub, survey)
    assert feeders
    for feeder in feeders:
        assert 35.0 < math.hypot(*feeder.at_mm[:2]) < 80.0


def test_never_on_the_floor_of_a_cup():
    """A cup 160 mm wide inside: a core fills it, so the feeder stands on the rim or beside."""
    cup = Solid.cone(120.0, 120.0, 110.0) - Solid.cone(80.0, 80.0, 90.0).moved((0.0, 0.0, 30.0))
    survey = survey_of([Piece("floor", cup, "plate", 30.0, 13.0, (0.0, 0.0, 15.0))])
    feeders, _, _ = plan(cup, survey)
    assert feeders
    for feeder in feeders:
        assert math.hypot(*feeder.at_mm[:2]) > 80.0


def test_never_under_an_overhang():
    """A C with its mouth to the side: the lower arm's top is hidden, the upper one's is not."""
    solid = Solid.box((0, 0, 0), (120, 60, 40)) + Solid.box((0, 0, 80), (120, 60, 100))
    solid = solid + Solid.box((0, 0, 40), (30, 60, 80))
    survey = survey_of([Piece("arm", solid, "chunky", 40.0, 10.0, (80.0, 30.0, 20.0))])
    feeders, _, _ = plan(solid, survey)
    assert feeders
    for feeder in feeders:
        assert feeder.kind == "side" or feeder.at_mm[2] >= 99.0


def test_a_small_boss_is_chilled_rather_than_fed():
    plate, boss = Solid.box((0, 0, 0), (200, 200, 25)), Solid.cone(20.0, 20.0, 18.0)
    boss = boss.moved((40.0, 40.0, 25.0))
    big = Solid.box((100, 100, 25), (180, 180, 85))
    survey = survey_of(
        [
            Piece("plate", plate, "plate", 25.0, 11.0, (80.0, 80.0, 12.0)),
            Piece("boss", boss, "chunky", 34.0, 8.0, (40.0, 40.0, 34.0)),
            Piece("big", big, "chunky", 80.0, 15.0, (140.0, 140.0, 55.0)),
        ],
        [
            ("boss", "plate", 15.0, (40.0, 40.0, 25.0)),
            ("big", "plate", 25.0, (140.0, 140.0, 25.0)),
        ],
    )
    scaled = replace(
        survey,
        sections=tuple(
            replace(s, volume_mm3=30_000.0, modulus_mm=11.5, cooled_area_mm2=30_000.0 / 11.5)
            if s.name == "boss"
            else s
            for s in survey.sections
        ),
    )
    feeders, chills, reasons = plan(plate + boss + big, scaled)
    assert "boss" not in [name for feeder in feeders for name in feeder.serves]
    (chill,) = chills
    assert math.dist(chill.at_mm[:2], (40.0, 40.0)) < 25.0
    why = next(reason.why for reason in reasons if reason.item == chill.name)
    assert "boss" in why
    only, none, _ = plan(plate + boss + big, scaled, rigging={"auto": ["feeders"]})
    assert none == ()
    assert "boss" in [name for feeder in only for name in feeder.serves]


def test_what_the_job_gives_is_kept():
    own = top_feeder("F1", (10.0, 10.0, 60.0), 33.0, 44.0, serves=("block",))
    table = {"name": "F1", "kind": "top", "at_mm": [10.0, 10.0, 60.0], "diameter_mm": 33.0}
    table |= {"height_mm": 44.0, "serves": ["block"]}
    feeders, _, reasons = block(rigging={"feeder": [table]})
    assert feeders == (own,)
    assert reasons[0].source == "job file"


def test_without_auto_nothing_is_planned():
    feeders, chills, _ = block(rigging={"auto": ["gating"]})
    assert (feeders, chills) == ((), ())


def test_every_copy_gets_its_own():
    """Two copies 200 mm apart, one turned: same size, each `into` its casting, at its place."""
    copies = (
        Placement(name="casting-1"),
        Placement(name="casting-2", move_mm=(200.0, 0.0, 0.0), turn_deg=90.0),
    )
    solid = Solid.box((0, 0, 0), (80, 60, 60))
    survey = survey_of([Piece("block", solid, "chunky", 60.0, 11.0, (40.0, 30.0, 30.0))])
    feeders, _, _ = plan(solid, survey, placements=copies)
    assert [feeder.into for feeder in feeders] == ["casting-1", "casting-2"]
    assert [feeder.name for feeder in feeders] == ["F1", "F2"]
    one, other = feeders
    turned = np.array([-one.at_mm[1] + 200.0, one.at_mm[0], one.at_mm[2]])
    np.testing.assert_allclose(other.at_mm, turned, atol=1e-2)


def test_an_alloy_that_makes_up_for_itself_gets_none():
    alloy = find(Alloy, "grey-iron").model_copy(
        update={"contraction_pct": -2.0, "liquid_contraction_pct_100k": 0.5}
    )
    feeders, _, reasons = block(alloy=alloy)
    assert feeders == ()
    assert "expansion" in reasons[0].why


def test_shifting_the_part_shifts_the_plan():
    (here,), _, _ = block()
    (there,), _, _ = block(x0=1000.0)
    np.testing.assert_allclose(np.array(there.at_mm) - here.at_mm, (1000.0, 0.0, 0.0), atol=1e-6)
    assert there.diameter_mm == here.diameter_mm


def test_a_feeder_keeps_out_of_the_room_of_a_core_print():
    """A print over most of the top: the feeder stands elsewhere; a print far above: as before."""
    (free,), _, _ = block()
    x, y = free.at_mm[:2]
    corners = (
        (x - 30.0, y - 30.0),
        (x + 30.0, y - 30.0),
        (x + 30.0, y + 30.0),
        (x - 30.0, y + 30.0),
    )
    over = PrintRoom(outline_mm=corners, low_mm=60.0, high_mm=90.0)
    (moved,), _, _ = block(rooms=(over,))
    room = Polygon(corners)
    assert Point(moved.at_mm[:2]).distance(room) >= 0.5 * moved.diameter_mm - 1e-6
    (same,), _, _ = block(rooms=(replace(over, low_mm=500.0, high_mm=600.0),))
    assert same == free


@pytest.mark.parametrize(("wall", "modulus", "is_off"), [(110.0, 15.0, False), (26.0, 8.0, True)])
def test_a_feeder_on_a_bored_hub_leaves_the_bore_open(wall, modulus, is_off):
    """Wide wall: on it. Narrow wall: beside its neck, outward, never over the bore's mouth."""
    outer, bore, cell = 25.0 + wall, 25.0, 4.0
    solid = tube(outer, bore, 90.0)
    piece = Piece("hub", solid, "chunky", wall, modulus, (bore + 0.5 * wall, 0.0, 45.0))
    feeders, _, _ = plan(
        solid, survey_of([piece]), kept=lambda normal, middle: np.abs(normal[:, 2]) < 0.5
    )
    assert feeders
    for feeder in feeders:
        assert feeder.kind == "top"
        assert math.hypot(*feeder.at_mm[:2]) - 0.5 * feeder.diameter_mm >= bore - cell
        neck = math.hypot(*feeder.neck_to_mm[:2])
        assert (feeder.neck_width_mm > 0.0) is is_off
        if is_off:
            assert math.dist(feeder.at_mm[:2], feeder.neck_to_mm[:2]) > cell
            assert neck - 0.5 * feeder.neck_width_mm >= bore - cell
            assert neck + 0.5 * feeder.neck_width_mm <= outer + cell
            rigging = build_rigging(plan_of([feeder]), pattern_of(solid))
            column, foot = rigging.bodies
            touching = (foot.solid & solid.moved((0.0, 0.0, 1.0))).volume_mm3
            assert touching > 0.4 * math.pi / 4.0 * feeder.neck_width_mm**2
            assert (column.solid & foot.solid).volume_mm3 > 0.0


@pytest.mark.parametrize(
    ("height", "step_mm", "is_over"), [(80.0, 0.0, True), (170.0, 0.0, False), (80.0, 12.0, False)]
)
def test_a_hub_is_fed_over_its_bore(height, step_mm, is_over):
    """The foot covers the bore and the ring round it; not where its sand is slender or a step is.

    Sand 44 mm wide stands up to three times that (common practice, no source).
    """
    hub = tube(45.0, 22.0, height)
    solid = hub - Solid.box((30, -20, height - step_mm), (60, 20, height + 1)) if step_mm else hub
    piece = Piece("hub", solid, "bar", 23.0, 9.3, (33.0, 0.0, 0.5 * height))
    feeders, _, reasons = plan(solid, survey_of([piece], pitch_mm=2.0))
    over = [feeder for feeder in feeders if math.hypot(*feeder.at_mm[:2]) < 2.0]
    assert bool(over) is is_over
    assert any("over a bore" in reason.why for reason in reasons) is is_over
    for feeder in over:
        assert feeder.neck_width_mm == 0.0
        assert 0.5 * feeder.diameter_mm >= 22.0 + 0.7 * 2.0 * 0.6 * 9.3
        rigging = build_rigging(plan_of([feeder]), pattern_of(solid))
        sunk = rigging.bodies[0].solid & solid.moved((0.0, 0.0, 1.0))
        ring = math.pi * (min(0.5 * feeder.diameter_mm, 45.0) ** 2 - 22.0**2) * (1.0 + OVERLAP_MM)
        agree(sunk.volume_mm3, ring, rel=0.02, why="facets")
        sand = revolved([21.0, 21.0], [0.0, height - 1.0], (0.0, 0.0, 0.0))
        assert (rigging.bodies[0].solid & sand).is_empty


def test_a_window_between_spokes_may_be_covered_in_part():
    """A rim on four spokes, and a hub with a long bore: wider feeders than the hub, beside that."""
    hub, rim = tube(55.0, 25.0, 160.0), tube(210.0, 160.0, 90.0)
    spokes = [Solid.box((50, -15, 30), (165, 15, 60)).turned((0, 0, 90.0 * k)) for k in range(4)]
    solid = Solid.union([hub, rim, *spokes])
    pieces = [
        Piece("hub", Solid.union([hub, *spokes]), "bar", 38.0, 11.0, (40.0, 0.0, 45.0)),
        Piece("rim", rim, "bar", 30.0, 9.6, (185.0, 0.0, 45.0)),
    ]
    survey = survey_of(pieces, [("hub", "rim", 28.0, (162.0, 0.0, 45.0))])
    iron = find(Alloy, "ductile-iron")
    feeders, _, _ = plan(solid, survey, alloy=iron)
    assert 1 <= len(feeders) <= 2
    for feeder in feeders:
        outer = 0.5 * feeder.diameter_mm + feeder.sleeve_mm
        assert feeder.neck_width_mm > 0.0
        assert math.hypot(*feeder.at_mm[:2]) - outer >= 25.0 - 4.0


def test_no_chill_where_a_print_begins():
    """The boss's chill lies underneath; with a print there it does not."""
    pattern = pattern_of(Solid.box((0, 0, 0), (60, 60, 60)))
    piece = Piece("block", pattern.solid, "chunky", 60.0, 10.0, (30.0, 30.0, 30.0))
    near = np.array(piece.at_mm)
    under = PrintRoom(
        outline_mm=((-9.0, -9.0), (69.0, -9.0), (69.0, 69.0), (-9.0, 69.0)),
        low_mm=-60.0,
        high_mm=0.0,
    )
    survey = survey_of([piece])
    free, kept = Sites(pattern, survey, (0.0,)), Sites(pattern, survey, (0.0,), None, (under,))
    assert free.for_chill(1, near, 30.0, 60.0).normal[2] == -1.0
    assert kept.for_chill(1, near, 30.0, 60.0).normal[2] == 1.0


@pytest.mark.parametrize(("off_mm", "is_clear"), [(0.3, False), (-12.0, True)])
def test_a_feeder_that_grazes_a_boss_is_welded_to_it(off_mm, is_clear):
    """A boss reaches 12 mm over the foot and 0.3 mm into the feeder: sand beside that is filled."""
    plate, radius = Solid.box((-60, -60, 0), (60, 60, 20)), 15.0
    boss = Solid.cone(radius, radius, 19.8).moved((16.5 + radius - off_mm, 0.0, 20.0))
    feeder = top_feeder(
        "F1", (0.0, 0.0, 28.0), 33.0, 50.0, neck_width_mm=15.0, neck_height_mm=8.0,
        neck_to_mm=(0.0, 0.0, 20.0),
    )  # fmt: skip
    target = Target("casting", plate + boss)
    assert stands_clear(feeder, target, find(Alloy, "al-si7mg")) is is_clear


def test_no_chill_on_the_far_side_of_a_hollow():
    """A hollow bar, 20 mm thick: a hot spot in its roof is not chilled from its underside."""
    bar = Solid.box((0, 0, 0), (200, 100, 100)) - Solid.box((20, 20, 20), (180, 80, 80))
    survey = survey_of([Piece("bar", bar, "bar", 20.0, 9.0, (100.0, 50.0, 90.0))])
    pattern = pattern_of(bar, kept=lambda normal, _: normal[:, 2] > 0.5)
    sites = Sites(pattern, survey, (50.0,))
    roof, floor = np.array([100.0, 50.0, 90.0]), np.array([100.0, 50.0, 10.0])
    assert sites.for_chill(1, roof, 30.0, 20.0) is None
    assert sites.for_chill(1, floor, 30.0, 20.0).normal[2] == -1.0
    assert sites.for_chill(1, roof, 30.0, 100.0).normal[2] == -1.0


def test_a_chill_lies_under_metal_and_has_a_way_in():
    """Under a flange with a wider roof above, sand of the drag bars all but what the stem opens."""
    bodies = {
        "flange": Solid.box((-60, -60, 0), (60, 60, 15)),
        "stem": Solid.box((-20, -20, 15), (20, 20, 60)),
        "roof": Solid.box((-80, -80, 60), (80, 80, 80)),
    }
    pattern = pattern_of(Solid.union(bodies.values()))
    survey = survey_of(
        [
            Piece(n, s, "plate", 15.0, 6.0 + k, (0.0, 0.0, 7.0))
            for k, (n, s) in enumerate(bodies.items())
        ]
    )
    near = np.array([0.0, 0.0, 7.0])
    on_top = Sites(pattern, survey, (80.0,)).for_chill(1, near, 100.0, 15.0)
    at_foot = Sites(pattern, survey, (0.0,)).for_chill(1, near, 100.0, 15.0)
    assert (on_top.normal[2], at_foot.normal[2]) == (-1.0, -1.0)
    assert 25.0 < on_top.width_mm <= 40.0
    assert at_foot.width_mm >= 90.0


def test_a_chill_keeps_a_web_of_sand_to_a_gate_and_no_more():
    """A gate 60 mm wide comes in at y = 20; a chill behind its mouth, or well under it, is free."""
    gate = IngatePlan(
        name="ingate-1", path_mm=((0.0, 80.0, 0.0), (0.0, 20.0, 0.0)), width_mm=60.0,
        height_mm=6.0, side_deg=0.0,
    )  # fmt: skip
    riser = replace(gate, name="ingate-2", path_mm=((90.0, 0.0, -40.0), (90.0, 0.0, 0.0)))
    room = ElbowRoom(replace(plan_of(), ingates=(gate, riser)), None, ())
    at = {
        (0.0, 3.0, 0.0): True,  # 7 mm of sand behind the mouth
        (0.0, 5.0, 0.0): False,  # 5 mm
        (0.0, 50.0, -12.0): True,  # 7 mm under it
        (0.0, 50.0, -10.0): False,
        (90.0, 0.0, 0.0): False,  # where one rises
    }
    for place, is_free in at.items():
        chill = ChillPlan(name="C1", at_mm=place, size_mm=(20.0, 20.0, 10.0))
        assert room.has_chill(chill, (), ()) == is_free, place


WIDE = Solid.box((0, 0, 0), (300, 200, 12))


def wide_plate(alloy_id, **job):
    survey = survey_of([Piece("plate", WIDE, "plate", 12.0, 5.6, (150.0, 100.0, 6.0))])
    return plan(WIDE, survey, alloy=find(Alloy, alloy_id), **job)


def test_a_sleeve_comes_first_where_it_saves_over_half_the_metal():
    """e V_f = a (V_c + V_f): with a = 6.1 % a plain feeder needs 0.77 V_c, a sleeved one 0.26."""
    sleeved, _, _ = wide_plate("al-si7mg")
    plain, _, _ = wide_plate("al-si7mg", feeding={"sleeves": "none"})
    assert {feeder.sleeve for feeder in sleeved} == {"insulating"}
    assert all(feeder.sleeve_mm >= 8.0 for feeder in sleeved)
    assert {feeder.sleeve for feeder in plain} == {"none"}

    def metal(feeders):
        return sum(feeder_volume_mm3(f.diameter_mm, f.height_mm, is_domed=True) for f in feeders)

    assert metal(sleeved) <= 0.5 * metal(plain)
    demand = demand_pct(find(Alloy, "al-si7mg"))
    for feeders in (sleeved, plain):
        given = sum(
            can_give_mm3(f, feeder_volume_mm3(f.diameter_mm, f.height_mm, is_domed=True), demand)
            for f in feeders
        )
        assert given >= demand / 100.0 * WIDE.volume_mm3


def test_modulus_alone_is_no_reason_for_a_sleeve():
    """A chunky steel casting wants little feed metal: a plain feeder has it anyway."""
    (feeder,), _, _ = block()
    assert feeder.sleeve == "none"


def long_bar(alloy_id):
    solid = Solid.box((0, 0, 0), (900, 40, 40))
    survey = survey_of([Piece("bar", solid, "bar", 40.0, 9.6, (450.0, 20.0, 20.0))])
    feeders, _, _ = plan(solid, survey, alloy=find(Alloy, alloy_id))
    return len(feeders)


def test_no_distance_asks_for_a_feeder_on_an_iron():
    """900 mm are more than twice what either reaches; the iron draws while all is liquid."""
    assert long_bar("grey-iron") == 1
    assert long_bar("carbon-steel") > 2


def test_a_side_feeder_that_would_be_too_slim_gets_wider():
    """A wall 16 mm thick and 70 mm high: by modulus 40 mm wide, by height three times that."""
    wall = Solid.box((0, 0, 0), (120, 16, 70))
    survey = survey_of([Piece("wall", wall, "plate", 16.0, 6.4, (60.0, 8.0, 8.0))])
    (feeder, *_), _, _ = plan(
        wall, survey, z_mm=6.0, kept=lambda normal, middle: np.abs(normal[:, 2]) > 0.5,
        feeding={"sleeves": "none"},
    )  # fmt: skip
    assert feeder.kind == "side"
    assert feeder.at_mm[2] + feeder.height_mm > 70.0
    assert feeder.height_mm <= 3.0 * feeder.diameter_mm
    modulus = planned_modulus_mm(feeder)
    assert modulus >= 1.2 * 6.4


def test_a_narrow_neck_is_taken_where_no_other_finds_ground():
    """A ridge 14 mm wide over 40 mm of steel: 0.7 x 4 x 9 mm want 25 mm of ground, 0.5 x 18."""
    low, ridge = Solid.box((0, 0, 0), (90, 40, 60)), Solid.box((0, 9, 60), (90, 31, 70))
    solid = low + ridge
    piece = Piece("block", solid, "chunky", 40.0, 9.0, (45.0, 20.0, 30.0))
    feeders, _, reasons = plan(
        solid, survey_of([piece], pitch_mm=2.0), z_mm=30.0,
        kept=lambda normal, middle: (middle[:, 2] < 69.0) | (np.abs(normal[:, 2]) < 0.5),
        feeding={"sleeves": "none"}, rigging={"auto": ["feeders"]},
    )  # fmt: skip
    assert feeders, [reason.why for reason in reasons]
    assert feeders[0].kind == "top"
    assert 0.5 * 4.0 * 9.0 <= feeders[0].neck_width_mm < 0.7 * 4.0 * 9.0


def test_a_feeder_on_a_neck_is_sized_for_what_its_neck_covers():
    """A full foot on a 40 mm post hides its top from cooling, a neck on a tenth of it does not."""
    section = survey_of(
        [Piece("post", Solid.box((0, 0, 0), (60, 60, 90)), "chunky", 60.0, 11.25, (30, 30, 45))]
    ).sections[0]
    full = size_feeder(section, 0.0, 4.0, 1.2, 1.1, kind="top", ground_mm2=3600.0)
    necked = size_feeder(section, 0.0, 4.0, 1.2, 1.1, kind="top", ground_mm2=360.0)
    assert necked.diameter_mm < full.diameter_mm
    assert necked.modulus_mm >= 1.2 * section.modulus_mm


def test_sand_beside_a_column_is_measured_to_the_wall_that_rises_there():
    low, wall = Solid.box((0, 0, 0), (200, 100, 30)), Solid.box((150, 0, 0), (200, 100, 90))
    survey = survey_of([Piece("step", low + wall, "chunky", 30.0, 10.0, (100.0, 50.0, 15.0))])
    sites = Sites(pattern_of(low + wall), survey, (0.0,))
    beside = sites.sand_beside_mm((100.0, 50.0), 30.0, 40.0, 120.0)
    assert abs(beside - 20.0) <= 0.5 * survey.pitch_mm
    assert sites.sand_beside_mm((100.0, 50.0), 30.0, 95.0, 120.0) == math.inf


def test_a_feeder_grows_away_from_its_casting_and_moves_out_along_its_neck():
    """Neck from (100, 0) to a feeder of 40 mm at (150, 0): 30 mm long, before and after."""
    feeder = side_feeder("F1", (150.0, 0.0, 0.0), 40.0, 60.0, (100.0, 0.0, 20.0), (20.0, 20.0))
    grown = scaled(feeder, 1.5)
    assert (grown.diameter_mm, grown.height_mm, grown.neck_width_mm) == (60.0, 90.0, 30.0)
    assert grown.at_mm == (160.0, 0.0, 0.0)
    assert moved_out(feeder, 8.0).at_mm == (158.0, 0.0, 0.0)
    top = top_feeder("F2", (0.0, 0.0, 50.0), 40.0, 60.0)
    assert moved_out(top, 8.0) == top


@pytest.mark.parametrize(("cheeks", "kind"), [((), "at the joint"), ((-60.0,), "at the cheek")])
def test_a_feeder_beside_opens_at_a_joint(cheeks, kind):
    """A flange deep in the drag under a wide plate: only a joint through it shows its feeder."""
    low = Solid.cone(60.0, 60.0, 30.0).moved((0.0, 0.0, -75.0))
    plate = Solid.cone(60.0, 60.0, 30.0).moved((0.0, 0.0, -15.0))
    solid = low + plate + Solid.cone(25.0, 25.0, 60.0).moved((0.0, 0.0, -60.0))
    survey = survey_of([Piece("flange", solid, "plate", 30.0, 11.0, (45.0, 0.0, -60.0))])
    pattern = pattern_of(solid, kept=lambda normal, middle: np.abs(normal[:, 2]) > 0.9)
    parting = replace(parting_of(solid, 0.0), cheeks_mm=cheeks)
    feeders, _, _ = plan_feeders(survey, pattern, parting, job_of(), steel(), HERE)
    assert feeders, kind
    for feeder in feeders:
        top = feeder.at_mm[2] + feeder.height_mm
        assert feeder.kind == "side"
        assert any(feeder.at_mm[2] < joint < top for joint in parting.joints_mm), kind


def test_feeders_of_one_wall_are_spread_evenly_over_it():
    """A 300 mm plate of steel, 25 mm thick: four feeders, each in the middle of its quarter."""
    plate = Solid.box((-150, -150, 0), (150, 150, 25))
    feeders, _, _ = plan(plate, survey_of([Piece("plate", plate, "plate", 25.0, 10.7, (0, 0, 12))]))
    places = sorted((feeder.at_mm[0] > 0.0, feeder.at_mm[1] > 0.0) for feeder in feeders)
    assert places == [(False, False), (False, True), (True, False), (True, True)]
    for feeder in feeders:
        assert np.abs(np.abs(feeder.at_mm[:2]) - 75.0).max() < 10.0


def test_no_feeder_stands_within_a_casting_with_windows():
    """A post on the floor of a box whose inside is open at two windows: its sand is a core's."""
    box = Solid.box((0, 0, 0), (400, 300, 200)) - Solid.box((10, 10, 10), (390, 290, 190))
    box = box - Solid.box((-1, 30, 25), (401, 270, 175))
    solid = box + Solid.box((170, 120, 5), (230, 180, 85))
    survey = survey_of([Piece("post", solid, "chunky", 60.0, 15.0, (200.0, 150.0, 45.0))])
    sites = Sites(pattern_of(solid), survey, (50.0,))
    near = np.array([200.0, 150.0, 45.0])
    for site in sites.beside(1, near, 50.0, 40.0, 15.0, 60.0):
        x, y = np.array(site.neck_to_mm[:2]) + 35.0 * np.array(site.outward)
        assert not (10.0 < x < 390.0 and 10.0 < y < 290.0)
