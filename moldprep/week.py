"""Many jobs on dask: local worker processes, or a cluster. Goes on past a job that fails."""

import os
import tomllib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Final

import dask.config
from distributed import Client, LocalCluster, as_completed

from moldprep.errors import FileError, JobError, MoldprepError
from moldprep.export.package import (
    RESULT,
    default_folder,
    file_hashes,
    read_manifest,
)
from moldprep.export.result import dumps
from moldprep.export.schema import ResultFile
from moldprep.inputs import fingerprint
from moldprep.jobfile import load_job
from moldprep.runs import prepare_package

SCHEMA: Final = "moldprep-week-1"
CLUSTER_S: Final = 5
"""How long a scheduler may take to answer. [s]"""

WEEK_FILE: Final = "week.json"

Tell = Callable[["Summary"], None]


@dataclass(frozen=True, kw_only=True)
class Summary:
    """What one job of a week came to; small enough to send between machines.

    state     : "done", "kept" (an older package matches) or "failed"
    exit_code : what `moldprep prep` would have ended with
    message   : the error of a failed job, "" otherwise
    too_large : pieces that the printer's box does not hold
    """

    file: str
    job: str = ""
    state: str = "failed"
    exit_code: int = 1
    message: str = ""
    package: str = ""
    verdict: str = ""
    n_fail: int = 0
    n_warn: int = 0
    metal_kg: float | None = None
    yield_pct: float | None = None
    n_pieces: int = 0
    too_large: tuple[str, ...] = ()
    n_boxes: int = 0
    print_time_s: float | None = None
    seconds: float = 0.0


def run_week(
    source: Path,
    out: Path,
    cluster: str | None = None,
    workers: int | None = None,
    changes: Sequence[str] = (),
    announce: Tell | None = None,
) -> tuple[Summary, ...]:
    """Return what every job came to; packages and `week.json` are written into `out`.

    Parameters
    ----------
    source
        A folder with job files (`*.toml`, `*/job.toml`), or a TOML file with `jobs = [...]`.
    out
        Folder for the packages.
    cluster
        Address of a running dask scheduler that sees the same files; local processes if missing.
    workers
        Number of local processes.
    changes
        ``table.key=value`` texts for every job.
    announce
        Called with each summary as it comes in.

    Raises
    ------
    FileError
        file/not-found, week/no-jobs, file/not-writable.
    """
    files = job_files(source)
    _make_folder(out)
    done: dict[str, Summary] = {}
    ready = []
    for summary, path in _open_all(files, out, tuple(changes)):
        if path is None:
            done[summary.file] = summary
            _tell(announce, summary)
        else:
            ready.append((path, summary.package))
    if ready:
        with _client(cluster, workers or min(len(ready), os.cpu_count() or 1)) as client:
            futures = {
                client.submit(
                    run_one, path, package, tuple(changes), key=f"{path}", pure=False
                ): path
                for path, package in ready
            }
            for future in as_completed(futures):
                error = future.exception()
                summary = _lost(futures[future], error) if error else future.result()
                done[summary.file] = summary
                _tell(announce, summary)
    summaries = tuple(done[str(path)] for path in files)
    (out / WEEK_FILE).write_text(dumps(week_json(summaries)), encoding="utf-8")
    return summaries


def job_files(source: Path) -> tuple[Path, ...]:
    """Return the job files of a folder, or those a plan names, in order."""
    if source.is_dir():
        found = [*sorted(source.glob("*.toml")), *sorted(source.glob("*/job.toml"))]
    elif source.is_file():
        found = _planned_files(source)
    else:
        raise FileError("no such folder or plan", code="file/not-found", where=str(source))
    if not found:
        raise FileError(
            "no job file in it",
            code="week/no-jobs",
            where=str(source),
            fix="job files are *.toml in the folder, or job.toml one folder down",
        )
    return tuple(found)


