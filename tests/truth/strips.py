"""Bodies with known solutions, as grids for the heat solve. Numbers in SI and °C, lengths in mm."""

import numpy as np
from scipy.optimize import brentq
from scipy.special import erf, erfc

from moldprep.thermal.conduction import FIXED, HeatFlow, Skin
from moldprep.thermal.materials import Medium


def medium(k, rho, c, start_c, *, latent=0.0, melts_c=None, contact=0.0):
    """Return a medium with constant properties that melts, if at all, at one temperature."""
    melt = () if melts_c is None else ((melts_c, 0.0), (melts_c, 1.0))
    return Medium(
        name="m",
        density_kg_m3=rho,
        conductivity_w_mk=((0.0, k), (1.0, k)),
        heat_j_kgk=((0.0, c), (1.0, c)),
        start_c=start_c,
        latent_j_kg=latent,
        melt=melt,
        contact_m2k_w=contact,
    )


def strip(media, n_metal, n_sand, pitch_mm, *, low=None, high=None, **more):
    """Return a line of cells along z, metal first, then sand; each end insulated or held at °C."""
    metal = np.zeros((1, 1, n_metal + n_sand), np.float32)
    metal[..., :n_metal] = 1.0
    outside, film = [0.0] * 6, [0.0] * 6
    for side, held in ((4, low), (5, high)):
        if held is not None:
            outside[side], film[side] = held, FIXED
    skin = Skin(outside_c=tuple(outside), film_w_m2k=tuple(film))
    return HeatFlow(metal, np.ones(metal.shape, np.uint8), media, pitch_mm, skin, **more)


def along(flow):
    """Return the temperatures of a strip."""
    return flow.temperature_c[0, 0]


def frozen_mm(flow, metal, sand_c=None):
    """Return how much of a strip's metal is solid, by its enthalpy: the place of the front."""
    heat = flow.heat_j_mm3
    n = int(flow.cells.metal.sum())
    zero = flow.zero_c
    at_melting = metal.enthalpy_j_mm3(np.array([metal.melt[0][0]]), zero)[0]
    latent = metal.latent_j_kg * metal.density_kg_m3 / 1e9
    liquid = np.clip((heat[2, 2, 2 : 2 + n] - at_melting) / latent, 0.0, 1.0)
    return float((1.0 - liquid).sum()) * flow.pitch_mm


def corner_shares(inside, n, fine=6):
    """Return (n, n, n) shares of metal of a body in one octant; inside(x, y, z) in cells."""
    at = (np.arange(n * fine) + 0.5) / fine
    x, y, z = np.meshgrid(at, at, at, indexing="ij", sparse=True)
    full = np.asarray(inside(x, y, z), np.float32) * np.ones((n * fine,) * 3, np.float32)
    return full.reshape(n, fine, n, fine, n, fine).mean(axis=(1, 3, 5))


def schwarz_lambda(solid, liquid_w_mk, liquid_j_kgk, mold, superheat_k):
    """Return the root of Schwarz's condition for a melt on a mold, both without end.

    St_s / (e^(l²) (erf l + b_s / b_m)) - St_l sqrt(a_l / a_s) / (e^(l² a_s / a_l) erfc(l
    sqrt(a_s / a_l))) = l sqrt(pi), with St over the step to the mold and over the superheat.
    """

    def accumulation(k, rho, c):
        return np.sqrt(k * rho * c)

    k, rho, c = solid.conductivity_w_mk[0][1], solid.density_kg_m3, solid.heat_j_kgk[0][1]
    mold_b = accumulation(mold.conductivity_w_mk[0][1], mold.density_kg_m3, mold.heat_j_kgk[0][1])
    melts = solid.melt[0][0]
    ratio = np.sqrt(k / c / (liquid_w_mk / liquid_j_kgk))
    step = c * (melts - mold.start_c) / solid.latent_j_kg
    over = liquid_j_kgk * superheat_k / solid.latent_j_kg

    def excess(root):
        shell = np.exp(root**2) * (erf(root) + accumulation(k, rho, c) / mold_b)
        melt = ratio * np.exp((root * ratio) ** 2) * erfc(root * ratio)
        return step / shell - over / melt - root * np.sqrt(np.pi)

    return brentq(excess, 1e-9, 5.0, xtol=1e-14)


def neumann_lambda(stefan):
    """Return the root of lambda exp(lambda²) erf(lambda) = St / sqrt(pi), by bisection."""
    low, high = 0.0, 5.0
    for _ in range(80):
        mid = 0.5 * (low + high)
        if mid * np.exp(mid**2) * erf(mid) < stefan / np.sqrt(np.pi):
            low = mid
        else:
            high = mid
    return mid
