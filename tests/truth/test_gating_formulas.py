"""Gating formulas against worked examples and handbook tables.

Sources
-------
Groover     M. P. Groover, Fundamentals of Modern Manufacturing, 3rd ed., ch. 10 (from memory).
Ghosh       A. Ghosh and A. K. Mallik, Manufacturing Science, ch. 2, Examples 2.2 and 2.3.
Rao         P. N. Rao, Manufacturing Technology: Foundry, Forming and Welding, gating chapter
            (formulas as listed publicly; tables of constants from memory).
GATE        Graduate Aptitude Test in Engineering (India), Mechanical, year as given.
BHEL        Bharat Heavy Electricals engineer trainee paper, Mechanical, 2019.
Kalpakjian  S. Kalpakjian and S. Schmid, Manufacturing Engineering and Technology, sprue example
            (inputs from memory, values computed).
Campbell    J. Campbell, Castings, and Complete Casting Handbook, rule 2 (from memory).
"""

import math

import numpy as np
import pytest

from moldprep.rigging import pour_times
from moldprep.rigging.fill_times import fill_time_s, ladle_flow_mm3_s, ladle_time_s
from moldprep.rigging.gate_limits import (
    critical_fall_mm,
    critical_speed_m_s,
    filter_area_mm2,
    gate_area_mm2,
    vent_area_mm2,
)
from moldprep.rigging.gating import (
    choke_area_mm2,
    effective_head_mm,
    efficiency,
    equivalent_head_mm,
    falling_speed_m_s,
    stream_area_mm2,
    taper_area_mm2,
)
from moldprep.rigging.stream.hydraulics import expansion_factor, friction_factor, reynolds
from moldprep.units import G_M_S2
from tests.helpers import agree

PRINTED = "digits printed in the source; its g is 9.81, ours 9.80665 m/s²"
OWN = "computed from the same formula in more digits"


@pytest.mark.parametrize(
    ("head_mm", "base_mm2", "cavity_mm3", "speed_m_s", "flow_mm3_s", "time_s", "rel"),
    [
        pytest.param(200.0, 250.0, 1560e3, 1.981, 495e3, 3.15, 2e-3, id="Groover example"),
        pytest.param(250.0, 78.53982, 1e6, 2.2147, 173942.13, 5.75, 1e-3, id="GATE, 10 mm sprue"),
        pytest.param(175.0, 444.0, 1376e3, 1.853, 822.7e3, 1.67, 5e-3, id="Groover problem"),
        pytest.param(250.0, 300.0, 2100e3, 2.215, 664.4e3, 3.161, 1e-3, id="25 cm, 3 cm²"),
        pytest.param(200.0, 100.0, 1000e3, 1.981, 198.1e3, 5.05, 2e-3, id="GATE 2005"),
    ],
)
def test_sprue_speed_flow_and_fill_time(
    head_mm, base_mm2, cavity_mm3, speed_m_s, flow_mm3_s, time_s, rel
):
    """v = √(2gh), Q = vA, t = V/Q."""
    agree(falling_speed_m_s(head_mm), speed_m_s, rel=rel, why=PRINTED)
    agree(falling_speed_m_s(head_mm) * 1e3 * base_mm2, flow_mm3_s, rel=rel, why=PRINTED)
    agree(fill_time_s(cavity_mm3, base_mm2, head_mm), time_s, rel=rel, why=PRINTED)


def test_sprue_base_for_a_flow():
    """Groover type problem: 500 cm³/s under 15 cm gives 171.6 cm/s and 2.91 cm²."""
    agree(falling_speed_m_s(150.0), 1.716, rel=1e-3, why=PRINTED)
    agree(stream_area_mm2(500e3, 150.0), 291.0, rel=2e-3, why=PRINTED)


def narrowed(area_mm2, flow_mm3_s, fall_mm):
    """Area of a moving stream after a fall: it comes as if fallen from rest, v² / 2g higher."""
    behind_mm = (flow_mm3_s / area_mm2 / 1e3) ** 2 / (2.0 * G_M_S2) * 1e3
    agree(stream_area_mm2(flow_mm3_s, behind_mm), area_mm2, rel=1e-9, why="the same stream")
    return taper_area_mm2(area_mm2, behind_mm, behind_mm + fall_mm)


def test_sprue_narrows_with_the_speed_it_already_has():
    """GATE 2007: 200 mm high, 650 mm² on top, 6.5e5 mm³/s, g = 10 m/s²: 290.7 mm² below."""
    same_fall_mm = 200.0 * 10.0 / G_M_S2  # the paper's g, on ours
    agree(narrowed(650.0, 650e3, same_fall_mm), 290.7, rel=1e-3, why="printed digits")


