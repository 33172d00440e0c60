"""Circuit: the pipes of a rigging as links with losses, up to its inlets into the cavities."""

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import networkx as nx
import numpy as np

from moldprep.geometry.solid import Floats
from moldprep.records import Alloy, RiggingPlan, Role, Station
from moldprep.rigging.stream.channels import Leg
from moldprep.rigging.stream.hydraulics import (
    ENTRANCE_ROUND,
    ENTRANCE_SHARP,
    G_MM_S2,
    TURN_CURVED,
    TURN_SQUARE,
    Link,
    contraction_factor,
    expansion_factor,
    minor_loss,
)
from moldprep.rigging.stream.network import GATING_ROLES, Joint, Network, Node, Pipe
from moldprep.units import MM2_PER_M2, MM_PER_M

FILLED: Final = frozenset({Role.CASTING, Role.FEEDER, Role.NECK})
"""What gates fill; a vent on a channel only lets its air out."""

SHARP_DEG: Final = 30.0
"""A corner of a center line that turns more than this at once is a square bend."""

STRAIGHT_DEG: Final = 3.0
"""Turns smaller than this are the grain of the center line."""

FILTERS: Final = {
    "10 ppi": (5.0e-8, 1.0e-3),
    "20 ppi": (2.5e-8, 6.0e-4),
    "30 ppi": (1.2e-8, 3.5e-4),
}
"""Darcy k1 [m²] and Forchheimer k2 [m] of ceramic foam (from memory, makers differ by 2; a
filter of one grade from four makers differed by 2.4, Materials 16(7) 2805, 2023)."""


USUAL_FILTER_MM: Final = 22.0
"""Thickness of a foam filter in common use (common practice, no source). [mm]"""


FILTER_SECTIONS: Final = 15
"""Sections in which a filter without a plan is looked at."""


@dataclass(frozen=True)
class Inlet:
    """An opening from the gating into a cavity.

    link : row of its link; `node` the number of its free end in the cavity
    z_mm : height of its middle: metal falls freely from here until it is submerged
    """

    link: int
    node: int
    joint: Joint
    body: str
    lump: int
    area_mm2: float
    z_mm: float


@dataclass(frozen=True, eq=False)
class Circuit:
    """Links of the gating, and where they open.

    pipes : the pipe of each link
    nodes : number of each pipe node
    """

    links: list[Link]
    pipes: list[Pipe]
    ends: list[tuple[Node, Node]]
    nodes: dict[Node, int]
    n_nodes: int
    inlets: list[Inlet]
    sources: list[int]
    source_mm: float


def build_circuit(network: Network, plan: RiggingPlan, alloy: Alloy) -> Circuit:
    """Return the gating as links with losses; empty where nothing is poured anywhere."""
    gating = network.pipes.subgraph(
        n for n in network.pipes if network.lumps[n[0]].role in GATING_ROLES
    )
    near = [node for node in network.sources if node in gating]
    hops = nx.multi_source_dijkstra_path_length(gating, set(near)) if near else {}
    nodes = {node: k for k, node in enumerate(sorted(hops))}
    maker = _Maker(network, plan, alloy, hops)
    circuit = Circuit(
        links=[],
        pipes=[],
        ends=[],
        nodes=nodes,
        n_nodes=len(nodes),
        inlets=[],
        sources=[nodes[n] for n in near],
        source_mm=_pouring_level(network),
    )
    n_nodes = len(nodes)
    for a, b, pipe in network.edges():
        if a not in nodes and b not in nodes:
            continue
        first, last = (a, b) if hops.get(a, np.inf) <= hops.get(b, np.inf) else (b, a)
        if last in nodes:
            circuit.links.append(maker.link(pipe, first, last, nodes[first], nodes[last]))
        elif network.lumps[last[0]].role in FILLED and pipe.joint is not None:
            area = maker.opening(pipe.joint, first)
            circuit.links.append(maker.link(pipe, first, last, nodes[first], n_nodes))
            circuit.inlets.append(
                Inlet(
                    link=len(circuit.links) - 1,
                    node=n_nodes,
                    joint=pipe.joint,
                    body=network.lumps[first[0]].body,
                    lump=last[0],
                    area_mm2=area,
                    z_mm=pipe.joint.patch.at_mm[2],
                )
            )
            n_nodes += 1
        else:
            continue
        circuit.pipes.append(pipe)
        circuit.ends.append((first, last))
    return Circuit(
        circuit.links, circuit.pipes, circuit.ends, nodes, n_nodes, circuit.inlets,
        circuit.sources, circuit.source_mm,
    )  # fmt: skip


