"""The pictures of a job. Each is made from the records it needs; a record not made, no picture."""

import logging
from collections.abc import Callable, Sequence
from itertools import groupby
from pathlib import Path
from typing import Final

import numpy as np

from moldprep.geometry.solid import Floats
from moldprep.records import (
    Feeding,
    Fill,
    Freezing,
    Grid,
    Handling,
    Metal,
    Mold,
    Parting,
    Pattern,
    Piece,
    Rigging,
    RiggingPlan,
    Role,
    Survey,
)
from moldprep.report.page import Picture
from moldprep.report.scene import SAND, STEEL, Field, Scene, can_draw
from moldprep.results import Results
from moldprep.wording import duration

log = logging.getLogger(__name__)

COLORS: Final = {
    Role.CASTING: STEEL,
    Role.BASIN: "#6b4e71",
    Role.SPRUE: "#7d5a86",
    Role.WELL: "#93709b",
    Role.RUNNER: "#3f7d6e",
    Role.FILTER: "#e0e0d0",
    Role.INGATE: "#69a594",
    Role.FEEDER: "#c2603d",
    Role.NECK: "#d98b5f",
    Role.VENT: "#b9a441",
}
"""One color for each role of metal."""

ORDER: Final = ("#31507a", "#4f86a8", "#8fb8b2", "#d9c58b", "#d79254", "#b5482f", "#7a1f2b")
"""Sections from the first to freeze to the last; taken in equal steps."""

MOST_LABELS: Final = 16

SHELLS: Final = (0.35, 0.55, 0.75, 0.92)
"""Surfaces of equal freezing time shown, of the latest."""

CORE: Final = "#9c6f3e"

EXPLODE: Final = 0.5
"""Room between lowest and highest of the pieces lifted apart, of the block's longer side."""

LEAST_APART: Final = 0.12
"""Room between any two of them, likewise."""

PARTS_APART: Final = 0.25
"""How far the parts of a cut piece are moved from its middle, over where they lie from it."""

FROM_ABOVE: Final = (-1.0, -1.35, 1.1)
"""Toward the eye that looks into the pieces lifted apart."""


def draw_pictures(results: Results, folder: Path) -> tuple[Picture, ...]:
    """Return every picture these results allow, written; none where none can be drawn."""
    if not can_draw():
        log.warning("pictures: none, this machine has neither libEGL nor libOSMesa")
        return ()
    folder.mkdir(parents=True, exist_ok=True)
    made = []
    for name, (caption, kinds, draw) in PICTURES.items():
        if all(kind in results for kind in kinds) and _has_half(results, name):
            file = folder / f"{name}.png"
            draw(results, file)
            made.append(Picture(name, caption, file))
    return tuple(made)


def _has_half(results: Results, name: str) -> bool:
    """Return whether a picture of a half has one to show: cores alone have none."""
    if name not in ("drag", "cope"):
        return True
    return any(piece.role == name for piece in results.need(Mold).pieces)


def draw_feeding(results: Results, path: Path) -> None:
    """Write the picture of a study of feeding: hot spots and feeders on the freezing times."""
    _hot_spots(results, path)


def draw_gating(results: Results, path: Path) -> None:
    """Write the picture of a study of gating: the bodies by role."""
    _rigging(results, path)


def _casting(results: Results, path: Path) -> None:
    parting = results.need(Parting)
    scene = Scene()
    scene.body(parting.casting, STEEL)
    scene.plane(parting.casting.bounds, parting.z_mm)
    scene.write(path)


def _rigging(results: Results, path: Path) -> None:
    rigging = results.need(Rigging)
    scene = Scene()
    for body in rigging.metal:
        scene.body(body.solid, COLORS[body.role])
    for insert in rigging.inserts:
        scene.body(insert.solid, "#3b3b3b")
    named = [body for body in rigging.bodies if not body.solid.is_empty]
    scene.labels([body.name for body in named], _tops([body.solid.bounds for body in named]))
    scene.write(path)


