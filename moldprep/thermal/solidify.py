"""Grid + alloy + sand -> Freezing: the heat solve from full mold to solid, and on to shake-out."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldprep.errors import StageError
from moldprep.records import Alloy, Freezing, Grid, Job, Metal, Role, Sand
from moldprep.records.freezing import AIR
from moldprep.thermal import kernels
from moldprep.thermal.cells import Field
from moldprep.thermal.coarser import coarser, finer
from moldprep.thermal.conduction import HeatFlow, Skin
from moldprep.thermal.materials import OUTSIDE, Medium, insert_medium, metal_medium, sand_medium
from moldprep.thermal.watch import Watch, levels, marks_c
from moldprep.units import ROOM_C

Flags = NDArray[np.bool_]

FILM_W_M2K: Final = 8.0
"""Still air on the outside of the mold (natural convection, J. P. Holman, Heat Transfer; from
memory: 5 to 10)."""

EMISSIVITY: Final = 0.8
"""Of open tops, metal under its skin of oxide and slag as well as sand (from memory)."""

MOST_STEPS: Final = 60_000
WORST_BALANCE: Final = 0.01

FEWEST_CELLS: Final = 100_000
"""Smaller grids are made no coarser: it would save nothing."""


def solidify(
    grid: Grid, alloy: Alloy, sand: Sand, job: Job, metal: Metal | None = None
) -> Freezing:
    """Return when every piece of metal freezes, from a mold that is full at once.

    Parameters
    ----------
    grid
        Metal and mold.
    alloy, sand
        Properties.
    job
        `freezing`: pouring temperature, sand temperature, contact, shake-out.
    metal
        Which of its bodies are castings: once they are solid, the rigging goes on freezing on a
        coarser grid. Without it all stays fine.

    Raises
    ------
    StageError
        freezing/never-solid, if the metal is not solid after very many steps;
        freezing/heat-balance, if heat in and heat out differ by more than 1 %.

    Notes
    -----
    Conduction only: no flow in the liquid, no gap that opens as the casting shrinks beyond the
    constant contact resistance. Gradient and cooling rate are taken as the cell falls through a
    tenth of the freezing range above the solidus (at the solidus where the alloy ends in a
    eutectic), as E. Niyama et al., AFS Int. Cast Met. J. 7 (1982) 52-63, and K. D. Carlson,
    C. Beckermann, Metall. Mater. Trans. A 40 (2009) 163-175, do (from memory).
    """
    flow = _start(grid, media_of(grid, alloy, sand, job))
    kept = None if metal is None else _is_casting(grid, metal)
    found, end = _frozen(flow, kept)
    shake_out_s = float("nan")
    if job.freezing.shake_out:
        shake_out_s, end = _shake_out(end, alloy)
    return _record(grid, found, end, shake_out_s)


def pour_temperature_c(alloy: Alloy, job: Job) -> float:
    """Return the temperature of the metal when the mold is full. [°C]

    Where the job does not say, the low end of the pouring window: the window is for the ladle, and
    the metal loses some tens of degrees on its way.
    """
    given = job.freezing.pour_c
    return alloy.pour_low_c if given == "auto" else given


def media_of(grid: Grid, alloy: Alloy, sand: Sand, job: Job) -> tuple[Medium, ...]:
    """Return metal, sand, and the inserts of the grid in the order of its materials."""
    keys = job.freezing
    contact = alloy.contact_m2k_w if keys.contact_m2k_w == "auto" else keys.contact_m2k_w
    inserts = [name for name in grid.materials[1:] if name != AIR]
    return (
        metal_medium(alloy, pour_temperature_c(alloy, job)),
        sand_medium(sand, keys.sand_c, contact),
        *(insert_medium(name, keys.sand_c, contact) for name in inserts),
    )


def _start(grid: Grid, media: tuple[Medium, ...]) -> HeatFlow:
    rest = np.empty(len(grid.materials), np.uint8)
    rest[0], count = 1, 1
    for k, name in enumerate(grid.materials[1:], start=1):
        if name == AIR:
            rest[k] = OUTSIDE
        else:
            count += 1
            rest[k] = count
    skin = Skin(
        outside_c=(ROOM_C,) * 6,
        film_w_m2k=(FILM_W_M2K,) * 6,
        emissivity=(0.0,) * 5 + (EMISSIVITY,),
    )
    return HeatFlow(grid.fraction, rest[grid.material], media, grid.pitch_mm, skin)


def _is_casting(grid: Grid, metal: Metal) -> Flags:
    numbers = [k for k, role in enumerate(metal.roles, start=1) if role is Role.CASTING]
    return np.isin(grid.label, numbers)


def _frozen(flow: HeatFlow, kept: Flags | None) -> tuple[Field, HeatFlow]:
    """Return (4, nx, ny, nz) what `Watch.on_grid` gives when all is solid, and the flow by then.

    Once the cells `kept` are solid, the rest goes on on a coarser grid.
    """
    watch = Watch(flow)
    fine = watch.among(kept) if kept is not None and flow.rest.size > FEWEST_CELLS else None
    while watch.n_up > 0:
        if flow.n_steps > MOST_STEPS:
            raise StageError(
                f"metal is still liquid after {flow.time_s:.0f} s and {flow.n_steps} steps",
                code="freezing/never-solid",
                fix="look for metal wrapped in insulation, or set a coarser freezing.pitch_mm",
            )
        watch.note(flow.step())
        if fine is not None and watch.are_past(fine):
            later, end = _frozen(coarser(flow), None)
            found = watch.on_grid()
            return np.where(found == kernels.UP, finer(later, flow.rest), found), end
    return watch.on_grid(), flow


def _shake_out(flow: HeatFlow, alloy: Alloy) -> tuple[float, HeatFlow]:
    """Return when the hottest metal is below the alloy's knock-out temperature [s], and the flow.

    On a coarser grid: by then the heat has gone so deep that all is even over many cells.
    """
    while flow.rest.size > FEWEST_CELLS:
        flow = coarser(flow)
    share = flow.cells.metal
    spots = np.flatnonzero(share > 0.5 * share.max()).astype(np.int32)
    cold = flow.level(spots, levels(flow.tables, (alloy.knock_out_c,))[0])
    left, step_s = float(np.max(flow.heat_j_mm3.ravel()[spots] - cold)), 0.0
    before = left
    while left > 0.0:
        if flow.n_steps > MOST_STEPS:
            return float("nan"), flow
        before, step_s = left, flow.step()
        left = float(np.max(flow.heat_j_mm3.ravel()[spots] - cold))
    return flow.time_s + step_s * left / max(before - left, 1e-30), flow


def _record(grid: Grid, found: Field, end: HeatFlow, shake_out_s: float) -> Freezing:
    hot_c, _, cold_c = marks_c(end.media[0])
    hot_s, time_s, cold_s, gradient = (values.copy() for values in found)
    cooling = np.asarray((hot_c - cold_c) / np.maximum(cold_s - hot_s, 1e-3), np.float32)
    for values in (time_s, gradient, cooling):
        values[grid.label == 0] = np.nan
    return Freezing(
        time_s=time_s,
        gradient_k_mm=gradient,
        cooling_k_s=cooling,
        niyama=(gradient / np.sqrt(cooling)).astype(np.float32),
        pitch_mm=grid.pitch_mm,
        n_cells=int(time_s.size),
        n_steps=end.n_sweeps,
        heat_balance_error=_balance(end),
        time_all_solid_s=float(np.nanmax(time_s)),
        shake_out_s=shake_out_s,
    )


def _balance(flow: HeatFlow) -> float:
    """Return |heat in - heat out| / heat in: what the cells and the outside hold, to the start."""
    error: float = abs(flow.heat_j() - flow.heat_at_start_j) / flow.heat_at_start_j
    if not error < WORST_BALANCE:
        raise StageError(
            f"heat in and heat out differ by {100.0 * error:.2f} %",
            code="freezing/heat-balance",
            fix="set a finer freezing.pitch_mm; if it stays, this is a fault in moldprep",
        )
    return error
