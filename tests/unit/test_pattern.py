"""Allowances on real shapes: fillets, ribs, bores, labels; what must not tear does not."""

import numpy as np
import pytest

from moldprep.errors import JobError
from moldprep.geometry.crossing import untangled
from moldprep.geometry.draft import drafted
from moldprep.geometry.faces import Surface
from moldprep.geometry.reshape import run_through
from moldprep.geometry.solid import Solid
from moldprep.pattern import measure_draft
from moldprep.records import Body, Role
from moldprep.records.job import DraftKeys, FaceSelector, StockKeys
from tests.castings import patterned
from tests.helpers import agree

BOX = Solid.box((0, 0, 0), (100, 60, 40))
TOP = FaceSelector(toward=(0, 0, 1))


def rounded_box(size, radius, segments=32):
    """A box with all edges and corners rounded."""
    ball = Solid.sphere(radius, segments).mesh()[0]
    corners = [
        ball + np.where(at, np.array(size) - radius, radius)
        for at in np.ndindex(2, 2, 2)
    ]  # fmt: skip
    return Solid.hull_of(np.vstack(corners))


def ribbed_hub(segments=96):
    """A flange with a hub, six ribs that run into it without fillets, and a bore."""
    body = Solid.cone(80, 80, 12, segments) + Solid.cone(30, 30, 60, segments)
    for k in range(6):
        rib = Solid.box((20, -4, 6), (70, 4, 50))
        body = body + rib.turned((0, 0, 60.0 * k))
    return body - Solid.cone(18, 18, 60, segments)


def lean_deg(surface):
    return np.degrees(np.arcsin(np.clip(surface.normals[:, 2], -1.0, 1.0)))


def test_nothing_asked_changes_nothing():
    pattern = patterned(BOX, shrink_pct=0.0)
    np.testing.assert_array_equal(pattern.solid.mesh()[0], BOX.mesh()[0])
    assert (pattern.stock_mm3, pattern.draft_mm3) == (0.0, 0.0)
    assert not pattern.is_machined.any()
    (fact,) = pattern.draft
    assert (fact.group, fact.smallest_deg, fact.asked_deg) == ("outer cope", 0.0, 0.0)


@pytest.mark.parametrize("z_mm", [0.0, 15.0, 40.0])
def test_the_parting_plane_keeps_its_height(z_mm):
    pattern = patterned(BOX.moved((0, 0, 100)), z_mm=z_mm, shrink_pct=2.0)
    below_and_above = pattern.solid.bounds[:, 2] - (100.0 + z_mm)
    np.testing.assert_allclose(below_and_above, (-1.02 * z_mm, 1.02 * (40.0 - z_mm)), atol=1e-9)


def test_volumes_add_up():
    stock = (StockKeys(faces=TOP, mm=3.0),)
    pattern = patterned(BOX, shrink_pct=1.0, stock=stock, draft=DraftKeys(deg=1.0))
    whole = 1.01**3 * BOX.volume_mm3 + pattern.stock_mm3 + pattern.draft_mm3
    agree(pattern.solid.volume_mm3, whole, rel=1e-12, why="that is how they are defined")


def test_shrink_follows_the_models_axes_when_the_pull_is_oblique():
    """A bar along model x, poured standing at 45 degrees: only its own length grows."""
    bar = Solid.box((0, 0, 0), (200, 20, 20))
    pattern = patterned(bar, pull=(1, 0, 1), shrink_pct=(2.0, 0.0, 0.0))
    agree(pattern.solid.volume_mm3, 1.02 * bar.volume_mm3, rel=1e-9, why="one axis grew")
    points = pattern.solid.mesh()[0]
    longest = max(np.linalg.norm(points - point, axis=1).max() for point in points)
    agree(longest, np.sqrt(204.0**2 + 2 * 20.0**2), rel=1e-9, why="its diagonal")


def test_rigging_in_the_model_grows_alike():
    gate = Body(name="ingate-1", role=Role.INGATE, solid=Solid.box((100, 0, 0), (120, 10, 10)))
    pattern = patterned(BOX, extra=(gate,), shrink_pct=2.0)
    (grown,) = pattern.extra
    agree(grown.solid.bounds[:, 0], (102.0, 122.4), rel=1e-12, why="about the same origin")


