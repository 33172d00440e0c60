"""The heat solve without latent heat, against the classical solutions.

H. S. Carslaw, J. C. Jaeger, Conduction of Heat in Solids, 2nd ed., Oxford 1959; F. P. Incropera,
D. P. DeWitt, Fundamentals of Heat and Mass Transfer, ch. 5 and table 5.1. The figures are the full
series, evaluated apart from moldprep (formulas from memory).
"""

from dataclasses import replace

import numpy as np
import pytest

from moldprep.thermal.conduction import FIXED, HeatFlow, Skin
from tests.helpers import agree
from tests.truth.strips import along, corner_shares, medium, strip

BODY = medium(1.0, 1000.0, 1000.0, 100.0)  # diffusivity 1 mm²/s
BATH = medium(1.0, 1000.0, 1000.0, 0.0)


def held_cube(n, fourier, **more):
    """Return the flow of an octant of a cube of half side 10 mm, faces held at 0."""
    shape = (n, n, n)
    skin = Skin(outside_c=(0.0,) * 6, film_w_m2k=(0.0, FIXED) * 3)
    flow = HeatFlow(
        np.ones(shape, np.float32), np.ones(shape, np.uint8), (BODY, BATH), 10.0 / n, skin, **more
    )
    flow.run(fourier * 100.0)
    return flow


@pytest.mark.parametrize(("fourier", "theta"), [(0.1, 0.949305), (0.2, 0.772312)])
def test_plate_center_with_faces_held(fourier, theta):
    flow = strip((BODY, BATH), 40, 0, 0.25, high=0.0)
    flow.run(fourier * 100.0)
    center = 1.125 * along(flow)[0] - 0.125 * along(flow)[1]  # even parabola to the middle
    agree(center / 100.0, theta, rel=2e-3, why="second order, 40 cells; steps of 2 % of the time")


@pytest.mark.parametrize(("fourier", "theta"), [(0.1, 0.855496), (0.2, 0.460657)])
def test_cube_center_with_faces_held(fourier, theta):
    flow = held_cube(20, fourier)
    near = flow.temperature_c
    center = near[0, 0, 0] + 3 * 0.125 * (near[0, 0, 0] - near[0, 0, 1])
    agree(center / 100.0, theta, rel=5e-3, why="second order, 20 cells to the face")


def test_error_falls_with_the_square_of_the_pitch():
    """Slab, sine start, faces held at zero: exp(-a (pi/L)² t) sin(pi x/L). Carslaw & Jaeger."""
    length, until = 20.0, 20.0
    errors = []
    for n in (10, 20, 40):
        pitch = length / n
        x = (np.arange(n) + 0.5) * pitch
        skin = Skin(outside_c=(0.0,) * 6, film_w_m2k=(0.0,) * 4 + (FIXED, FIXED))
        shape = (1, 1, n)
        flow = HeatFlow.from_temperature(
            100.0 * np.sin(np.pi * x / length),
            np.ones(shape, np.float32), np.ones(shape, np.uint8), (BODY, BATH), pitch, skin, 0.0,
        )  # fmt: skip
        flow.run(until)
        exact = 100.0 * np.exp(-((np.pi / length) ** 2) * until) * np.sin(np.pi * x / length)
        errors.append(np.sqrt(np.mean((along(flow) - exact) ** 2)))
    order = np.log2(np.divide(errors[:-1], errors[1:]))
    assert (np.abs(order - 2.0) < 0.2).all(), (order, errors)


@pytest.mark.parametrize(
    ("kind", "fourier", "theta", "rel"),
    [
        ("cylinder", 0.1, 0.848355, 0.005),
        ("cylinder", 0.2, 0.501487, 0.015),
        ("sphere", 0.1, 0.707100, 0.01),
        ("sphere", 0.2, 0.277078, 0.025),
    ],
)
def test_round_body_center_with_its_surface_held(kind, fourier, theta, rel):
    """Full series; the surface cuts through the cells, a bath without resistance holds it."""
    n, radius = 27, 18.0
    dims = {"cylinder": 2, "sphere": 3}[kind]
    shares = corner_shares(lambda *xyz: sum(a**2 for a in xyz[-dims:]) < radius**2, n)
    shares = shares[(slice(0, 1),) * (3 - dims)]
    bath = medium(3e3, 1e6, 1e4, 0.0)
    flow = HeatFlow(
        shares, np.ones(shares.shape, np.uint8), (BODY, bath), 10.0 / radius, Skin(), 0.005
    )
    flow.run(fourier * 100.0)
    inner = flow.temperature_c[0, 0]
    center = inner[0] + dims * 0.125 * (inner[0] - inner[1])
    agree(center / 100.0, theta, rel=rel, why="cut cells; both are 1 % of the time late")


@pytest.mark.parametrize(
    ("biot", "zeta", "factor"),
    [(0.1, 0.3111, 1.0161), (1.0, 0.8603, 1.1191), (10.0, 1.4289, 1.262)],
)
@pytest.mark.parametrize("fourier", [0.5, 1.0])
def test_plate_center_behind_a_film_by_the_one_term_table(biot, zeta, factor, fourier):
    """theta = C1 exp(-zeta1² Fo), from Fo 0.2 on; Incropera & DeWitt, table 5.1."""
    shape = (1, 1, 40)
    film = biot * 1.0 / 0.010  # k 1 W/mK, half thickness 10 mm
    skin = Skin(outside_c=(0.0,) * 6, film_w_m2k=(0.0,) * 5 + (film,))
    flow = HeatFlow(
        np.ones(shape, np.float32), np.ones(shape, np.uint8), (BODY, BATH), 0.25, skin, 0.005
    )
    flow.run(fourier * 100.0)
    center = 1.125 * along(flow)[0] - 0.125 * along(flow)[1]
    agree(center / 100.0, factor * np.exp(-(zeta**2) * fourier), rel=2e-3, why="four figures of it")


