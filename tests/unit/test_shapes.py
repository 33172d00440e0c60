"""Simple bodies: volumes, extents and sections against closed forms."""

import math

import numpy as np
import pytest

from moldprep.geometry.shapes import (
    area_radius_mm,
    column,
    raised,
    revolved,
    rounded_box_outline,
    rounded_path,
    section_points,
    swept_channel,
    trapezoid_widths_mm,
    turned_box,
)
from tests.helpers import agree

STRAIGHT = np.array([[0.0, 0.0, 5.0], [100.0, 0.0, 5.0]])
CORNER = np.array([[0.0, 0.0, 0.0], [100.0, 0.0, 0.0], [100.0, 80.0, 0.0]])


def test_faceted_column_of_a_wanted_area_has_exactly_that_area():
    radius = area_radius_mm(500.0)
    body = revolved([radius, radius], [0.0, 10.0], (0.0, 0.0, 0.0))
    agree(body.volume_mm3, 5000.0, rel=1e-9, why="exact by construction")


def test_column_stands_on_its_foot():
    body = column((10.0, 20.0, 30.0), 8.0, 4.0, 12.0)
    np.testing.assert_allclose(body.bounds, [[6.0, 16.0, 30.0], [14.0, 24.0, 42.0]], atol=1e-9)


def test_turned_box_swaps_its_extents():
    np.testing.assert_allclose(
        turned_box((1.0, 2.0, 3.0), (10.0, 20.0, 30.0), 90.0).size_mm, [20.0, 10.0, 30.0], atol=1e-9
    )


@pytest.mark.parametrize("side_deg", [-20.0, 0.0, 10.0])
def test_straight_channel_holds_width_times_height_times_length(side_deg):
    body = swept_channel(STRAIGHT, 20.0, 12.0, side_deg)
    agree(body.volume_mm3, 20.0 * 12.0 * 100.0, rel=1e-9, why="trapezoid by its mean width")
    np.testing.assert_allclose(body.bounds[:, 2], [5.0, 17.0], atol=1e-9)


def test_lean_narrows_the_top():
    floor, top = trapezoid_widths_mm(20.0, 12.0, 10.0)
    body = swept_channel(STRAIGHT, 20.0, 12.0, 10.0)
    low, high = body.slice_at(5.001), body.slice_at(16.999)
    agree(low.area / 100.0, floor, rel=1e-3, why="a micron above the floor")
    agree(high.area / 100.0, top, rel=1e-3, why="a micron under the top")


def test_mitred_corner_keeps_the_volume_of_both_legs():
    """The mitre adds outside what it takes inside: width x height x length of the center line."""
    body = swept_channel(CORNER, 20.0, 10.0, 0.0)
    agree(body.volume_mm3, 200.0 * 180.0, rel=1e-9, why="exact")


def test_bend_follows_its_arc():
    path = rounded_path(CORNER, 30.0)
    length = np.linalg.norm(np.diff(path, axis=0), axis=1).sum()
    agree(length, 180.0 - 60.0 + 15.0 * math.pi, rel=2e-3, why="arc of 10 degree chords")
    body = swept_channel(path, 20.0, 10.0, 10.0)
    agree(body.volume_mm3, 200.0 * length, rel=1e-3, why="swept by its center line")
    arc = path[1:-1]
    agree(np.linalg.norm(arc - [70.0, 30.0, 0.0], axis=1), 30.0, rel=1e-9, why="on the circle")


def test_bend_gives_way_to_short_legs():
    path = rounded_path(np.array([[0.0, 0.0, 0.0], [10.0, 0.0, 0.0], [10.0, 10.0, 0.0]]), 50.0)
    assert path[:, :2].min() >= 0.0
    assert path[:, :2].max() <= 10.0


def test_square_corners_stay():
    np.testing.assert_array_equal(rounded_path(CORNER, 0.0), CORNER)


@pytest.mark.parametrize(
    "path",
    [CORNER[:1], np.array([[0.0, 0, 0], [10.0, 0, 0], [0.0, 0, 0]]), np.zeros((2, 3))],
    ids=["one point", "doubles back", "no length"],
)
def test_impossible_path_is_refused(path):
    with pytest.raises(ValueError, match="swept_channel"):
        swept_channel(path, 10.0, 10.0, 0.0)


def test_sides_that_meet_below_the_top_are_refused():
    with pytest.raises(ValueError, match="swept_channel"):
        swept_channel(STRAIGHT, 5.0, 30.0, 20.0)


def test_section_points_are_the_end_of_the_channel():
    points = section_points(STRAIGHT[0], np.array([1.0, 0.0, 0.0]), 20.0, 12.0, 10.0)
    corners, _ = swept_channel(STRAIGHT, 20.0, 12.0, 10.0).mesh()
    at_start = corners[np.abs(corners[:, 0]) < 1e-9]
    np.testing.assert_allclose(
        sorted(map(tuple, points.round(6))), sorted(map(tuple, at_start.round(6)))
    )


def test_rounded_box_keeps_its_extents():
    outline = rounded_box_outline(100.0, 40.0, 10.0)
    np.testing.assert_allclose(outline.bounds, (-50.0, -20.0, 50.0, 20.0))
    agree(outline.area, 4000.0 - (4.0 - math.pi) * 100.0, rel=2e-3, why="corner of 8 chords")


def test_raised_moves_up_only():
    np.testing.assert_array_equal(raised(CORNER, 7.0)[:, 2], 7.0)
    np.testing.assert_array_equal(raised(CORNER, 7.0)[:, :2], CORNER[:, :2])