def _planned_files(plan: Path) -> list[Path]:
    try:
        table = tomllib.loads(plan.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as err:
        raise JobError(str(err), code="job/not-toml", where=plan.name) from err
    names = table.get("jobs", [])
    if not isinstance(names, list) or not all(isinstance(name, str) for name in names):
        raise JobError("jobs: a list of job files is wanted", code="job/bad-value", where=plan.name)
    return [plan.parent / name for name in dict.fromkeys(names)]


def week_json(summaries: Sequence[Summary]) -> dict[str, Any]:
    """Return the content of week.json."""
    jobs = [asdict(summary) for summary in summaries]
    timings = {job["file"]: round(job.pop("seconds"), 3) for job in jobs}
    return {
        "schema": SCHEMA,
        "exit_code": week_exit_code(summaries),
        "jobs": jobs,
        "print_time_s": sum(one.print_time_s or 0.0 for one in summaries),
        "n_boxes": sum(one.n_boxes for one in summaries),
        "metal_kg": sum(one.metal_kg or 0.0 for one in summaries),
        "timings": timings,
    }


def week_exit_code(summaries: Sequence[Summary]) -> int:
    """Return the first failed job's code, else 10 if any check failed, else 0."""
    failed = [one.exit_code for one in summaries if one.state == "failed"]
    return failed[0] if failed else max((one.exit_code for one in summaries), default=0)


def run_one(path: Path, package: str, changes: tuple[str, ...]) -> Summary:
    """Return what one job came to; runs in a worker."""
    folder = Path(package)
    try:
        job = load_job(path, changes)
        if is_finished(folder, fingerprint(job)):
            return _summary(path, folder, "kept")
        prepare_package(job, folder)
        return _summary(path, folder, "done")
    except MoldprepError as err:
        return Summary(file=str(path), message=str(err), exit_code=err.exit_code)


def is_finished(folder: Path, stamp: str) -> bool:
    """Return whether a whole package of exactly this job is there."""
    manifest = read_manifest(folder)
    if manifest is None or manifest.get("job_sha256") != stamp:
        return False
    return bool(manifest.get("files") == file_hashes(folder))


def _summary(path: Path, folder: Path, state: str) -> Summary:
    """Return the summary of a finished package."""
    result = ResultFile.model_validate_json((folder / RESULT).read_text(encoding="utf-8"))
    verdicts = [finding.verdict for finding in result.findings]
    metal, mold, box = result.metal, result.mold, result.box
    return Summary(
        file=str(path),
        job=result.job.name,
        state=state,
        exit_code=10 if result.verdict == "fail" else 0,
        package=str(folder),
        verdict=str(result.verdict),
        n_fail=verdicts.count("fail"),  # type: ignore[arg-type]
        n_warn=verdicts.count("warn"),  # type: ignore[arg-type]
        metal_kg=metal.mass_kg if metal else None,
        yield_pct=metal.yield_pct if metal else None,
        n_pieces=len(mold.pieces) if mold else 0,
        too_large=tuple(piece.name for piece in box.too_large) if box else (),
        n_boxes=box.n_boxes if box else 0,
        print_time_s=box.print_time_s if box else None,
        seconds=0.0 if state == "kept" else sum(result.timings.values()),
    )


def _open_all(
    files: Sequence[Path], out: Path, changes: tuple[str, ...]
) -> Iterator[tuple[Summary, Path | None]]:
    """Yield (summary, job file to run); no file where the job cannot even be started."""
    taken: dict[Path, Path] = {}
    for path in files:
        start = Summary(file=str(path))
        try:
            package = out.resolve() / default_folder(load_job(path, changes))
            if package in taken:
                raise JobError(
                    f"has the same name as {taken[package].name}",
                    code="week/same-name",
                    where=str(path),
                    fix="give each job a name of its own",
                )
        except MoldprepError as err:
            yield replace(start, message=str(err), exit_code=err.exit_code), None
            continue
        taken[package] = path
        yield replace(start, package=str(package)), path


def _lost(path: Path, error: BaseException) -> Summary:
    """Return the summary of a job whose worker came down: a bug, or out of memory."""
    return Summary(file=str(path), message=f"{type(error).__name__}: {error}", exit_code=1)


def _tell(announce: Tell | None, summary: Summary) -> None:
    if announce is not None:
        announce(summary)


def _make_folder(out: Path) -> None:
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as err:
        raise FileError(
            f"cannot be written: {err.strerror}", code="file/not-writable", where=str(out)
        ) from err


@contextmanager
def _client(address: str | None, workers: int) -> Iterator[Client]:
    """Give a client of a running scheduler, or of local worker processes."""
    if address is not None:
        try:
            client = Client(address, timeout=CLUSTER_S)
        except (OSError, TimeoutError, ValueError) as err:
            raise FileError(
                f"no dask scheduler answers: {err}", code="week/no-cluster", where=address
            ) from err
        with client:
            yield client
        return
    settings = {"distributed.scheduler.allowed-failures": 0, "distributed.worker.daemon": False}
    with (
        dask.config.set(settings),
        LocalCluster(
            n_workers=workers, threads_per_worker=1, dashboard_address=None, silence_logs=50
        ) as cluster,
        Client(cluster) as client,
    ):
        yield client
