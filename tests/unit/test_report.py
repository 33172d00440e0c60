"""The page stands alone, says everything, and shows in a browser as it should; pictures repeat."""

import re
import shutil
import subprocess
from dataclasses import replace

import numpy as np
import pytest
import pyvista as pv

from moldprep.catalog import find
from moldprep.export.result import result_json
from moldprep.findings import Review
from moldprep.records import Alloy, Fill, Freezing, Grid, Metal, Mold, Rigging, Role, Sand
from moldprep.report import figures
from moldprep.report.cautions import cautions
from moldprep.report.figures import (
    PICTURES,
    draw_feeding,
    draw_gating,
    draw_pictures,
    last_of_castings,
)
from moldprep.report.page import report_html
from moldprep.report.scene import Field, Scene, can_draw
from tests.handmade import handmade, handmade_review

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
needs_drawing = pytest.mark.skipif(not can_draw(), reason="no libEGL and no libOSMesa here")


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    return handmade(tmp_path_factory.mktemp("job"))


@pytest.fixture(scope="module")
def pictures(results, tmp_path_factory):
    return draw_pictures(results, tmp_path_factory.mktemp("pictures"))


@pytest.fixture(scope="module")
def page(results, pictures):
    return report_html(result_json(results, handmade_review(), "stamp"), results, pictures)


def words(page):
    return " ".join(re.sub(r"<[^>]+>", " ", page).split())


@needs_drawing
def test_pictures_are_all_there_and_show_something(pictures):
    assert [picture.name for picture in pictures] == list(PICTURES)
    for picture in pictures:
        image = np.asarray(pv.read(picture.file).active_scalars)
        assert len(np.unique(image[:, :3].astype(int) @ (65536, 256, 1))) > 50, picture.name


@needs_drawing
@pytest.mark.parametrize("name", ["rigging", "freezing"])
def test_the_same_picture_twice(name, results, pictures, tmp_path):
    PICTURES[name][2](results, tmp_path / "again.png")
    (first,) = (picture for picture in pictures if picture.name == name)
    assert (tmp_path / "again.png").read_bytes() == first.file.read_bytes()


@needs_drawing
def test_a_record_not_made_has_no_picture(results, tmp_path):
    some = draw_pictures(results.without(Mold, Fill, Freezing), tmp_path)
    assert [picture.name for picture in some] == ["casting", "rigging", "sections"]


@needs_drawing
def test_pictures_of_studies(results, tmp_path):
    draw_feeding(results, tmp_path / "feeding.png")
    draw_gating(results.without(Mold), tmp_path / "gating.png")
    assert (tmp_path / "feeding.png").stat().st_size > 5000
    assert (tmp_path / "gating.png").stat().st_size > 5000


def test_without_a_way_to_draw_there_are_no_pictures(results, tmp_path, monkeypatch):
    monkeypatch.setattr(figures, "can_draw", lambda: False)
    assert draw_pictures(results, tmp_path / "pictures") == ()
    assert not (tmp_path / "pictures").exists()


def test_the_cut_goes_through_the_casting_though_rigging_freezes_last(results):
    grid, freezing, metal = (results.need(kind) for kind in (Grid, Freezing, Metal))
    casting = metal.roles.index(Role.CASTING) + 1
    time_s = np.where(grid.label == casting, freezing.time_s, 10.0 * freezing.time_s)
    late = replace(freezing, time_s=time_s.astype(np.float32))
    at_mm, latest_s = last_of_castings(grid, late, metal)
    cell = tuple(np.floor((np.array(at_mm) - grid.origin_mm) / grid.pitch_mm).astype(int))
    assert grid.label[cell] == casting
    assert latest_s == np.nanmax(freezing.time_s[grid.label == casting]) < np.nanmax(time_s)


def test_field_gives_the_nearest_known_cell():
    values = np.full((3, 1, 1), np.nan)
    values[2] = 7.0
    field = Field(values, 10.0, np.zeros(3))
    assert field.at(np.array([[1.0, 5.0, 5.0], [99.0, 5.0, 5.0]])).tolist() == [7.0, 7.0]


def test_the_page_stands_alone(page, pictures):
    links = re.findall(r'(?:src|href|url)\s*[=(]\s*"?([^"\s)>]+)', page)
    assert links
    assert all(link.startswith(("data:image/png;base64,", "#")) for link in links)
    assert "<script" not in page
    assert "http" not in re.sub(r"data:[^\"]+", "", page)
    for link in links:
        if link.startswith("#"):
            assert f'id="{link[1:]}"' in page, link
    assert page.count("data:image/png") == len(pictures)


