"""Casting -> Parting: how the casting lies when it is poured, and where the mold opens.

The turned frame keeps the model's origin: the casting is only turned, by the smallest turn that
brings the pull upright (half a turn about the model's x where the pull points straight down).
"""

import logging
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np

from moldprep.arrays import Flags
from moldprep.errors import JobError
from moldprep.geometry.faces import Surface, face_colors, select_any, unit
from moldprep.geometry.sampling import Spots, spread_spots
from moldprep.geometry.skins import Skins
from moldprep.geometry.solid import Floats, Solid
from moldprep.geometry.undercuts import (
    AT_PARTING_MM,
    SAMPLES,
    find_undercuts,
    is_blocked,
    is_seen,
)
from moldprep.records import Body, Casting, Job, Parting, PullChoice
from moldprep.records.job import PartingKeys

log = logging.getLogger(__name__)

SAME_DIRECTION_DEG: Final = 2.0
"""Pull directions closer than this are one: no founder lays a casting truer than that."""

FLAT_SHARE: Final = 0.03
"""A flat area is large enough to lie on from this share of the surface on."""

FLAT_DIRECTIONS: Final = 6
"""Flat areas looked at, largest first."""

FLAT_DEG: Final = 1.0
"""Facets whose normals are this near belong to one flat direction."""

HEIGHTS: Final = 6
"""Flange faces and outline heights looked at for each direction, largest first."""

HEIGHT_STEP_MM: Final = 0.05
"""Faces closer in height than this are one height."""

FACES_UP_DEG: Final = 45.0
"""A machined face within this of straight up collects slag and gas."""

SNAP_MM: Final = 1.0
"""A height of least undercut this near to a flange, an outline or an end is that."""

LEAST_SLACK: Final = 1e-4
"""Undercuts that differ by less than this share of the surface are equal: two samples."""

LEAST_SKIN_MM2: Final = 10.0
"""A smaller skin of sand is noise of the samples: a few of them."""

OTHER_HEIGHTS: Final = 2
"""Other heights of the direction taken that are reported."""

RUNNERS_UP: Final = 8
"""Choices reported beside the one taken."""


def find_parting(casting: Casting, job: Job) -> Parting:
    """Return how the casting lies and where the mold opens.

    What the job says is kept; the rest is chosen by the lowest score (see `_View.score`).

    Raises
    ------
    JobError
        job/parting-outside, where the height asked for misses the casting.
    """
    keys = job.parting
    surface = Surface.of(casting.solid)
    colors = face_colors(casting, surface)
    machined = select_any(surface, (stock.faces for stock in job.pattern.stock), colors)
    choices = _choices(casting.solid, surface, machined, keys)
    chosen = choices[0]
    turn = turn_upright(chosen.pull)
    bodies = tuple(_turned(body, turn) for body in casting.bodies)
    turned = Surface(surface.points @ turn[:, :3].T, surface.faces)
    undercuts = find_undercuts(turned, chosen.z_mm)
    bottom_mm = float(turned.points[:, 2].min())
    log.info("parting: %d choices, %d undercuts", len(choices), len(undercuts))
    return Parting(
        bodies=bodies,
        turn=turn,
        z_mm=chosen.z_mm,
        chosen=chosen,
        runners_up=_runners_up(choices),
        undercuts=undercuts,
        reason=_reason(choices, keys, bottom_mm),
        cheeks_mm=tuple(bottom_mm + height for height in job.mold.cheeks_at_mm),
    )


def turn_upright(pull: Sequence[float]) -> Floats:
    """Return the (3, 4) smallest turn that brings a unit vector to +z; the origin stays.

    Examples
    --------
    >>> turn_upright((1.0, 0.0, 0.0))[:, :3].astype(int).tolist()
    [[0, 0, -1], [0, 1, 0], [1, 0, 0]]
    """
    x, y, z = (float(v) for v in pull)
    if z < -1.0 + 1e-12:
        turn = np.diag([1.0, -1.0, -1.0])
    else:
        cross = np.array([[0.0, 0.0, -x], [0.0, 0.0, -y], [x, y, 0.0]])
        turn = np.eye(3) + cross + cross @ cross / (1.0 + z)
    return np.hstack([turn, np.zeros((3, 1))])


