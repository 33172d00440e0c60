"""Which places along a wall gates take: one for each body, or spread evenly."""

import numpy as np

from moldprep.arrays import Flags
from moldprep.geometry.solid import Floats, Ints


def one_each(s: Floats, fits: Flags, owners: Ints, count: int, apart_mm: float) -> list[int] | None:
    """Return one place that fits for each of `count` bodies, nearest its middle, or None."""
    places: list[int] = []
    for body in range(count):
        ok = np.flatnonzero(fits & (owners == body))
        if len(ok) == 0:
            return None
        middle = float(np.mean(s[owners == body]))
        places.append(int(ok[np.argmin(np.abs(s[ok] - middle))]))
    places.sort()
    return places if bool((np.diff(s[places]) >= apart_mm).all()) else None


def spread(
    s: Floats, fits: Flags, count: int, apart_mm: float, closeness: float
) -> list[int] | None:
    """Return `count` places that fit, `apart_mm` apart, nearest to an even spread; or None.

    Found place by place: the least sum of distances from the even spread, over all that are apart.
    """
    ok = np.flatnonzero(fits)
    if len(ok) == 0 or s[ok[-1]] - s[ok[0]] < (count - 1) * apart_mm:
        return None
    middle, extent = 0.5 * (s[0] + s[-1]), s[-1] - s[0]
    even = (2.0 * np.arange(count) + 1.0) / (2.0 * count) - 0.5
    off = np.abs(s[ok] - (middle + closeness * extent * even)[:, None])
    before = np.searchsorted(s[ok], s[ok] - apart_mm + 1e-9, side="right") - 1
    cost, came_from = off[0], []
    for row in off[1:]:
        best = _first_of_least(cost)
        came_from.append(np.where(before >= 0, best[before], -1))
        cost = row + np.where(before >= 0, cost[best[before]], np.inf)
    last = int(np.argmin(cost))
    if not np.isfinite(cost[last]):
        return None
    places = [last]
    for source in reversed(came_from):
        places.append(int(source[places[-1]]))
    return [int(ok[k]) for k in reversed(places)]


def _first_of_least(cost: Floats) -> Ints:
    """Return (n,) where the least of all costs up to each place stands."""
    least = np.minimum.accumulate(cost)
    is_new = np.concatenate([[True], cost[1:] < least[:-1]])
    return np.maximum.accumulate(np.where(is_new, np.arange(len(cost)), 0))
