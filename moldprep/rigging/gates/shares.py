"""How much of the metal each gate is to pass, and gates widened or narrowed until it does.

A share of metal is what one casting takes, or one of several bodies in a casting's model: all are
to be full at the same time.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from moldprep.geometry.solid import Floats
from moldprep.rigging.gates.rows import RowSide
from moldprep.rigging.gates.sides import Gate, Side
from moldprep.rigging.gates.tries import narrowest_mm
from moldprep.rigging.layout import Branch, Layout

LEAST_MOST: Final = (0.5, 2.0)
"""Width of a gate over what its share of the area asks for, least and most (common practice, no
source). [-]"""

WEIGHTS: Final = (0.6, 1.8)
"""Section of a branch over what its share asks for, least and most (common practice, no source).
[-]"""

Takes = Callable[[Side, Gate], bool]
"""Whether the wall of a side has room for a gate."""


@dataclass(frozen=True)
class Share:
    """Gates that fill one casting, or one body of it.

    casting : number of the casting's side: its own in a row, 0 where all are gated alike
    numbers : of the gates in that side
    names   : of the ingates
    metal   : of the whole metal [-]
    branch  : number of the branch they hang on
    """

    casting: int
    numbers: tuple[int, ...]
    names: tuple[str, ...]
    metal: float
    branch: int


def shares_of(layout: Layout, side: Side) -> tuple[Share, ...]:
    """Return what the gates of a layout are to pass, casting by casting."""
    branch_of = {name: k for k, branch in enumerate(layout.branches) for name in branch.gates}
    found: list[Share] = []
    done, count = 0, len(layout.placements)
    order = {place.name: k for k, place in enumerate(layout.placements)}
    while done < len(layout.ingates):
        first = layout.ingates[done]
        casting = order[first.into] if isinstance(side, RowSide) else 0
        gates = side.each[casting].gates if isinstance(side, RowSide) else side.gates
        names = [gate.name for gate in layout.ingates[done : done + len(gates)]]
        for piece in sorted({gate.piece for gate in gates}):
            mine = tuple(k for k, gate in enumerate(gates) if gate.piece == piece)
            metal = gates[mine[0]].metal / count
            own = tuple(names[k] for k in mine)
            found.append(Share(casting, mine, own, metal, branch_of[own[0]]))
        done += len(gates)
    return tuple(found)


def rates_of(shares: Sequence[Share], flows: dict[str, float]) -> Floats:
    """Return (n,) flow into each share over what it is to get of the whole. [-]"""
    return _rates([one.names for one in shares], np.array([one.metal for one in shares]), flows)


def reweighted(
    weights: tuple[float, ...], branches: Sequence[Branch], flows: dict[str, float]
) -> tuple[float, ...]:
    """Return the weight of each arm: more where castings fill too slowly, as much in all."""
    castings = np.array([one.n_castings for one in branches])
    rates = _rates([one.gates for one in branches], castings, flows)
    arms, share = [one.arm for one in branches], np.array([one.share for one in branches])
    found = np.array(weights)
    wanted = np.clip(found[arms] / np.maximum(rates, 0.2), *WEIGHTS)
    found[arms] = wanted * share.sum() / (share @ wanted)
    return tuple(found.tolist())


def _rates(gates: Sequence[Sequence[str]], fills: Floats, flows: dict[str, float]) -> Floats:
    """Return (n,) flow through some gates at a time over what they are to get of the whole. [-]"""
    each = np.array([sum(flows.get(name, 0.0) for name in names) for names in gates])
    return np.asarray(each / fills * fills.sum() / each.sum())


def with_even_gates(side: Side, shares: Sequence[Share], rates: Floats, takes: Takes) -> Side:
    """Return the side with gates widened that fill slower than others of their branch.

    Parameters
    ----------
    side
        The gates as they are.
    shares
        What they fill.
    rates
        (n,) as `rates_of` gives them. [-]
    takes
        Tells whether a wall has room for a wider gate; where it has none the gate stays.
    """
    metal = np.array([one.metal for one in shares])
    branch = np.array([one.branch for one in shares])
    own = np.array([np.average(rates[branch == k], weights=metal[branch == k]) for k in branch])
    wider: dict[tuple[int, int], list[float]] = {}
    for one, ratio in zip(shares, own / np.maximum(rates, 0.2), strict=True):
        for k in one.numbers:
            wider.setdefault((one.casting, k), []).append(float(ratio))
    if not isinstance(side, RowSide):
        return _widened(side, 0, wider, takes)
    each = tuple(_widened(one, k, wider, takes) for k, one in enumerate(side.each))
    return replace(side, each=each, gates=each[0].gates)


def _widened(
    side: Side, casting: int, wider: dict[tuple[int, int], list[float]], takes: Takes
) -> Side:
    """Return one casting's side with its gates so much wider, as far as walls have room."""
    gates = []
    for k, gate in enumerate(side.gates):
        factor = float(np.mean(wider[casting, k]))
        usual = gate.usual_mm or gate.width_mm
        least, most = (usual * times for times in LEAST_MOST)
        width = min(max(factor * gate.width_mm, least), most)
        other = replace(gate, width_mm=max(width, narrowest_mm(gate.height_mm)), usual_mm=usual)
        is_kept = other.width_mm > gate.width_mm and not takes(side, other)
        gates.append(gate if is_kept else other)
    return replace(side, gates=tuple(gates))
