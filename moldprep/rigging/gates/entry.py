"""How channels come to the joint: a filter is set into its print from there, and no other way.

A filter that lies a little off the joint is raised or sunk to it. Where its runner lies deep in the
cope, sprue, well and filter stand at the joint and a slope leads up to the runner. Deep in the drag
they stay on the runner's level: from a joint above it the metal would run down, and no channel but
the runner be full when the gates start. There another joint is wanted; the checks say so.
"""

from dataclasses import dataclass

from moldprep.rigging.bodies import FILTER_LIP_MM
from moldprep.rigging.feed.webs import WEB_MM


@dataclass(frozen=True, kw_only=True)
class Entry:
    """Heights of what lies between sprue and runner. [mm]

    floor_mm  : of the well's outlet and the channel to the filter
    filter_mm : of the filter's middle
    slope_mm  : how far along the flow the filter's outlet runs up to the runner
    """

    floor_mm: float
    filter_mm: float
    slope_mm: float = 0.0


def entry_of(floor_mm: float, height_mm: float, filter_mm: float, joint_mm: float) -> Entry:
    """Return where a runner's filter lies, so that it opens at the joint if it can.

    Parameters
    ----------
    floor_mm
        Floor of the runner. [mm]
    height_mm
        Its height. [mm]
    filter_mm
        Edge of the filter, 0 for none. [mm]
    joint_mm
        Height at which the mold opens.

    Notes
    -----
    The filter's free face has to reach the joint, not just its seat: else a skin of sand as thin as
    the seat would be left beside it.
    """
    half = 0.5 * height_mm
    middle, free = floor_mm + half, 0.5 * filter_mm - FILTER_LIP_MM
    over = middle - joint_mm
    lacks = max(abs(over) - free, 0.0)
    if not filter_mm or (over < 0.0 and lacks > free - half):
        return Entry(floor_mm=floor_mm, filter_mm=middle)
    if lacks > free - half:  # the runner would no longer end on the filter's free face
        return Entry(floor_mm=joint_mm, filter_mm=joint_mm + half, slope_mm=floor_mm - joint_mm)
    return Entry(floor_mm=floor_mm, filter_mm=middle - lacks * (1.0 if over > 0.0 else -1.0))


def down_to_joint_mm(floor_mm: float, joint_mm: float) -> float:
    """Return a floor, lowered to the joint where it would leave a skin of sand over that. [mm]"""
    return joint_mm if 0.0 < floor_mm - joint_mm < WEB_MM else floor_mm