def test_sprue_taper():
    """BHEL: 180 mm sprue, 20 mm on top, 60 mm of metal in the basin: 14.14 mm at the foot."""
    foot = taper_area_mm2(math.pi / 4.0 * 20.0**2, 60.0, 240.0)
    agree(math.sqrt(4.0 / math.pi * foot), 14.14, rel=1e-3, why="printed digits")


def test_stream_narrows_by_the_fourth_root():
    """D = 30 mm at 50 mm: 25.2, 21.2, 19.2, 17.8 mm at 100, 200, 300, 400 mm (D ~ z^-1/4)."""
    areas = [taper_area_mm2(math.pi / 4.0 * 900.0, 50.0, z) for z in (100.0, 200.0, 300.0, 400.0)]
    wide = [math.sqrt(4.0 / math.pi * area) for area in areas]
    agree(wide, [25.2, 21.2, 19.2, 17.8], rel=3e-3, why="rounded to 0.1 mm")


def test_straight_cone_is_too_wide_midway():
    """Between 50 and 400 mm under the level, at 200 mm, a cone has 37 % more area."""
    ends = [stream_area_mm2(1.0, z) ** 0.5 for z in (50.0, 400.0)]
    cone = (ends[0] + (ends[1] - ends[0]) * 150.0 / 350.0) ** 2
    agree(cone / stream_area_mm2(1.0, 200.0), 1.37, rel=5e-3, why="rounded to 1 %")


def test_flow_and_stream_of_forty_kilograms_of_iron():
    """40 kg of iron (6900 kg/m³) in 12 s: 0.483 l/s; 445 mm² at 60 mm, 199 mm² at 300 mm."""
    flow = 40.0 / 6900.0 / 12.0 * 1e9
    agree(flow, 0.483e6, rel=1e-3, why="rounded to 1 ml/s")
    agree(stream_area_mm2(flow, 60.0), 445.0, rel=2e-3, why="rounded to 1 mm²")
    agree(stream_area_mm2(flow, 300.0), 199.0, rel=3e-3, why="rounded to 1 mm²")
    agree(gate_area_mm2(flow, 0.5), 966.0, rel=1e-3, why="rounded to 1 mm²")


def test_kalpakjian_sprue():
    """Q = 0.01 m³/min of aluminium, 20 mm on top, 200 mm long, viscosity 0.004 Pa s."""
    flow, top = 0.01 / 60.0 * 1e9, math.pi / 4.0 * 20.0**2
    agree(flow / top / 1e3, 0.5305, rel=1e-3, why=OWN)
    foot = narrowed(top, flow, 200.0)
    wide = math.sqrt(4.0 / math.pi * foot)
    agree(flow / foot / 1e3, 2.0509, rel=1e-3, why=OWN)
    agree(wide, 10.172, rel=1e-3, why=OWN)
    agree(reynolds(flow / foot / 1e3, wide, 2700.0, 0.004), 14082.0, rel=1e-3, why=OWN)


def bottom_gated_s(level_mm2, height_mm, gate_mm2, head_mm):
    """Time by the book: 2 A_m / (A_g √(2 g)) (√h - √(h - h_m)). Ghosh & Mallik, ch. 2."""
    drop = math.sqrt(head_mm / 1e3) - math.sqrt((head_mm - height_mm) / 1e3)
    return 2.0 * level_mm2 / (gate_mm2 * math.sqrt(2.0 * G_M_S2)) * drop


def test_bottom_gating_takes_twice_the_time_of_top_gating():
    """GATE 2006: where the head equals the height of the mold."""
    top = fill_time_s(1e6, 200.0, equivalent_head_mm(100.0, 100.0, 0.0))
    bottom = fill_time_s(1e6, 200.0, equivalent_head_mm(100.0, 100.0, 100.0))
    agree(bottom / top, 2.0, rel=1e-9, why="exact")
    agree(bottom, bottom_gated_s(1e4, 100.0, 200.0, 100.0), rel=1e-12, why="the book's own form")


def test_effective_heads():
    """Rao: h 30, c 20, p 10 cm gives 30 on top, 20 at the bottom, 27.5 at the parting."""
    heads = [effective_head_mm(300.0, 200.0, p) for p in (0.0, 200.0, 100.0)]
    agree(heads, [300.0, 200.0, 275.0], rel=1e-9, why="exact")


def test_equivalent_head_gives_the_true_bottom_fill_time():
    """((√h + √(h - c)) / 2)² = 18.6603 cm for h 30 and c 20 cm; the handbook mean says 20."""
    head = equivalent_head_mm(300.0, 200.0, 200.0)
    agree(head, 186.603, rel=1e-5, why="five digits")
    true_s = bottom_gated_s(1e4, 200.0, 100.0, 300.0)
    agree(fill_time_s(2e6, 100.0, head), true_s, rel=1e-12, why="the same time by definition")


