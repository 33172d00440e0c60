"""Plan items rounded to what a job file shows, so that a written plan reads back the same."""

from dataclasses import fields, is_dataclass, replace
from typing import Any, TypeVar

Item = TypeVar("Item")

DIGITS = 2
"""Places of a millimetre, a degree or a square millimetre in a plan."""


def rounded(item: Item) -> Item:
    """Return a plan item with every number rounded to 0.01.

    Examples
    --------
    >>> from moldprep.records.plan import Placement
    >>> rounded(Placement(name="casting", turn_deg=0.123)).turn_deg
    0.12
    """
    if not is_dataclass(item) or isinstance(item, type):
        raise TypeError(f"rounded: {item!r}")
    changes = {one.name: _round(getattr(item, one.name)) for one in fields(item)}
    return replace(item, **changes)


def _round(value: Any) -> Any:
    if isinstance(value, bool):
        return value
    if isinstance(value, float):
        return round(value, DIGITS) + 0.0  # no minus zero
    if isinstance(value, tuple):
        return tuple(_round(part) for part in value)
    return value
