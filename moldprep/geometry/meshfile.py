"""Model file + stated unit -> Casting, with the list of repairs."""

import hashlib
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from moldprep.arrays import Colors
from moldprep.errors import GeometryError, JobError
from moldprep.geometry.bores import fill_bores, find_bores, widest_first
from moldprep.geometry.crossing import Overlap, untangled
from moldprep.geometry.faces import Surface
from moldprep.geometry.facets import Facets, Tally
from moldprep.geometry.holes import Rim, rims_of
from moldprep.geometry.lumps import Lump, crumbs_of, inside_any, is_closed, lumps_of, voids_of
from moldprep.geometry.readers import Model, files_of, joined_colors, read_model
from moldprep.geometry.rebuild import rebuild
from moldprep.geometry.repair import mend
from moldprep.geometry.solid import Floats, Ints, Solid
from moldprep.records import Body, Casting, ClosedVoid, DrilledBore, Job, Repair, Role
from moldprep.records.job import OwnBody
from moldprep.tolerances import SLIVER_MM3, THINNEST_SAND_MM
from moldprep.units import MM_PER

NUMBERED: Final = frozenset({Role.RUNNER, Role.INGATE, Role.FEEDER, Role.VENT, Role.NECK})
"""Roles whose bodies are numbered even where there is one."""

SMALLEST_MM: Final = 5.0
LARGEST_MM: Final = 10_000.0
"""A casting's longest side lies between these; outside, the unit is wrong (common practice)."""

USUAL_MM: Final = (20.0, 3000.0)
"""Most castings' longest side lies between these; used to guess the unit that was meant."""

CRUMB_MM3: Final = 1.0
"""A smaller hollow between bodies that touch, as between the facets of a bolt and of its hole, is
none of the casting's: it has room for a few grains of sand."""

N_RIMS_SHOWN: Final = 6


def read_casting(job: Job) -> Casting:
    """Return the customer's model as closed solids in mm.

    Raises
    ------
    FileError
        file/not-found, file/unreadable, file/truncated.
    JobError
        job/no-such-body, job/bad-value.
    GeometryError
        geometry/unit-missing, geometry/unit-unknown, geometry/unit-conflict,
        geometry/size-implausible, geometry/empty, geometry/open, geometry/self-crossing,
        geometry/rebuild-failed.
    """
    keys = job.casting
    path = job.folder / keys.file
    tally: Tally = Counter()
    mesh, model, unit = _in_mm(path, job)
    colors = joined_colors(model.objects)
    lumps, deviation_mm = _solids(mesh, model, job, tally)
    own, rest = _own(lumps, model, colors, job)
    files = [path]
    for entry in (one for one in keys.own if one.file is not None):
        files.append(job.folder / Path(str(entry.file)))
        own.append((entry, _own_file(files[-1], job, tally)))
    if not rest:
        raise GeometryError(
            "every body of the model is declared as rigging, none is left as the casting",
            code="geometry/empty",
            where=path.name,
            fix="take the casting's body out of casting.own",
        )
    castings, drilled = _drilled(_castings(rest, keys.bodies, tally), keys.drill_below_mm)
    return Casting(
        bodies=(*castings, *_named(own)),
        file=str(keys.file),
        sha256=_sha256(files),
        unit=unit,
        repairs=tuple(Repair(what=w, count=n) for w, n in sorted(tally.items()) if n > 0),
        deviation_mm=deviation_mm,
        face_color=_face_color(castings[0].solid, colors),
        voids=_voids(castings),
        drilled=drilled,
    )


# ---- unit and size --------------------------------------------------------------------------


def _in_mm(path: Path, job: Job) -> tuple[Facets, Model, str]:
    """Return (facets of all objects in mm, the model, unit its numbers are in)."""
    model = read_model(path, job.casting.chord_mm)
    unit = _unit(model, job.casting.unit, path.name)
    scale = MM_PER[model.numbers if model.binding else unit]
    offset = np.cumsum([0, *(len(one.points) for one in model.objects[:-1])])
    points = np.vstack([one.points for one in model.objects]) * scale
    faces = np.vstack([one.faces + o for one, o in zip(model.objects, offset, strict=True)])
    _check_size(points[faces.ravel()], unit, path.name, is_bound=model.binding)
    return Facets(points, faces, np.arange(len(faces), dtype=np.int64)), model, unit


