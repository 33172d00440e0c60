"""Flow: what the metal can reach, and how fast. Graph of real contacts, measured on the solids."""

from typing import Final

import networkx as nx
import numpy as np

from moldprep.geometry.shapes import turned_box
from moldprep.geometry.solid import Solid
from moldprep.records import Alloy, Contact, FlowGraph, Rigging, RiggingPlan, Role, Station
from moldprep.rigging.stream.circuit import filter_stations
from moldprep.rigging.stream.gate_facts import find_mouths, has_dimple
from moldprep.rigging.stream.network import (
    GATING_ROLES,
    Joint,
    Network,
    Node,
    Pipe,
    build_network,
    castings_past,
    find_near_misses,
)
from moldprep.rigging.stream.pouring import formula_times, pour
from moldprep.rigging.stream.sand_walls import find_sand_walls

MAY_END: Final = frozenset({Role.CASTING, Role.FEEDER, Role.VENT, Role.BASIN})
"""Roles that may hang on one contact only: metal ends there on purpose."""


FILTER_SLACK_MM: Final = 0.1
"""A filter's plate is taken this much larger, so that no film is left beside it."""


def trace_flow(rigging: Rigging, plan: RiggingPlan, alloy: Alloy) -> FlowGraph:
    """Return what the metal can reach from the basin, where it is choked, and how fast it runs.

    Parameters
    ----------
    rigging
        Castings and rigging, body by body.
    plan
        What was intended: feeders that breathe, filters, top of the cope.
    alloy
        The metal, poured amid its window.

    Notes
    -----
    Nothing is taken as declared: contacts and sections are measured on the bodies, and a body
    in two pieces counts as two. The bottleneck is the minimum cut of the pipe graph between
    pouring and castings, capacities being the measured areas.

    References
    ----------
    L. R. Ford, D. R. Fulkerson, Flows in Networks, Princeton University Press (1962), ch. 1
    (minimum cut).
    """
    network = build_network(rigging)
    reached = network.reached()
    bodies = {body.name for body in rigging.metal}
    lost = [k for k in range(len(network.lumps)) if k not in reached]
    cut = _bottleneck(network)
    poured = pour(network, plan, alloy)
    return FlowGraph(
        graph=_summary(network, rigging, plan),
        contacts=tuple(_contact(network, joint) for joint in network.joints),
        near_misses=find_near_misses(network),
        stations=_stations(network, plan),
        reached=frozenset(bodies - {network.lumps[k].body for k in lost}),
        lost=tuple((network.lumps[k].body, _middle(network.lumps[k].solid)) for k in lost),
        dangling=_dangling(network),
        bottleneck=tuple(sorted({pipe.label for pipe in cut})),
        bottleneck_mm2=sum(pipe.area_mm2 for pipe in cut),
        bottleneck_at_mm=min(cut, key=lambda pipe: pipe.area_mm2).at_mm if cut else (),
        loops=_loops(network),
        unfiltered=_unfiltered(network, plan),
        channels=poured.channels,
        cavities=poured.cavities,
        runners=poured.runners,
        mouths=find_mouths(network),
        ratio_mm2=poured.ratio_mm2,
        source_mm=poured.source_mm,
        prime_s=poured.prime_s,
        imbalance=poured.imbalance,
        pour_time_s=poured.time_s,
        formula_times=formula_times(rigging, alloy),
        pour_c=alloy.pour_c,
        sand_walls=find_sand_walls(network, rigging, plan),
    )


def _stations(network: Network, plan: RiggingPlan) -> tuple[Station, ...]:
    """Return the sections of all channels, and of filters that no plan tells the size of."""
    found = [s for k in sorted(network.channels) for s in network.channels[k].stations]
    for k, lump in enumerate(network.lumps):
        if lump.role is Role.FILTER and not plan.filters:
            found += filter_stations(network, k)
    return tuple(found)


def _contact(network: Network, joint: Joint) -> Contact:
    return Contact(
        a=network.lumps[joint.a].body,
        b=network.lumps[joint.b].body,
        area_mm2=joint.patch.area_mm2,
        need_mm2=network.need_mm2(joint),
        at_mm=joint.patch.at_mm,
    )


def _middle(solid: Solid) -> tuple[float, float, float]:
    x, y, z = (float(v) for v in solid.centroid_mm)
    return x, y, z


