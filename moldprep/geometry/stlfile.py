"""STL files, binary and ASCII, held strictly against what they announce."""

import re
from collections.abc import Iterator
from typing import Final

import numpy as np

from moldprep.geometry.solid import Floats, Ints

HEAD: Final = 84
"""Bytes before the first facet of a binary STL: 80 of text, 4 of count."""

FACET: Final = np.dtype([("normal", "<f4", 3), ("corner", "<f4", (3, 3)), ("spare", "<u2")])

NUMBER: Final = rb"([-+]?(?:[\d.]+(?:[eE][-+]?\d+)?|nan|inf(?:inity)?)|[-+]?\S*nan\S*)"
CORNER: Final = re.compile(
    rb"\bvertex\s+" + NUMBER + rb"\s+" + NUMBER + rb"\s+" + NUMBER + rb"\s", re.IGNORECASE
)

BYTE_ORDER_MARK: Final = b"\xef\xbb\xbf"
"""What some editors put before a text in UTF-8."""

StlObject = tuple[str, Floats, Ints]


def read_stl_objects(data: bytes) -> list[StlObject]:
    """Return (name, points (3 m, 3), faces (m, 3)) of every solid of an STL file.

    Raises
    ------
    ValueError
        If the file holds more or fewer facets than it announces.
    """
    if not data:
        raise ValueError("it is empty")
    data = data.removeprefix(BYTE_ORDER_MARK)
    announced = int.from_bytes(data[80:HEAD], "little") if len(data) >= HEAD else -1
    if len(data) == HEAD + announced * FACET.itemsize or not _is_text(data):
        return [_binary(data, announced)]
    return list(_ascii(data))


def _is_text(data: bytes) -> bool:
    start = data[:2048].lstrip().lower()
    return start.startswith(b"solid") and b"\0" not in start


def _binary(data: bytes, announced: int) -> StlObject:
    held, rest = divmod(len(data) - HEAD, FACET.itemsize)
    if announced < 0:
        raise ValueError(f"{len(data)} bytes are too few for an STL")
    if held != announced:
        what = "cut short, or its count is wrong" if held < announced else "its count is wrong"
        raise ValueError(f"it announces {announced} facets and holds {held} ({what})")
    del rest  # padding of less than a facet does no harm
    facet = np.frombuffer(data, FACET, count=announced, offset=HEAD)
    points = facet["corner"].reshape(-1, 3).astype(np.float64)
    return "", points, np.arange(len(points), dtype=np.int64).reshape(-1, 3)


def _ascii(data: bytes) -> Iterator[StlObject]:
    starts = [m.start() for m in re.finditer(rb"^[ \t]*solid\b", data, re.MULTILINE | re.I)]
    for start, end in zip(starts, [*starts[1:], len(data)], strict=True):
        block = data[start:end]
        name = block.split(b"\n", 1)[0].split(None, 1)
        title = name[1].decode("utf-8", "replace").strip() if len(name) > 1 else ""
        corners = CORNER.findall(block)
        n_facets = len(re.findall(rb"\bfacet\s+normal\b", block, re.IGNORECASE))
        n_closed = len(re.findall(rb"\bendfacet\b", block, re.IGNORECASE))
        if not re.search(rb"\bendsolid\b", block, re.IGNORECASE) or n_closed != n_facets:
            raise ValueError(f"solid {title!r} is cut short after {n_closed} whole facets")
        if len(corners) != 3 * n_facets:
            raise ValueError(
                f"solid {title!r} has {n_facets} facets but {len(corners)} readable corners"
            )
        points = np.array(corners, dtype=bytes).reshape(-1, 3).astype(np.float64)
        yield title, points, np.arange(len(points), dtype=np.int64).reshape(-1, 3)
