"""Chills and sleeves in their sand: play round them, plugs over sleeves, and their way in."""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from shapely import minimum_bounding_circle, minimum_bounding_radius
from shapely.geometry import MultiPolygon

from moldprep.geometry.rays import Rays
from moldprep.geometry.sampling import spread_spots
from moldprep.geometry.solid import Floats, Solid
from moldprep.mold.assembly import blocked_mm2
from moldprep.mold.cutting import Cutting, Named
from moldprep.mold.prints import ROUND
from moldprep.records import AssemblyStep, Insert, InsertFacts, Piece

SLEEVES: Final = ("insulating", "exothermic")

PLUG_DEG: Final = (3.0, 1.0, 0.0)
"""Tapers of a plug, each side, that are tried; common practice 3 to 5, none where printed sand
stays uncoated, no source."""
PLUG_WALL_MM: Final = 5.0
"""Sand kept round a plug: 3 mm short, 5 mm safe; common practice, no source."""
SHORTEST_PLUG_MM: Final = 10.0
"""Less sand than this over a sleeve is no plug: it breaks; common practice, no source."""
SHAFT_ROLES: Final = ("plug", "lid")
"""Pieces that close the shaft over a sleeve: at the cope's top, and at a joint below it."""
RING_STEP_MM: Final = 2.0

SPOTS: Final = 1_000
"""Points that tell which sand, and which metal, an insert lies against."""
TOUCH_MM: Final = 1.0
"""What is this near to an insert lies against it, play included."""

AXES: Final = tuple(sign * axis for sign in (-1.0, 1.0) for axis in np.eye(3)[::-1])
"""Ways in: down, level, up."""
WORDS: Final = {(0, 0, -1): "straight down", (0, 0, 1): "straight up, from below"}
LEG_SHARES: Final = (0.02, 0.1, 0.25, 0.5, 0.75, 1.0)
"""Stations of a short way out of a pocket, over its length."""
RUB_MM: Final = 0.01
DIP_MM: Final = 0.05
RUB_MM3: Final = 1.0
"""Overlap at a station that is no hit: rounding."""


def insert_play(inserts: Sequence[Insert], gap_mm: float) -> list[Named]:
    """Return the room of each insert with its play, which its pocket needs to take it.

    It may reach into metal.

    0.3 to 0.5 mm each face: common practice, no source.
    """
    if gap_mm <= 0.0:
        return []
    return [(f"{insert.name} play", _grown(insert.solid, gap_mm)) for insert in inserts]


def add_plugs(
    cutting: Cutting, inserts: Sequence[Insert], levels: Sequence[float], gap_mm: float
) -> Cutting:
    """Return the pieces with a body cut out over each sleeve that lies deep in one of them.

    A sleeve is wider than the neck below it: it cannot go in from below, and nothing is printed
    round it. It goes down a shaft that is open at the top of the cope, where a plug of the same
    sand closes that after it, or at the joint over the drag or a cheek, where a lid does.

    Parameters
    ----------
    cutting
        Halves and cores.
    inserts
        Chills and sleeves.
    levels
        Heights of the joints, from below. [mm]
    gap_mm
        Play round what closes a shaft.

    Notes
    -----
    Where one shaft, wider upward, leaves no room for the next, all are made with less taper.
    """
    made = (_plugged(cutting, inserts, levels, gap_mm, PLUG_DEG[k:]) for k in range(len(PLUG_DEG)))
    return min(_until_none_fails(made), key=lambda one: one[1])[0]


def _until_none_fails(made: Iterable[tuple[Cutting, int]]) -> Iterator[tuple[Cutting, int]]:
    """Yield one try after another, up to the first without a failure."""
    for cutting, n_failed in made:
        yield cutting, n_failed
        if not n_failed:
            return


