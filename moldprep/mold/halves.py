"""Sand cut at the parting planes into drag, cheeks and cope, and what floats handed to a holder."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import networkx as nx

from moldprep.errors import StageError
from moldprep.geometry.solid import Floats, Solid
from moldprep.records import Alloy, Piece, Sand
from moldprep.tolerances import CONTACT_MM2, SLIVER_MM3
from moldprep.units import G_M_S2, mass_kg

STEP_MM: Final = 1e-3
"""How far off a parting plane both sides are cut to measure what they share there."""

FILM_MM: Final = 0.5
"""Sand thinner than this is no sand: a few grains; common practice, no source."""

CORE_SHARE: Final = 1e-4
"""Part of a core that a half holds too, more than rounding."""

BEARING_MPA: Final = 0.35
"""Pressure a core print bears, 35 N/cm²; P. N. Rao, Manufacturing Technology: Foundry, Forming
and Welding, cores and chaplets (from memory)."""

CHAPLET_MM2_N: Final = 29.0
"""Chaplet area for each newton a print cannot bear; same source (from memory)."""


@dataclass(frozen=True, kw_only=True)
class Halves:
    """Drag, cheeks from below, cope; and specks of sand too small to print."""

    pieces: tuple[Piece, ...]
    specks: Solid


@dataclass(frozen=True)
class _Part:
    layer: int
    solid: Solid


def cut_halves(
    block: Solid,
    hollow: Solid,
    cores: Sequence[Solid],
    levels: Sequence[float],
    alloy: Alloy,
    sand: Sand,
) -> Halves:
    """Return the block without what is hollow, cut exactly at the levels, all of it in a piece.

    The largest part between two levels is the piece. A part that hangs on nothing there (sand
    inside a bell) belongs to the piece it stands on across the plane. Sand inside a core is the
    core's: the room of its prints has cut it off.

    Raises
    ------
    StageError
        mold/floating-sand, for a body of sand that touches no piece.
    """
    layers = [layer - hollow for layer in _layers(block, sorted(levels))]
    names = layer_names(len(layers))
    parts = [_Part(k, part) for k, layer in enumerate(layers) for part in layer.parts()]
    parts = [part for part in parts if part.solid.volume_mm3 > SLIVER_MM3]
    roots = {part.layer: i for i, part in reversed(list(enumerate(parts)))}
    contacts = _contacts(parts, set(roots.values()), sorted(levels))
    paths = nx.multi_source_dijkstra_path(contacts, set(roots.values()), weight="far")
    specks = []
    members: dict[int, list[Solid]] = {layer: [] for layer in roots}
    for i, part in enumerate(parts):
        if i in paths:
            owner = members[parts[paths[i][0]].layer]
            owner.append(_without_cores(part.solid, cores))
            owner.extend(contacts.edges[edge]["bridge"] for edge in pairwise(paths[i]))
        elif any((part.solid & core).volume_mm3 > 0.5 * part.solid.volume_mm3 for core in cores):
            continue
        elif is_speck(part.solid, sand):
            specks.append(part.solid)
        else:
            whole = Solid.union(parts[k].solid for k in nx.node_connected_component(contacts, i))
            raise floating(whole, names[part.layer], alloy, sand)
    pieces = [
        Piece(name=names[k], role=names[k].split("-")[0], solid=Solid.union(members[k]))
        for k in sorted(members)
    ]
    return Halves(pieces=tuple(pieces), specks=Solid.union(specks))


def _without_cores(part: Solid, cores: Sequence[Solid]) -> Solid:
    """Return a part without the cores that no room of a print has cut off from it."""
    for core in cores:
        if part.may_touch(core) and (part & core).volume_mm3 > CORE_SHARE * core.volume_mm3:
            part = part - core
    return part


def is_speck(part: Solid, sand: Sand) -> bool:
    """Return whether a body of sand is too small or too thin to be printed at all."""
    thickness_mm = 2.0 * part.volume_mm3 / part.area_mm2
    return part.volume_mm3 < sand.smallest_wall_mm**3 or thickness_mm < FILM_MM


def layer_names(n: int) -> list[str]:
    """Return the names of n layers of sand from below.

    Examples
    --------
    >>> layer_names(3)
    ['drag', 'cheek-1', 'cope']
    """
    return ["drag", *(f"cheek-{k}" for k in range(1, n - 1)), "cope"][:n]


def place_text(point: Floats) -> str:
    """Return a place for a message. [mm]"""
    return "at ({:.1f}, {:.1f}, {:.1f}) mm".format(*point)


def _layers(block: Solid, levels: list[float]) -> list[Solid]:
    """Return the block's layers from below.

    They are cut before they are hollowed: no skin is left where metal lies in a parting plane.
    """
    layers = []
    rest = block
    for level in levels:
        rest, below = rest.split_at((0.0, 0.0, 1.0), level)
        layers.append(below)
    return [*layers, rest]


def _contacts(parts: list[_Part], roots: set[int], levels: list[float]) -> "nx.Graph[int]":
    """Return which parts touch through the planes between layers.

    An edge has a weight `far`, small for a large contact, and a `bridge`: a thin body inside both
    parts, so that rounding in the plane cannot keep them apart when they are made one.
    """
    graph: nx.Graph[int] = nx.Graph()
    graph.add_nodes_from(range(len(parts)))
    for k, level in enumerate(levels):
        above = [i for i, part in enumerate(parts) if part.layer == k + 1]
        below = [i for i, part in enumerate(parts) if part.layer == k]
        lower = {i: parts[i].solid.slice_at(level - STEP_MM) for i in below}
        for i in above:
            upper = parts[i].solid.slice_at(level + STEP_MM)
            for j in below:
                if (i in roots and j in roots) or upper.is_empty or lower[j].is_empty:
                    continue
                inner = upper.intersection(lower[j]).buffer(-STEP_MM)
                if inner.area > CONTACT_MM2:
                    bridge = Solid.extrude(inner, level - STEP_MM, level + STEP_MM)
                    graph.add_edge(i, j, far=1.0 / inner.area, bridge=bridge)
    return graph


def floating(part: Solid, name: str, alloy: Alloy, sand: Sand) -> StageError:
    """Return the error for a body of sand that nothing holds."""
    volume = part.volume_mm3
    lift_n = mass_kg(volume, alloy.density_liquid_kg_m3 - sand.density_kg_m3) * G_M_S2
    size = " x ".join(f"{side:.0f}" for side in part.size_mm)
    return StageError(
        f"a body of sand, {volume:.0f} mm³ ({size} mm), touches neither half nor a core:"
        f" it would float with {lift_n:.1f} N",
        code="mold/floating-sand",
        where=f"{name} {place_text(part.centroid_mm)}",
        fix=(
            f"open the cavity and give it core prints of {max(lift_n, 0.0) / BEARING_MPA:.0f} mm²"
            f" in all, or chaplets of {max(lift_n, 0.0) * CHAPLET_MM2_N:.0f} mm² (bearing values:"
            " common practice); or fill the void in the model"
        ),
    )
