"""Mold, Handling, BoxPlan."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from moldprep.geometry.solid import Solid
from moldprep.records.base import seal
from moldprep.records.rigging import Insert


@dataclass(frozen=True, kw_only=True, eq=False)
class Piece:
    """One printed body of sand; part frame, where it sits in the closed mold.

    name     : "cope", "drag", "core-1", "cheek-1", "cope-a", "plug-F1"…
    role     : "cope", "drag", "core", "cheek"; "plug" or "lid": it closes the shaft over a sleeve,
               at the cope's top or at a joint
    cut      : its way through the cuts of the whole it is part of, first cut first: 0 the low
               side, 1 the high side; "" where it is whole
    is_glued : whether it is glued to the other parts before it goes in; else it goes in alone
    """

    name: str
    role: str
    solid: Solid
    cut: str = ""
    is_glued: bool = True


@dataclass(frozen=True, kw_only=True, eq=False)
class Mold:
    """The sand around the metal, cut into pieces. Block = metal + inserts + pieces + clearances.

    block      : outer shape (before features are cut into its outside)
    metal      : the cavity: everything that gets liquid
    pieces     : drag first, then lids, cores in setting order, cheeks, cope, and plugs last
    clearances : what is neither metal nor sand: gaps at joints, vents, lifting pockets, marks
    inserts_mm3: chills and sleeves
    inserts    : the same, one by one
    prints     : (name, body) of the room each core print sits in: what a pattern would carry
    z_mm       : parting plane
    cheeks_mm  : heights at which the sand parts besides
    """

    block: Solid
    metal: Solid
    pieces: tuple[Piece, ...]
    clearances: tuple[tuple[str, Solid], ...]
    inserts_mm3: float
    z_mm: float
    inserts: tuple[Insert, ...] = ()
    prints: tuple[tuple[str, Solid], ...] = ()
    notes: tuple[str, ...] = ()
    cheeks_mm: tuple[float, ...] = ()

    @property
    def joints_mm(self) -> tuple[float, ...]:
        """Every height at which the sand parts, from below. [mm]"""
        return tuple(sorted({self.z_mm, *self.cheeks_mm}))


@dataclass(frozen=True, kw_only=True)
class PieceFacts:
    """Measured facts of one piece.

    thinnest_mm        : thinnest place between two opposed faces
    slenderness        : length over thickness of its weakest finger, 0 where it has none
    bend_stress_mpa    : in that finger, under its weight or the buoyancy of metal around it
    pressure_pa        : of the metal, at the deepest face it wets
    metal_n            : force of the metal on it, x, y and z
    wall_mm            : thickness of the wall that the metal behind it bends most, with nothing to
                         lean on outside; 0 where there is none, or it is as stout as it is wide
    wall_span_mm       : free span of that wall
    wall_stress_mpa    : bending stress in it, as in a clamped plate
    loose_sand_mm3     : in voids an air lance or brush cannot reach
    hidden_mm2         : cavity face that cannot be seen from outside, so cannot be coated
    """

    name: str
    role: str
    mass_kg: float
    size_mm: tuple[float, float, float]
    center_of_mass_mm: tuple[float, float, float]
    thinnest_mm: float
    thinnest_at_mm: tuple[float, float, float]
    slenderness: float
    bend_stress_mpa: float
    bend_at_mm: tuple[float, float, float]
    pressure_pa: float
    metal_n: tuple[float, float, float]
    wall_mm: float
    wall_span_mm: float
    wall_stress_mpa: float
    wall_at_mm: tuple[float, float, float]
    loose_sand_mm3: float
    loose_at_mm: tuple[float, float, float]
    hidden_mm2: float
    hidden_at_mm: tuple[float, float, float]


@dataclass(frozen=True, kw_only=True)
class CoreFacts:
    """Measured facts of one core under metal.

    weight_n          : of the core
    lift_n            : force of the metal up, less the core's weight; negative: it stays down
    bearing_mm2       : print area that holds it: against the cope where it lifts, else on the drag
    bearing_mpa       : least pressure at which the sand round it holds that force where it acts
    rest_mm2          : level sand under it when it is set, before the cope is on
    rest_mpa          : least pressure at which that carries its weight; infinite where it falls
                        or tips
    overhang_mm       : how far its center of mass lies beyond what is under it, 0 within
    gas_ml            : gas of its binder, at room temperature
    gas_pressure_pa   : pressure that drives the gas out through vents and prints
    vented_mm         : length of its vents inside what the metal heats
    metal_pressure_pa : pressure of the metal at the core's highest wetted face
    """

    name: str
    weight_n: float
    lift_n: float
    bearing_mm2: float
    bearing_mpa: float
    rest_mm2: float
    rest_mpa: float
    overhang_mm: float
    gas_ml: float
    gas_pressure_pa: float
    vented_mm: float
    metal_pressure_pa: float
    at_mm: tuple[float, float, float]


@dataclass(frozen=True, kw_only=True)
class InsertFacts:
    """How a chill or a sleeve gets into the sand.

    material    : as in `Insert`
    piece       : the piece it is put into before the mold closes
    blocked_mm2 : sand in its way, seen along the best straight move; infinite where no sand holds
                  it, 0 where it goes in
    way         : that move in words
    """

    name: str
    material: str
    piece: str
    blocked_mm2: float
    way: str
    at_mm: tuple[float, float, float]


@dataclass(frozen=True, kw_only=True)
class AssemblyStep:
    """One straight move of one piece, and what it hits (nothing when `hits` is empty).

    piece   : the piece, or the whole that was glued of its parts: "cope" of "cope-a", "cope-b"
    is_join : whether it glues a part to others, before the whole goes in
    """

    piece: str
    direction: tuple[float, float, float]
    hits: tuple[str, ...]
    text: str
    is_join: bool = False


@dataclass(frozen=True, kw_only=True)
class Gap:
    """What lies between two pieces side by side.

    gap_mm       : smallest distance between them
    clearance_mm : smallest distance straight across faces that mate and do not touch; infinite
                   where all that mates touches
    touching_mm2 : area of faces that lie on each other
    at_mm        : where the clearance is smallest
    """

    a: str
    b: str
    gap_mm: float
    clearance_mm: float
    touching_mm2: float
    at_mm: tuple[float, float, float]


@dataclass(frozen=True, kw_only=True)
class Handling:
    """Facts per piece and per assembly.

    steps           : order of assembly, after the drag
    gaps            : between pieces that lie side by side
    level_mm        : height of the free metal surface all pressures are taken from
    cope_lift_n     : upward force of the metal on the cope, and of what it holds down: cores,
                      inserts, plugs and lids; with the cheeks over the joint that opens first
    cope_kg         : mass of the cope and the plugs in it, and of those cheeks
    lifted          : names of all those pieces
    weight_factor   : cope and weights over lift that is asked for
    weight_kg       : to be put on the cope (or clamped) for that factor
    joint_head_mm   : head of metal at the lowest joint
    joint_holds_mm  : head that surface tension keeps out of a gap of the joint's width
    joint_is_sealed : whether closed grooves for a rope go round the metal at every joint
    bolt_bend_mpa   : bending of the flange at its worst bolt under that weight, 0 without bolts
    """

    pieces: tuple[PieceFacts, ...]
    cores: tuple[CoreFacts, ...]
    steps: tuple[AssemblyStep, ...]
    gaps: tuple[Gap, ...]
    level_mm: float
    cope_lift_n: float
    cope_kg: float
    weight_factor: float
    weight_kg: float
    sand_kg: float
    sand_to_metal: float
    joint_head_mm: float
    joint_holds_mm: float
    joint_is_sealed: bool = False
    bolt_bend_mpa: float = 0.0
    bolt_at_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    inserts: tuple[InsertFacts, ...] = ()
    lifted: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class BoxItem:
    """One piece in a job box: turned about z by quarter turns, then moved (box frame). [mm]"""

    piece: str
    box: int
    turn_deg: float
    move_mm: tuple[float, float, float]


@dataclass(frozen=True, kw_only=True, eq=False)
class BoxPlan:
    """Pieces in the printer's job boxes.

    too_large    : (piece, (3,) how far it overhangs the box along x, y, z [mm]), in no box
    heights_mm   : how high each box gets filled
    n_layers     : in all boxes together
    sand_kg      : sand spread in all boxes; what is not printed comes out loose and is used again
    printed_kg   : sand in the pieces
    fill_pct     : volume of the pieces over the volume of sand spread
    """

    items: tuple[BoxItem, ...]
    too_large: tuple[tuple[str, NDArray[np.float64]], ...]
    n_boxes: int
    n_layers: int
    print_time_s: float
    sand_kg: float
    binder_kg: float
    heights_mm: tuple[float, ...] = ()
    printed_kg: float = 0.0
    fill_pct: float = 0.0

    def __post_init__(self) -> None:
        seal(self)
