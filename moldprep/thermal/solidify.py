"""Grid + alloy + sand -> Freezing: the heat solve from full mold to solid, and on to shake-out."""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from moldprep.errors import StageError
from moldprep.records import Alloy, Freezing, Grid, Job, Sand
from moldprep.records.freezing import AIR
from moldprep.thermal import kernels
from moldprep.thermal.conduction import HeatFlow, Skin
from moldprep.thermal.materials import (
    OUTSIDE,
    Medium,
    Tables,
    insert_medium,
    metal_medium,
    sand_medium,
)

FILM_W_M2K: Final = 8.0
"""Still air on the outside of the mold (natural convection, J. P. Holman, Heat Transfer; from
memory: 5 to 10)."""

EMISSIVITY: Final = 0.8
"""Of open tops, metal under its skin of oxide and slag as well as sand (from memory)."""

AMBIENT_C: Final = 25.0
MOST_STEPS: Final = 60_000
WORST_BALANCE: Final = 0.01


def solidify(grid: Grid, alloy: Alloy, sand: Sand, job: Job) -> Freezing:
    """Return when every piece of metal freezes, from a mold that is full at once.

    Parameters
    ----------
    grid
        Metal and mold.
    alloy, sand
        Properties.
    job
        `freezing`: pouring temperature, sand temperature, contact, shake-out.

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
    media = media_of(grid, alloy, sand, job)
    flow = _start(grid, media)
    watch = _Watch(flow, alloy, media)
    while watch.n_up > 0:
        if flow.n_steps > MOST_STEPS:
            raise StageError(
                f"metal is still liquid after {flow.time_s:.0f} s and {flow.n_steps} steps",
                code="freezing/never-solid",
                fix="look for metal wrapped in insulation, or set a coarser freezing.pitch_mm",
            )
        watch.note(flow.step())
    n_steps = flow.n_sweeps
    shake_out_s = _shake_out(flow, grid, alloy) if job.freezing.shake_out else float("nan")
    return _record(grid, flow, watch, n_steps, shake_out_s)


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
        outside_c=(AMBIENT_C,) * 6,
        film_w_m2k=(FILM_W_M2K,) * 6,
        emissivity=(0.0,) * 5 + (EMISSIVITY,),
    )
    return HeatFlow(grid.fraction, rest[grid.material], media, grid.pitch_mm, skin)


class Watched(NamedTuple):
    """What is kept of each cell with metal.

    spots    : (n,) place in the flat grid
    last     : (n,) enthalpy a step ago
    high     : (n,) enthalpy of the cell at the first mark; above it there is nothing to note
    low      : (n,) likewise at the last mark
    crossed  : (n, 3) time of the last fall through each mark; UP while above [s]
    gradient : (n,) temperature gradient at the last fall through the first mark [K/mm]
    """

    spots: NDArray[np.int32]
    last: NDArray[np.float32]
    high: NDArray[np.float32]
    low: NDArray[np.float32]
    crossed: NDArray[np.float32]
    gradient: NDArray[np.float32]


class _Watch:
    """Notes when each cell with metal falls through three temperatures near the end of freezing.

    The first is where gradient and cooling rate are taken, the second the solidus, the third a
    little lower, to have a span for the rate.
    """

    def __init__(self, flow: HeatFlow, alloy: Alloy, media: tuple[Medium, ...]) -> None:
        metal = media[0]
        solidus = metal.melt[0][0]
        tenth = 0.1 * (metal.melt[-1][0] - solidus)
        ends_flat = metal.melt[1][0] == solidus and metal.melt[1][1] > 0.05
        hot = solidus if ends_flat else solidus + tenth
        self.span_k = max(tenth, 2.0)
        marks = (hot, solidus, min(hot - self.span_k, solidus))  # in floats as well
        self._levels = np.ascontiguousarray(_levels(flow.tables, marks))
        self._flow = flow
        cells, heat = flow.cells, flow.heat_j_mm3
        spots = np.flatnonzero((cells.metal > 0.0) & (cells.rest != OUTSIDE)).astype(np.int32)
        high, _, low = (flow.level(spots, level) for level in self._levels)
        self.seen = Watched(
            spots=spots,
            last=heat.ravel()[spots],
            high=high,
            low=low,
            crossed=np.full((len(spots), 3), kernels.UP, np.float32),
            gradient=np.zeros(len(spots), np.float32),
        )
        self.n_up = self.note(0.0)

    def note(self, step_s: float) -> int:
        """Look at every cell after a step; return how many have not passed the last mark."""
        flow = self._flow
        self.n_up = int(
            kernels.mark(
                flow.heat_j_mm3, self.seen, self._levels, flow.cells, flow.tables, flow.time_s,
                step_s, np.float32(flow.pitch_mm),
            )
        )  # fmt: skip
        return self.n_up


def _levels(tables: Tables, at_c: tuple[float, ...]) -> NDArray[np.float32]:
    """Return (n, m) enthalpy of each medium at n marks; before the metal's jump, if any."""
    at = np.asarray(at_c, np.float32)
    above = np.clip(np.searchsorted(tables.knot_c, at, "left"), 1, len(tables.knot_c) - 1)
    low, high = tables.knot_c[above - 1], tables.knot_c[above]
    share = (at - low) / (high - low)
    heat = tables.heat
    return np.asarray((heat[:, above - 1] * (1.0 - share) + heat[:, above] * share).T, np.float32)


