"""Laws of the flow graph on systems shaken at random, against an independent oracle.

The oracle is the mesh kernel's own count of connected bodies in the union of all metal: the
contact graph must fall apart exactly where the union does.
"""

import dataclasses

import networkx as nx
import numpy as np
import pytest

from moldprep.geometry.solid import Solid
from moldprep.rigging.flow import trace_flow
from moldprep.rigging.stream.network import build_network
from tests.gating_bench import ALLOY, good_plan, good_rigging, with_solid
from tests.helpers import agree


def shaken(seed):
    """Return the good system with three bodies moved by up to 2 mm."""
    rng = np.random.default_rng(seed)
    rigging = good_rigging()
    names = rng.choice([body.name for body in rigging.metal], 3, replace=False)
    for name in names:
        by = np.round(rng.uniform(-2.0, 2.0, 3), 2)
        rigging = with_solid(rigging, str(name), lambda solid, by=by: solid.moved(by))
    return rigging


@pytest.mark.parametrize("seed", range(16))
def test_graph_falls_apart_where_the_union_does(seed):
    rigging = shaken(seed)
    network = build_network(rigging)
    graph = nx.Graph()
    graph.add_nodes_from(range(len(network.lumps)))
    graph.add_edges_from((joint.a, joint.b) for joint in network.joints)
    union = Solid.union(body.solid for body in rigging.metal)
    apart = [piece for piece in union.parts() if piece.volume_mm3 > 1.0]
    groups = list(nx.connected_components(graph))
    assert len(groups) == len(apart)
    got = sorted(Solid.union(network.lumps[k].solid for k in g).volume_mm3 for g in groups)
    np.testing.assert_allclose(got, sorted(p.volume_mm3 for p in apart), rtol=1e-9)


@pytest.mark.parametrize("scale", [0.5, 3.0])
def test_a_system_twice_the_size_has_four_times_the_areas(scale):
    rigging = good_rigging()
    small = trace_flow(rigging, good_plan(), ALLOY)
    for body in rigging.metal:
        rigging = with_solid(rigging, body.name, lambda solid: solid.scaled((scale,) * 3))

    paths = tuple(
        dataclasses.replace(body, path_mm=body.path_mm * scale) for body in rigging.bodies
    )
    large = trace_flow(dataclasses.replace(rigging, bodies=paths), good_plan(), ALLOY)
    agree(large.bottleneck_mm2, scale**2 * small.bottleneck_mm2, rel=0.01, why="stations move")
    assert len(large.contacts) == len(small.contacts)
    for a, b in zip(large.contacts, small.contacts, strict=True):
        agree(a.area_mm2, scale**2 * b.area_mm2, rel=1e-6, why="exact booleans")
