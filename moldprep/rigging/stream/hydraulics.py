"""Hydraulics: heads and flows in a network of channels. Bernoulli with losses, steady.

Heads in mm of the metal, flows in mm³/s. A link loses head as

    h = minor Q|Q| + linear Q + sum over its pieces of 4 f (l / D) v|v| / 2g

The network is solved for all heads and flows at once by Newton steps on flows and heads together
(the global gradient method); flow is conserved at every node by construction.
"""

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from moldprep.errors import StageError
from moldprep.geometry.solid import Floats, Ints
from moldprep.units import G_M_S2, MM_PER_M

G_MM_S2: Final = G_M_S2 * MM_PER_M

ENTRANCE_SHARP: Final = 0.45
"""Entrance loss from a wide pool (A. Ghosh, A. K. Mallik, Manufacturing Science, ex. 2.2)."""

ENTRANCE_ROUND: Final = 0.1
"""The same with a rounded edge (from memory; fluid mechanics texts give 0.04 to 0.2)."""

TURN_SQUARE: Final = 1.1
"""Loss of a square 90° bend (fluid mechanics texts, from memory: 1.1 to 1.3)."""

TURN_CURVED: Final = 0.25
"""Loss of a 90° bend of R / D from 2 to 3 (fluid mechanics texts, from memory: 0.2 to 0.3)."""

SLOPE_FLOOR: Final = 1e-6
"""Least slope of head on flow in a Newton step; the loss itself is not touched. [s/mm²]"""


def no_pieces() -> Floats:
    """Return friction pieces of a link that has none: (0, 3)."""
    return np.empty((0, 3))


@dataclass(frozen=True, eq=False)
class Link:
    """A way from node `a` to node `b`.

    minor  : quadratic loss: sum of K / (2 g A²) [s²/mm⁵]
    linear : linear loss [s/mm²]
    pieces : (n, 3): length, hydraulic diameter [mm] and area [mm²] of each piece with friction
    """

    a: int
    b: int
    minor: float = 0.0
    linear: float = 0.0
    pieces: Floats = field(default_factory=no_pieces)


@dataclass(frozen=True, eq=False)
class Solution:
    """Heads of all nodes [mm] and flows of all links, a to b [mm³/s].

    imbalance : largest |in - out| of a free node, over the whole flow
    """

    heads_mm: Floats
    flows_mm3_s: Floats
    imbalance: float


def minor_loss(k: float, area_mm2: float) -> float:
    """Return K / (2 g A²): head lost per flow squared. [s²/mm⁵]

    Parameters
    ----------
    k
        Loss factor on v² / 2g, >= 0. [-]
    area_mm2
        Area the velocity v is taken at, > 0. [mm²]

    References
    ----------
    R. B. Bird, W. E. Stewart, E. N. Lightfoot, Transport Phenomena, 2nd ed., section 7.5.

    Examples
    --------
    A gate of 100 mm² that loses one velocity head at 198.06 cm³/s loses 200 mm:

    >>> round(minor_loss(1.0, 100.0) * 198057.0**2, 1)
    200.0
    """
    if not (k >= 0.0 and area_mm2 > 0.0):
        raise ValueError(f"minor_loss: {k=}, {area_mm2=}")
    return k / (2.0 * G_MM_S2 * area_mm2**2)


def expansion_factor(small_mm2: float, large_mm2: float) -> float:
    """Return the loss factor of a sudden expansion, on the velocity in the small section. [-]

    K = (1 - A1 / A2)**2; into a wide pool (inf) K = 1.

    References
    ----------
    R. B. Bird, W. E. Stewart, E. N. Lightfoot, Transport Phenomena, 2nd ed., example 7.6-1
    (Borda-Carnot).

    Examples
    --------
    >>> expansion_factor(100.0, 200.0), expansion_factor(100.0, float("inf"))
    (0.25, 1.0)
    """
    if not small_mm2 > 0.0:
        raise ValueError(f"expansion_factor: {small_mm2=}, {large_mm2=}")
    return max(0.0, 1.0 - small_mm2 / large_mm2) ** 2


