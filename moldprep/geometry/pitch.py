"""The edge of a cube of the heat grid: fine enough for walls, within the budgets of the job."""

import math
from typing import Final

import numpy as np

from moldprep.geometry.solid import Floats, Solid
from moldprep.records import Alloy, Job, Survey
from moldprep.units import diffusivity_mm2_s

LEAST_CELLS: Final = 1.5
"""Cells across a wall under which its freezing time is the grid's, not the wall's: from here on a
plate freezes within 9 % of its time wherever it lies among the cells (measured: 10 % at 1.2 cells,
8 % at 1.6, 5.5 % at 2, see tests/property/test_freezing_properties.py)."""

CELLS_ACROSS: Final = 3.2
"""Cells across the thinnest wall, where the budgets allow."""

FEWEST_CELLS: Final = 400_000
"""Compact castings are cut at least this fine, for the sake of necks and pictures."""

FINER: Final = 1.01
"""Step in which the edge is lengthened until the budgets hold."""

SKIN_WORK: Final = 4.0
"""Work on a cell at the metal's skin, over that on one within metal or sand."""

SKIN_CELLS: Final = (1.7, 3.0)
"""Cells of metal and of sand at the skin, times the cube's face over the surface."""

CUT_CELLS: Final = 0.53
"""Cells with metal beyond the metal's volume, times the cube's face over the surface."""

SAND_REACHED: Final = 0.45
"""Share of the grid the heat has reached, in the mean of all steps."""

STABLE: Final = (0.15, 0.24)
"""Longest plain steps of metal beside sand and of sand, times their diffusivity over a face."""

SAND_MM2_S: Final = 0.86
"""Diffusivity of hot silica sand, which stands for all sands here."""

GROWTH: Final = 0.02
"""A step is this much of the time gone by, until the sand's own step is shorter."""

SAND_STEPS: Final = 250.0

FREEZES: Final = 4.0
"""Time until all castings are solid over the longest freezing time by the modulus rule."""


def choose_pitch(size: Floats, metal: Solid, job: Job, survey: Survey, alloy: Alloy) -> float:
    """Return the edge of a cell. [mm]

    Parameters
    ----------
    size
        (3,) of the grid: metal and the sand round it. [mm]
    metal
        Its volume and surface set how much work a cell edge means.
    job
        `freezing.pitch_mm`, `freezing.max_cells` and `freezing.max_updates`.
    survey
        Thinnest wall and longest freezing time.
    alloy
        How fast heat spreads in it.
    """
    keys = job.freezing
    if keys.pitch_mm != "auto":
        return float(keys.pitch_mm)
    coarsest = (float(np.prod(size)) / min(FEWEST_CELLS, keys.max_cells)) ** (1.0 / 3.0)
    pitch: float = min(survey.thin_mm / CELLS_ACROSS, coarsest)
    longest = max((section.freezing_time_s for section in survey.sections), default=0.0)
    while (n := _n_cells(size, pitch)) > keys.max_cells or (
        heat_updates(pitch, n, metal, FREEZES * longest, alloy) > keys.max_updates
    ):
        pitch *= FINER
    return pitch


def heat_updates(
    pitch_mm: float, n_cells: float, metal: Solid, time_s: float, alloy: Alloy
) -> float:
    """Return about how many cell updates a heat solve makes until the castings are solid.

    Those of cells at the metal's skin count `SKIN_WORK` times.

    Notes
    -----
    In a step of s the sand takes one plain step, the metal n stages with (n² + n) / 2 times its own
    plain step q = s: so n is about sqrt(2 s / q), and s is `GROWTH` of the time, or the sand's own
    step. The figures were counted on five samples, each at two pitches, 1.3 times apart; the
    formula was 0.8 to 1.6 of what was counted, mostly by the time until all is solid.
    """
    face = pitch_mm * pitch_mm
    spread = diffusivity_mm2_s(
        max(k for _, k in alloy.conductivity_w_mk),
        alloy.density_kg_m3,
        min(c for _, c in alloy.heat_j_kgk),
    )
    quick_s, sand_s = STABLE[0] * face / spread, STABLE[1] * face / SAND_MM2_S
    grows_s = min(time_s, sand_s / GROWTH)
    stages = 2.0 * math.sqrt(2.0 * grows_s / (quick_s * GROWTH))
    stages += (time_s - grows_s) * math.sqrt(2.0 / (quick_s * sand_s))
    faces = metal.area_mm2 / face
    of_metal = metal.volume_mm3 / (face * pitch_mm) + CUT_CELLS * faces
    at_skin, beside = min(SKIN_CELLS[0] * faces, of_metal), SKIN_CELLS[1] * faces
    extra = SKIN_WORK - 1.0
    of_sand = SAND_REACHED * n_cells + extra * beside
    return stages * (of_metal + extra * at_skin) + SAND_STEPS * of_sand


def _n_cells(size: Floats, pitch: float) -> float:
    return float(np.prod(np.ceil(size / pitch) + np.array([0.0, 0.0, 1.0])))