def test_labels_stay_with_their_faces():
    """Machined foot, end face kept clear, through stock, draft and shrink."""
    stock = (StockKeys(faces=FaceSelector(toward=(0, 0, -1)), mm=2.0),)
    clear = (FaceSelector(toward=(1, 0, 0)),)
    pattern = patterned(
        BOX, z_mm=20.0, stock=stock, keep_clear=clear, draft=DraftKeys(deg=2.0), shrink_pct=1.0
    )
    surface = Surface.of(pattern.solid)
    foot = surface.normals[:, 2] < -0.9
    np.testing.assert_array_equal(pattern.is_machined, foot)
    np.testing.assert_array_equal(pattern.is_kept_clear, surface.normals[:, 0] > 0.9)


def test_labels_follow_the_model_when_it_is_turned():
    stock = (StockKeys(faces=FaceSelector(toward=(1, 0, 0)), mm=2.0),)
    pattern = patterned(BOX, pull=(1, 0, 0), stock=stock, shrink_pct=0.0)
    surface = Surface.of(pattern.solid)
    np.testing.assert_array_equal(pattern.is_machined, surface.normals[:, 2] > 0.9)
    agree(pattern.solid.size_mm[2], 102.0, rel=1e-12, why="stock on the model's x face")


@pytest.mark.parametrize("direction", ["plus", "minus", "middle"])
@pytest.mark.parametrize("z_mm", [0.0, 30.0])
def test_walls_between_fillets_are_turned_and_fillets_follow(direction, z_mm):
    body = rounded_box((120, 80, 60), 8.0)
    keys = DraftKeys(deg=2.0, direction=direction)
    pattern = patterned(body, z_mm=z_mm, shrink_pct=0.0, draft=keys)
    surface = Surface.of(pattern.solid)
    assert not run_through(surface).any()
    assert pattern.solid.genus == 0
    side = np.where(surface.centers_mm[:, 2] >= z_mm, 1.0, -1.0)
    tall = np.ptp(surface.points[surface.faces][:, :, 2], axis=1) > 15.0
    flat = (np.abs(surface.normals[:, :2]).max(axis=1) > 0.999) & tall
    assert flat.sum() >= 8
    np.testing.assert_allclose((lean_deg(surface) * side)[flat], 2.0, atol=0.05)
    assert pattern.draft
    for fact in pattern.draft:
        assert abs(fact.smallest_deg - 2.0) < 0.05


@pytest.mark.parametrize("hinge", ["parting", "far"])
@pytest.mark.parametrize("z_mm", [0.0, 10.0, 40.0])
def test_plus_contains_the_casting_and_minus_lies_inside(hinge, z_mm):
    plus = patterned(BOX, z_mm=z_mm, shrink_pct=0.0, draft=DraftKeys(deg=3.0, hinge=hinge))
    keys = DraftKeys(deg=3.0, hinge=hinge, direction="minus")
    minus = patterned(BOX, z_mm=z_mm, shrink_pct=0.0, draft=keys)
    assert (BOX - plus.solid).volume_mm3 < 1e-6
    assert (minus.solid - BOX).volume_mm3 < 1e-6
    assert plus.draft_mm3 > 1000.0
    assert minus.draft_mm3 < -1000.0


@pytest.mark.parametrize("deg", [1.0, 3.0])
def test_ribs_that_grow_past_the_chords_of_a_hub_are_drafted_too(deg):
    body = ribbed_hub()
    pattern = patterned(body, shrink_pct=0.0, draft=DraftKeys(deg=deg))
    surface = Surface.of(pattern.solid)
    upright = (np.abs(surface.normals[:, 2]) < 0.5) & (surface.area_mm2 > 1.0)
    np.testing.assert_allclose(lean_deg(surface)[upright], deg, atol=0.05)
    assert (body - pattern.solid).volume_mm3 < 1e-6
    assert pattern.solid.genus == body.genus
    assert pattern.undercuts == ()


@pytest.mark.parametrize(("segments", "deg"), [(96, 1.0), (96, 2.0), (192, 2.0)])
def test_ribs_at_a_hub_are_cut_back_too(segments, deg):
    body = ribbed_hub(segments)
    pattern = patterned(body, shrink_pct=0.0, draft=DraftKeys(deg=deg, direction="minus"))
    surface = Surface.of(pattern.solid)
    upright = np.abs(surface.normals[:, 2]) < 0.5
    short = upright & (lean_deg(surface) < deg - 0.05)
    assert surface.area_mm2[short].sum() < 0.01 * surface.area_mm2[upright].sum()
    assert (pattern.solid - body).volume_mm3 < 1e-6
    assert (pattern.solid.genus, len(pattern.solid.parts())) == (body.genus, 1)
    _, n_overlaps, stuck = untangled(pattern.solid)
    assert (n_overlaps, stuck) == (0, None)


