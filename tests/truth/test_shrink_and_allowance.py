"""Shrink, machining stock and draft against published figures and closed forms.

* M. P. Groover, Fundamentals of Modern Manufacturing, 4th ed., ch. 10: the shrink rule.
* GATE (Graduate Aptitude Test in Engineering), Mechanical Engineering, 2004: grey iron blocks.
* P. N. Rao, Manufacturing Technology, vol. 1: double contraction (method, from memory).
* ISO 8062-3:2007: Table 2 (DCTG), and required machining allowances (from memory).
* NPTEL, Manufacturing Processes I, Metal Casting, Lecture 4, Table 2: draft.
* Prismoids: I. N. Bronshtein, K. A. Semendyayev, Handbook of Mathematics, solids (frusta).
"""

import numpy as np
import pytest

from moldprep.geometry.allowance import (
    draft_for_height_deg,
    machining_allowance_mm,
    shrink_factor,
)
from moldprep.geometry.faces import Surface
from moldprep.geometry.solid import Solid
from moldprep.records.job import DraftKeys, FaceSelector, StockKeys
from tests.castings import patterned
from tests.helpers import agree

FOOT_IN = 12.0
BOX = Solid.box((0, 0, 0), (100, 60, 40))


def test_shrink_rule_of_two_point_one_percent():
    """Groover ch. 10: 2.1 % makes a foot of the rule 12 / (1 - 0.021) in, 0.2574 in longer."""
    longer = FOOT_IN * (shrink_factor(2.1, "on-pattern") - 1.0)
    agree(longer, 0.2574, rel=1e-3, why="printed to four figures")
    on_casting = FOOT_IN * (shrink_factor(2.1, "on-casting") - 1.0)
    agree(on_casting, 0.252, rel=1e-9, why="21 mm per m of casting is another rule")


def test_one_percent_on_a_block():
    """GATE 2004: block 200 x 100 x 10 mm, 1 % linear: pattern over casting volume is 1.03."""
    block = Solid.box((0, 0, 0), (200, 100, 10))
    pattern = patterned(block, shrink_pct=1.0)
    agree(pattern.solid.volume_mm3 / block.volume_mm3, 1.03, rel=1e-3, why="answer key 1.03")


def test_double_contraction():
    """P. N. Rao: a wooden master of an aluminium pattern (1.3 %) for an iron casting (1.0 %)."""
    casting = Solid.box((0, 0, 0), (100, 50, 20))
    metal = patterned(casting, shrink_pct=1.0)
    master = patterned(metal.solid, shrink_pct=1.3)
    agree(master.solid.size_mm / casting.size_mm, [1.02313] * 3, rel=1e-8, why="factors multiply")


@pytest.mark.parametrize(
    ("rule", "factors"),
    [
        ("on-casting", (1.02, 1.01, 1.005)),
        ("on-pattern", (1 / 0.98, 1 / 0.99, 1 / 0.995)),
    ],
)
@pytest.mark.parametrize("pull", [(0, 0, 1), (1, 0, 0), (0, -1, 0)])
def test_extents_are_the_castings_times_the_shrink(rule, factors, pull):
    """The allowance goes along the model's own axes however the casting lies."""
    pattern = patterned(BOX, pull=pull, shrink_pct=(2.0, 1.0, 0.5), shrink_rule=rule)
    wanted = np.sort(np.multiply(BOX.size_mm, factors))
    agree(np.sort(pattern.solid.size_mm), wanted, rel=1e-6, why="float64 points")
    agree(np.sort(pattern.shrink), np.sort(factors), rel=1e-12, why="stated as it is")


@pytest.mark.parametrize(
    ("largest_mm", "printed_mm"),
    [(100, 4), (160, 5), (250, 6), (400, 7), (630, 8), (1000, 9), (2500, 11)],
)
def test_rma_g_with_half_of_dctg_11_is_the_printed_stock(largest_mm, printed_mm):
    """A founders' guide for printed molds: stock per face at DCTG 11 and RMAG G, rounded up.

    Half of the DCTG 11 band of ISO 8062-3:2007, Table 2 (the two largest rows from memory).
    """
    half_band = {100: 2.2, 160: 2.5, 250: 2.8, 400: 3.1, 630: 3.5, 1000: 4.0, 2500: 5.0}
    stock = machining_allowance_mm("G", largest_mm) + half_band[largest_mm]
    assert np.ceil(stock - 1e-9) == printed_mm


