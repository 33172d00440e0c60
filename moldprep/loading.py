"""Loading large libraries: without what nothing here uses, and without a search for garbage."""

import gc
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


@contextmanager
def for_good() -> Iterator[None]:
    """Keep what is loaded from being searched for garbage, then and later: all of it stays."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()
            gc.freeze()


class _Nothing(ModuleType):
    """A module of which whatever is imported is None."""

    def __getattr__(self, _: str) -> None:
        return None