def _plugged(
    cutting: Cutting,
    inserts: Sequence[Insert],
    levels: Sequence[float],
    gap_mm: float,
    tapers: Sequence[float],
) -> tuple[Cutting, int]:
    """Return (the pieces with shafts of these tapers and what closes them, sleeves without)."""
    n_without = 0
    for insert in inserts:
        half = _shaft_half(insert, cutting.pieces)
        if half is None:
            continue
        is_cope = half.role == "cope"
        top = float(half.solid.bounds[1, 2]) if is_cope else _joint_over(insert.solid, levels)
        made = _plug(insert.solid, half.solid, top, gap_mm, tapers)
        kind = "plug" if is_cope else "lid"
        if made is None:
            note = f"no room for a {kind} over {insert.name}: it cannot be put in from above"
            cutting = cutting.plus(notes=[note])
            n_without += 1
            continue
        plug, gap, rest = made
        name = f"{kind}-{insert.name.removeprefix('sleeve-')}"
        held = "the weights" if is_cope else "what closes on it"
        cutting = cutting.with_solids({half.name: rest}).plus(
            [(f"{name} gap", gap)],
            [f"{insert.name} goes in from above; {name} closes its shaft, held by {held}"],
        )
        piece = Piece(name=name, role=kind, solid=plug)
        cutting = replace(cutting, pieces=(*cutting.pieces, piece))
    return cutting, n_without


def _shaft_half(insert: Insert, pieces: Sequence[Piece]) -> Piece | None:
    """Return what a sleeve lies in, if no straight move from above or below takes it there.

    That is the cope where it reaches into it.
    """
    if insert.material not in SLEEVES:
        return None
    layers = [piece for piece in pieces if piece.role in ("drag", "cheek", "cope")]
    holders = sorted(_holders(insert.solid, layers), key=lambda piece: piece.role != "cope")
    half = next(iter(holders), None)
    if half is None or any(
        blocked_mm2(insert.solid, half.solid, way) == 0.0 for way in (AXES[0], AXES[3])
    ):
        return None
    return half


def _joint_over(solid: Solid, levels: Sequence[float]) -> float:
    """Return the height of the first joint over a body; none is endlessly high. [mm]"""
    return min((level for level in levels if level > solid.bounds[1, 2]), default=math.inf)


def plug_rooms(inserts: Sequence[Insert], levels: Sequence[float], top_mm: float) -> list[Solid]:
    """Return the upright room over each sleeve to the joint or top over it: a plug may close it."""
    rooms = []
    for insert in inserts:
        foot, top = float(insert.solid.bounds[1, 2]), min(_joint_over(insert.solid, levels), top_mm)
        if insert.material in SLEEVES and top - foot >= SHORTEST_PLUG_MM:
            middle, radius = _round_about(insert.solid.shadow())
            rooms.append(_Shaft(middle, foot, top, PLUG_DEG[0]).body(radius))
    return rooms


def insert_facts(
    inserts: Sequence[Insert], pieces: Sequence[Piece], steps: Sequence[AssemblyStep]
) -> tuple[InsertFacts, ...]:
    """Return how each insert goes into one of the pieces before that meets the others.

    Parameters
    ----------
    inserts
        Chills and sleeves, in place.
    pieces
        In their places; one that no step moves lies there first.
    steps
        The order of assembly.
    """
    return tuple(_facts(insert, inserts, pieces, steps) for insert in inserts)


def _facts(
    insert: Insert,
    inserts: Sequence[Insert],
    pieces: Sequence[Piece],
    steps: Sequence[AssemblyStep],
) -> InsertFacts:
    found = []
    for piece in _holders(insert.solid, pieces):
        blocked, text = _way_in(insert, inserts, piece)
        if blocked == 0.0:
            blocked, hit = _closing_mm2(insert.solid, piece, pieces, steps)
            text = text if blocked == 0.0 else f"{text}, but then it hits {hit}"
        found.append((blocked, piece.name, text))
        if blocked == 0.0:
            break
    blocked, holder, text = min(found, key=lambda one: one[0], default=(math.inf, "", ""))
    middle = insert.solid.centroid_mm
    return InsertFacts(
        name=insert.name,
        material=insert.material,
        piece=holder,
        blocked_mm2=blocked,
        way=text,
        at_mm=(float(middle[0]), float(middle[1]), float(middle[2])),
    )


