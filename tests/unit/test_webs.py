"""Thin sand between feeders, chills and castings is filled, and only there."""

import numpy as np

from moldprep.geometry.solid import Solid
from moldprep.records import Body, Insert, Role
from moldprep.rigging.feed.webs import fill_webs
from tests.helpers import agree

PLATE = Body(name="casting", role=Role.CASTING, solid=Solid.box((0, 0, 0), (100, 100, 20)))


def feeder(name, x, y, role=Role.FEEDER):
    solid = Solid.cone(15.0, 15.0, 60.0).moved((x, y, 19.9))
    return Body(name=name, role=role, solid=solid)


def volumes(bodies):
    return [body.solid.volume_mm3 for body in bodies]


def filled(castings, bodies, inserts):
    """Return bodies and inserts with webs filled."""
    whole = Solid.union(body.solid for body in (*castings, *bodies))
    return fill_webs(castings, bodies, inserts, whole)


def test_feeders_with_a_skin_of_sand_between_them_become_one():
    apart = [feeder("F1", 30.0, 50.0), feeder("F2", 61.0, 50.0)]
    bodies, _, reasons = filled([PLATE], apart, [])
    assert [body.name for body in bodies] == ["F1", "F2"]
    assert {reason.item for reason in reasons} <= {"F1", "F2"}
    assert "blended into F2 over" in next(r.why for r in reasons if r.item == "F1")
    joined = Solid.union(body.solid for body in bodies)
    assert len(joined.parts()) == 1
    # the two faces are within 25° of opposed to about 15 sin(12°) = 3 mm on each side
    slot = Solid.box((44.9, 47.0, 21.0), (46.1, 53.0, 79.0))
    agree((slot & joined).volume_mm3, slot.volume_mm3, rel=1e-9, why="the web is gone")
    beside = Solid.box((0.0, 0.0, 20.0), (29.0, 100.0, 80.0))
    agree(
        (joined & beside).volume_mm3,
        (apart[0].solid & beside).volume_mm3,
        rel=1e-9,
        why="nothing else is touched",
    )


def test_bodies_with_a_sound_wall_between_them_stay_as_they_are():
    apart = [feeder("F1", 30.0, 50.0), feeder("F2", 68.0, 50.0)]
    bodies, *_ = filled([PLATE], apart, [])
    assert volumes(bodies) == volumes(apart)


def test_a_wide_web_stays_sand_and_is_for_the_checks_to_judge():
    """Two flat sides, 30 x 60 mm and 2 mm apart, would be a weld of 1800 mm²."""
    apart = [
        Body(name=name, role=Role.FEEDER, solid=Solid.box((x, 30, 19.9), (x + 30, 60, 80)))
        for name, x in (("F1", 10.0), ("F2", 42.0))
    ]
    bodies, _, reasons = filled([PLATE], apart, [])
    assert volumes(bodies) == volumes(apart)
    assert reasons == ()


def test_a_foot_that_stands_off_by_just_the_safe_web_keeps_its_neck():
    foot = Body(name="F1", role=Role.FEEDER, solid=Solid.cone(15.0, 15.0, 60.0).moved((50, 50, 25)))
    neck = Body(
        name="neck-F1", role=Role.NECK, solid=Solid.cone(5.0, 5.0, 6.0).moved((50, 50, 19.5))
    )
    bodies, _, reasons = filled([PLATE], [foot, neck], [])
    assert volumes(bodies) == volumes([foot, neck])
    assert reasons == ()


def test_gating_is_never_joined_to_a_feeder():
    near = [feeder("F1", 30.0, 50.0), feeder("runner-1", 61.0, 50.0, Role.RUNNER)]
    bodies, *_ = filled([PLATE], near, [])
    assert volumes(bodies) == volumes(near)


def test_a_chill_is_fitted_to_the_wall_it_nearly_touches():
    wall = Body(
        name="casting",
        role=Role.CASTING,
        solid=Solid.box((0, 0, 0), (100, 100, 20)) + Solid.box((0, 0, -60), (10, 100, 1)),
    )
    chill = Insert(name="C1", material="iron", solid=Solid.box((12, 30, -20), (40, 60, 0)))
    _, (fitted,), _ = filled([wall], [], [chill])
    low, high = fitted.solid.bounds
    assert np.allclose([low[0], high[0]], [10.0, 40.0], atol=0.5)
    assert (fitted.solid & wall.solid).volume_mm3 < 1e-6
    slot = Solid.box((10.01, 31.0, -19.0), (11.99, 59.0, -0.01))
    agree((slot & fitted.solid).volume_mm3, slot.volume_mm3, rel=1e-9, why="no sand is left")


def test_a_neck_takes_the_sand_between_it_and_a_chill():
    neck = Body(name="neck-F1", role=Role.NECK, solid=Solid.box((95, 30, 5), (130, 60, 20)))
    chill = Insert(name="C1", material="iron", solid=Solid.box((101, 30, -20), (130, 60, 4.5)))
    (thick,), (same,), _ = filled([PLATE], [neck], [chill])
    assert thick.solid.bounds[0, 2] < 4.6
    assert (thick.solid & same.solid).volume_mm3 < 1e-6
