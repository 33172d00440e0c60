"""Surfaces with neighbors, and which faces a selector means."""

import numpy as np
import pytest

from moldprep.geometry.faces import Surface, carried, face_colors, select, without_specks
from moldprep.geometry.flats import refilled
from moldprep.geometry.reshape import cut_at, run_through
from moldprep.geometry.solid import Solid
from moldprep.records.job import FaceSelector
from tests.castings import cast
from tests.helpers import agree

BOX = Surface.of(Solid.box((0, 0, 0), (100, 60, 40)))
TUBE = Surface.of(Solid.cone(30, 30, 50, 64) - Solid.cone(20, 20, 50, 64))
NONE = np.empty((0, 4), np.uint8)


def area(surface, **keys):
    return surface.area_mm2[select(surface, FaceSelector(**keys), NONE)].sum()


def test_every_edge_has_two_facets_and_a_box_bends_by_right_angles():
    pair, ends = BOX.neighbors
    assert pair.shape == ends.shape == (18, 2)
    np.testing.assert_allclose(np.unique(BOX.bend_deg.round(9)), (0.0, 90.0))


def test_patches_are_joined_by_edges():
    patch = BOX.patches(np.ones(12, np.bool_), BOX.bend_deg < 1.0)
    assert sorted(np.bincount(patch)) == [2] * 6


@pytest.mark.parametrize(
    ("keys", "wanted"),
    [
        ({"toward": (0, 0, 1)}, 6000.0),
        ({"toward": (1, 1, 1), "within_deg": 60.0}, 6000.0 + 4000.0 + 2400.0),
        ({"toward": (0, 0, -1), "plane_at": (0, 0, 0)}, 6000.0),
        ({"toward": (0, 0, -1), "plane_at": (0, 0, 40)}, 0.0),
        ({"plane_at": (5, 5, 40)}, 6000.0),
        ({"box": ((-1, -1, 39), (101, 61, 41))}, 6000.0),
        ({"box": ((101, 61, 41), (-1, -1, 39))}, 6000.0),
        ({"toward": (0, 0, 1), "box": ((-1, -1, -1), (101, 61, 1))}, 0.0),
        ({"color": "#ff0000"}, 0.0),
    ],
)
def test_selectors_of_plane_faces(keys, wanted):
    np.testing.assert_allclose(area(BOX, **keys), wanted, rtol=1e-12)


@pytest.mark.parametrize(("radius", "wanted"), [(20.0, 20.0), (30.0, 30.0), (25.0, 0.0)])
def test_selector_of_a_cylinder(radius, wanted):
    found = area(TUBE, cylinder=((0, 0, 0), (0, 0, 50)), cylinder_radius_mm=radius)
    np.testing.assert_allclose(found, 2 * np.pi * wanted * 50.0, rtol=2e-3)


def test_a_cylinder_ends_at_its_two_points():
    assert area(TUBE, cylinder=((0, 0, 0), (0, 0, 30)), cylinder_radius_mm=20.0) == 0.0


def test_selector_of_a_color():
    colors = np.zeros((12, 4), np.uint8)
    colors[BOX.normals[:, 0] > 0.5] = (255, 128, 0, 255)
    chosen = select(BOX, FaceSelector(color="#ff8000"), colors)
    agree(BOX.area_mm2[chosen].sum(), 2400.0, rel=1e-12, why="one end face")


def test_colors_of_several_bodies_go_to_the_nearest_facet():
    solid = Solid.box((0, 0, 0), (10, 10, 10))
    first = Surface.of(solid)
    colors = np.tile(np.array([1, 2, 3, 255], np.uint8), (12, 1))
    colors[first.normals[:, 2] > 0.5, 0] = 200
    casting = cast(solid, Solid.box((5, 2, 2), (20, 8, 8)), colors=colors)
    whole = Surface.of(casting.solid)
    found = face_colors(casting, whole)
    top = (whole.normals[:, 2] > 0.5) & (whole.centers_mm[:, 2] > 9.9)
    assert (found[top, 0] == 200).all()
    assert top.any()


def test_specks_are_dropped_and_faces_kept():
    finer = Surface.of(Solid.box((0, 0, 0), (1000, 1000, 10)) + Solid.box((0, 0, 0), (5, 5, 11)))
    top = finer.normals[:, 2] > 0.5
    kept = without_specks(finer, top)
    agree(finer.area_mm2[kept].sum(), 1e6 - 25.0, rel=1e-9, why="the 25 mm² pad is a speck")


@pytest.mark.parametrize("z", [0.0, 7.3, 25.0, 40.0])
def test_a_cut_leaves_the_body_as_it_was(z):
    for surface in (BOX, TUBE):
        cut, source = cut_at(surface, z)
        solid = Solid.from_mesh(cut.points, cut.faces)  # closed, or it raises
        agree(solid.volume_mm3, surface.volume_mm3(), rel=1e-12, why="facets only divided")
        below = (cut.points[cut.faces][:, :, 2] < z - 0.01).any(axis=1)
        above = (cut.points[cut.faces][:, :, 2] > z + 0.01).any(axis=1)
        assert not (below & above).any()
        np.testing.assert_allclose(cut.normals, surface.normals[source], atol=1e-12)


def test_labels_are_carried_by_place_and_side():
    half = Surface.of(Solid.box((0, 0, 0), (50, 60, 40)))
    (top,) = carried((BOX.normals[:, 2] > 0.5,), BOX, half)
    agree(half.area_mm2[top].sum(), 3000.0, rel=1e-12, why="half the top; the cut is new")


def test_a_facet_that_runs_through_another_is_found():
    assert not run_through(TUBE).any()
    points = BOX.points.copy()
    points[np.argmin(((points - (0, 0, 40)) ** 2).sum(axis=1))] = (150, 90, -30)
    assert run_through(Surface(points, BOX.faces)).any()


def test_a_flat_is_filled_anew_when_a_hub_grows_over_its_triangles():
    plate = Surface.of(Solid.cone(80, 80, 20, 48) + Solid.cone(30, 30, 60, 48))
    points = plate.points.copy()
    foot = (np.hypot(points[:, 0], points[:, 1]) < 31.0) & (np.abs(points[:, 2] - 20.0) < 1e-6)
    points[foot, :2] *= 1.3
    after, source = refilled(plate, Surface(points, plate.faces))
    solid = Solid.from_mesh(after.points, after.faces)
    assert (np.einsum("ij,ij->i", after.normals, plate.normals[source]) > 0.0).all()
    level = (after.normals[:, 2] > 0.5) & (after.centers_mm[:, 2] < 21.0)
    ring = 24.0 * np.sin(2 * np.pi / 48) * (80.0**2 - 39.0**2)
    agree(after.area_mm2[level].sum(), ring, rel=1e-9, why="the ring between two 48-gons")
    assert solid.genus == 0