def _way_in(insert: Insert, inserts: Sequence[Insert], piece: Piece) -> tuple[float, str]:
    """Return (least area of sand in the way [mm²], how) into one piece that stands alone.

    Straight in from outside; else by a short push into its pocket from beside it.
    """
    solid = insert.solid
    ways = [(blocked_mm2(solid, piece.solid, way), way) for way in AXES]
    least, way = min(ways, key=lambda one: one[0])
    if least == 0.0:
        return 0.0, f"into {piece.name} {_words(way)}"
    metal = _metal_side(solid, piece, inserts)
    pushes = [axis for axis in AXES if axis[2] == 0.0]
    if metal is not None:
        pushes.insert(0, -metal)
    for push in pushes:
        reach = float(solid.size_mm @ np.abs(push)) + TOUCH_MM
        if _is_leg_free(solid, piece.solid, push, reach):
            beside = solid.moved(tuple(-reach * push))
            for first in (AXES[0], AXES[3]):
                if blocked_mm2(beside, piece.solid, first) == 0.0:
                    return 0.0, f"into {piece.name} {_words(first)}, then pushed into its pocket"
    return least, f"no way into {piece.name}"


def _words(way: Floats) -> str:
    key = (round(float(way[0])), round(float(way[1])), round(float(way[2])))
    if key in WORDS:
        return WORDS[key]
    axis = 0 if key[0] else 1
    return f"level, toward {'+' if key[axis] > 0 else '-'}{'xy'[axis]}"


def _is_leg_free(solid: Solid, sand: Solid, push: Floats, reach_mm: float) -> bool:
    """Return whether a body can come along a short way to its place."""
    return all(
        (solid.moved(tuple(-share * reach_mm * push)) & sand).volume_mm3 < RUB_MM3
        for share in LEG_SHARES
    )


def _closing_mm2(
    solid: Solid, holder: Piece, pieces: Sequence[Piece], steps: Sequence[AssemblyStep]
) -> tuple[float, str]:
    """Return (area in the way [mm²], of what) when the holder, with the insert, meets the rest."""
    order = {step.piece: k for k, step in enumerate(steps)}
    mine = order.get(holder.name, -1)
    for other in pieces:
        if other.name == holder.name:
            continue
        last = max(mine, order.get(other.name, -1))
        if last < 0:
            continue
        way = np.array(steps[last].direction)
        moves = (solid, other.solid) if last == mine else (other.solid, solid)
        blocked = blocked_mm2(*moves, way)
        if blocked > 0.0:
            return blocked, other.name
    return 0.0, ""


def _holders(solid: Solid, pieces: Sequence[Piece]) -> Iterator[Piece]:
    """Yield the pieces an insert lies against, the one with most of its surface first."""
    shares = [(_touching(solid, piece.solid), piece) for piece in pieces]
    ranked = sorted(shares, key=lambda one: (-one[0], one[1].name))
    yield from (piece for share, piece in ranked if share > 0)


def _touching(solid: Solid, sand: Solid) -> int:
    """Return how many spots of a body's surface lie against another body."""
    points, faces = solid.mesh()
    spots = spread_spots(points[faces], SPOTS)
    return int(Rays.of(sand).is_inside(spots.at_mm + TOUCH_MM * spots.normals).sum())


def _metal_side(solid: Solid, piece: Piece, inserts: Sequence[Insert]) -> Floats | None:
    """Return the level direction in which an insert looks at what is no sand of its piece."""
    points, faces = solid.mesh()
    spots = spread_spots(points[faces], SPOTS)
    outside = spots.at_mm + TOUCH_MM * spots.normals
    is_free = ~Rays.of(piece.solid).is_inside(outside)
    for other in inserts:
        is_free &= ~Rays.of(other.solid).is_inside(outside)
    level = spots.normals[is_free].sum(axis=0) * (1.0, 1.0, 0.0)
    length = float(np.linalg.norm(level))
    return np.asarray(level / length) if length > 0.1 * SPOTS else None


