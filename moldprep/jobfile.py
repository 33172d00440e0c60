"""job.toml -> Job: defaults, then file, then --set. Unknown keys are refused with a suggestion."""

import difflib
import re
import tomllib
from collections.abc import Iterable
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError

from moldprep.errors import FileError, JobError
from moldprep.records.job import Job

MESH_SUFFIXES = {".stl", ".obj", ".ply", ".3mf", ".glb", ".gltf", ".step", ".stp"}
UNKNOWN = {"extra_forbidden", "unexpected_keyword_argument"}

KINDS: Final = {"float", "int", "str", "bool"}
"""Names pydantic gives to the kinds of value of a key that takes several."""

PLAIN: Final = {
    "^Input should be": "should be",
    "a valid number": "a number",
    "a valid integer": "a whole number",
    "a valid boolean": "true or false",
    "a valid string": "a text in quotes",
    "a valid tuple": "a list",
    "a valid dictionary.*": "a table",
    "^String should match pattern.*": "should be like #ff8800",
    "^Field required": "is needed",
}
"""What pydantic says, and how a founder would."""

HEIGHTS: Final = {"top_mm"}
"""Lengths of rigging items that are places."""

UNIT_WORDS: Final = {
    "inch": "in", "inche": "in", "\"": "in", "foot": "ft", "feet": "ft", "meter": "m", "metre": "m",
    "millimeter": "mm", "millimetre": "mm", "centimeter": "cm", "centimetre": "cm",
    "micron": "um", "micrometer": "um", "µm": "um",
}  # fmt: skip
"""Other words for the units of a job file."""


def load_job(path: Path, changes: Iterable[str] = ()) -> Job:
    """Return the job in a file.

    Parameters
    ----------
    path
        A job file (TOML).
    changes
        ``table.key=value`` texts from the command line; the value is TOML.

    Raises
    ------
    FileError
        file/not-found.
    JobError
        job/not-toml, job/unknown-key, job/bad-value.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError as err:
        raise FileError("no such job file", code="file/not-found", where=str(path)) from err
    except (OSError, UnicodeDecodeError) as err:
        raise FileError(f"cannot be read: {err}", code="file/unreadable", where=str(path)) from err
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as err:
        raise JobError(
            str(err),
            code="job/not-toml",
            where=path.name,
            fix='texts stand in quotes, tables in brackets: alloy = "carbon-steel", [casting]',
        ) from err
    for change in changes:
        _apply(table, change)
    table.setdefault("name", path.stem if path.stem != "job" else path.resolve().parent.name)
    return make_job(table, folder=path.resolve().parent, where=path.name)


def mesh_job(path: Path, alloy: str, unit: str | None, changes: Iterable[str] = ()) -> Job:
    """Return the job of a bare mesh: everything else at its default."""
    table: dict[str, Any] = {"name": path.stem, "alloy": alloy, "casting": {"file": path.name}}
    if unit is not None:
        table["casting"]["unit"] = unit
    for change in changes:
        _apply(table, change)
    return make_job(table, folder=path.resolve().parent, where="command line")


def make_job(table: dict[str, Any], *, folder: Path, where: str) -> Job:
    """Return the job in a table, or raise JobError for the first thing wrong with it."""
    try:
        job = Job.model_validate({**table, "folder": folder})
    except ValidationError as err:
        raise _job_error(err, where) from err
    _check_sizes(job, where)
    return job


def _job_error(err: ValidationError, where: str) -> JobError:
    """Return the error of a job for the first thing pydantic found wrong with it."""
    spot, what = explain(err)
    first = _worst(err)
    loc = _key_path(first["loc"])
    known = _node_at(loc[:-1])
    place = f"{where} {spot}".strip()
    if first["type"] in UNKNOWN:
        return JobError(
            f"unknown key {loc[-1]!r}",
            code="job/unknown-key",
            where=place,
            fix=_nearest(str(loc[-1]), sorted(set(known) - {"folder"})),
        )
    said = known.get(str(loc[-1]), {}).get("description", "") if loc else ""
    fix = f"{loc[-1]} stands for: {said}" if said else ""
    return JobError(what, code="job/bad-value", where=place, fix=_meant(first) or fix)


def explain(err: ValidationError) -> tuple[str, str]:
    """Return (where, what) of the first thing a table has wrong."""
    first = _worst(err)
    loc = _key_path(first["loc"])
    spot = f"[{'.'.join(map(str, loc[:-1]))}]" if loc[:-1] else ""
    wanted: list[str] = []
    for one in err.errors():  # a key that takes several kinds of value has an error for each
        if _key_path(one["loc"]) == loc and one["msg"] not in wanted:
            wanted.append(one["msg"])
    sayings = [_plain(text) for text in wanted]
    what = ", or ".join([sayings[0], *(text.removeprefix("should be ") for text in sayings[1:])])
    got = first.get("input")
    is_plain = not isinstance(got, dict) and first["type"] not in UNKNOWN
    return spot, f"{loc[-1] if loc else 'job'}: {what}" + (f", got {got!r}" if is_plain else "")


def _worst(err: ValidationError) -> Any:
    """Return an unknown key before anything else: it is often why another one is missing.

    Where a key takes several kinds of value, the error deepest in it is of the kind meant.
    """
    errors = err.errors()
    unknown = next((one for one in errors if one["type"] in UNKNOWN), None)
    if unknown is not None:
        return unknown
    top = _key_path(errors[0]["loc"])
    mine = [one for one in errors if _key_path(one["loc"])[: len(top)] == top]
    return max(mine, key=lambda one: len(_key_path(one["loc"])))


def _plain(message: str) -> str:
    """Return what pydantic says in a founder's words."""
    text = message.removeprefix("Value error, ")
    for theirs, ours in PLAIN.items():
        text = re.sub(theirs, ours, text)
    return text[0].lower() + text[1:]