def filter_stations(network: Network, lump: int) -> tuple[Station, ...]:
    """Return sections of a filter's print square to the line between its first two openings."""
    body = network.lumps[lump]
    joints = [joint for joint in network.joints if lump in (joint.a, joint.b)]
    ends = np.array([joint.patch.at_mm for joint in joints[:2]])
    along = np.diff(ends, axis=0).sum(axis=0)[:2] if len(ends) == 2 else np.array([1.0, 0.0])
    turn = float(np.degrees(np.arctan2(along[1], along[0])))
    upright = body.solid.turned((0.0, 0.0, -turn)).turned((0.0, -90.0, 0.0))
    low, high = upright.bounds[:, 2]
    x, y, z = (float(v) for v in body.solid.centroid_mm)
    return tuple(
        Station(
            body=body.body, at_mm=(x, y, z), along_mm=float(at - low),
            area_mm2=section.area, perimeter_mm=section.length,
        )
        for at in np.linspace(low, high, FILTER_SECTIONS + 2)[1:-1]
        if (section := upright.slice_at(float(at))).area > 0.0
    )  # fmt: skip


def bend_factor(path_mm: Floats) -> float:
    """Return the loss factor of all turns of a center line, on its mean velocity. [-]

    A corner taken at once loses 1.1 (1 - cos θ), a curve 0.25 for each 90°.

    References
    ----------
    Fluid mechanics texts, from memory (square bend 1.1 to 1.3, R/D of 2 to 3: 0.2 to 0.3).

    Examples
    --------
    >>> round(bend_factor(np.array([[0.0, 0, 0], [50, 0, 0], [50, 50, 0]])), 3)
    1.1
    """
    legs = np.diff(path_mm, axis=0)
    length = np.linalg.norm(legs, axis=1)
    legs = legs[length > 1e-9] / length[length > 1e-9, None]
    total = 0.0
    for one, two in pairwise(legs):
        turn = float(np.degrees(np.arccos(np.clip(one @ two, -1.0, 1.0))))
        if turn > SHARP_DEG:
            total += TURN_SQUARE * (1.0 - np.cos(np.radians(turn)))
        elif turn > STRAIGHT_DEG:
            total += TURN_CURVED * turn / 90.0
    return float(total)


def _pouring_level(network: Network) -> float:
    tops = [network.lumps[k].solid.bounds[1, 2] for k, _ in network.sources]
    return float(max(tops, default=np.nan))


