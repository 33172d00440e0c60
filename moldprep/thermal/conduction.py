"""Transient heat with latent heat on a grid of cubes: explicit finite volumes, enthalpy form.

The state of a cell is its enthalpy, so heat is conserved to rounding whatever the properties do;
the temperature follows from it by the curve of the cell's own mixture of metal and mold. Heat
spreads ten to two hundred times as fast in metal (and chills) as in sand, so the two go on by
themselves: in a step as long as the sand bears, the sand takes one plain explicit step, and all the
rest takes s stages of the Runge-Kutta-Legendre family, stable for (s² + s) / 2 times its own plain
step. What leaves one side over the step is what the other side gets. Rows of cells that the heat
has not reached are left out.

References
----------
C. D. Meyer, D. S. Balsara, T. D. Aslam, J. Comput. Phys. 257 (2014) 594-626 (RKL1; from memory).
V. Alexiades, A. D. Solomon, Mathematical Modeling of Melting and Freezing Processes, Hemisphere
1993, ch. 4 (explicit enthalpy form; from memory).
"""

from dataclasses import dataclass
from typing import Final

import numba
import numpy as np
from numpy.typing import NDArray

from moldprep.arrays import Floats
from moldprep.thermal import contacts, kernels
from moldprep.thermal.cells import (
    Cells,
    Field,
    Ints,
    Odd,
    Part,
    Plan,
    Visits,
    shared_out,
    widened,
)
from moldprep.thermal.curves import TOKEN
from moldprep.thermal.materials import OUTSIDE, Medium, Tables, pack
from moldprep.units import MM2_PER_M2

SAFETY: Final = 0.9
"""Share of the largest stable step that is used."""

GROWTH: Final = 0.02
"""Longest step over the time gone by: castings of aluminium froze 0.3 % late by it, their basins,
which took four times as long, 1 %; half of it halves that."""

MOST_STAGES: Final = 41
"""An odd number, so that sand and rest end in the same arrays."""

REFRESH_GROWTH: Final = 0.08
FIRST_STEPS: Final = 10
"""Conductances are refreshed once the time has grown by 8 %, in which the heat goes 4 % deeper;
and after each of the first steps."""

AHEAD: Final = 0.1
"""Share of its table by which metal may cool until the next refresh."""

UNTOUCHED_K: Final = 0.02
"""Cells that have warmed less than this have not been reached by the heat."""


@dataclass(frozen=True, kw_only=True)
class Skin:
    """What lies outside the six sides of the grid: low x, high x, low y, … .

    outside_c  : its temperature
    film_w_m2k : heat transfer; 0 insulates, `FIXED` holds the face at `outside_c`
    emissivity : of the surface
    """

    outside_c: tuple[float, ...] = (25.0,) * 6
    film_w_m2k: tuple[float, ...] = (0.0,) * 6
    emissivity: tuple[float, ...] = (0.0,) * 6


Fields = tuple[Field, Field, Field, Field]
"""P and heat, each at the last two stages."""

FIXED: Final = 1e9
AS_GIVEN_C: Final = -300.0
"""No temperature: the cells start from what they are given."""


