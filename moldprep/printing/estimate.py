"""How long a print run takes, and what it uses up."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from moldprep.records import Printer, Sand
from moldprep.units import mass_kg


@dataclass(frozen=True, kw_only=True)
class PrintEstimate:
    """Layers, time, sand and binder of one print run.

    sand_kg    : spread in all boxes
    printed_kg : in the pieces
    fill_pct   : volume of the pieces over the volume of sand spread
    """

    n_layers: int
    print_time_s: float
    sand_kg: float
    printed_kg: float
    binder_kg: float
    fill_pct: float


def n_layers(height_mm: float, layer_mm: float) -> int:
    """Return how many layers a height takes; the last one may be part full.

    Examples
    --------
    >>> n_layers(100.0, 0.28)
    358
    >>> n_layers(84.0, 0.28)
    300
    """
    return math.ceil(round(height_mm / layer_mm, 6))


def estimate_print(
    heights_mm: Sequence[float], pieces_mm3: float, printer: Printer, sand: Sand
) -> PrintEstimate:
    """Return what filling boxes to these heights takes.

    A layer takes the same time however much of it is printed, so time follows the number of
    layers, plus the set-up of each box.

    Parameters
    ----------
    heights_mm
        Height of the print in each box. [mm]
    pieces_mm3
        Volume of all pieces in them. [mm³]
    printer
        Layer thickness and time, set-up time, box.
    sand
        Density as printed, binder share.
    """
    layers = [n_layers(height, printer.layer_mm) for height in heights_mm]
    spread_mm3 = sum(layers) * printer.layer_mm * printer.box_mm[0] * printer.box_mm[1]
    printed_kg = mass_kg(pieces_mm3, sand.density_kg_m3)
    return PrintEstimate(
        n_layers=sum(layers),
        print_time_s=len(layers) * printer.set_up_s + sum(layers) * printer.layer_s,
        sand_kg=mass_kg(spread_mm3, sand.density_kg_m3),
        printed_kg=printed_kg,
        binder_kg=printed_kg * sand.binder.pct_of_sand / 100.0,
        fill_pct=100.0 * pieces_mm3 / spread_mm3 if spread_mm3 > 0.0 else 0.0,
    )
