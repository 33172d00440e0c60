"""Block - metal -> halves, cores, clearances."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from moldprep.errors import StageError
from moldprep.geometry.rays import Rays
from moldprep.geometry.solid import Solid
from moldprep.mold.block import Block, make_block
from moldprep.mold.bolts import add_bolts
from moldprep.mold.contour import FLANGE_MM, contoured
from moldprep.mold.core_bores import add_bores
from moldprep.mold.cores import Cores, find_cores
from moldprep.mold.cutting import Cutting, Named
from moldprep.mold.declared import declared_bodies
from moldprep.mold.enclosed import Hemmed, find_hemmed
from moldprep.mold.features import Outside, add_core_vents, add_straps
from moldprep.mold.halves import cut_halves, floating, is_speck, layer_names, place_text
from moldprep.mold.inserts import SHAFT_ROLES, add_plugs, insert_play, plug_rooms
from moldprep.mold.joints import add_seal, head_kept_out_mm
from moldprep.mold.lifting import add_lifting
from moldprep.mold.locators import add_locators
from moldprep.mold.marks import add_marks
from moldprep.mold.overhangs import find_overhangs
from moldprep.mold.pockets import Pocket, find_crossings, find_pockets
from moldprep.mold.skins import joint_skins
from moldprep.mold.split import split_large
from moldprep.mold.walls import Walls, choose_walls
from moldprep.records import (
    Alloy,
    CoreVentPlan,
    Job,
    Metal,
    Mold,
    Parting,
    Pattern,
    Piece,
    Printer,
    Rigging,
    RiggingPlan,
    Role,
    Sand,
)
from moldprep.tolerances import SLIVER_MM3
from moldprep.units import mass_kg

ORDER = {"drag": 0, "lid": 1, "core": 2, "cheek": 3, "cope": 4, "plug": 5}


@dataclass(frozen=True, kw_only=True)
class Layout:
    """What goes where, before the sand is cut.

    void   : what is neither sand nor its gaps: metal, inserts, mouths
    spare  : what else is no sand, by name: the play round inserts, skins too thin to print
    room   : the same, reaching into the void: no film of sand is left where an insert meets metal
    levels : heights at which the sand parts, from below [mm]
    """

    block: Block
    levels: tuple[float, ...]
    void: Solid
    spare: tuple[Named, ...]
    room: Solid
    found: Cores
    pockets: tuple[Pocket, ...]
    is_block: bool

    @property
    def taken(self) -> Solid:
        """All that is neither a half nor the inside of a core."""
        seats = [core.seats for core in self.found.cores]
        gaps = [pocket.gaps for pocket in self.pockets]
        return Solid.union([self.void, self.room, *seats, *gaps])

    @property
    def outside(self) -> Outside:
        """What features need to know."""
        low, high = self.block.solid.bounds
        ends = [float(low[2]), *self.levels, float(high[2])]
        names = layer_names(len(self.levels) + 1)
        lips = tuple(zip(names, ends[:-1], ends[1:], strict=True))
        if not self.is_block:
            lips = tuple(
                (name, low if name == "cope" else max(low, high - FLANGE_MM),
                 high if name == "drag" else min(high, low + FLANGE_MM))
                for name, low, high in lips
            )  # fmt: skip
        solid = self.block.solid
        return Outside(
            block=solid, bounds=solid.bounds, lips=lips, levels=self.levels, is_block=self.is_block
        )


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
        mold/parting-outside-block, mold/floating-sand.
    """
    walls = choose_walls(rigging, job, alloy, sand)
    filled = Solid.union([metal.solid, *(insert.solid for insert in rigging.inserts)])
    cast = [body.solid for body in rigging.castings]
    own = (
        declared_bodies(job, parting, pattern, plan.placements, cast, filled, Rays.of(filled))
        if job.cores.declared
        else ()
    )
    castings = [(solid, find_hemmed(solid, parting.z_mm)) for solid in cast]
    found = find_cores(filled, castings, own, job, sand, parting.z_mm)
    if job.cores.process == "only":
        return _cores_only(found, parting.z_mm, job, sand)
    layout = lay_out(metal.solid, filled, rigging, castings, found, parting, plan, job, sand, walls)
    taken = layout.taken
    cores = [core.solid for core in layout.found.cores]
    halves = cut_halves(layout.block.solid, taken, cores, layout.levels, alloy, sand)
    gaps = [
        (f"{core.name} print gaps", core.seats - core.solid - layout.void)
        for core in layout.found.cores
    ]
    pocket_gaps = Solid.union(pocket.gaps for pocket in layout.pockets)
    away = Solid.union([layout.void, *cores, *(core.seats for core in layout.found.cores)])
    cutting = Cutting(
        pieces=(
            *halves.pieces,
            *(Piece(name=c.name, role="core", solid=c.solid) for c in layout.found.cores),
        ),
        clearances=(*layout.block.mouths, *layout.spare),
        notes=(
            walls.reason,
            *_saved_notes(layout, sand),
            *layout.block.notes,
            *layout.found.notes,
            *(pocket.note for pocket in layout.pockets),
        ),
    ).plus(
        [
            *gaps,
            ("pocket gaps", pocket_gaps - away),
            ("specks of sand too small to print", halves.specks),
        ]
    )
    cutting = add_plugs(cutting, rigging.inserts, layout.levels, job.mold.clearance_mm)
    if wants_seal(metal.solid, parting.joints_mm[0], job, alloy):
        cutting = add_seals(cutting, layout)
    cutting = add_features(cutting, layout, taken, rigging, plan.core_vents, job, sand, printer)
    cutting = _tidied(cutting, alloy, sand)
    return Mold(
        block=layout.block.solid,
        metal=metal.solid,
        pieces=tuple(sorted(cutting.pieces, key=_order)),
        clearances=cutting.clearances,
        inserts_mm3=layout.block.inserts.volume_mm3,
        inserts=rigging.inserts,
        z_mm=parting.z_mm,
        prints=print_bodies(layout.found),
        notes=cutting.notes,
        cheeks_mm=parting.cheeks_mm,
    )


