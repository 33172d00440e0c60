"""Network: the rigging as pipes. Lumps of metal, the openings between them, legs of channels.

Nodes of the pipe graph are hubs (casting, feeder, basin, well, filter: wide bodies) and nodes
of channels (contacts, forks, free ends). Edges are openings and legs, each with the area that
liquid can pass. Everything that asks how metal gets somewhere reads this one graph.
"""

from dataclasses import dataclass, replace
from typing import Final

import networkx as nx
import numpy as np

from moldprep.geometry.solid import Floats, Solid
from moldprep.records import NearMiss, Rigging, Role
from moldprep.rigging.stream.channels import Channel, Leg, cut_section, trace_channel
from moldprep.rigging.stream.contacts import (
    NEAR_MM,
    Patch,
    boxes_meet,
    close_pairs,
    contains,
    find_gap,
    find_patches,
)
from moldprep.tolerances import SLIVER_MM3

CHANNEL_ROLES: Final = frozenset({Role.SPRUE, Role.RUNNER, Role.INGATE, Role.NECK, Role.VENT})
CAVITY_ROLES: Final = frozenset({Role.CASTING, Role.FEEDER, Role.NECK, Role.VENT})
GATING_ROLES: Final = frozenset(
    {Role.BASIN, Role.SPRUE, Role.WELL, Role.RUNNER, Role.FILTER, Role.INGATE}
)
POOL_ROLES: Final = frozenset({Role.BASIN, Role.WELL, Role.FILTER})

Node = tuple[int, int]
"""(lump, node of its channel); hubs have the node 0 alone."""


@dataclass(frozen=True, eq=False)
class Lump:
    """One connected piece of a body; nearly always the whole of it."""

    body: str
    role: Role
    solid: Solid
    path_mm: Floats


@dataclass(frozen=True)
class Joint:
    """An opening between two lumps."""

    a: int
    b: int
    patch: Patch

    def other(self, lump: int) -> int:
        """Return the lump on the other side."""
        return self.b if lump == self.a else self.a


@dataclass(frozen=True, eq=False)
class Pipe:
    """One edge of the pipe graph: a leg of a channel, or an opening.

    area_mm2 : what liquid can pass; inf where nothing was measured
    label    : body name, or "a|b" for an opening
    """

    area_mm2: float
    label: str
    at_mm: tuple[float, ...]
    leg: Leg | None = None
    joint: Joint | None = None


@dataclass(frozen=True, eq=False)
class Network:
    """The rigging as pipes.

    sources : nodes where metal is poured in: basins, or the tops of sprues where there is none
    pipes   : networkx.MultiGraph of `Node`; each edge carries `pipe`
    """

    lumps: tuple[Lump, ...]
    joints: tuple[Joint, ...]
    channels: dict[int, Channel]
    pipes: "nx.MultiGraph[Node]"
    sources: tuple[Node, ...]

    def edges(self) -> list[tuple[Node, Node, Pipe]]:
        """Return every pipe with its two nodes."""
        return [(a, b, data["pipe"]) for a, b, data in self.pipes.edges(data=True)]

    def lumps_of(self, body: str) -> list[int]:
        """Return the lumps of a body."""
        return [k for k, lump in enumerate(self.lumps) if lump.body == body]

    def joint_nodes(self, joint: Joint) -> tuple[Node, Node]:
        """Return the pipe nodes an opening connects, side a first."""
        return self._node(joint, joint.a), self._node(joint, joint.b)

    def need_mm2(self, joint: Joint) -> float:
        """Return the section of the smaller channel an opening joins; 0 between two hubs."""
        sections = [
            self.channels[lump].section_near(self._node(joint, lump)[1])
            for lump in (joint.a, joint.b)
            if lump in self.channels
        ]
        finite = [section for section in sections if np.isfinite(section)]
        return min(finite, default=0.0)

    def _node(self, joint: Joint, lump: int) -> Node:
        if lump not in self.channels:
            return lump, 0
        mine = [j for j in self.joints if lump in (j.a, j.b)]
        return lump, mine.index(joint)

    def reached(self) -> set[int]:
        """Return the lumps that metal reaches from the sources.

        Gating counts only if it is reached through gating: a runner that fills backward through
        a casting is cut off.
        """
        gating = self._joined_to({lump for lump, _ in self.sources}, GATING_ROLES)
        mouths = {
            joint.other(lump)
            for lump in gating
            for joint in self.joints
            if lump in (joint.a, joint.b)
        }
        cavities = {lump for lump in mouths if self.lumps[lump].role in CAVITY_ROLES}
        return gating | self._joined_to(cavities, CAVITY_ROLES)

    def _joined_to(self, start: set[int], roles: frozenset[Role]) -> set[int]:
        graph: nx.Graph[int] = nx.Graph()
        graph.add_nodes_from(start)
        graph.add_edges_from(
            (joint.a, joint.b)
            for joint in self.joints
            if self.lumps[joint.a].role in roles and self.lumps[joint.b].role in roles
        )
        return start.union(*(nx.node_connected_component(graph, lump) for lump in start))


