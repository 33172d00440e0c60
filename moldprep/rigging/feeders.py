"""Formulas: feeder modulus and size, feed volume, reach, necks, chills, iron's expansion.

Which faces of a feeder cool decides its modulus, so every function asks for it.
"""

import math
from typing import Final, Literal

Sleeve = Literal["none", "insulating", "exothermic"]

MODULUS_GAIN: Final[dict[str, float]] = {"none": 1.0, "insulating": 1.25, "exothermic": 1.40}
"""Thermal over geometric modulus of a feeder in a sleeve [-]; makers quote 1.15 to 1.35 for
insulating and 1.3 to 1.6 for exothermic ones (from memory)."""

EFFICIENCY: Final[dict[str, float]] = {
    "plain": 0.14,
    "hemisphere": 0.20,
    "insulating": 0.30,
    "exothermic": 0.40,
}
"""Share of a feeder's volume that it can give [-]. J. Campbell, Castings: 14 % for a cylinder,
20 % for a hemisphere; sleeves 30 to 67 %, the lower part of that range (from memory)."""

CAINE: Final[dict[str, tuple[float, float, float]]] = {
    "steel": (0.10, 0.03, 1.00),
    "aluminium": (0.10, 0.06, 1.08),
    "copper": (0.04, 0.017, 1.00),
    "grey-iron": (0.33, 0.03, 1.00),
}
"""Constants a, b, c of Caine's curve. P. N. Rao, Manufacturing Technology vol. 1 (from memory)."""

INCH_MM: Final = 25.4
SHORTEST_NECK: Final = 0.2
LONGEST_NECK: Final = 0.5


def feeder_modulus_mm(
    diameter_mm: float,
    height_mm: float,
    *,
    cooled_ends: int = 2,
    is_domed: bool = False,
    gain: float = 1.0,
) -> float:
    """Return the modulus of an upright cylindrical feeder.

    M = gain V / A; for a flat top V = pi D² H / 4 and A = pi D H + n pi D² / 4.

    Parameters
    ----------
    diameter_mm
        Diameter D, > 0. [mm]
    height_mm
        Whole height H, > 0; at least D / 2 where domed. [mm]
    cooled_ends
        How many of the two ends cool, n: 2 for a side feeder, 1 for a top feeder (its foot is on
        the casting) or an insulated top, 0 for both.
    is_domed
        Whether the top is half a ball of the feeder's diameter.
    gain
        Thermal over geometric modulus of a sleeve, >= 1. [-]

    Returns
    -------
    float
        Modulus. [mm]

    Raises
    ------
    ValueError
        If a size is not above zero, a dome is higher than the feeder, or n is not 0, 1 or 2.

    Notes
    -----
    Range: shapes alike (H / D from 0.5 to about 3), thick sand. H = D gives D / 6 with both ends
    cooling and D / 5 with the foot on the casting; say which, or the figure means nothing.

    References
    ----------
    R. Wlodawer, Directional Solidification of Steel Castings, Pergamon 1966 (from memory).

    Examples
    --------
    >>> round(feeder_modulus_mm(60.0, 60.0), 6)
    10.0
    >>> round(feeder_modulus_mm(60.0, 60.0, cooled_ends=1), 6)
    12.0
    """
    if not (diameter_mm > 0.0 and height_mm > 0.0 and gain >= 1.0) or cooled_ends not in (0, 1, 2):
        raise ValueError(
            f"feeder_modulus_mm: {diameter_mm=}, {height_mm=}, {gain=}, {cooled_ends=}"
        )
    volume = feeder_volume_mm3(diameter_mm, height_mm, is_domed=is_domed)
    end = math.pi * diameter_mm**2 / 4.0
    if is_domed:
        side = math.pi * diameter_mm * (height_mm - diameter_mm / 2.0)
        area = side + 2.0 * end * (cooled_ends > 0) + end * (cooled_ends > 1)
    else:
        area = math.pi * diameter_mm * height_mm + cooled_ends * end
    return gain * volume / area


