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
            "bracket.toml [casting]: unit: should be 'mm', 'cm', 'm', 'in', 'ft' or 'um', "
            "got 'furlong' [job/bad-value]\n"
            "  try: unit stands for: unit of the file's numbers; "
            "needed where the format carries none",
        ),
        (
            GOOD + "[mold]\ncount = -1\n",
            "bracket.toml [mold]: count: should be greater than or equal to 1, got -1 "
            "[job/bad-value]\n  try: count stands for: castings in one mold",
        ),
        (
            GOOD + '[mold]\ncount = "two"\n',
            "bracket.toml [mold]: count: should be a whole number, got 'two' [job/bad-value]\n"
            "  try: count stands for: castings in one mold",
        ),
        (
            "[casting]\nfile = 'a.stl'\n",
            "bracket.toml: alloy: is needed [job/bad-value]\n"
            "  try: alloy stands for: id of an alloy, see `moldprep tables`",
        ),
        (
            GOOD.replace('"mm"', '"inches"'),
            "bracket.toml [casting]: unit: should be 'mm', 'cm', 'm', 'in', 'ft' or 'um', "
            "got 'inches' [job/bad-value]\n  try: did you mean 'in'?",
        ),
        (
            GOOD + "[mold]\nwall_mm = -5\n",
            "bracket.toml [mold]: wall_mm: should be greater than 0, or 'auto', got -5 "
            "[job/bad-value]\n  try: wall_mm stands for: sand beside the metal [mm]",
        ),
        (
            GOOD + '[mold]\nwall_mm = "12"\n',
            "bracket.toml [mold]: wall_mm: should be a number, or 'auto', got '12' "
            "[job/bad-value]\n  try: wall_mm stands for: sand beside the metal [mm]",
        ),
        (
            GOOD + "[output]\nlayers = 1\n",
            "bracket.toml [output]: layers: should be true or false, got 1 [job/bad-value]\n"
            "  try: layers stands for: write the layers too",
        ),
        (
            GOOD + "[pattern]\nshrink_pct = [1, 2, -1]\n",
            "bracket.toml [pattern.shrink_pct]: 2: should be greater than or equal to 0, got -1 "
            "[job/bad-value]",
        ),
        (
            GOOD + "[pattern]\nshrink_pct = 21\n",
            "bracket.toml [pattern]: shrink_pct: should be less than or equal to 10, or a list, "
            "or 'auto', got 21 [job/bad-value]\n  try: shrink_pct stands for: shrink allowance, "
            "one or along model x, y, z; auto: the alloy's [%]",
        ),
        (
            GOOD + "[[pattern.stock]]\nmm = 3\nfaces = {}\n",
            "bracket.toml [pattern.stock.0]: faces: needs one of: toward, plane_at, box, "
            "cylinder, color [job/bad-value]\n  try: faces stands for: which faces",
        ),
        (
            GOOD + "[[pattern.keep_clear]]\ntoward = [0, 0, 0]\n",
            "bracket.toml [pattern.keep_clear]: 0: toward = [0, 0, 0] has no direction "
            "[job/bad-value]",
        ),
        (
            GOOD + '[[pattern.keep_clear]]\ncolor = "red"\n',
            "bracket.toml [pattern.keep_clear.0]: color: should be like #ff8800, got 'red' "
            "[job/bad-value]\n  try: color stands for: face color in the file, #rrggbb",
        ),
        (
            GOOD + '[[rigging.feeder]]\nname = "F1"\nkind = "top"\nat_mm = [0, 0, 0]\n'
            "diameter_mm = -50\nheight_mm = 60\n",
            "bracket.toml [rigging.feeder.0]: diameter_mm: should be greater than 0, got -50 "
            "[job/bad-value]",
        ),
        (
            GOOD + "[rigging.sprue]\nat_mm = [0, 0, 0]\ntop_mm = -10\nfoot_area_mm2 = 0\n"
            "top_area_mm2 = 900\n",
            "bracket.toml [rigging.sprue]: foot_area_mm2: should be greater than 0, got 0 "
            "[job/bad-value]",
        ),
        ("mold = 3\n" + GOOD, "bracket.toml: mold: should be a table, got 3 [job/bad-value]"),
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
