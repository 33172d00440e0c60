"""result.json + pictures -> report.html, one file; numbers are formatted here, none computed."""

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, PackageLoader, StrictUndefined

from moldprep.records import Alloy, Printer, Rules, Sand
from moldprep.report.cautions import cautions
from moldprep.results import Results
from moldprep.wording import amount, duration, place, size

VERDICTS: Final = ("fail", "warn", "pass", "skip")
"""In the order the page lists them."""

HEADLINES: Final = {
    "pass": "Every check that applies passed",
    "warn": "No check failed; read the warnings before pouring",
    "fail": "Do not pour: a check failed",
}


@dataclass(frozen=True)
class Picture:
    """One picture on disk and what it shows."""

    name: str
    caption: str
    file: Path

    @property
    def data(self) -> str:
        """The picture as a data URI."""
        return "data:image/png;base64," + base64.b64encode(self.file.read_bytes()).decode()


def report_html(result: dict[str, Any], results: Results, pictures: Sequence[Picture]) -> str:
    """Return the page of a job; it needs no other file and no network.

    Parameters
    ----------
    result
        Content of result.json; its timings are left out of the page.
    results
        Where the alloy, sand, printer and rules are taken from.
    pictures
        Put into the page.
    """
    alloy, sand = results.need(Alloy), results.need(Sand)
    found = {
        verdict: [one for one in result["findings"] if one["verdict"] == verdict]
        for verdict in VERDICTS
    }
    return (
        _environment()
        .get_template("report.html.j2")
        .render(
            r=result,
            keys=result["job"]["keys"],
            alloy=alloy,
            sand=sand,
            printer=results.need(Printer),
            rules=results.need(Rules),
            pictures=pictures,
            found=found,
            headline=HEADLINES[result["verdict"]],
            cautions=cautions(alloy, sand),
        )
    )


def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("moldprep.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {"n": amount, "place": place, "time": duration, "size": size}
    return environment
