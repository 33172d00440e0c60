"""Results: what has been made so far."""

from collections.abc import Iterator
from dataclasses import dataclass
from types import MappingProxyType
from typing import TypeVar

from moldprep.errors import NotMade

T = TypeVar("T")


class Results:
    """What has been made so far: at most one record of each type. Never changes."""

    def __init__(self, *records: object) -> None:
        self._made = MappingProxyType({type(record): record for record in records})
        if len(self._made) != len(records):
            raise ValueError("Results: two records of one type")

    def __iter__(self) -> Iterator[object]:
        return iter(self._made.values())

    def __contains__(self, kind: type[object]) -> bool:
        return kind in self._made

    def need(self, kind: type[T]) -> T:
        """Return the record of this type, or raise NotMade."""
        if kind not in self._made:
            raise NotMade(kind.__name__)
        record = self._made[kind]
        assert isinstance(record, kind)  # for the type checker
        return record

    def plus(self, record: object) -> "Results":
        """Return a new Results that also holds this record, in place of one of its type."""
        return Results(*({**self._made, type(record): record}.values()))

    def without(self, *kinds: type[object]) -> "Results":
        """Return a new Results that no longer holds records of these types."""
        return Results(*(record for kind, record in self._made.items() if kind not in kinds))


@dataclass(frozen=True)
class Timings:
    """How long each stage took, summed over rounds. The only thing that may differ between runs."""

    seconds: tuple[tuple[str, float], ...]