def _unit(model: Model, stated: str | None, where: str) -> str:
    """Return the unit of the numbers: the file's, or what the job says where it must."""
    if model.binding and model.unit and stated not in (None, model.unit):
        raise GeometryError(
            f"the file is in {model.unit}, casting.unit says {stated}",
            code="geometry/unit-conflict",
            where=where,
            fix="take casting.unit out of the job; if the file is wrong, export it again",
        )
    unit = stated or model.unit or model.numbers
    if not unit:
        raise GeometryError(
            "the file carries no unit and the job states none; allowed: " + ", ".join(MM_PER),
            code="geometry/unit-missing",
            where=where,
            fix='set casting.unit, for instance unit = "mm" (or --unit mm)',
        )
    return unit


def _check_size(corners: Floats, unit: str, where: str, *, is_bound: bool) -> None:
    """Raise GeometryError where the longest side makes no sense for a casting."""
    corners = corners[np.isfinite(corners).all(axis=1)]
    if len(corners) == 0:
        raise GeometryError(
            "no facet has corners that are numbers", code="geometry/empty", where=where,
            fix="export the model again",
        )  # fmt: skip
    size = corners.max(axis=0) - corners.min(axis=0)
    longest = float(size.max())
    if SMALLEST_MM <= longest <= LARGEST_MM:
        return
    numbers = longest / MM_PER[unit]
    likely = [u for u in ("mm", "in", "m", "cm", "ft", "um")
              if u != unit and USUAL_MM[0] <= numbers * MM_PER[u] <= USUAL_MM[1]]  # fmt: skip
    guess = [f"{u} ({numbers * MM_PER[u]:.4g} mm)" for u in likely]
    raise GeometryError(
        f"read as {unit} the model is {' x '.join(f'{s:.4g}' for s in size)} mm; the longest "
        f"side of a casting is {SMALLEST_MM:g} to {LARGEST_MM:g} mm",
        code="geometry/size-implausible",
        where=where,
        fix=(
            f"the likely unit is {' or '.join(guess)}: "
            + ("export the model again with it" if is_bound else "set casting.unit")
            if guess
            else "look at the size in CAD; no usual unit makes a casting of these numbers"
        ),
    )


# ---- solids ---------------------------------------------------------------------------------


def _solids(mesh: Facets, model: Model, job: Job, tally: Tally) -> tuple[list[Lump], float]:
    """Return (bodies, deviation of a rebuild), mended as far as is safe and the job allows."""
    owner = np.repeat(np.arange(len(model.objects)), [len(one.faces) for one in model.objects])
    mended = _mended(mesh, owner, tally)
    may_rebuild, pitch = job.casting.repair == "rebuild", job.casting.rebuild_pitch_mm
    everything = frozenset(range(len(model.objects)))
    if is_closed(mended):
        lumps, stuck = _untangled(lumps_of(mended, mesh, owner, tally), tally)
        if stuck is None:
            return lumps, 0.0
        if not may_rebuild:
            raise _crossing(stuck, job.casting.file.name)
        meshes = [lump.solid.mesh() for lump in lumps]
        offset = np.cumsum([0, *(len(points) for points, _ in meshes[:-1])])
        faces = np.vstack([f + o for (_, f), o in zip(meshes, offset, strict=True)])
        mended = Facets(np.vstack([points for points, _ in meshes]), faces, np.arange(len(faces)))
        solid, deviation = rebuild(mended, pitch, is_closed=True)
    elif may_rebuild:
        solid, deviation = rebuild(mended, pitch)
    else:
        raise _open(rims_of(mended), job.casting.file.name)
    tally["model rebuilt on a grid"] += 1
    return [Lump(solid, everything)], deviation


def _untangled(lumps: list[Lump], tally: Tally) -> tuple[list[Lump], Overlap | None]:
    """Return (bodies with their self-overlaps united, an overlap that could not be)."""
    clean = []
    for lump in lumps:
        solid, n_overlaps, stuck = untangled(lump.solid)
        if stuck is not None:
            return lumps, stuck
        tally["places where the surface passed through itself united"] += n_overlaps
        clean.append(replace(lump, solid=solid))
    return clean, None


def _crossing(overlap: Overlap, where: str) -> GeometryError:
    place = ", ".join(f"{v:.4g}" for v in overlap.at_mm)
    return GeometryError(
        f"the surface passes through itself around ({place}) mm, up to {overlap.depth_mm:.3g} mm "
        f"deep, about {overlap.volume_mm3:.3g} mm³ in all",
        code="geometry/self-crossing",
        where=where,
        fix="unite the bodies there in CAD, or allow a remake with casting.repair = 'rebuild'",
    )


