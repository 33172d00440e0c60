"""Facts per piece and per assembly: mass, thin and loose sand, lift, gas, order of assembly."""

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from moldprep.geometry.lattice import Lattice
from moldprep.geometry.occupancy import occupied
from moldprep.geometry.rays import Rays
from moldprep.geometry.sampling import facet_areas
from moldprep.geometry.solid import Floats, Solid
from moldprep.mold.assembly import find_order, glued, lying_before
from moldprep.mold.bearing import find_bearing, least_pressure_mpa
from moldprep.mold.bolts import worst_bend
from moldprep.mold.coating import find_hidden
from moldprep.mold.dusting import find_loose_sand
from moldprep.mold.gas import drain_pressure_pa, gas_ml, gas_pressure_pa
from moldprep.mold.inserts import insert_facts
from moldprep.mold.joints import head_kept_out_mm, is_sealed
from moldprep.mold.lift import find_stacks
from moldprep.mold.mating import find_gaps
from moldprep.mold.panels import find_weakest_panel
from moldprep.mold.pressure import Wetted, find_wetted, force_n, up_center_mm
from moldprep.mold.strength import find_thinnest, find_weakest_finger, weight_n_m3
from moldprep.records import (
    Alloy,
    CoreFacts,
    Handling,
    Job,
    Metal,
    Mold,
    Piece,
    PieceFacts,
    Rules,
    Sand,
)
from moldprep.units import G_M_S2, diffusivity_mm2_s, mass_kg, pressure_pa

SMALLEST_PITCH_MM: Final = 2.0
MOST_CUBES: Final = 1_500_000
"""Grid of the loose-sand and finger search: fine enough for a 12 mm tool, a second a piece."""

DEFAULT_FACTOR: Final = 1.5
"""Cope and weights over lift where the rule set names none."""


def measure_pieces(
    mold: Mold, metal: Metal, alloy: Alloy, sand: Sand, job: Job, rules: Rules
) -> Handling:
    """Return the facts that handling, assembling and pouring the mold depend on.

    Notes
    -----
    Pressures are static, from the top of the highest metal (the basin) at the density of the
    liquid: the state when the mold has just filled.
    """
    level = float(metal.solid.bounds[1, 2])
    wetted = find_wetted(metal.solid, mold.pieces, mold.joints_mm, mold.inserts)
    wholes, steps = glued(mold.pieces), find_order(mold.pieces)
    cores = tuple(
        _core_facts(mold, index, wetted, lying_before(piece, wholes, steps), level, alloy, sand)
        for index, piece in enumerate(mold.pieces)
        if piece.role == "core"
    )
    density = alloy.density_liquid_kg_m3
    inserts = insert_facts(mold.inserts, wholes, steps)
    factor = rules.settings.get("cope_weight_factor", DEFAULT_FACTOR)
    stacks = find_stacks(mold, wholes, wetted, cores, inserts, level, density, sand.density_kg_m3)
    worst = max(stacks, key=lambda stack: stack.wants_kg(factor))
    sand_kg = sum(mass_kg(piece.solid.volume_mm3, sand.density_kg_m3) for piece in mold.pieces)
    gap = max(job.mold.clearance_mm, job.cores.clearance_mm)
    weight_kg = max(worst.wants_kg(factor), 0.0)
    bend, bolt = worst_bend(mold.pieces, mold.clearances, weight_kg * G_M_S2)
    marks = tuple(solid.bounds for name, solid in mold.clearances if name.endswith("mark"))
    return Handling(
        pieces=tuple(
            _piece_facts(mold, index, wetted.of(index), marks, level, alloy, sand)
            for index in range(len(mold.pieces))
        ),
        cores=cores,
        steps=steps,
        inserts=inserts,
        gaps=find_gaps(mold.pieces),
        level_mm=level,
        cope_lift_n=worst.lift_n,
        cope_kg=worst.mass_kg,
        lifted=worst.names,
        weight_factor=factor,
        weight_kg=weight_kg,
        bolt_bend_mpa=bend,
        bolt_at_mm=_place(bolt),
        sand_kg=sand_kg,
        sand_to_metal=sand_kg / metal.mass_kg,
        joint_head_mm=max(level - min(mold.joints_mm), 0.0),
        joint_holds_mm=head_kept_out_mm(gap, alloy.surface_tension_n_m, density),
        joint_is_sealed=all(
            is_sealed(metal.solid, mold.clearances, height) for height in mold.joints_mm
        ),
    )


