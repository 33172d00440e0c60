"""Laws of the pattern: shrink is a stretch, and nothing depends on where a casting stands."""

import numpy as np
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from moldprep.geometry.solid import Solid
from moldprep.records.job import DraftKeys, FaceSelector, StockKeys
from tests.castings import patterned
from tests.helpers import agree

side = st.floats(15.0, 200.0)
share = st.floats(0.2, 0.8)
percent = st.floats(0.0, 4.0)
QUICK = settings(max_examples=6, deadline=None, derandomize=True, phases=[Phase.generate])


@st.composite
def castings(draw):
    """Return a block with a boss on top, perhaps a pocket, perhaps a bore; about the origin."""
    x, y, z = draw(side), draw(side), draw(side)
    body = Solid.box((-x, -y, -z), (x, y, z))
    wide = draw(share) * min(x, y)
    body = body + Solid.cone(wide, wide, z, 40).moved((0.0, 0.0, 0.7 * z))
    if draw(st.booleans()):
        body = body - Solid.box((-0.9 * x, -0.5 * y, -2.0 * z), (-0.5 * x, 0.5 * y, 0.0))
    if draw(st.booleans()):
        body = body - Solid.cone(0.5 * wide, 0.5 * wide, 6.0 * z, 40).moved((0.0, 0.0, -2.0 * z))
    return body


@QUICK
@given(
    casting=castings(),
    shrink=st.tuples(percent, percent, percent),
    rule=st.sampled_from(["on-casting", "on-pattern"]),
    pull=st.sampled_from([(0, 0, 1), (0, 1, 0)]),
)
def test_shrink_stretches_extents_and_volume(casting, shrink, rule, pull):
    s = np.array(shrink) / 100.0
    factors = 1.0 + s if rule == "on-casting" else 1.0 / (1.0 - s)
    pattern = patterned(casting, pull=pull, shrink_pct=shrink, shrink_rule=rule)
    stretched = casting.size_mm * factors
    wanted = stretched if pull == (0, 0, 1) else stretched[[0, 2, 1]]
    agree(np.sort(pattern.solid.size_mm), np.sort(wanted), rel=1e-6, why="promised")
    agree(pattern.solid.size_mm[2], stretched[list(pull).index(1)], rel=1e-6, why="the pull is up")
    whole = casting.volume_mm3 * factors.prod()
    agree(pattern.solid.volume_mm3, whole, rel=1e-6, why="a stretch multiplies volumes")


DRAFTED = {
    "shrink_pct": 1.0,
    "draft": DraftKeys(deg=2.0),
    "stock": (StockKeys(faces=FaceSelector(toward=(0, 0, 1)), mm=3.0),),
}


@QUICK
@given(casting=castings(), by=st.tuples(*[st.floats(-500.0, 500.0)] * 3), level=share)
def test_a_casting_moved_gets_the_same_pattern(casting, by, level):
    z = float(level * casting.size_mm[2])
    here = patterned(casting, z_mm=z, **DRAFTED)
    there = patterned(casting.moved(by), z_mm=z, **DRAFTED)
    agree(there.solid.volume_mm3, here.solid.volume_mm3, rel=1e-7, why="float64, 0.5 m off")
    agree(there.solid.area_mm2, here.solid.area_mm2, rel=1e-7, why="float64, 0.5 m off")
    assert {f.group for f in there.draft} == {f.group for f in here.draft}


@QUICK
@given(casting=castings(), level=share)
def test_a_casting_mirrored_gets_the_mirrored_pattern(casting, level):
    z = float(level * casting.size_mm[2])
    here = patterned(casting, z_mm=z, **DRAFTED)
    there = patterned(casting.scaled((-1.0, 1.0, 1.0)), z_mm=z, **DRAFTED)
    agree(there.solid.volume_mm3, here.solid.volume_mm3, rel=1e-6, why="the same faces, mirrored")
    agree(there.draft_mm3, here.draft_mm3, rel=1e-4, why="the same faces, mirrored")
    agree(there.stock_mm3, here.stock_mm3, rel=1e-6, why="the same faces, mirrored")


@QUICK
@given(casting=castings(), factor=st.floats(0.3, 5.0), level=share)
def test_draft_in_degrees_scales_with_the_casting(casting, factor, level):
    keys = {"shrink_pct": 1.0, "draft": DraftKeys(deg=1.5)}
    z = float(level * casting.size_mm[2])
    small = patterned(casting, z_mm=z, **keys)
    large = patterned(casting.scaled((factor,) * 3), z_mm=factor * z, **keys)
    agree(large.solid.volume_mm3, factor**3 * small.solid.volume_mm3, rel=1e-7, why="similar")
    assert small.draft_mm3 > 0.0
    agree(large.draft_mm3, factor**3 * small.draft_mm3, rel=1e-5, why="similar")
