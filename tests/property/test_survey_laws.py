"""Laws of the survey: sections share out the body, and sizes go with it wherever it stands."""

from dataclasses import replace

import numpy as np
import pytest

from moldprep.geometry.lattice import Lattice
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


TURNS = [
    pytest.param((0.0, 0.0, 20.0), id="20 about z"),
    pytest.param((30.0, 0.0, 0.0), id="30 about x"),
    pytest.param((0.0, 45.0, 0.0), id="45 about y"),
    pytest.param((15.0, 25.0, 35.0), id="slanted"),
]


def ring_with_bosses():
    ring = Solid.cone(120, 120, 25, 96) - Solid.cone(90, 90, 25, 96)
    for angle in np.radians([0.0, 120.0, 240.0]):
        boss = Solid.cone(28, 28, 60, 48)
        ring = ring + boss.moved((105 * np.cos(angle), 105 * np.sin(angle), -15))
    return ring


SHAPES = {
    "two balls on a bar": (
        Solid.sphere(40, 64).moved((-150, 0, 0))
        + Solid.sphere(30, 64).moved((150, 0, 0))
        + Solid.cone(5, 5, 300, 48).turned((0, 90, 0)).moved((-150, 0, 0)),
        3,
    ),
    "H": (
        Solid.box((0, 0, 0), (40, 40, 200))
        + Solid.box((160, 0, 0), (200, 40, 200))
        + Solid.box((30, 12, 90), (170, 28, 110)),
        3,
    ),
    "stepped plate": (
        Solid.box((0, 0, 0), (100, 120, 10))
        + Solid.box((100, 0, 0), (200, 120, 20))
        + Solid.box((200, 0, 0), (300, 120, 40)),
        3,
    ),
    "L": (Solid.box((0, 0, 0), (200, 80, 20)) + Solid.box((0, 0, 0), (20, 80, 150)), 1),
    "L with a thick leg": (
        Solid.box((0, 0, 0), (200, 80, 20)) + Solid.box((0, 0, 0), (40, 80, 150)),
        2,
    ),
    "ring with three bosses": (ring_with_bosses(), 6),
    "plate with crossed ribs": (
        Solid.box((0, 0, 0), (200, 160, 20))
        + Solid.box((95, 0, 0), (105, 160, 50))
        + Solid.box((0, 75, 0), (200, 85, 50)),
        2,
    ),
    "grid of one thickness": (
        Solid.box((0, 0, 0), (200, 160, 10))
        + Solid.box((95, 0, 0), (105, 160, 40))
        + Solid.box((0, 75, 0), (200, 85, 40)),
        1,
    ),
}


@pytest.fixture(scope="module")
def straight():
    return {name: survey(body) for name, (body, _) in SHAPES.items()}


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("name", SHAPES)
def test_sections_of_a_turned_body_stay_the_same(straight, name, turn):
    """As many sections, in the same order of freezing, however the body lies on the grid."""
    body, count = SHAPES[name]
    found = survey(body.turned(turn))
    assert len(straight[name].sections) == len(found.sections) == count
    moduli, _ = facts(found)
    want, _ = facts(straight[name])
    agree(moduli, want, rel=0.03, why="sections part at a cell, 6 cells across or more")


@pytest.mark.parametrize("name", SHAPES)
def test_sections_stay_where_the_grid_goes(straight, name, monkeypatch):
    """Half a cell along every axis."""
    plain = Lattice.around

    def shifted(bounds, pitch_mm, belt=0):
        lattice = plain(bounds, pitch_mm, belt + 1)
        return replace(lattice, origin_mm=lattice.origin_mm + 0.5 * pitch_mm)

    monkeypatch.setattr(Lattice, "around", shifted)
    moduli, _ = facts(survey(SHAPES[name][0]))
    want, _ = facts(straight[name])
    assert len(moduli) == len(want)
    agree(moduli, want, rel=0.03, why="sections part at a cell, 6 cells across or more")


@pytest.mark.parametrize("factor", [0.25, 4.0])
def test_modulus_goes_with_size_and_time_with_its_square(plain, factor):
    large = survey(BARBELL.scaled((factor,) * 3), pitch_mm=factor * plain.pitch_mm)
    for a, b in zip(plain.sections, large.sections, strict=True):
        agree(b.modulus_mm, factor * a.modulus_mm, rel=1e-5, why="the same cells, larger")
        agree(b.thickness_mm, factor * a.thickness_mm, rel=1e-4, why="float32 rays")
        agree(b.freezing_time_s, factor**2 * a.freezing_time_s, rel=1e-5, why="t = C M²")
        assert b.shape == a.shape
