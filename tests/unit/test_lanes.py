"""Sixteen numbers at once do what sixteen single ones do."""

import numba
import numpy as np
import pytest

from moldprep.thermal.lanes import N_LANES, load, pairs, store, whole

ZERO = np.float32(0.0)


@numba.njit
def looked_up(places, row, found, n):
    """Set `found` to the row's values at the places, straight between whole ones; n of them."""
    for q in range(np.uint64(0), np.uint64(n), np.uint64(N_LANES)):
        at = min(max(load(places, q), ZERO), np.float32(row.size - 1))
        i = whole(min(at, np.float32(row.size - 2)))
        low, high = pairs(row, i)
        store(found, q, low + (at - i) * (high - low), n - q)


@pytest.mark.parametrize("n", [1, 15, 16, 17, 40])
def test_tables_are_read_as_by_single_numbers(n):
    """Off both ends as well; what lies behind the last is left."""
    rng = np.random.default_rng(1)
    row = rng.random(50).astype(np.float32)
    places = np.float32(70.0) * rng.random(64).astype(np.float32) - np.float32(10.0)
    found = np.full(64, -1.0, np.float32)
    looked_up(places, row, found, np.uint64(n))
    want = np.interp(places[:n], np.arange(50), row)
    np.testing.assert_allclose(found[:n], want, rtol=1e-5, atol=1e-6)
    np.testing.assert_array_equal(found[n:], -1.0)