def contraction_factor(large_mm2: float, small_mm2: float) -> float:
    """Return the loss factor of a sudden contraction, on the velocity in the small section. [-]

    K = (1 / c - 1)**2 with c = 0.62 + 0.38 (A2 / A1)**3; a gradual taper, taken in many steps,
    loses nothing.

    References
    ----------
    J. Weisbach's coefficients of contraction, as fitted in V. L. Streeter, E. B. Wylie, Fluid
    Mechanics (from memory).

    Examples
    --------
    >>> round(contraction_factor(float("inf"), 100.0), 3)
    0.376
    """
    if not small_mm2 > 0.0:
        raise ValueError(f"contraction_factor: {large_mm2=}, {small_mm2=}")
    share = min(1.0, small_mm2 / large_mm2)
    return (1.0 / (0.62 + 0.38 * share**3) - 1.0) ** 2


def reynolds(
    speed_m_s: float, diameter_mm: float, density_kg_m3: float, viscosity_pa_s: float
) -> float:
    """Return the Reynolds number of a channel.

    Re = ρ v D / μ.

    Parameters
    ----------
    speed_m_s
        Mean speed, >= 0. [m/s]
    diameter_mm
        Diameter, or hydraulic diameter 4 A / perimeter, > 0. [mm]
    density_kg_m3
        Density of the liquid, > 0. [kg/m³]
    viscosity_pa_s
        Dynamic viscosity, > 0. [Pa s]

    Returns
    -------
    float
        Reynolds number. [-]

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    Laminar below about 2000; 2000 to 20 000 is tolerated in gating.

    References
    ----------
    S. Kalpakjian and S. Schmid, Manufacturing Engineering and Technology, gating chapter
    (from memory).

    Examples
    --------
    >>> round(reynolds(2.0, 10.0, 2500.0, 0.002))
    25000
    """
    if not (speed_m_s >= 0.0 and diameter_mm > 0.0 and density_kg_m3 > 0.0 and viscosity_pa_s > 0):
        raise ValueError(f"reynolds: {speed_m_s=}, {diameter_mm=}, {viscosity_pa_s=}")
    return density_kg_m3 * speed_m_s * diameter_mm / MM_PER_M / viscosity_pa_s


def friction_factor(reynolds: Floats) -> Floats:
    """Return the Fanning friction factor of smooth channels. [-]

    f = 16 / Re to Re 2000, 0.0791 Re**-0.25 from Re 4000, straight between.

    Notes
    -----
    Smooth walls, Re up to 1e5. Printed sand is rougher: the real loss is somewhat larger.

    References
    ----------
    R. B. Bird, W. E. Stewart, E. N. Lightfoot, Transport Phenomena, 2nd ed., eq. 6.2-11, 6.2-12;
    used for sprues in A. Ghosh, A. K. Mallik, Manufacturing Science, ex. 2.2.

    Examples
    --------
    >>> friction_factor(np.array([1000.0, 1e4])).round(5).tolist()
    [0.016, 0.00791]
    """
    re = np.maximum(reynolds, 1e-9)
    laminar, turbulent = 16.0 / re, 0.0791 * re**-0.25
    low, high = 16.0 / 2000.0, 0.0791 * 4000.0**-0.25
    between = low + (high - low) * (re - 2000.0) / 2000.0
    result: Floats = np.where(re < 2000.0, laminar, np.where(re > 4000.0, turbulent, between))
    return result


