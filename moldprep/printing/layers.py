"""The layers a printer reads: outlines of a piece at the middle of every layer of its box."""

from dataclasses import dataclass

from shapely.geometry import MultiPolygon

from moldprep.geometry.solid import Solid
from moldprep.printing.estimate import n_layers
from moldprep.records import BoxItem, BoxPlan, Mold, Printer


@dataclass(frozen=True, eq=False)
class PieceLayers:
    """One piece in its job box, body and layers. [mm]

    first    : number of the layer its lowest sand is in, 0 at the floor of the box
    outlines : one for each layer from there up
    layer_mm : thickness
    """

    name: str
    role: str
    solid: Solid
    first: int
    outlines: tuple[MultiPolygon, ...]
    layer_mm: float


def slice_box(plan: BoxPlan, mold: Mold, printer: Printer, box: int) -> list[PieceLayers]:
    """Return the layers of every piece in one job box, box frame.

    Parameters
    ----------
    plan
        Which piece lies where.
    mold
        The pieces.
    printer
        Thickness of a layer.
    box
        Number of the box, from 1.
    """
    pieces = {piece.name: piece for piece in mold.pieces}
    return [
        _slice(pieces[item.piece].name, pieces[item.piece].role, placed(mold, item), printer)
        for item in plan.items
        if item.box == box
    ]


def placed(mold: Mold, item: BoxItem) -> Solid:
    """Return a piece where it lies in its box."""
    (piece,) = (piece for piece in mold.pieces if piece.name == item.piece)
    return piece.solid.turned((0.0, 0.0, item.turn_deg)).moved(item.move_mm)


def _slice(name: str, role: str, solid: Solid, printer: Printer) -> PieceLayers:
    layer = printer.layer_mm
    low, high = solid.bounds[:, 2]
    first, end = int(max(low, 0.0) / layer + 1e-9), n_layers(float(high), layer)
    return PieceLayers(
        name=name,
        role=role,
        solid=solid,
        first=first,
        outlines=tuple(solid.slice_at((k + 0.5) * layer) for k in range(first, end)),
        layer_mm=layer,
    )
