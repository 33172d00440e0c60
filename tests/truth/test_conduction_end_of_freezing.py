"""Temperature gradient, cooling rate and Niyama value at the end of freezing.

An alloy that freezes over a range, linear in temperature, poured at its liquidus; one face held
cold. Solid and mush each have constant properties (the latent heat is spread over the range as heat
capacity), so both have error-function profiles that meet at the solidus, at x = 2 lambda
sqrt(a_s t). R. H. Tien, G. E. Geiger, J. Heat Transfer 89 (1967) 230-233; H. S. Carslaw, J. C.
Jaeger, Conduction of Heat in Solids, 2nd ed., Oxford 1959, sec. 11.2 (from memory; the equations
are written out and solved here).
"""

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import erf, erfc, erfcinv

from moldprep.thermal.conduction import FIXED, HeatFlow, Skin
from moldprep.thermal.materials import Medium
from moldprep.thermal.watch import Watch
from tests.helpers import agree
from tests.truth.strips import medium

K, RHO, C, LATENT = 30.0, 7300.0, 700.0, 250e3
COLD_C, SOLIDUS_C, LIQUIDUS_C = 1000.0, 1400.0, 1500.0
A_SOLID = K / (RHO * C) * 1e6
A_MUSH = K / (RHO * (C + LATENT / (LIQUIDUS_C - SOLIDUS_C))) * 1e6
RATIO = np.sqrt(A_SOLID / A_MUSH)

ALLOY = Medium(
    name="alloy",
    density_kg_m3=RHO,
    conductivity_w_mk=((0.0, K), (1.0, K)),
    heat_j_kgk=((0.0, C), (1.0, C)),
    start_c=LIQUIDUS_C,
    latent_j_kg=LATENT,
    melt=((SOLIDUS_C, 0.0), (LIQUIDUS_C, 1.0)),
)
HOT_C = SOLIDUS_C + 0.1 * (LIQUIDUS_C - SOLIDUS_C)


def front_root():
    """Return lambda: as much heat leaves the mush at the solidus as enters the solid."""

    def excess(root):
        solid = (SOLIDUS_C - COLD_C) * np.exp(-(root**2)) / (np.sqrt(A_SOLID) * erf(root))
        mush = (LIQUIDUS_C - SOLIDUS_C) * np.exp(-((root * RATIO) ** 2))
        return solid - mush / (np.sqrt(A_MUSH) * erfc(root * RATIO))

    return brentq(excess, 1e-6, 3.0, xtol=1e-14)


ROOT = front_root()


def at_mark(x_mm):
    """Return gradient [K/mm] and mean cooling rate to the solidus [K/s] from the first mark on."""
    scale = (LIQUIDUS_C - SOLIDUS_C) / erfc(ROOT * RATIO)
    eta = erfcinv((LIQUIDUS_C - HOT_C) / scale)  # of the mush, x / 2 sqrt(a t)
    hot_s = (x_mm / (2.0 * eta)) ** 2 / A_MUSH
    solid_s = (x_mm / (2.0 * ROOT)) ** 2 / A_SOLID
    gradient = scale * np.exp(-(eta**2)) / np.sqrt(np.pi * A_MUSH * hot_s)
    return gradient, (HOT_C - SOLIDUS_C) / (solid_s - hot_s), solid_s


@pytest.fixture(scope="module")
def seen():
    """Return (4, n) what was seen along a strip of 0.25 mm cells, until 40 mm were solid."""
    shape = (1, 1, 600)
    skin = Skin(outside_c=(0.0,) * 4 + (COLD_C, 0.0), film_w_m2k=(0.0,) * 4 + (FIXED, 0.0))
    bath = medium(1.0, 1000.0, 1000.0, 25.0)
    flow = HeatFlow(np.ones(shape, np.float32), np.ones(shape, np.uint8), (ALLOY, bath), 0.25, skin)
    watch = Watch(flow)
    while flow.time_s < at_mark(40.0)[2]:
        watch.note(flow.step())
    return watch.on_grid()[:, 0, 0]


@pytest.mark.parametrize("cell", [51, 81, 121, 157])
def test_gradient_rate_and_niyama_behind_a_cold_face(seen, cell):
    gradient, rate, solid_s = at_mark((cell + 0.5) * 0.25)
    hot_s, time_s, cold_s, got = seen[:, cell]
    agree(time_s, solid_s, rel=0.005, why="0.25 mm cells, 50 and more deep")
    agree(got, gradient, rel=0.01, why="0.25 mm cells")
    got_rate = (HOT_C - SOLIDUS_C) / (cold_s - hot_s)
    agree(got_rate, rate, rel=0.03, why="0.25 mm cells; half of that with half")
    agree(got / np.sqrt(got_rate), gradient / np.sqrt(rate), rel=0.02, why="both of them")


def test_niyama_value_is_the_same_at_every_depth(seen):
    """Gradient falls with 1 / x and rate with 1 / x²: their G / sqrt(R) has no length in it."""
    cells = slice(50, 158)
    rate = (HOT_C - SOLIDUS_C) / (seen[2, cells] - seen[0, cells])
    niyama = seen[3, cells] / np.sqrt(rate)
    assert niyama.std() < 0.05 * niyama.mean()
