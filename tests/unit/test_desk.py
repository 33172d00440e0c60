"""Jobs opened: whole, or for a quick look at the feeding of a bare model."""

import time

import pytest
import trimesh

import moldprep
from moldprep.cli import main
from moldprep.desk import open_job
from moldprep.errors import FileError


@pytest.fixture
def stl(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    trimesh.creation.box((90.0, 60.0, 40.0)).export(tmp_path / "block.stl")
    return tmp_path / "block.stl"


def test_a_quick_look_leaves_out_channels(stl):
    quick = open_job(stl, "carbon-steel", "mm", quick_feeding=True)
    whole = open_job(stl, "carbon-steel", "mm")
    assert quick.rigging.auto == ("feeders", "chills")
    assert "gating" in whole.rigging.auto
    assert quick.freezing.max_updates < whole.freezing.max_updates
    assert quick.feeding.rounds < whole.feeding.rounds


def test_what_is_set_by_hand_holds_in_a_quick_look(stl):
    job = open_job(stl, "carbon-steel", "mm", ["feeding.rounds=5"], quick_feeding=True)
    assert job.feeding.rounds == 5
    assert job.rigging.auto == ("feeders", "chills")


def test_a_job_file_is_never_cut_short(stl, tmp_path):
    job_file = moldprep.write_new_job(stl, "carbon-steel", "mm", tmp_path / "block.toml")
    assert open_job(job_file, quick_feeding=True) == open_job(job_file)


def test_feed_always_draws(stl, tmp_path, capsys):
    """A picture beside the words, named after the job, without being asked for one."""
    assert main(["feed", "block.stl", "--alloy", "carbon-steel", "--unit", "mm"]) in (0, 10)
    out = capsys.readouterr().out
    assert (tmp_path / "block-feeding.png").stat().st_size > 5000
    for word in ("block-feeding.png", "Hot spots", "F1", "hot spot", "foot at"):
        assert word in out, word


def test_a_folder_that_is_not_there_is_told_before_the_work(stl, tmp_path):
    job = open_job(stl, "carbon-steel", "mm", quick_feeding=True)
    with pytest.raises(FileError, match="file/not-found"):
        moldprep.study_feeding(job, tmp_path / "nowhere" / "block.png")


@pytest.mark.slow
def test_a_hundred_thousand_facets_are_answered_in_twenty_seconds_of_two_cores(tmp_path):
    """40 s of processor time; what else the machine does is not counted."""
    mesh = trimesh.creation.annulus(60.0, 120.0, 70.0, sections=50)
    while len(mesh.faces) < 90_000:
        mesh = mesh.subdivide()
    path = tmp_path / "ring.stl"
    mesh.export(path)
    assert 90_000 <= len(mesh.faces) <= 110_000
    start = time.process_time()
    study = moldprep.study_feeding(
        open_job(path, "carbon-steel", "mm", quick_feeding=True), tmp_path / "ring.png"
    )
    assert time.process_time() - start < 40.0
    assert study.result["plan"]["feeders"]
