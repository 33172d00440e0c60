"""From closed shells to solids: which shell is metal, which is a void inside it."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from moldprep.geometry.facets import FILLED, Edges, Facets, Tally, shells_of
from moldprep.geometry.rays import Rays
from moldprep.geometry.solid import Floats, Ints, Solid
from moldprep.tolerances import SLIVER_MM3

SLACK = 1e-6
"""Part of the bounding box by which the volumes of facets and body may differ: rounding."""

N_SAMPLES = 64
"""Points of a shell that must all lie inside another for it to count as inside."""


@dataclass(frozen=True, eq=False)
class Lump:
    """A connected body with its voids, and the objects of the file its facets came from."""

    solid: Solid
    objects: frozenset[int]


@dataclass(frozen=True, eq=False)
class _Shell:
    """One closed shell.

    volume_mm3 : negative where it is wound inward
    around     : shells it lies wholly inside of
    """

    mesh: Facets
    volume_mm3: float
    objects: frozenset[int]
    around: tuple[int, ...] = ()

    @property
    def is_inward(self) -> bool:
        return self.volume_mm3 < 0.0

    def turned(self) -> "_Shell":
        """Return the shell wound the other way."""
        mesh = replace(self.mesh, faces=self.mesh.faces[:, ::-1])
        return replace(self, mesh=mesh, volume_mm3=-self.volume_mm3)


def lumps_of(mesh: Facets, original: Facets, owner: Ints, tally: Tally) -> list[Lump]:
    """Return the bodies of a closed mesh, in the order of the file.

    A shell that lies inside no other is metal, however it is wound; turning it turns what is
    inside it too. A shell of the same object inside metal, wound against it, is a void.

    Parameters
    ----------
    mesh
        Closed, neighbors wound alike. [mm]
    original
        The facets of the file; a filled hole gets their number as its source. [mm]
    owner
        (m,) object of each facet of the file.
    tally
        Counts what had to be turned.
    """
    shells = _nested(_shells(mesh, owner))
    roots = [k for k, shell in enumerate(shells) if not shell.around]
    for root in roots:
        if shells[root].is_inward:
            family = [k for k, shell in enumerate(shells) if k == root or root in shell.around]
            for k in family:
                shells[k] = shells[k].turned()
    voids: dict[int, list[int]] = {}
    metal = set(roots)
    for k in sorted(range(len(shells)), key=lambda k: (len(shells[k].around), k)):
        parent = _parent(shells, k)
        if parent is None:
            continue
        if parent in metal and shells[k].is_inward and shells[k].objects & shells[parent].objects:
            voids.setdefault(parent, []).append(k)
            continue
        metal.add(k)
        if shells[k].is_inward:
            shells[k] = shells[k].turned()
        if parent in metal:
            tally["bodies wholly inside another"] += 1
    tally["facets turned"] += sum(_n_turned(shell.mesh, original) for shell in shells)
    return [
        _lump([shells[k], *(shells[v] for v in voids.get(k, []))], len(owner))
        for k in sorted(metal)
    ]


def _n_turned(mesh: Facets, original: Facets) -> int:
    """Return how many facets look the other way than in the file."""
    kept = mesh.source != FILLED
    now = _normals(mesh.points[mesh.faces[kept]])
    then = _normals(original.points[original.faces[mesh.source[kept]]])
    return int((np.einsum("ij,ij->i", now, then) < 0.0).sum())


def _normals(corners: Floats) -> Floats:
    return np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])


def _shells(mesh: Facets, owner: Ints) -> list[_Shell]:
    label = shells_of(mesh)
    order = np.argsort(label, kind="stable")
    _, start = np.unique(label[order], return_index=True)
    found = []
    for rows in np.split(order, start[1:]):
        used, new = np.unique(mesh.faces[rows], return_inverse=True)
        source = mesh.source[rows]
        part = Facets(mesh.points[used], new.reshape(-1, 3), source)
        objects = frozenset(np.unique(owner[source[source != FILLED]]).tolist())
        found.append(_Shell(part, _volume(part), objects))
    return sorted(found, key=lambda shell: int(np.where(
        shell.mesh.source == FILLED, len(owner), shell.mesh.source).min()))  # fmt: skip


def _volume(mesh: Facets) -> float:
    a, b, c = (mesh.points[mesh.faces[:, k]] - mesh.points[0] for k in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)


def _nested(shells: list[_Shell]) -> list[_Shell]:
    """Return the shells with `around` filled in."""
    if len(shells) < 2:
        return shells
    low = np.array([shell.mesh.points.min(axis=0) for shell in shells])
    high = np.array([shell.mesh.points.max(axis=0) for shell in shells])
    around: list[list[int]] = [[] for _ in shells]
    for k, shell in enumerate(shells):
        held = (low[k] <= low).all(axis=1) & (high >= high).all(axis=1)
        held &= (high[k] >= high).all(axis=1)
        inner = [int(j) for j in np.flatnonzero(held) if j != k]
        if inner:
            rays = Rays(shell.mesh.points, shell.mesh.faces)
            for j in inner:
                if rays.is_inside(_samples(shells[j].mesh)).all():
                    around[j].append(k)
    return [replace(shell, around=tuple(a)) for shell, a in zip(shells, around, strict=True)]


def _samples(mesh: Facets) -> Floats:
    middles = mesh.points[mesh.faces].mean(axis=1)
    some = np.vstack([_spread(middles), _spread(mesh.points)])
    return np.asarray(some)


def _spread(points: Floats) -> Floats:
    step = max(1, len(points) // (N_SAMPLES // 2))
    return points[::step]


def _parent(shells: list[_Shell], k: int) -> int | None:
    """Return the tightest shell around a shell, None for an outermost one."""
    around = shells[k].around
    return max(around, key=lambda j: (len(shells[j].around), j)) if around else None


def _lump(shells: list[_Shell], n_sources: int) -> Lump:
    """Return one body: a shell of metal and its voids."""
    offset = np.cumsum([0, *(len(shell.mesh.points) for shell in shells[:-1])])
    points = np.vstack([shell.mesh.points for shell in shells])
    faces = np.vstack([s.mesh.faces + o for s, o in zip(shells, offset, strict=True)])
    source = np.concatenate([shell.mesh.source for shell in shells])
    sources = np.where(source == FILLED, n_sources, source)
    objects = frozenset[int]().union(*(shell.objects for shell in shells))
    slack = SLIVER_MM3 + SLACK * float(np.prod(np.ptp(points, axis=0)))
    solid = Solid.from_file_mesh(points, faces, slack, sources)
    if (Edges.find(Facets(points, faces, source)).count > 2).any():
        solid = Solid.union(solid.parts())  # bodies that share a face come out as one
    return Lump(solid, objects)


def voids_of(solid: Solid) -> list[tuple[float, Floats]]:
    """Return (volume [mm³], middle [mm]) of every hollow no opening leads to, largest first."""
    points, faces = solid.mesh()
    mesh = Facets(points, faces, np.arange(len(faces), dtype=np.int64))
    found = [
        (-shell.volume_mm3, 0.5 * (shell.mesh.points.min(axis=0) + shell.mesh.points.max(axis=0)))
        for shell in _shells(mesh, np.zeros(len(faces), np.int64))
        if shell.is_inward
    ]
    return sorted(found, key=lambda void: (-void[0], *void[1]))


def crumbs_of(solid: Solid, most_mm3: float) -> list[Solid]:
    """Return what would fill each hollow smaller than a volume. [mm³]"""
    points, faces = solid.mesh()
    mesh = Facets(points, faces, np.arange(len(faces), dtype=np.int64))
    return [
        Solid.from_mesh(shell.mesh.points, shell.mesh.faces[:, ::-1])
        for shell in _shells(mesh, np.zeros(len(faces), np.int64))
        if shell.is_inward and SLIVER_MM3 < -shell.volume_mm3 < most_mm3
    ]


def is_closed(mesh: Facets) -> bool:
    """Return whether every edge is run along as often one way as the other."""
    return Edges.find(mesh).is_closed


def inside_any(lumps: list[Lump], point_mm: Floats) -> NDArray[np.bool_]:
    """Return (k,) whether a point lies inside each body."""
    found = np.zeros(len(lumps), np.bool_)
    for k, lump in enumerate(lumps):
        low, high = lump.solid.bounds
        if (low <= point_mm).all() and (point_mm <= high).all():
            found[k] = Rays.of(lump.solid).is_inside(point_mm[None])[0]
    return found
