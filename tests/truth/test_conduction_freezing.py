"""Freezing fronts against Neumann's and Schwarz's solutions.

H. S. Carslaw, J. C. Jaeger, Conduction of Heat in Solids, 2nd ed., Oxford 1959, ch. XI; R. W.
Ruddle, The Solidification of Castings, 2nd ed., Institute of Metals 1957. Roots evaluated apart
from moldprep (formulas from memory); `neumann_lambda` is checked against them first.
"""

from dataclasses import replace

import numpy as np
import pytest

from tests.helpers import agree
from tests.truth.strips import along, frozen_mm, medium, neumann_lambda, schwarz_lambda, strip

DRY = medium(0.6, 1500.0, 1100.0, 25.0)


@pytest.mark.parametrize(
    ("stefan", "root"), [(0.1, 0.220016), (0.5, 0.464786), (1.0, 0.620063), (2.0, 0.800601)]
)
def test_neumann_one_phase(stefan, root):
    """Melt at its melting point, face held below it: front at 2 lambda sqrt(at)."""
    agree(neumann_lambda(stefan), root, rel=1e-5, why="the published root")
    step_k, c = 100.0, 1000.0
    metal = medium(1.0, 1000.0, c, 500.0, latent=c * step_k / stefan, melts_c=500.0)
    sand = medium(1.0, 1000.0, c, 500.0 - step_k)
    flow = strip((metal, sand), 120, 0, 0.25, low=500.0 - step_k)
    flow.run(100.0)
    agree(frozen_mm(flow, metal), 2.0 * root * 10.0, rel=0.015, why="half a cell of the front")


def test_water_stefan_problem_of_one_phase():
    """k 1.5, c 2500, rho 870, L 179 kJ/kg, 10 K, 10 h: front at 81.44 mm (about 81 % of 100 mm)."""
    metal = medium(1.5, 870.0, 2500.0, 60.0, latent=179e3, melts_c=60.0)
    flow = strip((metal, medium(1.5, 870.0, 2500.0, 50.0)), 100, 0, 1.0, low=50.0)
    flow.run(36_000.0)
    agree(frozen_mm(flow, metal), 81.436, rel=0.01, why="1 mm cells")


def test_aluminium_in_two_phases():
    """Liquid at 740, face at 580 °C, k 210 / 95 W/mK: front 4.5675 mm at 1 s, 707.18 °C at 10 mm.

    The published case has 3.00e6 J/m³K solid and 2.58e6 liquid, and 1.08048e9 J/m³ to freeze.
    """
    metal = replace(
        medium(210.0, 1000.0, 3000.0, 740.0, latent=1.08048e6, melts_c=660.0),
        conductivity_w_mk=((659.9, 210.0), (660.1, 95.0)),
        heat_j_kgk=((659.99, 3000.0), (660.01, 2580.0)),
    )
    flow = strip((metal, medium(1.0, 1000.0, 1000.0, 580.0)), 240, 0, 0.2, low=580.0)
    flow.run(1.0)
    agree(frozen_mm(flow, metal), 4.5675, rel=0.015, why="0.2 mm cells")
    x = (np.arange(240) + 0.5) * 0.2
    agree(np.interp(10.0, x, along(flow)) - 660.0, 47.182, rel=0.02, why="0.2 mm cells")
    flow.run(3.0)
    agree(np.interp(10.0, x, along(flow)) - 660.0, 12.573, rel=0.03, why="0.2 mm cells")


ALUMINIUM = medium(210.0, 2550.0, 1180.0, 660.0, latent=396e3, melts_c=660.0)
IRON = medium(30.0, 7300.0, 800.0, 1538.0, latent=247e3, melts_c=1538.0)
IRON_MOLD = medium(45.0, 7200.0, 540.0, 25.0)


@pytest.mark.parametrize(
    ("metal", "liquid", "mold", "superheat_k", "root"),
    [
        (ALUMINIUM, (210.0, 1180.0), DRY, 0.0, 0.0421015),
        (ALUMINIUM, (95.0, 1100.0), DRY, 20.0, 0.0196669),
        (IRON, (30.0, 800.0), DRY, 0.0, 0.196702),
        (IRON, (35.0, 825.0), DRY, 50.0, 0.0939623),
        (ALUMINIUM, (95.0, 1100.0), IRON_MOLD, 80.0, 0.302428),
    ],
    ids=["Al", "Al + 20 K", "Fe", "Fe + 50 K", "Al + 80 K on iron"],
)
def test_schwarz_roots_are_the_published(metal, liquid, mold, superheat_k, root):
    agree(schwarz_lambda(metal, *liquid, mold, superheat_k), root, rel=1e-5, why="six figures")


