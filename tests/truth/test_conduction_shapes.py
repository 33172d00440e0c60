"""Whole bodies in sand: the mold constant of plate, cylinder and sphere; shell growth of steel.

A. Ghosh, A. K. Mallik, Manufacturing Science, example 2.5, p. 66 (iron in silica sand), with the
forms of C. M. Adams, H. F. Taylor, AFS Trans. 65 (1957) 170 for round bodies (from memory).
"""

import numpy as np
import pytest

from moldprep.thermal.conduction import HeatFlow, Skin
from moldprep.thermal.materials import metal_medium, sand_medium
from tests.helpers import agree
from tests.thermal_cases import SAND, alloy_of
from tests.truth.strips import corner_shares, medium

IRON = medium(500.0, 7850.0, 20.0, 1540.0, latent=272e3, melts_c=1540.0)
"""As the formulas take it: the metal stays at 1540 °C until it is solid."""

IRON_SAND = medium(0.8655, 1600.0, 1170.0, 28.0)


def time_until_solid(shares, pitch_mm):
    """Return when the heat left in one octant of a body falls to that of solid metal. [s]"""
    flow = HeatFlow(
        shares, np.ones(shares.shape, np.uint8), (IRON, IRON_SAND), pitch_mm, Skin(), 0.01
    )
    metal = shares > 0.0
    volume = float(shares.sum())
    solid_j = IRON.enthalpy_j_mm3(np.array([1540.0]), 28.0)[0] * volume

    def held():
        heat = flow.heat_j_mm3
        sand = flow.cells.other[2:-2, 2:-2, 2:-2][metal] * 1600.0 * 1170.0 / 1e9
        warm = sand * (flow.temperature_c[metal] - 28.0)
        return float(heat[2:-2, 2:-2, 2:-2][metal].sum(dtype=np.float64) - warm.sum())

    before, now = held(), held()
    while now > solid_j:
        last_s, before = flow.time_s, now
        flow.step()
        now = held()
    return last_s + (flow.time_s - last_s) * (before - solid_j) / (before - now)


def constant_min_cm2(kind, radius_mm, cells, n):
    dims = {"plate": 1, "bar": 2, "chunky": 3}[kind]
    shares = corner_shares(lambda *xyz: sum(a**2 for a in xyz[-dims:]) < cells**2, n)
    shares = shares[(slice(0, 1),) * (3 - dims)]
    time_s = time_until_solid(shares, radius_mm / cells)
    return time_s / (radius_mm / dims) ** 2 / 0.6


@pytest.mark.slow
def test_constant_differs_by_shape_as_published():
    """1.611 : 1.260 : 1.179 min/cm² for plate, long cylinder and sphere of the same iron in sand.

    The forms of plate and sphere are exact for this metal; the cylinder's leaves out the later
    terms of the series, which make it 0.9 % slower.
    """
    plate = constant_min_cm2("plate", 50.0, 20, 64)
    bar = constant_min_cm2("bar", 50.0, 14, 44)
    ball = constant_min_cm2("chunky", 50.0, 12, 32)
    agree(plate, 1.611, rel=0.02, why="2.5 mm cells, steps of 1 % of the time")
    agree(ball, 1.179, rel=0.02, why="4 mm cells across a curved surface")
    agree(bar, 1.260, rel=0.03, why="4 mm cells, and the form itself 0.9 %")
    agree(bar / plate, 1.260 / 1.611, rel=0.03, why="as above")
    agree(ball / plate, 1.179 / 1.611, rel=0.02, why="as above")


@pytest.mark.parametrize("cut", [0.0, 0.25, 0.5, 0.75])
def test_plate_whose_face_cuts_a_cell(cut):
    """1.611 min/cm² wherever in a cell the face lies; 10 cells to the middle."""
    shares = np.zeros((1, 1, 60), np.float32)
    shares[..., :10], shares[..., 10] = 1.0, cut
    half_mm = 2.0 * (10.0 + cut)
    constant = time_until_solid(shares, 2.0) / half_mm**2 / 0.6
    agree(constant, 1.611, rel=0.01, why="2 mm cells, steps of 1 % of the time")


DENSE_SAND = SAND.model_copy(
    update={
        "density_kg_m3": 1600.0,
        "conductivity_w_mk": ((20.0, 0.8655),),
        "heat_j_kgk": ((20.0, 1170.0),),
    }
)
"""The sand of Ghosh and Mallik's example."""


def shell_rate(half_mm, sand):
    """Return x / sqrt(t) when a wide plate of steel is solid to its middle. [mm/s^½]

    No superheat, no contact resistance: both only slow the growth.
    """
    steel = alloy_of("carbon-steel")
    media = (metal_medium(steel, steel.liquidus_c), sand_medium(sand, 25.0, 0.0))
    n = round(half_mm / 0.5)
    shares = np.zeros((1, 1, n + 200), np.float32)
    shares[..., :n] = 1.0
    flow = HeatFlow(shares, np.ones(shares.shape, np.uint8), media, 0.5, Skin())
    while flow.temperature_c[0, 0, 0] > steel.solidus_c:
        flow.step()
    return half_mm / np.sqrt(flow.time_s)


def test_shell_of_steel_in_sand_grows_with_the_root_of_time():
    """x = 0.885 sqrt(t) mm: 10 mm at 128 s, 25 mm at 798 s. Sheet on the freezing of steel.

    The law holds at every thickness. Its rate hangs on the sand: printed silica sand (1400 kg/m³,
    k rho c 0.94e6) gives about 0.78, the dense sand of the textbook (1.62e6) about 1.02; the
    sheet's rammed sand lies between.
    """
    thin, thick = shell_rate(10.0, SAND), shell_rate(20.0, SAND)
    agree(thin, thick, rel=0.03, why="the same law at both thicknesses")
    dense = shell_rate(20.0, DENSE_SAND)
    assert thick < 0.885 < dense
    agree(np.sqrt(thick * dense), 0.885, rel=0.05, why="half way between the two sands")


def test_plate_from_the_alloys_file_meets_its_stated_constant():
    """2.14 min/cm² (sheet), 2.0 to 2.2 (Chvorinov 1940): steel plates in rammed sand, halfway."""
    between = 1.0 / (shell_rate(20.0, SAND) * shell_rate(20.0, DENSE_SAND)) / 0.6
    agree(between, 2.14, rel=0.1, why="the spread of sands")