def _grown(solid: Solid, by_mm: float) -> Solid:
    """Return the hull of a body, grown sideways and up; what it stands on stays where it is."""
    points = solid.hull().mesh()[0]
    whole = Solid.hull_of((points[:, None] + by_mm * ROUND).reshape(-1, 3))
    return whole.split_at((0.0, 0.0, 1.0), float(solid.bounds[0, 2]))[0]


def _plug(
    sleeve: Solid, sand: Solid, top: float, gap_mm: float, tapers: Sequence[float]
) -> tuple[Solid, Solid, Solid] | None:
    """Return (plug, gap round it, sand that is left); None where sand or room is wanting."""
    foot = float(sleeve.bounds[1, 2]) + gap_mm
    if not SHORTEST_PLUG_MM <= top - foot < math.inf:
        return None
    shadow = sleeve.shadow()
    middle, radius = _round_about(shadow)
    rays = Rays.of(sand)
    for lean_deg in tapers:
        shaft = _Shaft(middle, foot, top, lean_deg)
        ring = shaft.ring(radius + 2.0 * gap_mm + PLUG_WALL_MM)
        if not rays.is_inside(ring).all():
            continue
        way = [_over_ledges(sleeve, sand, shadow, foot), _grown(sleeve, gap_mm)]
        cut_out, rest = sand.split(Solid.union([shaft.body(radius + 2.0 * gap_mm, gap_mm), *way]))
        plug, gap = cut_out.split(shaft.body(radius + gap_mm))
        parts = plug.parts()
        if parts and SHORTEST_PLUG_MM <= parts[0].size_mm[2] <= top - foot + RUB_MM:
            return parts[0], gap + Solid.union(parts[1:]), rest
    return None


def _round_about(shadow: MultiPolygon) -> tuple[Floats, float]:
    """Return (middle, radius) of the circle round an outline."""
    middle = np.array(minimum_bounding_circle(shadow).centroid.coords[0])
    return middle, float(minimum_bounding_radius(shadow))


def _over_ledges(sleeve: Solid, sand: Solid, shadow: MultiPolygon, foot: float) -> Solid:
    """Return the sand above ledges of a sleeve, where it was made to reach a neighbor."""
    low = float(sleeve.bounds[0, 2])
    column = sand & Solid.extrude(shadow, low, foot)
    # sand under the sleeve goes on below it, sand on a ledge does not
    above = [part for part in column.parts() if part.bounds[0, 2] > low + RUB_MM]
    # a little of it again below, so that no film is left where it meets the play
    return Solid.union([*above, *(part.moved((0.0, 0.0, -DIP_MM)) for part in above)])


@dataclass(frozen=True)
class _Shaft:
    """The room of a plug: round, wider upward, from the sleeve to a little over the sand."""

    middle: Floats
    foot: float
    top: float
    lean_deg: float

    def _wider_mm(self, height: Floats | float) -> Floats:
        return np.asarray(height) * math.tan(math.radians(self.lean_deg))

    def body(self, radius_mm: float, deeper_mm: float = 0.0) -> Solid:
        """Return the shaft that has this radius at its foot, or so far below that."""
        height = self.top + 1.0 - self.foot + deeper_mm
        whole = Solid.cone(radius_mm, radius_mm + float(self._wider_mm(height)), height)
        return whole.moved((self.middle[0], self.middle[1], self.foot - deeper_mm))

    def ring(self, radius_mm: float) -> Floats:
        """Return points round it, up to just under the top."""
        turn = np.linspace(0.0, 2.0 * np.pi, 36, endpoint=False)
        levels = np.arange(self.foot, self.top - RING_STEP_MM, RING_STEP_MM)
        wide = radius_mm + self._wider_mm(levels - self.foot)
        x = self.middle[0] + np.outer(wide, np.cos(turn))
        y = self.middle[1] + np.outer(wide, np.sin(turn))
        z = np.broadcast_to(levels[:, None], x.shape)
        return np.stack([x, y, z], axis=-1).reshape(-1, 3)
