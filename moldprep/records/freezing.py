"""Grid, Freezing, Feeding."""

from dataclasses import dataclass

import networkx as nx
import numpy as np
from numpy.typing import NDArray

from moldprep.records.base import seal

AIR = "air"
"""Name of the material over open metal, among `Grid.materials`."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Grid:
    """The metal cut into cubes, with a belt of sand around it. Part frame.

    label     : (nx, ny, nz) uint16, 0 sand, k = Metal.parts[k - 1] (the part with most of the cell)
    fraction  : (nx, ny, nz) float32, share of the cell that is metal, 0 to 1
    material  : (nx, ny, nz) uint8, what the rest of the cell is: index into `materials`
    materials : names: the sand first, then chills and sleeves as they occur, air last
    pitch_mm  : edge of one cube [mm]
    origin_mm : (3,) float64, corner of cube (0, 0, 0), part frame [mm];
                the center of cube i is origin_mm + (i + 0.5) * pitch_mm
    """

    label: NDArray[np.uint16]
    fraction: NDArray[np.float32]
    material: NDArray[np.uint8]
    materials: tuple[str, ...]
    pitch_mm: float
    origin_mm: NDArray[np.float64]

    def __post_init__(self) -> None:
        if self.label.ndim != 3 or self.origin_mm.shape != (3,) or not self.pitch_mm > 0.0:
            raise ValueError(f"Grid: label {self.label.shape}, pitch {self.pitch_mm}")
        if not self.label.shape == self.fraction.shape == self.material.shape:
            raise ValueError(f"Grid: {self.label.shape}, {self.fraction.shape}")
        seal(self)


@dataclass(frozen=True, kw_only=True, eq=False)
class Freezing:
    """When every piece of metal freezes. All arrays (nx, ny, nz) float32, NaN in sand.

    time_s             : from a full mold to solid [s]
    gradient_k_mm      : temperature gradient near the end of freezing [K/mm]
    cooling_k_s        : cooling rate near the end of freezing [K/s]
    niyama             : gradient / sqrt(cooling rate) [(K s)^½/mm]
    heat_balance_error : |heat in - heat out| / heat in [-]
    time_all_solid_s   : last metal to freeze [s]
    shake_out_s        : hottest metal under the alloy's knock-out temperature [s]; NaN if not run
    """

    time_s: NDArray[np.float32]
    gradient_k_mm: NDArray[np.float32]
    cooling_k_s: NDArray[np.float32]
    niyama: NDArray[np.float32]
    pitch_mm: float
    n_cells: int
    n_steps: int
    heat_balance_error: float
    time_all_solid_s: float
    shake_out_s: float

    def __post_init__(self) -> None:
        if not self.time_s.shape == self.gradient_k_mm.shape == self.niyama.shape:
            raise ValueError(f"Freezing: {self.time_s.shape}, {self.niyama.shape}")
        seal(self)


@dataclass(frozen=True, kw_only=True)
class HotSpot:
    """A place that freezes later than all around it.

    name                : its section's, with a number where a section has more than one
    section             : name of the thermal section it is in, as in `Feeding.sections`
    part                : name of the casting
    modulus_mm          : thermal modulus sqrt(t / (C r)), with r the middle, over the sections, of
                          the solve's freezing time over the modulus rule's: a bare section of this
                          modulus freezes as late by the rule
    fed_by              : feeder that fed it last, until it was solid, "expansion" where an
                          iron's own is counted on, "" for none
    closed_s            : when it lost its last feeder; its own freezing time where it never did
    isolated_volume_mm3 : metal still liquid when it lost its last feeder; 0 where fed
    hole_mm3            : contraction x isolated volume
    hole_at_mm          : highest point of the isolated pool, where the hole will sit
    section_volume_mm3  : metal the isolated volume is a share of: its section's; where the pool is
                          larger, with all it spills over
    cure                : what would help, "" where fed
    gate                : name of the ingate beside it that keeps it hot, "" for none
    """

    name: str
    section: str
    part: str
    at_mm: tuple[float, float, float]
    modulus_mm: float
    freezing_time_s: float
    fed_by: str
    closed_s: float
    isolated_volume_mm3: float
    hole_mm3: float
    hole_at_mm: tuple[float, float, float]
    section_volume_mm3: float
    cure: str
    gate: str = ""


@dataclass(frozen=True, kw_only=True)
class FeedSection:
    """One thermal section of the whole metal.

    part  : name of the body it is in
    order : its place in the order of freezing, 1 for the first
    """

    name: str
    part: str
    volume_mm3: float
    freezing_time_s: float
    order: int


@dataclass(frozen=True, kw_only=True)
class FeedPair:
    """One feeder and one section it serves."""

    feeder: str
    section: str
    feeder_time_s: float
    section_time_s: float
    neck_time_s: float
    feeder_modulus_mm: float
    section_modulus_mm: float
    feeder_volume_mm3: float
    need_mm3: float  # demand x what it feeds of this section, after neighbors' help
    can_give_mm3: float  # (efficiency - demand) x feeder volume, to all it serves
    distance_mm: float
    reach_mm: float
    neck_mm: tuple[float, float, float]


@dataclass(frozen=True, kw_only=True, eq=False)
class Feeding:
    """Sections of the whole metal, the hot spots left, and which feeder serves what.

    sections  : thermal sections, in the order of their labels
    hot_spots : pools cut off, the largest first, then the sections that a feeder held
    pairs     : each feeder with each section it serves
    label     : (nx, ny, nz) uint16 on the grid, 0 outside, k = sections[k - 1]
    graph     : networkx.Graph of sections; edges carry `time_s`, when the neck between them
                freezes
    """

    sections: tuple[FeedSection, ...]
    hot_spots: tuple[HotSpot, ...]
    pairs: tuple[FeedPair, ...]
    graph: nx.Graph  # type: ignore[type-arg]
    label: NDArray[np.uint16]

    def __post_init__(self) -> None:
        seal(self)