def test_equivalent_head_of_parting_gating_is_the_sum_of_both_shares():
    """A prism half below and half above its gates: top-gate time plus bottom-gate time."""
    both = fill_time_s(1e6, 100.0, 300.0) + bottom_gated_s(1e4, 100.0, 100.0, 300.0)
    head = equivalent_head_mm(300.0, 200.0, 100.0)
    agree(fill_time_s(2e6, 100.0, head), both, rel=1e-12, why="the same time by definition")


def test_choke_area():
    """Rao's formula: 50 kg, 7000 kg/m³, 14 s, C 0.8, 200 mm: 321.95 mm² at g = 9.81."""
    agree(choke_area_mm2(50.0, 7000.0, 14.0, 200.0, 0.8), 321.95, rel=5e-4, why="g 9.81 there")


@pytest.mark.parametrize(
    ("is_tapered", "has_bends", "want"),
    [(True, False, 0.90), (True, True, 0.85), (False, False, 0.73), (False, True, 0.70)],
)
def test_handbook_efficiency(is_tapered, has_bends, want):
    """Rao, table of efficiency coefficients (from memory)."""
    assert efficiency(has_bends, is_tapered) == want


def test_friction_and_bend():
    """Ghosh, Example 2.2: 15 cm head, 12 cm sprue, 5 cm² gate, one bend, 18 750 cm³: 31.65 s.

    Entrance loss 0.45 in the first pass and 0.46 in the second, as in the published solution.
    """
    wide_mm = math.sqrt(4.0 / math.pi * 500.0)
    free = falling_speed_m_s(150.0)
    lengths = 120.0 / wide_mm + 25.0

    def discharge(speed_m_s, entrance):
        re = reynolds(speed_m_s, wide_mm, 7800.0, 0.00496)
        factor = float(friction_factor(np.array([re]))[0])
        return 1.0 / math.sqrt(1.0 + entrance + 4.0 * factor * lengths)

    first = discharge(free, 0.45)
    second = discharge(first * free, 0.46)
    agree(second, 0.6906, rel=1e-3, why="four digits")
    agree(fill_time_s(18750e3, 500.0, 150.0) / second, 31.654, rel=1e-3, why="g 9.81 there")


def test_friction_factor_of_laminar_and_turbulent_flow():
    """Hagen-Poiseuille f = 16/Re; Blasius f = 0.0791 Re^-1/4 (Ghosh, Example 2.2)."""
    factors = friction_factor(np.array([1000.0, 1e5]))
    agree(factors, [0.016, 0.004448], rel=1e-3, why="four digits")


@pytest.mark.parametrize(("first", "after", "loss"), [(1.0, 2.0, 0.25), (1.0, 4.0, 0.5625)])
def test_sudden_expansion(first, after, loss):
    """Borda and Carnot, K = (1 - A1/A2)²; F. M. White, Fluid Mechanics (from memory)."""
    agree(expansion_factor(first, after), loss, rel=1e-12, why="exact")


def test_ladle_empties_in_the_textbook_time():
    """Ghosh, Example 2.3, nozzle C 0.96: a tank through an orifice, t = A √(2h/g) / (C a)."""
    tank, hole, level = math.pi / 4.0 * 1.0**2, math.pi / 4.0 * 0.05**2, 0.8
    want = tank / (0.96 * hole) * math.sqrt(2.0 * level / 9.80665)
    agree(ladle_time_s(800.0, 0.0, 1000.0, 50.0, 0.96), want, rel=1e-12, why="closed form")
    halves = ladle_time_s(800.0, 300.0, 1000.0, 50.0, 0.96) + ladle_time_s(
        300.0, 0.0, 1000.0, 50.0, 0.96
    )
    agree(halves, want, rel=1e-12, why="the two parts add up")


def test_ladle_flow_is_how_fast_its_level_sinks():
    """The flow formula is the derivative of the discharge-time formula."""
    step_s = ladle_time_s(800.0, 799.9, 1000.0, 50.0, 0.96)
    sunk_mm3 = math.pi / 4.0 * 1000.0**2 * 0.1
    agree(ladle_flow_mm3_s(799.95, 50.0, 0.96), sunk_mm3 / step_s, rel=1e-6, why="small step")


