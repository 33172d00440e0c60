"""The command line: exit codes, one clear message, clean JSON, nothing left behind."""

import json
import subprocess
import sys

import pytest

from moldprep import runs
from moldprep.checks import all_checks
from moldprep.cli import main
from moldprep.errors import GeometryError, StageError
from moldprep.findings import Review
from moldprep.jobfile import load_job
from tests.handmade import handmade, handmade_review, write_stl

JOB = """
name = "plate"
alloy = "carbon-steel"

[casting]
file = "plate.stl"
unit = "mm"

[output]
pictures = false
"""


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A folder with a job and its casting, and the shell in it."""
    write_stl(tmp_path)
    (tmp_path / "plate.toml").write_text(JOB, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def review():
    return list(handmade_review().findings)


@pytest.fixture
def made(monkeypatch, review):
    """Replace the stages by hand-made records; `review` may be changed by a test."""
    calls = []

    def prepare(job, until="box", announce=None):
        calls.append((job, until))
        if announce:
            announce("casting")
        return handmade(job.folder).plus(job)

    monkeypatch.setattr(runs, "prepare", prepare)
    monkeypatch.setattr(runs, "run_checks", lambda *_: Review(findings=tuple(review)))
    return calls


def run(*words):
    return main([str(word) for word in words])


def one_error(capsys, *parts):
    """Assert one error on stderr with these parts, and nothing on stdout."""
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("error: ") == 1
    assert err.startswith("error: ")
    assert "Traceback" not in err
    for part in parts:
        assert part in err, err


# ---- bad job files ----------------------------------------------------------------------------

BAD = [
    ("unknown key", "[pattern]\nshrink_pc = 2.0\n", ("'shrink_pc'", "'shrink_pct'"), 2),
    ("unknown table", "[nonsense]\nkey = 1\n", ("'nonsense'",), 2),
    ("wrong type", '[mold]\nwall_mm = "thick"\n', ("wall_mm", "thick"), 2),
    ("negative size", "[mold]\nwall_mm = -20.0\n", ("wall_mm", "greater than 0"), 2),
    ("no number", "[mold]\nwall_mm = nan\n", ("wall_mm",), 2),
    ("not TOML", "[mold\n", ("job/not-toml",), 2),
]


@pytest.mark.parametrize(("more", "parts", "code"), [b[1:] for b in BAD], ids=[b[0] for b in BAD])
@pytest.mark.parametrize("command", ["prep", "feed", "gate", "plan"])
def test_bad_keys(command, more, parts, code, folder, capsys):
    (folder / "plate.toml").write_text(JOB + more, encoding="utf-8")
    before = sorted(folder.iterdir())
    assert run(command, "plate.toml") == code
    one_error(capsys, "plate.toml", *parts)
    assert sorted(folder.iterdir()) == before


@pytest.mark.parametrize(
    ("old", "new", "parts", "code"),
    [
        ('unit = "mm"', 'unit = "furlong"', ("unit", "furlong", "'mm'"), 2),
        ('"carbon-steel"', '"unobtainium"', ("unobtainium", "carbon-steel"), 2),
        ('file = "plate.stl"', 'file = "lost.stl"', ("lost.stl", "file/not-found"), 5),
        ('alloy = "carbon-steel"', "", ("alloy", "is needed"), 2),
        ('name = "plate"', 'sand = "sugar"', ("sugar", "silica-furan"), 2),
        ('name = "plate"', 'printer = "press"', ("press", "box-m"), 2),
    ],
    ids=["unit", "alloy", "file", "no alloy", "sand", "printer"],
)
def test_bad_values_give_one_message_and_no_folder(old, new, parts, code, folder, capsys):
    (folder / "plate.toml").write_text(JOB.replace(old, new), encoding="utf-8")
    before = sorted(folder.iterdir())
    assert run("prep", "plate.toml") == code
    one_error(capsys, *parts)
    assert sorted(folder.iterdir()) == before


def test_missing_job_file(folder, capsys):
    assert run("prep", "nowhere.toml") == 5
    one_error(capsys, "nowhere.toml", "file/not-found")


def test_a_unit_that_must_be_said(folder, capsys):
    """An STL carries no unit: refused, with the way out."""
    assert run("prep", "plate.stl", "--alloy", "carbon-steel") in {2, 3}
    one_error(capsys, "unit")
    assert not (folder / "plate-mold").exists()


def test_a_bare_model_without_alloy(folder, capsys):
    assert run("feed", "plate.stl", "--unit", "mm") == 2
    one_error(capsys, "--alloy", "job/no-alloy")


@pytest.mark.parametrize("words", [(), ("prep",), ("prep", "--bogus"), ("nonsense",)])
def test_usage_errors_are_2(words, capsys):
    assert run(*words) == 2
    capsys.readouterr()


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (GeometryError("not a closed body", code="geometry/not-closed", where="plate.stl"), 3),
        (StageError("cannot be built", code="stage/x", where="plan", fix="do this"), 4),
    ],
)
def test_errors_of_stages(error, code, folder, capsys, monkeypatch):
    def prepare(*_, **__):
        raise error

    monkeypatch.setattr(runs, "prepare", prepare)
    assert run("prep", "plate.toml") == code
    one_error(capsys, str(error))
    assert not (folder / "plate-mold").exists()


def test_a_bug_is_1_with_a_short_message_last(folder, capsys, monkeypatch):
    def prepare(*_, **__):
        raise ZeroDivisionError("oops")

    monkeypatch.setattr(runs, "prepare", prepare)
    assert run("prep", "plate.toml") == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert "Traceback" in err
    assert err.rstrip().splitlines()[-1] == "error: a bug in moldprep: ZeroDivisionError: oops"
    assert not (folder / "plate-mold").exists()


# ---- prep and its kin -------------------------------------------------------------------------


def test_prep_writes_a_package_and_says_so(made, folder, capsys):
    assert run("prep", "plate.toml") == 10
    out, _ = capsys.readouterr()
    for part in ("plate", "kg poured", "drag", "cope", "0.62 m/s", "widen the gate", "1 fail"):
        assert part in out
    assert "freezes at 1.5" not in out  # passed: only with --all
    assert (folder / "plate-mold" / "report.html").is_file()
    assert run("verify", "plate-mold") == 0
    assert "block = metal" in capsys.readouterr().out


@pytest.mark.parametrize(("kept", "code"), [((0, 3), 0), ((0, 2), 0), ((1,), 10)])
def test_exit_code_follows_the_findings(kept, code, made, review, folder):
    review[:] = [review[k] for k in kept]
    assert run("prep", "plate.toml") == code


def test_all_lists_what_passed(made, folder, capsys):
    run("prep", "plate.toml", "--all")
    assert "F1 freezes at 1.5 x" in capsys.readouterr().out


def test_json_is_the_result_and_nothing_else(made, folder, capsys):
    assert run("prep", "plate.toml", "--out", "x", "--json") == 10
    out, err = capsys.readouterr()
    assert json.loads(out) == json.loads((folder / "x" / "result.json").read_text("utf-8"))
    assert err == ""


@pytest.mark.parametrize("command", ["feed", "gate", "plan"])
def test_json_of_the_studies(command, made, folder, capsys):
    assert run(command, "plate.toml", "--json") in {0, 10}
    out, err = capsys.readouterr()
    assert json.loads(out)["plan"]["feeders"][0]["name"] == "F1"
    assert err == ""
    assert not (folder / "plate-mold").exists()


def test_feed_and_gate_stop_where_they_should(made, folder, capsys):
    assert run("feed", "plate.stl", "--alloy", "carbon-steel", "--unit", "mm") == 10
    assert "Hot spots" in capsys.readouterr().out
    assert run("gate", "plate.toml") == 10
    assert "Pouring time" in capsys.readouterr().out
    assert [until for _, until in made] == ["feeding", "fill"]


def test_set_changes_a_key(made, folder):
    run("prep", "plate.toml", "--set", "mold.wall_mm=33", "--set", 'sheet.part_no="A-7"')
    assert made[0][0].mold.wall_mm == 33.0
    assert made[0][0].sheet.part_no == "A-7"


@pytest.mark.parametrize("change", ["mold.wal_mm=33", "mold.wall_mm=-1", "mold", "mold.wall_mm"])
def test_set_is_checked_like_the_file(change, folder, capsys):
    assert run("prep", "plate.toml", "--set", change) == 2
    one_error(capsys)


def test_alloy_option_replaces_the_jobs(made, folder):
    run("prep", "plate.toml", "--alloy", "al-si12")
    assert made[0][0].alloy == "al-si12"


def test_a_folder_stands_for_its_job_toml(made, folder):
    (folder / "job.toml").write_text(JOB, encoding="utf-8")
    assert run("prep", ".", "--out", "y") == 10


def test_an_occupied_folder_is_refused_before_any_work(made, folder, capsys):
    (folder / "plate-mold").mkdir()
    (folder / "plate-mold" / "thesis.txt").write_text("years")
    assert run("prep", "plate.toml") == 5
    one_error(capsys, "file/exists")
    assert made == []


def test_plan_can_be_fed_in_again(made, folder, capsys):
    assert run("plan", "plate.toml") == 0
    out, _ = capsys.readouterr()
    assert "hot spot S2 has no other feed" in out
    planned = load_job(folder / "plate.planned.toml")
    assert planned.rigging.auto == ()
    assert planned.rigging.feeder[0].name == "F1"
    assert planned.rigging.runner[0].width_mm == 20.0
    assert planned.model_dump(exclude={"rigging"}) == load_job(folder / "plate.toml").model_dump(
        exclude={"rigging"}
    )
    assert run("plan", "plate.toml") == 0  # an older plan may go
    assert run("plan", "plate.toml", "--out", "plate.toml") == 5


def test_plan_elsewhere_still_finds_the_casting(made, folder):
    (folder / "plans").mkdir()
    assert run("plan", "plate.toml", "--out", "plans/mine.toml") == 0
    planned = load_job(folder / "plans" / "mine.toml")
    assert (planned.folder / planned.casting.file).resolve() == folder / "plate.stl"


# ---- new, verify, week, tables, why -----------------------------------------------------------


def test_new_writes_a_job_that_loads(folder, capsys):
    (folder / "plate.toml").unlink()
    assert run("new", "plate.stl", "--unit", "in", "--alloy", "al-si7mg") == 0
    assert "plate.toml" in capsys.readouterr().out
    job = load_job(folder / "plate.toml")
    assert (job.alloy, job.casting.unit, str(job.casting.file)) == ("al-si7mg", "in", "plate.stl")
    assert run("new", "plate.stl") == 5
    one_error(capsys, "file/exists")


def test_every_key_of_a_new_job_loads_when_taken_in(folder):
    """Take the # off every line that shows a key: still a good job, and the same one."""
    assert run("new", "plate.stl", "--unit", "mm", "--out", "fresh.toml") == 0
    text = (folder / "fresh.toml").read_text(encoding="utf-8")
    lines = [
        line.removeprefix("# ") if line.startswith("# ") and " = " in line.split("  #")[0] else line
        for line in text.splitlines()
    ]
    (folder / "full.toml").write_text("\n".join(lines), encoding="utf-8")
    full, fresh = load_job(folder / "full.toml"), load_job(folder / "fresh.toml")
    assert len(lines) > 60
    assert full.model_dump(exclude={"name"}) == fresh.model_dump(exclude={"name"})


