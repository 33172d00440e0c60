"""Formulas: modulus, freezing time, and the mold constant from properties.

For a metal that freezes at one temperature in a thick mold, conduction in the sand alone decides:
lambda = (T_f - T_0) rho c / (rho_m L'), and beta = (V/A) / sqrt(alpha t) is 2 lambda / sqrt(pi)
for a plate, lambda (2 / sqrt(pi) + 1 / (4 beta)) for a long cylinder and
lambda (2 / sqrt(pi) + 1 / (3 beta)) for a sphere. So C = 1 / (alpha beta²) is not one number:
a round body freezes sooner than a plate of the same modulus, because the sand around it widens.
"""

import math
from typing import Final

from moldprep.units import MM2_PER_M2

CURVATURE: Final = {"plate": 0.0, "bar": 0.25, "chunky": 1.0 / 3.0}
"""Weight of 1 / beta: plate, long cylinder, sphere."""


def modulus_mm(volume_mm3: float, cooled_area_mm2: float) -> float:
    """Return volume over cooled area.

    Parameters
    ----------
    volume_mm3
        Volume of the body or section, > 0. [mm³]
    cooled_area_mm2
        Its surface toward sand; faces toward other sections or a sleeve do not count, > 0. [mm²]

    Returns
    -------
    float
        Modulus M. [mm]

    Raises
    ------
    ValueError
        If an argument is not above zero.

    Notes
    -----
    M = V / A. Holds for any shape; what it says about time holds for shapes alike.

    References
    ----------
    N. Chvorinov, Giesserei 27 (1940) 177-186, 201-208, 222-225.

    Examples
    --------
    A plate 100 x 100 x 40 mm:

    >>> round(modulus_mm(400e3, 36e3), 2)
    11.11
    """
    if not (volume_mm3 > 0.0 and cooled_area_mm2 > 0.0):
        raise ValueError(f"modulus_mm: {volume_mm3=}, {cooled_area_mm2=}")
    return volume_mm3 / cooled_area_mm2


def freezing_time_s(modulus_mm: float, constant_s_mm2: float) -> float:
    """Return the time a body takes to freeze in a sand mold.

    Parameters
    ----------
    modulus_mm
        Volume over cooled area, > 0. [mm]
    constant_s_mm2
        Mold constant C of this metal in this sand, for bodies of this shape, > 0. [s/mm²]

    Returns
    -------
    float
        Time from a full mold to fully solid. [s]

    Raises
    ------
    ValueError
        If an argument is not above zero.

    Notes
    -----
    t = C M². Holds while the sand is thick against the depth the heat reaches. Not for chills,
    metal molds or sharp inner corners; those need `thermal.conduction`.

    References
    ----------
    N. Chvorinov, Giesserei 27 (1940) 201-208.

    Examples
    --------
    A 60 mm cube (M = 60 / 6 = 10 mm) with C = 2 s/mm²:

    >>> freezing_time_s(10.0, 2.0)
    200.0
    """
    if not (modulus_mm > 0.0 and constant_s_mm2 > 0.0):
        raise ValueError(f"freezing_time_s: {modulus_mm=}, {constant_s_mm2=}")
    return constant_s_mm2 * modulus_mm**2


def acts_at_c(solidus_c: float, liquidus_c: float) -> float:
    """Return the one temperature an alloy with a freezing range acts as if it froze at.

    Parameters
    ----------
    solidus_c, liquidus_c
        Ends of the freezing range, solidus_c <= liquidus_c. [°C]

    Returns
    -------
    float
        Temperature for Chvorinov's rule. [°C]

    Raises
    ------
    ValueError
        If the liquidus lies under the solidus.

    Notes
    -----
    T_s + (T_l - T_s) / 5. For heat that leaves through sand; a chill draws it too fast for that.

    References
    ----------
    C. M. Adams, Sc.D. thesis, MIT 1953, abstract.

    Examples
    --------
    >>> acts_at_c(1400.0, 1500.0)
    1420.0
    """
    if liquidus_c < solidus_c:
        raise ValueError(f"acts_at_c: {solidus_c=}, {liquidus_c=}")
    return solidus_c + (liquidus_c - solidus_c) / 5.0


def sand_number(step_k: float, sand_j_m3k: float, freezing_j_m3: float) -> float:
    """Return lambda, what the sand can take over what the metal must give.

    Parameters
    ----------
    step_k
        Freezing temperature less the sand's, T_f - T_0, > 0. [K]
    sand_j_m3k
        Heat capacity of the sand by volume, rho c, > 0. [J/(m³K)]
    freezing_j_m3
        Latent heat (with superheat, if any) by volume of metal, rho_m L', > 0. [J/m³]

    Returns
    -------
    float
        lambda. [-]

    Raises
    ------
    ValueError
        If an argument is not above zero.

    Notes
    -----
    lambda = (T_f - T_0) rho c / (rho_m L'). One freezing temperature, see `acts_at_c`.

    References
    ----------
    A. Ghosh, A. K. Mallik, Manufacturing Science, example 2.5, p. 66.

    Examples
    --------
    >>> round(sand_number(1512.0, 1600 * 1170.0, 7850 * 272e3), 4)
    1.3256
    """
    if not (step_k > 0.0 and sand_j_m3k > 0.0 and freezing_j_m3 > 0.0):
        raise ValueError(f"sand_number: {step_k=}, {sand_j_m3k=}, {freezing_j_m3=}")
    return step_k * sand_j_m3k / freezing_j_m3