def build_network(rigging: Rigging) -> Network:
    """Return the rigging as pipes, every area measured on its solids."""
    lumps = _lumps(rigging)
    joints = _joints(lumps)
    channels = {}
    tops: dict[int, int] = {}
    has_basin = any(lump.role is Role.BASIN for lump in lumps)
    for k, lump in enumerate(lumps):
        if lump.role in CHANNEL_ROLES:
            places = [j.patch.at_mm for j in joints if k in (j.a, j.b)]
            if lump.role is Role.SPRUE and not has_basin:
                tops[k] = len(places)
                places.append(_top_of(lump.solid))
            spots = np.array(places, np.float64).reshape(-1, 3)
            channels[k] = trace_channel(lump.body, lump.solid, lump.path_mm, spots)
    basins = [(k, 0) for k, lump in enumerate(lumps) if lump.role is Role.BASIN]
    sources = tuple(basins or tops.items())
    network = Network(lumps, joints, channels, nx.MultiGraph(), sources)
    _lay_pipes(network)
    return network


def castings_past(network: Network, barrier: Solid) -> tuple[str, ...]:
    """Return the castings metal still reaches when a barrier is taken out of every channel.

    Openings between bodies the barrier leaves alone are what they were.
    """
    parts = barrier.parts()
    is_cut = [
        lump.role in GATING_ROLES and any(boxes_meet(lump.solid, part, 0.0) for part in parts)
        for lump in network.lumps
    ]
    kept = tuple(lump for lump, cut in zip(network.lumps, is_cut, strict=True) if not cut)
    pieces = tuple(
        replace(lump, solid=piece)
        for lump, cut in zip(network.lumps, is_cut, strict=True)
        if cut
        for piece in (lump.solid - barrier).parts()
        if piece.volume_mm3 > SLIVER_MM3
    )
    row = {lump: k for k, lump in enumerate(kept)}
    joints = tuple(
        Joint(row[a], row[b], joint.patch)
        for joint in network.joints
        if (a := network.lumps[joint.a]) in row and (b := network.lumps[joint.b]) in row
    )
    lumps = (*kept, *pieces)
    joints = _joints(lumps, joints, first_new=len(kept))
    names = {network.lumps[lump].body for lump, _ in network.sources}
    sources = tuple((k, 0) for k, lump in enumerate(lumps) if lump.body in names)
    past = Network(lumps, joints, {}, nx.MultiGraph(), sources)
    castings = (lumps[k].body for k in past.reached() if lumps[k].role is Role.CASTING)
    return tuple(sorted(set(castings)))


