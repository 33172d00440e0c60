"""Pouring: how long the mold takes, by stepping the level in every cavity; and the handbooks.

The flow is steady at any moment (quasi-steady): the network is solved for the heads of the
moment, the levels rise by what came in, and so on. An inlet works against its own height until
the level covers it, against the level from then on.
"""

from dataclasses import dataclass
from typing import Final

import networkx as nx
import numpy as np

from moldprep.geometry.solid import Floats
from moldprep.records import (
    Alloy,
    CavityRise,
    ChannelFlow,
    Rigging,
    RiggingPlan,
    Role,
    RunnerFacts,
)
from moldprep.rigging.gates.sizing import pour_time_s
from moldprep.rigging.pour_times import BORDER_KG, heavy_s, thin_walled_s
from moldprep.rigging.stream.circuit import Circuit, Inlet, build_circuit
from moldprep.rigging.stream.cooling import cooling_k
from moldprep.rigging.stream.gate_facts import measured_ratio, runner_facts
from moldprep.rigging.stream.hydraulics import Solution, reynolds, solve_network
from moldprep.rigging.stream.network import CAVITY_ROLES, GATING_ROLES, Network
from moldprep.rigging.stream.pool import Pool
from moldprep.units import MM2_PER_M2, MM_PER_M, mass_kg

N_STEPS: Final = 80
"""Steps of volume in which a cavity is filled."""

DRY_MM: Final = 1e-6
"""Head under which nothing flows any more."""

LAST_HEAD: Final = 0.05
"""Share of the head left when pouring ends: open feeders are not waited for to the very top."""


@dataclass(frozen=True, eq=False)
class Poured:
    """What `trace_flow` takes over into its record."""

    channels: tuple[ChannelFlow, ...]
    cavities: tuple[CavityRise, ...]
    runners: tuple[RunnerFacts, ...]
    ratio_mm2: tuple[float, float, float]
    source_mm: float
    imbalance: float
    prime_s: float
    time_s: float


@dataclass(eq=False)
class _Cavity:
    """A cavity while it fills."""

    lumps: list[int]
    pool: Pool
    inlets: list[Inlet]
    has_head: bool
    volume_mm3: float = 0.0

    @property
    def is_full(self) -> bool:
        return self.volume_mm3 >= self.pool.whole_mm3 * (1.0 - 1e-9)


def pour(network: Network, plan: RiggingPlan, alloy: Alloy) -> Poured:
    """Return flows, levels and times of pouring a mold, from the first metal to the last."""
    circuit = build_circuit(network, plan, alloy)
    cavities = _cavities(network, circuit)
    if not circuit.inlets:
        return Poured((), (), (), (0.0, 0.0, 0.0), circuit.source_mm, 0.0, np.inf, np.inf)
    run = _Run(circuit, cavities, alloy)
    run.fill()
    first = run.flows[0]
    whole = float(sum(first[inlet.link] for inlet in circuit.inlets))
    gating = [network.lumps[k] for k in network.reached()]
    volume = sum(lump.solid.volume_mm3 for lump in gating if lump.role in GATING_ROLES)
    prime = volume / whole if whole > 0.0 else np.inf
    done = all(cavity.is_full and cavity.has_head for cavity in cavities)
    return Poured(
        channels=_channel_flows(network, circuit, run, alloy),
        cavities=tuple(run.rise(network, k) for k in range(len(cavities))),
        runners=runner_facts(network, circuit, run.heads[0], run.flows[0]),
        ratio_mm2=measured_ratio(network, circuit, run.flows[0]),
        source_mm=circuit.source_mm,
        imbalance=max(run.imbalances, default=0.0),
        prime_s=float(prime),
        time_s=float(prime + run.times[-1]) if done else np.inf,
    )


