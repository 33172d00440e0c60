"""RiggingPlan -> the [rigging] tables of a job file, to be edited by hand and read in again."""

from collections.abc import Iterable
from dataclasses import MISSING, Field, fields
from typing import Any

from moldprep.records import RiggingPlan

TABLES = {
    "basin": "basin",
    "sprue": "sprue",
    "well": "well",
    "runner": "runners",
    "ingate": "ingates",
    "filter": "filters",
    "feeder": "feeders",
    "chill": "chills",
    "vent": "vents",
    "core_vent": "core_vents",
}
"""Table of [rigging] -> field of the plan."""

PLANNED = {
    "gating": ("basin", "sprue", "well", "runner", "ingate", "filter"),
    "feeders": ("feeder",),
    "chills": ("chill",),
    "vents": ("vent", "core_vent"),
}
"""Family -> its tables."""


def plan_tables(plan: RiggingPlan) -> str:
    """Return a plan as job-file text; a job with these tables plans the same rigging.

    Nothing is left to be planned automatically: `auto` is empty, so that what was taken out by
    hand stays out. The reasons stand above each table as comments.

    Parameters
    ----------
    plan
        What to write.

    Returns
    -------
    str
        TOML, from `[rigging]` on.
    """
    lines = [
        "[rigging]",
        "auto = []  # families planned again where no table is given: "
        + ", ".join(f'"{family}"' for family in PLANNED),
        f"ratio = {_value(plan.ratio)}  # sprue foot : runners : ingates",
        f"pour_time_s = {_value(plan.pour_time_s)}",
        "",
    ]
    for place in plan.placements:
        lines += _table("rigging.placements", place, is_array=True)
    reasons: dict[str, list[str]] = {}
    for reason in plan.reasons:
        reasons.setdefault(reason.item, []).append(f"{reason.why} ({reason.source})")
    for table, field in TABLES.items():
        made = getattr(plan, field)
        items = made if isinstance(made, tuple) else () if made is None else (made,)
        for number, item in enumerate(items):
            name = getattr(item, "name", table if number == 0 else "")
            lines += [f"# {why}" for why in reasons.get(name, ())]
            lines += _table(f"rigging.{table}", item, is_array=isinstance(made, tuple))
    return "\n".join(lines).rstrip() + "\n"


def _table(name: str, item: Any, *, is_array: bool) -> Iterable[str]:
    """Yield the lines of one table; what equals its default is left out."""
    yield f"[[{name}]]" if is_array else f"[{name}]"
    for field in fields(item):
        value = getattr(item, field.name)
        if not _is_default(field, value):
            yield f"{field.name} = {_value(value)}"
    yield ""


def _is_default(field: "Field[Any]", value: object) -> bool:
    return field.default is not MISSING and field.default == value


def _value(value: object) -> str:
    """Return a value as TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float | int):
        return repr(value)
    if isinstance(value, tuple):
        return "[" + ", ".join(map(_value, value)) + "]"
    text = str(value).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{text}"'
