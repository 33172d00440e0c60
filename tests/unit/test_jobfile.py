"""The job file's door: what it fills in, and what it refuses, word for word."""

import pytest

from moldprep.errors import FileError, JobError
from moldprep.jobfile import load_job, mesh_job

GOOD = 'alloy = "carbon-steel"\n[casting]\nfile = "part.stl"\nunit = "mm"\n'


@pytest.fixture
def write(tmp_path):
    def _write(text, name="bracket.toml"):
        (tmp_path / name).write_text(text, encoding="utf-8")
        return tmp_path / name

    return _write


def test_defaults_are_filled_in(write):
    job = load_job(write(GOOD))
    assert (job.name, job.sand, job.mold.count) == ("bracket", "silica-furan", 1)
    assert job.folder == write(GOOD).parent


def test_job_toml_takes_its_folder_name(write, tmp_path):
    assert load_job(write(GOOD, "job.toml")).name == tmp_path.name


def test_set_wins_over_the_file(write):
    job = load_job(write(GOOD), ["mold.count=2", "alloy=al-si12", "pattern.shrink_pct=1.3"])
    assert (job.mold.count, job.alloy, job.pattern.shrink_pct) == (2, "al-si12", 1.3)


def test_bare_mesh(tmp_path):
    job = mesh_job(tmp_path / "part.stl", "grey-iron", "in", ["mold.count=4"])
    assert (job.name, job.casting.unit, job.mold.count) == ("part", "in", 4)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            GOOD + "[pattern]\nshrink_pc = 1.0\n",
            "bracket.toml [pattern]: unknown key 'shrink_pc' [job/unknown-key]\n"
            "  try: did you mean 'shrink_pct'?",
        ),
        (
            GOOD + '[rigging]\n[[rigging.feeder]]\nname = "F1"\nkind = "top"\nat_mm = [0, 0, 0]\n'
            "diameter_mm = 50\nhieght_mm = 60\n",
            "bracket.toml [rigging.feeder.0]: unknown key 'hieght_mm' [job/unknown-key]\n"
            "  try: did you mean 'height_mm'?",
        ),
        (
            GOOD.replace('"mm"', '"furlong"'),
            "bracket.toml [casting]: unit: input should be 'mm', 'cm', 'm', 'in', 'ft' or 'um', "
            "got 'furlong' [job/bad-value]",
        ),
        (
            GOOD + "[mold]\ncount = -1\n",
            "bracket.toml [mold]: count: input should be greater than or equal to 1, got -1 "
            "[job/bad-value]",
        ),
        (
            GOOD + '[mold]\ncount = "two"\n',
            "bracket.toml [mold]: count: input should be a valid integer, unable to parse string "
            "as an integer, got 'two' [job/bad-value]",
        ),
        ("[casting]\nfile = 'a.stl'\n", "bracket.toml: alloy: field required [job/bad-value]"),
    ],
)
def test_bad_job_gets_one_clear_message(write, text, message):
    with pytest.raises(JobError) as caught:
        load_job(write(text))
    assert str(caught.value) == message
    assert caught.value.exit_code == 2


def test_not_toml(write):
    with pytest.raises(JobError) as caught:
        load_job(write("alloy = \n"))
    assert caught.value.code == "job/not-toml"


def test_missing_file(tmp_path):
    with pytest.raises(FileError, match="no such job file") as caught:
        load_job(tmp_path / "none.toml")
    assert (caught.value.code, caught.value.exit_code) == ("file/not-found", 5)


def test_set_without_equals(write):
    with pytest.raises(JobError) as caught:
        load_job(write(GOOD), ["mold.count"])
    assert caught.value.code == "job/bad-value"