def formula_times(rigging: Rigging, alloy: Alloy) -> tuple[tuple[str, float, str], ...]:
    """Return (name, seconds, source) of handbook pouring times for this mold."""
    metal = [body.solid for body in rigging.of_role(Role.CASTING, Role.FEEDER, Role.NECK)]
    volume = sum(solid.volume_mm3 for solid in metal)
    castings = [body.solid for body in rigging.castings]
    area = sum(solid.area_mm2 for solid in castings)
    section = 2.0 * sum(solid.volume_mm3 for solid in castings) / area
    kg = mass_kg(volume, alloy.density_liquid_kg_m3)
    rao = "P. N. Rao, Manufacturing Technology: Foundry, Forming and Welding, gating chapter"
    seconds, why, source = pour_time_s(alloy, kg, section)
    times = [(why, seconds, source)]
    if kg <= BORDER_KG and 1.5 <= section <= 15.0:
        why = f"thin-wall formula for {kg:.1f} kg, mean section {section:.1f} mm"
        times.append((why, thin_walled_s(kg, section), rao))
    elif BORDER_KG <= kg <= 1000.0:
        why = f"heavy-casting formula for {kg:.1f} kg, mean section {section:.1f} mm"
        times.append((why, heavy_s(kg, section), rao))
    return tuple(times)


MOMENT: Final = 0.01
"""Share of the filling that a flow must last to be judged."""


# ---- one pour -----------------------------------------------------------------------------


class _Run:
    """Steps the levels of all cavities until they are full or nothing flows."""

    def __init__(self, circuit: Circuit, cavities: list[_Cavity], alloy: Alloy) -> None:
        self.circuit, self.cavities = circuit, cavities
        self._nu = alloy.viscosity_pa_s / alloy.density_liquid_kg_m3 * MM2_PER_M2
        self.times = [0.0]
        self.flows: list[Floats] = []
        self.heads: list[Floats] = []
        self.volumes: list[list[float]] = [[0.0] * len(cavities)]
        self.imbalances: list[float] = []

    def fill(self) -> None:
        """Fill everything: midpoint steps, each of 1/N of the fastest cavity."""
        now = self._solve()
        for _ in range(N_STEPS * max(1, len(self.cavities)) * 2):
            self.flows.append(now.flows_mm3_s)
            self.heads.append(now.heads_mm)
            into = self._into(now)
            left = [c.pool.whole_mm3 - c.volume_mm3 for c in self.cavities]
            steps = [
                min(c.pool.whole_mm3 / N_STEPS, rest) / rate
                for c, rest, rate in zip(self.cavities, left, into, strict=True)
                if rest > 0.0 and rate > 0.0
            ]
            if not steps:
                return
            step = self._advance(min(steps))
            self.times.append(self.times[-1] + step)
            self.volumes.append([c.volume_mm3 for c in self.cavities])
            now = self._solve()
        self.flows.append(now.flows_mm3_s)
        self.heads.append(now.heads_mm)

    def _advance(self, guess_s: float) -> float:
        """Move all levels by the flow halfway through a step; return the step taken."""
        before = [c.volume_mm3 for c in self.cavities]
        rates = self._into(self._solve())
        for cavity, rate in zip(self.cavities, rates, strict=True):
            cavity.volume_mm3 = min(cavity.volume_mm3 + 0.5 * guess_s * rate, cavity.pool.whole_mm3)
        halfway = self._into(self._solve())
        step = guess_s
        for cavity, old, rate, late in zip(self.cavities, before, rates, halfway, strict=True):
            wish = guess_s * rate
            room = cavity.pool.whole_mm3 - old
            if late > 0.0 and wish >= room * (1.0 - 1e-9) and room > 0.0:
                step = max(step, room / late)  # what was left takes longer at the later flow
        for cavity, old, late in zip(self.cavities, before, halfway, strict=True):
            cavity.volume_mm3 = float(np.clip(old + step * late, old, cavity.pool.whole_mm3))
            if cavity.pool.whole_mm3 - cavity.volume_mm3 < 1e-6 * cavity.pool.whole_mm3:
                cavity.volume_mm3 = cavity.pool.whole_mm3
        return step

    def _into(self, solution: Solution) -> list[float]:
        return [
            float(sum(solution.flows_mm3_s[inlet.link] for inlet in cavity.inlets))
            for cavity in self.cavities
        ]

    def _solve(self) -> Solution:
        """Return the flow of the moment; inlets that would draw air are shut."""
        shut: set[int] = set()
        while True:
            solution = self._solve_with(shut)
            backward = {
                inlet.link
                for cavity in self.cavities
                for inlet in cavity.inlets
                if solution.flows_mm3_s[inlet.link] < 0.0
                and cavity.pool.level_mm(cavity.volume_mm3) <= inlet.z_mm
            }
            if not backward:
                self.imbalances.append(solution.imbalance)
                return solution
            shut |= backward

    def _solve_with(self, shut: set[int]) -> Solution:
        circuit = self.circuit
        heads = dict.fromkeys(circuit.sources, circuit.source_mm)
        shut = set(shut)
        for cavity in self.cavities:
            level = cavity.pool.level_mm(cavity.volume_mm3)
            for inlet in cavity.inlets:
                head = max(level, inlet.z_mm)
                if cavity.is_full or head >= circuit.source_mm - DRY_MM:
                    shut.add(inlet.link)
                heads[inlet.node] = head
        live = [k for k in range(len(circuit.links)) if k not in shut]
        flows = np.zeros(len(circuit.links))
        if all(inlet.link in shut for inlet in circuit.inlets):
            still = np.full(circuit.n_nodes, circuit.source_mm)
            return Solution(still, flows, 0.0)
        links = [circuit.links[k] for k in live]
        solution = solve_network(links, circuit.n_nodes, heads, self._nu)
        flows[live] = solution.flows_mm3_s
        return Solution(solution.heads_mm, flows, solution.imbalance)

    def rise(self, network: Network, index: int) -> CavityRise:
        """Return the record of one cavity."""
        cavity = self.cavities[index]
        n = min(len(self.times), len(self.flows))
        volume = np.array([row[index] for row in self.volumes[:n]])
        level = np.array([cavity.pool.level_mm(v) for v in volume])
        rows = [inlet.link for inlet in cavity.inlets]
        shares = np.array(self.flows[:n])[:, rows].reshape(n, len(rows))
        course = np.stack([np.array(self.times[:n]), level, volume, shares.sum(axis=1)], axis=1)
        return CavityRise(
            parts=tuple(network.lumps[k].body for k in cavity.lumps),
            inlets=tuple(inlet.body for inlet in cavity.inlets),
            course=course,
            shares=shares,
            is_full=cavity.is_full and cavity.has_head,
        )


