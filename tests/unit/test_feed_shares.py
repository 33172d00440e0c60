"""Neighboring feeders help one another while the way between them is open."""

import numpy as np

from moldprep.records import Grid
from moldprep.thermal.feed_shares import Way, shared_needs, ways_between, ways_down
from moldprep.thermal.feeding import MOST_NOISE, NOISE_SHARE, noise_share
from tests.helpers import agree

DEMAND = 0.05


def shared(need, can, open_mm3):
    return shared_needs(need, [can], [Way(1, 2, open_mm3)], DEMAND)


def test_what_one_lacks_the_other_gives():
    """1 lacks 20; the way stays open for metal that asks 50; 2 has 40 to spare."""
    after = shared({1: 120.0, 2: 60.0}, {1: 100.0, 2: 100.0}, (1000.0, 1000.0))
    assert after == {1: 100.0, 2: 80.0}


def test_no_more_than_freezes_while_the_way_is_open():
    after = shared({1: 120.0, 2: 60.0}, {1: 100.0, 2: 100.0}, (200.0, 1000.0))
    agree(after[1], 120.0 - DEMAND * 200.0, rel=1e-12, why="by hand")
    agree(sum(after.values()), 180.0, rel=1e-12, why="nothing is lost")


def test_no_more_than_the_other_has_to_spare():
    after = shared({1: 120.0, 2: 95.0}, {1: 100.0, 2: 100.0}, (1e6, 1e6))
    assert after == {1: 115.0, 2: 100.0}


def test_none_is_drawn_below_its_reserve_while_a_neighbor_has_more():
    """1 has no reserve left: 2 gives down to its own, and no more, for 1 can give the rest."""
    need, ways = {1: 95.0, 2: 70.0}, [Way(1, 2, (1e6, 1e6))]
    after = shared_needs(need, [{1: 80.0, 2: 80.0}, {1: 100.0, 2: 100.0}], ways, DEMAND)
    assert after == {1: 85.0, 2: 80.0}


def test_what_was_given_while_the_way_was_open_is_not_given_twice():
    need, ways = {1: 150.0, 2: 10.0}, [Way(1, 2, (400.0, 400.0))]
    after = shared_needs(need, [{1: 80.0, 2: 80.0}, {1: 100.0, 2: 100.0}], ways, DEMAND)
    assert after == {1: 130.0, 2: 30.0}


def test_without_a_way_each_is_on_its_own():
    assert shared_needs({1: 9.0, 2: 1.0}, [{1: 5.0, 2: 5.0}], [], DEMAND) == {1: 9.0, 2: 1.0}


def test_the_way_is_open_until_its_last_cell_freezes():
    """A row of six cells, three to each feeder; the border freezes at 4 s (the earlier of two)."""
    time = np.array([6.0, 2.0, 4.0, 5.0, 3.0, 9.0], np.float32).reshape(6, 1, 1)
    nearest = np.array([1, 1, 1, 2, 2, 2], np.uint16).reshape(6, 1, 1)
    grid = Grid(
        label=np.ones((6, 1, 1), np.uint16),
        fraction=np.full((6, 1, 1), 0.5, np.float32),
        material=np.zeros((6, 1, 1), np.uint8),
        materials=("sand",),
        pitch_mm=2.0,
        origin_mm=np.zeros(3),
    )
    (way,) = ways_between(nearest, time, grid)
    assert (way.a, way.b) == (1, 2)
    assert way.open_mm3 == (2 * 4.0, 1 * 4.0)  # 2 and 4 s of the first, 3 s of the second


def test_what_is_higher_than_a_feeder_hangs_on_one_that_stands_higher():
    """A column of ten cells; 1 enters at its foot and ends at 4 mm, 2 enters on top."""
    casting = np.ones((1, 1, 10), np.bool_)
    start = np.zeros(casting.shape, np.uint16)
    start[0, 0, 0], start[0, 0, 9] = 1, 2
    grid = Grid(
        label=casting.astype(np.uint16), fraction=casting.astype(np.float32),
        material=np.zeros(casting.shape, np.uint8), materials=("sand",), pitch_mm=2.0,
        origin_mm=np.zeros(3),
    )  # fmt: skip
    way, nearest = ways_down(casting, start, np.array([np.inf, 4.0, 30.0]), grid)
    assert nearest[0, 0].tolist() == [1, 1, 1, 2, 2, 2, 2, 2, 2, 2]
    assert way[0, 0].tolist() == [0.0, 2.0, 4.0, 12.0, 10.0, 8.0, 6.0, 4.0, 2.0, 0.0]
    _, alone = ways_down(casting, np.where(start == 1, start, 0), np.array([np.inf, 4.0]), grid)
    assert (alone == 1).all()


def test_noise_grows_where_few_cells_lie_across_a_wall():
    share = noise_share(np.array([8.0, 2.0, 1.0, 0.1]))
    np.testing.assert_allclose(share, [NOISE_SHARE, NOISE_SHARE, 4.0 * NOISE_SHARE, MOST_NOISE])
