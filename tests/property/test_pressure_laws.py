"""Laws of the liquid's pressure on random molds: the sand carries the metal, and nothing pushes."""

import numpy as np
import pytest

from moldprep.geometry.solid import Solid
from moldprep.mold.pressure import find_wetted, force_n
from moldprep.units import G_M_S2
from tests.helpers import agree
from tests.molds import mold_of

DENSITY = 7000.0


def random_casting(seed):
    """Return a block with a boss, a pocket and a cross bore, turned about z."""
    rng = np.random.default_rng(seed)
    x, y, z = rng.uniform(30.0, 80.0, 3)
    body = Solid.box((-x, -y, -z), (x, y, z)) + Solid.cone(0.4 * x, 0.3 * x, z, 48).moved(
        (0.2 * x, 0.0, 0.5 * z)
    )
    body = body - Solid.box((-0.7 * x, -0.6 * y, -2.0 * z), (0.1 * x, 0.6 * y, -0.2 * z))
    bore = Solid.cone(0.15 * min(y, z), 0.15 * min(y, z), 4.0 * x, 48).turned((0, 90, 0))
    body = body - bore.moved((-2.0 * x, 0.75 * y, 0.3 * z))
    return body.turned((0.0, 0.0, rng.uniform(0.0, 90.0)))


@pytest.mark.parametrize("seed", range(3))
def test_sand_carries_the_metal_and_nothing_pushes_sideways(seed):
    """Sum of forces on all pieces = weight of the metal, straight down; for any level above it."""
    casting = random_casting(seed)
    mold = mold_of(casting, z_mm=0.0)
    wetted = find_wetted(mold.metal, mold.pieces, [0.0])
    weight = mold.metal.volume_mm3 / 1e9 * DENSITY * G_M_S2
    for level in (float(casting.bounds[1, 2]) + 1.0, 400.0):
        forces = np.array([force_n(wetted.of(k), level, DENSITY) for k in range(len(mold.pieces))])
        missing = force_n(wetted.corners[wetted.piece < 0], level, DENSITY)
        assert np.abs(missing).max() < 2e-3 * np.abs(forces).max(), "facets that no piece backs"
        total = forces.sum(axis=0) + missing
        agree(-total[2], weight, rel=1e-6, why="divergence theorem on a closed surface")
        assert np.abs(total[:2]).max() < 1e-6 * weight


@pytest.mark.parametrize("seed", range(3))
def test_a_higher_level_adds_head_times_shadow(seed):
    """F(level + h) - F(level) on the cope = rho g h x what of the metal faces it from below."""
    casting = random_casting(seed)
    mold = mold_of(casting, z_mm=0.0)
    wetted = find_wetted(mold.metal, mold.pieces, [0.0])
    for k in range(len(mold.pieces)):
        corners = wetted.of(k)
        vector = 0.5 * np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        more = force_n(corners, 500.0, DENSITY) - force_n(corners, 400.0, DENSITY)
        want = 0.1 * DENSITY * G_M_S2 * vector.sum(axis=0) / 1e6
        np.testing.assert_allclose(more, want, rtol=1e-9, atol=1e-6)