def feeder_diameter_mm(
    modulus_mm: float,
    height_ratio: float,
    *,
    cooled_ends: int = 2,
    is_domed: bool = False,
    gain: float = 1.0,
) -> float:
    """Return the diameter of a cylindrical feeder of a wanted modulus.

    The modulus is proportional to D at a fixed H / D, so D = M / M(D = 1).

    Parameters
    ----------
    modulus_mm
        Wanted modulus, > 0. [mm]
    height_ratio
        H / D, > 0. [-]
    cooled_ends
        As in `feeder_modulus_mm`.
    is_domed
        As in `feeder_modulus_mm`.
    gain
        As in `feeder_modulus_mm`. [-]

    Returns
    -------
    float
        Diameter D. [mm]

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    Range: as `feeder_modulus_mm`.

    References
    ----------
    R. Wlodawer, Directional Solidification of Steel Castings, Pergamon 1966 (from memory).

    Examples
    --------
    >>> round(feeder_diameter_mm(10.0, 1.0), 6)
    60.0
    """
    if not modulus_mm > 0.0:
        raise ValueError(f"feeder_diameter_mm: {modulus_mm=}")
    unit = feeder_modulus_mm(
        1.0, height_ratio, cooled_ends=cooled_ends, is_domed=is_domed, gain=gain
    )
    return modulus_mm / unit


def feeder_volume_mm3(diameter_mm: float, height_mm: float, *, is_domed: bool = False) -> float:
    """Return the volume of a cylindrical feeder.

    pi D² H / 4; with a dome pi D² (H - D / 2) / 4 + pi D³ / 12.

    Parameters
    ----------
    diameter_mm
        Diameter D, > 0. [mm]
    height_mm
        Whole height H, > 0; at least D / 2 where domed. [mm]
    is_domed
        Whether the top is half a ball of the feeder's diameter.

    Returns
    -------
    float
        Volume. [mm³]

    Raises
    ------
    ValueError
        If a size is not above zero, or a dome is higher than the feeder.

    Notes
    -----
    Exact.

    References
    ----------
    Elementary geometry.

    Examples
    --------
    >>> round(feeder_volume_mm3(2.0, 1.0, is_domed=True) / (2.0 / 3.0 * math.pi), 9)
    1.0
    """
    if not (diameter_mm > 0.0 and height_mm > 0.0):
        raise ValueError(f"feeder_volume_mm3: {diameter_mm=}, {height_mm=}")
    if not is_domed:
        return math.pi * diameter_mm**2 * height_mm / 4.0
    if height_mm < diameter_mm / 2.0 - 1e-9 * diameter_mm:
        raise ValueError(f"feeder_volume_mm3: dome higher than the feeder, {height_mm=}")
    straight = height_mm - diameter_mm / 2.0
    return math.pi * diameter_mm**2 * straight / 4.0 + math.pi * diameter_mm**3 / 12.0


def sleeve_time_ratio(gain: float) -> float:
    """Return how many times longer a feeder stays liquid in a sleeve.

    t_sleeved / t_bare = gain², since t = C M².

    Parameters
    ----------
    gain
        Thermal over geometric modulus, >= 1. [-]

    Returns
    -------
    float
        Ratio of freezing times. [-]

    Raises
    ------
    ValueError
        If the gain is below 1.

    Notes
    -----
    Range: the sleeve covers the whole side; a bare top of a small feeder takes much of the gain.

    References
    ----------
    N. Chvorinov, Giesserei 27 (1940) 201-208, for t = C M²; the gain is the usual way sleeves are
    rated (from memory).

    Examples
    --------
    >>> round(sleeve_time_ratio(math.sqrt(2.0)), 9)
    2.0
    """
    if not gain >= 1.0:
        raise ValueError(f"sleeve_time_ratio: {gain=}")
    return gain**2


