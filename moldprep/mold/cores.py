"""Core bodies and their prints."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from moldprep.geometry.rays import Rays
from moldprep.geometry.sampling import spread_spots
from moldprep.geometry.solid import Floats, Solid
from moldprep.mold.declared import DeclaredBody
from moldprep.mold.enclosed import Enclosure, Hemmed
from moldprep.mold.halves import place_text
from moldprep.mold.mouths import Mouth, Skin, bent_mouth, make_mouth, rim_of, square_mouth
from moldprep.mold.prints import Print, PrintRules, end_gap, make_print, side_gaps
from moldprep.records import Job, Sand
from moldprep.tolerances import SLIVER_MM3

CROSSING: Final = 0.01
"""Part of a region's volume that must lie on each side of the parting for it to cross it."""

REENTRANT: Final = 1.3
"""Sand this much wider inside than at its widest opening hangs on a neck."""

RING: Final = 0.4
"""An opening with less of a flat than this goes round the casting: no plane cuts it off."""

BELT_MM: Final = 30.0
"""Sand kept around a casting while its cores are cut free."""

LEAK: Final = (0.7, 1.4)
"""Exact volume over the grid's, between which a core is the region that was found."""


SPOTS: Final = 8_000
"""Points that tell whether a core goes on beside the plug of a mouth."""

OFF_MM: Final = 0.02
"""How far outside a core's surface metal is looked for."""

MOST_BENT: Final = 0.5
"""Rise of the rim of a mouth over its smaller side, at most: a plane across the rim of a closed
impeller would leave most of the core outside."""

LOOSE_MM2: Final = 20.0
"""Surface of a core beside the plug of a mouth that is rounding."""


BALANCE: Final = 1.15
"""Moment of a core's only print about its mouth, over that of the core, at least; common practice,
no source."""

BALANCE_TRIES: Final = 6

LONGEST_BALANCE: Final = 1.5
"""Length of a print that balances a core, over that of the core along it, at most; common practice,
no source."""


@dataclass(frozen=True, kw_only=True)
class Core:
    """One core: its body with prints, and why it is one.

    flush : the gaps at mouths that have no room for a print, and beside slots
    """

    name: str
    solid: Solid
    prints: tuple[Print, ...]
    flush: tuple[Solid, ...]
    reason: str

    @property
    def seats(self) -> Solid:
        """The room all its prints sit in, and the gaps at ends without one."""
        return Solid.union([*(one.seat for one in self.prints), *self.flush])


@dataclass(frozen=True, kw_only=True)
class Cores:
    """The cores of a mold, in setting order, and what was decided about other undercut sand.

    stuck : sand that wants to be a core but cannot be cut free, and the casting it is in
    """

    cores: tuple[Core, ...] = ()
    notes: tuple[str, ...] = ()
    stuck: tuple[tuple[Solid, Enclosure], ...] = ()


@dataclass(frozen=True)
class _Room:
    """What prints must keep clear of, and how they are made."""

    hollow: Solid
    metal: Rays
    rules: PrintRules


def find_cores(
    hollow: Solid,
    castings: Sequence[tuple[Solid, Hemmed]],
    declared: Sequence[DeclaredBody],
    job: Job,
    sand: Sand,
    z_mm: float,
) -> Cores:
    """Return the declared cores and those that the castings ask for.

    A printed mold needs no draft, only to be put together along z around an empty cavity. So sand
    that no pull could form stays with its half wherever it can, and becomes a core when it

    * crosses the parting and is longer than it is thick: cut in two it would leave a fin along
      the inside of the casting;
    * is wider inside than at its openings: it would hang on a neck, and loose sand around it could
      not be brushed out;
    * is more slender than the sand bears.

    A core that the job declares is one, whatever the rules say; with `process = "with-half"` no
    other is. All of them get prints through every opening that has room.
    """
    rules = PrintRules(
        z_mm=z_mm,
        length_mm=None if job.cores.print_mm == "auto" else job.cores.print_mm,
        taper_deg=job.cores.taper_deg,
        gap_mm=job.cores.clearance_mm + job.mold.coating_mm,
    )
    room = _Room(hollow, Rays.of(hollow), rules)
    cores: list[Core] = []
    notes: list[str] = []
    for one in declared:
        if one.prints:
            cores.append(_with_own_prints(one))
            continue
        core, said = _with_prints(one.name, one.solid, one.mouths, room, cores, "is declared")
        cores.append(core)
        notes += said
    if job.cores.process == "with-half":
        notes.append("undercut sand is printed with its half, as the job says")
        return Cores(cores=tuple(cores), notes=tuple(notes))
    taken = [Rays.of(core.solid) for core in cores]
    left: dict[str, list[Enclosure]] = {}
    stuck: list[tuple[Solid, Enclosure]] = []
    n_found = 0
    for casting, hemmed in castings:
        chosen: list[tuple[Enclosure, str]] = []
        for region in hemmed.undercut:
            if any(scene.is_inside(region.deepest_mm[None])[0] for scene in taken):
                continue
            why, is_core = judge(region, sand)
            if is_core:
                chosen.append((region, why))
            elif why:
                left.setdefault(why, []).append(region)
        bodies, missed = _cut_free(casting, room, chosen)
        stuck += [(casting, region) for region, _ in missed]
        notes += [
            f"sand {place_text(region.deepest_mm)} {why}, but no plane cuts it free: it stays"
            " with its half (declare it under [[cores.declared]])"
            for region, why in missed
        ]
        for body, mouths, why in bodies:
            n_found += 1
            core, said = _with_prints(f"core-{n_found}", body, mouths, room, cores, why)
            cores.append(core)
            notes += said
    for why, regions in left.items():
        count = f"{len(regions)} undercuts, the first" if len(regions) > 1 else "undercut sand"
        notes.append(f"{count} {place_text(regions[0].deepest_mm)}: {why}")
    return Cores(cores=tuple(cores), notes=tuple(notes), stuck=tuple(stuck))


