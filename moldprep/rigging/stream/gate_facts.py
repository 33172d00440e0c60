"""Gate facts: what is measured about runners and gates beside their flow."""

from typing import Final

import numpy as np

from moldprep.geometry.rays import Rays
from moldprep.geometry.solid import Floats, Solid
from moldprep.records import Mouth, Role, RunnerFacts
from moldprep.rigging.stream.channels import Leg
from moldprep.rigging.stream.circuit import Circuit
from moldprep.rigging.stream.hydraulics import G_MM_S2
from moldprep.rigging.stream.network import Joint, Network

DIMPLE_SHARE = 0.1
"""Depth of an air core over the feeder's diameter, at least; shallower is no core. [-]"""

UPSTREAM = frozenset({Role.BASIN, Role.SPRUE, Role.WELL, Role.FILTER})

MOUTH_MM: Final = 30.0
"""How far before a wall the middle of a mouth may lie. [mm]"""

LEVEL_MM: Final = 0.01
"""Corners this near to a runner's ceiling lie in it. [mm]"""


def measured_ratio(network: Network, circuit: Circuit, flows: Floats) -> tuple[float, float, float]:
    """Return measured areas of sprues, of runners leaving them, and of ingates. [mm²]

    A runner counts once for each arm that carries metal away from the sprue's end.
    """
    carries = np.abs(flows) > 1e-6 * max(float(np.abs(flows).max()), 1e-30)
    sprue: dict[int, float] = {}
    starts = {
        node
        for joint in network.joints
        for node in network.joint_nodes(joint)
        if network.lumps[node[0]].role is Role.RUNNER
        and network.lumps[joint.other(node[0])].role in UPSTREAM - {Role.FILTER}
    }
    runner = 0.0
    for k, pipe in enumerate(circuit.pipes):
        first, _ = circuit.ends[k]
        if pipe.leg is None or not carries[k] or not np.isfinite(pipe.area_mm2):
            continue
        if network.lumps[first[0]].role is Role.SPRUE:
            sprue[first[0]] = min(sprue.get(first[0], np.inf), pipe.area_mm2)
        elif first in starts:
            runner += pipe.area_mm2
    gates = sum(inlet.area_mm2 for inlet in circuit.inlets)
    return float(sum(sprue.values())), float(runner), float(gates)


def runner_facts(
    network: Network, circuit: Circuit, heads: Floats, flows: Floats
) -> tuple[RunnerFacts, ...]:
    """Return how each runner runs when the gates start."""
    facts = []
    for index, lump in enumerate(network.lumps):
        if lump.role is not Role.RUNNER:
            continue
        rows = [
            k
            for k, pipe in enumerate(circuit.pipes)
            if pipe.leg is not None
            and circuit.ends[k][0][0] == index
            and np.isfinite(pipe.area_mm2)
            and abs(flows[k]) > 0.0
        ]
        areas = [station.area_mm2 for station in network.channels[index].stations]
        if not rows or not areas:
            continue
        ceiling = float(lump.solid.bounds[1, 2])
        pressure = min(
            heads[circuit.links[k].b]
            - (flows[k] / circuit.pipes[k].area_mm2) ** 2 / (2.0 * G_MM_S2)
            for k in rows
        )
        sills = [
            float(network.lumps[joint.other(index)].solid.bounds[0, 2])
            for joint in _joints_of(network, index)
            if network.lumps[joint.other(index)].role is Role.INGATE
        ]
        past, end = _past_last_gate(network, index)
        points, _ = lump.solid.mesh()
        top = points[points[:, 2] >= ceiling - LEVEL_MM, :2]
        x, y = 0.5 * (top.min(axis=0) + top.max(axis=0))
        facts.append(
            RunnerFacts(
                body=lump.body,
                cover_mm=float(max(pressure, min(sills, default=-np.inf)) - ceiling),
                past_mm=past,
                section_mm2=float(np.median(areas)),
                at_mm=(float(x), float(y), ceiling),
                end_mm=end,
            )
        )
    return tuple(facts)


def has_dimple(feeder: Solid) -> bool:
    """Return whether a core of sand dips into a feeder's top, so that air gets at the metal.

    What the feeder lacks of its convex hull, open upward and clear of the feeder's outline, is one.
    """
    low, high = feeder.bounds
    least = DIMPLE_SHARE * float((high - low)[:2].min())
    for hollow in (feeder.hull() - feeder).parts():
        bottom, top = hollow.bounds
        is_inside = (bottom[:2] > low[:2] + 1.0).all() and (top[:2] < high[:2] - 1.0).all()
        if is_inside and top[2] > high[2] - 1.0 and top[2] - bottom[2] >= least:
            return True
    return False


