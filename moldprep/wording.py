"""Numbers, places and times in words, for tables and pages."""

import math
from collections.abc import Sequence


def amount(value: float | None, unit: str = "", digits: int = 3) -> str:
    """Return a number for reading: significant digits, the unit, a dash where not measured.

    Examples
    --------
    >>> amount(1234567.0, "mm³"), amount(0.01234), amount(None, "s"), amount(12.0, "kg")
    ('1,230,000 mm³', '0.0123', '–', '12 kg')
    """
    if value is None or math.isnan(value):
        return "–"
    rounded = float(f"{value:.{digits}g}")
    text = f"{rounded:,.{digits}g}" if abs(rounded) < 10.0**digits else f"{rounded:,.0f}"
    return text if unit in {"", "-"} else f"{text} {unit}"


def place(at_mm: Sequence[float]) -> str:
    """Return a place in mm, or nothing.

    Examples
    --------
    >>> place((12.34, -5.0, 100.0))
    '12, -5, 100'
    """
    return ", ".join(f"{v:.0f}" for v in at_mm)


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


def size(bounds_mm: Sequence[Sequence[float]]) -> str:
    """Return the extents between two corners.

    Examples
    --------
    >>> size(((0.0, 0.0, -20.0), (100.2, 60.0, 20.0)))
    '100 x 60 x 40'
    """
    low, high = bounds_mm
    return " x ".join(f"{b - a:.0f}" for a, b in zip(low, high, strict=True))