@pytest.mark.parametrize(
    ("tension", "density", "speed", "fall"),
    [
        pytest.param(0.914, 2385.0, 0.495, 12.5, id="aluminium"),
        pytest.param(0.559, 1590.0, 0.485, 11.97, id="magnesium"),
        pytest.param(1.872, 7015.0, 0.452, 10.43, id="iron"),
    ],
)
def test_critical_speed_and_drop(tension, density, speed, fall):
    """Campbell, rule 2: 2 (γg/ρ)^1/4 and 2 √(γ/ρg); about 0.5 m/s and 12.5 mm for aluminium."""
    agree(critical_speed_m_s(tension, density), speed, rel=2e-3, why="three digits")
    agree(critical_fall_mm(tension, density), fall, rel=2e-3, why="four digits")
    agree(falling_speed_m_s(fall), speed, rel=2e-3, why="that fall gives that speed")


def test_pouring_time_of_steel():
    """Rao: (2.4335 - 0.3953 log10 W) √W; 100 kg in 16.429 s."""
    agree(pour_times.steel_s(100.0), 16.429, rel=1e-4, why="five digits")


def test_pouring_time_of_grey_iron_below_450_kg():
    """Rao: spiral 28 in, 15 mm, 50 kg: 12.068 s."""
    agree(pour_times.grey_iron_s(50.0, 15.0, 28.0), 12.068, rel=1e-4, why="five digits")


def test_pouring_time_of_grey_iron_above_450_kg():
    """Rao (from memory): (F/40)(1.236 + T/16.65) W^1/3; 1000 kg, T 16.65 mm, F 40: 22.36 s."""
    agree(pour_times.grey_iron_s(1000.0, 16.65, 40.0), 22.36, rel=1e-12, why="exact")


def test_pouring_time_of_shell_molded_ductile_iron():
    """t = K1 √W; K1 1.82, 36.8 kg: 11.04067 s."""
    agree(pour_times.root_mass_s(36.8, 1.82), 11.04067, rel=1e-6, why="seven digits")


@pytest.mark.parametrize(("section", "constant"), [(9.0, 2.080), (15.0, 2.670), (30.0, 2.970)])
def test_constants_of_ductile_iron(section, constant):
    """Rao, table of K1 (from memory)."""
    agree(pour_times.ductile_iron_s(100.0, section), 10.0 * constant, rel=1e-12, why="exact")


@pytest.mark.parametrize("constant", [1.30, 1.80, 1.90, 2.80])
def test_constants_of_copper_alloys(constant):
    """Rao, table of K2 (from memory): t = K2 W^1/3."""
    agree(pour_times.copper_s(64.0, constant), 4.0 * constant, rel=1e-12, why="exact")


@pytest.mark.parametrize(
    ("section", "constant"), [(2.0, 1.62), (3.0, 1.68), (5.0, 1.85), (12.0, 2.20)]
)
def test_constants_of_thin_walled_castings(section, constant):
    """Rao, table of K3 (from memory): t = K3 W^1/3 below 450 kg."""
    agree(pour_times.thin_walled_s(27.0, section), 3.0 * constant, rel=1e-12, why="exact")


@pytest.mark.parametrize(
    ("section", "constant"), [(8.0, 1.00), (16.0, 1.35), (27.0, 1.50), (64.0, 1.70)]
)
def test_constants_of_heavy_castings(section, constant):
    """Rao, table of K4 (form published, constants from memory): t = K4 (W T)^1/3, 450-1000 kg."""
    want = constant * (1000.0 * section) ** (1.0 / 3.0)
    agree(pour_times.heavy_s(1000.0, section), want, rel=1e-12, why="exact")


@pytest.mark.parametrize(("mass", "section"), [(449.0, 10.0), (1001.0, 10.0)])
def test_heavy_castings_are_450_to_1000_kg(mass, section):
    """The formula's range of validity."""
    with pytest.raises(ValueError, match="heavy_s"):
        pour_times.heavy_s(mass, section)


def test_light_alloy_pours_within_its_published_span():
    """t = S (T W)^1/3 with S 1.7 to 3.0 (Dubitskii's form, from memory): 8 kg of 8 mm: 6.8-12 s."""
    assert 6.8 <= pour_times.light_alloy_s(8.0, 8.0) <= 12.0


def test_vent_area_equals_the_choke():
    """Shop rule, vents about as large as the choke: 0.483 l/s, 100 Pa: 187 against 199 mm²."""
    agree(vent_area_mm2(0.483e6, 100.0), 187.0, rel=5e-3, why="rounded to 1 mm²")


@pytest.mark.parametrize(
    ("poured", "rate", "choke", "want"),
    [(40.0, 1.0, 10.0, 2000.0), (1.0, 3.0, 10.0, 2000.0), (1.0, 0.1, 500.0, 2000.0)],
)
def test_filter_area_is_the_largest_of_three(poured, rate, choke, want):
    """Capacity, flow and choke ratio (common practice, no source), each governing once."""
    agree(filter_area_mm2(poured, rate, choke, 2.0, 0.15, 4.0), want, rel=1e-12, why="exact")
