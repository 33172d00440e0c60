"""Tables of allowances: machining stock by grade, draft by height, and the shrink rules."""

from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike

from moldprep.geometry.solid import Floats
from moldprep.units import MM_PER

RMA_LARGEST_MM: Final = (
    40.0, 63.0, 100.0, 160.0, 250.0, 400.0, 630.0, 1000.0, 1600.0, 2500.0, 4000.0, 6300.0, 10000.0,
)  # fmt: skip
"""Upper end of each row: the largest overall dimension. [mm]"""

RMA_MM: Final = {
    "A": (0.1, 0.1, 0.2, 0.3, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.1),
    "B": (0.1, 0.2, 0.3, 0.4, 0.5, 0.7, 0.8, 0.9, 1.0, 1.1, 1.3, 1.4, 1.5),
    "C": (0.2, 0.3, 0.4, 0.5, 0.7, 0.9, 1.1, 1.2, 1.4, 1.6, 1.8, 2.0, 2.2),
    "D": (0.3, 0.3, 0.5, 0.8, 1.0, 1.3, 1.5, 1.8, 2.0, 2.2, 2.5, 2.8, 3.0),
    "E": (0.4, 0.4, 0.7, 1.1, 1.4, 1.8, 2.2, 2.5, 2.8, 3.2, 3.5, 4.0, 4.5),
    "F": (0.5, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 4.5, 5.0, 5.5, 6.0),
    "G": (0.5, 0.7, 1.4, 2.2, 2.8, 3.5, 4.0, 5.0, 5.5, 6.0, 7.0, 8.0, 9.0),
    "H": (0.7, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 11.0, 12.0),
    "J": (1.0, 1.4, 2.8, 4.0, 5.5, 7.0, 9.0, 10.0, 11.0, 13.0, 14.0, 16.0, 17.0),
    "K": (1.4, 2.0, 4.0, 6.0, 8.0, 10.0, 12.0, 14.0, 16.0, 18.0, 20.0, 22.0, 24.0),
}
"""Required machining allowance of each surface by grade. [mm]"""

DRAFT_UP_TO_MM: Final = tuple(MM_PER["in"] * inch for inch in (1.0, 2.0, 4.0, 8.0, 32.0))
"""Upper end of each row: the height of the face; the last row also serves higher faces. [mm]"""

DRAFT_DEG: Final = {
    ("wood", "outer"): (3.0, 1.5, 1.0, 0.75, 0.5),
    ("wood", "inner"): (3.0, 2.5, 1.5, 1.0, 1.0),
    ("metal", "outer"): (1.5, 1.0, 0.75, 0.5, 0.5),
    ("metal", "inner"): (3.0, 2.0, 1.0, 1.0, 0.75),
}
"""Draft by height, pattern material and kind of face. [deg]"""

ShrinkRule = Literal["on-casting", "on-pattern"]


def shrink_factor(shrink_pct: float, rule: ShrinkRule = "on-casting") -> float:
    """Return the length of the pattern over that of the casting.

    on-casting: 1 + s, the allowance is mm per m of casting.
    on-pattern: 1 / (1 - s), the shrinkage is a share of the pattern (the shrink rule).

    Parameters
    ----------
    shrink_pct
        Linear allowance s, 0 to below 100. [%]
    rule
        What s is a share of.

    Returns
    -------
    float
        Pattern length over casting length. [-]

    Raises
    ------
    ValueError
        If the allowance is out of range.

    Notes
    -----
    Holds for free contraction; a casting held back by stiff cores shrinks less. The two rules
    differ by s²: 0.04 % of length at 2 %.

    References
    ----------
    M. P. Groover, Fundamentals of Modern Manufacturing, 4th ed., ch. 10 (shrink rule).

    Examples
    --------
    >>> shrink_factor(1.0)
    1.01
    >>> round(12.0 * (shrink_factor(2.1, "on-pattern") - 1.0), 4)
    0.2574
    """
    share = shrink_pct / 100.0
    if not 0.0 <= share < 1.0:
        raise ValueError(f"shrink_factor: {shrink_pct=}")
    return 1.0 + share if rule == "on-casting" else 1.0 / (1.0 - share)


def machining_allowance_mm(grade: str, largest_mm: float) -> float:
    """Return the required machining allowance of one surface.

    Parameters
    ----------
    grade
        RMA grade A to K (there is no I).
    largest_mm
        Largest overall dimension of the machined casting, above 0, at most 10 m. [mm]

    Returns
    -------
    float
        Stock to be left on the surface. [mm]

    Raises
    ------
    ValueError
        If the grade is unknown or the size outside the table.

    Notes
    -----
    One figure serves all surfaces of a casting. More is needed on cope faces.

    References
    ----------
    ISO 8062-3:2007, table of required machining allowances (RMA), from memory; column G agrees
    with published stock per face (RMA G + half of the DCTG 11 tolerance, rounded up).

    Examples
    --------
    >>> machining_allowance_mm("G", 250.0)
    2.8
    """
    if grade not in RMA_MM or not 0.0 < largest_mm <= RMA_LARGEST_MM[-1]:
        raise ValueError(f"machining_allowance_mm: {grade=}, {largest_mm=}")
    return RMA_MM[grade][int(np.searchsorted(RMA_LARGEST_MM, largest_mm))]


def draft_for_height_deg(
    height_mm: ArrayLike, is_inner: ArrayLike, material: Literal["wood", "metal"]
) -> Floats:
    """Return the draft of faces of some height on a drawn pattern.

    Parameters
    ----------
    height_mm
        Extent of the face along the pull, 0 or more. [mm]
    is_inner
        Whether it is the face of a hole or pocket.
    material
        What the pattern is made of.

    Returns
    -------
    NDArray
        Draft, in the shape of the arguments together. [deg]

    Raises
    ------
    ValueError
        If a height is negative or not a number.

    Notes
    -----
    For patterns drawn from sand, to 32 in (813 mm); higher faces take the last row. A printed
    mold needs none.

    References
    ----------
    NPTEL, Manufacturing Processes I, Metal Casting, Lecture 4, Table 2.

    Examples
    --------
    >>> draft_for_height_deg([20.0, 80.0], [False, True], "metal").tolist()
    [1.5, 1.0]
    """
    height, inner = np.broadcast_arrays(
        np.asarray(height_mm, np.float64), np.asarray(is_inner, np.bool_)
    )
    if not (height >= 0.0).all():
        raise ValueError(f"draft_for_height_deg: {height_mm=}")
    row = np.minimum(np.searchsorted(DRAFT_UP_TO_MM, height), len(DRAFT_UP_TO_MM) - 1)
    outer_deg = np.asarray(DRAFT_DEG[material, "outer"])[row]
    return np.asarray(np.where(inner, np.asarray(DRAFT_DEG[material, "inner"])[row], outer_deg))
