"""Laws of the reader: moving, turning, winding, unit and order of facets change no volume."""

import numpy as np
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from moldprep.geometry.meshfile import read_casting
from moldprep.geometry.solid import Solid
from moldprep.units import MM_PER
from tests.helpers import agree
from tests.nastymesh import ascii_stl, job_for, joined, put, turned

SIDE = st.floats(5.0, 60.0)
PLACE = st.floats(-80.0, 80.0)
BOXES = st.lists(st.tuples(PLACE, PLACE, PLACE, SIDE, SIDE, SIDE), min_size=1, max_size=4)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(
    boxes=BOXES,
    angles=st.tuples(*[st.floats(0.0, 90.0)] * 3),
    unit=st.sampled_from(["mm", "cm", "in", "m"]),
    seed=st.integers(0, 10**6),
)
def test_boxes_of_any_place_winding_and_unit_unite(tmp_path_factory, boxes, angles, unit, seed):
    for k in range(3):  # with corners in common and facets at random it could be a pocket, too
        planes = np.sort([end for box in boxes for end in (box[k], box[k] + box[k + 3])])
        assume((np.diff(planes) > 1e-3).all())
    bodies = [
        Solid.box((x, y, z), (x + a, y + b, z + c)).turned(angles) for x, y, z, a, b, c in boxes
    ]
    rng = np.random.default_rng(seed)
    meshes = []
    for body in bodies:
        points, faces = body.mesh()
        faces = faces[rng.permutation(len(faces))]
        meshes.append(turned((points / MM_PER[unit], faces), rng.random(len(faces)) < 0.4))
    path = put(tmp_path_factory.mktemp("law"), "p.stl", ascii_stl(joined(*meshes)))
    casting = read_casting(job_for(path, unit=unit))
    agree(
        casting.solid.volume_mm3, Solid.union(bodies).volume_mm3, rel=1e-6,
        why="ten digits in the file",
    )  # fmt: skip
