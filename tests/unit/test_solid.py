"""The kernel's fence: volumes of boxes, and what is not a body."""

import numpy as np
import pytest

from moldprep.errors import GeometryError
from moldprep.geometry.solid import MOST_ANCESTORS, Solid
from tests.helpers import agree


def test_volume_algebra_of_boxes():
    a, b = Solid.box((0, 0, 0), (2, 2, 2)), Solid.box((1, 1, 1), (3, 3, 3))
    agree((a + b).volume_mm3, 15.0, rel=1e-12, why="exact kernel")
    agree((a & b).volume_mm3, 1.0, rel=1e-12, why="exact kernel")
    agree((a - b).volume_mm3, 7.0, rel=1e-12, why="exact kernel")


def test_open_mesh_is_refused():
    points, faces = Solid.box((0, 0, 0), (1, 1, 1)).mesh()
    with pytest.raises(GeometryError) as caught:
        Solid.from_mesh(points, faces[1:])
    assert caught.value.code == "geometry/not-closed"


def test_slice_keeps_holes():
    tube = Solid.cone(10, 10, 5, 256) - Solid.cone(5, 5, 5, 256)
    (ring,) = tube.slice_at(2.5).geoms
    assert len(ring.interiors) == 1
    agree(ring.area, np.pi * 75.0, rel=1e-3, why="256 facets")


def test_parts_keep_the_voids_inside_them():
    shell = Solid.box((0, 0, 0), (10, 10, 10)) - Solid.box((2, 2, 2), (8, 8, 8))
    kernel = Solid.box((4, 4, 4), (6, 6, 6))
    outer, inner = (shell + kernel).parts()
    agree(outer.volume_mm3, 1000.0 - 216.0, rel=1e-12, why="exact kernel")
    agree(inner.volume_mm3, 8.0, rel=1e-12, why="exact kernel")


def test_a_body_cut_with_its_own_ancestors_keeps_a_bounded_list_of_them() -> None:
    """Thirty chills, each cut to the metal and to the chills before it."""
    metal = Solid.box((0.0, 0.0, 0.0), (100.0, 10.0, 10.0))
    taken = metal
    for k in range(30):
        chill = Solid.box((3.0 * k, 5.0, 8.0), (3.0 * k + 4.0, 15.0, 12.0)) - taken
        taken = taken + chill
    ancestors = len(taken._kernel.to_mesh64().run_original_id)
    assert ancestors <= 2 * MOST_ANCESTORS
    # by hand: a strip 91 mm long with a 10 x 4 mm section, less the 5 x 2 mm it shares
    agree(taken.volume_mm3, 10_000.0 + 91.0 * (10.0 * 4.0 - 5.0 * 2.0), rel=1e-9, why="by hand")
