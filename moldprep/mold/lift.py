"""What the metal lifts at each joint: the cope, with the cheeks under it that part there."""

from collections.abc import Sequence
from dataclasses import dataclass

from moldprep.mold.pressure import Wetted, force_n
from moldprep.records import CoreFacts, InsertFacts, Mold, Piece
from moldprep.units import G_M_S2, mass_kg

ABOVE = ("cope", "plug")
"""Roles of what stands over every joint. A plug goes into the cope."""


@dataclass(frozen=True)
class Stack:
    """What stands on a joint, from the cheek right over it up.

    names   : of its pieces
    lift_n  : upward force of the metal on it, and on what it holds down
    mass_kg : of its sand
    """

    joint_mm: float
    names: tuple[str, ...]
    lift_n: float
    mass_kg: float

    def wants_kg(self, factor: float) -> float:
        """Return what must be put on it for so many times its lift; below 0 it is heavier."""
        return factor * self.lift_n / G_M_S2 - self.mass_kg


def find_stacks(
    mold: Mold,
    wholes: Sequence[Piece],
    wetted: Wetted,
    cores: Sequence[CoreFacts],
    inserts: Sequence[InsertFacts],
    level_mm: float,
    density_kg_m3: float,
    sand_kg_m3: float,
) -> tuple[Stack, ...]:
    """Return what the metal lifts at each joint, from above.

    Parameters
    ----------
    mold
        Pieces in their places.
    wholes
        The same, parts that are glued as one.
    wetted
        What the metal presses on: pieces, then inserts.
    cores
        With their net lift.
    inserts
        With the piece each is set into.
    level_mm
        Height of the free surface. [mm]
    density_kg_m3
        Of the liquid. [kg/m³]
    sand_kg_m3
        Of the sand. [kg/m³]

    Notes
    -----
    Hydrostatics. A cheek that is pressed down counts for nothing but its mass: its floors may be
    covered later than its roofs. So with cores, lids and inserts, which press on what closes on
    them.
    """
    ups = [
        float(force_n(wetted.of(index), level_mm, density_kg_m3)[2])
        for index in range(len(mold.pieces) + len(inserts))
    ]
    pieces = list(zip(mold.pieces, ups, strict=False))  # the forces on inserts come after
    kg = {p.name: mass_kg(p.solid.volume_mm3, sand_kg_m3) for p in mold.pieces}
    top = frozenset(piece.name for piece in (*mold.pieces, *wholes) if piece.role in ABOVE)
    lift = sum(up for piece, up in pieces if piece.name in top)
    lift += sum(max(core.lift_n, 0.0) for core in cores)
    lift += sum(max(up, 0.0) for piece, up in pieces if piece.role == "lid")
    lift += sum(
        up if insert.piece in top else max(up, 0.0)
        for insert, up in zip(inserts, ups[len(mold.pieces) :], strict=True)
    )
    stacks = []
    for joint_mm in reversed(mold.joints_mm):
        cheeks = [(p, up) for p, up in pieces if p.role == "cheek" and _is_over(p, joint_mm)]
        names = top | {piece.name for piece, _ in cheeks}
        stacks.append(
            Stack(
                joint_mm=joint_mm,
                names=tuple(p.name for p in mold.pieces if p.name in names),
                lift_n=lift + sum(max(up, 0.0) for _, up in cheeks),
                mass_kg=sum(kg[p.name] for p in mold.pieces if p.name in names),
            )
        )
    return tuple(stacks)


def _is_over(piece: Piece, joint_mm: float) -> bool:
    """Return whether a piece stands over a joint."""
    return float(piece.solid.bounds[:, 2].mean()) > joint_mm
