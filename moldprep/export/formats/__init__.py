"""Print file formats: every file of this folder is one. A file that fails to import is an error."""

from collections.abc import Sequence
from importlib import import_module
from pathlib import Path
from pkgutil import iter_modules
from typing import Protocol, cast

from moldprep.export.printable import Printable


class Format(Protocol):
    """What a format's file defines.

    NAME, SUFFIX : for instance "stl", ".stl"
    HOLDS_MANY   : whether one file holds many named bodies
    """

    NAME: str
    SUFFIX: str
    HOLDS_MANY: bool

    def write(self, bodies: Sequence[Printable], path: Path, title: str) -> None:
        """Write bodies; same bodies, same bytes."""

    def read(self, path: Path) -> list[Printable]:
        """Return the bodies in a file, with a reader other than the writer."""


def formats() -> dict[str, Format]:
    """Return every format by name."""
    names = sorted(info.name for info in iter_modules(__path__))
    modules = [import_module(f"{__name__}.{name}") for name in names]
    return {module.NAME: cast(Format, module) for module in modules}
