"""A balanced tree of channels: one casting with its runner, or several round one sprue."""

from dataclasses import replace

import numpy as np
from shapely.geometry.base import BaseGeometry

from moldprep.geometry.solid import Floats
from moldprep.records import Alloy
from moldprep.records.plan import IngatePlan, Placement
from moldprep.rigging.gates.sides import SIDE_DEG
from moldprep.rigging.gates.tree import (
    Arm,
    Seat,
    Spacing,
    Tree,
    balanced_tree,
    seat_names,
    weighted,
)
from moldprep.rigging.layout import (
    FARTHEST_MM,
    GATE_COST_MM,
    OPENING_RESERVE,
    RIDGE_MM,
    Channels,
    Draft,
    Layout,
    Task,
    channels_for,
    moved,
)
from moldprep.tolerances import OVERLAP_MM


def lay_out(task: Task, alloy: Alloy) -> tuple[float, Layout] | None:
    """Return (cost, the whole gating for all castings), or None if it finds no room.

    Parameters
    ----------
    task
        What is to be laid out.
    alloy
        For the filter.
    """
    arms = 1 if task.count <= 2 else 2
    channels = channels_for(task, alloy, arms)
    best: tuple[float, Layout] | None = None
    for flip in (False, True):
        for extra in np.arange(0.0, FARTHEST_MM, 10.0):
            one = _TreeDraft(task, channels, flip, float(extra))
            layout = one.layout()
            if layout is not None:
                cost = one.ground_mm2(layout) + GATE_COST_MM * (float(extra) + task.side.score)
                if best is None or cost < best[0] - abs(best[0]) * 1e-3:
                    best = (cost, layout)
                break
    return best


