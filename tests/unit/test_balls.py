"""The largest balls inside bodies whose balls geometry gives, however they lie on the grid.

Where walls meet, the ball touches the outer faces and the inner edges: in an L of wall t it is
2 (2 - sqrt 2) t thick, in a T whose bar is t and stem w, t + w²/(4 t), where two walls cross,
sqrt(2) t (elementary geometry).
"""

import numpy as np
import pytest

from moldprep.geometry.lattice import Lattice
from moldprep.geometry.occupancy import shares_of
from moldprep.geometry.rays import Rays
from moldprep.geometry.solid import Solid
from moldprep.thermal.balls import depths, largest_balls, thickness_by
from tests.helpers import agree

box = Solid.box

ELL = box((0, 0, 0), (100, 60, 20)) + box((0, 0, 0), (20, 60, 100))
TEE = box((0, 0, 0), (120, 60, 20)) + box((50, 0, 0), (70, 60, 80))
CROSS = box((0, 0, 0), (120, 60, 20)) + box((50, 0, -50), (70, 60, 70))
TURNS = [(0.0, 0.0, 0.0), (0.0, 0.0, 20.0), (30.0, 0.0, 0.0), (45.0, 45.0, 0.0), (15.0, 25.0, 35.0)]


def measured(solid, pitch_mm):
    """Return (balls, thickness at every inner cell [mm])."""
    lattice = Lattice.around(solid.bounds, pitch_mm, belt=1)
    inside = shares_of(solid, lattice) >= 0.5
    rays = Rays.of(solid)
    balls = largest_balls(rays, depths(rays, inside, lattice), lattice)
    return balls, thickness_by(balls, inside, lattice)[inside] * pitch_mm


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize(
    ("solid", "thickest_mm"),
    [
        pytest.param(Solid.sphere(30.0, 128), 60.0, id="ball"),
        pytest.param(box((0, 0, 0), (60, 60, 60)), 60.0, id="cube"),
        pytest.param(box((0, 0, 0), (100, 80, 20)), 20.0, id="plate"),
        pytest.param(ELL, 2.0 * (2.0 - np.sqrt(2.0)) * 20.0, id="L"),
        pytest.param(TEE, 20.0 + 20.0**2 / (4.0 * 20.0), id="T"),
        pytest.param(CROSS, np.sqrt(2.0) * 20.0, id="cross"),
    ],
)
def test_the_largest_ball(solid, thickest_mm, turn):
    balls, _ = measured(solid.turned(turn), 4.0)
    why = "from 5 cells across the wall, by steps of an eighth of a cell"
    agree(2.0 * balls.radius_mm.max(), thickest_mm, rel=0.015, why=why)


@pytest.mark.parametrize("turn", TURNS)
def test_thickness_of_walls_away_from_their_joint(turn):
    """Median over the cells: the walls of the L are 20 mm, whatever their cells are."""
    _, thick = measured(ELL.turned(turn), 4.0)
    agree(np.median(thick), 20.0, rel=1e-3, why="the middle between two faces, by rays")


def test_nothing_is_thicker_than_its_ball():
    balls, thick = measured(TEE, 3.0)
    assert thick.max() == pytest.approx(2.0 * balls.radius_mm.max(), rel=1e-6)
    assert (thick > 0.0).mean() > 0.95


def test_balls_stay_inside():
    balls, _ = measured(CROSS.turned((15.0, 25.0, 35.0)), 4.0)
    rays = Rays.of(CROSS.turned((15.0, 25.0, 35.0)))
    near, _ = rays.nearest(balls.at_mm)
    assert rays.is_inside(balls.at_mm).all()
    room = np.linalg.norm(balls.at_mm - near, axis=1)
    assert (balls.radius_mm <= room + 1e-3).all()