def test_rma_grows_with_grade_and_size():
    """ISO 8062-3:2007, from memory: no cell may be below the one before it."""
    sizes = (40, 63, 100, 160, 250, 400, 630, 1000, 1600, 2500, 4000, 6300, 10000)
    table = np.array([[machining_allowance_mm(g, s) for s in sizes] for g in "ABCDEFGHJK"])
    assert (np.diff(table, axis=0) >= 0.0).all()
    assert (np.diff(table, axis=1) >= 0.0).all()


@pytest.mark.parametrize(
    ("material", "is_inner", "degrees"),
    [
        ("wood", False, (3.0, 1.5, 1.0, 0.75, 0.5)),
        ("wood", True, (3.0, 2.5, 1.5, 1.0, 1.0)),
        ("metal", False, (1.5, 1.0, 0.75, 0.5, 0.5)),
        ("metal", True, (3.0, 2.0, 1.0, 1.0, 0.75)),
    ],
)
def test_draft_by_height(material, is_inner, degrees):
    """NPTEL Lecture 4, Table 2: heights of 1, 1-2, 2-4, 4-8 and 8-32 in."""
    heights = 25.4 * np.array([1.0, 1.5, 3.0, 6.0, 20.0])
    np.testing.assert_array_equal(draft_for_height_deg(heights, is_inner, material), degrees)


def frustum_mm3(low_mm2, high_mm2, height_mm):
    """Volume of a cone's or pyramid's frustum: h (A + B + sqrt(A B)) / 3."""
    return height_mm * (low_mm2 + high_mm2 + np.sqrt(low_mm2 * high_mm2)) / 3.0


def prismoid_mm3(low, high, height_mm):
    """Volume of an obelisk with rectangles a x b below and c x d above."""
    (a, b), (c, d) = low, high
    return height_mm / 6.0 * ((2 * a + c) * b + (2 * c + a) * d)


@pytest.mark.parametrize(("direction", "outward"), [("plus", 1), ("minus", 0), ("middle", 0.5)])
@pytest.mark.parametrize("deg", [0.5, 2.0, 5.0])
def test_drafted_box(direction, outward, deg):
    """A 100 x 60 x 40 box, parting at its foot, becomes an obelisk."""
    pattern = patterned(BOX, shrink_pct=0.0, draft=DraftKeys(deg=deg, direction=direction))
    lean = 40.0 * np.tan(np.radians(deg))
    low = (100 + 2 * outward * lean, 60 + 2 * outward * lean)
    high = (low[0] - 2 * lean, low[1] - 2 * lean)
    wanted = prismoid_mm3(low, high, 40.0)
    agree(pattern.solid.volume_mm3, wanted, rel=1e-6, why="plane faces, float64")
    agree(pattern.draft_mm3, wanted - 240000.0, rel=1e-6, why="what was added or taken")


@pytest.mark.parametrize("hinge", ["parting", "far"])
def test_drafted_box_with_the_parting_inside(hinge):
    """Parting 15 mm up: the upper part (25 mm) needs more metal than the lower (15 mm)."""
    keys = DraftKeys(deg=2.0, hinge=hinge)
    pattern = patterned(BOX, z_mm=15.0, shrink_pct=0.0, draft=keys)
    up, down = 25.0 * np.tan(np.radians(2.0)), 15.0 * np.tan(np.radians(2.0))
    edge_up, edge_down = up, (up if hinge == "parting" else down)
    upper = prismoid_mm3((100 + 2 * edge_up, 60 + 2 * edge_up), (100, 60), 25.0)
    foot = edge_down - down
    lower = prismoid_mm3(
        (100 + 2 * foot, 60 + 2 * foot), (100 + 2 * edge_down, 60 + 2 * edge_down), 15.0
    )
    agree(pattern.solid.volume_mm3, upper + lower, rel=1e-6, why="plane faces, float64")
    assert {fact.group for fact in pattern.draft} == {"outer cope", "outer drag"}


