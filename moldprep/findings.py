"""What a check says: Verdict, Finding, Review."""

from collections import Counter
from dataclasses import dataclass
from enum import StrEnum


class Verdict(StrEnum):
    """How a check ended."""

    PASS = "pass"
    SKIP = "skip"
    WARN = "warn"
    FAIL = "fail"


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One judged number.

    value, limit : the measured number and what it was held against; NaN where the check has none
    unit         : unit of both, "-" for none
    part         : name of the body or section it is about, "" for the whole job
    at_mm        : (x, y, z) in the part frame, or () where no place applies
    remedy       : what to change
    """

    id: str
    verdict: Verdict
    message: str
    value: float
    limit: float
    unit: str
    part: str = ""
    at_mm: tuple[float, ...] = ()
    remedy: str = ""
    source: str = ""


@dataclass(frozen=True, kw_only=True)
class Review:
    """All findings of one job, in the order the checks ran."""

    findings: tuple[Finding, ...]

    def counts(self) -> dict[Verdict, int]:
        """Return how many findings ended with each verdict."""
        tally = Counter(finding.verdict for finding in self.findings)
        return {verdict: tally[verdict] for verdict in Verdict}

    @property
    def has_failed(self) -> bool:
        """Whether any finding is FAIL."""
        return any(finding.verdict is Verdict.FAIL for finding in self.findings)
