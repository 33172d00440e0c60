"""A week of jobs: goes on past failures, keeps what is finished, tells it all in one file."""

import json
from pathlib import Path

import pytest
from distributed import LocalCluster

from moldprep import runs
from moldprep.errors import FileError, JobError
from moldprep.jobfile import load_job
from moldprep.runs import prepare_package
from moldprep.verify import verify_package
from moldprep.week import (
    Summary,
    is_finished,
    job_files,
    run_week,
    week_exit_code,
    week_json,
)
from tests.handmade import handmade, handmade_review, write_stl

JOB = """
name = "{name}"
alloy = "{alloy}"
[casting]
file = "plate.stl"
unit = "mm"
[output]
pictures = false
"""


def write_job(folder, name, alloy="carbon-steel", more=""):
    folder.mkdir(exist_ok=True)
    write_stl(folder)
    path = folder / f"{name}.toml"
    path.write_text(JOB.format(name=name, alloy=alloy) + more, encoding="utf-8")
    return path


@pytest.fixture
def cluster():
    """A scheduler whose workers are threads of this process, so that a stage can be replaced."""
    with LocalCluster(
        n_workers=1, threads_per_worker=2, processes=False, dashboard_address=None
    ) as made:
        yield made.scheduler_address


@pytest.fixture
def made(monkeypatch):
    """Replace the stages by hand-made records; list the jobs that were run."""
    names = []

    def prepare(job, **_):
        names.append(job.name)
        if job.name == "broken":
            raise JobError("this one cannot be made", code="job/bad-value", where="plan")
        if job.name == "bug":
            raise ZeroDivisionError("oops")
        return handmade(job.folder).plus(job)

    monkeypatch.setattr(runs, "prepare", prepare)
    monkeypatch.setattr(runs, "run_checks", lambda _: handmade_review())
    return names


def test_job_files_of_a_folder_and_of_a_plan(tmp_path):
    a = write_job(tmp_path, "a")
    deep = write_job(tmp_path / "deep", "job")
    assert job_files(tmp_path) == (a, deep)
    plan = tmp_path / "deep" / "plan.txt"
    plan.write_text('jobs = ["../a.toml", "job.toml", "job.toml"]', encoding="utf-8")
    assert [path.name for path in job_files(plan)] == ["a.toml", "job.toml"]


def test_a_week_without_jobs(tmp_path):
    with pytest.raises(FileError) as caught:
        job_files(tmp_path)
    assert caught.value.code == "week/no-jobs"
    with pytest.raises(FileError) as caught:
        job_files(tmp_path / "nowhere")
    assert caught.value.code == "file/not-found"
    (tmp_path / "plan.txt").write_text("jobs = 3", encoding="utf-8")
    with pytest.raises(JobError) as caught:
        job_files(tmp_path / "plan.txt")
    assert caught.value.code == "job/bad-value"


def test_jobs_that_cannot_start_need_no_workers(tmp_path):
    write_job(tmp_path, "typo", more="color = 3\n")
    write_job(tmp_path, "good-twin", more="[nope]\n")
    done = run_week(tmp_path, tmp_path / "out")
    assert [(one.state, one.exit_code) for one in done] == [("failed", 2)] * 2
    assert "unknown key" in done[0].message
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == ["week.json"]


def test_a_week_goes_on_past_failures_and_keeps_what_is_finished(tmp_path, cluster, made):
    jobs = tmp_path / "jobs"
    for name in ("broken", "bug", "one", "two"):
        write_job(jobs, name)
    (jobs / "three.toml").write_text(JOB.format(name="one", alloy="carbon-steel"))
    told = []
    done = run_week(jobs, tmp_path / "out", cluster, announce=told.append)
    by_file = {Path(one.file).stem: one for one in done}
    assert len(told) == len(done) == 5
    assert {name: (one.state, one.exit_code) for name, one in by_file.items()} == {
        "broken": ("failed", 2),
        "bug": ("failed", 1),
        "one": ("done", 10),
        "two": ("done", 10),
        "three": ("failed", 2),
    }
    assert "cannot be made" in by_file["broken"].message
    assert "ZeroDivisionError" in by_file["bug"].message
    assert "same name" in by_file["three"].message
    assert (by_file["one"].n_fail, by_file["one"].n_warn, by_file["one"].n_pieces) == (1, 1, 2)
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == [
        "one-mold", "two-mold", "week.json",
    ]  # fmt: skip

    made.clear()
    write_job(jobs, "two", more='[sheet]\nremarks = "changed"\n')
    (tmp_path / "out" / "one-mold" / "metal.stl").touch()
    again = {Path(one.file).stem: one.state for one in run_week(jobs, tmp_path / "out", cluster)}
    assert again["one"] == "kept"
    assert again["two"] == "done"
    assert sorted(made) == ["broken", "bug", "two"]

    made.clear()
    (tmp_path / "out" / "one-mold" / "metal.stl").write_bytes(b"spoiled")
    again = {Path(one.file).stem: one.state for one in run_week(jobs, tmp_path / "out", cluster)}
    assert again["one"] == "done"


