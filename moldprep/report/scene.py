"""A picture off screen in the house's look: parallel view, part frame, z up.

No window is opened and none is needed: same bodies, same pixels, on a desk or on a server.
"""

import ctypes
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyvista as pv
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from moldprep.geometry.solid import Floats, Solid
from moldprep.loading import without

with without(  # charts, of which there are none here, take half a second to load
    "matplotlib.pyplot", "matplotlib.backends.backend_agg"
):
    import pyvista.plotting

WINDOWS: Final = {"libEGL.so.1": "vtkEGLRenderWindow", "libOSMesa.so.8": "vtkOSOpenGLRenderWindow"}
"""Libraries that draw without a screen, and what VTK calls its way to each."""

SIZE: Final = (1120, 800)
PAPER: Final = "#f7f5f0"
INK: Final = "#2b2a27"
STEEL: Final = "#8d97a3"
SAND: Final = "#cdb58c"
HEAT: Final = "inferno"
BAR: Final = {
    "color": INK,
    "n_labels": 4,
    "title_font_size": 20,
    "label_font_size": 18,
    "width": 0.5,
    "height": 0.075,
    "position_x": 0.25,
    "position_y": 0.02,
}
BAR_ROOM: Final = 0.14
"""Share of the height kept free for the bar that explains colors."""

MARGIN: Final = 1.06
MOST_FACETS: Final = 150_000
VIEW: Final = (-1.0, -1.35, 0.8)
"""Direction from the middle toward the eye."""


def can_draw() -> bool:
    """Return whether this machine can draw, and choose a way that needs no screen if it can.

    VTK brings the process down where no library is there to draw with, so it is not asked.
    """
    if "VTK_DEFAULT_OPENGL_WINDOW" in os.environ:
        return True
    for library, window in WINDOWS.items():
        try:
            ctypes.CDLL(library)
        except OSError:
            continue
        os.environ["VTK_DEFAULT_OPENGL_WINDOW"] = window
        return True
    return "DISPLAY" in os.environ


@dataclass(frozen=True, eq=False)
class Field:
    """Numbers on a voxel grid; NaN where there are none. [mm]"""

    values: NDArray[Any]
    pitch_mm: float
    origin_mm: Floats

    def at(self, points: Floats) -> Floats:
        """Return (n,) the value of the nearest cell that has one."""
        cell = np.floor((points - self.origin_mm) / self.pitch_mm).astype(np.int64)
        cell = np.clip(cell, 0, np.array(self.values.shape) - 1)
        found = self.values[tuple(cell.T)].astype(np.float64)
        lost = np.isnan(found)
        if lost.any() and not lost.all():
            known = np.argwhere(np.isfinite(self.values))
            centers = self.origin_mm + (known + 0.5) * self.pitch_mm
            _, row = cKDTree(centers).query(points[lost])
            found[lost] = self.values[tuple(known[row].T)]
        return np.asarray(found)

    def image(self) -> pv.ImageData:
        """Return the grid as cells named `value`."""
        image = pv.ImageData(
            dimensions=np.array(self.values.shape) + 1,
            spacing=(self.pitch_mm,) * 3,
            origin=tuple(self.origin_mm),
        )
        image.cell_data["value"] = self.values.ravel(order="F").astype(np.float32)
        return image