def shape_beta(sand_number: float, shape: str) -> float:
    """Return beta = (V/A) / sqrt(alpha t) of a body frozen through in sand.

    Parameters
    ----------
    sand_number
        lambda of metal and sand, > 0. [-]
    shape
        "plate", "bar" (as a long cylinder) or "chunky" (as a sphere).

    Returns
    -------
    float
        beta. [-]

    Raises
    ------
    ValueError
        If lambda is not above zero or the shape is unknown.

    Notes
    -----
    beta = lambda (2 / sqrt(pi) + w / beta) with w = 0, 1/4, 1/3. Holds for a metal much better
    conducting than the sand, the surface at T_f throughout; a sphere is exact, a cylinder is good
    to some percent where the heat reaches far into the sand (large 1 / beta).

    References
    ----------
    C. M. Adams, H. F. Taylor, AFS Trans. 65 (1957) 170; A. Ghosh, A. K. Mallik, Manufacturing
    Science, ch. 2 (formula from memory).

    Examples
    --------
    >>> [round(shape_beta(1.32562, shape), 4) for shape in ("plate", "bar")]
    [1.4958, 1.6917]
    """
    if not (sand_number > 0.0 and shape in CURVATURE):
        raise ValueError(f"shape_beta: {sand_number=}, {shape=}")
    flat = sand_number / math.sqrt(math.pi)  # half of lambda 2 / sqrt(pi)
    return flat + math.sqrt(flat**2 + sand_number * CURVATURE[shape])


def constant_s_mm2(sand_number: float, sand_mm2_s: float, shape: str) -> float:
    """Return the mold constant from properties.

    Parameters
    ----------
    sand_number
        lambda of metal and sand, > 0. [-]
    sand_mm2_s
        Diffusivity of the sand, k / (rho c), > 0. [mm²/s]
    shape
        "plate", "bar" (as a long cylinder) or "chunky" (as a sphere).

    Returns
    -------
    float
        Mold constant C. [s/mm²]

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    C = 1 / (alpha beta²). For a plate that is (pi/4) (rho_m L' / (T_f - T_0))² / (k rho c).
    Holds as `shape_beta` does.

    References
    ----------
    M. C. Flemings, Solidification Processing, McGraw-Hill 1974, ch. 1 (from memory).

    Examples
    --------
    Aluminium without superheat in silica sand (k 0.6 W/mK, 1500 kg/m³, 1100 J/kgK):

    >>> number = sand_number(635.0, 1500 * 1100.0, 2550 * 396e3)
    >>> round(constant_s_mm2(number, 0.6 / 1.65, "plate"), 3)
    2.006
    """
    if not sand_mm2_s > 0.0:
        raise ValueError(f"constant_s_mm2: {sand_mm2_s=}")
    return 1.0 / (sand_mm2_s * shape_beta(sand_number, shape) ** 2)


def shape_ratio(sand_number: float, shape: str) -> float:
    """Return C of a shape over C of a plate, same metal and sand.

    Parameters
    ----------
    sand_number
        lambda of metal and sand, > 0. [-]
    shape
        "plate", "bar" or "chunky".

    Returns
    -------
    float
        Ratio, at most 1. [-]

    Raises
    ------
    ValueError
        If lambda is not above zero or the shape is unknown.

    Notes
    -----
    (beta_plate / beta_shape)². Holds as `shape_beta` does.

    References
    ----------
    As `shape_beta`; iron in sand gives 1.611 : 1.260 : 1.179 min/cm².

    Examples
    --------
    >>> [round(1.611 * shape_ratio(1.32562, shape), 2) for shape in ("plate", "bar", "chunky")]
    [1.61, 1.26, 1.18]
    """
    return (shape_beta(sand_number, "plate") / shape_beta(sand_number, shape)) ** 2


def heat_storage(conductivity_w_mk: float, sand_j_m3k: float) -> float:
    """Return k rho c of a sand, which C goes by inversely.

    Parameters
    ----------
    conductivity_w_mk
        k, > 0. [W/(mK)]
    sand_j_m3k
        rho c, > 0. [J/(m³K)]

    Returns
    -------
    float
        k rho c over 10^6. [W²s/(mm⁴K²)]

    Raises
    ------
    ValueError
        If an argument is not above zero.

    Notes
    -----
    The square of the heat accumulation b. Valid where C is: flat surface, thick sand.

    References
    ----------
    P. Jelínek, T. Elbel, Arch. Foundry Eng. 10(4) (2010) 77-82 (abstract): k of x = k sqrt(t) goes
    with b.

    Examples
    --------
    >>> round(heat_storage(0.6, 1500 * 1100.0), 2)
    0.99
    """
    if not (conductivity_w_mk > 0.0 and sand_j_m3k > 0.0):
        raise ValueError(f"heat_storage: {conductivity_w_mk=}, {sand_j_m3k=}")
    return conductivity_w_mk * sand_j_m3k / MM2_PER_M2
