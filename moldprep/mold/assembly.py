"""How the pieces go together: one straight move each, proved free of collision."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from moldprep.geometry.rays import Rays
from moldprep.geometry.solid import Floats, Solid
from moldprep.records.mold import AssemblyStep, Piece

Way = tuple[tuple[float, float, float], str]

DOWN: Final = (0.0, 0.0, -1.0)
WAYS_IN: Final[tuple[Way, ...]] = (
    (DOWN, "straight down"),
    ((1.0, 0.0, 0.0), "level, toward +x"),
    ((-1.0, 0.0, 0.0), "level, toward -x"),
    ((0.0, 1.0, 0.0), "level, toward +y"),
    ((0.0, -1.0, 0.0), "level, toward -y"),
)
"""Moves that are tried, in this order; a whole cope or cheek only goes down."""

VERBS: Final = {"cope": "Close", "core": "Set", "plug": "Set", "lid": "Set"}
"""What is done with a piece, by its role; others are placed."""

COLUMN_MM: Final = 2.0
"""Spacing of the lines a sweep is tested along."""

LINES_SHARE: Final = 0.1
"""The same over the smallest side of what moves, where that is less."""

RUB_MM: Final = 0.05
"""Overlap along a line that counts as rubbing of coincident faces, not as a hit."""


def find_order(pieces: tuple[Piece, ...]) -> tuple[AssemblyStep, ...]:
    """Return one move for each piece after the first, in an order in which none hits another.

    Parts of one split piece (`drag-a`, `drag-b`) are glued first, the last cut first, and go in as
    one; where the whole is too heavy they go in one by one. The drag lies first, then come lids,
    cores and cheeks; the cope closes on them, and plugs go into it.
    Where nothing is free, the step names what the piece hits.

    Parameters
    ----------
    pieces
        In their places in the closed mold; the drag first, the cope last.

    Notes
    -----
    The order is found by taking the closed mold apart: a piece that is free to leave stays free as
    others go, so the first that is found need never be taken back.
    """
    steps = [step for parts in _split_parts(pieces).values() for step in _joined(parts)[1]]
    wholes = glued(pieces)
    lying = list(wholes)
    apart: list[AssemblyStep] = []
    for rank in (("plug",), ("cope",), ("drag", "lid", "core", "cheek")):
        waiting = [piece for piece in wholes[1:] if piece.role in rank]
        while waiting:
            step, piece = _last_in(lying, waiting)
            apart.append(step)
            lying.remove(piece)
            waiting.remove(piece)
    return (*steps, *reversed(apart))


def glued(pieces: tuple[Piece, ...]) -> tuple[Piece, ...]:
    """Return the pieces as they go in: parts that are glued first as one, in order."""
    return tuple(
        parts[0]
        if len(parts) == 1
        else replace(parts[0], name=name, solid=Solid.union(part.solid for part in parts))
        for name, parts in _split_parts(pieces).items()
    )


def lying_before(
    piece: Piece, wholes: Sequence[Piece], steps: Sequence[AssemblyStep]
) -> tuple[Piece, ...]:
    """Return what already lies there when a piece goes in: what no step moves, or an earlier one.

    `wholes` are the pieces as they go in, as `glued` gives them.
    """
    order = {step.piece: k for k, step in enumerate(steps) if not step.is_join}
    mine = order.get(piece.name, len(steps))
    return tuple(
        other for other in wholes if other.name != piece.name and order.get(other.name, -1) < mine
    )


def _split_parts(pieces: tuple[Piece, ...]) -> dict[str, list[Piece]]:
    """Return the pieces by the name of the whole they are glued to, in order."""
    wholes: dict[str, list[Piece]] = {}
    for piece in pieces:
        is_part = piece.cut and piece.is_glued
        name = piece.name.rpartition("-")[0] if is_part else piece.name
        wholes.setdefault(name, []).append(piece)
    return wholes


def _joined(parts: list[Piece], depth: int = 0) -> tuple[Piece, list[AssemblyStep]]:
    """Return the parts of a piece as one, and the moves that join them, the last cut's first."""
    if len(parts) == 1:
        return parts[0], []
    low, one = _joined([part for part in parts if part.cut[depth] == "0"], depth + 1)
    high, two = _joined([part for part in parts if part.cut[depth] == "1"], depth + 1)
    step = _first_free([low], high, WAYS_IN, f"Join {high.name} to {low.name}")
    step = replace(step, is_join=True)
    whole = replace(low, name=f"{low.name}, {high.name}", solid=low.solid + high.solid)
    return whole, [*one, *two, step]


