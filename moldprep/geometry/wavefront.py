"""OBJ files: named objects, polygons, colors of corners and of materials."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldprep.geometry.solid import Floats, Ints

Rgba = tuple[int, int, int, int]
ObjObject = tuple[str, Floats, Ints, NDArray[np.uint8]]

UNSAID: Final[Rgba] = (0, 0, 0, 0)


@dataclass
class _Parsed:
    """What has been read so far: corners, and facets with their object and material."""

    corners: list[list[float]] = field(default_factory=list)
    facets: list[tuple[int, int, int]] = field(default_factory=list)
    owners: list[int] = field(default_factory=list)
    materials: list[Rgba] = field(default_factory=list)
    names: list[str] = field(default_factory=lambda: [""])
    palette: dict[str, Rgba] = field(default_factory=dict)
    owner: int = 0
    paint: Rgba = UNSAID


def read_obj_objects(path: Path) -> list[ObjObject]:
    """Return (name, points, faces, color a facet) of every object of an OBJ file.

    Raises
    ------
    ValueError
        If a line cannot be read, or a facet names a corner that is not there.
    """
    parsed = _Parsed()
    for number, words in _lines(path):
        try:
            _take(parsed, words, path)
        except (ValueError, IndexError) as err:
            raise ValueError(f"line {number}: {' '.join(words)[:60]!r} ({err})") from err
    corners = np.array([(*c[:3],) for c in parsed.corners], np.float64).reshape(-1, 3)
    faces = np.array(parsed.facets, np.int64).reshape(-1, 3)
    owner = np.array(parsed.owners, np.int64)
    color = _colors(parsed, faces)
    found = []
    for k, name in enumerate(parsed.names):
        mine = owner == k
        if mine.any():
            used, new = np.unique(faces[mine], return_inverse=True)
            found.append(
                (name, corners[used], new.reshape(-1, 3), color[mine] if len(color) else color)
            )
    return found


def _lines(path: Path) -> Iterator[tuple[int, list[str]]]:
    """Yield (line number, words) of every line that says something, joined where it goes on."""
    held: list[str] = []
    text = path.read_bytes()
    if b"\0" in text:
        raise ValueError("it is not a text file")
    for number, line in enumerate(text.decode("utf-8", "replace").splitlines(), start=1):
        if not held and "#" not in line and "\\" not in line:
            if words := line.split():
                yield number, words
            continue
        body = line.partition("#")[0].rstrip()
        held += body.removesuffix("\\").split()
        if body.endswith("\\"):
            continue
        if held:
            yield number, held
        held = []


def _take(parsed: _Parsed, words: list[str], path: Path) -> None:
    """Take one line in."""
    match words[0]:
        case "v":
            numbers = [float(word) for word in words[1:]]
            if len(numbers) < 3:
                raise ValueError("a corner needs three numbers")
            parsed.corners.append(numbers)
        case "f":
            ring = [_corner(word, len(parsed.corners)) for word in words[1:]]
            if len(ring) < 3:
                raise ValueError("a facet needs three corners")
            for b, c in pairwise(ring[1:]):
                parsed.facets.append((ring[0], b, c))
                parsed.owners.append(parsed.owner)
                parsed.materials.append(parsed.paint)
        case "o" | "g":
            name = " ".join(words[1:])
            if name not in parsed.names:
                parsed.names.append(name)
            parsed.owner = parsed.names.index(name)
        case "mtllib":
            parsed.palette |= _palette(path.parent / " ".join(words[1:]))
        case "usemtl":
            parsed.paint = parsed.palette.get(" ".join(words[1:]), UNSAID)


def _corner(word: str, n: int) -> int:
    """Return the row of a corner; files count from 1, or back from -1."""
    index = int(word.partition("/")[0])
    row = index - 1 if index > 0 else n + index
    if index == 0 or not 0 <= row < n:
        raise ValueError(f"corner {index} of {n}")
    return row


def _palette(path: Path) -> dict[str, Rgba]:
    """Return the plain colors (Kd) of a material file; a missing one has none."""
    found: dict[str, Rgba] = {}
    name = ""
    if not path.is_file():
        return found
    for line in path.read_text(encoding="utf-8", errors="replace").splitlines():
        words = line.split()
        if words[:1] == ["newmtl"]:
            name = " ".join(words[1:])
        elif words[:1] == ["Kd"] and len(words) >= 4:
            r, g, b = (round(255 * float(word)) for word in words[1:4])
            found[name] = (r, g, b, 255)
    return found


def _colors(parsed: _Parsed, faces: Ints) -> NDArray[np.uint8]:
    """Return (m, 4): the material's color, else the mean of the corners'; (0, 4) if none."""
    paint = np.array(parsed.materials, np.uint8).reshape(-1, 4)
    if paint.any():
        return paint
    if not parsed.corners or any(len(corner) < 6 for corner in parsed.corners):
        return np.empty((0, 4), np.uint8)
    mean = np.array([c[3:6] for c in parsed.corners])[faces].mean(axis=1)
    scale = 255.0 if mean.max(initial=0.0) <= 1.0 else 1.0
    rgb = np.round(np.clip(mean * scale, 0.0, 255.0)).astype(np.uint8)
    return np.hstack([rgb, np.full((len(rgb), 1), 255, np.uint8)])
