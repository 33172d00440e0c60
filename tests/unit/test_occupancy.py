"""Cubes inside a body, where columns run exactly through its edges and corners."""

import numpy as np

from moldprep.geometry.lattice import Lattice
from moldprep.geometry.occupancy import NUDGES, occupied
from moldprep.geometry.solid import Solid

PITCH = 2.0


def test_a_column_through_corners_and_edges_is_not_taken_for_sand():
    # an octahedron whose tips and four upright edges lie on columns of the lattice
    lattice = Lattice(np.zeros(3), (40, 40, 40), PITCH)
    middle = np.array([20.5 + NUDGES[0][0], 20.5 + NUDGES[0][1], 20.5]) * PITCH
    tips = 25.0 * np.vstack([np.eye(3), -np.eye(3)])
    body = Solid.hull_of(middle + tips)
    inside = occupied(body, lattice)
    centers = lattice.center_mm(np.argwhere(np.ones(lattice.shape, bool)))
    depth = 25.0 - np.abs(centers - middle).sum(axis=1)
    sure = np.abs(depth) > 0.15 * PITCH  # a column may be shifted by that much
    assert (inside.ravel()[sure] == (depth > 0.0)[sure]).all()


def test_an_empty_body_holds_no_cube():
    assert not occupied(Solid.empty(), Lattice(np.zeros(3), (3, 3, 3), 1.0)).any()
