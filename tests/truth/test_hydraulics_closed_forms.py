"""The flow network against closed forms and worked examples.

Sources:
M. P. Groover, Fundamentals of Modern Manufacturing, chapter on metal casting (sprue and fill).
A. Ghosh, A. K. Mallik, Manufacturing Science, Example 2.2 (friction and bend in a gating design).
R. B. Bird, W. E. Stewart, E. N. Lightfoot, Transport Phenomena, 2nd ed. (friction, expansion).
GATE Mechanical Engineering papers 2006 (top against bottom gate) and 2005 (sprue).
Orifice and series losses: any text of fluid mechanics.
"""

import numpy as np
import pytest

from moldprep.rigging.stream.circuit import bend_factor
from moldprep.rigging.stream.hydraulics import (
    G_MM_S2,
    Link,
    contraction_factor,
    expansion_factor,
    friction_factor,
    minor_loss,
    solve_network,
)
from moldprep.rigging.stream.pool import Pool
from tests.helpers import agree

EXACT = "closed form; the solver stops at 1e-10"


def gate(a, b, area, k=1.0):
    return Link(a, b, minor=minor_loss(k, area))


def test_sprue_of_the_textbook():
    """Groover: sprue 20 cm, base 2.5 cm², cavity 1560 cm³: 198.1 cm/s, 495 cm³/s, 3.2 s."""
    flow = solve_network([gate(0, 1, 250.0)], 2, {0: 200.0, 1: 0.0}, 0.0).flows_mm3_s[0]
    agree(flow / 250.0, 1981.0, rel=1e-3, why="printed with g = 981 cm/s² and four digits")
    agree(flow, 495e3, rel=1e-3, why="printed to three digits")
    agree(1560e3 / flow, 3.2, rel=2e-2, why="printed to two digits")


def test_sprue_of_gate_2005():
    """Sprue 20 cm, 1 cm², 1000 cm³: 5.05 s."""
    flow = solve_network([gate(0, 1, 100.0)], 2, {0: 200.0, 1: 0.0}, 0.0).flows_mm3_s[0]
    agree(1e6 / flow, 5.05, rel=2e-3, why="printed to three digits")


def test_two_equal_gates_share_evenly():
    links = [gate(0, 1, 90.0), gate(1, 2, 120.0, 2.1), gate(1, 3, 120.0, 2.1)]
    flows = solve_network(links, 4, {0: 200.0, 2: 0.0, 3: 0.0}, 0.0).flows_mm3_s
    agree(flows[1], flows[2], rel=1e-12, why="the two links are alike")
    agree(flows[1] + flows[2], flows[0], rel=1e-10, why=EXACT)


def test_two_unequal_gates_share_by_area_and_loss():
    """Under one head Q ~ A / sqrt(K)."""
    links = [gate(0, 1, 90.0), gate(1, 2, 100.0, 1.5), gate(1, 3, 60.0, 2.7)]
    flows = solve_network(links, 4, {0: 200.0, 2: 0.0, 3: 0.0}, 0.0).flows_mm3_s
    agree(flows[1] / flows[2], (100.0 / 60.0) * np.sqrt(2.7 / 1.5), rel=1e-9, why=EXACT)


def test_losses_in_series_add_up():
    """H = Q² / 2g · sum(K / A²)."""
    links = [gate(0, 1, 90.0, 0.45), gate(1, 2, 180.0, 1.1), gate(2, 3, 120.0)]
    flow = solve_network(links, 4, {0: 200.0, 3: 0.0}, 0.0).flows_mm3_s[0]
    inverse = 0.45 / 90.0**2 + 1.1 / 180.0**2 + 1.0 / 120.0**2
    agree(flow, np.sqrt(2.0 * G_MM_S2 * 200.0 / inverse), rel=1e-9, why=EXACT)


def test_friction_and_bend_of_the_textbook():
    """Ghosh & Mallik, ex. 2.2: h 15 cm, gate 5 cm², sprue 12 cm, mold 18 750 cm³: 31.65 s.

    C_D = [1 + K + 4 f (L/D + (L/D)_eq)]^-1/2 with f = 0.0791 Re^-1/4, K = 0.45, (L/D)_eq = 25,
    rho 7800 kg/m³, mu 0.00496 kg/(m s). The book stops after one iteration.
    """
    area = 500.0
    diameter = np.sqrt(4.0 * area / np.pi)
    length = 120.0 + 25.0 * diameter
    viscosity = 0.00496 / 7800.0 * 1e6
    link = Link(0, 1, minor=minor_loss(1.45, area), pieces=np.array([[length, diameter, area]]))
    flow = solve_network([link], 2, {0: 150.0, 1: 0.0}, viscosity).flows_mm3_s[0]
    agree(18750e3 / flow, 31.654, rel=5e-3, why="one iteration in the book, K rounded up in it")


