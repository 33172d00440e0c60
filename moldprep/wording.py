"""Numbers, places and times in words, for tables and pages."""

import math
import re
from collections.abc import Sequence
from typing import Final

WEIGHT_STEP_KG: Final = 5.0
"""Weights are asked for in steps of this."""

LARGER: Final = {
    "mm²": (1e4, 1e2, "cm²"),
    "mm³": (1e4, 1e3, "cm³"),
    "mm³/s": (1e4, 1e3, "cm³/s"),
    "N": (1e4, 1e3, "kN"),
    "Pa": (1e3, 1e3, "kPa"),
    "ml": (1e4, 1e3, "l"),
}
"""Unit: from which number on a larger one reads better, how many go into it, and its name."""


def amount(value: float | None, unit: str = "", digits: int = 3) -> str:
    """Return a number for reading: significant digits, the unit, a dash where not measured.

    Examples
    --------
    >>> amount(1234567.0, "mm³"), amount(0.01234), amount(None, "s"), amount(12.0, "kg")
    ('1,230 cm³', '0.0123', '–', '12 kg')
    """
    if value is None or math.isnan(value):
        return "–"
    least, many, larger = LARGER.get(unit, (math.inf, 1.0, unit))
    if abs(value) >= least:
        value, unit = value / many, larger
    rounded = float(f"{value:.{digits}g}") + 0.0
    text = f"{rounded:,.{digits}g}" if abs(rounded) < 10.0**digits else f"{rounded:,.0f}"
    return text if unit in {"", "-"} else f"{text} {unit}"


def whole_weights_kg(needed_kg: float) -> float:
    """Return weights as they are put on a mold: the next full 5 kg.

    Examples
    --------
    >>> whole_weights_kg(0.0), whole_weights_kg(1.2), whole_weights_kg(113.0)
    (0.0, 5.0, 115.0)
    """
    return WEIGHT_STEP_KG * math.ceil(needed_kg / WEIGHT_STEP_KG)


def by_number(name: str) -> tuple[str | int, ...]:
    """Return a key that sorts names by their numbers: F2 before F10.

    Examples
    --------
    >>> sorted(["F10", "neck-F2", "F2"], key=by_number)
    ['F2', 'F10', 'neck-F2']
    """
    return tuple(int(part) if part.isdigit() else part for part in re.split(r"(\d+)", name))


def place(at_mm: Sequence[float]) -> str:
    """Return a place in mm, or nothing.

    Examples
    --------
    >>> place((12.34, -5.0, -0.2))
    '12, -5, 0'
    """
    return ", ".join(f"{round(v)}" for v in at_mm)


def duration(seconds: float | None) -> str:
    """Return a time for reading.

    Examples
    --------
    >>> duration(42.0), duration(600.0), duration(32100.0), duration(None)
    ('42 s', '10.0 min', '8.9 h', '–')
    """
    if seconds is None:
        return "–"
    if seconds < 120.0:
        return amount(seconds, "s")
    return f"{seconds / 60.0:.1f} min" if seconds < 7200.0 else f"{seconds / 3600.0:.1f} h"


def lifted_text(names: Sequence[str]) -> str:
    """Return what the metal lifts together: the cope, with the cheeks that part there.

    Examples
    --------
    >>> lifted_text(("cope", "plug-F1")), lifted_text(("cheek-1", "cope"))
    ('cope', 'cope with cheek-1')
    """
    cheeks = [name for name in names if name.startswith("cheek")]
    return f"cope with {', '.join(cheeks)}" if cheeks else "cope"


def size(bounds_mm: Sequence[Sequence[float]]) -> str:
    """Return the extents between two corners.

    Examples
    --------
    >>> size(((0.0, 0.0, -20.0), (100.2, 60.0, 20.0)))
    '100 x 60 x 40'
    """
    low, high = bounds_mm
    return " x ".join(f"{b - a:.0f}" for a, b in zip(low, high, strict=True))