def feed_demand_pct(
    contraction_pct: float, liquid_pct_per_100k: float, superheat_k: float
) -> float:
    """Return the share of a casting's volume that feeders must make up for.

    contraction on freezing + contraction of the liquid over the superheat. What the solid
    contracts is the pattern's business.

    Parameters
    ----------
    contraction_pct
        Volume change on freezing; negative where the metal expands. [%]
    liquid_pct_per_100k
        Contraction of the liquid over 100 K, >= 0.
    superheat_k
        Pouring temperature above the liquidus, >= 0. [K]

    Returns
    -------
    float
        Demand, never below zero: an expanding iron can ask for nothing, it gives nothing back. [%]

    Raises
    ------
    ValueError
        If the liquid's contraction or the superheat is negative.

    Notes
    -----
    Range: compact castings in rigid molds. For graphitic irons the rule is thin: how much of the
    expansion is of use depends on inoculation, carbon equivalent, modulus and how rigid the mold
    is; a soft mold dilates and then asks for more.

    References
    ----------
    M. P. Groover, Fundamentals of Modern Manufacturing, 3rd ed., Table 10.1, for the three stages
    of contraction (from memory).

    Examples
    --------
    >>> feed_demand_pct(4.0, 3.0, 100.0)
    7.0
    """
    if not (liquid_pct_per_100k >= 0.0 and superheat_k >= 0.0):
        raise ValueError(f"feed_demand_pct: {liquid_pct_per_100k=}, {superheat_k=}")
    return max(0.0, contraction_pct + liquid_pct_per_100k * superheat_k / 100.0)


def feeder_volume_needed_mm3(casting_mm3: float, demand_pct: float, efficiency: float) -> float:
    """Return the smallest feeder that has the feed metal for a casting.

    V_f = a V_c / (e - a): the feeder gives e V_f and must make up for a (V_c + V_f).

    Parameters
    ----------
    casting_mm3
        Volume it feeds, V_c, >= 0. [mm³]
    demand_pct
        Demand a, see `feed_demand_pct`, >= 0. [%]
    efficiency
        Share of its volume the feeder can give, e, above a. [-]

    Returns
    -------
    float
        Feeder volume V_f. [mm³]

    Raises
    ------
    ValueError
        If the efficiency is not above the demand: no feeder of this kind can do it.

    Notes
    -----
    Range: a < e. Near a = e the feeder grows without limit; take a sleeve.

    References
    ----------
    J. Campbell, Castings, Butterworth-Heinemann, chapter on feeding (from memory).

    Examples
    --------
    >>> round(feeder_volume_needed_mm3(1000.0, 3.0, 0.14), 2)
    272.73
    """
    demand = demand_pct / 100.0
    if not (casting_mm3 >= 0.0 and 0.0 <= demand < efficiency <= 1.0):
        raise ValueError(f"feeder_volume_needed_mm3: {casting_mm3=}, {demand_pct=}, {efficiency=}")
    return demand * casting_mm3 / (efficiency - demand)


def caine_freezing_ratio(volume_ratio: float, constants: tuple[float, float, float]) -> float:
    """Return the freezing ratio a feeder of a given volume needs at least, by Caine's curve.

    X = a / (Y - b) + c with X = (A/V) casting / (A/V) feeder and Y = V feeder / V casting.

    Parameters
    ----------
    volume_ratio
        Y, above b. [-]
    constants
        (a, b, c) of the alloy, see `CAINE`.

    Returns
    -------
    float
        X. [-]

    Raises
    ------
    ValueError
        If Y is not above b: the feeder has not the volume, whatever its shape.

    Notes
    -----
    Range: side feeders on compact castings and plates; one feeder; made for steel.

    References
    ----------
    J. B. Caine, Trans. AFS 57 (1949) 66; constants P. N. Rao, Manufacturing Technology vol. 1
    (both from memory).

    Examples
    --------
    >>> round(caine_freezing_ratio(0.53, CAINE["steel"]), 6)
    1.2
    """
    a, b, c = constants
    if not volume_ratio > b:
        raise ValueError(f"caine_freezing_ratio: {volume_ratio=}, must be above {b}")
    return a / (volume_ratio - b) + c