def _mended(mesh: Facets, owner: Ints, tally: Tally) -> Facets:
    """Return the facets mended, each object by itself; those still open then all together."""
    n_objects = int(owner[-1]) + 1
    if n_objects == 1:
        return mend(mesh, tally)
    whole: list[Facets] = []
    loose: list[int] = []
    for k in range(n_objects):
        trial: Tally = Counter()
        part = mend(mesh.keep(owner == k), trial)
        if is_closed(part):
            tally.update(trial)
            whole.append(part)
        else:
            loose.append(k)
    if loose:
        whole.append(mend(mesh.keep(np.isin(owner, loose)), tally))
    offset = np.cumsum([0, *(len(part.points) for part in whole[:-1])])
    return Facets(
        np.vstack([part.points for part in whole]),
        np.vstack([part.faces + o for part, o in zip(whole, offset, strict=True)]),
        np.concatenate([part.source for part in whole]),
    )


def _open(rims: list[Rim], where: str) -> GeometryError:
    """Return the error of a model that is not closed, with its open places."""
    places = [f"{rim.length_mm:.4g} mm long, {len(rim.corners)} edges, around "
              f"({', '.join(f'{v:.4g}' for v in rim.at_mm)}) mm"
              for rim in rims[:N_RIMS_SHOWN]]  # fmt: skip
    more = f"; and {len(rims) - N_RIMS_SHOWN} more" if len(rims) > N_RIMS_SHOWN else ""
    return GeometryError(
        f"not a closed solid: {len(rims)} open edge loop{'s' * (len(rims) > 1)}: "
        f"{'; '.join(places)}{more}",
        code="geometry/open",
        where=where,
        fix="close the surface there in CAD, or allow a remake with casting.repair = 'rebuild'",
    )


def _castings(lumps: list[Lump], bodies: str, tally: Tally) -> list[Body]:
    """Return one casting, or one for each body that touches no other; count those united."""
    solid = lumps[0].solid if len(lumps) == 1 else Solid.union(lump.solid for lump in lumps)
    if not solid.volume_mm3 > SLIVER_MM3:
        raise GeometryError(
            "the model encloses no volume",
            code="geometry/empty",
            fix="it may be a surface without thickness; export a solid body",
        )
    if len(lumps) > 1 and (crumbs := crumbs_of(solid, CRUMB_MM3)):
        solid = Solid.union([solid, *crumbs])
        tally["hollows of under 1 mm³ between bodies filled"] += len(crumbs)
    pieces = solid.parts() if len(lumps) > 1 or bodies == "apart" else (solid,)
    n_united = len(lumps) - len(pieces) - tally["bodies wholly inside another"]
    tally["bodies that overlap or touch united with another"] += max(n_united, 0)
    parts = pieces if bodies == "apart" else (solid,)
    if len(parts) == 1:
        return [Body(name="casting", role=Role.CASTING, solid=solid)]
    return [
        Body(name=f"casting-{k}", role=Role.CASTING, solid=part)
        for k, part in enumerate(parts, start=1)
    ]


def _drilled(
    castings: list[Body], below_mm: float | str
) -> tuple[list[Body], tuple[DrilledBore, ...]]:
    """Return (bodies with the bores filled that are narrower than this, those bores)."""
    limit = THINNEST_SAND_MM if isinstance(below_mm, str) else below_mm
    if limit <= 0.0:
        return castings, ()
    bores = [find_bores(Surface.of(body.solid), limit) for body in castings]
    filled = [
        replace(body, solid=fill_bores(body.solid, mine))
        for body, mine in zip(castings, bores, strict=True)
    ]
    facts = [bore.facts for mine in bores for bore in mine]
    return filled, tuple(sorted(facts, key=widest_first))


def _voids(castings: list[Body]) -> tuple[ClosedVoid, ...]:
    """Return the hollows no opening leads to, largest first."""
    found = [v for body in castings for v in voids_of(body.solid) if v[0] > SLIVER_MM3]
    found.sort(key=lambda void: (-void[0], *void[1]))
    return tuple(
        ClosedVoid(volume_mm3=volume, at_mm=(float(x), float(y), float(z)))
        for volume, (x, y, z) in found
    )


