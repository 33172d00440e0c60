"""Rays: no rays at all, a hair from the surface, and a far-off body."""

import numpy as np
import pytest

from moldprep.geometry.rays import Rays
from moldprep.geometry.sampling import spread_spots
from moldprep.geometry.solid import Solid

NOTHING = np.empty((0, 3))
UP = np.array([0.0, 0.0, 1.0])


def test_no_rays_is_no_crash():
    rays = Rays.of(Solid.box((0, 0, 0), (1, 1, 1)))
    assert len(rays.crossings(NOTHING, UP).ray) == 0
    assert len(rays.first(NOTHING, UP)[0]) == len(rays.nearest(NOTHING)[0]) == 0
    assert len(rays.is_inside(NOTHING)) == 0


@pytest.mark.parametrize("away", [0.0, 1500.0])
def test_inside_holds_a_hair_from_the_surface(away):
    body = Solid.cone(50, 50, 200, 128) - Solid.cone(20, 20, 200, 96)
    body = body.turned((0, 90, 0)).moved((away, 0, 0))
    points, faces = body.mesh()
    spots = spread_spots(points[faces], 5000)
    rays = Rays.of(body)
    assert rays.is_inside(spots.at_mm - 0.02 * spots.normals).mean() > 0.999
    assert rays.is_inside(spots.at_mm + 0.02 * spots.normals).mean() < 0.001


def test_crossings_come_in_order_along_each_ray():
    shelf = Solid.union(Solid.box((0, 0, z), (10, 10, z + 1)) for z in (0.0, 5.0, 9.0))
    hits = Rays.of(shelf).crossings(np.array([[3.1, 4.2, -1.0], [5.3, 2.2, 20.0]]), UP)
    assert (hits.ray == 0).all()
    np.testing.assert_allclose(hits.distance, [1, 2, 6, 7, 10, 11], atol=1e-5)
