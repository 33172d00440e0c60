"""Gates of a plan read back as the sides they were laid out for: places kept, widths anew."""

import math
from collections.abc import Sequence

import numpy as np

from moldprep.geometry.solid import Floats
from moldprep.records import FeederPlan, IngatePlan, Placement, RiggingPlan
from moldprep.rigging.gates.copies import point_placed
from moldprep.rigging.gates.gate_walls import Approach
from moldprep.rigging.gates.rows import RowSide
from moldprep.rigging.gates.sides import Gate, Side
from moldprep.tolerances import OVERLAP_MM


def settled_side(
    plan: RiggingPlan, wider: float, sand_mm: float, *, in_row: bool
) -> Side | RowSide | None:
    """Return how the castings of an automatic plan are gated, or None where copies differ.

    Parameters
    ----------
    plan
        Gates, copy by copy, each straight and from one side.
    wider
        Width of the gates over what it is in the plan.
    sand_mm
        Sand beside gates where they join the casting. [mm]
    in_row
        Whether the castings lie where the job places them.
    """
    each = len(plan.ingates) // len(plan.placements)
    if each == 0 or len(plan.ingates) % len(plan.placements):
        return None
    groups = [plan.ingates[k : k + each] for k in range(0, len(plan.ingates), each)]
    if not in_row:
        flattest = tuple(_flattest(same) for same in zip(*groups, strict=True))
        return _side(flattest, plan, plan.placements[0], wider, sand_mm)
    sides = {_owner(group[0], plan).name: group for group in groups}
    if set(sides) != {place.name for place in plan.placements}:
        return None
    own = tuple(_side(sides[p.name], plan, p, wider, sand_mm) for p in plan.placements)
    start, end = (np.array(point[:2]) for point in plan.runners[0].path_mm[:2])
    along_deg = math.degrees(math.atan2(*(end - start)[::-1])) % 180.0
    across = np.array([-math.sin(math.radians(along_deg)), math.cos(math.radians(along_deg))])
    ways = [np.array(sides[p.name][0].path_mm)[[0, -1], :2] @ across for p in plan.placements]
    beyond = tuple(bool(leads_to > leaves) for leaves, leads_to in ways)
    return RowSide(
        **vars(own[0]), along_deg=round(along_deg, 3), each=own, is_turned=beyond,
        lane=_lanes([leaves for leaves, _ in ways], plan, across),
    )  # fmt: skip


def _lanes(leaves: Sequence[float], plan: RiggingPlan, across: Floats) -> tuple[int, ...]:
    """Return the number of the runner each casting's gates leave, from low to high across.

    Runners that lie along the first one are lanes; one lane has no number.
    """
    paths = [np.array(runner.path_mm)[[0, -1], :2] @ across for runner in plan.runners]
    level = np.unique(np.round([p[0] for p in paths if abs(p[1] - p[0]) < 1.0], 1))
    near = [int(np.argmin(np.abs(level - at))) for at in leaves]
    order = sorted(set(near))
    return tuple(order.index(k) for k in near) if len(order) > 1 else ()


def joint_mm(gate: IngatePlan) -> float:
    """Return the height of the joint between a gate and its runner. [mm]"""
    z = gate.path_mm[-1][2]
    return z if gate.side_deg > 0.0 else z + gate.height_mm


def inverse(place: Placement) -> Placement:
    """Return the placement that leads back to the pattern's own frame."""
    back = Placement(name="casting", turn_deg=-place.turn_deg)
    x, y, z = point_placed(place.move_mm, back)
    return Placement(name="casting", turn_deg=-place.turn_deg, move_mm=(-x, -y, -z))


def _flattest(gates: Sequence[IngatePlan]) -> IngatePlan:
    """Return the first copy's gate with the section of the flattest: that one kept metal hot."""
    flat = min(gates, key=lambda gate: gate.height_mm)
    first = gates[0]
    if flat.height_mm == first.height_mm:
        return first
    rise = first.height_mm - flat.height_mm if first.side_deg < 0.0 else 0.0
    return IngatePlan(
        name=first.name, path_mm=tuple((x, y, z + rise) for x, y, z in first.path_mm),
        width_mm=flat.width_mm, height_mm=flat.height_mm, into=first.into,
        side_deg=first.side_deg, notch_mm=flat.notch_mm,
    )  # fmt: skip


def _owner(gate: IngatePlan, plan: RiggingPlan) -> Placement:
    """Return the copy a gate leads to, straight or through its feeder."""
    into = next((f.into for f in plan.feeders if f.name == gate.into), gate.into)
    return next((p for p in plan.placements if p.name == into), plan.placements[0])


def _side(
    gates: Sequence[IngatePlan], plan: RiggingPlan, place: Placement, wider: float, sand_mm: float
) -> Side:
    """Return the side of one casting, in its own frame."""
    back = inverse(place)
    first, above = gates[0], gates[0].side_deg > 0.0
    start, end = (np.array(point_placed(first.path_mm[k], back)) for k in (0, -1))
    outward = math.degrees(math.atan2(start[1] - end[1], start[0] - end[0]))
    way = Approach(
        out_deg=round(outward, 2) % 360.0,
        level_mm=joint_mm(first) - place.move_mm[2],
        gates_above=above,
        runner_mm=plan.runners[-1].height_mm,
        thinness=1.0,
        sand_mm=sand_mm,
        least_mm=0.0,
    )
    feeders = {feeder.name: feeder for feeder in plan.feeders}
    return Side(
        way=way,
        gates=tuple(_gate(gate, way, back, feeders.get(gate.into), wider) for gate in gates),
        wall_mm=math.inf, hidden_mm=0.0, score=0.0,
    )  # fmt: skip


def _gate(
    gate: IngatePlan, way: Approach, back: Placement, feeder: FeederPlan | None, wider: float
) -> Gate:
    """Return one gate; one into a feeder follows that one's cylinder, which may have changed."""
    end = np.array(point_placed(gate.path_mm[-1], back)[:2])
    width = max(wider * gate.width_mm, min(gate.height_mm, gate.width_mm))
    wall = float(end @ way.out) + OVERLAP_MM
    if feeder is not None:
        at = np.array(point_placed(feeder.at_mm, back)[:2])
        radius = 0.5 * feeder.diameter_mm
        wall = float(at @ way.out) + math.sqrt(max(radius**2 - (0.5 * width) ** 2, 0.0))
    return Gate(
        along_mm=float(end @ way.along), wall_mm=wall, width_mm=width, height_mm=gate.height_mm,
        notch_mm=gate.notch_mm, into="casting" if feeder is None else gate.into,
    )  # fmt: skip
