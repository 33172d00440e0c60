"""A trial pour of channels that are only planned: the network of their bodies, solved."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from moldprep.geometry.shapes import turned_box
from moldprep.geometry.solid import Solid
from moldprep.records import Alloy, FeederPlan, IngatePlan, Pattern, Placement, RiggingPlan
from moldprep.rigging.build import build_rigging
from moldprep.rigging.gates.sizing import Sizes
from moldprep.rigging.layout import Layout
from moldprep.rigging.stream.circuit import build_circuit
from moldprep.rigging.stream.hydraulics import solve_network
from moldprep.rigging.stream.network import build_network
from moldprep.rigging.stream.pool import Pool
from moldprep.rigging.stream.pouring import LAST_HEAD
from moldprep.units import MM2_PER_M2

TIME_OFF: Final = 0.02
"""The choke is taken anew where the channels pass so much more or less than it was drawn for."""

TRIALS: Final = 3
"""Trial pours at most; the last is not followed where it comes out worse than one before."""

TRIALS_OF_MANY: Final = 6
"""The same where several branches are to be made alike besides."""

UNEVEN: Final = 0.03
"""Runners are drawn anew where a branch fills its castings so much off the mean. [-]"""

MOST_RESIZED: Final = 1.6
"""A choke that would change by more than this factor is left to the checks."""

STAND_IN_MM: Final = 40.0
"""Depth of the blocks that stand for the casting behind each gate. [mm]"""


def trial_pour(
    layout: Layout,
    feeders: Sequence[FeederPlan],
    sizes: Sizes,
    top_mm: float,
    pattern: Pattern,
    alloy: Alloy,
) -> tuple[float, dict[str, float]]:
    """Return how long planned channels take to fill their castings, and the first flow of gates.

    The network is solved for the first metal, into a block behind each gate, so that the casting's
    facets cost no time; later the flow goes with the root of the head that the level leaves.

    Parameters
    ----------
    layout
        The channels.
    feeders
        Those of one casting, filled with it.
    sizes
        The areas the channels were laid out for.
    top_mm
        Level of the metal in the basin. [mm]
    pattern
        One casting.
    alloy
        Density, viscosity.

    Returns
    -------
    tuple
        Time, NaN where nothing flows [s]; flow of each ingate by name [mm³/s].

    Notes
    -----
    Bernoulli with losses, quasi-steady; losses are taken to go with the square of the flow.

    References
    ----------
    R. B. Bird, W. E. Stewart, E. N. Lightfoot, Transport Phenomena, 2nd ed., section 7.5.
    """
    flows, gate_mm, source_mm = _first_flow(layout, sizes, top_mm, pattern, alloy)
    passed_mm3_s = sum(flows.values())
    if not passed_mm3_s > 0.0:
        return float("nan"), flows
    columns = [
        Solid.cone(0.5 * f.diameter_mm, 0.5 * f.diameter_mm, f.height_mm).moved((0, 0, f.at_mm[2]))
        for f in feeders
    ]
    whole = source_mm - gate_mm
    pool = Pool.of([pattern.solid, *columns]).below(source_mm - LAST_HEAD * whole)
    level = 0.5 * (pool.z_mm[1:] + pool.z_mm[:-1])
    slower = np.sqrt((source_mm - np.maximum(level, gate_mm)) / whole)
    volume = len(layout.placements) * np.diff(pool.volume_mm3)
    return float((volume / (passed_mm3_s * slower)).sum()), flows


def _first_flow(
    layout: Layout, sizes: Sizes, top_mm: float, pattern: Pattern, alloy: Alloy
) -> tuple[dict[str, float], float, float]:
    """Return (flow of each gate while all lie above the metal, their height, the basin's level)."""
    blocks = Solid.union(_block(gate) for gate in layout.ingates)
    bare = np.zeros(blocks.n_triangles, bool)
    alone = replace(
        pattern, solid=blocks, extra=(), is_machined=bare, is_kept_clear=bare.copy(),
    )  # fmt: skip
    plan = RiggingPlan(
        placements=(Placement(name="casting"),), pour_time_s=sizes.pour_time_s,
        choke_mm2=sizes.choke_mm2, ratio=(1.0, 1.0, 1.0), top_mm=top_mm, basin=layout.basin,
        sprue=layout.sprue, well=layout.well, runners=layout.runners,
        ingates=tuple(replace(gate, into="casting") for gate in layout.ingates),
        filters=layout.filters, feeders=(), chills=(), vents=(), reasons=(),
    )  # fmt: skip
    circuit = build_circuit(build_network(build_rigging(plan, alone)), plan, alloy)
    if not circuit.inlets:
        return {}, 0.0, top_mm
    heads = dict.fromkeys(circuit.sources, circuit.source_mm)
    heads |= {inlet.node: inlet.z_mm for inlet in circuit.inlets}
    nu_mm2_s = alloy.viscosity_pa_s / alloy.density_liquid_kg_m3 * MM2_PER_M2
    flows = solve_network(circuit.links, circuit.n_nodes, heads, nu_mm2_s).flows_mm3_s
    passed: dict[str, float] = {}
    for inlet in circuit.inlets:
        passed[inlet.body] = passed.get(inlet.body, 0.0) + float(flows[inlet.link])
    return passed, float(np.mean([inlet.z_mm for inlet in circuit.inlets])), circuit.source_mm


def _block(gate: IngatePlan) -> Solid:
    """Return a block in front of a gate's last point."""
    end, before = np.array(gate.path_mm[-1]), np.array(gate.path_mm[-2])
    along = (end - before) / np.linalg.norm(end - before)
    middle = end + (0.5 * STAND_IN_MM - 1.0) * along + (0.0, 0.0, 0.5 * gate.height_mm)
    size = (STAND_IN_MM, 2.0 * gate.width_mm, 4.0 * gate.height_mm)
    return turned_box(middle, size, float(np.degrees(np.arctan2(along[1], along[0]))))
