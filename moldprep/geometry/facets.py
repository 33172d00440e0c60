"""Triangles on the way to a solid, and the edges between them."""

from collections import Counter
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from moldprep.geometry.solid import Floats, Ints

Tally = Counter[str]

FILLED: Final = -1
"""`Facets.source` of a facet that fills a hole."""


@dataclass(frozen=True, eq=False)
class Facets:
    """Triangles on the way to a solid. [mm]

    points : (n, 3) float64
    faces  : (m, 3) int64
    source : (m,) int64, row of each facet in the file, FILLED where there was a hole
    """

    points: Floats
    faces: Ints
    source: Ints

    def keep(self, rows: NDArray[np.bool_]) -> "Facets":
        """Return only some of the facets."""
        return replace(self, faces=self.faces[rows], source=self.source[rows])

    @property
    def area_mm2(self) -> float:
        """Area of all facets together. [mm²]"""
        a, b, c = (self.points[self.faces[:, k]] for k in range(3))
        return float(0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1).sum())


@dataclass(frozen=True, eq=False)
class Edges:
    """The edges of a mesh and the facets on them.

    of      : (3 m,) edge of each facet side, sides in the order of `faces.ravel()`
    count   : (e,) facets on each edge
    balance : (e,) facets that run along it one way, less those that run the other way
    forward : (3 m,) whether a side runs from the lower to the higher corner
    """

    of: Ints
    count: Ints
    balance: Ints
    forward: NDArray[np.bool_]

    @classmethod
    def find(cls, mesh: Facets) -> "Edges":
        """Return the edges of a mesh."""
        start, end = mesh.faces.ravel(), np.roll(mesh.faces, -1, axis=1).ravel()
        forward = start < end
        key = np.minimum(start, end) * max(len(mesh.points), 1) + np.maximum(start, end)
        _, of, count = np.unique(key, return_inverse=True, return_counts=True)
        of = of.reshape(-1)
        balance = np.bincount(of, weights=np.where(forward, 1.0, -1.0), minlength=len(count))
        return cls(of, count.astype(np.int64), np.rint(balance).astype(np.int64), forward)

    @property
    def is_closed(self) -> bool:
        """Whether every edge is run along as often one way as the other."""
        return not self.balance.any()

    def pairs(self) -> tuple[Ints, Ints]:
        """Return the two sides of every edge that has exactly two facets."""
        order = np.argsort(self.of, kind="stable")
        first = np.cumsum(self.count) - self.count
        first = first[self.count == 2]
        return order[first], order[first + 1]


def patches(edges: Edges, within: NDArray[np.bool_]) -> Ints:
    """Return (m,) patch of each facet: facets of `within` that meet at an edge are one."""
    m = len(edges.of) // 3
    facet = np.repeat(np.arange(m), 3)
    sides = np.flatnonzero(within[facet])
    sides = sides[np.argsort(edges.of[sides], kind="stable")]
    same = edges.of[sides[1:]] == edges.of[sides[:-1]]
    return components(m, facet[sides[:-1][same]], facet[sides[1:][same]])


def shells_of(mesh: Facets) -> Ints:
    """Return (m,) shell of each facet.

    Facets that meet at an edge of two are one shell. What is not closed by that alone is joined
    at its edges of more than two; bodies that merely touch at an edge stay apart.
    """
    edges = Edges.find(mesh)
    m = len(mesh.faces)
    one, other = edges.pairs()
    patch = components(m, one // 3, other // 3)
    crowded = np.flatnonzero(edges.count[edges.of] > 2)
    key = edges.of[crowded] * m + patch[crowded // 3]
    _, which = np.unique(key, return_inverse=True)
    lead = np.where(edges.forward[crowded], 1.0, -1.0)
    is_open = np.bincount(which, weights=lead)[which] != 0.0
    loose = np.isin(patch, patch[crowded[is_open] // 3])
    if not loose.any():
        return patch
    joined = patches(edges, within=loose)
    return components(m, np.r_[one // 3, _leader(joined)], np.r_[other // 3, np.arange(m)])


def _leader(label: Ints) -> Ints:
    """Return (m,) the first row that has the same label as each row."""
    _, first, which = np.unique(label, return_index=True, return_inverse=True)
    return np.asarray(first[which.reshape(-1)])


def components(n: int, a: Ints, b: Ints) -> Ints:
    """Return (n,) the component of each of n things, where a[k] and b[k] are linked."""
    links = coo_array((np.ones(len(a)), (a, b)), shape=(n, n))
    return np.asarray(connected_components(links, directed=False)[1], np.int64)