def _piece_facts(
    mold: Mold,
    index: int,
    wetted: Floats,
    marks: tuple[Floats, ...],
    level: float,
    alloy: Alloy,
    sand: Sand,
) -> PieceFacts:
    piece, density = mold.pieces[index], alloy.density_liquid_kg_m3
    solid = piece.solid
    size = np.prod(solid.size_mm)
    lattice = Lattice.from_corner(
        solid.bounds, max(SMALLEST_PITCH_MM, float(size / MOST_CUBES) ** (1.0 / 3.0)), belt=2
    )
    cubes = occupied(solid, lattice)
    weight = weight_n_m3(sand.density_kg_m3)
    float_up = weight_n_m3(alloy.density_liquid_kg_m3) - weight
    thin = find_thinnest(solid, marks)
    finger = find_weakest_finger(cubes, lattice, max(weight, float_up))
    loose = find_loose_sand(cubes, lattice, sand.smallest_opening_mm)
    hidden_mm2, hidden_at = find_hidden(solid, wetted)
    leans_on = [one.solid for one in mold.pieces if one is not piece]
    leans_on += [insert.solid for insert in mold.inserts]
    panel = find_weakest_panel(
        solid,
        wetted,
        [Rays.of(body) for body in (mold.metal, *leans_on) if not body.is_empty],
        level,
        density,
        has_bed=piece.role == "drag",
    )
    deepest = float(wetted[:, :, 2].min()) if len(wetted) else level
    return PieceFacts(
        name=piece.name,
        role=piece.role,
        mass_kg=mass_kg(solid.volume_mm3, sand.density_kg_m3),
        size_mm=_place(solid.size_mm),
        center_of_mass_mm=_place(solid.centroid_mm),
        thinnest_mm=thin.thickness_mm,
        thinnest_at_mm=thin.at_mm,
        slenderness=finger.slenderness if finger else 0.0,
        bend_stress_mpa=finger.stress_mpa if finger else 0.0,
        bend_at_mm=finger.at_mm if finger else thin.at_mm,
        pressure_pa=pressure_pa(max(level - deepest, 0.0), density),
        metal_n=_place(force_n(wetted, level, density)),
        wall_mm=panel.thickness_mm if panel else 0.0,
        wall_span_mm=panel.span_mm if panel else 0.0,
        wall_stress_mpa=panel.stress_mpa if panel else 0.0,
        wall_at_mm=panel.at_mm if panel else _place(solid.centroid_mm),
        loose_sand_mm3=loose.volume_mm3,
        loose_at_mm=loose.at_mm,
        hidden_mm2=hidden_mm2,
        hidden_at_mm=_place(hidden_at),
    )


def _core_facts(
    mold: Mold,
    index: int,
    wetted: Wetted,
    lying: tuple[Piece, ...],
    level: float,
    alloy: Alloy,
    sand: Sand,
) -> CoreFacts:
    piece, triangles = mold.pieces[index], wetted.of(index)
    density = alloy.density_liquid_kg_m3
    weight = mass_kg(piece.solid.volume_mm3, sand.density_kg_m3) * G_M_S2
    up = float(force_n(triangles, level, density)[2])
    lift, middle = up - weight, piece.solid.centroid_mm
    seats = [body for name, body in mold.prints if name.startswith(f"{piece.name} print")]
    others = [one.solid for one in mold.pieces if one.name != piece.name]
    is_ours = any(one.role != "core" for one in mold.pieces)
    around = find_bearing(piece.solid, others if is_ours else (), () if is_ours else seats)
    under = find_bearing(piece.solid, [one.solid for one in lying]) if is_ours else around
    under = under.only_under()
    lift_at = (up * up_center_mm(triangles, level, density) - weight * middle[:2]) / (lift or 1.0)
    top = triangles[:, :, 2].max() if len(triangles) else float(piece.solid.bounds[1, 2])
    vents = [body for name, body in mold.clearances if name.startswith(f"{piece.name} vent ")]
    gas, pressure, vented = _gas(piece.solid, triangles, vents, sand)
    return CoreFacts(
        name=piece.name,
        weight_n=weight,
        lift_n=lift,
        bearing_mm2=around.area_of(-1.0 if lift > 0.0 else 1.0),
        bearing_mpa=least_pressure_mpa(around, lift, lift_at),
        rest_mm2=under.area_of(1.0),
        rest_mpa=least_pressure_mpa(under, -weight, middle),
        overhang_mm=under.overhang_mm(middle),
        gas_ml=gas,
        gas_pressure_pa=pressure,
        vented_mm=vented,
        metal_pressure_pa=pressure_pa(max(level - float(top), 0.0), density),
        at_mm=_place(middle),
    )


def _gas(
    core: Solid, triangles: Floats, vents: Sequence[Solid], sand: Sand
) -> tuple[float, float, float]:
    """Return (gas [mL], pressure [Pa], vents inside [mm]) of the part of a core that metal heats.

    Along its vents gas flows to them; of the rest it flows to where they begin, or out by the
    prints.
    """
    if len(triangles) == 0:
        return 0.0, 0.0, 0.0
    corners = triangles.reshape(-1, 3)
    hot = Solid.box(corners.min(axis=0), corners.max(axis=0))
    heated, prints = core.split(hot)
    mouth_mm2 = 0.5 * (heated.area_mm2 + prints.area_mm2 - core.area_mm2)
    gas = gas_ml(mass_kg(heated.volume_mm3, sand.density_kg_m3), sand.binder.gas_ml_g)
    half_mm = heated.volume_mm3 / float(facet_areas(triangles).sum())
    burn_s = half_mm**2 / diffusivity_mm2_s(
        sand.conductivity_w_mk[-1][1], sand.density_kg_m3, sand.heat_j_kgk[-1][1]
    )
    path_mm, inside = 0.5 * float(core.size_mm.max()), [vent & hot for vent in vents]
    drains = [
        (float(np.linalg.norm(one.size_mm)), one.volume_mm3) for one in inside if not one.is_empty
    ]
    length_mm = sum(length for length, _ in drains)
    left = max(1.0 - 0.5 * length_mm / path_mm, 0.0)
    pressure = 0.0
    if left > 0.0:
        if mouth_mm2 <= 0.0:
            return gas, float("inf"), length_mm
        pressure = gas_pressure_pa(
            left * gas, burn_s, left * path_mm, mouth_mm2, sand.permeability_m2
        )
    if length_mm > 0.0:
        radius_mm = math.sqrt(sum(volume for _, volume in drains) / (math.pi * length_mm))
        pressure += drain_pressure_pa(
            gas, burn_s, length_mm, radius_mm, 2.0 * half_mm, sand.permeability_m2
        )
    return gas, pressure, length_mm


def _place(point: Floats) -> tuple[float, float, float]:
    return (float(point[0]), float(point[1]), float(point[2]))