def caine_diameter_mm(
    casting_mm3: float,
    casting_mm2: float,
    height_ratio: float,
    constants: tuple[float, float, float],
) -> float:
    """Return the diameter of a side feeder that lies on Caine's curve, all its faces cooling.

    Parameters
    ----------
    casting_mm3
        Volume of the casting, > 0. [mm³]
    casting_mm2
        Cooled surface of the casting, > 0. [mm²]
    height_ratio
        H / D of the feeder, > 0. [-]
    constants
        (a, b, c) of the alloy, see `CAINE`.

    Returns
    -------
    float
        Diameter D. [mm]

    Raises
    ------
    ValueError
        If an argument is not above zero.

    Notes
    -----
    X grows with D and the curve falls, so there is one crossing; it is found by bisection to
    1e-12 of D. Range: as `caine_freezing_ratio`.

    References
    ----------
    J. B. Caine, Trans. AFS 57 (1949) 66 (from memory).

    Examples
    --------
    >>> round(caine_diameter_mm(250 * 250 * 50.0, 175000.0, 1.0, CAINE["steel"]), 1)
    128.5
    """
    if not (casting_mm3 > 0.0 and casting_mm2 > 0.0 and height_ratio > 0.0):
        raise ValueError(f"caine_diameter_mm: {casting_mm3=}, {casting_mm2=}, {height_ratio=}")

    def spare(diameter: float) -> float:
        ratio = feeder_volume_mm3(diameter, height_ratio * diameter) / casting_mm3
        freezing = casting_mm2 / casting_mm3 * feeder_modulus_mm(diameter, height_ratio * diameter)
        return freezing - caine_freezing_ratio(ratio, constants)

    low = math.cbrt(constants[1] * casting_mm3 / (math.pi / 4.0 * height_ratio))
    low *= 1.0 + 1e-9
    high = 2.0 * low + 12.0 * casting_mm3 / casting_mm2
    while spare(high) < 0.0:
        high *= 2.0
    while high - low > 1e-12 * high:
        middle = 0.5 * (low + high)
        low, high = (low, middle) if spare(middle) > 0.0 else (middle, high)
    return high


def plate_reach_mm(thickness_mm: float, multiple: float, *, chill_gain_mm: float = 0.0) -> float:
    """Return how far a feeder keeps a plate sound, from the feeder's edge.

    L = n T (+ gain of an end chill).

    Parameters
    ----------
    thickness_mm
        Plate thickness T, > 0. [mm]
    multiple
        n, > 0: for steel 4.5 toward a free end (2 from the feeder + 2.5 from the end), 2 toward
        another feeder. [-]
    chill_gain_mm
        What a chill on the end adds, >= 0; for steel 50 (2 in). [mm]

    Returns
    -------
    float
        Reach L. [mm]

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    Range: found on steel plates 13 to 100 mm thick, width over thickness at least 3, green sand.
    Later rules allow about twice the distance for ordinary quality (M. Blair, C. Beckermann and
    others), so going past this limit is a warning; going past twice it is a fault.

    References
    ----------
    W. S. Pellini, Factors which determine riser adequacy and feeding range, Trans. AFS 61 (1953)
    61-80 (from memory); the 2 T feeder zone is repeated by S. Ou and others, 2002.

    Examples
    --------
    >>> plate_reach_mm(50.0, 4.5)
    225.0
    """
    if not (thickness_mm > 0.0 and multiple > 0.0 and chill_gain_mm >= 0.0):
        raise ValueError(f"plate_reach_mm: {thickness_mm=}, {multiple=}, {chill_gain_mm=}")
    return multiple * thickness_mm + chill_gain_mm