def find_mouths(network: Network) -> tuple[Mouth, ...]:
    """Return where gates open into castings and feeders, and what lies before them."""
    mouths = []
    scenes: dict[int, Rays] = {}
    for joint in network.joints:
        roles = {k: network.lumps[k].role for k in (joint.a, joint.b)}
        gates = [k for k, role in roles.items() if role is Role.INGATE]
        fed = [k for k, role in roles.items() if role in (Role.CASTING, Role.FEEDER)]
        if not gates or not fed:
            continue
        channel = network.channels[gates[0]]
        node = _joints_of(network, gates[0]).index(joint)
        at = np.array(joint.patch.at_mm)
        toward = _toward(channel.nodes_mm, node, network, gates[0])
        if fed[0] not in scenes:
            scenes[fed[0]] = Rays.of(network.lumps[fed[0]].solid)
        near = min(
            channel.stations,
            key=lambda s: float(np.linalg.norm(np.subtract(s.at_mm, at))),
            default=None,
        )
        thick = 0.0 if near is None else _thickness(near.area_mm2, near.perimeter_mm)
        ahead, wall = _room(scenes[fed[0]], at, toward)
        mouths.append(
            Mouth(
                body=network.lumps[gates[0]].body,
                into=network.lumps[fed[0]].body,
                area_mm2=joint.patch.area_mm2,
                thickness_mm=thick,
                wall_mm=wall,
                ahead_mm=ahead,
                at_mm=joint.patch.at_mm,
            )
        )
    return tuple(mouths)


def _thickness(area_mm2: float, girth_mm: float) -> float:
    """Return the short side of the rectangle with this area and girth; of a square if rounder."""
    half = 0.25 * girth_mm
    return float(half - np.sqrt(max(half**2 - area_mm2, 0.0)))


def _toward(nodes: Floats, node: int, network: Network, gate: int) -> Floats:
    """Return the direction a gate points in where it opens."""
    path = network.lumps[gate].path_mm
    at = nodes[node]
    if len(path) >= 2:
        step = path[-1] - path[-2]
        if np.linalg.norm(path[0] - at) < np.linalg.norm(path[-1] - at):
            step = path[0] - path[1]
    else:
        legs = [leg for leg in network.channels[gate].legs if node in leg.ends]
        line = max(legs, key=lambda leg: leg.length_mm).path_mm if legs else nodes[[0, 0]]
        near_end = np.linalg.norm(line[-1] - at) <= np.linalg.norm(line[0] - at)
        k = max(len(line) // 4, 1)
        step = line[-1] - line[-1 - k] if near_end else line[0] - line[k]
    length = float(np.linalg.norm(step))
    result: Floats = step / length if length > 1e-9 else np.array([0.0, 0.0, -1.0])
    return result


def _room(scene: Rays, at: Floats, toward: Floats) -> tuple[float, float]:
    """Return (free way ahead, metal above and below) just inside a mouth. [mm]

    The middle of a mouth that wraps an edge or spans a gap lies before the wall: it counts from
    where the wall begins.
    """
    if not scene.is_inside((at + toward)[None])[0]:
        wall, _ = scene.first(at[None], toward[None])
        at = at + toward * (float(wall[0]) if wall[0] < MOUTH_MM else 0.0)
    inside = at + toward * 1.0
    down = np.array([0.0, 0.0, -1.0])
    far, _ = scene.first(np.tile(inside, (3, 1)), np.stack([toward, down, -down]))
    ahead, below, above = (float(v) if np.isfinite(v) else 0.0 for v in far)
    return ahead + 1.0, below + above


def _joints_of(network: Network, lump: int) -> list[Joint]:
    return [joint for joint in network.joints if lump in (joint.a, joint.b)]


def _past_last_gate(network: Network, index: int) -> tuple[float, tuple[float, float, float]]:
    """Return how far a runner goes on past its last gate [mm], and where it ends.

    Only where it brings its own center line: an estimated one ends at the last contact.
    """
    lump, channel = network.lumps[index], network.channels[index]
    joints = _joints_of(network, index)
    roles = [network.lumps[joint.other(index)].role for joint in joints]
    free = set(range(len(joints), len(channel.nodes_mm)))
    if len(lump.path_mm) < 2 or Role.INGATE not in roles:
        return float("nan"), _point(
            lump.path_mm[-1] if len(lump.path_mm) else lump.solid.centroid_mm
        )
    past = []
    for leg in channel.legs:
        inner = [node for node in leg.ends if node not in free]
        outer = [node for node in leg.ends if node in free]
        if len(inner) == 1 and outer and roles[inner[0]] is Role.INGATE:
            past.append(_length_of_metal(leg, inner[0]))
    if past:
        return min(past)
    along = [node for leg in channel.legs for node in leg.ends]
    ends = [node for node in set(along) if along.count(node) == 1 and node not in free]
    if any(roles[node] is Role.INGATE for node in ends):
        return 0.0, _point(lump.path_mm[-1])
    return float("nan"), _point(lump.path_mm[-1])


def _length_of_metal(leg: Leg, inner: int) -> tuple[float, tuple[float, float, float]]:
    """Return how far a dead end has metal, from its inner node [mm]; and where that stops."""
    if not leg.stations:
        return 0.0, _point(leg.path_mm[0])
    is_forward = leg.ends[0] == inner
    last = leg.stations[-1] if is_forward else leg.stations[0]
    at = last.along_mm - leg.start_mm
    return float(at if is_forward else leg.length_mm - at), last.at_mm


def _point(place: Floats) -> tuple[float, float, float]:
    x, y, z = (float(v) for v in place)
    return x, y, z
