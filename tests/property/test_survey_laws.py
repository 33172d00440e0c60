"""Laws of the survey: sections share out the body, and sizes go with it wherever it stands."""

import numpy as np
import pytest

from moldprep.geometry.solid import Solid
from moldprep.thermal.survey import survey_pattern
from tests.helpers import agree
from tests.thermal_cases import SAND, alloy_of, job_for, pattern_of

BARBELL = (
    Solid.box((0, 0, 0), (60, 60, 60))
    + Solid.box((50, 22, 22), (160, 38, 38))
    + Solid.box((150, 5, 5), (200, 55, 55))
)


def survey(solid, pitch_mm="auto"):
    job = job_for("carbon-steel").model_copy(
        update={"survey": job_for("carbon-steel").survey.model_copy(update={"pitch_mm": pitch_mm})}
    )
    return survey_pattern(pattern_of(solid), alloy_of("carbon-steel"), SAND, job)


@pytest.fixture(scope="module")
def plain():
    return survey(BARBELL)


def facts(found):
    """Return (moduli, volumes) in the order of freezing."""
    ordered = sorted(found.sections, key=lambda section: section.order)
    return [s.modulus_mm for s in ordered], [s.volume_mm3 for s in ordered]


@pytest.mark.parametrize("seed", range(3))
def test_sections_share_out_the_body(seed):
    """Volumes sum to the solid's, cooled areas to its surface: nothing counted twice or lost."""
    rng = np.random.default_rng(seed)
    body = Solid.box((0, 0, 0), tuple(rng.uniform(40.0, 90.0, 3)))
    for _ in range(4):
        low = rng.uniform(-30.0, 60.0, 3)
        body = body + Solid.box(tuple(low), tuple(low + rng.uniform(15.0, 60.0, 3)))
    found = survey(body.turned(tuple(rng.uniform(0.0, 90.0, 3))))
    volume = sum(section.volume_mm3 for section in found.sections)
    area = sum(section.cooled_area_mm2 for section in found.sections)
    agree(volume, Solid.union(body.parts()).volume_mm3, rel=1e-6, why="scaled to the solid")
    agree(area, body.area_mm2, rel=1e-6, why="each facet's area goes to one section")
    orders = sorted(section.order for section in found.sections)
    assert orders == list(range(1, len(orders) + 1))
    times = [s.freezing_time_s for s in sorted(found.sections, key=lambda s: s.order)]
    assert times == sorted(times)


@pytest.mark.parametrize(
    "change",
    [
        pytest.param(lambda body: body.moved((123.4, -56.7, 8.9)), id="moved"),
        pytest.param(lambda body: body.turned((0.0, 0.0, 90.0)), id="quarter turn"),
        pytest.param(lambda body: body.scaled((-1.0, 1.0, 1.0)), id="mirrored"),
    ],
)
def test_sections_stay_the_same(plain, change):
    moduli, volumes = facts(survey(change(BARBELL)))
    want_moduli, want_volumes = facts(plain)
    agree(moduli, want_moduli, rel=0.04, why="sections part at a cell, 16 cells across")
    agree(volumes, want_volumes, rel=0.04, why="sections part at a cell, 16 cells across")


def test_sections_of_a_slanted_body_stay_the_same(plain):
    """No face along the grid; 8 cells across the neck, as a coarser one falls to crumbs."""
    moduli, volumes = facts(survey(BARBELL.turned((20.0, 30.0, 40.0)), pitch_mm=2.0))
    want_moduli, want_volumes = facts(plain)
    agree(moduli, want_moduli, rel=0.03, why="sections part at a cell")
    agree(volumes, want_volumes, rel=0.03, why="sections part at a cell")


@pytest.mark.parametrize("factor", [0.25, 4.0])
def test_modulus_goes_with_size_and_time_with_its_square(plain, factor):
    large = survey(BARBELL.scaled((factor,) * 3), pitch_mm=factor * plain.pitch_mm)
    for a, b in zip(plain.sections, large.sections, strict=True):
        agree(b.modulus_mm, factor * a.modulus_mm, rel=1e-5, why="the same cells, larger")
        agree(b.thickness_mm, factor * a.thickness_mm, rel=1e-4, why="float32 rays")
        agree(b.freezing_time_s, factor**2 * a.freezing_time_s, rel=1e-5, why="t = C M²")
        assert b.shape == a.shape
