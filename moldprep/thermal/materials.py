"""What the heat solve knows of each material: enthalpy and conductivity over temperature.

The solve keeps enthalpy per volume as its state, counted from the temperature the sand starts at,
so every material needs one rising curve H(T). All curves are cut at the same temperatures, which
lets a cell that holds metal and sand be inverted as the mean of two curves.
"""

from dataclasses import dataclass, field, replace
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from moldprep.arrays import Floats
from moldprep.records import Alloy, Sand
from moldprep.units import MM2_PER_M2, MM3_PER_M3, MM_PER_M, ROOM_C

Curve = tuple[tuple[float, float], ...]

BASE_MELTS_C: Final = {
    "steel": 1538.0,
    "grey-iron": 1538.0,
    "ductile-iron": 1538.0,
    "aluminium": 660.3,
    "copper": 1084.6,
}
"""Melting point of the base metal, where the liquidus line starts. [°C]

Fe 1811 K, Al 933.47 K, Cu 1357.77 K: A. T. Dinsdale, Calphad 15 (1991) 317-425 (from memory)."""

OUTSIDE: Final = 255
"""Index of whatever is not computed: it keeps its temperature and takes any heat."""

COLDEST_C: Final = -100.0
STEP_C: Final = 2.0
"""Conductivity and heat are kept at every 2 K and interpolated."""

N_BENDS: Final = 6
"""Bends of the sand's curves, which the kernels write out one by one."""

N_EVEN: Final = 2048
"""Steps of the metal's T(H): 7 J/cm³ of steel each, a two-hundredth of its latent heat."""

JUMP_C: Final = 1e-6
"""Width of a jump of the liquid share while the tables are made; nothing in float32."""


@dataclass(frozen=True, kw_only=True)
class Medium:
    """One material of the grid.

    conductivity_w_mk : curve ((°C, value), …), constant beyond its ends
    heat_j_kgk        : likewise, without latent heat
    contact_m2k_w     : resistance between it and the metal
    start_c           : temperature when the mold is full
    melt              : ((°C, liquid share), …) rising; empty where nothing melts
    """

    name: str
    density_kg_m3: float
    conductivity_w_mk: Curve
    heat_j_kgk: Curve
    start_c: float
    contact_m2k_w: float = 0.0
    latent_j_kg: float = 0.0
    melt: Curve = field(default=())

    def enthalpy_j_mm3(self, at_c: Floats, zero_c: float) -> Floats:
        """Return sensible enthalpy over `zero_c`, without latent heat. [J/mm³]"""
        corners, values = np.asarray(self.heat_j_kgk, np.float64).T
        fine = np.union1d(np.append(at_c, [zero_c]), corners)
        heat = np.interp(fine, corners, values)
        steps = 0.5 * (heat[1:] + heat[:-1]) * np.diff(fine)
        total = np.concatenate([[0.0], np.cumsum(steps)])
        per_kg = np.interp(at_c, fine, total) - np.interp(zero_c, fine, total)
        return np.asarray(per_kg * self.density_kg_m3 / MM3_PER_M3)


INSERTS: Final = {
    "iron": Medium(
        name="iron",
        density_kg_m3=7200.0,
        conductivity_w_mk=((20.0, 50.0), (800.0, 40.0)),
        heat_j_kgk=((20.0, 460.0), (400.0, 600.0), (1100.0, 750.0)),
        start_c=ROOM_C,
        contact_m2k_w=1e-3,
    ),
    "graphite": Medium(
        name="graphite",
        density_kg_m3=1750.0,
        conductivity_w_mk=((20.0, 130.0), (1000.0, 50.0)),
        heat_j_kgk=((20.0, 710.0), (500.0, 1400.0), (1500.0, 2000.0)),
        start_c=ROOM_C,
        contact_m2k_w=1e-3,
    ),
    "copper": Medium(
        name="copper",
        density_kg_m3=8960.0,
        conductivity_w_mk=((20.0, 398.0), (1000.0, 340.0)),
        heat_j_kgk=((20.0, 385.0), (1000.0, 480.0)),
        start_c=ROOM_C,
        contact_m2k_w=1e-3,
    ),
    "insulating": Medium(
        name="insulating",
        density_kg_m3=450.0,
        conductivity_w_mk=((20.0, 0.15), (1000.0, 0.25), (1500.0, 0.4)),
        heat_j_kgk=((20.0, 900.0), (1000.0, 1100.0)),
        start_c=ROOM_C,
    ),
    "exothermic": Medium(
        name="exothermic",
        density_kg_m3=500.0,
        conductivity_w_mk=((20.0, 0.2), (1000.0, 0.3), (1500.0, 0.45)),
        heat_j_kgk=((20.0, 900.0), (1000.0, 1100.0)),
        start_c=1200.0,
    ),
}
"""Chills and sleeves. J. P. Holman, Heat Transfer, property tables, for iron and copper; the rest,
the contact resistance (gap of 1000 W/m²K) and the burning sleeve's temperature from memory."""