def lay_out(
    metal: Solid,
    filled: Solid,
    rigging: Rigging,
    castings: Sequence[tuple[Solid, Hemmed]],
    found: Cores,
    parting: Parting,
    plan: RiggingPlan,
    job: Job,
    sand: Sand,
    walls: Walls,
) -> Layout:
    """Return cores, pockets and the block that holds them and the metal."""
    z_mm = parting.z_mm
    pockets = [
        pocket
        for casting, hemmed in castings
        for pocket in find_pockets(casting, filled, hemmed, z_mm, job.mold.clearance_mm, sand)
    ]
    pockets += find_crossings(found.stuck, filled, z_mm, job.mold.clearance_mm)
    pockets += find_overhangs(found.cores, filled, z_mm, job.mold.clearance_mm, sand)
    seats = [one.seat for core in found.cores for one in core.prints]
    block = make_block(metal, rigging, plan, walls, seats)
    levels = _levels(block, parting)
    if job.mold.form == "contour":
        plugs = plug_rooms(rigging.inserts, levels, float(block.solid.bounds[1, 2]))
        block = replace(
            block,
            solid=contoured(
                block.solid,
                [filled, *seats, *(core.solid for core in found.cores), *plugs],
                levels,
                walls.side_mm,
            ),
        )
    void = filled + block.open_up
    gaps = [pocket.gaps for pocket in pockets]
    away = Solid.union([void, *gaps, *(body for c in found.cores for body in (c.solid, c.seats))])
    rooms = [core.seats for core in found.cores]
    spare = [
        *insert_play(rigging.inserts, job.mold.clearance_mm),
        ("skins too thin to print", joint_skins(void + Solid.union(rooms), levels)),
    ]
    spare = [(name, body & block.solid) for name, body in spare]
    return Layout(
        block=block,
        levels=levels,
        is_block=job.mold.form == "block",
        void=void,
        spare=_apart([(name, body - away) for name, body in spare]),
        room=Solid.union(body for _, body in spare),
        found=found,
        pockets=tuple(pockets),
    )


