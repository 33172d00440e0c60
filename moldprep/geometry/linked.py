"""Which rows hang together, found while they are being linked (union-find, for compiled loops)."""

import numba
import numpy as np
from numpy.typing import NDArray


@numba.njit(cache=True)
def root_of(parent: NDArray[np.int64], row: int) -> int:
    """Return the row that stands for all that hang together with one; the way there is shortened.

    `parent` (n,): of a row that stands for itself, the row. (R. E. Tarjan, J. ACM 22 (1975)
    215-225; from memory.)
    """
    root = row
    while parent[root] != root:
        root = parent[root]
    while parent[row] != root:
        parent[row], row = root, parent[row]
    return root
