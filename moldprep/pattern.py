"""Casting + Parting -> Pattern: machining stock, then draft, then shrink."""

import logging
from dataclasses import replace
from typing import Final

import numpy as np

from moldprep.arrays import Colors, Flags
from moldprep.errors import JobError
from moldprep.geometry.allowance import DRAFT_DEG, machining_allowance_mm, shrink_factor
from moldprep.geometry.draft import asked_deg, drafted
from moldprep.geometry.faces import (
    Surface,
    face_colors,
    select,
    select_any,
    without_specks,
)
from moldprep.geometry.reshape import SMOOTH_DEG, cut_at
from moldprep.geometry.solid import Floats, Solid
from moldprep.geometry.stock import with_stock
from moldprep.geometry.undercuts import find_undercuts
from moldprep.geometry.walls import find_walls
from moldprep.parting import FACES_UP_DEG
from moldprep.records import (
    Alloy,
    Body,
    Casting,
    DraftFact,
    Job,
    Parting,
    Pattern,
    Role,
)
from moldprep.records.job import DraftKeys, PatternKeys, StockKeys

TABLE_DEG: Final = max(max(row) for row in DRAFT_DEG.values())
"""Largest draft of the tables. [deg]"""

NOTICED_MM: Final = 0.1
"""A wall out of its slope by less than this, top to bottom, is as asked: a grain is larger."""

log = logging.getLogger(__name__)


def make_pattern(casting: Casting, parting: Parting, job: Job, alloy: Alloy) -> Pattern:
    """Return the casting with its allowances.

    Stock is measured on the casting, draft is laid on the casting with its stock, and the whole
    then grows by the shrink allowance along the model's axes.

    Raises
    ------
    JobError
        job/stock-size, where a stock says neither mm nor a grade.
    """
    keys = job.pattern
    bare = Surface.of(parting.casting)
    in_model = Surface((bare.points - parting.turn[:, 3]) @ parting.turn[:, :3], bare.faces)
    colors = face_colors(casting, in_model)
    labels: tuple[Flags, ...] = (
        select_any(in_model, keys.draft.exempt, colors),
        select_any(in_model, (stock.faces for stock in keys.stock), colors),
        select_any(in_model, keys.keep_clear, colors),
    )
    stock_mm = _stock_mm(in_model, bare, keys, colors)
    stocked, labels = with_stock(bare, stock_mm, labels)
    has_draft = keys.draft.deg > 0.0 or keys.draft.table != ""
    shaped, labels = (
        drafted(stocked, parting.z_mm, keys.draft, labels) if has_draft else (stocked, labels)
    )
    grow = _growth(parting, keys, alloy)
    body = parting.casting if shaped is bare else Solid.from_mesh(shaped.points, shaped.faces)
    if shaped is not bare:
        source = body.face_sources()
        labels = tuple(label[source] for label in labels)
    solid = body.transformed(grow)
    surface = Surface.of(solid)
    swell = float(np.linalg.det(grow[:, :3]))
    exempt, machined, clear = labels
    log.info("pattern: %d facets, grown x %.6f in volume", solid.n_triangles, swell)
    return Pattern(
        solid=solid,
        extra=tuple(_grown(body, grow) for body in parting.bodies if body.role is not Role.CASTING),
        shrink=np.diag(grow[:, :3]).copy(),
        stock_mm3=swell * (stocked.volume_mm3() - bare.volume_mm3()) if stock_mm.any() else 0.0,
        draft_mm3=swell * (shaped.volume_mm3() - stocked.volume_mm3()) if has_draft else 0.0,
        is_machined=machined,
        is_kept_clear=clear,
        draft=measure_draft(surface, parting.z_mm, keys.draft, exempt),
        undercuts=find_undercuts(surface, parting.z_mm),
    )


def _stock_mm(in_model: Surface, in_part: Surface, keys: PatternKeys, colors: Colors) -> Floats:
    """Return (m,) the stock of each facet; where two entries meet, the larger. [mm]"""
    largest = float(np.ptp(in_model.points, axis=0).max())
    stock = np.zeros(len(in_model.faces))
    for number, entry in enumerate(keys.stock, start=1):
        chosen = without_specks(in_part, select(in_model, entry.faces, colors))
        mm = _entry_mm(entry, largest, number)
        extra = np.where(_lies_up(in_part, chosen), entry.cope_extra_mm, 0.0)
        stock = np.maximum(stock, np.where(chosen, mm + extra, 0.0))
    return stock