def metal_medium(alloy: Alloy, pour_c: float) -> Medium:
    """Return the alloy as the solve sees it: as dense as just after freezing.

    The cavity is the casting enlarged by the shrink allowance, and in the end it holds the
    casting's mass; so the density is that of the cold metal over the allowance cubed.
    """
    return Medium(
        name="metal",
        density_kg_m3=alloy.density_kg_m3 / (1.0 + alloy.shrink_pct / 100.0) ** 3,
        conductivity_w_mk=alloy.conductivity_w_mk,
        heat_j_kgk=alloy.heat_j_kgk,
        start_c=pour_c,
        latent_j_kg=alloy.latent_j_kg,
        melt=melt_curve(alloy),
    )


def sand_medium(sand: Sand, start_c: float, contact_m2k_w: float) -> Medium:
    """Return the mold sand as the solve sees it."""
    return Medium(
        name=sand.id or "sand",
        density_kg_m3=sand.density_kg_m3,
        conductivity_w_mk=sand.conductivity_w_mk,
        heat_j_kgk=sand.heat_j_kgk,
        start_c=start_c,
        contact_m2k_w=contact_m2k_w,
    )


def insert_medium(name: str, start_c: float, sand_contact_m2k_w: float) -> Medium:
    """Return a chill or sleeve by name.

    A sleeve touches the metal as sand does; a burning one starts at its own temperature.
    """
    medium = INSERTS[name]
    contact = medium.contact_m2k_w if medium.contact_m2k_w > 0.0 else sand_contact_m2k_w
    return replace(medium, start_c=max(start_c, medium.start_c), contact_m2k_w=contact)


def melt_curve(alloy: Alloy, n: int = 12) -> Curve:
    """Return ((°C, liquid share), …) rising from solidus to liquidus.

    Notes
    -----
    Between liquidus T_l and solidus T_s, with the base metal melting at T_m and partition k:

    - linear: liquid = (T - T_s) / (T_l - T_s)
    - lever:  solid = (T_l - T) / ((T_m - T) (1 - k))
    - scheil: liquid = ((T_m - T) / (T_m - T_l)) ** (1 / (k - 1))
    - a table of the alloy: as given, (°C, solid share)

    What the law leaves liquid at T_s freezes there as eutectic, at one temperature. Valid for
    T_m > T_l > T_s; where T_l = T_s everything freezes at one temperature.

    References
    ----------
    M. C. Flemings, Solidification Processing, McGraw-Hill 1974, ch. 2 and 5 (from memory).
    """
    low, high = alloy.solidus_c, alloy.liquidus_c
    if isinstance(alloy.solid_fraction, tuple):
        table = sorted((t, 1.0 - solid) for t, solid in alloy.solid_fraction)
        return _closed(tuple(table))
    if high <= low:
        return ((low, 0.0), (low, 1.0))
    at = np.linspace(low, high, n + 1)
    melts, k = max(BASE_MELTS_C[alloy.family], high + 1.0), alloy.partition
    if alloy.solid_fraction == "lever":
        liquid = 1.0 - (high - at) / ((melts - at) * (1.0 - k))
    elif alloy.solid_fraction == "scheil":
        liquid = ((melts - at) / (melts - high)) ** (1.0 / (k - 1.0))
    else:
        liquid = (at - low) / (high - low)
    shares = np.clip(liquid, 0.0, 1.0)
    return _closed(tuple(zip(at.tolist(), shares.tolist(), strict=True)))


def _closed(melt: Curve) -> Curve:
    """Return the curve with 0 at its low end and 1 at its high end, by jumps if need be."""
    first, last = melt[0], melt[-1]
    head = ((first[0], 0.0),) if first[1] > 1e-9 else ()
    tail = ((last[0], 1.0),) if last[1] < 1.0 - 1e-9 else ()
    return (*head, *melt, *tail)


class Tables(NamedTuple):
    """Curves of all materials, packed for the kernels; row 0 is the metal.

    knot_c      : (n,) temperatures of the common knots; a pair of equal ones is a jump of H
    heat        : (m, n) enthalpy at the knots [J/mm³]
    first       : (q,) knot to start looking from, at every STEP_C
    conduct     : (m, q) conductivity at every STEP_C [W/(mm K)]
    capacity    : (m, q) dH/dT without latent heat [J/(mm³ K)]
    contact     : (m,) resistance to the metal [mm² K/W]
    metal_c     : lowest H, steps per H, then the metal's T at even steps of H [°C]
    metal_p     : the same of its potential P, the integral of k over T from the solidus [W/mm];
                  so it is small, and its differences exact, while the metal freezes
    sand_c      : hinges of the sand's T(H): T = a + b H + sum d max(H - h, 0)
    sand_p      : hinges of its P(H), at the same h
    zero_c      : temperature from which H, and P of sand, are counted
    """

    knot_c: NDArray[np.float32]
    heat: NDArray[np.float32]
    first: NDArray[np.int32]
    conduct: NDArray[np.float32]
    capacity: NDArray[np.float32]
    contact: NDArray[np.float32]
    metal_c: NDArray[np.float32]
    metal_p: NDArray[np.float32]
    sand_c: NDArray[np.float32]
    sand_p: NDArray[np.float32]
    zero_c: np.float32


