"""What every record shares: sealed arrays."""

from dataclasses import fields

import numpy as np


def seal(record: object) -> None:
    """Make every array of a frozen dataclass record read-only."""
    for field in fields(record):  # type: ignore[arg-type]
        value = getattr(record, field.name)
        if isinstance(value, np.ndarray):
            value.setflags(write=False)