class Scene:
    """Bodies and labels, to be drawn once."""

    def __init__(self) -> None:
        self._has_bar = False
        self.plotter = pv.Plotter(off_screen=True, window_size=list(SIZE))
        self.plotter.set_background(PAPER)
        self.plotter.enable_parallel_projection()

    def body(self, solid: Solid, color: str, *, opacity: float = 1.0, edges: bool = True) -> None:
        """Add a solid in one color, its sharp edges drawn."""
        mesh = surface(solid)
        self.plotter.add_mesh(mesh, color=color, opacity=opacity, specular=0.15, ambient=0.25)
        if edges:
            self._edges(mesh, opacity)

    def painted(self, solid: Solid, field: Field, title: str, *, cut_mm: float) -> None:
        """Add a solid with the values of a field on its surface and a bar that explains them."""
        mesh = surface(fine(solid, cut_mm))
        mesh["value"] = field.at(np.asarray(mesh.points))
        self.plotter.add_mesh(
            mesh,
            scalars="value",
            cmap=HEAT,
            scalar_bar_args=self._bar(title, float(mesh["value"].max())),
            ambient=0.35,
        )
        self._edges(surface(solid), 0.5)

    def grouped(self, solid: Solid, field: Field, colors: Sequence[str]) -> None:
        """Add a solid whose surface takes the color of group 1, 2, … of a field of numbers."""
        mesh = surface(fine(solid, field.pitch_mm))
        group = field.at(np.asarray(mesh.cell_centers().points)).astype(int)
        rgb = np.array([pv.Color(color).int_rgb for color in colors], np.uint8)
        mesh.cell_data["color"] = rgb[(group - 1) % len(rgb)]
        self.plotter.add_mesh(mesh, scalars="color", rgb=True, ambient=0.3)
        self._edges(surface(solid), 0.5)

    def slice(
        self, field: Field, normal: str, at_mm: Sequence[float], title: str, most: float
    ) -> None:
        """Add a plane cut through a field, in colors from 0 to `most`."""
        plane = field.image().threshold(scalars="value").slice(normal, origin=at_mm)
        if plane.n_cells:
            self.plotter.add_mesh(
                plane,
                scalars="value",
                cmap=HEAT,
                clim=(0.0, most),
                scalar_bar_args=self._bar(title, most),
                lighting=False,
            )

    def shells(self, field: Field, levels: Sequence[float], title: str) -> None:
        """Add surfaces of equal value inside the bodies, the outer ones clearer."""
        values = np.nan_to_num(field.values, nan=0.0)
        image = Field(values, field.pitch_mm, field.origin_mm).image().cell_data_to_point_data()
        for k, level in enumerate(levels, start=1):
            shell = image.contour([level], scalars="value")
            if shell.n_cells:
                self.plotter.add_mesh(
                    shell,
                    scalars="value",
                    cmap=HEAT,
                    clim=(0.0, max(levels)),
                    opacity=k / len(levels),
                    scalar_bar_args=self._bar(title, max(levels)),
                )

    def plane(self, bounds: Floats, z_mm: float) -> None:
        """Add a see-through square at a height."""
        (x0, y0, _), (x1, y1, _) = bounds + np.array([[-1], [1]]) * 0.08 * np.ptp(bounds, axis=0)
        square = pv.Rectangle([(x0, y0, z_mm), (x1, y0, z_mm), (x1, y1, z_mm)])
        self.plotter.add_mesh(square, color="#4c7a8c", opacity=0.25)
        self.plotter.add_mesh(square.extract_feature_edges(), color="#4c7a8c", line_width=2)

    def labels(self, names: Sequence[str], places_mm: Floats) -> None:
        """Add names at places, always on top."""
        if names:
            self.plotter.add_point_labels(
                np.asarray(places_mm, np.float64),
                list(names),
                font_size=16,
                text_color=INK,
                shape_color="white",
                shape_opacity=0.75,
                show_points=True,
                point_color=INK,
                point_size=6,
                always_visible=True,
            )

    def write(self, path: Path, view: tuple[float, float, float] = VIEW) -> None:
        """Write the picture as PNG, all of it in view."""
        self.plotter.view_vector(view, viewup=(0.0, 0.0, 1.0))
        self._fit(np.array(view) / np.linalg.norm(view))
        self.plotter.screenshot(str(path))
        self.plotter.close()

    def _fit(self, toward_eye: Floats) -> None:
        """Set the camera so that the corners of everything just fill the picture."""
        extents = np.reshape(self.plotter.bounds, (3, 2))
        corners = np.stack(np.meshgrid(*extents, indexing="ij"), axis=-1).reshape(-1, 3)
        right = np.cross((0.0, 0.0, 1.0), toward_eye)
        right /= np.linalg.norm(right)
        up = np.cross(toward_eye, right)
        across, along = corners @ right, corners @ up
        width, height = np.ptp(across), np.ptp(along)
        camera = self.plotter.camera
        room = BAR_ROOM if self._has_bar else 0.0
        camera.parallel_scale = 0.5 * MARGIN * max(height / (1.0 - room), width * SIZE[1] / SIZE[0])
        middle = extents.mean(axis=1)
        shift = (across.min() + 0.5 * width - middle @ right) * right
        shift += (along.min() + 0.5 * height - middle @ up) * up
        shift -= room * camera.parallel_scale * up
        camera.focal_point = tuple(middle + shift)
        camera.position = tuple(middle + shift + 10.0 * np.linalg.norm(extents) * toward_eye)
        self.plotter.reset_camera_clipping_range()

    def _bar(self, title: str, most: float) -> dict[str, Any]:
        self._has_bar = True
        return {**BAR, "title": title, "fmt": "%.0f" if most >= 100.0 else "%.3g"}

    def _edges(self, mesh: pv.PolyData, opacity: float) -> None:
        edges = mesh.extract_feature_edges(
            35.0, boundary_edges=False, non_manifold_edges=False, manifold_edges=False
        )
        if edges.n_cells:
            self.plotter.add_mesh(edges, color=INK, line_width=1.5, opacity=min(1.0, 2 * opacity))


def surface(solid: Solid) -> pv.PolyData:
    """Return a solid's mesh."""
    points, faces = solid.mesh()
    return pv.PolyData.from_regular_faces(points, faces)


def fine(solid: Solid, longest_mm: float) -> Solid:
    """Return a solid with facets small enough for colors to follow a field, but not too many."""
    affordable_mm = float(np.sqrt(solid.area_mm2 / (0.43 * MOST_FACETS)))  # of even triangles
    return solid.refined(max(longest_mm, affordable_mm))
