"""Buoyancy, cope lift and permeability against published worked examples.

M. P. Groover, Fundamentals of Modern Manufacturing, Example 11.1 (core in lead), as read in the
course notes ENGR3190U, lecture 9; densities of its table of casting metals.
GATE Mechanical 1991, block cast in a flask (question read; the numbers follow from it).
Core-print rule 35 N/cm²: P. N. Rao, Manufacturing Technology vol. 1 (from memory).
AFS permeability: P = V H / (p A t) with 2000 cm³ of air, 50.8 x 50.8 mm, 980 Pa (from memory);
the step to SI is Darcy's law.
"""

import numpy as np
import pytest

from moldprep.catalog import all_of
from moldprep.geometry.solid import Solid
from moldprep.mold.pressure import find_wetted, force_n
from moldprep.records import Piece, Sand
from moldprep.units import G_M_S2
from tests.helpers import agree


def test_core_of_1875_cm3_in_lead():
    """Groover Ex. 11.1: lift less weight 178.4 N, lead 11.3 and sand 1.6 g/cm³."""
    core = Solid.box((0, 0, 0), (150, 125, 100))
    outer = Solid.box((-20, -20, -20), (170, 145, 120))
    wetted = find_wetted(outer - core, (Piece(name="core-1", role="core", solid=core),), 50.0)
    lift = force_n(wetted.of(0), 500.0, 11300.0)[2]
    weight = core.volume_mm3 / 1e9 * 1600.0 * G_M_S2
    agree(lift - weight, 178.4, rel=1e-3, why="printed to 4 figures")


def test_block_in_a_flask():
    """GATE 1991: cope 50 mm of 16 kN/m³, block 150 x 100 at the parting, 78 kN/m³."""
    block = Solid.box((75, 50, -50), (225, 150, 0))
    drag = Solid.box((0, 0, -80), (300, 200, 0)) - block
    cope = Solid.box((0, 0, 0), (300, 200, 50))
    pieces = tuple(Piece(name=n, role=n, solid=s) for n, s in (("drag", drag), ("cope", cope)))
    lift = force_n(find_wetted(block, pieces, 0.0).of(1), 50.0, 78e3 / G_M_S2)[2]
    agree(lift, 58.5, rel=1e-9, why="exact arithmetic of the example")
    agree(cope.volume_mm3 / 1e9 * 16e3, 48.0, rel=1e-9, why="exact arithmetic of the example")


def test_pressure_force_does_not_depend_on_how_facets_are_cut():
    """The integral of a linear pressure is the same on any mesh of the same faces."""
    coarse = Solid.box((0, 0, 0), (100, 80, 60))
    halves = coarse.split_at((0.3, 0.5, 0.8), 50.0)
    fine = Solid.union(halves)
    forces = []
    for body in (coarse, fine):
        points, faces = body.mesh()
        up = points[faces]
        up = up[np.cross(up[:, 1] - up[:, 0], up[:, 2] - up[:, 0])[:, 2] > 0]
        forces.append(force_n(up, 300.0, 7000.0)[2])
    agree(forces[1], forces[0], rel=1e-9, why="exact on any mesh")


def test_afs_permeability_100_in_si():
    """1 AFS unit is 1e-4 m · 2000e-6 m³ · 50.8 mm / (980 Pa · 20.27 cm² · 60 s) of air."""
    area_m2 = np.pi / 4 * 0.0508**2
    per_unit = 2000e-6 * 0.0508 / (area_m2 * 980.665 * 60.0) * (10.0 / 501.2)
    agree(100 * per_unit * 1.8e-5, 3.06e-11, rel=0.005, why="units, and 501 against 501.3")
    for sand in all_of(Sand):
        assert sand.permeability_m2 == pytest.approx(3.06e-11, rel=0.01)
