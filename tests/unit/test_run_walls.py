"""Which walls metal has to run through: fins do, tips of teeth and short ribs do not."""

import pytest

from moldprep.geometry.solid import Solid
from moldprep.thermal.survey import survey_pattern
from tests.helpers import agree
from tests.thermal_cases import SAND, alloy_of, job_for, pattern_of

BLOCK = Solid.box((0, 0, 0), (120, 120, 40))


def survey(solid):
    steel = alloy_of("carbon-steel")
    return survey_pattern(pattern_of(solid), steel, SAND, job_for("carbon-steel"))


def with_ribs(tall, thick=5.0):
    """Return a block with many ribs side by side, so that most of its surface is theirs."""
    ribs = [Solid.box((x, 0, 39), (x + thick, 120, 40 + tall)) for x in range(5, 115, 15)]
    return Solid.union([BLOCK, *ribs])


def test_a_plate_is_run_whatever_its_edges():
    found = survey(Solid.box((0, 0, 0), (200, 200, 8)))
    agree(found.run_wall_mm, 8.0, rel=1e-4, why="exact rays")


@pytest.mark.parametrize(("tall", "is_run"), [(12.0, False), (80.0, True)])
def test_ribs_are_run_where_they_are_tall(tall, is_run):
    found = survey(with_ribs(tall))
    agree(found.thin_mm, 5.0, rel=1e-4, why="exact rays")
    assert (found.run_wall_mm < 5.01) == is_run


def test_thick_metal_behind_sand_keeps_no_wall_hot():
    plate = Solid.box((0, 0, 50), (120, 120, 55))
    post = Solid.box((0, 0, 39), (5, 120, 51))
    found = survey(Solid.union([BLOCK, post, plate]))
    agree(found.run_wall_mm, 5.0, rel=1e-4, why="exact rays")
