"""Walls under a head, and clearances between pieces, measured on bodies whose answer is known."""

import numpy as np
import pytest

from moldprep.geometry.rays import Rays
from moldprep.geometry.solid import Solid
from moldprep.mold.mating import find_gaps
from moldprep.mold.panels import find_weakest_panel
from moldprep.mold.pressure import find_wetted
from moldprep.mold.walls import panel_thickness_mm
from moldprep.records import Piece
from moldprep.units import pressure_pa
from tests.helpers import agree

DENSITY, LEVEL = 7000.0, 400.0
CAVITY = Solid.box((-100, -100, -100), (100, 100, 100))


def piece(name, solid):
    return Piece(name=name, role=name.split("-")[0], solid=solid)


def panel_of(block, cavity=CAVITY, *, has_bed=True, others=()):
    sand = block - cavity
    wetted = find_wetted(cavity, (piece("drag", sand),), [150.0]).of(0)
    rays = [Rays.of(cavity), *(Rays.of(other) for other in others)]
    return find_weakest_panel(sand, wetted, rays, LEVEL, DENSITY, has_bed=has_bed)


@pytest.mark.parametrize("wall", [15.0, 30.0])
def test_a_square_wall_is_bent_as_a_clamped_plate(wall):
    """Roark: 0.308 p (a / t)², here at mid height of the thin side of a box."""
    block = Solid.box((-200, -200, -200), (100 + wall, 200, 200))
    panel = panel_of(block)
    agree(panel.thickness_mm, wall, rel=0.01, why="straight through")
    agree(panel.span_mm, 200.0, rel=0.06, why="spots are 5 mm apart")
    head = LEVEL - panel.at_mm[2]
    want = 0.308 * pressure_pa(head, DENSITY) / 1e6 * (panel.span_mm / wall) ** 2
    agree(panel.stress_mpa, want, rel=0.01, why="its formula")
    assert panel.at_mm[0] == pytest.approx(100.0)
    assert np.abs(panel.at_mm[1:]).max() < 12.0
    # the wall rule read backwards: this wall at this stress is as thick as the rule asks
    agree(panel_thickness_mm(panel.span_mm, head, DENSITY, panel.stress_mpa, 1.0), wall, rel=0.01,
          why="one plate formula")  # fmt: skip


def test_a_rib_halves_the_span():
    rib = Solid.box((110, -20, -200), (200, 20, 200))
    block = Solid.box((-200, -200, -200), (115, 200, 200)) + rib
    panel = panel_of(block)
    agree(panel.span_mm, 80.0, rel=0.08, why="spots are 5 mm apart")


def test_a_wall_that_leans_on_other_sand_is_not_bent():
    block = Solid.box((-200, -200, -200), (115, 200, 200))
    assert panel_of(block, others=[Solid.box((115.3, -200, -200), (200, 200, 200))]) is None


def test_a_floor_on_its_bed_is_not_bent_and_one_in_the_air_is():
    block = Solid.box((-200, -200, -112), (200, 200, 200))
    assert panel_of(block) is None
    assert panel_of(block, has_bed=False).at_mm[2] == pytest.approx(-100.0)


def test_clearance_is_measured_straight_across_faces():
    """A pin in a socket 0.3 mm wider all round: the joint touches, the pin clears by 0.3."""
    drag = Solid.box((0, 0, -50), (100, 100, 0)) + Solid.cone(20, 16, 30, 64).moved((50, 50, 0))
    socket = Solid.cone(20.3, 16.3, 30, 64).moved((50, 50, 0)) + Solid.cone(
        16.3, 16.3, 0.3, 64
    ).moved((50, 50, 30))
    cope = Solid.box((0, 0, 0), (100, 100, 60)) - socket
    (gap,) = find_gaps((piece("drag", drag), piece("cope", cope)))
    slope = np.cos(np.arctan2(4.0, 30.0))
    agree(gap.clearance_mm, 0.3 * slope, rel=0.02, why="64 facets")
    foot = 0.5 * 64 * np.sin(2.0 * np.pi / 64) * 20.3**2
    agree(gap.touching_mm2, 100.0**2 - foot, rel=0.03, why="spots stand for their area")


def test_pieces_far_apart_have_no_gap():
    boxes = (Solid.box((0, 0, 0), (10, 10, 10)), Solid.box((0, 0, 12.5), (10, 10, 20)))
    assert find_gaps((piece("drag", boxes[0]), piece("cope", boxes[1]))) == ()