def test_the_page_says_what_it_must(page, results):
    said = words(page)
    for part in (
        "Do not pour: a check failed",  # verdict
        "ingate-1 runs at 0.62 m/s &lt;fast&gt;", "0.45 m/s", "widen the gate", "-15, 30, -5",
        "Campbell, Complete Casting Handbook", "common practice, no source",  # findings
        "poured", "1,560 to 1,620 °C", "6.4 s", "at least 25 kg", "Close the cope.", "mm² at",
        "hot spot S2 has no other feed", "F1 grows", "it froze early",  # reasons, rounds
        "welded points: 12", "flat, nothing undercut", "Sections of the bare pattern",
        "Generic job box M", "needs", "can give",
    ):  # fmt: skip
        assert part in said, part
    assert f"{results.need(Rigging).castings[0].name}" in said


def test_cautions_are_always_there(page):
    said = words(page)
    for part in (
        "national and local codes", "licensed practice", "Water under metal explodes",
        "pushes the cope and the cores up", "clamp load", "29 CFR 1910.1053", "50 µg/m³",
        "furfuryl alcohol", "carbon monoxide", "lifting points", "run-out",
    ):  # fmt: skip
        assert part in said, part


def test_timings_are_not_on_the_page(results, page):
    table = result_json(results, handmade_review(), "stamp")
    table["timings"] = {"casting": 123.4}
    assert "123.4" not in words(report_html(table, results, ()))


@pytest.mark.parametrize(
    ("keep", "headline"),
    [
        ((0, 3), "Every check that applies passed"),
        ((0, 2), "No check failed; read the warnings before pouring"),
    ],
)
def test_headline_follows_the_verdict(results, keep, headline):
    findings = handmade_review().findings
    review = Review(findings=tuple(findings[k] for k in keep))
    said = words(report_html(result_json(results, review, "stamp"), results, ()))
    assert headline in said
    assert "Water under metal explodes" in said


def test_a_rebuilt_casting_is_said_loudly(results):
    table = result_json(results, handmade_review(), "stamp")
    table["casting"]["deviation_mm"] = 0.84
    assert "REBUILT" in words(report_html(table, results, ()))


@pytest.mark.skipif(CHROMIUM is None, reason="no chromium here")
@needs_drawing
def test_the_page_shows_in_a_browser(page, tmp_path):
    """The head is dark, the red line of a failed check is under it, and the paper is light."""
    (tmp_path / "report.html").write_text(page, encoding="utf-8")
    shot = tmp_path / "page.png"
    subprocess.run(
        [
            CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars",
            f"--user-data-dir={tmp_path / 'profile'}", "--window-size=1300,2000",
            f"--screenshot={shot}", (tmp_path / "report.html").as_uri(),
        ],
        check=True,
        capture_output=True,
        timeout=120,
    )  # fmt: skip
    image = pv.read(shot)
    width, height, _ = image.dimensions
    rgb = np.asarray(image.active_scalars).reshape(height, width, -1)[::-1, :, :3].astype(int)
    assert (width, height) == (1300, 2000)
    assert np.abs(rgb[5, 1200] - (0x2B, 0x2A, 0x27)).max() < 8
    is_red = np.abs(rgb[:400, 1200] - (0xA3, 0x29, 0x1F)).max(axis=1) < 8
    assert is_red.sum() >= 5
    assert np.abs(rgb[1000, 10] - (0xF7, 0xF5, 0xF0)).max() < 8
    assert (rgb.min(axis=2) < 100).mean() > 0.02  # there is text


@pytest.mark.parametrize(
    ("sand", "starts"), [("silica-furan", "Silica sand gives"), ("olivine", "Most foundry sands")]
)
def test_dust_is_told_by_what_the_sand_is_not_by_its_name(sand, starts):
    own = find(Sand, sand).model_copy(update={"id": "ours"})
    (dust,) = (one for one in cautions(find(Alloy, "carbon-steel"), own) if "Dust" in one.title)
    assert dust.text.startswith(starts)


def test_pieces_of_one_kind_are_lifted_together(results, monkeypatch, tmp_path):
    """Halves of a drag stay side by side; the cope stands clear above both."""
    mold = results.need(Mold)
    low, high = mold.block.bounds[:, 2]
    drag, cope = (next(p for p in mold.pieces if p.role == role) for role in ("drag", "cope"))
    halves = [
        replace(drag, name=name, solid=drag.solid.moved((x, 0.0, 0.0)))
        for name, x in (("drag-a", 0.0), ("drag-b", 500.0))
    ]
    shown = []
    monkeypatch.setattr(figures.Scene, "body", lambda _, solid, color: shown.append(solid.bounds))
    monkeypatch.setattr(figures.Scene, "write", lambda *_: None)
    PICTURES["mold"][2](results.plus(replace(mold, pieces=(*halves, cope))), tmp_path / "x.png")
    one, two, top = shown
    assert one[0, 2] == pytest.approx(two[0, 2]) == pytest.approx(low)
    assert top[0, 2] > one[1, 2] + 0.2 * (high - low)


@needs_drawing
@pytest.mark.parametrize(("most", "fmt"), [(3210.0, "%.0f"), (9.17, "%.3g")])
def test_long_times_are_written_out_beside_their_colors(most, fmt):
    assert Scene()._bar("solid after [s]", most)["fmt"] == fmt
