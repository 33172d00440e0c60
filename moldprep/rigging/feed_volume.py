"""Formulas: how much feed metal a casting asks for, and how large the feeder that has it."""

import math
from typing import Final

from moldprep.rigging.feeders import Sleeve, feeder_modulus_mm, feeder_volume_mm3

EFFICIENCY: Final[dict[str, float]] = {
    "plain": 0.14,
    "hemisphere": 0.20,
    "insulating": 0.30,
    "exothermic": 0.40,
}
"""Share of a feeder's volume that it can give [-]. J. Campbell, Castings: 14 % for a cylinder,
20 % for a hemisphere; sleeves 30 to 67 %, the lower part of that range (from memory)."""

PIPE_KEPT: Final = 0.8
"""How far down to its neck a feeder's pipe may go: a fifth is kept in reserve (common practice, no
source)."""

CAINE: Final[dict[str, tuple[float, float, float]]] = {
    "steel": (0.10, 0.03, 1.00),
    "aluminium": (0.10, 0.06, 1.08),
    "copper": (0.04, 0.017, 1.00),
    "grey-iron": (0.33, 0.03, 1.00),
}
"""Constants a, b, c of Caine's curve. P. N. Rao, Manufacturing Technology vol. 1 (from memory)."""


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


def pipe_share(need_mm3: float, feeder_mm3: float, demand_pct: float, efficiency: float) -> float:
    """Return how far down a feeder's pipe goes, over the way from its top to its neck.

    S = (N + a V_f) / (e V_f): what it gives and what it shrinks by itself, over what it has when
    its pipe reaches the neck.

    Parameters
    ----------
    need_mm3
        Feed metal it gives to others, N, >= 0. [mm³]
    feeder_mm3
        Its own volume, V_f, > 0. [mm³]
    demand_pct
        Demand a, see `feed_demand_pct`, >= 0. [%]
    efficiency
        Share of its volume it has given when the pipe reaches the neck, e, see `efficiency_of`. [-]

    Returns
    -------
    float
        Depth of the pipe, 1 at the neck; above 1 the pipe goes on into the casting. [-]

    Notes
    -----
    At 1 this is the volume rule itself, `feeder_volume_needed_mm3`. Below 1 the depth is taken
    straight in between, which is on the safe side: the first metal is drawn from the whole width
    of the feeder and the last from what its skin leaves open, so that the pipe deepens fastest
    at the end. A cone on the full width would be too kind: it holds a third of a cylinder, and a
    plain feeder has given 14 % when its pipe is at the neck.

    Range: feeders the efficiency holds for, about as high as 1 to 1.5 times their diameter, with
    air let in at the top, that stay liquid as long as what they feed.

    References
    ----------
    J. Campbell, Castings, Butterworth-Heinemann, chapter on feeding (from memory), for the
    efficiency; the straight line in between: common practice, no source.

    Examples
    --------
    >>> round(pipe_share(164.0, 2085.0, 4.3, 0.14), 2)
    0.87
    """
    if not (need_mm3 >= 0.0 and feeder_mm3 > 0.0 and demand_pct >= 0.0 and efficiency > 0.0):
        raise ValueError(f"pipe_share: {need_mm3=}, {feeder_mm3=}, {demand_pct=}, {efficiency=}")
    return (need_mm3 / feeder_mm3 + demand_pct / 100.0) / efficiency


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
