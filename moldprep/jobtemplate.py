"""Job -> TOML: a commented file to start from, and the resolved file of a package."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import tomli_w
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from moldprep.records import Job
from moldprep.records.job import CastingKeys

SHOWN: Final = (
    "sheet",
    "ladle",
    "parting",
    "pattern",
    "rigging",
    "freezing",
    "feeding",
    "mold",
    "cores",
    "box",
    "output",
)
"""Tables a new job file lists, beside those that must be filled in."""


def job_toml(job: Job, without: frozenset[str] = frozenset()) -> str:
    """Return a job as TOML, every default filled in; it loads as the same job.

    Parameters
    ----------
    job
        What to write.
    without
        Tables to leave out.
    """
    table = job.model_dump(mode="json", exclude_none=True, exclude=set(without))
    return tomli_w.dumps(_without_empty(table))


def new_job_toml(casting: Path, alloy: str, unit: str | None) -> str:
    """Return a commented job file for a casting: keys to fill in, the rest as comments.

    Parameters
    ----------
    casting
        The model, as the job file is to name it: relative to where the job file will lie.
    alloy
        Id of an alloy.
    unit
        Unit of the model's numbers, where its format carries none.
    """
    fields = Job.model_fields
    lines = [
        f"# Job file of moldprep for {casting.name}.",
        "# A line that starts with # shows a key at its default; take the # away to change it.",
        "# Lengths are mm, temperatures °C. README lists every key.",
        "",
        _key("alloy", fields["alloy"], alloy),
    ]
    lines += [
        "# " + _key(key, fields[key], fields[key].default) for key in ("sand", "printer", "rules")
    ]
    given = {"file": casting.as_posix()} | ({"unit": unit} if unit else {})
    lines += ["", *_table("casting", CastingKeys, given)]
    for table in SHOWN:
        model = fields[table].annotation
        assert isinstance(model, type)
        assert issubclass(model, BaseModel)
        lines += ["", *_table(table, model, {})]
    return "\n".join(lines) + "\n"


def _table(name: str, model: type[BaseModel], given: Mapping[str, str]) -> list[str]:
    """Return one table: what is given, and every other key commented out."""
    about = (model.__doc__ or "").splitlines()[0].split(": ", 1)[-1]
    lines = [f"[{name}]  # {about.rstrip('.')}"]
    for key, field in model.model_fields.items():
        if key in given:
            lines.append(_key(key, field, given[key]))
        else:
            lines.append("# " + _key(key, field, field.get_default(call_default_factory=True)))
    return lines


def _key(key: str, field: FieldInfo, value: Any) -> str:
    """Return a key at a value with what it means; only its name where it has no plain default."""
    if value is None or value == () or isinstance(value, BaseModel):
        return f"{key}: {field.description}"
    plain = list(value) if isinstance(value, tuple) else value
    text = " ".join(tomli_w.dumps({key: plain}).split())
    return f"{text.replace('[ ', '[').replace(', ]', ']')}  # {field.description}"


def _without_empty(node: Any) -> Any:
    """Return a tree without tables and lists that say nothing."""
    if isinstance(node, dict):
        kept = {key: _without_empty(value) for key, value in node.items()}
        return {key: value for key, value in kept.items() if value != {}}
    return [_without_empty(value) for value in node] if isinstance(node, list) else node