def judge(region: Enclosure, sand: Sand) -> tuple[str, bool]:
    """Return (why, whether) a region of hemmed-in sand is made a core."""
    mouth_area = sum(opening.area_mm2 for opening in region.openings)
    smallest = max(0.5 * sand.smallest_wall_mm, 1.5 * region.pitch_mm)
    if region.radius_mm < smallest or mouth_area <= 0.0:
        return "", False
    if any(opening.flatness < RING for opening in region.openings[:1]):
        return "open all round the casting: stays with its halves", False
    depth = region.volume_mm3 / mouth_area
    above = region.above_mm3 / region.volume_mm3
    if CROSSING < above < 1.0 - CROSSING and depth > region.radius_mm:
        return "crosses the parting and would leave a fin inside the casting", True
    if region.radius_mm > REENTRANT * region.neck_mm:
        return "is wider inside than its openings and could not be brushed clean", True
    if depth > sand.slenderness * region.radius_mm:
        return f"is more slender than {sand.slenderness:g} : 1", True
    return "short, stout and open: stays with its half", False


def _cut_free(
    casting: Solid, room: _Room, chosen: Sequence[tuple[Enclosure, str]]
) -> tuple[list[tuple[Solid, tuple[Mouth, ...], str]], list[tuple[Enclosure, str]]]:
    """Return (body, mouths, why) of each region as an exact solid, and what could not be cut."""
    if not chosen:
        return [], []
    skin = Skin(casting)
    mouths = [
        tuple(make_mouth(opening, skin, region.pitch_mm) for opening in region.openings)
        for region, _ in chosen
    ]
    low, high = casting.bounds[0] - BELT_MM, casting.bounds[1] + BELT_MM
    sand = Solid.box(tuple(low), tuple(high)) - room.hollow
    parts = _without_plugs(sand, mouths)
    bodies, missed = [], []
    for k, (region, why) in enumerate(chosen):
        group, body = mouths[k], _cut_by(mouths[k], parts, region)
        loose_mm2 = _loose_mm2(body, group, room.metal)
        for squared in _other_mouths(region, group, body):
            if loose_mm2 <= LOOSE_MM2:
                break
            others = [*mouths[:k], squared, *mouths[k + 1 :]]
            other = _cut_by(squared, _without_plugs(sand, others), region)
            other_mm2 = _loose_mm2(other, squared, room.metal)
            if other_mm2 < loose_mm2:
                body, group, loose_mm2 = other, squared, other_mm2
        if body is None:
            missed.append((region, why))
        else:
            bodies.append((body, group, why))
    return bodies, missed


def _cut_by(mouths: Sequence[Mouth], parts: Sequence[Solid], region: Enclosure) -> Solid | None:
    """Return the part of the sand that is a region, None where a mouth is too bent for a plane."""
    is_bent = any(mouth.rise_mm > MOST_BENT * mouth.smaller_mm for mouth in mouths)
    return None if is_bent else part_at(parts, region)


def _other_mouths(
    region: Enclosure, mouths: Sequence[Mouth], body: Solid | None
) -> Iterator[tuple[Mouth, ...]]:
    """Yield other mouths for the openings of a region, where the first ones do not cut it free.

    Bent ones square to the nearest axis; where they leak, all of them inside their rims: what
    looked like a flat was a facet of a round wall.
    """
    pairs = list(zip(region.openings, mouths, strict=True))
    if any(mouth.is_bent for mouth in mouths):
        yield tuple(
            square_mouth(opening, region.pitch_mm) if mouth.is_bent else mouth
            for opening, mouth in pairs
        )
    if body is None:
        yield tuple(bent_mouth(opening, region.pitch_mm) for opening, _ in pairs)
        yield tuple(square_mouth(opening, region.pitch_mm) for opening, _ in pairs)


def _without_plugs(sand: Solid, mouths: Sequence[Sequence[Mouth]]) -> tuple[Solid, ...]:
    """Return the bodies of sand that the plugs of all mouths leave."""
    return (sand - Solid.union(mouth.plug for group in mouths for mouth in group)).parts()