def bar_reach_mm(thickness_mm: float, *, has_end_chill: bool = False) -> float:
    """Return how far a feeder keeps a square steel bar sound toward its free end.

    L = 6 sqrt(T), both in inches; with a chill on the end 6 sqrt(T) + T.

    Parameters
    ----------
    thickness_mm
        Side of the bar T, > 0. [mm]
    has_end_chill
        Whether the far end is chilled.

    Returns
    -------
    float
        Reach L. [mm]

    Raises
    ------
    ValueError
        If the thickness is not above zero.

    Notes
    -----
    Range: found on steel bars 50 to 200 mm square. Not dimensionless: it must be worked in inches.

    References
    ----------
    H. F. Bishop, E. T. Myskowski, W. S. Pellini, Trans. AFS 59 (1951) 171-180 (from memory).

    Examples
    --------
    >>> round(bar_reach_mm(50.8) / 25.4, 3)
    8.485
    """
    if not thickness_mm > 0.0:
        raise ValueError(f"bar_reach_mm: {thickness_mm=}")
    inches = thickness_mm / INCH_MM
    return (6.0 * math.sqrt(inches) + (inches if has_end_chill else 0.0)) * INCH_MM


def modulus_chain_mm(
    section_mm: float, neck_factor: float, feeder_factor: float
) -> tuple[float, float]:
    """Return the moduli that neck and feeder need so that section, neck and feeder freeze in turn.

    Steel: section : neck : feeder = 1 : 1.1 : 1.2.

    Parameters
    ----------
    section_mm
        Modulus of the section, > 0. [mm]
    neck_factor
        Neck over section, > 0; below 1 for irons, whose neck may close once expansion begins. [-]
    feeder_factor
        Feeder over section, > 0. [-]

    Returns
    -------
    tuple[float, float]
        Moduli of neck and feeder. [mm]

    Raises
    ------
    ValueError
        If an argument is not above zero.

    Notes
    -----
    Range: a neck counted as a long bar. A short neck is kept hot from both ends and may be
    thinner; the heat solve tells by how much.

    References
    ----------
    R. Wlodawer, Directional Solidification of Steel Castings, Pergamon 1966 (from memory).

    Examples
    --------
    >>> [round(m, 3) for m in modulus_chain_mm(10.0, 1.1, 1.2)]
    [11.0, 12.0]
    """
    if not (section_mm > 0.0 and neck_factor > 0.0 and feeder_factor > 0.0):
        raise ValueError(f"modulus_chain_mm: {section_mm=}, {neck_factor=}, {feeder_factor=}")
    return section_mm * neck_factor, section_mm * feeder_factor


def neck_modulus_mm(width_mm: float, height_mm: float) -> float:
    """Return the modulus of a rectangular neck counted as a long bar.

    M = b h / (2 (b + h)).

    Parameters
    ----------
    width_mm
        Width b, > 0. [mm]
    height_mm
        Height h, > 0. [mm]

    Returns
    -------
    float
        Modulus. [mm]

    Raises
    ------
    ValueError
        If a size is not above zero.

    Notes
    -----
    Range: length at least about the smaller side; a shorter neck stays hot longer than this says.

    References
    ----------
    N. Chvorinov, Giesserei 27 (1940) 201-208, for the modulus.

    Examples
    --------
    >>> neck_modulus_mm(40.0, 40.0)
    10.0
    """
    if not (width_mm > 0.0 and height_mm > 0.0):
        raise ValueError(f"neck_modulus_mm: {width_mm=}, {height_mm=}")
    return width_mm * height_mm / (2.0 * (width_mm + height_mm))


