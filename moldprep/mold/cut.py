"""Block - metal -> halves, cores, clearances."""

from moldprep.errors import StageError
from moldprep.geometry.solid import Solid
from moldprep.mold.block import Block, make_block
from moldprep.mold.cores import find_cores
from moldprep.mold.features import Cutting, add_locators
from moldprep.mold.halves import cut_halves
from moldprep.mold.walls import choose_walls
from moldprep.records import (
    Alloy,
    Job,
    Metal,
    Mold,
    Parting,
    Pattern,
    Piece,
    Printer,
    Rigging,
    RiggingPlan,
    Sand,
)

ORDER = {"drag": 0, "core": 1, "cheek": 2, "cope": 3}


def cut_mold(
    metal: Metal,
    rigging: Rigging,
    pattern: Pattern,
    parting: Parting,
    plan: RiggingPlan,
    job: Job,
    alloy: Alloy,
    sand: Sand,
    printer: Printer,
) -> Mold:
    """Return the sand around the metal as pieces.

    Raises
    ------
    StageError
        mold/no-parting-through-block, mold/floating-sand.
    """
    walls = choose_walls(rigging, job, alloy, sand)
    found = find_cores(_filled(metal, rigging), rigging, job, sand, parting.z_mm)
    seats = [print_.seat for core in found.cores for print_ in core.prints]
    block = make_block(metal.solid, rigging, plan, walls, seats)
    levels = _levels(block, parting, job)
    void = Solid.union([metal.solid, block.inserts, *(mouth for _, mouth in block.mouths)])
    taken = Solid.union([void, *seats, *(core.solid for core in found.cores)])
    halves = cut_halves(block.solid, taken, levels, alloy, sand)
    gaps = [(f"{core.name} print gaps", core.seats - core.solid - void) for core in found.cores]
    cutting = Cutting(
        pieces=halves.pieces,
        clearances=block.mouths,
        notes=(walls.reason, *found.notes),
    ).plus([("specks of sand too small to print", halves.specks), *gaps])
    if job.mold.locators:
        for level, below, above in zip(levels, halves.pieces, halves.pieces[1:], strict=False):
            cutting = add_locators(cutting, below.name, above.name, level, job.mold.clearance_mm)
    cores = [Piece(name=core.name, role="core", solid=core.solid) for core in found.cores]
    return Mold(
        block=block.solid,
        metal=metal.solid,
        pieces=tuple(sorted((*cutting.pieces, *cores), key=_order)),
        clearances=cutting.clearances,
        inserts_mm3=block.inserts.volume_mm3,
        z_mm=parting.z_mm,
        notes=cutting.notes,
    )


def _filled(metal: Metal, rigging: Rigging) -> Solid:
    """Return all that is not sand: metal, chills and sleeves."""
    return Solid.union([metal.solid, *(insert.solid for insert in rigging.inserts)])


def _levels(block: Block, parting: Parting, job: Job) -> list[float]:
    """Return every height at which the sand parts, from below."""
    levels = sorted({parting.z_mm, *job.mold.cheeks_at_mm})
    low, high = block.solid.bounds[:, 2]
    for level in levels:
        if not low < level < high:
            raise StageError(
                f"the mold cannot part at z = {level:.1f} mm: its sand goes from"
                f" {low:.1f} to {high:.1f}",
                code="mold/parting-outside-block",
                where="[parting] z_mm or [mold] cheeks_at_mm",
                fix="give a height inside the block, or a thicker wall above or below",
            )
    return levels


def _order(piece: Piece) -> int:
    return ORDER[piece.role]