def _key_path(loc: tuple[int | str, ...]) -> tuple[int | str, ...]:
    """Return a place without the names pydantic gives to the kinds of value a key takes."""
    return tuple(
        part for part in loc
        if isinstance(part, int) or (part.isidentifier() and part not in KINDS)
    )  # fmt: skip


def _meant(error: Any) -> str:
    """Return the allowed word nearest to the one given, "" where none is near."""
    given = error.get("input")
    if error["type"] not in {"literal_error", "enum"} or not isinstance(given, str):
        return ""
    allowed = re.findall(r"'([^']+)'", error["ctx"]["expected"])
    word = UNIT_WORDS.get(given.lower().rstrip("s"), given.lower())
    near = difflib.get_close_matches(word, allowed, n=1)
    return f"did you mean {near[0]!r}?" if near else ""


def _check_sizes(job: Job, where: str) -> None:
    """Raise JobError where an item of the rigging has a size that is none.

    Every length and area of an item has to be above 0, but for those that are 0 if not given.
    """
    for table in type(job.rigging).model_fields:
        items = getattr(job.rigging, table)
        many = isinstance(items, tuple)
        for number, item in enumerate(items if many else (items,)):
            if not is_dataclass(item):
                continue
            for field in fields(item):
                value = getattr(item, field.name)
                if not isinstance(value, float) or not field.name.endswith(("_mm", "_mm2")):
                    continue
                lowest = "0 or more" if field.default == 0.0 else "greater than 0"
                if field.name in HEIGHTS or value > 0.0 or (value == 0.0 == field.default):
                    continue
                raise JobError(
                    f"{field.name}: should be {lowest}, got {value:g}",
                    code="job/bad-value",
                    where=f"{where} [rigging.{table}{f'.{number}' if many else ''}]",
                )


def _node_at(loc: tuple[int | str, ...]) -> dict[str, Any]:
    """Return the keys known at a place of the job file, each with its schema."""
    schema: dict[str, Any] = Job.model_json_schema()
    node: dict[str, Any] = schema
    for part in loc:
        node = _follow(node, schema)
        if isinstance(part, int):
            continue
        node = node.get("properties", {}).get(part, {})
    found: dict[str, Any] = _follow(node, schema).get("properties", {})
    return found


def _follow(node: dict[str, Any], schema: dict[str, Any]) -> dict[str, Any]:
    """Return the object a schema node points at, through references, lists and unions."""
    while "properties" not in node:
        options = [*node.get("anyOf", []), *node.get("allOf", []), node.get("items", {})]
        found = next((o for o in options if "$ref" in o or "properties" in o or "items" in o), None)
        if "$ref" in node:
            node = schema["$defs"][node["$ref"].rsplit("/", 1)[1]]
        elif found is not None:
            node = found
        else:
            return node
    return node


def _nearest(key: str, known: list[str]) -> str:
    near = difflib.get_close_matches(key, known, n=1)
    return f"did you mean {near[0]!r}?" if near else f"known keys: {', '.join(known)}"


def _apply(table: dict[str, Any], change: str) -> None:
    """Put one ``table.key=value`` text into the table."""
    path, sign, value = change.partition("=")
    if not sign:
        raise JobError(
            f"--set {change!r} has no '='", code="job/bad-value", fix="--set mold.count=2"
        )
    try:
        parsed = tomllib.loads(f"value = {value}")["value"]
    except tomllib.TOMLDecodeError:
        parsed = value  # a bare word
    *tables, key = path.strip().split(".")
    for name in tables:
        table = table.setdefault(name, {})
    table[key] = parsed
