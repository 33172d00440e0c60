"""Pictures of a job, off screen; same job, same pixels."""

from dataclasses import dataclass
from pathlib import Path

from moldprep.results import Results


@dataclass(frozen=True)
class Picture:
    """One picture on disk and what it shows."""

    name: str
    caption: str
    file: Path


def draw_pictures(results: Results, folder: Path) -> tuple[Picture, ...]:
    folder.mkdir()
    return ()


def draw_feeding(results: Results, path: Path) -> None: ...


def draw_gating(results: Results, path: Path) -> None: ...