def _turned(body: Body, turn: Floats) -> Body:
    return replace(body, solid=body.solid.transformed(turn), path_mm=body.path_mm @ turn[:, :3].T)


def _choices(
    solid: Solid, surface: Surface, machined: Flags, keys: PartingKeys
) -> list[PullChoice]:
    """Return every choice looked at, best first; equal scores keep the order of looking."""
    rays = surface.rays
    samples = spread_spots(surface.points[surface.faces], SAMPLES)
    views = []
    for axis in _axes(surface, samples, keys):
        ahead, behind = is_seen(rays, samples, axis), is_seen(rays, samples, -axis)
        views.append(_View(solid, surface, samples, machined, axis, ahead, behind))
        if keys.pull == "auto":
            views.append(_View(solid, surface, samples, machined, -axis, behind, ahead))
    found = [view.score(z, keys) for view in views for z in view.heights(keys)]
    if not found:
        raise JobError(
            f"z_mm = {keys.z_mm} is not inside the casting: it is "
            f"{max(view.top_mm - view.bottom_mm for view in views):.3f} mm high as it lies",
            code="job/parting-outside",
            where="[parting] z_mm",
            fix="give a height above the turned casting's lowest point, or leave it out",
        )
    return sorted(found, key=lambda choice: round(choice.score, 4))


def _axes(surface: Surface, samples: Spots, keys: PartingKeys) -> list[Floats]:
    """Return the directions to look along, one of each opposite pair, model axes first."""
    if keys.pull != "auto":
        if not np.any(keys.pull):
            raise JobError(
                "pull = [0, 0, 0] has no direction",
                code="job/bad-value",
                where="[parting] pull",
                fix="give the direction that is up when poured, for instance [0, 0, 1]",
            )
        return [unit(keys.pull)]
    candidates = [np.eye(3)[2], np.eye(3)[1], np.eye(3)[0]]
    candidates += _flat_directions(surface) + _principal_axes(samples)
    kept: list[Floats] = []
    for candidate in candidates:
        cosine = np.cos(np.radians(SAME_DIRECTION_DEG))
        if all(abs(float(candidate @ other)) < cosine for other in kept):
            kept.append(candidate)
    return kept


def _flat_directions(surface: Surface) -> list[Floats]:
    """Return the normals of the largest flat areas."""
    normals, area = surface.normals, surface.area_mm2.copy()
    total, found = float(area.sum()), []
    for _ in range(FLAT_DIRECTIONS):
        lead = normals[int(np.argmax(area))]
        near = np.abs(normals @ lead) >= np.cos(np.radians(FLAT_DEG))
        if area[near].sum() < FLAT_SHARE * total:
            break
        side = np.sign(normals[near] @ lead)
        found.append(unit((normals[near] * (side * area[near])[:, None]).sum(axis=0)))
        area[near] = 0.0
    return found


def _principal_axes(samples: Spots) -> list[Floats]:
    """Return the axes of the surface's inertia that are distinct; a round body has fewer."""
    spread, axes = np.linalg.eigh(np.cov(samples.at_mm.T))
    found = []
    for k in range(3):
        others = np.delete(spread, k)
        if (np.abs(others - spread[k]) > 0.02 * spread[2]).all():
            axis = axes[:, k]
            found.append(np.asarray(axis * np.sign(axis[np.argmax(np.abs(axis))])))
    return found