@pytest.mark.parametrize("pull", [(0, 0, 1), (0, 0, -1)])
def test_drafted_cylinder(pull):
    """A cylinder 60 x 50 mm at 2 degrees, metal added: a frustum of a cone."""
    cylinder = Solid.cone(30.0, 30.0, 50.0, 256)
    pattern = patterned(cylinder, pull=pull, shrink_pct=0.0, draft=DraftKeys(deg=2.0))
    wide = 30.0 + 50.0 * np.tan(np.radians(2.0))
    wanted = frustum_mm3(np.pi * wide**2, np.pi * 30.0**2, 50.0)
    agree(pattern.solid.volume_mm3, wanted, rel=1e-3, why="256 chords: 1e-4 of the circle")


def test_every_drafted_face_of_a_stepped_hub_measures_its_draft():
    """Rim, hub, bore and a pocket; each upright face must lean by 1.5 degrees, all within 0.05."""
    body = Solid.cone(80, 80, 20, 128) + Solid.cone(30, 30, 60, 128)
    body = body - Solid.cone(15, 15, 60, 128)
    body = body - Solid.box((40, -12, 8), (65, 12, 20))
    pattern = patterned(body, shrink_pct=1.0, draft=DraftKeys(deg=1.5))
    surface = Surface.of(pattern.solid)
    lean = np.degrees(np.arcsin(surface.normals[:, 2]))
    upright = (np.abs(lean) < 45.0) & (surface.area_mm2 > 1e-3)
    assert upright.sum() > 500
    np.testing.assert_allclose(lean[upright], 1.5, atol=0.05)
    assert {fact.group for fact in pattern.draft} == {"outer cope", "inner cope"}
    for fact in pattern.draft:
        agree(fact.smallest_deg, 1.5, rel=0.03, why="0.05 degrees")


def test_stock_on_a_plane_face_adds_area_times_thickness():
    """A prism grows by the area of its end times the stock; its walls stay where they are."""
    stock = StockKeys(faces=FaceSelector(toward=(0, 0, 1)), mm=3.0)
    pattern = patterned(BOX, shrink_pct=0.0, stock=(stock,))
    agree(pattern.stock_mm3, 100.0 * 60.0 * 3.0, rel=1e-9, why="exact")
    agree(pattern.solid.size_mm, (100.0, 60.0, 43.0), rel=1e-12, why="exact")
    agree(Surface.of(pattern.solid).area_mm2[pattern.is_machined].sum(), 6000.0, rel=1e-12,
          why="the face itself, and no wall")  # fmt: skip


def test_stock_in_a_bore_closes_it_all_round():
    """A bore of 40 mm with 3 mm of stock is cast at 34 mm."""
    tube = Solid.cone(30, 30, 50, 256) - Solid.cone(20, 20, 50, 256)
    bore = FaceSelector(cylinder=((0, 0, 0), (0, 0, 50)), cylinder_radius_mm=20.0)
    pattern = patterned(tube, shrink_pct=0.0, stock=(StockKeys(faces=bore, mm=3.0),))
    wanted = np.pi * (20.0**2 - 17.0**2) * 50.0
    agree(pattern.stock_mm3, wanted, rel=2e-3, why="256 chords")
    agree(pattern.solid.size_mm, (60.0, 60.0, 50.0), rel=1e-9, why="outside stays")


def test_stock_by_grade_with_more_on_the_cope():
    """Largest side 100 mm, grade G: 1.4 mm; the face that lies up gets 2 mm more."""
    stock = tuple(
        StockKeys(faces=FaceSelector(toward=(0, 0, way)), grade="G", cope_extra_mm=2.0)
        for way in (1, -1)
    )
    pattern = patterned(BOX, shrink_pct=0.0, stock=stock)
    agree(pattern.solid.bounds[:, 2], (-1.4, 43.4), rel=1e-9, why="exact")