# ---- bodies that are rigging ----------------------------------------------------------------


def _own(
    lumps: list[Lump], model: Model, colors: Colors, job: Job
) -> tuple[list[tuple[OwnBody, Solid]], list[Lump]]:
    """Return (bodies the job declares as rigging, the bodies left as casting)."""
    found: list[tuple[OwnBody, Solid]] = []
    own = job.casting.own
    asks_color = any(entry.color is not None for entry in own)
    left = {lump: _hex(lump.solid, colors) if asks_color else "" for lump in lumps}
    for k, entry in enumerate(own):
        if entry.file is not None:
            continue
        mine = _matching(left, entry, model, f"[casting.own] entry {k + 1}")
        found.append((entry, Solid.union(lump.solid for lump in mine)))
        left = {lump: color for lump, color in left.items() if lump not in mine}
    return found, list(left)


def _matching(lumps: dict[Lump, str], entry: OwnBody, model: Model, where: str) -> list[Lump]:
    """Return the bodies (each with its color) one [[casting.own]] entry means; none is an error."""
    names = [one.name for one in model.objects]
    if entry.object is not None:
        if names.count(entry.object) > 1:
            raise JobError(
                f"{names.count(entry.object)} objects of the file are named {entry.object!r}",
                code="job/no-such-body", where=where,
                fix="give them names of their own, or say at_mm, a point inside the one meant",
            )  # fmt: skip
        mine = [k for k, name in enumerate(names) if name == entry.object]
        found = [lump for lump in lumps if lump.objects & set(mine)]
        said = f"no object named {entry.object!r}; there are: {', '.join(sorted(set(names)))}"
    elif entry.at_mm is not None:
        inside = inside_any(list(lumps), np.array(entry.at_mm))
        found = [lump for lump, is_it in zip(lumps, inside, strict=True) if is_it]
        said = f"no body around {entry.at_mm} mm"
    elif entry.color is not None:
        found = [lump for lump, color in lumps.items() if color == entry.color.lower()]
        seen = ", ".join(sorted(set(lumps.values())))
        said = f"no body of color {entry.color}; there are: {seen}"
    else:
        found, said = [], "needs one of: object, file, at_mm, color"
    if not found:
        raise JobError(said, code="job/no-such-body", where=where,
                       fix="[casting] own names bodies that are in the model")  # fmt: skip
    return found


def _own_file(path: Path, job: Job, tally: Tally) -> Solid:
    """Return the rigging body in a file of its own, same frame and unit as the casting's."""
    mesh, model, _ = _in_mm(path, job)
    lumps, _ = _solids(mesh, model, job, tally)
    return Solid.union(lump.solid for lump in lumps)


def _named(own: list[tuple[OwnBody, Solid]]) -> list[Body]:
    """Return the rigging bodies, named by the job or after their role."""
    roles = Counter(entry.role for entry, _ in own)
    count: Counter[Role] = Counter()
    bodies = []
    for entry, solid in own:
        count[entry.role] += 1
        stem = "F" if entry.role is Role.FEEDER else f"{entry.role}-"
        is_many = roles[entry.role] > 1 or entry.role in NUMBERED
        name = f"{stem}{count[entry.role]}" if is_many else str(entry.role)
        bodies.append(Body(name=entry.name or name, role=entry.role, solid=solid))
    return bodies


# ---- colors and hash -----------------------------------------------------------------------


def _face_color(solid: Solid, colors: Colors) -> Colors:
    """Return the color of each facet of `solid.mesh()`; a filled hole has none (0, 0, 0, 0)."""
    if len(colors) == 0:
        return colors
    padded = np.vstack([colors, np.zeros((1, 4), np.uint8)])
    return np.asarray(padded[np.minimum(solid.face_sources(), len(colors))])


def _hex(solid: Solid, colors: Colors) -> str:
    """Return the commonest facet color of a body as #rrggbb, "none" without colors."""
    if len(colors) == 0:
        return "none"
    found, count = np.unique(_face_color(solid, colors)[:, :3], axis=0, return_counts=True)
    r, g, b = found[int(count.argmax())].tolist()
    return f"#{r:02x}{g:02x}{b:02x}"


def _sha256(paths: list[Path]) -> str:
    digest = hashlib.sha256()
    for path in paths:
        for part in files_of(path):
            digest.update(part.read_bytes())
    return digest.hexdigest()