def find_near_misses(network: Network) -> tuple[NearMiss, ...]:
    """Return pairs that come within `NEAR_MM`, or kiss, without an opening between them.

    A gap that lies inside a third body is metal, not sand, and does not count.
    """
    lumps = network.lumps
    joined = {(joint.a, joint.b) for joint in network.joints}
    found = []
    for i, j in close_pairs(tuple(lump.solid for lump in lumps), NEAR_MM):
        gap = None if (i, j) in joined else find_gap(lumps[i].solid, lumps[j].solid)
        if gap is None:
            continue
        others = (lump.solid for k, lump in enumerate(lumps) if k not in (i, j))
        if not any(contains(solid, np.array(gap.at_mm)) for solid in others):
            a, b = lumps[i].body, lumps[j].body
            found.append(NearMiss(a=a, b=b, gap_mm=gap.gap_mm, at_mm=gap.at_mm))
    return tuple(found)


def _lumps(rigging: Rigging) -> tuple[Lump, ...]:
    lumps = []
    for body in rigging.metal:
        pieces = [piece for piece in body.solid.parts() if piece.volume_mm3 > SLIVER_MM3]
        voids = sum(piece.volume_mm3 for piece in body.solid.parts() if piece.volume_mm3 < 0.0)
        if len(pieces) == 1 and voids == 0.0:
            pieces = [body.solid]
        lumps += [Lump(body.name, body.role, piece, body.path_mm) for piece in pieces]
    return tuple(lumps)


def _joints(
    lumps: tuple[Lump, ...], known: tuple[Joint, ...] = (), first_new: int = 0
) -> tuple[Joint, ...]:
    """Return all openings between lumps, those before the first new one being known."""
    found = [
        *known,
        *(
            Joint(i, j, patch)
            for i, j in close_pairs(tuple(lump.solid for lump in lumps), 0.1)
            if j >= first_new
            for patch in find_patches(lumps[i].solid, lumps[j].solid)
        ),
    ]
    return tuple(joint for joint in found if not _is_inside_pool(joint, found, lumps))


def _is_inside_pool(joint: Joint, joints: list[Joint], lumps: tuple[Lump, ...]) -> bool:
    """Return whether two bodies only meet inside a wide third one that joins them anyway.

    A sprue and a runner that both end in the well overlap there; the way is through the well.
    """
    if lumps[joint.a].role in POOL_ROLES or lumps[joint.b].role in POOL_ROLES:
        return False
    pairs = {(other.a, other.b) for other in joints}
    place = np.array(joint.patch.at_mm)
    for k, lump in enumerate(lumps):
        joins_both = all(tuple(sorted((k, end))) in pairs for end in (joint.a, joint.b))
        if lump.role in POOL_ROLES and joins_both and contains(lump.solid, place):
            return True
    return False


def _top_of(solid: Solid) -> tuple[float, float, float]:
    low, high = solid.bounds[:, 2]
    z = float(high - min(0.5, 0.01 * (high - low)))
    middle = 0.5 * (solid.bounds[0] + solid.bounds[1])
    cut = cut_section(solid, np.array([middle[0], middle[1], z]), np.array([0.0, 0.0, 1.0]))
    place = middle if cut is None else cut[2]
    return float(place[0]), float(place[1]), z


def _lay_pipes(network: Network) -> None:
    pipes = network.pipes
    for k, lump in enumerate(network.lumps):
        if k not in network.channels:
            pipes.add_node((k, 0))
            continue
        channel = network.channels[k]
        pipes.add_nodes_from((k, node) for node in range(len(channel.nodes_mm)))
        for leg in channel.legs:
            tight = leg.smallest
            area = np.inf if tight is None else tight.area_mm2
            at = tuple(leg.path_mm.mean(axis=0).tolist()) if tight is None else tight.at_mm
            pipe = Pipe(float(area), lump.body, at, leg=leg)
            pipes.add_edge((k, leg.ends[0]), (k, leg.ends[1]), pipe=pipe)
    for joint in network.joints:
        names = sorted((network.lumps[joint.a].body, network.lumps[joint.b].body))
        pipe = Pipe(joint.patch.area_mm2, "|".join(names), joint.patch.at_mm, joint=joint)
        pipes.add_edge(*network.joint_nodes(joint), pipe=pipe)