@dataclass(frozen=True, eq=False)
class _View:
    """The casting seen along one pull.

    solid         : as it was drawn, and `surface` its mesh
    ahead, behind : (n,) whether the sand at each sample leaves along the pull, or against it
    """

    solid: Solid
    surface: Surface
    samples: Spots
    machined: Flags
    pull: Floats
    ahead: Flags
    behind: Flags

    @cached_property
    def height_mm(self) -> Floats:
        """(n,) height of each point of the surface. [mm]"""
        return np.asarray(self.surface.points @ self.pull)

    @cached_property
    def bottom_mm(self) -> float:
        """Lowest height. [mm]"""
        return float(self.height_mm.min())

    @cached_property
    def top_mm(self) -> float:
        """Highest height. [mm]"""
        return float(self.height_mm.max())

    @cached_property
    def upright(self) -> Spots:
        """The samples, turned so that the pull is z."""
        turn = turn_upright(self.pull.tolist())[:, :3].T
        return replace(
            self.samples, at_mm=self.samples.at_mm @ turn, normals=self.samples.normals @ turn
        )

    @cached_property
    def standing(self) -> Solid:
        """The casting, turned so that the pull is z."""
        return self.solid.transformed(turn_upright(self.pull.tolist()))

    @cached_property
    def longest_mm(self) -> float:
        """The casting's longest side as it was drawn. [mm]"""
        return float(np.ptp(self.surface.points, axis=0).max())

    @cached_property
    def skins(self) -> Skins:
        """The skins of sand that opening the mold at a height leaves."""
        return Skins.along(self.pull, self.surface.rays, self.samples)

    @cached_property
    def machined_up(self) -> float:
        """Share of the machined area that lies up. [-]"""
        area = self.surface.area_mm2[self.machined]
        along = self.surface.normals[self.machined] @ self.pull
        is_up = along >= np.cos(np.radians(FACES_UP_DEG))
        return float(area[is_up].sum() / area.sum()) if area.sum() > 0.0 else 0.0

    def score(self, z_mm: float, keys: PartingKeys) -> PullChoice:
        """Return the score of opening the mold at a height.

        undercut    : area neither half can form, over the whole area
        height      : height as it lies, over the longest side
        machined up : machined area facing up, over the machined area
        draw        : deeper of the two halves' cavities, over the longest side
        skin        : 1 where the plane lies so close to a level face that the sand between breaks

        each times its weight of the job. Fewer cores, a lower mold, clean machined faces (slag
        and gas rise), shallow halves and sound sand: common practice, no source.
        """
        blocked = is_blocked(self.standing, z_mm, self.upright, self.ahead, self.behind)
        area = self.samples.area_mm2
        draw = max(self.top_mm - z_mm, z_mm - self.bottom_mm)
        terms = (
            ("undercut", keys.weight_undercut * float(area[blocked].sum() / area.sum())),
            ("height", keys.weight_height * (self.top_mm - self.bottom_mm) / self.longest_mm),
            ("machined up", keys.weight_machined * self.machined_up),
            ("draw", keys.weight_draw * draw / self.longest_mm),
            ("skin", keys.weight_skin * float(self.skins.area_at_mm2(z_mm) > LEAST_SKIN_MM2)),
        )
        x, y, z = (float(v) + 0.0 for v in self.pull)  # + 0.0: no minus zero
        return PullChoice(
            pull=(x, y, z), z_mm=z_mm, score=sum(value for _, value in terms), terms=terms
        )

    def heights(self, keys: PartingKeys) -> list[float]:
        """Return the heights to try: the job's, or flanges, outline, middle, ends."""
        if keys.z_mm != "auto":
            asked = self.bottom_mm + keys.z_mm
            inside = -AT_PARTING_MM <= keys.z_mm <= self.top_mm - self.bottom_mm + AT_PARTING_MM
            return [asked] if inside else []
        middle = 0.5 * (self.bottom_mm + self.top_mm)
        tried = [middle, self.bottom_mm, self.top_mm]
        tried += self._flanges() + self._outline()
        least = self._least_undercut()
        tried += [] if min(abs(least - z) for z in tried) < SNAP_MM else [least]
        kept: list[float] = []
        for z in tried:
            if all(abs(z - other) > HEIGHT_STEP_MM for other in kept):
                kept.append(z)
        return kept

    def _flanges(self) -> list[float]:
        """Return the heights of the largest level faces."""
        along = np.abs(self.surface.normals @ self.pull)
        level = along >= np.cos(np.radians(FLAT_DEG))
        height = self.height_mm[self.surface.faces[level]].mean(axis=1)
        return _heaviest(height, self.surface.area_mm2[level])

    def _outline(self) -> list[float]:
        """Return the heights of the longest outer edges, where up-facing meets down-facing."""
        pair, points = self.surface.neighbors
        along = (self.surface.normals @ self.pull)[pair]
        turns = (along.max(axis=1) > 0.01) & (along.min(axis=1) < -0.01)
        ends = points[turns]
        length = np.linalg.norm(np.diff(self.surface.points[ends], axis=1)[:, 0], axis=1)
        return _heaviest(self.height_mm[ends].mean(axis=1), length)

    def _least_undercut(self) -> float:
        """Return the middle of the longest stretch of heights with the least undercut."""
        height = self.samples.at_mm @ self.pull
        order = np.argsort(height, kind="stable")
        area = self.samples.area_mm2[order]
        below = np.cumsum(np.where(self.behind[order], 0.0, area))
        above = np.cumsum(np.where(self.ahead[order], 0.0, area)[::-1])[::-1]
        undercut = below[:-1] + above[1:]  # with the plane between sample k and k + 1
        is_least = undercut <= undercut.min() + LEAST_SLACK * area.sum()
        edges = np.flatnonzero(np.diff(np.concatenate([[False], is_least, [False]]).astype(int)))
        z = height[order]
        runs = [(z[start], z[end]) for start, end in zip(edges[::2], edges[1::2], strict=True)]
        low, high = max(runs, key=lambda run: run[1] - run[0])
        return float(0.5 * (low + high))