def side_neck_mm(feeder_diameter_mm: float, length_mm: float) -> float:
    """Return the diameter of a round neck of a side feeder.

    D_n = L_n + 0.2 D, with L_n at most D / 2.

    Parameters
    ----------
    feeder_diameter_mm
        Feeder diameter D, > 0. [mm]
    length_mm
        Neck length L_n, from 0 to D / 2. [mm]

    Returns
    -------
    float
        Neck diameter D_n. [mm]

    Raises
    ------
    ValueError
        If the neck is longer than half the feeder's diameter, or a size is negative.

    Notes
    -----
    Range: "general" form of the rule; plates and bars have forms of their own.

    References
    ----------
    AFS rule as given by P. N. Rao, Manufacturing Technology vol. 1 (from memory).

    Examples
    --------
    >>> side_neck_mm(100.0, 50.0)
    70.0
    """
    if not (feeder_diameter_mm > 0.0 and 0.0 <= length_mm <= LONGEST_NECK * feeder_diameter_mm):
        raise ValueError(f"side_neck_mm: {feeder_diameter_mm=}, {length_mm=}")
    return length_mm + 0.2 * feeder_diameter_mm


def chilled_modulus_mm(
    volume_mm3: float, cooled_mm2: float, chilled_mm2: float, counts_as: float = 2.5
) -> float:
    """Return the modulus of a section with a chill against part of its surface.

    M = V / (A + (f - 1) A_chill): a chilled face counts f times.

    Parameters
    ----------
    volume_mm3
        Volume V, > 0. [mm³]
    cooled_mm2
        Cooled surface A, chilled part included, > 0. [mm²]
    chilled_mm2
        Chilled part of it, from 0 to A. [mm²]
    counts_as
        f, from 1 to 4; 2 to 3 is usual for a bare iron chill. [-]

    Returns
    -------
    float
        Modulus. [mm]

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    Range: chill thickness 0.5 to 1 times the section's; a thinner one is full of heat too early.
    Chills must be dry and warm: damp ones make steam under liquid metal.

    References
    ----------
    R. Wlodawer, Directional Solidification of Steel Castings, Pergamon 1966 (from memory).

    Examples
    --------
    >>> chilled_modulus_mm(1000.0, 100.0, 50.0, 3.0)
    5.0
    """
    if not (volume_mm3 > 0.0 and 0.0 <= chilled_mm2 <= cooled_mm2 and 1.0 <= counts_as <= 4.0):
        raise ValueError(
            f"chilled_modulus_mm: {volume_mm3=}, {cooled_mm2=}, {chilled_mm2=}, {counts_as=}"
        )
    return volume_mm3 / (cooled_mm2 + (counts_as - 1.0) * chilled_mm2)


def efficiency_of(diameter_mm: float, height_mm: float, sleeve: Sleeve) -> float:
    """Return the share of its volume a feeder can give.

    Parameters
    ----------
    diameter_mm
        Diameter, > 0. [mm]
    height_mm
        Height, > 0; up to half the diameter it counts as a hemisphere. [mm]
    sleeve
        Kind of sleeve.

    Returns
    -------
    float
        Efficiency. [-]

    Raises
    ------
    ValueError
        If a size is not above zero.

    Notes
    -----
    Range: feeders about as high as 1 to 1.5 times their diameter, with air let in at the top; a
    feeder that is sealed by its own skin gives less. Values: see `EFFICIENCY`.

    References
    ----------
    J. Campbell, Castings, Butterworth-Heinemann, chapter on feeding (from memory).

    Examples
    --------
    >>> efficiency_of(50.0, 75.0, "none"), efficiency_of(50.0, 75.0, "insulating")
    (0.14, 0.3)
    """
    if not (diameter_mm > 0.0 and height_mm > 0.0):
        raise ValueError(f"efficiency_of: {diameter_mm=}, {height_mm=}")
    if sleeve != "none":
        return EFFICIENCY[sleeve]
    return EFFICIENCY["hemisphere" if height_mm <= diameter_mm / 2.0 else "plain"]
