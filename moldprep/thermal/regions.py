"""The survey's sections, and every rigging body, found again on the grid of the whole metal."""

from dataclasses import dataclass

import networkx as nx
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from moldprep.arrays import Floats
from moldprep.records import Grid, Metal, Placement, Role, Section, Survey


@dataclass(frozen=True, kw_only=True, eq=False)
class Regions:
    """Each cell of metal given to one region: a section of a casting, or a rigging body.

    label      : (nx, ny, nz) uint16, 0 sand, k = names[k - 1]
    names      : section names, with the casting before them where there are several; body names
    part       : the body each region belongs to
    section    : the survey's section, None for rigging
    volume_mm3 : (k,) metal in each region
    at_mm      : (k, 3) the section's hot spot where it is placed; the middle of a rigging body
    """

    label: NDArray[np.uint16]
    names: tuple[str, ...]
    part: tuple[str, ...]
    section: tuple[Section | None, ...]
    volume_mm3: Floats
    at_mm: Floats


def region_name(casting: str, section: str, n_castings: int) -> str:
    """Return what a section of one casting is called."""
    return section if n_castings == 1 else f"{casting} {section}"


def placed(points_mm: Floats, placement: Placement) -> Floats:
    """Return (n, 3) points of the pattern where this copy of it sits. [mm]"""
    return np.asarray(points_mm @ _turn(placement).T + np.asarray(placement.move_mm))


def unplaced(points_mm: Floats, placement: Placement) -> Floats:
    """Return (n, 3) points of one copy, back on the pattern. [mm]"""
    back: Floats = (points_mm - np.asarray(placement.move_mm)) @ _turn(placement)
    return back


def _turn(placement: Placement) -> Floats:
    angle = np.radians(placement.turn_deg)
    cos, sin = np.cos(angle), np.sin(angle)
    return np.array([[cos, -sin, 0.0], [sin, cos, 0.0], [0.0, 0.0, 1.0]])


def centers_mm(cells: NDArray[np.int64], grid: Grid) -> Floats:
    """Return (n, 3) centers of flat cell numbers. [mm]"""
    index = np.stack(np.unravel_index(cells, grid.label.shape), axis=1)
    middle: Floats = grid.origin_mm + (index + 0.5) * grid.pitch_mm
    return middle


def cell_at(at_mm: Floats, grid: Grid) -> tuple[int, int, int]:
    """Return the index of the cell a point is in, or of the nearest one on the grid."""
    index = np.floor((np.asarray(at_mm) - grid.origin_mm) / grid.pitch_mm).astype(int)
    ix, iy, iz = np.clip(index, 0, np.array(grid.label.shape) - 1)
    return int(ix), int(iy), int(iz)


def hot_spot_s(regions: Regions, region: int, time_s: NDArray[np.float32], grid: Grid) -> float:
    """Return when the hot spot of a section froze, from its cells around it. [s]

    Parameters
    ----------
    regions
        Where the sections are.
    region
        Row of the section.
    time_s
        (nx, ny, nz) float32 freezing time, below zero or NaN in sand. [s]
    grid
        The cells.
    """
    ix, iy, iz = cell_at(regions.at_mm[region], grid)
    near = tuple(slice(max(i - 1, 0), i + 2) for i in (ix, iy, iz))
    own = (regions.label[near] == region + 1) & (time_s[near] >= 0.0)
    if own.any():
        return float(time_s[near][own].max())
    every = time_s[regions.label == region + 1]
    return float(every[np.isfinite(every)].max(initial=0.0))


def find_regions(
    grid: Grid, metal: Metal, placements: tuple[Placement, ...], survey: Survey
) -> Regions:
    """Return the regions of the whole metal.

    A casting without a placement of its name sits where the pattern does.
    """
    by_name = {placement.name: placement for placement in placements}
    n_castings = sum(role is Role.CASTING for role in metal.roles)
    lookup = _SurveyLookup(survey)
    label = np.zeros(grid.label.shape, np.uint16)
    flat = label.reshape(-1)
    names: list[str] = []
    part: list[str] = []
    section: list[Section | None] = []
    at_mm: list[Floats] = []
    for number, (name, role) in enumerate(zip(metal.parts, metal.roles, strict=True), start=1):
        cells = np.flatnonzero(grid.label.ravel() == number)
        points = centers_mm(cells, grid)
        first = len(names) + 1
        if role is Role.CASTING and survey.sections:
            placement = by_name.get(name, Placement(name=name))
            flat[cells] = first - 1 + lookup.section_of(unplaced(points, placement))
            names += [region_name(name, one.name, n_castings) for one in survey.sections]
            section += list(survey.sections)
            at_mm += list(placed(np.array([s.at_mm for s in survey.sections]), placement))
        else:
            flat[cells] = first
            names.append(name)
            section.append(None)
            at_mm.append(points.mean(axis=0) if len(cells) else np.full(3, np.nan))
        part += [name] * (len(names) + 1 - first)
    share = np.bincount(flat, weights=grid.fraction.ravel(), minlength=len(names) + 1)[1:]
    return Regions(
        label=label,
        names=tuple(names),
        part=tuple(part),
        section=tuple(section),
        volume_mm3=np.asarray(share * grid.pitch_mm**3, np.float64),
        at_mm=np.array(at_mm).reshape(-1, 3),
    )