class _TreeDraft(Draft):
    """One attempt at a balanced tree: direction of flow and distance from the casting given."""

    def __init__(self, task: Task, channels: Channels, flip: bool, extra_mm: float) -> None:
        side = task.side
        way = side.way
        super().__init__(task, channels, -way.along if flip else way.along, way.out)
        self.count = task.count
        places = np.array([gate.along_mm for gate in side.gates]) * (-1.0 if flip else 1.0)
        self.middle = 0.5 * float(places.max() + places.min())
        self.offsets = places - self.middle
        self.width = channels.runner_width_mm
        self.stagger_mm = self._stagger()
        walls = max(gate.wall_mm for gate in side.gates)
        self.runner_v = (
            walls + self.shop.channel_wall_mm + self._face_half(self.width) + 1.0 + extra_mm
        )
        self.tree = weighted(self._tree(task.spacing_mm), task.weights)

    def _stagger(self) -> float:
        """Return how far apart along a runner gates to its two sides stand.

        They face each other where half the runner's width passes what a gate does; else they
        stand side by side, each over the whole width, and none of one casting's gates comes to
        stand on one of the other's.
        """
        gate = self.side.gates[0]
        leaf_mm2 = self.sizes.runner_mm2 * min(1.0, 2.0 / self.count)
        leaf = leaf_mm2 / self.channels.runner_height_mm
        opening = (self._face_half(leaf) - 0.5 * RIDGE_MM) * gate.width_mm
        need = min(gate.width_mm * (gate.height_mm - gate.notch_mm), leaf_mm2)
        is_wide_enough = opening >= 0.999 * OPENING_RESERVE * need
        if self.count == 1 or is_wide_enough:
            return 0.0
        return stagger_mm(self.offsets, gate.widest_mm + RIDGE_MM)

    def _seat_u(self, seat: Seat) -> float:
        """Return where along the runner the middle of a casting's gates lies."""
        return seat.u_mm + (-0.5 if seat.is_turned else 0.5) * self.stagger_mm

    def _tree(self, spacing_mm: float) -> Tree:
        """Return the tree with room for castings, channels and filters."""
        corners = _corner_points(self.room.whole)
        extent = float(np.ptp(corners @ self.u))
        nearest = self.offsets.min() - 0.5 * self.side.gates[0].width_mm
        trunk = max(self.width * 2.0, self.channels.filter_mm) + 2.0 * self.shop.channel_wall_mm
        return balanced_tree(
            self.count,
            Spacing(
                to_first_mm=self.channels.lead_mm - nearest + 0.5 * self.stagger_mm,
                pitch_mm=extent + spacing_mm,
                depth_mm=self.runner_v - float((corners @ self.v).min()),
                gap_mm=max(spacing_mm, trunk),
                lead_mm=self.channels.lead_mm + 0.5 * self.width,
            ),
        )

    def layout(self) -> Layout | None:
        """Return the layout; a single casting stays where it is."""
        found = super().layout()
        if found is None or self.count > 1:
            return found
        place = found.placements[0]
        home = moved(found, -np.array(place.move_mm))
        return replace(home, placements=(Placement(name=place.name),))

    def _placements(self) -> tuple[Placement, ...]:
        """Return where each casting lies, gates facing their runner."""
        names = seat_names(self.tree.seats)
        places = []
        for seat, name in zip(self.tree.seats, names, strict=True):
            sign = -1.0 if seat.is_turned else 1.0
            local = self.middle * self.u + self.runner_v * self.v
            at = self._seat_u(seat) * self.u + seat.v_mm * self.v - sign * local
            turn = 180.0 if seat.is_turned else 0.0
            places.append(Placement(name=name, move_mm=(*at, 0.0), turn_deg=turn))
        return tuple(places)

    def _n_gates(self, seat: int) -> int:
        return len(self.offsets)

    def _end_mm(self, arm: Arm) -> float:
        """Return where an arm ends: past its last gate, or just past the next branching."""
        if not arm.seats:
            after = max(self._arm_width(a) for a in self.tree.arms if not np.allclose(a.start, 0.0))
            return arm.length_mm + 0.6 * after
        half = 0.5 * self.side.gates[0].width_mm
        seats = [self._seat_u(self.tree.seats[k]) for k in arm.seats]
        reach = max(abs(u - float(arm.start[0])) for u in seats) + float(np.abs(self.offsets).max())
        return reach + half + self.channels.extension_mm

    def _ingates(self, placements: tuple[Placement, ...]) -> tuple[IngatePlan, ...]:
        """Return every ingate, straight from its runner to the wall."""
        gates: list[IngatePlan] = []
        for arm in self.tree.arms:
            face_half = self._face_half(self._arm_width(arm))
            for k in arm.seats:
                seat = self.tree.seats[k]
                sign = -1.0 if seat.is_turned else 1.0
                is_alone = len(arm.seats) == 1 or self.stagger_mm > 0.0
                start_v = sign * face_half if is_alone else -sign * 0.5 * RIDGE_MM
                for gate, offset in zip(self.side.gates, self.offsets, strict=True):
                    u = self._seat_u(seat) + sign * float(offset)
                    wall_v = sign * (gate.wall_mm - self.runner_v - OVERLAP_MM)
                    z = self.side.level_mm - (0.0 if self.side.gates_above else gate.height_mm)
                    ends = [u * self.u + (seat.v_mm + v) * self.v for v in (start_v, wall_v)]
                    into = placements[k].name if gate.into == "casting" else gate.into
                    gates.append(
                        IngatePlan(
                            name=f"ingate-{len(gates) + 1}",
                            path_mm=tuple((float(p[0]), float(p[1]), z) for p in ends),
                            width_mm=gate.width_mm, height_mm=gate.height_mm, into=into,
                            side_deg=SIDE_DEG if self.side.gates_above else -SIDE_DEG,
                            notch_mm=gate.notch_mm,
                        )
                    )  # fmt: skip
        return tuple(gates)


def stagger_mm(offsets_mm: Floats, apart_mm: float) -> float:
    """Return the least shift along a runner that keeps gates to its two sides apart. [mm]

    The far casting is the near one turned about: its gates stand at the negative offsets.
    """
    facing = (offsets_mm[:, None] + offsets_mm[None, :]).ravel()
    tries = np.sort(apart_mm - facing)
    clear = (np.abs(facing[None, :] + tries[:, None]) >= apart_mm - 1e-9).all(axis=1)
    return float(tries[clear & (tries >= apart_mm - 1e-9)][0])


def _corner_points(outline: BaseGeometry) -> Floats:
    """Return (n, 2) corners of an outline's hull."""
    return np.asarray(outline.convex_hull.exterior.coords)[:, :2]