def pack(media: tuple[Medium, ...], zero_c: float) -> Tables:
    """Return the tables of these media, the metal first and the sand second."""
    hottest = max(m.start_c for m in media) + 150.0
    metal = media[0]
    melt = np.asarray(metal.melt or ((COLDEST_C, 0.0), (COLDEST_C, 0.0)), np.float64)
    melt[1:, 0] += JUMP_C * (np.diff(melt[:, 0]) == 0.0)
    marks = [_marks(m, zero_c, hottest) for m in media]
    knots = np.unique(np.concatenate([*marks, melt[:, 0]]))
    rows = [
        np.interp(knots, at, m.enthalpy_j_mm3(at, zero_c))
        for m, at in zip(media, marks, strict=True)
    ]
    latent = metal.latent_j_kg * metal.density_kg_m3 / MM3_PER_M3
    rows[0] = rows[0] + latent * np.interp(knots, *melt.T)
    metal_c = _by_enthalpy(rows[0], knots)
    sand_heat = media[1].enthalpy_j_mm3(marks[1], zero_c)
    even = np.arange(COLDEST_C, hottest + STEP_C, STEP_C)
    first = np.clip(np.searchsorted(knots, even, "right") - 1, 0, len(knots) - 2)
    return Tables(
        knot_c=knots.astype(np.float32),
        heat=np.asarray(rows, np.float32),
        first=first.astype(np.int32),
        conduct=np.asarray(
            [_even(m.conductivity_w_mk, even) / MM_PER_M for m in media], np.float32
        ),
        capacity=np.asarray(
            [_even(m.heat_j_kgk, even) * m.density_kg_m3 / MM3_PER_M3 for m in media], np.float32
        ),
        contact=np.asarray([m.contact_m2k_w * MM2_PER_M2 for m in media], np.float32),
        metal_c=metal_c,
        metal_p=_potentials(metal_c, metal),
        sand_c=_hinges(sand_heat, marks[1]),
        sand_p=_hinges(sand_heat, potential_w_mm(media[1].conductivity_w_mk, marks[1], zero_c)),
        zero_c=np.float32(zero_c),
    )


def _marks(medium: Medium, zero_c: float, hottest_c: float) -> Floats:
    """Return the 8 temperatures between which a medium's sensible H(T) is taken as straight."""
    return np.concatenate([[COLDEST_C], np.linspace(zero_c, hottest_c, N_BENDS + 1)])


def _even(curve: Curve, even: Floats) -> Floats:
    return np.asarray(np.interp(even, *np.asarray(curve, np.float64).T))


def _by_enthalpy(heat: Floats, knots: Floats) -> NDArray[np.float32]:
    even = np.linspace(heat[0], heat[-1], N_EVEN)
    per = 1.0 / (even[1] - even[0])
    return np.concatenate([[even[0], per], np.interp(even, heat, knots)]).astype(np.float32)


def _hinges(x: Floats, y: Floats) -> NDArray[np.float32]:
    """Return (1 + N_BENDS, 2): (a, b), then (x_i, d_i), of y = a + b x + sum d max(x - x_i, 0)."""
    slopes = np.diff(y) / np.diff(x)
    bends = np.column_stack([x[1:-1], np.diff(slopes)])
    spare = np.zeros((N_BENDS - len(bends), 2))
    return np.vstack([[y[0] - slopes[0] * x[0], slopes[0]], bends, spare]).astype(np.float32)


def potential_w_mm(curve: Curve, at_c: Floats, zero_c: float) -> Floats:
    """Return the integral of a conductivity curve over temperature from `zero_c`. [W/mm]"""
    corners, values = np.asarray(curve, np.float64).T
    fine = np.union1d(np.append(at_c, [zero_c]), corners)
    k = np.interp(fine, corners, values) / MM_PER_M
    total = np.concatenate([[0.0], np.cumsum(0.5 * (k[1:] + k[:-1]) * np.diff(fine))])
    return np.asarray(np.interp(at_c, fine, total) - np.interp(zero_c, fine, total))


def _potentials(metal_c: NDArray[np.float32], metal: Medium) -> NDArray[np.float32]:
    """Return the table of P(H) that goes with one of T(H), from the solidus if there is one."""
    zero_c = metal.melt[0][0] if metal.melt else metal.start_c
    potential = potential_w_mm(metal.conductivity_w_mk, metal_c[2:].astype(np.float64), zero_c)
    return np.concatenate([metal_c[:2], potential]).astype(np.float32)