def solve_network(
    links: list[Link],
    n_nodes: int,
    fixed_mm: dict[int, float],
    viscosity_mm2_s: float,
    rounds: int = 200,
) -> Solution:
    """Return heads and flows of a network.

    Parameters
    ----------
    links
        The ways; each must lose head (minor, linear or friction).
    n_nodes
        Number of nodes; every node needs a way to one with a fixed head.
    fixed_mm
        Heads that are given, by node. [mm]
    viscosity_mm2_s
        Kinematic viscosity; 0 leaves friction out. [mm²/s]
    rounds
        Newton steps at most.

    Raises
    ------
    StageError
        flow/not-converged.

    References
    ----------
    E. Todini, S. Pilati, A gradient algorithm for the analysis of pipe networks, in: Computer
    Applications in Water Supply, vol. 1, Research Studies Press (1988) 1-20.
    """
    start = np.array([link.a for link in links])
    end = np.array([link.b for link in links])
    free = np.array([k for k in range(n_nodes) if k not in fixed_mm], dtype=np.int64)
    heads = np.zeros(n_nodes)
    heads[list(fixed_mm)] = list(fixed_mm.values())
    spread = max(float(np.ptp(list(fixed_mm.values()))), 1e-6)
    friction = _Friction(links, viscosity_mm2_s)
    incidence = np.zeros((len(links), n_nodes))
    incidence[np.arange(len(links)), start] += 1.0
    incidence[np.arange(len(links)), end] -= 1.0
    flows = friction.first_guess(spread)
    inner, given = incidence[:, free], incidence @ heads
    for _ in range(rounds):
        lost, slope = friction.losses(flows)
        base = flows - lost / slope
        if len(free):
            matrix = inner.T @ (inner / slope[:, None])
            heads[free] = np.linalg.solve(matrix, -inner.T @ (base + given / slope))
        new = base + (incidence @ heads) / slope
        step = np.abs(new - flows).max()
        flows = new
        if step <= 1e-10 * max(np.abs(flows).max(), 1e-3):
            break
    else:
        raise StageError(
            f"flow in the gating did not settle in {rounds} rounds",
            code="flow/not-converged",
            fix="look for a channel of nearly no section, or a runner that leads to itself",
        )
    whole = max(float(np.abs(flows).max()), 1e-30)
    miss = np.abs(inner.T @ flows).max() / whole if len(free) else 0.0
    return Solution(heads, flows, float(miss))


class _Friction:
    """Head losses of all links at once, and their slope."""

    def __init__(self, links: list[Link], viscosity_mm2_s: float) -> None:
        self._minor = np.array([link.minor for link in links])
        self._linear = np.array([link.linear for link in links])
        counts = [len(link.pieces) for link in links]
        self._row: Ints = np.repeat(np.arange(len(links)), counts)
        pieces = np.concatenate([link.pieces for link in links]) if links else no_pieces()
        self._length, self._diameter, self._area = pieces.T
        self._nu = viscosity_mm2_s

    def first_guess(self, head_mm: float) -> Floats:
        """Return flows that would spend the whole head on each link alone."""
        loss = np.maximum(self._minor + self._quadratic(np.full(len(self._minor), 1e5)), 1e-14)
        result: Floats = np.sqrt(head_mm / loss)
        return result

    def losses(self, flows: Floats) -> tuple[Floats, Floats]:
        """Return (head lost [mm], its slope on the flow [s/mm²])."""
        quadratic = self._minor + self._quadratic(flows)
        lost = quadratic * flows * np.abs(flows) + self._linear * flows
        slope = 2.0 * quadratic * np.abs(flows) + self._linear
        return lost, np.maximum(slope, SLOPE_FLOOR)

    def _quadratic(self, flows: Floats) -> Floats:
        if self._nu <= 0.0 or not len(self._row):
            return np.zeros(len(self._minor))
        speed = np.abs(flows)[self._row] / self._area
        factor = friction_factor(speed * self._diameter / self._nu)
        loss = 4.0 * factor * self._length / self._diameter / (2.0 * G_MM_S2 * self._area**2)
        summed = np.bincount(self._row, weights=loss, minlength=len(self._minor))
        return np.asarray(summed, np.float64)