def _entry_mm(entry: StockKeys, largest_mm: float, number: int) -> float:
    """Return what one entry asks for: its mm, or its grade's."""
    if entry.mm is not None:
        return entry.mm
    if entry.grade is not None:
        return machining_allowance_mm(entry.grade, largest_mm)
    raise JobError(
        "neither mm nor grade is given",
        code="job/stock-size",
        where=f"[[pattern.stock]] number {number}",
        fix="mm = 3.0, or grade = 'G' (ISO 8062-3)",
    )


def _lies_up(surface: Surface, chosen: Flags) -> Flags:
    """Return (m,) the chosen facets whose face, as a whole, lies up; a bore does not."""
    patch = surface.patches(chosen, surface.bend_deg < SMOOTH_DEG)
    n = int(patch.max(initial=-1)) + 1
    up = np.zeros(len(chosen), np.bool_)
    if n:
        area = surface.area_mm2[chosen]
        rise = np.bincount(patch[chosen], area * surface.normals[chosen, 2], n)
        lies = rise >= np.cos(np.radians(FACES_UP_DEG)) * np.bincount(patch[chosen], area, n)
        up[chosen] = lies[patch[chosen]]
    return up


def _growth(parting: Parting, keys: PatternKeys, alloy: Alloy) -> Floats:
    """Return the (3, 4) growth by the shrink allowance; the parting plane keeps its height."""
    pct = alloy.shrink_pct if keys.shrink_pct == "auto" else keys.shrink_pct
    factors = [
        shrink_factor(float(one), keys.shrink_rule) for one in np.broadcast_to(np.asarray(pct), 3)
    ]
    turn = parting.turn[:, :3]
    matrix = turn @ np.diag(factors) @ turn.T
    if len(set(factors)) == 1:
        matrix = np.diag(factors)  # the turn drops out, and so does its rounding
    middle = np.array([0.0, 0.0, parting.z_mm])
    return np.hstack([matrix, (middle - matrix @ middle)[:, None]])


def _grown(body: Body, grow: Floats) -> Body:
    path = body.path_mm @ grow[:, :3].T + grow[:, 3]
    return replace(body, solid=body.solid.transformed(grow), path_mm=path)


def measure_draft(
    surface: Surface, z_mm: float, keys: DraftKeys, exempt: Flags
) -> tuple[DraftFact, ...]:
    """Return the draft of the walls of a finished pattern, one entry a group.

    Walls that a core forms are left out, and faces the job exempts; faces curved along the pull
    are no walls. A wall that lacks less metal than a grain over its height has what was asked.
    """
    cut, source = cut_at(surface, z_mm)
    steepest = max(keys.steepest_deg, keys.deg, TABLE_DEG) + 1.0  # what was drafted, and more
    walls = find_walls(cut, z_mm, steepest, exempt[source])
    asked = asked_deg(walls, keys)
    rise = np.where(np.isfinite(walls.deg), walls.high_mm - walls.low_mm, 0.0)
    short_mm = rise * (np.tan(np.radians(asked)) - np.tan(np.radians(walls.deg)))
    facts = []
    for kind, is_inner in (("outer", False), ("inner", True)):
        for row, side in enumerate(("cope", "drag")):
            mine = (walls.is_inner == is_inner) & ~walls.is_cored & np.isfinite(walls.deg[:, row])
            if not mine.any():
                continue
            is_short = short_mm[:, row] > NOTICED_MM
            has = np.where(is_short, walls.deg[:, row], np.maximum(walls.deg, asked)[:, row])
            worst = int(np.argmin(np.where(mine, has - asked[:, row], np.inf)))
            x, y, z = (float(v) for v in walls.place(cut, worst, row))
            facts.append(
                DraftFact(
                    group=f"{kind} {side}",
                    area_mm2=float(walls.area_mm2[mine, row].sum()),
                    smallest_deg=float(has[worst]),
                    height_mm=float(walls.high_mm[worst, row] - walls.low_mm[worst, row]),
                    at_mm=(x, y, z),
                    asked_deg=float(asked[worst, row]),
                )
            )
    return tuple(facts)