@pytest.mark.parametrize(
    ("x_mm", "t_s", "temperature_c"),
    [(5.0, 60.0, 310.18), (10.0, 300.0, 341.486), (50.0, 3600.0, 233.588)],
)
def test_sand_behind_a_hot_face(x_mm, t_s, temperature_c):
    """T = T_s + (T_i - T_s) erf(x / 2 sqrt(at)); Incropera ch. 5. Sand 0.6, 1500, 1100."""
    sand = medium(0.6, 1500.0, 1100.0, 25.0)
    metal = medium(30.0, 7000.0, 700.0, 25.0)
    pitch = min(0.1 * x_mm, 1.5)
    flow = strip((metal, sand), 0, 200, pitch, low=660.0)
    flow.run(t_s)
    x = (np.arange(200) + 0.5) * pitch
    agree(np.interp(x_mm, x, along(flow)), temperature_c, rel=2e-3, why="33 to 10 cells to there")


@pytest.mark.parametrize(
    ("t_s", "q_j_m2"), [(60.0, 5_522_330.0), (300.0, 12_348_300.0), (3600.0, 42_775_700.0)]
)
def test_heat_into_sand_behind_a_hot_face(t_s, q_j_m2):
    """Q = 2 k dT sqrt(t / (pi a)); Incropera ch. 5."""
    sand = medium(0.6, 1500.0, 1100.0, 25.0)
    pitch = 0.05 * np.sqrt(t_s / 3.0)  # some 27 cells to where the sand is hardly warmed
    flow = strip((medium(30.0, 7000.0, 700.0, 25.0), sand), 0, 200, pitch, low=660.0)
    flow.run(t_s)
    stored = (along(flow) - 25.0).sum() * pitch * 1e-3 * 1500.0 * 1100.0
    agree(stored, q_j_m2, rel=2e-3, why="steps of 2 % of the time")


@pytest.mark.parametrize(
    ("kind", "theta"), [("plate", 0.772526), ("cylinder", 0.548586), ("sphere", 0.370777)]
)
def test_center_behind_a_film(kind, theta):
    """Bi = 1, Fo = 0.5, on half thickness or radius. The film is the contact to a vast bath."""
    n, radius = 18, 12.0
    dims = {"plate": 1, "cylinder": 2, "sphere": 3}[kind]
    shares = corner_shares(lambda *xyz: sum(a**2 for a in xyz[-dims:]) < radius**2, n)
    shares = shares[(slice(0, 1),) * (3 - dims)]
    pitch = 10.0 / radius
    bath = medium(3e3, 1e6, 1e4, 0.0, contact=0.01)  # Bi = radius / (k contact) = 1
    skin = Skin()
    flow = HeatFlow(shares, np.ones(shares.shape, np.uint8), (BODY, bath), pitch, skin, 0.005)
    flow.run(50.0)
    inner = flow.temperature_c[0, 0]
    center = inner[0] + dims * 0.125 * (inner[0] - inner[1])
    agree(center / 100.0, theta, rel=0.03, why="cut cells at Bi 1")


def test_lumped_cooling():
    """theta = exp(-h A t / (rho c V)) = 0.317934; V/A 10 mm, h 500, rho 2380, c 1100, 60 s."""
    body = medium(900.0, 2380.0, 1100.0, 100.0)  # Bi = 0.0056
    shape = (6, 6, 6)
    skin = Skin(outside_c=(0.0,) * 6, film_w_m2k=(500.0,) * 6)
    flow = HeatFlow(np.ones(shape, np.float32), np.ones(shape, np.uint8), (body, BATH), 10.0, skin)
    flow.run(60.0)
    agree(flow.temperature_c.mean() / 100.0, 0.317934, rel=0.01, why="Bi 0.006; steps of 2 %")


def test_properties_that_rise_with_temperature():
    """k = rho c = 1 + T/2 under a unit flux: T = 2 (sqrt(1 + theta) - 1).

    theta = 2 sqrt(t / pi) exp(-x² / 4t) - x erfc(x / 2 sqrt t); A. Segal, N. Praagman, Int. J.
    Numer. Meth. Eng. 23 (1986), with the sign as the Kirchhoff transform gives it. One unit of T
    is taken as 100 K here, of length as 1 mm, of time as 1 s.
    """
    ramp = ((0.0, 1.0), (400.0, 3.0))
    sand = replace(
        medium(1.0, 1000.0, 1000.0, 0.0),
        conductivity_w_mk=ramp,
        heat_j_kgk=tuple((t, 1000.0 * v) for t, v in ramp),
    )
    shape = (1, 1, 200)
    film, far = 0.01, 1e7  # 0.1 W/mm² whatever the face's temperature
    skin = Skin(outside_c=(0.0,) * 4 + (far, 0.0), film_w_m2k=(0.0,) * 4 + (film, 0.0))
    flow = HeatFlow(np.zeros(shape, np.float32), np.ones(shape, np.uint8), (BATH, sand), 0.04, skin)
    flow.run(1.0)
    x = (np.arange(200) + 0.5) * 0.04
    agree(np.interp(1.0, x, along(flow)) / 100.0, 0.365825, rel=0.01, why="H(T) in straight pieces")
    face = along(flow)[0] + 0.5 * (along(flow)[0] - along(flow)[1])
    agree(face / 100.0, 0.917793, rel=0.01, why="H(T) in straight pieces; 0.04 cells")
