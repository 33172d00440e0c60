"""Laws of the mold for random castings: nothing lost, nothing overlaps, same again the same."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from moldprep.geometry.solid import Solid
from tests.helpers import agree
from tests.molds import mold_of, sprue
from tests.unit.test_cut import assert_sound

sizes = st.floats(20.0, 90.0)
shares = st.floats(0.15, 0.85)


@st.composite
def castings(draw):
    """Return a block with a boss, a pocket, perhaps a cross bore, turned about z."""
    x, y, z = draw(sizes), draw(sizes), draw(sizes)
    body = Solid.box((-x, -y, -z), (x, y, z))
    boss = Solid.cone(0.4 * x, 0.3 * x, z).moved((0.2 * x, 0.0, 0.5 * z))
    pocket = Solid.box((-0.7 * x, -0.6 * y, -2 * z), (0.1 * x, 0.6 * y, draw(shares) * z))
    body = (body + boss) - (pocket if draw(st.booleans()) else Solid.empty())
    if draw(st.booleans()):
        bore = Solid.cone(0.15 * min(y, z), 0.15 * min(y, z), 4 * x, 48)
        body = body - bore.turned((0, 90, 0)).moved((-2 * x, 0.7 * y, draw(shares) * z))
    return body.turned((0.0, 0.0, draw(st.floats(0.0, 90.0))))


@pytest.mark.slow
@settings(max_examples=15, deadline=None, derandomize=True)
@given(casting=castings(), level=st.floats(-0.8, 0.8), form=st.sampled_from(["block", "contour"]))
def test_nothing_lost_nothing_overlaps(casting, level, form):
    low, high = casting.bounds
    z_mm = float(0.5 * (low[2] + high[2]) + 0.5 * level * (high[2] - low[2]))
    rod = sprue(float(high[0]) + 40.0, 0.0, z_mm - 5.0, float(high[2]) + 60.0)
    mold = mold_of(casting, rod, z_mm=z_mm, mold={"form": form})
    assert_sound(mold)


@settings(max_examples=4, deadline=None, derandomize=True)
@given(factor=st.floats(0.8, 2.5))
def test_volumes_of_a_given_wall_grow_with_the_cube(factor):
    """Walls given by the job and scaled with the casting: every volume grows by factor³."""
    plain = {"locators": False, "marks": False, "lifting": "none", "top_mm": 30.0}
    body = Solid.box((-50, -40, -30), (50, 40, 30)) - Solid.box((-20, -20, 0), (20, 20, 40))
    keys = {**plain, "wall_mm": 25.0, "bottom_mm": 35.0}
    small = mold_of(body, mold=keys)
    scaled = {k: v * factor if isinstance(v, float) else v for k, v in keys.items()}
    large = mold_of(body.scaled((factor,) * 3), mold=scaled)
    for a, b in zip(small.pieces, large.pieces, strict=True):
        whole = [sum(c.volume_mm3 for n, c in m.clearances if "strap" in n) for m in (small, large)]
        assert whole[0] == whole[1] == 0.0 or factor > 1.1
        if whole[1] == 0.0:
            agree(b.solid.volume_mm3, factor**3 * a.solid.volume_mm3, rel=1e-9, why="exact")


def test_the_same_again_is_the_same():
    body = Solid.box((-60, -40, -30), (60, 40, 30))
    body = body - Solid.cone(12, 12, 200).turned((0, 90, 0)).moved((-100, 0, 0))
    first, second = mold_of(body), mold_of(body)
    assert first.notes == second.notes
    for a, b in zip(first.pieces, second.pieces, strict=True):
        for one, other in zip(a.solid.mesh(), b.solid.mesh(), strict=True):
            np.testing.assert_array_equal(one, other)