class _SurveyLookup:
    """Which section a point of the pattern is in; points just outside go to the nearest."""

    def __init__(self, survey: Survey) -> None:
        self._survey = survey
        inside = np.argwhere(survey.label > 0)
        self._inside = inside
        self._tree = cKDTree(survey.origin_mm + (inside + 0.5) * survey.pitch_mm)

    def section_of(self, points_mm: Floats) -> NDArray[np.uint16]:
        label = self._survey.label
        index = np.floor((points_mm - self._survey.origin_mm) / self._survey.pitch_mm).astype(int)
        index = np.clip(index, 0, np.array(label.shape) - 1)
        found = label[tuple(index.T)].astype(np.uint16)
        missed = np.flatnonzero(found == 0)
        if len(missed):
            _, nearest = self._tree.query(points_mm[missed])
            found[missed] = label[tuple(self._inside[nearest].T)]
        return np.asarray(found)


def region_graph(regions: Regions, time_s: NDArray[np.float32], grid: Grid) -> "nx.Graph[str]":
    """Return which regions touch, and when the neck between each two freezes.

    Nodes carry `part`, `volume_mm3` and `time_s` (its last metal); edges carry `time_s`, the
    last moment at which liquid still passes from one to the other, and `at_mm`, where.
    """
    flat_time = np.nan_to_num(time_s, nan=-1.0)
    latest = np.full(len(regions.names) + 1, -1.0)
    np.maximum.at(latest, regions.label.ravel(), flat_time.ravel())
    graph: nx.Graph[str] = nx.Graph()
    for row, name in enumerate(regions.names):
        if regions.volume_mm3[row] > 0.0:
            graph.add_node(
                name,
                part=regions.part[row],
                volume_mm3=float(regions.volume_mm3[row]),
                time_s=float(latest[row + 1]),
            )
    for first, second, when, cell in last_contacts(regions.label, flat_time):
        a, b = regions.names[first - 1], regions.names[second - 1]
        at = centers_mm(np.array([cell]), grid)[0]
        graph.add_edge(a, b, time_s=when, at_mm=tuple(float(v) for v in at))
    return graph


def last_contacts(
    label: NDArray[np.uint16], time: NDArray[np.float32]
) -> list[tuple[int, int, float, int]]:
    """Return (one label, a higher one, time, flat cell) where each two touch last while liquid."""
    best: dict[int, tuple[float, int]] = {}
    number = np.arange(label.size).reshape(label.shape)
    for axis in range(3):
        low: list[slice] = [slice(None)] * 3
        high: list[slice] = [slice(None)] * 3
        low[axis], high[axis] = slice(0, -1), slice(1, None)
        a, b = label[tuple(low)], label[tuple(high)]
        touch = np.flatnonzero(((a != b) & (a > 0) & (b > 0)).ravel())
        if not len(touch):
            continue
        one, other = a.ravel()[touch].astype(np.int64), b.ravel()[touch].astype(np.int64)
        code = np.minimum(one, other) * (1 << 16) + np.maximum(one, other)
        when = np.minimum(time[tuple(low)].ravel()[touch], time[tuple(high)].ravel()[touch])
        order = np.lexsort((-when, code))
        _, first = np.unique(code[order], return_index=True)
        cells = number[tuple(low)].ravel()[touch]
        for k in order[first]:
            if when[k] >= 0.0 and when[k] > best.get(int(code[k]), (-1.0, 0))[0]:
                best[int(code[k])] = (float(when[k]), int(cells[k]))
    return [(*divmod(pair, 1 << 16), when_s, cell) for pair, (when_s, cell) in sorted(best.items())]