def test_new_of_a_missing_model(folder, capsys):
    assert run("new", "lost.stl") == 5
    one_error(capsys, "file/not-found")


def test_verify_of_a_spoiled_package_is_10(made, folder, capsys):
    run("prep", "plate.toml", "--json")
    (folder / "plate-mold" / "report.html").write_text("gone")
    capsys.readouterr()
    assert run("verify", "plate-mold", "--json") == 10
    answer = json.loads(capsys.readouterr().out)
    assert answer["is_proved"] is False
    assert [p["what"] for p in answer["proofs"] if not p["is_proved"]] == ["no file was changed"]


def test_verify_of_no_package_is_5(folder, capsys):
    assert run("verify", ".") == 5
    one_error(capsys, "file/not-a-package")


def test_week_with_jobs_that_cannot_start(folder, capsys):
    (folder / "jobs").mkdir()
    (folder / "jobs" / "bad.toml").write_text(JOB + "[nope]\n", encoding="utf-8")
    assert run("week", "jobs", "--json") == 2
    out, _ = capsys.readouterr()
    answer = json.loads(out)
    assert answer["jobs"][0]["state"] == "failed"
    assert answer == json.loads((folder / "jobs-week" / "week.json").read_text("utf-8"))
    assert run("week", "jobs") == 2
    assert "unknown key" in " ".join(capsys.readouterr().out.split())


