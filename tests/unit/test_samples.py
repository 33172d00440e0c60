"""The sample castings: what a founder would accept, and what the CAD kernel says of them."""

import tomllib
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from moldprep.catalog import load_catalog
from moldprep.geometry.faces import Surface, select
from moldprep.geometry.meshfile import read_casting
from moldprep.jobfile import load_job

SAMPLES = Path(__file__).parents[2] / "samples"
NAMES = sorted(path.parent.name for path in SAMPLES.glob("*/job.toml"))


@cache
def job_of(name):
    return load_job(SAMPLES / name / "job.toml")


@cache
def casting_of(name):
    return read_casting(job_of(name))


def expected(name):
    return tomllib.loads((SAMPLES / name / "expected.toml").read_text(encoding="utf-8"))


def test_the_five_castings_are_there():
    assert NAMES == ["cover", "pedestal", "pump-body", "sheave", "tee"]


def test_the_formats_are_mixed():
    suffixes = sorted(job_of(name).casting.file.suffix for name in NAMES)
    assert suffixes == [".3mf", ".step", ".step", ".step", ".stl"]


@pytest.mark.parametrize("name", NAMES)
def test_every_expected_number_says_who_says_so(name):
    for path, entry in expected(name).items():
        assert set(entry) - {"abs", "rel"} == {"value", "by", "why"}, path
        assert ("abs" in entry) != ("rel" in entry), path
        assert 0.0 < entry.get("rel", 0.01) <= 0.1, path
        assert entry["by"] in ("CAD kernel", "drawing", "closed form", "moldprep"), path


@pytest.mark.parametrize("name", NAMES)
def test_the_casting_is_what_was_drawn(name):
    casting = casting_of(name)
    got = {
        "casting.volume_mm3": casting.solid.volume_mm3,
        "casting.area_mm2": casting.solid.area_mm2,
        "casting.bounds_mm": casting.solid.bounds,
    }
    facts = {path: entry for path, entry in expected(name).items() if path in got}
    assert len(facts) >= 2
    for path, entry in facts.items():
        np.testing.assert_allclose(
            got[path], entry["value"], rtol=entry.get("rel", 0.0), atol=entry.get("abs", 0.0)
        )


@pytest.mark.parametrize("name", NAMES)
def test_the_casting_is_of_a_real_kind(name):
    casting = casting_of(name)
    assert 20_000 <= casting.solid.n_triangles <= 200_000
    assert 150.0 <= casting.solid.size_mm.max() <= 600.0
    assert len(casting.solid.parts()) == 1
    assert casting.voids == ()
    assert casting.deviation_mm == 0.0
    harmless = {"corners welded", "facets without area dropped"}
    assert {repair.what for repair in casting.repairs} <= harmless


@pytest.mark.parametrize("name", NAMES)
def test_the_model_file_is_small(name):
    assert (SAMPLES / name / job_of(name).casting.file).stat().st_size < 3e6


@pytest.mark.parametrize(
    ("name", "genus"),
    [("pedestal", 1), ("sheave", 6), ("tee", 2), ("cover", 0), ("pump-body", 3)],
)
def test_bores_and_spokes_are_open(name, genus):
    """Handles: one bore; a bore and five windows; three mouths; none; three mouths and a tongue."""
    assert casting_of(name).solid.genus == genus


@pytest.mark.parametrize("name", NAMES)
def test_every_selector_of_the_job_meets_faces(name):
    surface = Surface.of(casting_of(name).solid)
    pattern = job_of(name).pattern
    for selector in [*(stock.faces for stock in pattern.stock), *pattern.keep_clear]:
        assert select(surface, selector, np.empty((0, 4), np.uint8)).any(), selector


@pytest.mark.parametrize("name", NAMES)
def test_the_catalog_knows_what_the_job_names(name):
    job = job_of(name)
    found = [one.id for one in load_catalog(job)]
    assert found == [job.alloy, job.sand, job.printer, job.rules]
