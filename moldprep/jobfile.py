"""job.toml -> Job: defaults, then file, then --set. Unknown keys are refused with a suggestion."""

import difflib
import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from moldprep.errors import FileError, JobError
from moldprep.records.job import Job

MESH_SUFFIXES = {".stl", ".obj", ".ply", ".3mf", ".glb", ".gltf", ".step", ".stp"}
UNKNOWN = {"extra_forbidden", "unexpected_keyword_argument"}


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
        raise JobError(str(err), code="job/not-toml", where=path.name) from err
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
        return Job.model_validate({**table, "folder": folder})
    except ValidationError as err:
        spot, what = explain(err)
        first = _worst(err)
        if first["type"] in UNKNOWN:
            raise JobError(
                f"unknown key {first['loc'][-1]!r}",
                code="job/unknown-key",
                where=f"{where} {spot}".strip(),
                fix=_nearest(str(first["loc"][-1]), _keys_at(first["loc"][:-1])),
            ) from err
        raise JobError(what, code="job/bad-value", where=f"{where} {spot}".strip()) from err


def explain(err: ValidationError) -> tuple[str, str]:
    """Return (where, what) of the first thing a table has wrong."""
    first = _worst(err)
    loc = [str(part) for part in first["loc"] if not str(part).startswith(("function", "tuple["))]
    is_extra = first["type"] in UNKNOWN
    tables = ".".join(loc[:-1])
    spot = f"[{tables}]" if tables else ""
    message = first["msg"][0].lower() + first["msg"][1:]
    got = first.get("input")
    shown = "" if isinstance(got, dict) or is_extra else f", got {got!r}"
    return spot, f"{loc[-1] if loc else 'job'}: {message}{shown}"


def _worst(err: ValidationError) -> Any:
    """Return an unknown key before anything else: it is often why another one is missing."""
    errors = err.errors()
    return next((one for one in errors if one["type"] in UNKNOWN), errors[0])


def _keys_at(loc: tuple[int | str, ...]) -> list[str]:
    """Return the keys known at a place of the job file."""
    schema: dict[str, Any] = Job.model_json_schema()
    node: dict[str, Any] = schema
    for part in loc:
        node = _follow(node, schema)
        if isinstance(part, int):
            continue
        node = node.get("properties", {}).get(part, {})
    node = _follow(node, schema)
    return sorted(set(node.get("properties", {})) - {"folder"})


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


def keys_of(model: type[BaseModel]) -> list[tuple[str, str, str]]:
    """Return (key, default, meaning) of one table, for README and `moldprep new`."""
    rows = []
    for name, field in model.model_fields.items():
        default = "needed" if field.is_required() else repr(field.get_default())
        rows.append((name, default, field.description or ""))
    return rows
