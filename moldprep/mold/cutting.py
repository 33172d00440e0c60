"""The pieces while features are being cut into them, and what has been cut away so far."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from moldprep.geometry.solid import Solid
from moldprep.records import Piece
from moldprep.tolerances import SLIVER_MM3

Named = tuple[str, Solid]


@dataclass(frozen=True, kw_only=True)
class Cutting:
    """Pieces, what is neither sand nor metal by name, and what was decided."""

    pieces: tuple[Piece, ...]
    clearances: tuple[Named, ...] = ()
    notes: tuple[str, ...] = ()

    def of_name(self, name: str) -> Piece:
        """Return a piece by its name."""
        return next(piece for piece in self.pieces if piece.name == name)

    def with_solids(self, solids: dict[str, Solid]) -> "Cutting":
        """Return the same with other bodies for the named pieces."""
        pieces = (replace(p, solid=solids.get(p.name, p.solid)) for p in self.pieces)
        return replace(self, pieces=tuple(pieces))

    def plus(self, clearances: Iterable[Named] = (), notes: Iterable[str] = ()) -> "Cutting":
        """Return the same with more clearances and notes; empty bodies are left out."""
        kept = tuple((name, body) for name, body in clearances if not body.is_empty)
        return replace(self, clearances=self.clearances + kept, notes=self.notes + tuple(notes))

    def cut(self, tools: Sequence[Named], only: Sequence[str] | None = None) -> "Cutting":
        """Return the same with bodies cut out of the pieces; what goes is kept by name.

        Parameters
        ----------
        tools
            Names and bodies; they should not overlap each other.
        only
            Names of the pieces that may be cut; all where None.
        """
        tools = [(name, tool) for name, tool in tools if not tool.is_empty]
        if not tools:
            return self
        whole = Solid.union(tool for _, tool in tools)
        solids: dict[str, Solid] = {}
        removed: list[Solid] = []
        for piece in self.pieces:
            if (only is None or piece.name in only) and _may_meet(piece.solid, whole):
                inside, outside = piece.solid.split(whole)
                if inside.volume_mm3 > SLIVER_MM3:
                    removed.append(inside)
                    solids[piece.name] = outside
        gone = Solid.union(removed)
        if len(tools) == 1:
            return self.with_solids(solids).plus([(tools[0][0], gone)])
        shares = []
        for name, tool in tools:
            share, gone = gone.split(tool)
            shares.append((name, share))
        return self.with_solids(solids).plus(shares)


def _may_meet(a: Solid, b: Solid) -> bool:
    if a.is_empty or b.is_empty:
        return False
    return bool((a.bounds[0] < b.bounds[1]).all() and (b.bounds[0] < a.bounds[1]).all())
