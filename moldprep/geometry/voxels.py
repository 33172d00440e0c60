"""Rigging -> Grid: how much of each cube is metal, whose it is, and what the rest is."""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldprep.errors import StageError
from moldprep.geometry.lattice import Lattice
from moldprep.geometry.occupancy import Shares, shares_of
from moldprep.geometry.pitch import choose_pitch
from moldprep.records import Alloy, Grid, Job, Metal, Rigging, Role, Survey
from moldprep.records.freezing import AIR

SLIVER: Final = 0.02
"""A smaller share of metal is left out; the scale correction puts its volume back elsewhere."""

BELT_MODULI: Final = 3.0
"""Sand around the metal, in moduli of the slowest section. At depth 2.77 sqrt(alpha t) sand has
warmed by 5 % of the step (erfc 1.386); with t = C M² that is 2 M for steel, 2.5 M to 3 M for
aluminium."""


def voxelize(rigging: Rigging, metal: Metal, job: Job, survey: Survey, alloy: Alloy) -> Grid:
    """Return the metal cut into cubes, with a belt of sand around it.

    Parameters
    ----------
    rigging
        Bodies, for the label of each cell, and inserts.
    metal
        The one body whose volume the grid must hold.
    job
        `freezing.pitch_mm`, `freezing.max_cells` and `freezing.max_updates`.
    survey
        Thinnest wall, largest modulus and longest freezing time, which set pitch and belt.
    alloy
        How fast heat spreads in it, which sets how many steps the solve will take.

    Raises
    ------
    StageError
        grid/too-few-cells, where the budget cannot hold the metal at all; grid/volume, where the
        cells hold a volume that is off by over 2 %.
    """
    lattice, is_open = _lay_out(rigging, metal, job, survey, alloy)
    fraction = shares_of(metal.solid, lattice)
    fraction[fraction < SLIVER] = 0.0
    fraction = _scaled(fraction, metal.solid.volume_mm3 / lattice.pitch_mm**3)
    label = _labels(rigging, metal, lattice, fraction)
    material, materials = _materials(rigging, lattice, fraction, job.sand)
    if is_open:
        materials = (*materials, AIR)
        material[:, :, -1] = len(materials) - 1
        fraction[:, :, -1], label[:, :, -1] = 0.0, 0
    return Grid(
        label=label,
        fraction=fraction,
        material=material,
        materials=materials,
        pitch_mm=lattice.pitch_mm,
        origin_mm=lattice.origin_mm,
    )


def _scaled(fraction: Shares, wanted_cells: float) -> Shares:
    """Return the shares with those of partial cells scaled so that they sum to the volume."""
    for _ in range(8):
        partial = (fraction > 0.0) & (fraction < 1.0)
        short = wanted_cells - float(fraction.sum(dtype=np.float64))
        held = float(fraction[partial].sum(dtype=np.float64))
        if held == 0.0 or abs(short) < 1e-7 * wanted_cells:
            break
        fraction[partial] = np.minimum(fraction[partial] * np.float32(1.0 + short / held), 1.0)
    off = float(fraction.sum(dtype=np.float64)) / wanted_cells - 1.0
    if not abs(off) < 0.02:
        raise StageError(
            f"the grid holds {100.0 * off:+.1f} % more metal than the body",
            code="grid/volume",
            fix="set freezing.pitch_mm to a third of the thinnest wall",
        )
    return fraction


def _labels(
    rigging: Rigging, metal: Metal, lattice: Lattice, fraction: Shares
) -> NDArray[np.uint16]:
    """Return the part with most of each cell; where bodies overlap, the first of them."""
    label = np.zeros(lattice.shape, np.uint16)
    most = np.zeros(lattice.shape, np.float32)
    for body in rigging.metal:
        if body.solid.is_empty:
            continue
        window = lattice.window(body.solid)
        share = shares_of(body.solid, lattice.part(window))
        is_more = share > most[window] + 1e-4
        most[window][is_more] = share[is_more]
        label[window][is_more] = metal.parts.index(body.name) + 1
    label[fraction == 0.0] = 0
    return _with_strays(label, fraction)


def _with_strays(label: NDArray[np.uint16], fraction: Shares) -> NDArray[np.uint16]:
    """Give cells of the joined metal that no body claimed the label of a neighbor."""
    for _ in range(3):
        stray = (fraction > 0.0) & (label == 0)
        if not stray.any():
            break
        for axis in range(3):
            for shift in (1, -1):
                near = np.roll(label, shift, axis)
                label = np.where(stray & (label == 0), near, label)
    label[(fraction > 0.0) & (label == 0)] = 1
    return label


def _materials(
    rigging: Rigging, lattice: Lattice, fraction: Shares, sand: str
) -> tuple[NDArray[np.uint8], tuple[str, ...]]:
    """Return what the rest of each cell is: sand, or the insert that has most of it."""
    material = np.zeros(lattice.shape, np.uint8)
    names = [sand]
    for insert in rigging.inserts:
        if insert.solid.is_empty:
            continue
        if insert.material not in names:
            names.append(insert.material)
        window = lattice.window(insert.solid)
        share = shares_of(insert.solid, lattice.part(window))
        is_most = share > 0.5 * (1.0 - fraction[window])
        material[window][is_most] = names.index(insert.material)
    return material, tuple(names)


def _lay_out(
    rigging: Rigging, metal: Metal, job: Job, survey: Survey, alloy: Alloy
) -> tuple[Lattice, bool]:
    """Return the lattice, and whether metal stands open at its top."""
    low, high = metal.solid.bounds
    pouring = rigging.of_role(Role.BASIN, Role.SPRUE, Role.FEEDER, Role.VENT)
    top = max((body.solid.bounds[1, 2] for body in pouring), default=-math.inf)
    is_open = bool(top > high[2] - 1e-3)
    moduli = [section.modulus_mm for section in survey.sections]
    moduli += [b.solid.volume_mm3 / b.solid.area_mm2 for b in rigging.of_role(Role.FEEDER)]
    belt = BELT_MODULI * max(moduli, default=float(min(high - low)) / 4.0)
    below = low - belt
    above = high + belt * np.array([1.0, 1.0, 0.0 if is_open else 1.0])
    pitch = choose_pitch(above - below, metal.solid, job, survey, alloy)
    if pitch > 0.5 * float(min(high - low)):
        raise StageError(
            f"{job.freezing.max_cells} cells are too few: one cell would be {pitch:.1f} mm",
            code="grid/too-few-cells",
            where="freezing.max_cells",
            fix="allow more cells, or set freezing.pitch_mm",
        )
    lattice = Lattice.around(np.stack([below, above]), pitch)
    if not is_open:
        return lattice, False
    n_x, n_y, n_z = lattice.shape  # a cell's face lies on the top, and one layer of air above it
    origin = np.array([*lattice.origin_mm[:2], high[2] - n_z * pitch])
    return Lattice(origin, (n_x, n_y, n_z + 1), pitch), True
