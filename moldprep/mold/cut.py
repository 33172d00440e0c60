"""Block - metal -> halves, cores, clearances."""

from collections.abc import Sequence
from dataclasses import replace

from moldprep.errors import StageError
from moldprep.geometry.solid import Solid
from moldprep.mold.block import Block, make_block
from moldprep.mold.cores import find_cores
from moldprep.mold.enclosed import find_hemmed
from moldprep.mold.features import Cutting, add_locators
from moldprep.mold.halves import cut_halves
from moldprep.mold.pockets import Pocket, find_pockets
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
    z_mm, gap_mm = parting.z_mm, job.mold.clearance_mm
    walls = choose_walls(rigging, job, alloy, sand)
    filled = Solid.union([metal.solid, *(insert.solid for insert in rigging.inserts)])
    castings = [(body.solid, find_hemmed(body.solid, z_mm)) for body in rigging.castings]
    found = find_cores(filled, castings, job, sand, z_mm)
    pockets = [
        pocket
        for casting, hemmed in castings
        for pocket in find_pockets(casting, filled, hemmed, z_mm, gap_mm, sand)
    ]
    seats = [one.seat for core in found.cores for one in core.prints]
    block = make_block(metal.solid, rigging, plan, walls, seats)
    levels = _levels(block, parting, job)
    void = Solid.union([metal.solid, block.inserts, *(mouth for _, mouth in block.mouths)])
    away = [body for pocket in pockets for body in (pocket.solid, pocket.gaps)]
    taken = Solid.union([void, *seats, *(core.solid for core in found.cores), *away])
    halves = cut_halves(block.solid, taken, levels, alloy, sand)
    cutting = Cutting(
        pieces=_with_pockets(halves.pieces, pockets),
        clearances=block.mouths,
        notes=(walls.reason, *found.notes, *(pocket.note for pocket in pockets)),
    ).plus(
        [
            ("specks of sand too small to print", halves.specks),
            *((f"{core.name} print gaps", core.seats - core.solid - void) for core in found.cores),
            ("pocket gaps", Solid.union(pocket.gaps for pocket in pockets)),
        ]
    )
    if job.mold.locators:
        for level, below, above in zip(levels, halves.pieces, halves.pieces[1:], strict=False):
            cutting = add_locators(cutting, below.name, above.name, level, gap_mm)
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


def _with_pockets(pieces: Sequence[Piece], pockets: Sequence[Pocket]) -> tuple[Piece, ...]:
    """Return the halves with the pockets that stand on them."""
    return tuple(
        replace(
            piece,
            solid=Solid.union(
                [piece.solid, *(pocket.solid for pocket in pockets if pocket.half == piece.name)]
            ),
        )
        for piece in pieces
    )


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
