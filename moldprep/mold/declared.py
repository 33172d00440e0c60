"""Cores the job insists on: sand in a box, or a model of its own."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from moldprep.errors import JobError
from moldprep.geometry.meshfile import read_casting
from moldprep.geometry.rays import Rays
from moldprep.geometry.solid import Floats, Solid
from moldprep.mold.mouths import DIP_MM, Mouth, Plane, flat_mouth, frame, rim_of
from moldprep.mold.prints import ROUND, Print, end_corners, middle_of
from moldprep.records import Job, Parting, Pattern, Placement
from moldprep.records.job import CoreDeclared
from moldprep.tolerances import SLIVER_MM3

PROBE_MM: Final = 0.5
"""How far outside a face of the box sand is looked for."""


@dataclass(frozen=True)
class DeclaredBody:
    """The body of a declared core, before it gets what it lacks.

    mouths : where it meets other sand and wants a print; none for a model of its own
    prints : what a model of its own brings along
    """

    name: str
    solid: Solid
    mouths: tuple[Mouth, ...]
    prints: tuple[Print, ...]


def declared_bodies(
    job: Job,
    parting: Parting,
    pattern: Pattern,
    placements: Sequence[Placement],
    castings: Sequence[Solid],
    hollow: Solid,
    metal: Rays,
) -> tuple[DeclaredBody, ...]:
    """Return the bodies of the declared cores, one for each copy of a model.

    A box takes the largest body of sand in it, within the bounds of the castings; prints are
    added by rule. A model brings its own prints: what of it lies outside those bounds.

    Raises
    ------
    JobError
        job/bad-value, for a core with neither or both of box and file, without any sand, or with a
        box round all castings that holds more than their hollows.
    """
    corners = np.array([casting.bounds for casting in castings])
    bounds = np.array([corners[:, 0].min(axis=0), corners[:, 1].max(axis=0)])
    gap_mm = job.cores.clearance_mm + job.mold.coating_mm
    made: list[DeclaredBody] = []
    for entry in job.cores.declared:
        if (entry.box is None) == (entry.file is None):
            raise _bad(entry, "give either box or file", "box = [[x, y, z], [x, y, z]]")
        if entry.box is not None:
            made.append(_from_box(entry, bounds, hollow, metal))
            continue
        model = _model(entry, job, parting, pattern)
        for k, place in enumerate(placements, start=1):
            placed = model.turned((0.0, 0.0, place.turn_deg)).moved(place.move_mm)
            name = entry.name if len(placements) == 1 else f"{entry.name}-{k}"
            body = _largest(placed - hollow, entry)
            made.append(DeclaredBody(name, body, (), _own_prints(body, bounds, gap_mm)))
    return tuple(made)


def _from_box(entry: CoreDeclared, bounds: Floats, hollow: Solid, metal: Rays) -> DeclaredBody:
    corners = np.sort(np.array(entry.box, float), axis=0)
    low = np.maximum(corners[0], bounds[0]) + DIP_MM
    high = np.minimum(corners[1], bounds[1]) - DIP_MM
    if not (high > low).all():
        raise _bad(entry, "its box lies outside the casting", f"within {bounds.tolist()}")
    body = _largest(Solid.box(tuple(low), tuple(high)) - hollow, entry)
    if _is_around(corners, bounds, body):
        what = "its box holds all of the casting, and most sand in it lies around that, not inside"
        fix = (
            "draw the box round the hollow alone (part frame); what must be a core is found anyway"
        )
        raise _bad(entry, what, fix)
    mouths = []
    for axis in range(3):
        for end, sign in ((low, -1.0), (high, 1.0)):
            mouth = _face(low, high, axis, sign, float(end[axis]))
            rim = rim_of(body, mouth)
            if len(rim) >= 3 and not _is_backed(rim, mouth, metal):
                mouths.append(mouth)
    return DeclaredBody(entry.name, body, tuple(mouths), ())


def _is_around(corners: Floats, bounds: Floats, body: Solid) -> bool:
    """Return whether a box holds all castings, and a body in it comes to an edge of their bounds.

    What lies inside a casting comes out through its faces, not at the edges of its bounds.
    """
    if not ((corners[0] <= bounds[0]) & (corners[1] >= bounds[1])).all():
        return False
    inner = [bounds[0] + PROBE_MM, bounds[1] - PROBE_MM]
    for axis in range(3):
        low, high = inner[0].copy(), inner[1].copy()
        low[axis], high[axis] = bounds[0, axis] - PROBE_MM, bounds[1, axis] + PROBE_MM
        for first in (0, 1):
            for second in (0, 1):
                edge_low, edge_high = low.copy(), high.copy()
                for k, end in ((axis - 2, first), (axis - 1, second)):
                    edge_low[k], edge_high[k] = inner[end][k] + np.array([-0.5, 0.5]) * PROBE_MM
                if not (Solid.box(tuple(edge_low), tuple(edge_high)) & body).is_empty:
                    return True
    return False


def _face(low: Floats, high: Floats, axis: int, sign: float, level: float) -> Mouth:
    """Return one face of a box as a mouth."""
    normal = np.zeros(3)
    normal[axis] = sign
    u, v = frame(normal)
    across = np.column_stack([np.array([low, high]) @ u, np.array([low, high]) @ v])
    spread = np.array([across.min(axis=0), across.max(axis=0)])
    at = 0.5 * (low + high)
    at[axis] = level
    return flat_mouth(Plane(normal, sign * level, spread), 1.0, at)


def _is_backed(rim: Floats, mouth: Mouth, metal: Rays) -> bool:
    """Return whether there is metal, not sand, behind a face."""
    middle = rim.mean(axis=0)
    probes = middle + 0.5 * (rim - middle) + PROBE_MM * mouth.normal
    return bool(metal.is_inside(probes).all())


def _model(entry: CoreDeclared, job: Job, parting: Parting, pattern: Pattern) -> Solid:
    """Return the core's own model, laid like the casting and with its shrink."""
    keys = job.casting.model_copy(update={"file": entry.file, "own": ()})
    solid = read_casting(job.model_copy(update={"casting": keys})).solid
    return solid.transformed(parting.turn).scaled(tuple(pattern.shrink))


