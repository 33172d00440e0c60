"""Arguments -> one API call -> print."""

import json
import logging
import signal
import sys
import threading
import traceback
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from enum import StrEnum
from importlib import metadata
from pathlib import Path
from typing import Annotated, Any, Final

import typer
from rich.console import Console, RenderableType
from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

import moldprep
from moldprep import errors, terminal

EXIT_FAIL: Final = 10
EXIT_BUG: Final = 1
EXIT_TERMINATED: Final = 128 + signal.SIGTERM

app = typer.Typer(
    name="moldprep",
    help="Casting model in, printable and checked sand mold out.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)


class Kind(StrEnum):
    """What `tables` can list."""

    ALLOYS = "alloys"
    SANDS = "sands"
    PRINTERS = "printers"
    RULES = "rules"


JobFile = Annotated[
    Path, typer.Argument(metavar="JOB", help="job file, its folder, or a bare casting model")
]
Alloy = Annotated[str | None, typer.Option("--alloy", help="id of an alloy, for a bare model")]
Unit = Annotated[str | None, typer.Option("--unit", help="mm, cm, m, in, ft or um; bare model")]
Changes = Annotated[
    list[str] | None, typer.Option("--set", metavar="TABLE.KEY=VALUE", help="change one job key")
]
AsJson = Annotated[bool, typer.Option("--json", help="print JSON for machines, nothing else")]
AllOfThem = Annotated[bool, typer.Option("--all", help="list checks that passed, too")]


def main(argv: Sequence[str] | None = None) -> int:
    """Return the exit code of one run of the command line."""
    with _tidy_end():
        return _run(argv)


@contextmanager
def _tidy_end() -> Iterator[None]:
    """Let a run that is told to end remove what it has half written, as on Ctrl-C."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGTERM, lambda *_: sys.exit(EXIT_TERMINATED))
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def _run(argv: Sequence[str] | None) -> int:
    """Return the exit code of one run."""
    try:
        app(args=None if argv is None else list(argv), standalone_mode=True)
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else EXIT_BUG
    except errors.MoldprepError as err:
        print(f"error: {err}", file=sys.stderr)
        return err.exit_code
    except Exception as err:  # noqa: BLE001  the last line of defense: a bug has its own exit code
        traceback.print_exc(file=sys.stderr)
        print(f"error: a bug in moldprep: {type(err).__name__}: {err}", file=sys.stderr)
        return EXIT_BUG
    return 0


def _tell_version(is_asked: bool) -> None:
    if is_asked:
        print(metadata.version("moldprep"))
        raise typer.Exit


@app.callback()
def _common(
    version: Annotated[
        bool,
        typer.Option("--version", help="print the version", callback=_tell_version, is_eager=True),
    ] = False,
    verbose: Annotated[bool, typer.Option("--verbose", help="log each stage to stderr")] = False,
) -> None:
    if verbose:
        logging.basicConfig(level=logging.INFO, format="%(message)s", stream=sys.stderr)


@app.command()
def new(
    casting: Annotated[Path, typer.Argument(metavar="CASTING", help="casting model")],
    alloy: Annotated[str, typer.Option(help="id of an alloy")] = "carbon-steel",
    unit: Unit = None,
    out: Annotated[
        Path | None, typer.Option(help="file to write; default: beside the casting")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Write a commented job file for a casting."""
    target = moldprep.write_new_job(casting, alloy, unit, out)
    _show({"job_file": str(target)}, as_json, f"wrote {target}")


@app.command()
def plan(
    job_file: JobFile,
    out: Annotated[
        Path | None, typer.Option(help="file to write; default: <job>.planned.toml beside the job")
    ] = None,
    alloy: Alloy = None,
    unit: Unit = None,
    changes: Changes = None,
    as_json: AsJson = False,
) -> None:
    """Plan the rigging and write it as job-file tables, to be edited and fed in again."""
    job = moldprep.open_job(job_file, alloy, unit, changes or ())
    target = out or job.folder / f"{job.name}.planned.toml"
    with _progress(as_json) as announce:
        study = moldprep.write_plan(job, target, announce)
    answer = {"job_file": str(target), "plan": study.result["plan"]}
    _show(answer, as_json, terminal.plan(study.result), f"wrote {target}")


@app.command()
def prep(
    job_file: JobFile,
    out: Annotated[Path | None, typer.Option(help="package folder; default: <job>-mold")] = None,
    alloy: Alloy = None,
    unit: Unit = None,
    changes: Changes = None,
    all_of_them: AllOfThem = False,
    as_json: AsJson = False,
) -> None:
    """Make the whole mold: a package with print files, result.json and report.html."""
    job = moldprep.open_job(job_file, alloy, unit, changes or ())
    with _progress(as_json) as announce:
        package = moldprep.prepare_package(job, out, announce)
    tables = [terminal.overview(package.result), terminal.pieces(package.result)]
    _judge(package.result, as_json, all_of_them, *tables)
    _show(None, as_json, f"wrote {package.folder}: open report.html there")
    _end(package.result["verdict"] == "fail")


@app.command()
def feed(
    job_file: JobFile,
    picture: Annotated[
        Path | None, typer.Option(help="picture to write (PNG); default: <job>-feeding.png here")
    ] = None,
    alloy: Alloy = None,
    unit: Unit = None,
    changes: Changes = None,
    all_of_them: AllOfThem = False,
    as_json: AsJson = False,
) -> None:
    """Study feeding only: sections, order of freezing, hot spots, feeders wanted.

    Of a bare model without channels and on a coarser grid, so that the answer comes at once.
    Machines get a picture only where they ask for one.
    """
    job = moldprep.open_job(job_file, alloy, unit, changes or (), quick_feeding=True)
    if picture is None and not as_json:
        picture = Path(f"{job.name}-feeding.png")
    with _progress(as_json) as announce:
        study = moldprep.study_feeding(job, picture, announce)
    tables = [terminal.overview(study.result), terminal.feeding(study.result)]
    _judge(study.result, as_json, all_of_them, *tables)
    _show(None, as_json, f"wrote {picture}")
    _end(study.result["verdict"] == "fail")


@app.command()
def gate(
    job_file: JobFile,
    picture: Annotated[Path | None, typer.Option(help="write a picture here (PNG)")] = None,
    alloy: Alloy = None,
    unit: Unit = None,
    changes: Changes = None,
    all_of_them: AllOfThem = False,
    as_json: AsJson = False,
) -> None:
    """Study gating only: what the metal reaches, how fast, how the mold fills."""
    job = moldprep.open_job(job_file, alloy, unit, changes or ())
    with _progress(as_json) as announce:
        study = moldprep.study_gating(job, picture, announce)
    tables = [terminal.overview(study.result), terminal.gating(study.result)]
    _judge(study.result, as_json, all_of_them, *tables)
    if picture is not None:
        _show(None, as_json, f"wrote {picture}")
    _end(study.result["verdict"] == "fail")


@app.command()
def week(
    source: Annotated[
        Path, typer.Argument(metavar="FOLDER-OR-PLAN", help="folder of job files, or a TOML plan")
    ],
    out: Annotated[Path | None, typer.Option(help="default: <folder>-week")] = None,
    cluster: Annotated[str | None, typer.Option(help="address of a dask scheduler")] = None,
    workers: Annotated[int | None, typer.Option(min=1, help="local worker processes")] = None,
    changes: Changes = None,
    as_json: AsJson = False,
) -> None:
    """Make a week of molds; jobs whose finished package matches are kept."""
    target = out or Path(f"{source.resolve().stem}-week")
    with _progress(as_json) as announce:
        done = moldprep.run_week(
            source, target, cluster, workers, changes or (), lambda made: announce(made.file)
        )
    _show(moldprep.week_json(done), as_json, terminal.week(done), f"wrote {target}")
    raise typer.Exit(moldprep.week_exit_code(done))


@app.command()
def verify(
    package: Annotated[Path, typer.Argument(metavar="OUT", help="folder that prep wrote")],
    as_json: AsJson = False,
) -> None:
    """Open a finished package again with other readers, and prove it again."""
    with _progress(as_json):
        proofs = moldprep.verify_package(package)
    is_proved = all(proof.is_proved for proof in proofs)
    answer = {
        "package": str(package),
        "is_proved": is_proved,
        "proofs": [asdict(p) for p in proofs],
    }
    _show(answer, as_json, terminal.proofs(proofs))
    _end(not is_proved)


@app.command()
def tables(
    kind: Annotated[Kind | None, typer.Argument(help="only one kind")] = None,
    configs: Annotated[Path | None, typer.Option(help="folder of your own besides")] = None,
    as_json: AsJson = False,
) -> None:
    """List alloys, sands, printers and rules with the source of every figure."""
    found = moldprep.catalog_tables(configs, kind and kind.value)
    answer = {
        name: [thing.model_dump(mode="json") for thing in things] for name, things in found.items()
    }
    _show(answer, as_json, *(terminal.catalog(name, things) for name, things in found.items()))


@app.command()
def why(
    check_id: Annotated[str, typer.Argument(metavar="CHECK-ID", help="id of a check")],
    as_json: AsJson = False,
) -> None:
    """Say what a check is for, its limit, and who says so."""
    found = moldprep.find_check(check_id)
    _show(terminal.reasons_json(found), as_json, terminal.reasons(found))


def _show(answer: Any, as_json: bool, *parts: RenderableType) -> None:
    """Print an answer as JSON, or its parts for a person."""
    if as_json:
        if answer is not None:
            print(json.dumps(answer, indent=2, ensure_ascii=False, allow_nan=False))
        return
    console = Console(highlight=False, markup=False)
    for part in parts:
        console.print(part)


def _judge(
    result: dict[str, Any], as_json: bool, all_of_them: bool, *parts: RenderableType
) -> None:
    """Print a result: JSON, or tables and what its checks found."""
    _show(result, as_json, *parts, terminal.findings(result, all_of_them=all_of_them))


def _end(has_failed: bool) -> None:
    if has_failed:
        raise typer.Exit(EXIT_FAIL)


@contextmanager
def _progress(as_json: bool) -> Iterator[Callable[[str], None]]:
    """Give an announcer that shows what is done on stderr; silent for machines."""
    console = Console(stderr=True)
    bar = Progress(
        SpinnerColumn(), TextColumn("{task.description}"), TimeElapsedColumn(),
        console=console, transient=True, disable=as_json or not console.is_terminal,
    )  # fmt: skip
    with bar:
        task = bar.add_task("reading", total=None)
        yield lambda name: bar.update(task, description=f"{name} done")
