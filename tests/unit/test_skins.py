"""Skins of sand between a parting plane and level faces: where, how much, and avoided."""

import numpy as np
import pytest
from shapely.geometry import Point

from moldprep.geometry.faces import Surface
from moldprep.geometry.sampling import spread_spots
from moldprep.geometry.skins import Skins
from moldprep.geometry.solid import Solid
from moldprep.parting import find_parting
from moldprep.records.job import PartingKeys
from tests.castings import cast, job_for, parted
from tests.helpers import agree


def disc(radius, low, high):
    return Solid.extrude(Point(0, 0).buffer(radius), low, high)


PLATE = Solid.box((-60, -40, 0), (60, 40, 10)) - disc(20.0, 3.0, 11.0)
BORED = PLATE - disc(6.0, -1.0, 11.0)
FLOOR_MM2 = disc(20.0, 0.0, 1.0).volume_mm3 - disc(6.0, 0.0, 1.0).volume_mm3


def skins(solid, pull=(0.0, 0.0, 1.0)):
    surface = Surface.of(solid)
    spots = spread_spots(surface.points[surface.faces], 20_000)
    return Skins.along(np.array(pull), surface.rays, spots)


@pytest.mark.parametrize(
    ("z_mm", "area_mm2"),
    [(3.1, 0.0), (3.5, FLOOR_MM2), (7.9, FLOOR_MM2), (8.1, 0.0)],
)
def test_a_plane_over_the_floor_of_a_pocket_leaves_a_skin_on_it(z_mm, area_mm2):
    found = skins(BORED).area_at_mm2(z_mm)
    assert abs(found - area_mm2) <= 0.02 * FLOOR_MM2  # spots spread over the surface


def test_a_plane_above_a_casting_leaves_a_skin_on_its_top_and_one_below_on_its_bottom():
    block = Solid.box((0, 0, 0), (50, 40, 30))
    for z_mm in (-2.0, 32.0):
        agree(skins(block).area_at_mm2(z_mm), 2000.0, rel=0.02, why="spots spread over it")
    assert skins(block).area_at_mm2(15.0) == 0.0


def test_no_skin_reaches_through_metal():
    """A shelf 2 mm over the floor: sand between is thin wherever the mold opens above."""
    shelf = Solid.box((0, 0, 0), (50, 40, 5)) + Solid.box((0, 0, 0), (5, 40, 12))
    shelf += Solid.box((0, 0, 7), (50, 40, 12))
    assert skins(shelf).area_at_mm2(9.0) == 0.0
    agree(skins(shelf).area_at_mm2(6.0), 2 * 45.0 * 40.0, rel=0.02, why="over and under it")


def test_a_bored_plate_opens_where_no_skin_is_left():
    parting = parted(BORED, pull=(0, 0, 1))
    assert dict(parting.chosen.terms)["skin"] == 0.0
    assert not 3.2 < parting.z_mm < 8.0
    unminded = PartingKeys(pull=(0, 0, 1), weight_skin=0.0)
    halfway = find_parting(cast(BORED), job_for(parting=unminded))
    agree(halfway.z_mm, 5.0, rel=1e-9, why="half way up, as any plate")