def hits_on_the_way(mover: Solid, standing: Solid, direction: tuple[float, float, float]) -> bool:
    """Return whether a body that moves in along `direction` to its place sweeps through another.

    Along every line of the move, nothing of the standing body may lie before (upstream of) any
    part of the mover: that is the sweep of the mover, tested on lines `COLUMN_MM` apart, and with
    the bodies themselves at a few stations of the way.
    """
    if blocked_mm2(mover, standing, np.asarray(direction)) > 0.0:
        return True
    start = float(np.ptp(np.concatenate([mover.bounds, standing.bounds]) @ np.abs(direction)))
    for share in (0.002, 0.02, 0.1, 0.3):
        away = -np.asarray(direction) * share * start
        overlap = mover.moved(away.tolist()) & standing
        if overlap.volume_mm3 > RUB_MM * mover.area_mm2 * 1e-3:
            return True
    return False


def _last_in(lying: list[Piece], waiting: list[Piece]) -> tuple[AssemblyStep, Piece]:
    """Return the move that brings in the last of some pieces, or why the last has none.

    Lids are tried first: one stays in the sand round it until it is lifted out.
    """
    blocked: list[tuple[AssemblyStep, Piece]] = []
    for piece in sorted(reversed(waiting), key=lambda piece: piece.role != "lid"):
        others = [other for other in lying if other is not piece]
        ways = WAYS_IN if piece.role == "core" else WAYS_IN[:1]
        step = _first_free(others, piece, ways, f"{VERBS.get(piece.role, 'Place')} {piece.name}")
        if not step.hits:
            return step, piece
        blocked.append((step, piece))
    return blocked[0]


def _first_free(lying: list[Piece], piece: Piece, ways: Sequence[Way], what: str) -> AssemblyStep:
    """Return the first move of a piece that hits nothing, or the first one with what it hits."""
    name = piece.name.partition(", ")[0]
    blocked: list[AssemblyStep] = []
    for direction, words in ways:
        hits = tuple(
            other.name for other in lying if hits_on_the_way(piece.solid, other.solid, direction)
        )
        if not hits:
            return AssemblyStep(piece=name, direction=direction, hits=(), text=f"{what} {words}")
        text = f"{what}: no straight way in, it hits {', '.join(hits)}"
        blocked.append(AssemblyStep(piece=name, direction=direction, hits=hits, text=text))
    return blocked[0]


def blocked_mm2(mover: Solid, standing: Solid, direction: Floats) -> float:
    """Return the area of a standing body, seen along a move, that a mover would sweep through.

    Tested on lines `COLUMN_MM` apart, closer on a small mover; 0 where the way is free. [mm²]
    """
    across = np.eye(3)[np.abs(direction) < 0.5]
    low = np.maximum(mover.bounds[0], standing.bounds[0]) @ across.T
    high = np.minimum(mover.bounds[1], standing.bounds[1]) @ across.T
    step = min(COLUMN_MM, LINES_SHARE * float(mover.size_mm.min()))
    if (high - low <= step).any():
        return 0.0
    u, v = (np.arange(a + 0.37 * step, b, step) for a, b in zip(low, high, strict=True))
    grid = np.stack(np.meshgrid(u, v, indexing="ij"), axis=-1).reshape(-1, 2) @ across
    reach = float(np.abs(np.concatenate([mover.bounds, standing.bounds])).max()) + 1.0
    begin, end = grid - direction * reach, grid + direction * reach
    still, _ = Rays.of(standing).first(begin, direction)
    moving, _ = Rays.of(mover).first(end, -direction)
    # upstream of the mover's last place on a line there may be nothing of the standing body
    return float((still < 2.0 * reach - moving - RUB_MM).sum()) * step**2
