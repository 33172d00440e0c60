"""Moduli measured on meshes against their closed forms: V / A of the body.

Sphere d/6, cube a/6, cylinder d h / (4 h + 2 d), block abc / 2(ab + bc + ca): elementary geometry.
"""

import numpy as np
import pytest

from moldprep.geometry.solid import Solid
from moldprep.thermal.chvorinov import freezing_time_s
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
        (Solid.box((0, 0, 0), (20, 20, 500)).turned((30, 0, 45)), block(20.0, 20.0, 500.0), "bar"),
        (Solid.cone(20, 20, 400, 128).turned((45, 20, 0)), 40.0 * 400.0 / 1680.0, "bar"),
    ],
    ids=[
        "sphere", "cube", "plate", "bar", "cylinder",
        "turned cube", "turned plate", "turned bar", "turned cylinder",
    ],
)  # fmt: skip
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


@pytest.mark.parametrize(
    ("solid", "min_cm2", "minutes"),
    [
        pytest.param(Solid.sphere(50.0, 128), 3.5, 9.72, id="sphere of 10 cm"),
        pytest.param(Solid.cone(50, 50, 100, 128), 3.5, 9.72, id="cylinder of 10 cm"),
        pytest.param(Solid.box((0, 0, 0), (100, 100, 100)), 3.5, 9.72, id="cube of 10 cm"),
        pytest.param(Solid.box((0, 0, 0), (300, 150, 20)), 4.0, 2.78, id="plate 30 x 15 x 2 cm"),
    ],
)
def test_published_freezing_times_from_meshes(solid, min_cm2, minutes):
    """M. P. Groover, Fundamentals of Modern Manufacturing, ch. 10, problems; C as printed there."""
    (section,) = survey(solid).sections
    time_s = freezing_time_s(section.modulus_mm, 0.6 * min_cm2)
    agree(time_s / 60.0, minutes, rel=0.015, why="facets of round bodies, twice in M²")
    own = freezing_time_s(section.modulus_mm, section.constant_s_mm2)
    agree(section.freezing_time_s, own, rel=1e-12, why="the survey's own time, by its own constant")


def test_a_survey_gives_round_bodies_a_shorter_time_at_one_modulus():
    """Plate : bar : sphere as conduction into sand has it; A. Ghosh, A. K. Mallik, ex. 2.5, p. 66.

    beta of a bar and a sphere by the roots of their quadratic forms, with the superheat of metal at
    the low end of its window.
    """
    bodies = (
        Solid.box((0, 0, 0), (400, 400, 10)),
        Solid.cone(20, 20, 600, 128),
        Solid.sphere(30.0, 128),
    )
    constants = [survey(body).sections[0].constant_s_mm2 for body in bodies]
    assert constants[0] > constants[1] > constants[2]
    alloy = alloy_of("carbon-steel")
    freezes = alloy.solidus_c + 0.2 * (alloy.liquidus_c - alloy.solidus_c)
    middle = 0.5 * (freezes + 25.0)
    heat = np.interp(middle, *np.transpose(SAND.heat_j_kgk)) * SAND.density_kg_m3
    over = alloy.pour_low_c - freezes
    liquid = np.interp(alloy.liquidus_c, *np.transpose(alloy.heat_j_kgk))
    given = alloy.density_kg_m3 * (alloy.latent_j_kg + liquid * over)
    number = (freezes - 25.0) * heat / given
    flat = number / np.sqrt(np.pi)
    for k, share in ((1, 0.25), (2, 1.0 / 3.0)):
        beta = flat + np.sqrt(flat**2 + number * share)
        want = (2.0 * flat / beta) ** 2
        agree(constants[k] / constants[0], want, rel=1e-9, why="closed form, worked out here")


def test_thin_wall_is_the_plates():
    agree(survey(Solid.box((0, 0, 0), (200, 200, 8))).thin_mm, 8.0, rel=1e-4, why="exact rays")


def test_endless_plate_and_bar_limits():
    """Away from edges a plate has t/2, a long bar a/4: the whole body's modulus goes there."""
    wide = survey(Solid.box((0, 0, 0), (900, 900, 6))).sections[0].modulus_mm
    long = survey(Solid.box((0, 0, 0), (10, 10, 1000))).sections[0].modulus_mm
    agree([wide, long], np.array([3.0, 2.5]), rel=0.015, why="edges: 6/900 twice, 10/1000 half")
