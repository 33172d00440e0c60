"""What the models of result.json are made of: numbers that may be missing, places, extents."""

import math
from typing import Annotated, Any

import numpy as np
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field


def _known(value: Any) -> Any:
    """Return null for a number that was not measured."""
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _listed(value: Any) -> Any:
    return value.tolist() if isinstance(value, np.ndarray) else value


Number = Annotated[float | None, BeforeValidator(_known)]
Point = Annotated[tuple[float, float, float], BeforeValidator(_listed)]
Place = Annotated[tuple[float, ...], BeforeValidator(_listed), Field(max_length=3)]
Bounds = Annotated[tuple[Point, Point], BeforeValidator(_listed)]
Affine = Annotated[
    tuple[tuple[float, float, float, float], ...],
    BeforeValidator(_listed),
    Field(min_length=3, max_length=3),
]


class Part(BaseModel):
    """One object of the file: no key beside those named."""

    model_config = ConfigDict(from_attributes=True, extra="forbid", frozen=True)