def _loose_mm2(body: Solid | None, mouths: Sequence[Mouth], metal: Rays) -> float:
    """Return the surface of a core that lies beside the plug of a bent mouth, not in its plane.

    There the core goes on past the end of the plug: it would hang on its half. Infinite without
    a core.
    """
    if body is None:
        return float("inf")
    bent = [mouth for mouth in mouths if mouth.is_bent]
    if not bent:
        return 0.0
    points, faces = body.mesh()
    spots = spread_spots(points[faces], SPOTS)
    outside = spots.at_mm + OFF_MM * spots.normals
    is_beside = np.zeros(len(outside), bool)
    for mouth in bent:
        is_beside |= Rays.of(mouth.plug).is_inside(outside) & ~mouth.holds(spots.at_mm, OFF_MM)
    return float(spots.area_mm2[is_beside & ~metal.is_inside(outside)].sum())


def part_at(parts: Sequence[Solid], region: Enclosure) -> Solid | None:
    """Return the part of the sand that is the region, None where it leaks into more."""
    point = region.deepest_mm[None]
    for part in parts:
        low, high = part.bounds
        if not ((point[0] > low) & (point[0] < high)).all():
            continue
        share = part.volume_mm3 / region.volume_mm3
        if LEAK[0] < share < LEAK[1] and bool(Rays.of(part).is_inside(point)[0]):
            return part
    return None


def _with_own_prints(one: DeclaredBody) -> Core:
    """Return a core whose model brings its prints; its whole body is kept clear of the halves."""
    return Core(
        name=one.name,
        solid=one.solid,
        prints=one.prints,
        flush=(one.solid,),
        reason="is declared, with a model of its own",
    )


def _with_prints(
    name: str,
    body: Solid,
    mouths: Sequence[Mouth],
    room: _Room,
    earlier: Sequence[Core],
    why: str,
) -> tuple[Core, list[str]]:
    """Return a core with a print through each of its mouths that has room for one.

    Where it meets an earlier core it ends short of that by the gap.
    """
    taken = [Rays.of(one.seat) for core in earlier for one in core.prints]
    taken += [Rays.of(core.solid) for core in earlier]
    others = Solid.union(core.solid for core in earlier)
    room_of_others = Solid.union([others, *(core.seats for core in earlier)])
    if body.may_touch(room_of_others):
        body = (body - room_of_others).parts()[0]
    prints: list[Print] = []
    flush: list[Solid] = []
    ends: list[tuple[Floats, Mouth]] = []
    notes = [f"{name} {why}"]

    def is_free(points: Floats) -> bool:
        return not any(scene.is_inside(points).any() for scene in (room.metal, *taken))

    for mouth in mouths:
        rim = rim_of(body, mouth)
        if len(rim) < 3:
            continue
        beside = side_gaps(body, mouth, room.rules.gap_mm)
        if beside.volume_mm3 > SLIVER_MM3:
            flush.append(beside)
        made = make_print(rim, mouth, room.rules, not prints, is_free)
        if made is None:
            notes.append(f"{name} has no room for a print {place_text(mouth.at_mm)}")
            flush.append(end_gap(rim, mouth, room.rules.gap_mm))
            continue
        prints.append(made)
        taken.append(Rays.of(made.seat))
        ends.append((rim, mouth))
    if len(prints) == 1 and room.rules.length_mm is None:
        taken.pop()
        prints[0], said = _balanced(body, prints[0], *ends[0], room.rules, is_free)
        notes += [f"{name} {one}" for one in said]
    if not prints:
        notes.append(f"{name} has no print at all: it needs chaplets")
    return Core(
        name=name,
        solid=Solid.union([body, *(one.solid - room.hollow for one in prints)]).parts()[0],
        prints=tuple(prints),
        flush=tuple(gap - others for gap in flush),
        reason=why,
    ), notes


def _balanced(
    body: Solid,
    one: Print,
    rim: Floats,
    mouth: Mouth,
    rules: PrintRules,
    is_free: Callable[[Floats], bool],
) -> tuple[Print, list[str]]:
    """Return (print, notes): a core's only print, long enough to outweigh what hangs free of it.

    A level core with one print tips into the drag unless its middle lies over that print.
    """
    if mouth.is_upright:
        return one, []
    edge_mm = float((rim @ one.outward).mean())
    hangs = body.volume_mm3 * (edge_mm - float(body.centroid_mm @ one.outward))
    made, longest = one, one.length_mm
    most = LONGEST_BALANCE * float(np.ptp(body.mesh()[0] @ one.outward))
    for _ in range(BALANCE_TRIES):
        holds = made.solid.volume_mm3 * (float(made.solid.centroid_mm @ one.outward) - edge_mm)
        if holds >= BALANCE * hangs:
            said = f"is held by one print, {made.length_mm:.0f} mm long to balance it"
            return made, [said] if made is not one else []
        longest *= 1.02 * float(np.sqrt(BALANCE * hangs / holds))
        if longest > most:
            break
        other = make_print(rim, mouth, replace(rules, length_mm=longest), False, is_free)
        if other is None or other.length_mm < longest:
            break
        made = other
    return one, ["hangs over its only print, and none within reason balances it: set chaplets"]
