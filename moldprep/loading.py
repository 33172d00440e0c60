"""Loading a large library without the parts of it that nothing here uses."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from types import ModuleType


@contextmanager
def without(*names: str) -> Iterator[None]:
    """Keep parts of a library from being loaded with the rest; they can be imported afterwards."""
    absent = [name for name in names if name not in sys.modules]
    for name in absent:
        sys.modules[name] = _Nothing(name)
    try:
        yield
    finally:
        for name in absent:
            del sys.modules[name]


class _Nothing(ModuleType):
    """A module of which whatever is imported is None."""

    def __getattr__(self, _: str) -> None:
        return None
