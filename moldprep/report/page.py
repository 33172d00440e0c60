"""Results + Review -> report.html; numbers are formatted here, none computed."""

from collections.abc import Sequence

from moldprep.findings import Review
from moldprep.report.figures import Picture
from moldprep.results import Results


def report_html(results: Results, review: Review, pictures: Sequence[Picture], stamp: str) -> str:
    return "<html></html>"
