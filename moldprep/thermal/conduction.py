"""Transient heat with latent heat on a grid of cubes: explicit finite volumes, enthalpy form.

The state of a cell is its enthalpy, so heat is conserved to rounding whatever the properties do;
the temperature follows from it by the curve of the cell's own mixture of metal and mold. A step is
made of s stages of the Runge-Kutta-Legendre family, which is explicit and stable for (s² + s) / 2
times the plain explicit step: light metals conduct so well that plain steps would be a hundredth
of what the sand needs. Rows of cells that the heat has not reached are left out.

References
----------
C. D. Meyer, D. S. Balsara, T. D. Aslam, J. Comput. Phys. 257 (2014) 594-626 (RKL1; from memory).
V. Alexiades, A. D. Solomon, Mathematical Modeling of Melting and Freezing Processes, Hemisphere
1993, ch. 4 (explicit enthalpy form; from memory).
"""

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from moldprep.thermal import kernels
from moldprep.thermal.materials import OUTSIDE, Medium, Tables, pack
from moldprep.units import MM2_PER_M2, MM_PER_M

Field = NDArray[np.float32]

SAFETY: Final = 0.9
"""Share of the largest stable step that is used."""

GROWTH: Final = 0.02
"""Longest step over the time gone by: keeps the error in time near half a percent."""

SAND_STEPS: Final = 3.0
"""Longest step over the plain explicit step of the sand."""

MOST_STAGES: Final = 25
REFRESH_GROWTH: Final = 0.04
FEW_SWEEPS: Final = 8
MANY_SWEEPS: Final = 40
"""Conductances are refreshed after some sweeps once the time has grown by 4 %, in which the heat
goes 2 % deeper; and after many sweeps in any case."""

MIDDLE_C: Final = 600.0
"""Where the sand's conductivity is taken to weigh the contact against it."""

UNTOUCHED_K: Final = 0.02
"""Cells that have warmed less than this have not been reached by the heat."""


class Faces(NamedTuple):
    """Conductances of the faces above each cell along x, y and z. [W/(mm³ K)]"""

    x: Field
    y: Field
    z: Field


