"""The middle of a stretch of metal lies half-way between its ends, where it is thick."""

import edt
import numpy as np

from moldprep.rigging.feed.midway import midway
from moldprep.thermal.pools import way_mm


def middle_of(metal, fed):
    start = np.zeros(metal.shape, np.uint8)
    start[fed] = 1
    way, _ = way_mm(metal, start, 2.0)
    depth = np.asarray(edt.edt(metal, black_border=True), np.float64)
    return midway(np.argwhere(metal), way, depth, 2.0).tolist()


def test_a_bar_fed_at_one_end_has_its_middle_amid_it():
    assert middle_of(np.ones((21, 3, 3), bool), (0, 1, 1)) == [10, 1, 1]


def test_a_bar_fed_anywhere_has_the_same_middle():
    assert middle_of(np.ones((21, 3, 3), bool), (6, 1, 1)) == [10, 1, 1]


def test_a_bent_bar_has_its_middle_along_it():
    """Two equal legs: the middle is in the corner, give or take the short cut through it."""
    metal = np.zeros((15, 15, 3), bool)
    metal[:, :3], metal[:3, :] = True, True
    i, j, k = middle_of(metal, (14, 1, 1))
    assert max(i, j) <= 2
    assert k == 1
