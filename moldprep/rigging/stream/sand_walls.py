"""Sand walls: how much sand parts each channel from what it is not joined to."""

from itertools import combinations
from typing import Final

from shapely.geometry import Polygon

from moldprep.geometry.solid import Solid
from moldprep.records import Body, Rigging, RiggingPlan, Role, SandWall
from moldprep.rigging.build import placed
from moldprep.rigging.stream.contacts import find_gap
from moldprep.rigging.stream.network import GATING_ROLES, POOL_ROLES, Network

FARTHEST_MM: Final = 60.0
"""Walls are measured up to this thickness. [mm]"""

VENTS_MM: Final = 20.0
"""The same round vents, which carry no metal to speak of, and between castings. [mm]"""

KINDS: Final = {
    Role.CASTING: "casting",
    Role.FEEDER: "feeder",
    Role.NECK: "feeder",
    Role.VENT: "vent",
    Role.FILTER: "filter",
}
"""What a body is to a channel beside it; a plain channel is a channel."""

BESIDE_VENTS: Final = (Role.VENT, Role.FEEDER, Role.NECK)
"""What a vent may come too near to, besides channels and inserts, which know it themselves."""


def find_sand_walls(network: Network, rigging: Rigging, plan: RiggingPlan) -> tuple[SandWall, ...]:
    """Return the thinnest wall between each channel, vent or casting and what is beside it.

    Parameters
    ----------
    network
        Openings: what is joined has no wall between it.
    rigging
        Bodies and inserts.
    plan
        Where core prints will lie on a casting.
    """
    joined = _joined(network)
    channels = [body for body in rigging.metal if body.role in GATING_ROLES]
    others = [(body.name, KINDS.get(body.role, "channel"), body.solid) for body in rigging.metal]
    others += [(insert.name, "insert", insert.solid) for insert in rigging.inserts]
    others += [("core print", "print", solid) for solid in _prints(plan)]
    vents = [body for body in rigging.metal if body.role is Role.VENT]
    beside = [(body.name, body.solid) for body in rigging.metal if body.role in BESIDE_VENTS]
    beside += [(insert.name, insert.solid) for insert in rigging.inserts]
    nearest: dict[tuple[str, str], SandWall] = {}
    for one, other in combinations(rigging.castings, 2):
        if frozenset((one.name, other.name)) not in joined:
            _note(nearest, one, other.name, "beside a casting", other.solid, VENTS_MM)
    for vent in vents:
        for name, solid in beside:
            own = name == vent.name or name in _sleeves_round(vent, joined)
            if not own and frozenset((vent.name, name)) not in joined:
                _note(nearest, vent, name, "beside a vent", solid, VENTS_MM)
    for channel in channels:
        for name, kind, solid in others:
            if name == channel.name or frozenset((channel.name, name)) in joined:
                continue
            _note(nearest, channel, name, kind, solid, FARTHEST_MM)
    return tuple(nearest[key] for key in sorted(nearest))


def _sleeves_round(vent: Body, joined: set[frozenset[str]]) -> set[str]:
    """Return the sleeves of the feeders a vent comes up from."""
    return {f"sleeve-{name}" for pair in joined if vent.name in pair for name in pair}


def _note(
    nearest: dict[tuple[str, str], SandWall], body: Body, name: str, kind: str, solid: Solid,
    farthest_mm: float,
) -> None:  # fmt: skip
    """Remember the wall between two bodies where it is the thinnest of its kind."""
    key = (body.name, kind)
    reach = nearest[key].gap_mm if key in nearest else farthest_mm
    gap = find_gap(body.solid, solid, reach)
    if gap is not None and gap.gap_mm < reach:
        nearest[key] = SandWall(
            body=body.name, other=name, kind=kind, gap_mm=gap.gap_mm, at_mm=gap.at_mm
        )


def _joined(network: Network) -> set[frozenset[str]]:
    """Return the pairs of bodies that open into each other, or both into one pool."""
    bodies = [lump.body for lump in network.lumps]
    pairs = [(joint.a, joint.b) for joint in network.joints]
    joined = {frozenset((bodies[a], bodies[b])) for a, b in pairs}
    for k, lump in enumerate(network.lumps):
        if lump.role in POOL_ROLES:
            beside = {bodies[a + b - k] for a, b in pairs if k in (a, b)}
            joined |= {frozenset(pair) for pair in combinations(sorted(beside), 2)}
    return joined


def _prints(plan: RiggingPlan) -> list[Solid]:
    """Return the room of every core print, where the castings lie."""
    return [
        placed(Solid.extrude(Polygon(room.outline_mm), room.low_mm, room.high_mm), place)
        for place in plan.placements
        for room in plan.print_rooms
    ]