def _summary(network: Network, rigging: Rigging, plan: RiggingPlan) -> "nx.Graph[str]":
    """Return the graph of bodies: contacts of two bodies added up, at the largest."""
    breathing = {feeder.name for feeder in plan.feeders if feeder.has_air_core}
    planned = {feeder.name for feeder in plan.feeders}
    breathing |= {
        body.name
        for body in rigging.of_role(Role.FEEDER)
        if body.name not in planned and has_dimple(body.solid)
    }
    graph: nx.Graph[str] = nx.Graph()
    for body in rigging.metal:
        graph.add_node(
            body.name,
            role=body.role.value,
            is_open=bool(body.solid.bounds[1, 2] >= plan.top_mm - 0.5),
            has_air_core=body.name in breathing,
            n_lumps=len(network.lumps_of(body.name)),
        )
    for joint in network.joints:
        a, b = network.lumps[joint.a].body, network.lumps[joint.b].body
        if graph.has_edge(a, b):
            graph[a][b]["area_mm2"] += joint.patch.area_mm2
        elif a != b:
            graph.add_edge(a, b, area_mm2=joint.patch.area_mm2, at_mm=joint.patch.at_mm)
    return graph


def _dangling(network: Network) -> tuple[str, ...]:
    """Return rigging that leads nowhere: what is left hanging when loose ends are taken off."""
    graph: nx.Graph[int] = nx.Graph()
    graph.add_nodes_from(range(len(network.lumps)))
    graph.add_edges_from((joint.a, joint.b) for joint in network.joints)
    sources = {lump for lump, _ in network.sources}
    hanging: set[int] = set()
    while True:
        loose = [
            k
            for k in graph.nodes
            if (graph.degree(k) == 0 and network.lumps[k].role is not Role.CASTING)
            or (graph.degree(k) <= 1 and network.lumps[k].role not in MAY_END and k not in sources)
        ]
        if not loose:
            return tuple(sorted({network.lumps[k].body for k in hanging}))
        hanging.update(loose)
        graph.remove_nodes_from(loose)


def _bottleneck(network: Network) -> list[Pipe]:
    """Return the pipes of the minimum cut between pouring and the castings metal reaches."""
    reached = network.reached()
    castings = [
        (k, 0) for k, lump in enumerate(network.lumps) if lump.role is Role.CASTING and k in reached
    ]
    if not castings or not network.sources:
        return []
    capacity: nx.DiGraph[Node | str] = nx.DiGraph()
    for a, b, pipe in network.edges():
        if Role.VENT not in (network.lumps[a[0]].role, network.lumps[b[0]].role):
            for u, v in ((a, b), (b, a)):
                before = capacity[u][v]["capacity"] if capacity.has_edge(u, v) else 0.0
                capacity.add_edge(u, v, capacity=before + pipe.area_mm2)
    for node in network.sources:
        capacity.add_edge("pouring", node, capacity=np.inf)
    for node in castings:
        capacity.add_edge(node, "castings", capacity=np.inf)
    if not nx.has_path(capacity, "pouring", "castings"):
        return []
    _, (near, _far) = nx.minimum_cut(capacity, "pouring", "castings")
    return [
        pipe
        for a, b, pipe in network.edges()
        if capacity.has_edge(a, b) and (a in near) != (b in near)
    ]


def _unfiltered(network: Network, plan: RiggingPlan) -> tuple[str, ...]:
    """Return the castings that metal reaches without passing a filter.

    The plates of the filters are taken out of all metal; then nothing may be reached.
    """
    prints = [lump.solid for lump in network.lumps if lump.role is Role.FILTER]
    if not prints:
        return ()
    plates = [
        turned_box(
            np.asarray(one.at_mm),
            (one.thickness_mm, one.length_mm + FILTER_SLACK_MM, one.width_mm + FILTER_SLACK_MM),
            one.turn_deg,
        )
        for one in plan.filters
    ]
    return castings_past(network, Solid.union(plates or prints))


def _loops(network: Network) -> tuple[tuple[str, ...], ...]:
    """Return closed ways in the gating ahead of the castings.

    Candidates come from the graph: a ring-shaped body, two openings between the same two
    bodies, a cycle of bodies. Each is a loop only if its union really has a hole through it, so
    three bodies that overlap in one place are none.
    """
    lumps = network.lumps
    inside = {k for k, lump in enumerate(lumps) if lump.role in GATING_ROLES}
    graph: nx.MultiGraph[int] = nx.MultiGraph()
    graph.add_nodes_from(sorted(inside))
    graph.add_edges_from((j.a, j.b) for j in network.joints if inside >= {j.a, j.b})
    simple = nx.Graph(graph)
    rings = [[k] for k in simple.nodes]
    rings += [[a, b] for a, b in simple.edges if graph.number_of_edges(a, b) > 1]
    rings += [sorted(cycle) for cycle in nx.minimum_cycle_basis(simple)]
    loops = []
    for ring in rings:
        union = Solid.union(lumps[k].solid for k in ring)
        if union.genus - sum(lumps[k].solid.genus for k in ring if len(ring) > 1) > 0:
            loops.append(tuple(lumps[k].body for k in ring))
    return tuple(sorted(set(loops)))