def _saved_notes(layout: Layout, sand: Sand) -> list[str]:
    """Return how much sand a contoured shape saves against the block of the same extents."""
    if layout.is_block:
        return []
    around = float(np.prod(layout.block.solid.size_mm))
    saved = around - layout.block.solid.volume_mm3
    kg = mass_kg(saved, sand.density_kg_m3)
    return [
        f"contoured: {saved / 1e6:.1f} L ({kg:.0f} kg) of sand less than a block of the same"
        f" extents, {100.0 * saved / around:.0f} % of it"
    ]


def _apart(bodies: Sequence[Named]) -> tuple[Named, ...]:
    """Return the bodies that are not empty, without what an earlier one holds already."""
    left: list[Named] = []
    for name, body in bodies:
        for _, earlier in left:
            body = body - earlier if body.may_touch(earlier) else body
        if not body.is_empty:
            left.append((name, body))
    return tuple(left)


def _cores_only(found: Cores, z_mm: float, job: Job, sand: Sand) -> Mold:
    """Return the cores alone; the block is the room they need in somebody else's mold.

    Raises
    ------
    StageError
        mold/no-core.
    """
    if not found.cores:
        raise StageError(
            "the job asks for cores only, but no sand of this casting needs to be one",
            code="mold/no-core",
            where="[cores] process",
            fix="declare one under [[cores.declared]], or set process = 'pieces'",
        )
    cutting = Cutting(
        pieces=tuple(Piece(name=c.name, role="core", solid=c.solid) for c in found.cores),
        clearances=tuple((f"{c.name} print gaps", c.seats - c.solid) for c in found.cores),
        notes=(*found.notes, *_fit_notes(found, job)),
    )
    block = Solid.union(body for core in found.cores for body in (core.solid, core.seats))
    outside = Outside(block=block, bounds=block.bounds, lips=(), levels=(), is_block=False)
    if job.mold.marks:
        cutting = add_marks(cutting, job.name, None, found.cores, outside, sand)
    return Mold(
        block=block,
        metal=Solid.empty(),
        pieces=cutting.pieces,
        clearances=cutting.clearances,
        inserts_mm3=0.0,
        z_mm=z_mm,
        prints=print_bodies(found),
        notes=cutting.notes,
    )


def _fit_notes(found: Cores, job: Job) -> list[str]:
    """Return what the pattern maker needs to know of each print: size, taper, gap."""
    play, coating = job.cores.clearance_mm, job.mold.coating_mm
    lines = ["cores only: the pattern carries the print bodies of the package, gaps included"]
    for core in found.cores:
        for k, one in enumerate(core.prints, start=1):
            size = " x ".join(f"{side:.1f}" for side in one.seat.size_mm)
            lines.append(
                f"fit of {core.name} print {k}: {one.length_mm:.1f} mm long, seat {size} mm "
                f"{place_text(one.end_mm)}, taper {job.cores.taper_deg:g} deg, gap"
                f" {play + coating:.2f} mm each face ({play:g} clearance + {coating:g} coating)"
            )
        lines += [
            f"fit of {core.name}: no print {place_text(gap.bounds.mean(axis=0))}, it ends flush"
            for gap in core.flush
        ]
    return lines


def wants_seal(metal: Solid, z_mm: float, job: Job, alloy: Alloy) -> bool:
    """Return whether the joint gets a groove for a rope: the job's word, else by the head on it."""
    if job.mold.seal != "auto":
        return job.mold.seal == "groove"
    gap = max(job.mold.clearance_mm, job.cores.clearance_mm)
    holds = head_kept_out_mm(gap, alloy.surface_tension_n_m, alloy.density_liquid_kg_m3)
    return float(metal.bounds[1, 2]) - z_mm > holds