def _cavities(network: Network, circuit: Circuit) -> list[_Cavity]:
    """Return the cavities that have an inlet: castings with what is joined to them."""
    graph: nx.Graph[int] = nx.Graph()
    graph.add_nodes_from(k for k, lump in enumerate(network.lumps) if lump.role in CAVITY_ROLES)
    graph.add_edges_from(
        (joint.a, joint.b) for joint in network.joints if joint.a in graph and joint.b in graph
    )
    found = []
    for group in sorted(sorted(group) for group in nx.connected_components(graph)):
        inlets = [inlet for inlet in circuit.inlets if inlet.lump in group]
        if inlets:
            fills = [network.lumps[k] for k in group if network.lumps[k].role is not Role.VENT]
            pool = Pool.of([lump.solid for lump in fills])
            low = min(inlet.z_mm for inlet in inlets)
            cap = circuit.source_mm - LAST_HEAD * max(circuit.source_mm - low, 0.0)
            top = max(
                (lump.solid.bounds[1, 2] for lump in fills if lump.role is Role.CASTING),
                default=-np.inf,
            )
            found.append(_Cavity(group, pool.below(cap), inlets, has_head=bool(top <= cap)))
    return found


def _channel_flows(
    network: Network, circuit: Circuit, run: _Run, alloy: Alloy
) -> tuple[ChannelFlow, ...]:
    flows = np.abs(np.array(run.flows))
    seconds = np.diff(run.times, append=run.times[-1])[: len(flows)]
    seconds = np.pad(seconds, (0, len(flows) - len(seconds)))
    whole = max(float(flows[0][[inlet.link for inlet in circuit.inlets]].sum()), 1e-30)
    cooled = _cooling(network, circuit, flows[0], alloy)
    result = []
    bodies = dict.fromkeys(network.lumps[node[0]].body for node in circuit.nodes)
    for body in bodies:
        rows = _rows_of(network, circuit, body)
        if not rows:
            continue
        carried = flows[:, [row for row, _, _ in rows]]
        areas = np.array([area for _, area, _ in rows])
        speeds = _held(carried, seconds) / areas
        fastest = int(np.flatnonzero(speeds >= (1.0 - 1e-6) * speeds.max())[-1])  # its opening
        speed = float(speeds[fastest])
        area = areas[fastest]
        diameter = float(np.sqrt(4.0 * area / np.pi))
        start = float(carried[0].max())
        result.append(
            ChannelFlow(
                body=body,
                flow_mm3_s=start,
                speed_m_s=speed / MM_PER_M,
                share=start / whole,
                reynolds=reynolds(
                    speed / MM_PER_M, diameter, alloy.density_liquid_kg_m3, alloy.viscosity_pa_s
                ),
                smallest_mm2=float(area),
                at_mm=rows[fastest][2],
                cooled_k=cooled.get(body, 0.0),
            )
        )
    return tuple(result)


