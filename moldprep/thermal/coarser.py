"""The same heat on cubes twice as wide: for what is left to cool once the castings are solid.

What eight cells hold together goes into one, to the last joule; from there the coarser grid finds
its own temperatures. The work falls to a sixteenth.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldprep.thermal.cells import Cells, shared_out
from moldprep.thermal.conduction import HeatFlow
from moldprep.thermal.materials import OUTSIDE

EDGE: Final = 2
"""Layers around the cells in the arrays of a flow."""

Values = NDArray[np.float32]
Widths = tuple[tuple[int, int], ...]


def coarser(flow: HeatFlow) -> HeatFlow:
    """Return a flow that goes on from this one on cells of twice the pitch.

    Grids of odd size get a layer of cold sand at the low end of the axis, so that open tops stay
    on faces of cells. Metal and sand of cut cells are shared out anew, each with its own heat.
    """
    inner = (slice(EDGE, -EDGE),) * 3
    held, heat = flow.cells, flow.heat_j_mm3
    fine = held.rest[inner]
    widths = _widths(fine)
    rest = _most(_padded(fine, widths), np.pad(held.metal[inner], widths), len(flow.media))
    rest = np.pad(rest, EDGE, constant_values=OUTSIDE)
    is_metal = held.metal > 0.0
    metal, other = _wide(held.metal, widths), _wide(held.other, widths, 1.0)
    of_metal = _wide(np.where(is_metal, heat, np.float32(0.0)), widths)
    of_other = _wide(np.where(is_metal, np.float32(0.0), heat), widths)
    share = np.minimum(metal, 1.0)
    cells = Cells(*shared_out(share, rest, metal, other), rest)
    rough = HeatFlow(
        share[inner], rest[inner], flow.media, 2.0 * flow.pitch_mm, flow.skin, cells=cells
    )
    hot, cold = shared_out(share, rest, of_metal, of_other)
    rough.take_over((hot + cold)[inner], flow)
    return rough


def _wide(values: Values, widths: Widths, around: float = 0.0) -> Values:
    """Return the means of each eight cells of a flow, with two layers around."""
    whole = np.pad(values[(slice(EDGE, -EDGE),) * 3], widths, constant_values=around)
    return np.pad(_mean(whole), EDGE)


def finer(values: Values, rest: NDArray[np.uint8]) -> Values:
    """Return (…, nx, ny, nz) values of the coarser grid on the cells of the grid it was made of.

    `rest` is that of the fine grid, without layers around it.
    """
    for axis in (-3, -2, -1):
        values = np.repeat(values, 2, axis)
    x, y, z = (slice(low, low + n) for (low, _), n in zip(_widths(rest), rest.shape, strict=True))
    return values[..., x, y, z]


def _widths(rest: NDArray[np.uint8]) -> Widths:
    """Return the layers to add at both ends of each axis, for even numbers of cells."""
    is_open = bool((rest[..., -1] == OUTSIDE).all())
    n_x, n_y, n_z = rest.shape
    return ((n_x % 2, 0), (n_y % 2, 0), ((n_z - is_open) % 2, int(is_open)))


def _padded(rest: NDArray[np.uint8], widths: Widths) -> NDArray[np.uint8]:
    padded = np.pad(rest, widths, constant_values=1)
    if widths[2][1]:
        padded[..., -2:] = OUTSIDE  # the open top, also over what is added beside it
    return padded


def _blocks(values: NDArray[np.generic]) -> NDArray[np.generic]:
    """Return the (8, nx / 2, ny / 2, nz / 2) values of each two by two by two cells."""
    n_x, n_y, n_z = (n // 2 for n in values.shape)
    apart = values.reshape(n_x, 2, n_y, 2, n_z, 2).transpose(1, 3, 5, 0, 2, 4)
    return apart.reshape(8, n_x, n_y, n_z)


def _mean(values: Values) -> Values:
    return np.asarray(_blocks(values).mean(axis=0, dtype=np.float64), np.float32)


def _most(rest: NDArray[np.uint8], metal: Values, n_media: int) -> NDArray[np.uint8]:
    """Return the medium with most of what is not metal; outside only where nothing else is."""
    room = np.where(rest == OUTSIDE, np.float32(1e-6), np.maximum(1.0 - metal, 0.0))
    names = [1, *range(2, n_media), OUTSIDE]
    shares = [_mean(np.where(rest == name, room, 0.0).astype(np.float32)) for name in names]
    return np.asarray(np.take(names, np.argmax(shares, axis=0)), np.uint8)