def add_seals(cutting: Cutting, layout: Layout) -> Cutting:
    """Return the pieces with a groove for a rope in the lower one of every joint."""
    names = layer_names(len(layout.levels) + 1)
    hollow = Solid.union(
        [layout.void, *(core.seats for core in layout.found.cores), *_shaft_bodies(cutting)]
    )
    for level, below in zip(layout.levels, names, strict=False):
        cutting = add_seal(cutting, below, hollow, level, layout.block.solid.bounds)
    return cutting


def print_bodies(found: Cores) -> tuple[tuple[str, Solid], ...]:
    """Return what the pattern must carry for each print: the print and its gaps."""
    return tuple(
        (f"{core.name} print {k}", one.seat)
        for core in found.cores
        for k, one in enumerate(core.prints, start=1)
    )


def add_features(
    cutting: Cutting,
    layout: Layout,
    taken: Solid,
    rigging: Rigging,
    core_vents: Sequence[CoreVentPlan],
    job: Job,
    sand: Sand,
    printer: Printer,
) -> Cutting:
    """Return the pieces with straps, locators, vents, lifting and marks, in that order."""
    outside, names = layout.outside, layer_names(len(layout.levels) + 1)
    cutting = add_straps(cutting, outside)
    if not layout.is_block:
        cutting = add_bolts(cutting, layout.levels, taken, outside)
    if job.mold.locators:
        for level, below, above in zip(layout.levels, names[:-1], names[1:], strict=True):
            cutting = add_locators(cutting, below, above, level, job.mold.clearance_mm)
    plugs = _shaft_bodies(cutting)
    gaps = [*_named(cutting, "locator"), *plugs]
    hollow = Rays.of(Solid.union([layout.void, *gaps]))
    cutting = add_core_vents(cutting, layout.found.cores, hollow, outside)
    cutting = add_bores(cutting, layout.found.cores, core_vents, outside)
    if job.mold.split_too_large:
        roles = (Role.FEEDER, Role.INGATE, Role.SPRUE)
        clear = [*(body.solid for body in rigging.of_role(*roles)), *plugs]
        cutting = split_large(
            cutting, clear, sand, printer, job.mold.clearance_mm, job.mold.split_joint
        )
    cutting = add_lifting(cutting, job.mold.lifting, outside, sand, printer)
    if job.mold.marks:
        sprues = rigging.of_role(Role.SPRUE, Role.BASIN)
        sprue = sprues[0].solid.bounds.mean(axis=0) if sprues else None
        cutting = add_marks(cutting, job.name, sprue, layout.found.cores, outside, sand)
    return cutting


def _tidied(cutting: Cutting, alloy: Alloy, sand: Sand) -> Cutting:
    """Return the pieces as one body each: what a cut left over is a speck, or an error.

    Raises
    ------
    StageError
        mold/floating-sand.
    """
    solids: dict[str, Solid] = {}
    specks: list[Solid] = []
    for piece in cutting.pieces:
        whole, *rest = piece.solid.parts()
        for part in rest:
            if not is_speck(part, sand):
                raise floating(part, piece.name, alloy, sand)
            if part.volume_mm3 > SLIVER_MM3:
                specks.append(part)
        if rest:
            solids[piece.name] = whole
    return cutting.with_solids(solids).plus([("specks cut off", Solid.union(specks))])


def _shaft_bodies(cutting: Cutting) -> list[Solid]:
    """Return what fills the shafts over sleeves: plugs and lids, and the gaps round them."""
    closing = [piece for piece in cutting.pieces if piece.role in SHAFT_ROLES]
    gaps = [body for piece in closing for body in _named(cutting, f"{piece.name} gap")]
    return [*(piece.solid for piece in closing), *gaps]


def _named(cutting: Cutting, part: str) -> list[Solid]:
    """Return what was cut away under names that hold this text."""
    return [body for name, body in cutting.clearances if part in name]


def _levels(block: Block, parting: Parting) -> tuple[float, ...]:
    """Return every height at which the sand parts, from below; all must be inside the block."""
    levels = parting.joints_mm
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
