"""Does it fit the printer?"""

from collections.abc import Iterator
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from moldprep.checks import check, judged, passed_over
from moldprep.findings import Finding, Verdict
from moldprep.records import BoxItem, BoxPlan, Job, Mold, Printer, Sand
from moldprep.results import Results


@check(
    id="printing/piece-fits-box",
    why="A piece larger than the job box cannot be printed in one go.",
    source="the printer's own box, see its file in configs/printers",
    limit=0.0,
    unit="mm",
)
def piece_fits_box(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the extents of each piece, the better way round, with the usable box."""
    plan, printer = results.need(BoxPlan), results.need(Printer)
    is_cut = results.need(Job).mold.split_too_large
    remedy = "take a larger printer (printer = …), thinner walls or mold.form = 'contour'"
    over = dict(plan.too_large)
    for piece in results.need(Mold).pieces:
        worst = float(np.max(over[piece.name])) if piece.name in over else 0.0
        size = " x ".join(f"{side:.0f}" for side in piece.solid.size_mm)
        yield judged(
            worst <= limit,
            f"{piece.name} is {size} mm"
            + (f", {worst:.1f} mm too large for {printer.id}" if worst > limit else ""),
            value=worst,
            part=piece.name,
            at_mm=tuple(piece.solid.centroid_mm),
            remedy=remedy if is_cut else f"set mold.split_too_large = true, or {remedy}",
        )


@check(
    id="printing/pieces-keep-their-gap",
    why="Pieces that touch in the job box come out as one, and cannot be dusted apart.",
    source="common practice, no source: 5 to 10 mm between small pieces, 15 to 25 mm large ones",
    limit=5.0,
    unit="mm",
    miss=Verdict.WARN,
)
def pieces_keep_their_gap(results: Results, limit: float) -> Iterator[Finding]:
    """Measure the smallest gap between the extents of pieces in one box."""
    placed = [(item, _extents(results, item)) for item in results.need(BoxPlan).items]
    gaps = [
        (float(np.max(np.maximum(a[0] - b[1], b[0] - a[1]))), one, other)
        for (one, a), (other, b) in combinations(placed, 2)
        if one.box == other.box
    ]
    if not gaps:
        yield passed_over("no two pieces share a box")
        return
    gap, one, other = min(gaps, key=lambda entry: (entry[0], entry[1].piece, entry[2].piece))
    yield judged(
        gap >= limit - 1e-6,
        f"{one.piece} and {other.piece} lie {gap:.1f} mm apart in box {one.box}",
        value=gap,
        part=one.piece,
        remedy="raise box.gap_mm",
    )


def _extents(results: Results, item: BoxItem) -> NDArray[np.float64]:
    """Return (2, 3) lowest and highest corner of a piece in its box. [mm]"""
    (piece,) = (one for one in results.need(Mold).pieces if one.name == item.piece)
    return piece.solid.turned((0.0, 0.0, item.turn_deg)).moved(item.move_mm).bounds


@check(
    id="printing/layer-carries-grain",
    why="A layer thinner than its grains drags them along and tears the layer below.",
    source="common practice, no source: layers of 0.28 mm carry grains of 0.14 to 0.25 mm",
    limit=1.0,
    unit="-",
    miss=Verdict.WARN,
)
def layer_carries_grain(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the layer with the mean grain."""
    printer, sand = results.need(Printer), results.need(Sand)
    ratio = printer.layer_mm / sand.grain_mm
    yield judged(
        ratio >= limit,
        f"layer {printer.layer_mm:.2f} mm on grain {sand.grain_mm:.2f} mm",
        value=ratio,
        remedy="take a finer sand, or a printer with a thicker layer",
    )