def _sections(results: Results, path: Path) -> None:
    survey, pattern = results.need(Survey), results.need(Pattern)
    label = np.where(survey.label > 0, survey.label, np.nan)
    n = len(survey.sections)
    steps = np.linspace(0, len(ORDER) - 1, n).round().astype(int) if n > 1 else [len(ORDER) - 1]
    order = np.argsort(np.argsort([section.order for section in survey.sections]))
    scene = Scene()
    scene.grouped(
        pattern.solid,
        Field(label, survey.pitch_mm, survey.origin_mm),
        [ORDER[steps[k]] for k in order],
    )
    latest = sorted(survey.sections, key=lambda section: -section.order)[:MOST_LABELS]
    scene.labels(
        [f"{section.order}: {duration(section.freezing_time_s)}" for section in latest],
        np.array([section.at_mm for section in latest]),
    )
    scene.write(path)


def _fill(results: Results, path: Path) -> None:
    grid, fill = results.need(Grid), results.need(Fill)
    scene = Scene()
    scene.painted(
        results.need(Metal).solid,
        Field(fill.time_s, grid.pitch_mm, grid.origin_mm),
        "filled after [s]",
        cut_mm=2.0 * grid.pitch_mm,
    )
    scene.write(path)


def _freezing(results: Results, path: Path) -> None:
    grid, freezing, metal = results.need(Grid), results.need(Freezing), results.need(Metal)
    field = Field(freezing.time_s, grid.pitch_mm, grid.origin_mm)
    at_mm, latest_s = last_of_castings(grid, freezing, metal)
    scene = Scene()
    for normal in ("x", "y"):
        scene.slice(field, normal, at_mm, "solid after [s]", most=latest_s)
    scene.body(metal.solid, STEEL, opacity=0.12)
    scene.labels([f"last of the casting: {duration(latest_s)}"], np.array([at_mm]))
    scene.write(path)


def last_of_castings(
    grid: Grid, freezing: Freezing, metal: Metal
) -> tuple[tuple[float, float, float], float]:
    """Return where [mm] and when [s] the last metal of a casting is solid.

    Of all metal, where no cell of the grid belongs to a casting.
    """
    numbers = [k for k, role in enumerate(metal.roles, start=1) if role is Role.CASTING]
    own = np.isin(grid.label, numbers) & np.isfinite(freezing.time_s)
    times = np.where(own if own.any() else np.isfinite(freezing.time_s), freezing.time_s, -1.0)
    last = np.unravel_index(int(np.argmax(times)), times.shape)
    x, y, z = (float(v) for v in grid.origin_mm + (np.array(last) + 0.5) * grid.pitch_mm)
    return (x, y, z), float(times[last])


def _hot_spots(results: Results, path: Path) -> None:
    grid, freezing, feeding = results.need(Grid), results.need(Freezing), results.need(Feeding)
    latest = float(np.nanmax(freezing.time_s))
    scene = Scene()
    scene.shells(
        Field(freezing.time_s, grid.pitch_mm, grid.origin_mm),
        [share * latest for share in SHELLS],
        "last to be solid, time [s]",
    )
    scene.body(results.need(Metal).solid, STEEL, opacity=0.15)
    spots = sorted(feeding.hot_spots, key=lambda spot: -spot.freezing_time_s)[:MOST_LABELS]
    scene.labels(
        [f"{spot.name} < {spot.fed_by or 'NOT FED'}" for spot in spots],
        np.array([spot.at_mm for spot in spots]).reshape(-1, 3),
    )
    feeders = results.need(RiggingPlan).feeders if RiggingPlan in results else ()
    scene.labels(
        [f"{f.name}: {f.diameter_mm:.0f} x {f.height_mm:.0f} mm" for f in feeders],
        np.array([(*f.at_mm[:2], f.at_mm[2] + f.height_mm) for f in feeders]).reshape(-1, 3),
    )
    scene.write(path)