def _largest(sand: Solid, entry: CoreDeclared) -> Solid:
    parts = [part for part in sand.parts() if part.volume_mm3 > SLIVER_MM3]
    if not parts:
        raise _bad(entry, "there is no sand in it", "a region beside the metal")
    return parts[0]


def _own_prints(body: Solid, bounds: Floats, gap_mm: float) -> tuple[Print, ...]:
    """Return the parts of a core outside the castings' bounds as its prints."""
    outside = body - Solid.box(tuple(bounds[0]), tuple(bounds[1]))
    middle = 0.5 * (bounds[0] + bounds[1])
    prints = []
    for part in outside.parts():
        if part.volume_mm3 < SLIVER_MM3:
            continue
        points = part.mesh()[0]
        beyond = np.maximum(part.centroid_mm - bounds[1], bounds[0] - part.centroid_mm)
        axis = int(beyond.argmax())
        outward = np.zeros(3)
        outward[axis] = np.sign(part.centroid_mm[axis] - middle[axis])
        end = end_corners(points, outward)
        grown = Solid.hull_of((points[:, None] + gap_mm * ROUND).reshape(-1, 3))
        prints.append(
            Print(
                solid=part,
                seat=grown,
                end=end,
                end_mm=middle_of(end, outward)[0],
                outward=outward,
                length_mm=float(np.ptp(points @ outward)),
                thickness_mm=float(np.delete(part.size_mm, axis).min()),
            )
        )
    return tuple(prints)


def _bad(entry: CoreDeclared, what: str, fix: str) -> JobError:
    return JobError(
        f"core {entry.name!r}: {what}",
        code="job/bad-value",
        where="[[cores.declared]]",
        fix=fix,
    )
