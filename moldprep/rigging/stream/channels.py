"""Channels: cross-sections of runners, gates, necks and sprues, normal to their path.

A channel is cut at stations along its center line: evenly, and between every two of its mesh's
edges, so that a short neck-down is met as surely as a long one. A body that brings no center line
(gating out of the customer's own model) gets one: the widest way through it from contact to
contact.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Final

import networkx as nx
import numpy as np
from scipy import ndimage, sparse
from scipy.sparse.csgraph import dijkstra
from shapely.geometry import Point

from moldprep.geometry.rays import Rays
from moldprep.geometry.solid import Floats, Ints, Solid
from moldprep.records import Station

MAX_STATIONS: Final = 240
"""Cuts across one leg at most."""

FREE_END_MM: Final = 0.5
"""An end of a center line further than this from any contact is a free end."""

DEEP_END: Final = 0.7
"""A way ends where the body is this deep over its deepest, not in a corner. [-]"""

GRID_POINTS: Final = (40_000, 250_000, 1_000_000)
"""Points of the grid on which a missing center line is looked for; more where it finds no way."""


@dataclass(frozen=True, eq=False)
class Leg:
    """A piece of a channel between two of its nodes.

    ends     : numbers of its nodes, in the direction of the path
    path_mm  : (k, 3) center line
    stations : cross-sections inside it, in order; may be empty for a very short leg
    start_mm : way along the center line to its start, as `Station.along_mm` counts
    """

    ends: tuple[int, int]
    path_mm: Floats
    stations: tuple[Station, ...]
    start_mm: float = 0.0

    @cached_property
    def length_mm(self) -> float:
        """Length of the center line. [mm]"""
        return float(np.linalg.norm(np.diff(self.path_mm, axis=0), axis=1).sum())

    @cached_property
    def smallest(self) -> Station | None:
        """The tightest station."""
        return min(self.stations, key=lambda s: s.area_mm2, default=None)


@dataclass(frozen=True, eq=False)
class Channel:
    """A body cut into legs.

    nodes_mm : (n, 3) places of the nodes: the contacts in the order given, then free ends, forks
    """

    body: str
    nodes_mm: Floats
    legs: tuple[Leg, ...]

    @property
    def stations(self) -> tuple[Station, ...]:
        """Every station of every leg."""
        return tuple(station for leg in self.legs for station in leg.stations)

    def section_near(self, node: int) -> float:
        """Return the smallest section within one channel width of a node; inf if none. [mm²]"""
        if not self.stations:
            return float("inf")
        places = np.array([station.at_mm for station in self.stations])
        area = np.array([station.area_mm2 for station in self.stations])
        far = np.linalg.norm(places - self.nodes_mm[node], axis=1)
        reach = max(float(np.sqrt(area[np.argmin(far)])), float(far.min()) + 1e-6)
        return float(area[far <= reach].min())


def trace_channel(body: str, solid: Solid, path_mm: Floats, contacts_mm: Floats) -> Channel:
    """Return a body cut into legs at its contacts.

    Parameters
    ----------
    body
        Name the stations carry.
    solid
        The body. [mm]
    path_mm
        (k, 3) center line in the direction of flow; (0, 3) has it estimated. [mm]
    contacts_mm
        (n, 3) middles of its contacts. [mm]
    """
    if len(path_mm) >= 2:
        return _along_path(body, solid, path_mm, contacts_mm)
    return _estimated(body, solid, contacts_mm)


def cut_section(solid: Solid, at: Floats, normal: Floats) -> tuple[float, float, Floats] | None:
    """Return (area [mm²], perimeter [mm], middle (3,)) of the section nearest a point, or None."""
    normal = normal / np.linalg.norm(normal)
    side = np.cross(normal, np.eye(3)[int(np.argmin(np.abs(normal)))])
    side /= np.linalg.norm(side)
    frame = np.stack([side, np.cross(normal, side), normal])
    flat = solid.transformed(np.column_stack([frame, -frame @ at])).slice_at(0.0)
    if flat.is_empty:
        return None
    here = min(flat.geoms, key=lambda polygon: (polygon.distance(Point(0.0, 0.0)), -polygon.area))
    middle: Floats = at + frame[:2].T @ np.array([here.centroid.x, here.centroid.y])
    return float(here.area), float(here.length), middle


# ---- bodies with a center line ------------------------------------------------------------


def _along_path(body: str, solid: Solid, path: Floats, contacts: Floats) -> Channel:
    along = _lengths(path)
    s_contact = _project(path, contacts) if len(contacts) else np.empty(0)
    free = [s for s in (0.0, along[-1]) if not (np.abs(s_contact - s) < FREE_END_MM).any()]
    s_nodes = np.concatenate([s_contact, free])
    nodes = np.stack([np.interp(s_nodes, along, path[:, k]) for k in range(3)], axis=1)
    order = np.argsort(s_nodes, kind="stable")
    places = _station_places(solid, path, along)
    legs = []
    for i, j in pairwise(order):
        legs.append(_leg(body, solid, path, (int(i), int(j)), (s_nodes[i], s_nodes[j]), places))
    nodes[: len(contacts)] = contacts
    return Channel(body=body, nodes_mm=nodes, legs=tuple(legs))


def _leg(
    body: str,
    solid: Solid,
    path: Floats,
    ends: tuple[int, int],
    span: tuple[float, float],
    places: Floats,
) -> Leg:
    along = _lengths(path)
    inner = (along > span[0]) & (along < span[1])
    s_line = np.concatenate([[span[0]], along[inner], [span[1]]])
    line = np.stack([np.interp(s_line, along, path[:, k]) for k in range(3)], axis=1)
    stations = []
    for s in places[(places > span[0]) & (places < span[1])]:
        k = int(np.clip(np.searchsorted(along, s, side="right") - 1, 0, len(path) - 2))
        tangent = path[k + 1] - path[k]
        at = path[k] + tangent * ((s - along[k]) / (along[k + 1] - along[k]))
        cut = cut_section(solid, at, tangent)
        if cut is not None and cut[0] > 0.0:
            stations.append(
                Station(
                    body=body,
                    at_mm=(float(cut[2][0]), float(cut[2][1]), float(cut[2][2])),
                    along_mm=float(s),
                    area_mm2=cut[0],
                    perimeter_mm=cut[1],
                )
            )
    return Leg(ends=ends, path_mm=line, stations=tuple(stations), start_mm=span[0])


def _station_places(solid: Solid, path: Floats, along: Floats) -> Floats:
    """Return where to cut: evenly, and midway between every two edges of the mesh."""
    length = float(along[-1])
    step = max(2.0, length / (MAX_STATIONS / 2))
    even = np.arange(0.5 * step, length, step)
    points, _ = solid.mesh()
    edges = np.unique(np.round(_project(path, points), 2))
    between = 0.5 * (edges[1:] + edges[:-1])[np.diff(edges) > 0.2]
    if len(between) > MAX_STATIONS:
        between = between[:: len(between) // MAX_STATIONS + 1]
    return np.unique(np.round(np.concatenate([even, between]), 4))


def _lengths(path: Floats) -> Floats:
    return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])


def _project(path: Floats, points: Floats) -> Floats:
    """Return how far along the path the nearest point to each of (n, 3) points lies."""
    start, leg = path[:-1], np.diff(path, axis=0)
    square = np.einsum("ij,ij->i", leg, leg)
    along = _lengths(path)
    result = np.empty(len(points))
    for low in range(0, len(points), 4096):
        part = points[low : low + 4096, None, :] - start
        share = np.clip(np.einsum("pij,ij->pi", part, leg) / square, 0.0, 1.0)
        off = np.linalg.norm(part - share[..., None] * leg, axis=2)
        best = np.argmin(off, axis=1)
        rows = np.arange(len(best))
        result[low : low + 4096] = along[best] + share[rows, best] * np.sqrt(square[best])
    return result


# ---- bodies without one -------------------------------------------------------------------


def _estimated(body: str, solid: Solid, contacts: Floats) -> Channel:
    """Return legs along the widest ways from the first contact to the others.

    With one contact, the way goes to the far end. Ways that share their beginning share legs.
    """
    if len(contacts) == 0:
        return Channel(body=body, nodes_mm=contacts.reshape(0, 3), legs=())
    for n_points in GRID_POINTS:
        points, depth, graph = _inner_grid(solid, n_points)
        if not len(points):
            continue
        start = int(np.argmin(np.linalg.norm(points - contacts[0], axis=1) - 1e-6 * depth))
        costs, previous = dijkstra(graph, directed=False, indices=[start], return_predecessors=True)
        cost, before = costs[0], previous[0]
        if len(contacts) > 1:
            ends = [int(np.argmin(np.linalg.norm(points - c, axis=1))) for c in contacts[1:]]
        else:
            amid = np.isfinite(cost) & (depth >= DEEP_END * depth.max())
            far = np.where(amid, np.linalg.norm(points - points[start], axis=1), -1.0)
            ends = [int(np.argmax(far))]
        if np.isfinite(cost[ends]).all():
            break
    else:
        return _straight(body, contacts)
    tree = _tree(before, start, ends)
    nodes = {start: 0}
    for number, end in enumerate(ends, start=1):
        nodes.setdefault(end, number)
    spots = [*contacts, *([points[ends[0]]] if len(contacts) == 1 else [])]
    for voxel in sorted(tree.nodes):
        if voxel not in nodes and tree.degree(voxel) > 2:
            nodes[voxel] = len(spots)
            spots.append(points[voxel])
    legs = []
    for chain in _chains(tree, nodes):
        path = _smooth(points[chain])
        along = _lengths(path)
        ends_of = (nodes[chain[0]], nodes[chain[-1]])
        places = _station_places(solid, path, along)
        # a slanted cut close to a contact would run out through the end of the body
        margins = [depth[v] if nodes[v] <= len(ends) else 0.0 for v in (chain[0], chain[-1])]
        places = places[(places > margins[0]) & (places < along[-1] - margins[1])]
        legs.append(_leg(body, solid, path, ends_of, (0.0, float(along[-1])), places))
    twins = [(nodes[e], k) for k, e in enumerate(ends, start=1) if nodes[e] != k]
    legs += [Leg((a, b), np.stack([spots[a], spots[b]]), ()) for a, b in twins]
    return Channel(body=body, nodes_mm=np.array(spots), legs=tuple(legs))


def _straight(body: str, contacts: Floats) -> Channel:
    """Return legs straight from the first contact: for bodies too thin for any grid."""
    legs = [Leg((0, k), np.stack([contacts[0], contacts[k]]), ()) for k in range(1, len(contacts))]
    return Channel(body=body, nodes_mm=contacts, legs=tuple(legs))


def _inner_grid(solid: Solid, n_points: int) -> tuple[Floats, Floats, sparse.csr_array]:
    """Return points inside a body, their depth, and a graph that prefers deep ways."""
    pitch = float((np.prod(solid.size_mm) / n_points) ** (1.0 / 3.0))
    counts = np.maximum(np.ceil(solid.size_mm / pitch).astype(int), 1)
    steps = solid.size_mm / counts
    axes = [solid.bounds[0][k] + (np.arange(counts[k]) + 0.5) * steps[k] for k in range(3)]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
    inside = Rays.of(solid).is_inside(grid.reshape(-1, 3)).reshape(grid.shape[:3])
    depth = ndimage.distance_transform_edt(np.pad(inside, 1), sampling=steps)[1:-1, 1:-1, 1:-1]
    number = np.full(inside.shape, -1)
    number[inside] = np.arange(int(inside.sum()))
    rows: list[Ints] = []
    cols: list[Ints] = []
    far: list[Floats] = []
    for shift in np.ndindex(3, 3, 3):
        move = np.array(shift) - 1
        if tuple(move) <= (0, 0, 0):
            continue
        here, there = _shifted(move)
        both = inside[here] & inside[there]
        rows.append(number[here][both])
        cols.append(number[there][both])
        thin = np.minimum(depth[here][both], depth[there][both])
        far.append(np.linalg.norm(move * steps) / thin**2)
    n = int(inside.sum())
    entries = (np.concatenate(far), (np.concatenate(rows), np.concatenate(cols)))
    return grid[inside], depth[inside], sparse.csr_array(entries, shape=(n, n))


def _shifted(move: Ints) -> tuple[tuple[slice, ...], tuple[slice, ...]]:
    here = tuple(slice(max(0, -m), None if m <= 0 else -m) for m in move.tolist())
    there = tuple(slice(max(0, m), None if m >= 0 else m) for m in move.tolist())
    return here, there


def _tree(before: Ints, start: int, ends: Sequence[int]) -> "nx.Graph[int]":
    tree: nx.Graph[int] = nx.Graph()
    tree.add_node(start)
    for end in ends:
        voxel = end
        while voxel != start and before[voxel] >= 0:
            tree.add_edge(int(before[voxel]), voxel)
            voxel = int(before[voxel])
    return tree


def _chains(tree: "nx.Graph[int]", nodes: dict[int, int]) -> list[list[int]]:
    """Return the ways between nodes, away from the first."""
    chains = []
    root = next(iter(nodes))
    for first, step in nx.bfs_edges(tree, root):
        if first not in nodes:
            continue
        chain = [first, step]
        while chain[-1] not in nodes:
            chain.append(next(v for v in sorted(tree[chain[-1]]) if v != chain[-2]))
        chains.append(chain)
    return chains


def _smooth(path: Floats, window: int = 5) -> Floats:
    """Return a path with the stairs of the grid taken off, ends kept."""
    if len(path) < window:
        return path[[0, -1]]
    padded = np.concatenate([path[:1].repeat(window, 0), path, path[-1:].repeat(window, 0)])
    smooth = ndimage.uniform_filter1d(padded, 2 * window + 1, axis=0)[window:-window]
    return np.concatenate([path[:1], smooth[1:-1], path[-1:]])