def _heaviest(height: Floats, weight: Floats) -> list[float]:
    """Return the heights with the most weight, heaviest first."""
    if len(height) == 0:
        return []
    step = np.round(height / HEIGHT_STEP_MM).astype(np.int64)
    _, number = np.unique(step, return_inverse=True)
    total = np.bincount(number, weight)
    mean = np.bincount(number, weight * height) / np.maximum(total, np.finfo(float).tiny)
    return [float(mean[k]) for k in np.argsort(-total, kind="stable")[:HEIGHTS]]


def _runners_up(choices: list[PullChoice]) -> tuple[PullChoice, ...]:
    """Return the best of each other direction, and the other heights of the one taken."""
    seen = {choices[0].pull}
    kept: list[PullChoice] = []
    own = 0
    for choice in choices[1:]:
        if choice.pull == choices[0].pull:
            own += 1
            is_new = own <= OTHER_HEIGHTS
        else:
            is_new = choice.pull not in seen
        seen.add(choice.pull)
        if is_new:
            kept.append(choice)
    return tuple(kept[:RUNNERS_UP])


def _reason(choices: list[PullChoice], keys: PartingKeys, bottom_mm: float) -> str:
    """Return one sentence on what was taken and why."""
    best = choices[0]
    what = (
        f"model direction ({best.pull[0]:.3g}, {best.pull[1]:.3g}, {best.pull[2]:.3g}) is up, "
        f"the mold opens {best.z_mm - bottom_mm:.1f} mm above the lowest point"
    )
    if keys.pull != "auto" and keys.z_mm != "auto":
        return f"{what}: as the job says"
    terms = ", ".join(f"{name} {value:.3f}" for name, value in best.terms)
    given = ""
    if keys.pull != "auto":
        given = "; the direction is the job's"
    elif keys.z_mm != "auto":
        given = "; the height is the job's"
    return f"{what}: lowest score {best.score:.3f} of {len(choices)} choices ({terms}){given}"