class Cells(NamedTuple):
    """What is in each cell, in cells.

    metal : share of the cell that is metal
    other : how much else it holds; a little more than there is room, where it took over from a
            neighbor with metal what that leaves beyond the surface
    rest  : which medium that is: 1 sand, …, OUTSIDE
    """

    metal: Field
    other: Field
    rest: NDArray[np.uint8]


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
    """

    def __init__(
        self,
        metal: Field,
        rest: NDArray[np.uint8],
        media: tuple[Medium, ...],
        pitch_mm: float,
        skin: Skin,
        growth: float = GROWTH,
    ) -> None:
        self._growth = growth
        self.time_s, self.n_steps, self.n_sweeps = 0.0, 0, 0
        self.pitch_mm, self.zero_c = pitch_mm, media[1].start_c
        self.tables: Tables = pack(media, self.zero_c)
        self.cells = _shared_out(
            np.pad(np.asarray(metal, np.float32), 2),
            np.pad(np.asarray(rest, np.uint8), 2, constant_values=OUTSIDE),
            media,
            pitch_mm,
        )
        self._skin = np.column_stack(
            [np.asarray(skin.film_w_m2k) / MM2_PER_M2, np.asarray(skin.emissivity)]
        )
        shape = self.cells.rest.shape
        starts = np.array([m.start_c for m in media], np.float32)
        starts = np.append(starts, np.full(256 - len(starts), self.zero_c, np.float32))
        self._temp: Field = starts[self.cells.rest]
        for side, at_c in enumerate(skin.outside_c):
            axis, place = divmod(side, 2)
            layer = [slice(None)] * 3
            layer[axis] = slice(1, 2) if place == 0 else slice(-2, -1)
            self._temp[tuple(layer)] = at_c
        self._next, self._heat, self._heat_next = (np.empty(shape, np.float32) for _ in range(3))
        self._faces = Faces(*(np.zeros(shape, np.float32) for _ in range(3)))
        self._odd = _odd_ranges(self.cells)
        sand = self.tables.conduct[1].max() / self.tables.capacity[1].min()
        self._sand_rate = float(sand) / pitch_mm**2  # per face; one held face counts as two
        self._begin(media[0].start_c)

    @classmethod
    def from_temperature(cls, start_c: Field, *args: object) -> "HeatFlow":
        """Return a flow that starts from given temperatures (nx, ny, nz). [°C]"""
        flow = cls(*args)  # type: ignore[arg-type]
        flow._temp[2:-2, 2:-2, 2:-2] = start_c
        flow._begin(AS_GIVEN_C)
        return flow

    def _begin(self, metal_c: float) -> None:
        kernels.start(
            self._temp, self._next, self._heat, self._heat_next, self.cells, self.tables,
            np.float32(metal_c),
        )  # fmt: skip
        n_x, n_y, n_z = self._temp.shape
        self._reach = np.empty((n_x, n_y, 2), np.int32)
        self._reach[..., 0], self._reach[..., 1] = n_z, 0
        rows = np.argwhere(np.ones((n_x - 2, n_y - 2), bool)) + 1
        everything = np.zeros((len(rows), 6), np.int32)
        everything[:, :2], everything[:, 2], everything[:, 3] = rows, 1, n_z - 1
        kernels.warmed(self._temp, everything, self.zero_c, UNTOUCHED_K, self._reach)
        self._rows = everything[:0]
        self._sweeps_since, self._fresh_s = MANY_SWEEPS, 0.0
        self.heat_at_start_j = self.heat_j()

    # ---- looking ----------------------------------------------------------------------------

    @property
    def temperature_c(self) -> Field:
        """(nx, ny, nz) view of the temperatures now. [°C]"""
        return self._temp[2:-2, 2:-2, 2:-2]

    @property
    def padded(self) -> tuple[Field, Field]:
        """Temperature and enthalpy with the two layers around the grid, for the kernels."""
        return self._temp, self._heat

    def heat_j(self) -> float:
        """Return the heat in every cell and in what has gone outside. [J]"""
        return float(self._heat.sum(dtype=np.float64)) * self.pitch_mm**3

    # ---- going on ---------------------------------------------------------------------------

    def step(self, longest_s: float = np.inf) -> float:
        """Go on by one step of at most `longest_s`; return its length. [s]"""
        is_later = self.time_s >= self._fresh_s * (1.0 + REFRESH_GROWTH)
        if self._sweeps_since >= (FEW_SWEEPS if is_later else MANY_SWEEPS) or self.n_steps < 10:
            self._refresh()
        wanted = max(self._plain_s, min(self._growth * self.time_s, SAND_STEPS * self._sand_s))
        wanted = min(wanted, longest_s)
        n = int(np.ceil(0.5 * (np.sqrt(1.0 + 8.0 * wanted / self._plain_s) - 1.0) - 1e-9))
        n = min(max(n, 1), MOST_STAGES)
        length = min(wanted, self._plain_s * (n * n + n) / 2.0)
        for stage in range(1, n + 1):
            lead = (stage - 1.0) / stage
            step = (1.0 + lead) * 2.0 / (n * n + n) * length
            kernels.stage(
                self._temp, self._next, self._heat, self._heat_next, self._faces, self.cells,
                self._rows, self.tables, np.float32(lead), np.float32(step),
            )  # fmt: skip
            self._temp, self._next = self._next, self._temp
            self._heat, self._heat_next = self._heat_next, self._heat
        self.time_s += length
        self.n_steps += 1
        self.n_sweeps += n
        self._sweeps_since += n
        return length

    def run(self, until_s: float) -> None:
        """Go on to a time. [s]"""
        while self.time_s < until_s * (1.0 - 1e-9):
            self.step(until_s - self.time_s)

    def _refresh(self) -> None:
        """Find the rows the heat has reached, their conductances, and the stable step."""
        if len(self._rows):
            kernels.warmed(
                self._temp, self._rows, np.float32(self.zero_c), UNTOUCHED_K, self._reach
            )
        spread = _widened(self._reach, self._temp.shape[2])
        self._rows = _as_rows(spread, self._odd)
        kernels.share_work(int((self._rows[:, 3] - self._rows[:, 2]).sum()))
        kernels.refresh(
            self._temp, self._faces, self.cells, _with_lower(spread, self._odd), self.tables,
            self._skin, np.float32(self.pitch_mm),
        )  # fmt: skip
        rates = np.zeros(len(self._rows), np.float32)
        kernels.fastest(self._temp, self._faces, self.cells, self._rows, self.tables, rates)
        self._plain_s = SAFETY / max(float(rates.max(initial=0.0)), self._sand_rate * 9.0)
        self._sand_s = SAFETY / (self._sand_rate * 6.0)
        self._sweeps_since, self._fresh_s = 0, self.time_s


def _shared_out(
    metal: Field, rest: NDArray[np.uint8], media: tuple[Medium, ...], pitch_mm: float
) -> Cells:
    """Return the cells, with part of the sand in cells with metal handed to the sand beside them.

    A cell with metal has the metal's temperature, so the layer of sand d = (1 - f) h in it would
    be as hot as the metal throughout, while in truth the temperature falls across it. With a
    straight profile that starts behind a contact worth l = R k of sand, the heat of this layer and
    the next cell together is right if the next cell takes the share
    (l + d / 2) / (l + d + h / 2) of the layer's capacity. A cell with only metal around it hands
    its layer on through those neighbors that have sand beside them.
    """
    contact = np.zeros(256, np.float32)
    for number, one in enumerate(media):
        conduct = np.interp(MIDDLE_C, *np.asarray(one.conductivity_w_mk, np.float64).T)
        contact[number] = one.contact_m2k_w * conduct * MM_PER_M / pitch_mm
    layer: Field = np.where(metal > 0.0, 1.0 - metal, 0.0).astype(np.float32)
    behind = contact[rest]
    share = (behind + 0.5 * layer) / (behind + layer + 0.5)
    takes = (metal == 0.0) & (rest != OUTSIDE)
    beside_sand = (metal > 0.0) & (_beside(takes.astype(np.float32)) > 0.0)
    layer = _handed_over(layer, layer * ~beside_sand, beside_sand)
    held = np.where(metal > 0.0, layer, np.ones_like(layer))
    other = _handed_over(held, share * layer, takes)
    return Cells(metal, other.astype(np.float32), rest)


def _handed_over(held: Field, given: Field, takes: NDArray[np.bool_]) -> Field:
    """Return what cells hold after handing `given` in equal parts to the neighbors that take."""
    count = _beside(takes.astype(np.float32))
    part = np.divide(given, count, out=np.zeros_like(held), where=count > 0.0)
    kept = held - part * count
    kept[takes] += _beside(part)[takes]
    return np.asarray(kept, np.float32)


def _beside(values: Field) -> Field:
    """Return the sum over the six neighbors of every cell; the border holds nothing."""
    total = np.zeros_like(values)
    for axis in range(3):
        for shift in (1, -1):
            total += np.roll(values, shift, axis)
    return total


def _odd_ranges(cells: Cells) -> NDArray[np.int32]:
    """Return (nx, ny, 2): first and last + 1 cell of each row that is not plain sand.

    The outside cells at both ends of a row do not count: the kernels know them.
    """
    is_odd = (cells.metal > 0.0) | (cells.rest != 1) | (cells.other != 1.0)
    n_z = is_odd.shape[2]
    inner = is_odd[:, :, 2:-2]
    first = np.where(inner.any(axis=2), 2 + inner.argmax(axis=2), n_z)
    last = np.where(inner.any(axis=2), n_z - 2 - inner[:, :, ::-1].argmax(axis=2), 0)
    return np.stack([first, last], axis=2).astype(np.int32)


def _widened(reach: NDArray[np.int32], n_z: int, cells: int = 2) -> NDArray[np.int32]:
    """Return the reached ranges grown by some cells in every direction, within 1 … n - 1."""
    first, last = reach[..., 0].copy(), reach[..., 1].copy()
    for _ in range(cells):
        for edge, pick, none in ((first, np.minimum, n_z), (last, np.maximum, 0)):
            around = np.pad(edge, 1, constant_values=none)
            for shifted in (around[:-2, 1:-1], around[2:, 1:-1], around[1:-1, :-2]):
                pick(edge, shifted, out=edge)
            pick(edge, around[1:-1, 2:], out=edge)
    is_on = last > first
    first = np.where(is_on, np.maximum(first - cells, 1), n_z)
    last = np.where(is_on, np.minimum(last + cells, n_z - 1), 0)
    for edge, none in ((first, n_z), (last, 0)):
        edge[[0, -1]], edge[:, [0, -1]] = none, none
    return np.stack([first, last], axis=2).astype(np.int32)


def _as_rows(spread: NDArray[np.int32], odd: NDArray[np.int32]) -> NDArray[np.int32]:
    at = np.argwhere(spread[..., 1] > spread[..., 0])
    return np.hstack([at, spread[at[:, 0], at[:, 1]], odd[at[:, 0], at[:, 1]]]).astype(np.int32)


def _with_lower(spread: NDArray[np.int32], odd: NDArray[np.int32]) -> NDArray[np.int32]:
    """Return the rows whose faces must be set: the active ones and their lower neighbors.

    A face belongs to the cell below it, so a range starts one cell lower; and it is odd where
    either of its two cells is.
    """
    first, last = spread[..., 0].copy(), spread[..., 1].copy()
    first = np.where(last > first, first - 1, first)
    odd_first, odd_last = odd[..., 0].copy(), odd[..., 1].copy()
    for axis in (0, 1):
        lower: list[slice] = [slice(None)] * 2
        upper: list[slice] = [slice(None)] * 2
        lower[axis], upper[axis] = slice(None, -1), slice(1, None)
        low, up = tuple(lower), tuple(upper)
        first[low] = np.minimum(first[low], spread[..., 0][up])
        last[low] = np.maximum(last[low], spread[..., 1][up])
        odd_first[low] = np.minimum(odd_first[low], odd[..., 0][up])
        odd_last[low] = np.maximum(odd_last[low], odd[..., 1][up])
    return _as_rows(np.stack([first, last], axis=2), np.stack([odd_first, odd_last], axis=2))