def test_week_json(tmp_path, cluster, made):
    write_job(tmp_path / "jobs", "one")
    run_week(tmp_path / "jobs", tmp_path / "out", cluster)
    table = json.loads((tmp_path / "out" / "week.json").read_text(encoding="utf-8"))
    assert table["schema"] == "moldprep-week-1"
    assert table["exit_code"] == 10
    (job,) = table["jobs"]
    assert job["state"] == "done"
    assert job["n_boxes"] == table["n_boxes"] == 1
    assert job["print_time_s"] == table["print_time_s"]
    assert "seconds" not in job
    assert list(table["timings"]) == [job["file"]]


def test_no_scheduler_answers(tmp_path):
    write_job(tmp_path, "one")
    with pytest.raises(FileError) as caught:
        run_week(tmp_path, tmp_path / "out", "tcp://127.0.0.1:1")
    assert caught.value.code == "week/no-cluster"


SMALL = """
[freezing]
max_cells = 60_000

[feeding]
rounds = 0
"""


@pytest.mark.slow
def test_a_week_on_worker_processes(tmp_path):
    """Every stage for real, in processes of their own; one casting is no closed solid."""
    write_job(tmp_path / "jobs", "good", more=SMALL)
    open_mesh = write_job(tmp_path / "jobs", "open")
    data = (tmp_path / "jobs" / "plate.stl").read_bytes()
    half = (len(data) - 84) // 100
    torn = data[:80] + half.to_bytes(4, "little") + data[84 : 84 + 50 * half]
    (tmp_path / "jobs" / "torn.stl").write_bytes(torn)
    text = open_mesh.read_text(encoding="utf-8").replace("plate.stl", "torn.stl")
    open_mesh.write_text(text, encoding="utf-8")

    good, bad = run_week(tmp_path / "jobs", tmp_path / "out", workers=2)
    assert (good.state, bad.state, bad.exit_code) == ("done", "failed", 3)
    assert "casting" in bad.message
    assert all(proof.is_proved for proof in verify_package(tmp_path / "out" / "good-mold"))

    first = (tmp_path / "out" / "good-mold" / "result.json").stat().st_mtime_ns
    good, bad = run_week(tmp_path / "jobs", tmp_path / "out", workers=1)
    assert (good.state, bad.state) == ("kept", "failed")
    assert (tmp_path / "out" / "good-mold" / "result.json").stat().st_mtime_ns == first


@pytest.mark.slow
def test_the_package_made_again_from_itself_is_the_same(tmp_path):
    """Run a job, run the resolved job out of its package: only timings may differ."""
    path = write_job(tmp_path, "plate", more=SMALL)
    first = prepare_package(load_job(path), tmp_path / "first")
    second = prepare_package(load_job(first.folder / "job.resolved.toml"), tmp_path / "second")
    assert first.manifest == second.manifest


@pytest.mark.parametrize(
    ("outcomes", "code"),
    [
        ((), 0),
        ((("done", 0), ("kept", 0)), 0),
        ((("done", 0), ("kept", 10)), 10),
        ((("done", 10), ("failed", 3), ("failed", 5)), 3),
    ],
)
def test_exit_code_of_a_week(outcomes, code):
    done = [Summary(file="x", state=state, exit_code=number) for state, number in outcomes]
    assert week_exit_code(done) == code
    assert week_json(done)["exit_code"] == code


def test_a_package_of_another_job_is_not_finished(tmp_path):
    assert not is_finished(tmp_path, "stamp")
