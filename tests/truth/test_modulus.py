"""Moduli measured on meshes against their closed forms: V / A of the body.

Sphere d/6, cube a/6, cylinder d h / (4 h + 2 d), block abc / 2(ab + bc + ca): elementary geometry.
"""

import numpy as np
import pytest

from moldprep.geometry.solid import Solid
from moldprep.thermal.survey import survey_pattern
from tests.helpers import agree
from tests.thermal_cases import SAND, alloy_of, job_for, pattern_of


def survey(solid):
    return survey_pattern(
        pattern_of(solid), alloy_of("carbon-steel"), SAND, job_for("carbon-steel")
    )


def block(a, b, c):
    return a * b * c / (2.0 * (a * b + b * c + c * a))


@pytest.mark.parametrize(
    ("solid", "modulus_mm", "shape"),
    [
        (Solid.sphere(30.0, 128), 60.0 / 6.0, "chunky"),
        (Solid.box((0, 0, 0), (60, 60, 60)), 60.0 / 6.0, "chunky"),
        (Solid.box((0, 0, 0), (300, 300, 10)), block(300.0, 300.0, 10.0), "plate"),
        (Solid.box((0, 0, 0), (20, 20, 500)), block(20.0, 20.0, 500.0), "bar"),
        (Solid.cone(20, 20, 400, 128), 40.0 * 400.0 / (4.0 * 400.0 + 80.0), "bar"),
        (Solid.box((0, 0, 0), (60, 60, 60)).turned((20, 45, 10)), 60.0 / 6.0, "chunky"),
        (Solid.box((0, 0, 0), (200, 150, 12)).turned((33, 20, 5)), block(200.0, 150, 12), "plate"),
    ],
    ids=["sphere", "cube", "plate", "bar", "cylinder", "turned cube", "turned plate"],
)
def test_modulus_from_the_mesh(solid, modulus_mm, shape):
    (section,) = survey(solid).sections
    agree(section.modulus_mm, modulus_mm, rel=0.01, why="facets of round bodies; no voxel stairs")
    agree(section.modulus_mm, solid.volume_mm3 / solid.area_mm2, rel=1e-6, why="volume and area")
    assert section.shape == shape


@pytest.mark.parametrize(
    ("solid", "thickness_mm"),
    [
        (Solid.sphere(30.0, 128), 60.0),
        (Solid.box((0, 0, 0), (300, 300, 10)), 10.0),
        (Solid.cone(20, 20, 400, 128), 40.0),
    ],
    ids=["sphere", "plate", "cylinder"],
)
def test_thickness_at_the_hot_spot(solid, thickness_mm):
    (section,) = survey(solid).sections
    agree(section.thickness_mm, thickness_mm, rel=0.01, why="facets of round bodies")


def test_thin_wall_is_the_plates():
    agree(survey(Solid.box((0, 0, 0), (200, 200, 8))).thin_mm, 8.0, rel=1e-4, why="exact rays")


def test_endless_plate_and_bar_limits():
    """Away from edges a plate has t/2, a long bar a/4: the whole body's modulus goes there."""
    wide = survey(Solid.box((0, 0, 0), (900, 900, 6))).sections[0].modulus_mm
    long = survey(Solid.box((0, 0, 0), (10, 10, 1000))).sections[0].modulus_mm
    agree([wide, long], np.array([3.0, 2.5]), rel=0.015, why="edges: 6/900 twice, 10/1000 half")