class _Maker:
    """Turns pipes into links."""

    def __init__(
        self, network: Network, plan: RiggingPlan, alloy: Alloy, hops: dict[Node, float]
    ) -> None:
        self._network = network
        self._hops = hops
        self._is_round = plan.sprue is not None and plan.sprue.kind == "stream"
        self._filters = {f"filter-{k + 1}": one for k, one in enumerate(plan.filters)}
        if len(plan.filters) == 1:
            self._filters["filter"] = plan.filters[0]
        self._density, self._viscosity = alloy.density_liquid_kg_m3, alloy.viscosity_pa_s

    def link(self, pipe: Pipe, first: Node, last: Node, a: int, b: int) -> Link:
        """Return the link of one pipe, in the direction away from the pouring."""
        if pipe.leg is not None:
            return self._leg_link(pipe.leg, first, a, b)
        assert pipe.joint is not None  # a pipe is a leg or an opening
        minor = self._opening_loss(pipe.joint, first, last)
        linear = 0.0
        for lump in (first[0], last[0]):
            if self._network.lumps[lump].role is Role.FILTER:
                one, two = self._filter_loss(lump)
                linear, minor = linear + 0.5 * one, minor + 0.5 * two
        return Link(a, b, minor=minor, linear=linear)

    def opening(self, joint: Joint, node: Node) -> float:
        """Return the area liquid passes at an opening: of it and of the channel behind it."""
        return min(joint.patch.area_mm2, self._section(node))

    def _section(self, node: Node) -> float:
        channel = self._network.channels.get(node[0])
        return np.inf if channel is None else channel.section_near(node[1])

    def _leg_link(self, leg: Leg, first: Node, a: int, b: int) -> Link:
        stations = leg.stations if first[1] == leg.ends[0] else leg.stations[::-1]
        if not stations:
            return Link(a, b)
        area = np.array([station.area_mm2 for station in stations])
        girth = np.array([station.perimeter_mm for station in stations])
        along = np.array([station.along_mm for station in stations])
        middle = 0.5 * (along[1:] + along[:-1])
        low = min(along[0], along[-1]) - 0.5 * (leg.length_mm - abs(along[-1] - along[0]))
        ends = np.concatenate([[low], np.sort(middle), [low + leg.length_mm]])
        share = np.diff(ends) if along[0] <= along[-1] else np.diff(ends)[::-1]
        pieces = np.stack([np.maximum(share, 0.0), 4.0 * area / girth, area], axis=1)
        minor = minor_loss(bend_factor(leg.path_mm), float(np.median(area)))
        for one, two in pairwise(area):
            if two > one:
                minor += minor_loss(expansion_factor(one, two), one)
            else:
                minor += minor_loss(contraction_factor(one, two), two)
        linear, more = self._filters_across(first, leg)
        return Link(a, b, minor=minor + more, linear=linear, pieces=pieces)

    def _filters_across(self, first: Node, leg: Leg) -> tuple[float, float]:
        """Return the loss of filters a channel runs through, counted in the leg after them."""
        lump, node = first
        mine = [joint for joint in self._network.joints if lump in (joint.a, joint.b)]
        if node >= len(mine) or node not in leg.ends:
            return 0.0, 0.0
        other = mine[node].other(lump)
        if self._network.lumps[other].role is not Role.FILTER:
            return 0.0, 0.0
        if sum(other in (joint.a, joint.b) for joint in self._network.joints) > 1:
            return 0.0, 0.0
        return self._filter_loss(other)

    def _filter_loss(self, lump: int) -> tuple[float, float]:
        """Return (linear [s/mm²], quadratic [s²/mm⁵]) loss of a filter.

        Δp / L = μ v / k1 + ρ v² / k2 (Darcy and Forchheimer). A print without a plan of its own
        is measured: its widest section is the filter's face, and it is as thick as volume over
        face, or as the usual filter where chambers make it longer.
        """
        body = self._network.lumps[lump]
        plan = self._filters.get(body.body)
        pores = "10 ppi" if plan is None else plan.pores
        k1, k2 = FILTERS.get(pores, FILTERS["10 ppi"])
        if plan is None:
            sections = filter_stations(self._network, lump)
            face = max(station.area_mm2 for station in sections)
            thick = min(body.solid.volume_mm3 / face, USUAL_FILTER_MM)
        else:
            thick, face = plan.thickness_mm, plan.length_mm * plan.width_mm
        nu_mm2_s = self._viscosity / self._density * MM2_PER_M2
        linear = thick * nu_mm2_s / (k1 * MM2_PER_M2 * G_MM_S2 * face)
        return linear, thick / (k2 * MM_PER_M * G_MM_S2 * face**2)

    def _opening_loss(self, joint: Joint, first: Node, last: Node) -> float:
        before, after = self._section(first), self._section(last)
        area = min(joint.patch.area_mm2, before, after)
        role = self._network.lumps[first[0]].role
        if role is Role.BASIN:
            enter = ENTRANCE_ROUND if self._is_round else ENTRANCE_SHARP
        else:
            enter = contraction_factor(before, area)
        k = enter + expansion_factor(area, after) + self._turn(first, last)
        return minor_loss(k, area)

    def _turn(self, first: Node, last: Node) -> float:
        """Return the loss factor of turning out of one channel into another."""
        one, two = self._tangent(first), self._tangent(last)
        if one is None or two is None:
            return 0.0
        return TURN_SQUARE * (1.0 - abs(float(one @ two)))

    def _tangent(self, node: Node) -> Floats | None:
        channel = self._network.channels.get(node[0])
        if channel is None:
            return None
        legs = [leg for leg in channel.legs if node[1] in leg.ends and leg.length_mm > 1e-6]
        if not legs:
            return None
        leg = max(legs, key=lambda leg: leg.length_mm)
        ends = leg.path_mm[:2] if leg.ends[0] == node[1] else leg.path_mm[-2:]
        step: Floats = ends[1] - ends[0]
        length = float(np.linalg.norm(step))
        return step / length if length > 1e-9 else None