class HeatFlow:
    """A grid on its way from full mold to cold.

    Parameters
    ----------
    metal
        (nx, ny, nz) share of each cell that is metal.
    rest
        (nx, ny, nz) what the rest is: 1 = media[1] (the sand), …, or OUTSIDE.
    media
        Metal, sand, and whatever else `rest` names.
    pitch_mm
        Edge of a cell. [mm]
    skin
        The six sides.
    growth
        Longest step over the time gone by; 0 keeps to plain explicit steps. [-]
    cells
        What the cells hold, with two layers around, where that is known.
    """

    def __init__(
        self,
        metal: Field,
        rest: NDArray[np.uint8],
        media: tuple[Medium, ...],
        pitch_mm: float,
        skin: Skin,
        growth: float = GROWTH,
        cells: Cells | None = None,
    ) -> None:
        self._growth, self.media, self.skin = growth, media, skin
        self.time_s, self.n_steps, self.n_sweeps, self.n_updates = 0.0, 0, 0, 0
        self._gone = 0.0  # heat that has gone outside [W s / mm³ of a cell]
        self.heat_at_start_j = 0.0
        self.pitch_mm, self.zero_c = pitch_mm, media[1].start_c
        self.tables: Tables = pack(media, self.zero_c)
        share, around = _padded(np.asarray(metal, np.float32), np.asarray(rest, np.uint8))
        if cells is None:
            whole = np.where(around == OUTSIDE, np.float32(0.0), share)
            cells = Cells(*shared_out(whole, around, whole, np.float32(1.0) - whole), around)
        self.cells = cells
        held = self.cells
        self._flat = Cells(held.metal.ravel(), held.other.ravel(), held.rest.ravel())
        self._skin = np.column_stack(
            [np.asarray(skin.film_w_m2k) / MM2_PER_M2, skin.emissivity, skin.outside_c]
        )
        self._plan = Plan(self.cells, share, numba.config.NUMBA_NUM_THREADS)
        self._odd = self._plan.odd
        self._slopes = _slopes(self.tables)
        starts = np.full(256, self.zero_c, np.float32)
        starts[: len(media)] = [m.start_c for m in media]
        self._begin(starts[self.cells.rest], media[0].start_c)

    @classmethod
    def from_temperature(cls, start_c: Field, *args: object) -> "HeatFlow":
        """Return a flow that starts from given temperatures (nx, ny, nz). [°C]"""
        flow = cls(*args)  # type: ignore[arg-type]
        flow._begin(
            np.pad(np.broadcast_to(np.float32(start_c), flow.temperature_c.shape), 2), AS_GIVEN_C
        )
        return flow

    def take_over(self, heat_j_mm3: Field, other: "HeatFlow") -> None:
        """Go on where another flow is, with these enthalpies (nx, ny, nz). [J/mm³]"""
        self._heat[2:-2, 2:-2, 2:-2] = heat_j_mm3
        temp = self._p
        kernels.states(self._heat, self.cells, self.tables, 0, temp)
        self._settle(temp)
        self.time_s, self.n_sweeps, self.n_updates = other.time_s, other.n_sweeps, other.n_updates
        self._gone = other._gone * (other.pitch_mm / self.pitch_mm) ** 3
        self.heat_at_start_j = other.heat_at_start_j

    def _begin(self, temp: Field, metal_c: float) -> None:
        """Start from temperatures, and from this one in metal."""
        self._heat = np.empty_like(temp)
        kernels.start(temp, self._heat, self.cells, self.tables, np.float32(metal_c))
        self._settle(temp)

    def _settle(self, temp: Field) -> None:
        """Set all that goes with the heat; the temperatures become the potentials."""
        temp[self.cells.rest == OUTSIDE] = 0.0
        shown = np.clip(float(TOKEN) * (self._skin[:, 2] - self.zero_c), -1.0, 1.0)
        for side, p in enumerate(shown):  # no P, but it shows what is not cold
            layer: list[int | slice] = [slice(None)] * 3
            layer[side // 2] = (1, -2)[side % 2]
            temp[tuple(layer)] = p
        self._odd.temp[:-6] = temp.ravel()[self._odd.at]
        self._odd.temp[-6:] = self._skin[:, 2]
        self._odd.temp_next[:] = self._odd.seen[:] = self._odd.temp
        self._odd.heat[:] = self._heat.ravel()[self._odd.at]
        self._odd.heat_next[:] = self._odd.heat
        kernels.states(self._heat, self.cells, self.tables, 1, temp)
        self._p, self._p_next, self._heat_next = temp, temp.copy(), self._heat.copy()
        n_x, n_y, n_z = temp.shape
        self._reach = np.empty((n_x, n_y, 2), np.int32)
        self._reach[..., 0], self._reach[..., 1] = n_z, 0
        self._visits: Visits | None = None
        self._spread: Ints = self._reach[..., :0]
        self._find_reach(self._plan.all_rows())
        self._fresh_s = 0.0
        self.heat_at_start_j = self.heat_j()

    # ---- looking ----------------------------------------------------------------------------

    @property
    def temperature_c(self) -> Field:
        """(nx, ny, nz) temperatures now; the zero of the enthalpy outside. [°C]"""
        temp = np.full_like(self._heat, self.tables.zero_c)
        kernels.states(self._heat, self.cells, self.tables, 0, temp)
        return temp[2:-2, 2:-2, 2:-2]

    @property
    def heat_j_mm3(self) -> Field:
        """Enthalpy now, with the two layers around the grid. [J/mm³]"""
        return self._heat

    @property
    def n_bytes(self) -> int:
        """What the arrays of the solve hold."""
        fields = (self._p, self._p_next, self._heat, self._heat_next, *self.cells, *self._odd)
        return sum(a.nbytes for a in fields) + self._plan.n_bytes

    @property
    def rest(self) -> NDArray[np.uint8]:
        """(nx, ny, nz) what is in each cell beside metal."""
        return self.cells.rest[2:-2, 2:-2, 2:-2]

    def level(self, spots: Ints, of_media: Field) -> Field:
        """Return (n,) enthalpy of cells at a temperature, given that of each medium. [J/mm³]"""
        rest = self._flat.rest[spots]
        metal, other = self._flat.metal[spots], self._flat.other[spots]
        return np.asarray(metal * of_media[0] + other * of_media[rest], np.float32)

    def heat_j(self) -> float:
        """Return the heat in every cell and what has gone outside. [J]"""
        held = float(self._heat.sum(dtype=np.float64))
        return (held + self._gone) * float(self.pitch_mm) ** 3

    # ---- going on ---------------------------------------------------------------------------

    def step(self, longest_s: float = np.inf) -> float:
        """Go on by one step of at most `longest_s`; return its length. [s]"""
        is_later = self.time_s >= self._fresh_s * (1.0 + REFRESH_GROWTH)
        if is_later or self.n_steps < FIRST_STEPS:
            self._refresh()
        shortest = min(self._quick_s, self._sand_s)
        wanted = max(shortest, min(self._growth * self.time_s, self._sand_s))
        wanted = min(wanted, longest_s)
        n = int(np.ceil(0.5 * (np.sqrt(1.0 + 8.0 * wanted / self._quick_s) - 1.0) - 1e-9))
        n = min(n + 1 - n % 2, MOST_STAGES)
        length = min(wanted, self._quick_s * (n * n + n) / 2.0)
        self._go_on(length, n)
        self.time_s += length
        self.n_steps += 1
        return length

    def run(self, until_s: float) -> None:
        """Go on to a time. [s]"""
        while self.time_s < until_s * (1.0 - 1e-9):
            self.step(until_s - self.time_s)

    def _go_on(self, length: float, n: int) -> None:
        """Make a step in every cell the heat has reached: n stages, an odd number, but in the sand.

        Meanwhile the sand keeps its temperatures. Then it takes one plain step, and from the rest
        the heat that has left it by then, which the mean temperature of each cell beside it gives.
        """
        assert self._visits is not None
        odd = self._odd
        fields: Fields = (self._p, self._p_next, self._heat, self._heat_next)
        leads = np.arange(n) / np.arange(1.0, n + 1.0)
        steps = (1.0 + leads) * 2.0 / (n * n + n) * length
        gone, gone_before = 0.0, 0.0
        for first in range(0, n, self._visits.quick.at_once):
            of = slice(first, first + self._visits.quick.at_once)
            lost = self._sweep(fields, odd, self._visits.quick, leads[of], steps[of])
            for lead, step, flow in zip(leads[of], steps[of], lost, strict=True):
                gone, gone_before = gone + lead * (gone - gone_before) + step * flow, gone
            if len(lost) % 2:
                fields, odd = _swapped(fields), _turned(odd)
        fields = _swapped(fields)
        kernels.mean_over_step(odd, self._visits.quick.on, np.float32(length))
        seen = _turned(odd)._replace(temp=odd.seen)
        (lost_by_sand,) = self._sweep(
            fields, seen, self._visits.sand, np.zeros(1), np.array([length])
        )
        self._gone += gone + length * lost_by_sand
        self._p_next, self._p, self._heat_next, self._heat = fields
        self._odd = odd
        kernels.hand_back(
            self._heat, self._p, odd, self._visits.quick.mixed, self._visits.sand.on, self.zero_c
        )
        self.n_sweeps += n
        self.n_updates += n * self._visits.quick.n + self._visits.sand.n

    def _sweep(self, fields: Fields, odd: Odd, part: Part, leads: Floats, steps: Floats) -> Floats:
        """Do some stages in a part of the grid; return the flow out of it in each. [W/mm³]"""
        kernels.share_work(part.n)
        lost = np.zeros((len(part.cuts) - 1, len(steps)))
        kernels.sweep(
            *fields, odd, _turned(odd), part, self.tables, np.float32(1.0 / self.pitch_mm**2),
            leads.astype(np.float32), steps.astype(np.float32), lost,
        )  # fmt: skip
        return np.asarray(lost.sum(axis=0))

    def _find_reach(self, rows: Ints) -> None:
        """Find the rows the heat has reached, and what is to be visited for it."""
        cold = np.float32(UNTOUCHED_K * self.tables.conduct.min())
        kernels.warmed(self._p, rows, cold, self._reach)
        spread = widened(self._reach, self._p.shape[2])
        if self._visits is None or not np.array_equal(spread, self._spread):
            self._visits = self._plan.visits(spread)
            self._spread = spread

    def _refresh(self) -> None:
        """Find the reach, the conductances of mixed faces, and the stable step."""
        assert self._visits is not None
        if self.n_steps:
            self._find_reach(self._visits.rows)
        rates = np.zeros(len(self._visits.on), np.float32)
        contacts.refresh(
            self._odd, self._visits.on, self._visits.is_on, self.tables, self._skin,
            np.float32(self.pitch_mm), np.float32(self.time_s), rates,
        )  # fmt: skip
        sand, metal = self._slopes
        per = 6.0 / self.pitch_mm**2
        is_sand = self._plan.is_sand[self._visits.on]
        of_sand, of_rest = (float(rates[at].max(initial=0.0)) for at in (is_sand, ~is_sand))
        self._sand_s = SAFETY / max(of_sand, per * sand)
        quick = max(of_rest, per * self._metal_slope(metal))
        self._quick_s = SAFETY / quick if quick > 0.0 else self._sand_s
        self._fresh_s = self.time_s

    def _metal_slope(self, slopes: Field) -> float:
        """Return the largest dP/dH of inner metal between its least and its largest H."""
        assert self._visits is not None
        runs = self._visits.quick.runs
        low, high = np.full(len(runs), np.inf, np.float32), np.full(len(runs), -np.inf, np.float32)
        kernels.span(self._heat, runs, low, high)
        if not np.isfinite(low.min(initial=np.inf)):
            return 0.0
        lowest, per = self.tables.metal_p[:2]
        ends = (np.array([low.min(), high.max()]) - lowest) * per
        ends[0] -= AHEAD * len(slopes)
        first, last = np.clip(ends.astype(int), 0, len(slopes) - 1)
        return float(slopes[first : last + 1].max())


def _padded(metal: Field, rest: NDArray[np.uint8]) -> tuple[Field, NDArray[np.uint8]]:
    """Return shares and what else there is with two layers around, which mirror the metal."""
    if (rest[..., -1] == OUTSIDE).all():
        metal = metal.copy()
        metal[..., -1] = metal[..., -2]
    return np.pad(metal, 2, mode="edge"), np.pad(rest, 2, constant_values=OUTSIDE)


def _swapped(fields: Fields) -> Fields:
    """Return P and heat with what came next as what is now."""
    return fields[1], fields[0], fields[3], fields[2]


def _turned(odd: Odd) -> Odd:
    """Return the odd cells with what came next as what is now."""
    return odd._replace(
        temp=odd.temp_next,
        temp_next=odd.temp,
        heat=odd.heat_next,
        heat_next=odd.heat,
        sum=odd.sum_next,
        sum_next=odd.sum,
    )


def _slopes(tables: Tables) -> tuple[float, Field]:
    """Return the largest dP/dH of sand, and that of metal at each step of its table."""
    sand = np.cumsum(np.append(tables.sand_p[0, 1], tables.sand_p[1:, 1])).max()
    return float(sand), np.asarray(np.diff(tables.metal_p[2:]) * tables.metal_p[1], np.float32)
