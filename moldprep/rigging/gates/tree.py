"""A balanced tree of runners: where castings lie round one sprue, and which runner feeds which.

Frame of the tree: the sprue at the origin, `u` along the runners that carry gates, `v` toward the
castings that are turned half round. Castings lie on both sides of such a runner and face it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from moldprep.geometry.solid import Floats

LARGEST_CLUSTER: Final = 4
"""Castings round one pair of runners; more hang on trunks that halve the flow each time."""


@dataclass(frozen=True, kw_only=True)
class Seat:
    """One casting: its gates' middle at (u, v = 0); turned ones lie at positive v."""

    u_mm: float
    v_mm: float
    is_turned: bool


@dataclass(frozen=True, kw_only=True)
class Arm:
    """One straight runner of the tree, from a branching point.

    start      : (2,) branching point; `heading` (2,) unit vector of flow
    length_mm  : to the next branching point, 0 where it ends at its gates
    share      : of the whole flow
    parent     : number of the arm it branches from, -1 at the sprue
    seats      : numbers of the castings it gates
    weight     : its section over what its share asks for: narrow arms lose more on the way
    """

    start: Floats
    heading: Floats
    length_mm: float
    share: float
    parent: int
    seats: tuple[int, ...]
    weight: float = 1.0


@dataclass(frozen=True, kw_only=True)
class Tree:
    """All castings and arms; (half extents) of the ground it covers."""

    seats: tuple[Seat, ...]
    arms: tuple[Arm, ...]
    half_mm: tuple[float, float]


@dataclass(frozen=True, kw_only=True)
class Spacing:
    """What the tree must leave room for. [mm]

    to_first_mm : from the branching point to the middle of the first casting's gates
    pitch_mm    : castings side by side, middle to middle
    depth_mm    : from the runner's middle to the far end of a casting
    gap_mm      : between clusters, wide enough for a trunk
    lead_mm     : from the sprue to where a trunk may branch: past its filter
    """

    to_first_mm: float
    pitch_mm: float
    depth_mm: float
    gap_mm: float
    lead_mm: float = 0.0


def balanced_tree(count: int, spacing: Spacing) -> Tree:
    """Return places and runners for `count` castings round one sprue.

    Parameters
    ----------
    count
        How many castings.
    spacing
        What room they need.

    Notes
    -----
    Powers of two branch evenly: every gate then has the same way from the sprue, or one that is
    mirrored. Other counts leave places of the next power of two empty.
    """
    if count <= LARGEST_CLUSTER:
        return _cluster(count, spacing)
    return _halved(count, spacing, spacing.lead_mm)


def _cluster(count: int, spacing: Spacing) -> Tree:
    """Return up to four castings on one or two arms."""
    u = max(spacing.to_first_mm, 0.5 * spacing.pitch_mm if count > 2 else 0.0)
    order = [(u, False), (u, True), (-u, False), (-u, True)][:count]
    seats = tuple(Seat(u_mm=at, v_mm=0.0, is_turned=turned) for at, turned in order)
    arms = []
    for sign in (1.0, -1.0):
        mine = tuple(k for k, seat in enumerate(seats) if seat.u_mm * sign > 0.0)
        if mine:
            arms.append(
                Arm(start=np.zeros(2), heading=np.array([sign, 0.0]), length_mm=0.0,
                    share=len(mine) / count, parent=-1, seats=mine)
            )  # fmt: skip
    return Tree(
        seats=seats, arms=tuple(arms), half_mm=(u + 0.5 * spacing.pitch_mm, spacing.depth_mm)
    )


def _halved(count: int, spacing: Spacing, least_mm: float = 0.0) -> Tree:
    """Return two smaller trees joined by two trunks, each at least so long."""
    halves = (_subtree((count + 1) // 2, spacing), _subtree(count // 2, spacing))
    half_u, half_v = (max(tree.half_mm[k] for tree in halves) for k in (0, 1))
    is_across = half_v <= half_u  # put the halves along the shorter extent
    axis = np.array([0.0, 1.0]) if is_across else np.array([1.0, 0.0])
    apart = max((half_v if is_across else half_u) + 0.5 * spacing.gap_mm, least_mm)
    seats: list[Seat] = []
    arms: list[Arm] = []
    for tree, sign in zip(halves, (1.0, -1.0), strict=True):
        trunk = len(arms)
        arms.append(
            Arm(start=np.zeros(2), heading=sign * axis, length_mm=apart,
                share=len(tree.seats) / count, parent=-1, seats=())
        )  # fmt: skip
        arms += [_moved(arm, sign * apart * axis, trunk, len(seats), len(tree.seats) / count)
                 for arm in tree.arms]  # fmt: skip
        seats += [
            replace(seat, u_mm=seat.u_mm + sign * apart * axis[0],
                    v_mm=seat.v_mm + sign * apart * axis[1])
            for seat in tree.seats
        ]  # fmt: skip
    wide = (half_u, half_v + apart) if is_across else (half_u + apart, half_v)
    return Tree(seats=tuple(seats), arms=tuple(arms), half_mm=wide)


def _subtree(count: int, spacing: Spacing) -> Tree:
    """Return a tree whose middle a trunk can reach: its columns stand apart."""
    wide = replace(
        spacing, to_first_mm=max(spacing.to_first_mm, 0.5 * (spacing.pitch_mm + spacing.gap_mm))
    )
    return _cluster(count, wide) if count <= LARGEST_CLUSTER else _halved(count, wide)


def _moved(arm: Arm, by: Floats, trunk: int, first_seat: int, share: float) -> Arm:
    """Return an arm of a half within the whole tree."""
    parent = trunk if arm.parent < 0 else arm.parent + trunk + 1
    return replace(
        arm, start=arm.start + by, share=arm.share * share, parent=parent,
        seats=tuple(k + first_seat for k in arm.seats),
    )  # fmt: skip


def weighted(tree: Tree, weights: Sequence[float]) -> Tree:
    """Return the tree with a weight for each of its arms, none for all as they are."""
    if not weights:
        return tree
    pairs = zip(tree.arms, weights, strict=True)
    return replace(tree, arms=tuple(replace(arm, weight=weight) for arm, weight in pairs))


def is_even(count: int) -> bool:
    """Return whether so many castings branch evenly."""
    return count & (count - 1) == 0


def seat_names(seats: Sequence[Seat]) -> list[str]:
    """Return `casting`, or `casting-1`… where there are several."""
    return ["casting"] if len(seats) == 1 else [f"casting-{k + 1}" for k in range(len(seats))]