def test_what_cannot_be_drafted_stays_sound_and_is_told():
    """Half added, half taken: hub and ribs would have to pass each other's corners."""
    body = ribbed_hub(192)
    pattern = patterned(body, shrink_pct=0.0, draft=DraftKeys(deg=4.0, direction="middle"))
    assert pattern.solid.genus == body.genus
    assert not run_through(Surface.of(pattern.solid)).any()
    assert len(pattern.solid.parts()) == 1
    assert min(fact.smallest_deg for fact in pattern.draft) < 0.1


def test_exempt_faces_keep_their_place():
    exempt = (FaceSelector(toward=(1, 0, 0)),)
    pattern = patterned(BOX, shrink_pct=0.0, draft=DraftKeys(deg=2.0, exempt=exempt))
    surface = Surface.of(pattern.solid)
    end = surface.normals[:, 0] > 0.9
    np.testing.assert_allclose(surface.points[surface.faces[end]][:, :, 0], 100.0, atol=1e-9)
    assert surface.points[:, 0].min() < -1.0
    assert pattern.draft
    assert all(abs(fact.smallest_deg - 2.0) < 0.05 for fact in pattern.draft)


def test_round_bodies_have_their_own_draft():
    """Only a lying cylinder's plane ends lean, from where they meet the top and the bottom.

    An end's wedge is tan(2°) (r - |z|) thick; over the disk that is tan(2°) (pi - 4/3) r³.
    """
    cylinder = Solid.cone(20, 20, 120, 96).turned((90, 0, 0))
    ends = 2.0 * np.tan(np.radians(2.0)) * (np.pi - 4.0 / 3.0) * 20.0**3
    for body, want in ((Solid.sphere(40, 64), 0.0), (cylinder, ends)):
        mid = 0.5 * body.size_mm[2]
        pattern = patterned(body, z_mm=float(mid), shrink_pct=0.0, draft=DraftKeys(deg=2.0))
        np.testing.assert_allclose(pattern.draft_mm3, want, rtol=2e-3)  # a prism of 96 sides
        assert pattern.undercuts == ()


def test_draft_by_table_knows_holes_from_outsides():
    tube = Solid.cone(40, 40, 45, 96) - Solid.cone(25, 25, 45, 96)
    pattern = patterned(tube, shrink_pct=0.0, draft=DraftKeys(table="metal"))
    asked = {fact.group: (fact.asked_deg, round(fact.smallest_deg, 2)) for fact in pattern.draft}
    assert asked == {"outer cope": (1.0, 1.0), "inner cope": (2.0, 2.0)}


def test_walls_that_a_core_forms_get_no_draft():
    """A closed box with a hole in its lid: the inside is a core's, whatever the draft."""
    shell = Solid.box((0, 0, 0), (100, 100, 60)) - Solid.box((10, 10, 10), (90, 90, 50))
    shell = shell - Solid.box((40, 40, 45), (60, 60, 65))
    pattern = patterned(shell, shrink_pct=0.0, draft=DraftKeys(deg=2.0))
    inside = pattern.solid.slice_at(30.0).geoms[0].interiors[0]
    agree(inside.length, 320.0, rel=1e-9, why="the cavity is as it was")
    assert sum(one.area_mm2 for one in pattern.undercuts) > 10000.0


def test_stock_carries_the_fillet_of_its_face_along():
    """The top of a rounded box moves up whole, and the walls below it grow."""
    body = rounded_box((120, 80, 60), 8.0)
    pattern = patterned(body, shrink_pct=0.0, stock=(StockKeys(faces=TOP, mm=4.0),))
    outline = body.slice_at(30.0).area
    agree(pattern.stock_mm3, 4.0 * outline, rel=2e-3, why="all that is above moved by 4 mm")
    agree(pattern.solid.size_mm, (120.0, 80.0, 64.0), rel=1e-6, why="only up")
    assert not run_through(Surface.of(pattern.solid)).any()


def test_stock_where_faces_around_do_not_yield_is_laid_on():
    """Stock of 6 mm on the floor of a groove 5 mm deep with a bulge over it."""
    block = Solid.box((0, 0, 0), (100, 40, 40))
    groove = Solid.box((30, -1, 35), (70, 41, 41)) + Solid.box((20, -1, 35), (80, 41, 37))
    floor = FaceSelector(toward=(0, 0, 1), plane_at=(50, 20, 35))
    pattern = patterned(block - groove, shrink_pct=0.0, stock=(StockKeys(faces=floor, mm=6.0),))
    assert pattern.solid.genus == 0
    assert not run_through(Surface.of(pattern.solid)).any()
    above = pattern.solid & Solid.box((29.9, -1, 40), (70.1, 41, 50))
    agree(above.size_mm[2], 1.0, rel=0.01, why="6 mm on a floor 5 mm below the top")