def test_a_week_says_on_whole_lines_why_a_job_failed(folder, capsys):
    (folder / "jobs").mkdir()
    (folder / "jobs" / "bad.toml").write_text(JOB + "[nope]\n", encoding="utf-8")
    run("week", "jobs")
    lines = capsys.readouterr().out.splitlines()
    assert any("bad.toml: unknown key 'nope'" in line for line in lines)


HALF_WRITTEN = """
import pathlib, sys, tempfile, time
from moldprep import cli

def write(argv):
    with tempfile.TemporaryDirectory(prefix=".moldprep-", dir=".") as scratch:
        (pathlib.Path(scratch) / "half").write_text("written")
        print("writing", flush=True)
        time.sleep(60)

cli._run = write
sys.exit(cli.main([]))
"""


def test_a_run_that_is_told_to_end_leaves_nothing_behind(tmp_path):
    command = [sys.executable, "-c", HALF_WRITTEN]
    with subprocess.Popen(command, cwd=tmp_path, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout.readline() == "writing\n"
        assert len(list(tmp_path.iterdir())) == 1
        process.terminate()
        assert process.wait(timeout=30) == 143
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("kind", ["alloys", "sands", "printers", "rules"])
def test_tables(kind, capsys):
    assert run("tables", kind, "--json") == 0
    (things,) = json.loads(capsys.readouterr().out).values()
    assert things
    assert all(thing["source"] for thing in things)
    assert run("tables", kind) == 0
    out = capsys.readouterr().out
    assert all(thing["id"] in out for thing in things)


def test_tables_of_all_kinds(capsys):
    assert run("tables", "--json") == 0
    assert list(json.loads(capsys.readouterr().out)) == ["alloys", "sands", "printers", "rules"]


@pytest.mark.parametrize("name", sorted(all_checks()))
def test_why_of_every_check(name, capsys):
    assert run("why", name, "--json") == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["id"] == name
    assert answer["why"]
    assert answer["source"]


def test_why_for_a_person_and_for_a_typo(capsys):
    assert run("why", "printing/piece-fits-box") == 0
    assert "job box" in capsys.readouterr().out
    assert run("why", "printing/piece-fits-bok") == 2
    one_error(capsys, "printing/piece-fits-box")


def test_help_and_version_as_a_program():
    for words in (["--help"], ["--version"], ["prep", "--help"]):
        done = subprocess.run(
            [sys.executable, "-m", "moldprep", *words], capture_output=True, text=True, check=True
        )
        assert done.stdout
        assert done.stderr == ""
