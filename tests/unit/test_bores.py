"""Narrow bores are found and filled whatever their kind and direction, and nothing else is."""

import numpy as np
import pytest
from shapely.geometry import LineString, Point, Polygon

from moldprep.geometry.bores import fill_bores, find_bores
from moldprep.geometry.faces import Surface
from moldprep.geometry.solid import Solid
from tests.helpers import agree

BLOCK = Solid.box((-50, -30, 0), (50, 30, 20))
TURNS = [(0.0, 0.0, 0.0), (20.0, 0.0, 0.0), (31.0, -47.0, 12.0)]


def drill(width, low=-1.0, high=21.0, sides=24):
    """Return a bore along z through the origin."""
    angle = np.linspace(0.0, 2.0 * np.pi, sides, endpoint=False)
    ring = 0.5 * width * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    return Solid.extrude(Polygon(ring), low, high)


def drill_with_tip(width, deep):
    """Return a blind bore from the top face, with the 118° cone of a drill's tip."""
    cone = Solid.hull_of(np.vstack([
        drill(width, 20.0 - deep, 20.1 - deep).mesh()[0],
        [[0.0, 0.0, 20.0 - deep - 0.5 * width / np.tan(np.radians(59.0))]],
    ]))  # fmt: skip
    return drill(width, 20.0 - deep) + cone


def slot(width, long, low=-1.0):
    middle = LineString([(-0.5 * (long - width), 0.0), (0.5 * (long - width), 0.0)])
    return Solid.extrude(middle.buffer(0.5 * width), low, 21.0)


def filled(solid, turn=(0.0, 0.0, 0.0), below_mm=5.0):
    turned = solid.turned(turn)
    bores = find_bores(Surface.of(turned), below_mm)
    return fill_bores(turned, bores), [bore.facts for bore in bores]


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize(
    ("hole", "width", "depth"),
    [
        (drill(4.0), 4.0, 20.0),
        (drill(4.9, sides=64), 4.9, 20.0),
        (drill(4.0, sides=6), 4.0 * np.sqrt(3.0) / 2.0, 20.0),
        (drill(3.3, low=8.0), 3.3, 12.0),
        (drill_with_tip(4.2, 10.0), 4.2, 10.0),
        (slot(3.0, 4.8), 3.0, 20.0),
    ],
    ids=["through", "fine", "hexagon", "blind", "tip", "short slot"],
)
def test_a_narrow_bore_is_filled_to_the_block_it_was_drilled_in(hole, width, depth, turn):
    solid, (bore,) = filled(BLOCK - hole, turn)
    agree(solid.volume_mm3, BLOCK.volume_mm3, rel=1e-9, why="the block before it was drilled")
    agree(bore.width_mm, width, rel=0.02, why="a polygon within its circle")
    agree(bore.depth_mm, depth, rel=1e-6, why="of the wall, without the tip")
    assert len(solid.parts()) == 1


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize(
    "left",
    [
        BLOCK - drill(8.0),
        BLOCK - slot(4.0, 30.0),
        BLOCK - Solid.box((-2, -31, 5), (2, 31, 21)),
        BLOCK - drill(4.0).moved((0.0, 30.0, 0.0)),
        BLOCK - drill(4.0, low=19.0),
        (BLOCK - drill(12.0)) + drill(11.0),
        BLOCK + drill(4.0, high=30.0),
    ],
    ids=["wide", "slot", "gap", "open groove", "dimple", "pin in a bore", "stud"],
)
def test_what_is_no_narrow_bore_stays(left, turn):
    solid, bores = filled(left, turn)
    assert bores == []
    agree(solid.volume_mm3, left.volume_mm3, rel=1e-12, why="nothing is done to it")


def test_each_width_of_a_stepped_bore_is_drilled():
    solid, bores = filled(BLOCK - drill(4.0, low=5.0) - drill(2.5))
    agree(solid.volume_mm3, BLOCK.volume_mm3, rel=1e-9, why="the block before it was drilled")
    sizes = [(round(bore.width_mm, 1), round(bore.depth_mm)) for bore in bores]
    assert sizes == [(4.0, 15), (2.5, 5)]


def test_a_sink_over_a_bore_stays():
    sink = Solid.hull_of(np.vstack([
        drill(4.0, 17.0, 17.1).mesh()[0], drill(12.0, 20.9, 21.0).mesh()[0],
    ]))  # fmt: skip
    solid, (bore,) = filled(BLOCK - drill(4.0) - sink)
    assert bore.width_mm < 4.01
    inside = Solid.extrude(Point(0, 0).buffer(3.0), 19.9, 20.0)
    assert (solid & inside).volume_mm3 < 0.01 * inside.volume_mm3
    agree(solid.volume_mm3, (BLOCK - (sink - drill(4.1))).volume_mm3, rel=1e-3, why="the sink")


def test_a_bore_into_a_wide_one_is_filled_up_to_its_wall():
    wide = Solid.extrude(Point(0, 10).buffer(8.0), -60.0, 60.0).turned((0.0, 90.0, 0.0))
    body = Solid.box((-50, -30, -20), (50, 30, 20)) - wide
    solid, (_,) = filled(body - drill(4.0, low=0.0).moved((0.0, 10.0, 0.0)))
    agree(solid.volume_mm3, body.volume_mm3, rel=2e-4, why="the bore's own mouth is level")


def test_the_widest_bore_comes_first_and_places_are_their_middles():
    two = BLOCK - drill(3.0).moved((20.0, 0.0, 0.0)) - drill(4.5, low=10.0).moved((-20.0, 5.0, 0.0))
    _, bores = filled(two)
    assert [round(bore.width_mm, 1) for bore in bores] == [4.5, 3.0]
    assert np.allclose([bore.at_mm for bore in bores], [(-20, 5, 15), (20, 0, 10)], atol=1e-6)
    assert np.allclose(np.abs([bore.axis for bore in bores]), [(0, 0, 1)] * 2, atol=1e-9)
