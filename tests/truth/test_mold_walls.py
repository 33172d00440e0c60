"""Thickness of mold walls.

Heat: H. S. Carslaw, J. C. Jaeger, Conduction of Heat in Solids, 2nd ed., Oxford 1959, section 2.4:
a half space whose face is held at V has V erfc(x / (2 sqrt(a t))) at depth x (from memory; the
function itself is SciPy's).

Strength: W. C. Young, R. G. Budynas, Roark's Formulas for Stress and Strain, 7th ed., table 11.4
case 8a: uniformly loaded square plate, edges fixed: largest stress 0.3078 q b² / t² at the middle
of a side (from memory).
"""

import math

import numpy as np
import pytest
from scipy.special import erfc

from moldprep.mold.walls import heat_depth_mm, panel_thickness_mm
from tests.helpers import agree


def test_sand_at_the_depth_of_heat_is_warmed_by_a_twentieth():
    depth = heat_depth_mm(0.4, 900.0)
    agree(erfc(depth / (2.0 * math.sqrt(0.4 * 900.0))), 0.05, rel=2e-3, why="2.772 is rounded")


@pytest.mark.parametrize(("min_cm2", "share"), [(2.2, 2.0), (2.5, 2.1), (3.5, 2.5), (5.0, 3.0)])
def test_depth_of_heat_in_moduli(min_cm2, share):
    """x / M = 2.772 sqrt(a C): 2.0 moduli for steel, 2.1 iron, 2.5 to 3.0 aluminium."""
    for modulus in (5.0, 20.0):
        depth = heat_depth_mm(0.4, min_cm2 * 0.6 * modulus**2)
        agree(depth / modulus, share, rel=0.025, why="share rounded to two figures")


@pytest.mark.parametrize(
    ("density", "wanted"),
    [(2400.0, (6, 11, 17, 29)), (6900.0, (10, 19, 29, 48)), (7000.0, (10, 20, 29, 49))],
    ids=["aluminium", "iron", "steel"],
)
def test_panel_under_a_head_of_300_mm(density, wanted):
    """Sides of 100, 200, 300, 500 mm, 2 MPa, factor 3: the plate formula worked out by hand."""
    got = [panel_thickness_mm(a, 300.0, density, 2.0, 3.0) for a in (100.0, 200.0, 300.0, 500.0)]
    np.testing.assert_array_equal(np.round(got), wanted)


def test_plate_at_its_working_stress():
    """The stress of the plate that comes out, by the plate formula, is strength over factor."""
    side, head, density, strength, factor = 300.0, 300.0, 7000.0, 2.0, 3.0
    t = panel_thickness_mm(side, head, density, strength, factor)
    load_mpa = density * 9.80665 * head * 1e-3 * 1e-6
    agree(0.3078 * load_mpa * side**2 / t**2, strength / factor, rel=2e-3, why="0.308 is rounded")


@pytest.mark.parametrize("bad", [(0.0, 1.0), (1.0, -1.0), (float("nan"), 1.0)])
def test_depth_of_heat_refuses_nonsense(bad):
    with pytest.raises(ValueError, match="heat_depth_mm"):
        heat_depth_mm(*bad)