def _shake_out(flow: HeatFlow, grid: Grid, alloy: Alloy) -> float:
    """Return when the hottest metal is below the alloy's knock-out temperature. [s]"""
    inner = np.pad(grid.fraction > 0.5, 2) & (flow.cells.rest != OUTSIDE)
    spots = np.flatnonzero(inner).astype(np.int32)
    cold = flow.level(spots, _levels(flow.tables, (alloy.knock_out_c,))[0])
    while flow.n_steps < MOST_STEPS:
        if (flow.heat_j_mm3.ravel()[spots] <= cold).all():
            return flow.time_s
        for _ in range(10):
            flow.step()
    return float("nan")


def _record(
    grid: Grid, flow: HeatFlow, watch: _Watch, n_steps: int, shake_out_s: float
) -> Freezing:
    time_s, gradient, cooling = (np.full(flow.cells.metal.shape, np.nan, np.float32) for _ in "tgc")
    time_s.ravel()[watch.seen.spots] = watch.seen.crossed[:, 1]
    gradient.ravel()[watch.seen.spots] = watch.seen.gradient
    span_s = np.maximum(watch.seen.crossed[:, 2] - watch.seen.crossed[:, 0], 1e-3)
    cooling.ravel()[watch.seen.spots] = watch.span_k / span_s
    inner = (slice(2, -2),) * 3
    time_s, gradient, cooling = (a[inner].copy() for a in (time_s, gradient, cooling))
    for values in (time_s, gradient, cooling):
        values[grid.label == 0] = np.nan
    return Freezing(
        time_s=time_s,
        gradient_k_mm=gradient,
        cooling_k_s=cooling,
        niyama=(gradient / np.sqrt(cooling)).astype(np.float32),
        pitch_mm=grid.pitch_mm,
        n_cells=int(time_s.size),
        n_steps=n_steps,
        heat_balance_error=_balance(flow),
        time_all_solid_s=float(np.nanmax(time_s)),
        shake_out_s=shake_out_s,
    )


def _balance(flow: HeatFlow) -> float:
    """Return |heat in - heat out| / heat in: what the cells and the outside hold, to the start."""
    error = abs(flow.heat_j() - flow.heat_at_start_j) / flow.heat_at_start_j
    if not error < WORST_BALANCE:
        raise StageError(
            f"heat in and heat out differ by {100.0 * error:.2f} %",
            code="freezing/heat-balance",
            fix="set a finer freezing.pitch_mm; if it stays, this is a fault in moldprep",
        )
    return error
