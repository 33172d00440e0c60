"""The curves of the materials as the compiled loops read them: T(H), H(T), k(T) and P(H).

P is the potential of conduction, the integral of k over T [W/mm], of metal from its solidus and of
sand from the temperature it starts at: between two cells of one material the heat flow is exactly
the difference of their P, so no conductances are kept there and none grow old (G. Kirchhoff's
transformation; H. S. Carslaw, J. C. Jaeger, Conduction of Heat in Solids, 2nd ed., Oxford 1959,
sec. 1.6; from memory).
"""

from collections.abc import Callable
from typing import Any, Final

import numba
import numpy as np

from moldprep.thermal.materials import COLDEST_C, N_BENDS, STEP_C

ZERO: Final = np.float32(0.0)
HALF: Final = np.float32(0.5)
ONE: Final = np.float32(1.0)
TOKEN: Final = np.float32(1e-3)
"""Slope of P over T in cells whose P no neighbor reads; it only shows that they are warm."""


INNER: Final = {"fastmath": True, "_nrt": False}
"""Options of what is called for every plane or run. The arrays that a function gets are not counted
there: with seventy of them that took longer than a plane of a small grid."""


def compiled(**options: Any) -> Callable[[Any], Any]:
    """Return numba's decorator, with the compiled code kept on disk where a folder allows it."""

    def wrap(function: Any) -> Any:
        try:
            return numba.njit(cache=True, **options)(function)
        except RuntimeError:  # no folder to keep it in: compile in every process
            return numba.njit(**options)(function)

    return wrap


@compiled(fastmath=True)
def knot_below(
    enthalpy: Any,
    metal: Any,
    other: Any,
    rest: Any,
    near_c: Any,
    heat: Any,
    first: Any,
) -> tuple[Any, Any, Any]:
    """Return (i, H there, H at i + 1): the knots between which a mixture is, looking from a T."""
    n = heat.shape[1]
    place = (near_c - np.float32(COLDEST_C)) / np.float32(STEP_C)
    i = first[np.uint32(min(max(place, ZERO), np.float32(first.size - 1)))]
    low = metal * heat[0, i] + other * heat[rest, i]
    while i > 0 and enthalpy < low:
        i -= 1
        low = metal * heat[0, i] + other * heat[rest, i]
    high = metal * heat[0, i + 1] + other * heat[rest, i + 1]
    while i < n - 2 and enthalpy > high:
        i += 1
        low = high
        high = metal * heat[0, i + 1] + other * heat[rest, i + 1]
    return i, low, high


@compiled(fastmath=True)
def temperature_at(
    enthalpy: Any,
    metal: Any,
    other: Any,
    rest: Any,
    near_c: Any,
    knot_c: Any,
    heat: Any,
    first: Any,
) -> Any:
    """Return T of a cell with so much metal and other stuff, looking from `near_c`. [°C]"""
    i, low, high = knot_below(enthalpy, metal, other, rest, near_c, heat, first)
    return knot_c[i] + (enthalpy - low) / (high - low) * (knot_c[i + 1] - knot_c[i])


@compiled(fastmath=True)
def enthalpy_at(at_c: Any, metal: Any, other: Any, rest: Any, tables: Any) -> Any:
    """Return H of a cell at a temperature; at a jump, the higher value. [J/mm³]"""
    i = tables.knot_c.size - 2
    while i > 0 and at_c < tables.knot_c[i]:
        i -= 1
    share = (at_c - tables.knot_c[i]) / (tables.knot_c[i + 1] - tables.knot_c[i])
    of_metal = tables.heat[0, i] + share * (tables.heat[0, i + 1] - tables.heat[0, i])
    of_rest = tables.heat[rest, i] + share * (tables.heat[rest, i + 1] - tables.heat[rest, i])
    return metal * of_metal + other * of_rest


@compiled(fastmath=True, inline="always")
def looked_up(rows: Any, material: Any, at_c: Any) -> Any:
    """Return a property kept at every STEP_C."""
    place = (at_c - np.float32(COLDEST_C)) / np.float32(STEP_C)
    place = min(max(place, ZERO), np.float32(rows.shape[1] - 2))
    i = np.uint32(place)
    low = rows[material, i]
    return low + (place - np.float32(i)) * (rows[material, i + np.uint32(1)] - low)


@compiled(fastmath=True, inline="always")
def even(enthalpy: Any, row: Any) -> Any:
    """Return a value of pure metal from a table at even steps of enthalpy: T or P."""
    place = max(enthalpy - row[0], ZERO) * row[1]
    i = np.uint32(min(place, np.float32(row.size - 4)))
    low = row[i + np.uint32(2)]
    return low + (place - np.float32(i)) * (row[i + np.uint32(3)] - low)


@compiled(fastmath=True, inline="always")
def bent(x: Any, bends: Any) -> Any:
    """Return a + b x + sum d max(x - x_i, 0): T or P of plain sand."""
    y = bends[0, 0] + bends[0, 1] * x
    for n in range(1, 1 + N_BENDS):
        y += bends[n, 1] * max(x - bends[n, 0], ZERO)
    return y


@compiled(fastmath=True, inline="always")
def state_of(
    enthalpy: Any, metal: Any, other: Any, rest: Any, near_c: Any, tables: Any
) -> tuple[Any, Any]:
    """Return (T [°C], P [W/mm]) of a cell, looking from `near_c` where it is a mixture."""
    if metal == ZERO and rest == 1:
        each = enthalpy / other
        return bent(each, tables.sand_c), bent(each, tables.sand_p)
    if metal == ONE:
        return even(enthalpy, tables.metal_c), even(enthalpy, tables.metal_p)
    at_c = temperature_at(
        enthalpy, metal, other, rest, near_c, tables.knot_c, tables.heat, tables.first
    )
    return at_c, TOKEN * (at_c - tables.zero_c)