@pytest.mark.parametrize(
    ("metal", "front_mm", "face_c"),
    [
        (ALUMINIUM, 5.44881, 658.809),
        (IRON, 6.90667, 1513.48),
    ],
    ids=["aluminium", "iron"],
)
def test_schwarz_metal_on_sand(metal, front_mm, face_c):
    """Semi-infinite melt without superheat on semi-infinite sand, front at 60 s."""
    flow = strip((metal, DRY), 40, 120, 0.5)
    flow.run(60.0)
    frozen = frozen_mm(flow, metal)
    agree(frozen, front_mm, rel=0.015, why="0.5 mm cells; steps of 2 % of the time")
    last = along(flow)[39]  # half a cell inside the face
    drop = metal.start_c - face_c
    agree(metal.start_c - last, drop * (1.0 - 0.25 / frozen), rel=0.05, why="linear in the shell")


def hot(metal, superheat_k, liquid_w_mk, liquid_j_kgk):
    """Return a metal with superheat, whose liquid has properties of its own."""
    melts = metal.melt[0][0]
    k, c = metal.conductivity_w_mk[0][1], metal.heat_j_kgk[0][1]
    return replace(
        metal,
        start_c=melts + superheat_k,
        conductivity_w_mk=((melts - 0.1, k), (melts + 0.1, liquid_w_mk)),
        heat_j_kgk=((melts - 0.01, c), (melts + 0.01, liquid_j_kgk)),
    )


def test_schwarz_iron_with_superheat():
    """As above, 50 K superheat, liquid 35 W/mK and 825 J/kgK: front 3.29924 mm at 60 s."""
    metal = hot(IRON, 50.0, 35.0, 825.0)
    flow = strip((metal, DRY), 240, 120, 0.5)
    flow.run(60.0)
    agree(frozen_mm(flow, metal), 3.29924, rel=0.02, why="0.5 mm cells: 6.6 frozen")


def test_schwarz_aluminium_with_superheat():
    """20 K over, liquid 95 W/mK: half the sand's heat goes into superheat; 2.545 mm at 60 s."""
    metal = hot(ALUMINIUM, 20.0, 95.0, 1100.0)
    flow = strip((metal, DRY), 400, 120, 0.5)
    flow.run(60.0)
    why = "conductivity stands in a table every 2 K: 3 % more from 20 K over, doubled in the rest"
    agree(frozen_mm(flow, metal), 2.545, rel=0.06, why=why)


def test_schwarz_aluminium_on_an_iron_mold():
    """80 K over on iron (45 W/mK, 7200, 540): 39.14 mm at 60 s, face at 565.776 °C."""
    metal = hot(ALUMINIUM, 80.0, 95.0, 1100.0)
    flow = strip((metal, IRON_MOLD), 200, 150, 1.0)
    flow.run(60.0)
    agree(frozen_mm(flow, metal), 39.14, rel=0.01, why="1 mm cells")
    low, high = along(flow)[199:201]
    k_metal, k_mold = 210.0, 45.0
    face = (k_metal * low + k_mold * high) / (k_metal + k_mold)  # series of two half cells
    agree(660.0 - face, 660.0 - 565.776, rel=0.01, why="1 mm cells")


def test_aluminium_too_hot_to_freeze_on_sand():
    """Where (b_l T_p + b_m T_0) / (b_l + b_m) lies over the melting point no shell forms.

    That limits the superheat to 38 K here; 45 K leave the whole semi-infinite melt liquid, and
    the face at the contact temperature of two half spaces.
    """
    metal = replace(ALUMINIUM, start_c=705.0)
    flow = strip((metal, DRY), 400, 120, 1.0)
    flow.run(60.0)
    assert frozen_mm(flow, metal) == 0.0
    melt, sand = np.sqrt(210.0 * 2550.0 * 1180.0), np.sqrt(0.6 * 1500.0 * 1100.0)
    contact = (melt * 705.0 + sand * 25.0) / (melt + sand)
    assert contact > 660.0
    inside = contact + 45979.0 * 0.5e-3 / 210.0 * (contact - 25.0) / 635.0  # half a cell
    agree(705.0 - along(flow)[399], 705.0 - inside, rel=0.02, why="1 mm cells")


def test_iron_slab_between_cooled_copper():
    """100 mm iron slab, faces held at 28 °C: solid after 0.011565 h.

    A. Ghosh, A. K. Mallik, Manufacturing Science, example 2.6, p. 73 (0.0115 h with a rounded
    root).
    """
    metal = medium(83.0, 7850.0, 670.0, 1540.0, latent=272e3, melts_c=1540.0)
    flow = strip((metal, medium(1.0, 1000.0, 1000.0, 28.0)), 50, 0, 1.0, high=28.0)
    while frozen_mm(flow, metal) < 49.99:
        flow.step()
    agree(flow.time_s, 0.011565 * 3600.0, rel=0.02, why="1 mm cells; steps of 2 % of the time")