def test_laminar_pipe_is_hagen_poiseuille():
    """Q = pi d⁴ rho g h / (128 mu L)."""
    diameter, length, viscosity = 5.0, 2000.0, 200.0
    pipe = Link(0, 1, pieces=np.array([[length, diameter, np.pi / 4.0 * diameter**2]]))
    flow = solve_network([pipe], 2, {0: 100.0, 1: 0.0}, viscosity).flows_mm3_s[0]
    want = np.pi * diameter**4 * G_MM_S2 * 100.0 / (128.0 * viscosity * length)
    assert 4.0 * flow / (np.pi * diameter * viscosity) < 2000.0
    agree(flow, want, rel=1e-8, why=EXACT)


@pytest.mark.parametrize("seed", range(5))
def test_flow_is_conserved_at_every_node_of_any_network(seed):
    rng = np.random.default_rng(seed)
    n = 14
    links = [
        Link(
            k,
            int(rng.integers(k + 1, n)),
            minor=minor_loss(float(rng.uniform(0.1, 3.0)), float(rng.uniform(20.0, 400.0))),
            pieces=np.array([[rng.uniform(10.0, 300.0), 12.0, 110.0]]),
        )
        for k in range(n - 1)
        for _ in range(2)
    ]
    solution = solve_network(links, n, {0: 250.0, n - 1: 0.0, n - 2: 30.0}, 0.5)
    net = np.zeros(n)
    for link, flow in zip(links, solution.flows_mm3_s, strict=True):
        net[link.a] -= flow
        net[link.b] += flow
    scale = np.abs(solution.flows_mm3_s).max()
    assert np.abs(net[1:-2]).max() <= 1e-9 * scale
    assert solution.imbalance <= 1e-9
    for link, flow in zip(links, solution.flows_mm3_s, strict=True):
        length, diameter, area = link.pieces[0]
        speed = abs(flow) / area
        factor = friction_factor(np.array([speed * diameter / 0.5]))[0]
        loss = np.sign(flow) * (
            link.minor * flow**2 + 4.0 * factor * length / diameter * speed**2 / (2.0 * G_MM_S2)
        )
        assert abs(solution.heads_mm[link.a] - solution.heads_mm[link.b] - loss) < 1e-4


def drain_time_s(pool, link, n_steps=400):
    """Time a vessel takes to run empty through one link: midpoint steps of its volume."""
    edges = np.linspace(pool.whole_mm3, 0.0, n_steps + 1)
    levels = [pool.level_mm(volume) for volume in 0.5 * (edges[1:] + edges[:-1])]
    rates = [solve_network([link], 2, {0: z, 1: 0.0}, 0.0).flows_mm3_s[0] for z in levels]
    return (pool.whole_mm3 / n_steps / np.array(rates)).sum()


def test_a_tank_runs_empty_in_the_textbook_time():
    """t = (2 A / (a sqrt(2 g))) sqrt(h) for a prismatic tank and an orifice at its floor."""
    tank = Pool(np.array([0.0, 300.0]), np.array([0.0, 300.0 * 40_000.0]))
    want = 2.0 * 40_000.0 / (80.0 * np.sqrt(2.0 * G_MM_S2)) * np.sqrt(300.0)
    got = drain_time_s(tank, gate(0, 1, 80.0), n_steps=4000)
    agree(got, want, rel=1e-2, why="midpoint steps of volume, half order at the empty end")
    coarse = drain_time_s(tank, gate(0, 1, 80.0), n_steps=1000)
    order = np.log(abs(coarse / want - 1.0) / abs(got / want - 1.0)) / np.log(4.0)
    assert abs(order - 0.5) < 0.05, order


def test_a_tank_runs_half_empty_in_the_textbook_time():
    """t = (2 A / (a sqrt(2 g))) (sqrt(h1) - sqrt(h2)), away from the empty end."""
    tank = Pool(np.array([150.0, 300.0]), np.array([0.0, 150.0 * 40_000.0]))
    want = 2.0 * 40_000.0 / (80.0 * np.sqrt(2.0 * G_MM_S2)) * (np.sqrt(300.0) - np.sqrt(150.0))
    got = drain_time_s(tank, gate(0, 1, 80.0))
    agree(got, want, rel=1e-6, why="midpoint rule, second order, 400 steps")


def test_known_loss_factors():
    """Bird, Stewart & Lightfoot, section 7.5 and ex. 7.6-1; square bend 1.1."""
    assert expansion_factor(50.0, 100.0) == 0.25
    assert expansion_factor(100.0, 50.0) == 0.0
    assert contraction_factor(100.0, 100.0) == 0.0
    path = np.array([[0.0, 0.0, 0.0], [80.0, 0.0, 0.0], [80.0, 60.0, 0.0]])
    agree(bend_factor(path), 1.1, rel=1e-12, why="one square corner")
    turn = np.radians(np.linspace(0.0, 90.0, 13))
    arc = np.stack([30.0 * np.sin(turn), 30.0 * (1.0 - np.cos(turn)), 0.0 * turn], axis=1)
    want = 0.25 * 82.5 / 90.0  # 12 chords turn 11 times by 7.5°
    agree(bend_factor(arc), want, rel=1e-6, why="one curve in chords")