def _mold(results: Results, path: Path) -> None:
    mold = results.need(Mold)
    layers = [list(group) for _, group in groupby(_in_order(results), key=_layer)]
    gap = max(EXPLODE / max(len(mold.pieces) - 1, 1), LEAST_APART)
    gap *= float(mold.block.size_mm[:2].max())
    floor = float(mold.block.bounds[0, 2])
    scene = Scene()
    for pieces in layers:
        solids = [piece.solid.moved(tuple(_aside(piece, pieces))) for piece in pieces]
        low = min(float(solid.bounds[0, 2]) for solid in solids)
        high = max(float(solid.bounds[1, 2]) for solid in solids)
        for piece, solid in zip(pieces, solids, strict=True):
            moved = solid.moved((0.0, 0.0, floor - low))
            scene.body(moved, CORE if piece.role == "core" else SAND)
            scene.labels([piece.name], _tops([moved.bounds]))
        floor += high - low + gap
    scene.write(path, FROM_ABOVE)


def _in_order(results: Results) -> list[Piece]:
    """Return the pieces in the order they go together, as far as that is known."""
    steps = results.need(Handling).steps if Handling in results else ()
    rank = {step.piece: k for k, step in enumerate(steps) if not step.is_join}
    return sorted(
        results.need(Mold).pieces,
        key=lambda piece: rank.get(piece.name, rank.get(piece.name.rpartition("-")[0], -1)),
    )


def _layer(piece: Piece) -> str:
    """Return what a piece is drawn on one height with: its role, of cheeks each by itself."""
    return piece.name[: len("cheek-1")] if piece.role == "cheek" else piece.role


def _aside(piece: Piece, pieces: Sequence[Piece]) -> Floats:
    """Return how far a part of a cut piece is drawn from the others. [mm]"""
    if not piece.cut:
        return np.zeros(3)
    bounds = np.array([part.solid.bounds for part in pieces if part.cut])
    middle = 0.5 * (bounds[:, 0].min(axis=0) + bounds[:, 1].max(axis=0))
    return np.asarray(PARTS_APART * (piece.solid.bounds.mean(axis=0) - middle))


def _drag(results: Results, path: Path) -> None:
    _open(results, {"drag", "lid", "core", "cheek"}, path, (-0.7, -1.0, 1.6))


def _cope(results: Results, path: Path) -> None:
    _open(results, {"cope"}, path, (-0.7, -1.0, -1.6))


def _open(results: Results, roles: set[str], path: Path, view: tuple[float, float, float]) -> None:
    """Draw some of the pieces where they lie in the closed mold."""
    scene = Scene()
    for piece in results.need(Mold).pieces:
        if piece.role in roles:
            scene.body(piece.solid, CORE if piece.role == "core" else SAND)
    scene.write(path, view)


def _tops(bounds: list[Floats]) -> Floats:
    """Return the middle of the top of each extent."""
    tops = [(*(0.5 * (low + high))[:2], high[2]) for low, high in bounds]
    return np.array(tops).reshape(-1, 3)


Draw = Callable[[Results, Path], None]

PICTURES: Final[dict[str, tuple[str, tuple[type[object], ...], Draw]]] = {
    "casting": ("The casting as it lies, and the parting plane", (Parting,), _casting),
    "rigging": ("All metal by what it is for", (Rigging,), _rigging),
    "mold": ("The pieces, lifted apart in the order they go together", (Mold,), _mold),
    "drag": ("The drag from above, cores in place", (Mold,), _drag),
    "cope": ("The cope from below", (Mold,), _cope),
    "sections": (
        "Sections of the bare pattern: order and time of freezing; blue first, red last",
        (Survey, Pattern),
        _sections,
    ),
    "freezing": (
        "When each place is solid, cut through the last place of a casting to freeze; rigging that "
        "freezes later has the last color",
        (Freezing, Grid, Metal),
        _freezing,
    ),
    "hot-spots": (
        "Hot spots and what feeds each, in shells of equal freezing time",
        (Feeding, Freezing, Grid, Metal),
        _hot_spots,
    ),
    "fill": ("When the metal gets there", (Fill, Grid, Metal), _fill),
}
"""Name, caption, records it needs, and how it is drawn; in the order of the page."""