def test_cope_extra_is_for_faces_that_lie_up_as_a_whole():
    tube = (Solid.cone(30, 30, 80, 64) - Solid.cone(20, 20, 80, 64)).turned((90, 0, 0))
    bore = FaceSelector(cylinder=((0, -80, 0), (0, 0, 0)), cylinder_radius_mm=20.0)
    stock = (StockKeys(faces=bore, mm=2.0, cope_extra_mm=5.0),)
    pattern = patterned(tube, z_mm=30.0, shrink_pct=0.0, stock=stock)
    agree(pattern.stock_mm3, np.pi * (20.0**2 - 18.0**2) * 80.0, rel=5e-3, why="64 chords")


def test_stock_needs_mm_or_a_grade():
    with pytest.raises(JobError) as caught:
        patterned(BOX, stock=(StockKeys(faces=TOP),))
    assert (caught.value.code, caught.value.where) == (
        "job/stock-size",
        "[[pattern.stock]] number 1",
    )


def test_the_same_job_gives_the_same_pattern():
    keys = {"draft": DraftKeys(deg=1.5), "stock": (StockKeys(faces=TOP, mm=2.0),)}
    one, two = patterned(ribbed_hub(), **keys), patterned(ribbed_hub(), **keys)
    np.testing.assert_array_equal(one.solid.mesh()[0], two.solid.mesh()[0])
    np.testing.assert_array_equal(one.solid.mesh()[1], two.solid.mesh()[1])
    assert (one.draft, one.undercuts) == (two.draft, two.undercuts)


@pytest.mark.parametrize("direction", ["plus", "minus"])
def test_the_inside_of_a_bell_drafts_downward(direction):
    """It stands on the drag: its room narrows upward. Prismatoids, h/6 (A + 4 M + B)."""
    bell = Solid.box((-80, -60, 0), (80, 60, 60)) - Solid.box((-70, -50, -1), (70, 50, 50))
    surface = Surface.of(bell)
    keys = DraftKeys(deg=2.0, direction=direction)
    exempt = np.zeros(len(surface.faces), bool)
    shaped, _ = drafted(surface, 0.0, keys, (exempt,))
    lean = np.tan(np.radians(2.0))

    def prismatoid(x, y, low_mm, high_mm, height):
        low, high = low_mm * lean, high_mm * lean
        ends = [4 * (x + d) * (y + d) for d in (low, 0.5 * (low + high), high)]
        return height / 6.0 * (ends[0] + 4.0 * ends[1] + ends[2])

    if direction == "plus":
        want = prismatoid(80, 60, 60, 0, 60) - prismatoid(70, 50, 0, -50, 50)
    else:
        want = prismatoid(80, 60, 0, -60, 60) - prismatoid(70, 50, 50, 0, 50)
    agree(shaped.volume_mm3(), want, rel=1e-6, why="planes, single precision nowhere")
    facts = measure_draft(shaped, 0.0, keys, np.zeros(len(shaped.faces), bool))
    assert {(one.group, round(one.smallest_deg, 3)) for one in facts} == {
        ("outer cope", 2.0),
        ("inner drag", 2.0),
    }


@pytest.mark.parametrize("direction", ["plus", "minus", "middle"])
def test_crossing_ribs_get_their_draft(direction):
    """Ribs on a plate, crossed by another: each wall measures what was asked, within 0.05 deg."""
    ribs = [Solid.box((-90, y - 3, 7), (90, y + 3, 40)) for y in (-30, 0, 30)]
    body = Solid.union(
        [Solid.box((-100, -60, 0), (100, 60, 8)), Solid.box((-3, -50, 7), (3, 50, 40)), *ribs]
    )
    keys = DraftKeys(deg=2.0, direction=direction)
    surface = Surface.of(body)
    shaped, (exempt,) = drafted(surface, 0.0, keys, (np.zeros(len(surface.faces), bool),))
    for one in measure_draft(shaped, 0.0, keys, exempt):
        assert abs(one.smallest_deg - 2.0) < 0.05, one
        assert one.height_mm > 30.0
    assert Solid.from_mesh(shaped.points, shaped.faces).volume_mm3 > 0.0
    if direction == "middle":
        agree(shaped.volume_mm3(), surface.volume_mm3(), rel=1e-3, why="half is added, half taken")