def _held(carried: Floats, seconds: Floats) -> Floats:
    """Return (n,) the most of each column of (k, n) that lasts: k steps of so many seconds.

    The last of several castings gets the flow of all for the moment by which it is full later.
    """
    order = np.argsort(-carried, axis=0, kind="stable")
    spent = np.cumsum(seconds[order], axis=0)
    first = np.argmax(spent >= MOMENT * seconds.sum(), axis=0)
    sorted_down = np.take_along_axis(carried, order, axis=0)
    return np.asarray(sorted_down[first, np.arange(carried.shape[1])])


def _rows_of(
    network: Network, circuit: Circuit, body: str
) -> list[tuple[int, float, tuple[float, ...]]]:
    """Return (link, area, place) of every measured leg of a body, and of its inlets."""
    rows = [
        (k, pipe.area_mm2, pipe.at_mm)
        for k, pipe in enumerate(circuit.pipes)
        if pipe.leg is not None and pipe.label == body and np.isfinite(pipe.area_mm2)
    ]
    rows += [
        (inlet.link, inlet.area_mm2, inlet.joint.patch.at_mm)
        for inlet in circuit.inlets
        if inlet.body == body
    ]
    return rows


def _cooling(network: Network, circuit: Circuit, flows: Floats, alloy: Alloy) -> dict[str, float]:
    """Return the temperature the first metal has lost at the end of each body. [K]"""
    alive = np.abs(flows) > 1e-6 * np.abs(flows).max()
    graph: nx.Graph[int] = nx.Graph()
    graph.add_nodes_from(range(circuit.n_nodes))
    for k, link in enumerate(circuit.links):
        if alive[k]:
            length, diameter, area = link.pieces.T
            stay = length * area / abs(flows[k])
            lost = float(cooling_k(stay, 0.25 * diameter, alloy).sum())
            graph.add_edge(link.a, link.b, k=lost)
    reach = nx.multi_source_dijkstra_path_length(graph, set(circuit.sources), weight="k")
    cooled: dict[str, float] = {}
    for k, link in enumerate(circuit.links):
        if alive[k] and circuit.pipes[k].leg is not None:
            body = circuit.pipes[k].label
            worst = max(reach.get(link.a, 0.0), reach.get(link.b, 0.0))
            cooled[body] = max(cooled.get(body, 0.0), float(worst))
    return cooled
