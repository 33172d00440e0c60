"""Checks: small judges of measured numbers. This file knows nothing about casting.

A check is a generator of `judged(...)` findings, registered by the decorator. Every module of
this folder is loaded; a module that fails to import is an error.
"""

import difflib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from importlib import import_module
from pkgutil import iter_modules

from moldprep.errors import JobError, NotMade
from moldprep.findings import Finding, Review, Verdict
from moldprep.records import Rules
from moldprep.results import Results

Judge = Callable[[Results, float], Iterator[Finding]]


@dataclass(frozen=True, kw_only=True)
class Check:
    """One check: what must hold, why, who says so, and its one limit.

    limit : NaN where the check has no number
    miss  : what a miss counts as, FAIL unless the rule is a recommendation (WARN)
    """

    id: str
    why: str
    source: str
    limit: float
    unit: str
    miss: Verdict
    judge: Judge


_known: dict[str, Check] = {}


def check(
    *,
    id: str,
    why: str,
    source: str,
    limit: float = float("nan"),
    unit: str = "-",
    miss: Verdict = Verdict.FAIL,
) -> Callable[[Judge], Judge]:
    """Return a decorator that registers a check."""

    def register(judge: Judge) -> Judge:
        if id in _known and _home(_known[id].judge) != _home(judge):
            raise ValueError(f"two checks with the id {id}")
        if not (why and source):
            raise ValueError(f"check {id} needs a why and a source")
        _known[id] = Check(
            id=id, why=why, source=source, limit=limit, unit=unit, miss=miss, judge=judge
        )
        return judge

    return register


def _home(judge: Judge) -> tuple[str, str]:
    """Return where a judge is written; a module that is loaded anew is the same home."""
    return judge.__module__, judge.__qualname__


def judged(
    is_fine: bool,
    message: str,
    *,
    value: float = float("nan"),
    part: str = "",
    at_mm: tuple[float, ...] = (),
    remedy: str = "",
) -> Finding:
    """Return a PASS or FAIL; the runner stamps id, limit, unit and source on it."""
    return Finding(
        id="",
        verdict=Verdict.PASS if is_fine else Verdict.FAIL,
        message=message,
        value=float(value),
        limit=float("nan"),
        unit="-",
        part=part,
        at_mm=tuple(round(float(v), 3) for v in at_mm),
        remedy="" if is_fine else remedy,
    )


def all_checks() -> dict[str, Check]:
    """Return every check by id, in the order of the files and of the lines in them."""
    for info in sorted(iter_modules(__path__), key=lambda info: info.name):
        import_module(f"{__name__}.{info.name}")
    return dict(_known)


def find_check(check_id: str, where: str = "command line") -> Check:
    """Return the check of this id.

    Raises
    ------
    JobError
        check/unknown-id.
    """
    known = all_checks()
    if check_id not in known:
        near = difflib.get_close_matches(check_id, known, n=3)
        raise JobError(
            f"no check {check_id!r}",
            code="check/unknown-id",
            where=where,
            fix=" or ".join(near) or f"known: {', '.join(known)}",
        )
    return known[check_id]


def refuse_unknown_checks(rules: Rules) -> None:
    """Raise JobError (check/unknown-id) where a rule set changes a check that there is not."""
    for check_id in sorted(rules.checks):
        find_check(check_id, f"rules/{rules.id}.toml [checks]")


def run_checks(results: Results, only: tuple[str, ...] = ()) -> Review:
    """Return what every check says of these results; `only` keeps some families."""
    rules = results.need(Rules)
    refuse_unknown_checks(rules)
    findings: list[Finding] = []
    for one in all_checks().values():
        if not only or one.id.split("/")[0] in only:
            findings += run_check(one, results, rules)
    return Review(findings=tuple(findings))


def run_check(one: Check, results: Results, rules: Rules) -> list[Finding]:
    """Return what one check says; a record not made is SKIP, silence is a bug."""
    change = rules.checks.get(one.id)
    if change and change.off:
        return [_skip(one, f"switched off by rule set {rules.id}: {change.why}")]
    limit = _limit(one, rules)
    try:
        found = list(one.judge(results, limit))
    except NotMade as missing:
        return [_skip(one, f"needs {missing}")]
    if not found:
        raise ValueError(f"check {one.id} said nothing")
    miss = Verdict.WARN if change and change.soften else one.miss
    return [
        replace(
            finding,
            id=one.id,
            verdict=miss if finding.verdict is Verdict.FAIL else finding.verdict,
            limit=limit,
            unit=one.unit,
            source=one.source,
        )
        for finding in found
    ]


def limit_of(id: str, results: Results) -> float:
    """Return the limit of another check under the rule set of some results."""
    return _limit(all_checks()[id], results.need(Rules) if Rules in results else None)


def _limit(one: Check, rules: Rules | None) -> float:
    change = rules.checks.get(one.id) if rules else None
    return one.limit if change is None or change.limit is None else change.limit


def gathered(
    findings: Iterable[Finding], things: str, most: int = 4, *, small_is_worse: bool = False
) -> Iterator[Finding]:
    """Yield the worst misses one by one, the other misses as one, and what is fine as one.

    Parameters
    ----------
    findings
        Of one check; a larger value is worse, unless `small_is_worse`.
    things
        What they are about, for the sums: "sections".
    most
        Misses that are named one by one.
    """
    every = list(findings)
    sign = 1.0 if small_is_worse else -1.0
    bad = (finding for finding in every if finding.verdict is not Verdict.PASS)
    missed = sorted(bad, key=lambda finding: sign * finding.value)
    fine = [finding for finding in every if finding.verdict is Verdict.PASS]
    yield from missed[:most]
    if len(missed) == most + 1:
        yield missed[most]
    elif missed[most:]:
        rest = missed[most:]
        worst = Verdict.FAIL if any(f.verdict is Verdict.FAIL for f in rest) else Verdict.WARN
        message = f"{len(rest)} more {things} like these; the next: {rest[0].message}"
        yield replace(rest[0], verdict=worst, message=message)
    if len(fine) <= 1 or not missed:
        yield from fine
    else:
        nearest = min(fine, key=lambda finding: sign * finding.value)
        message = f"{len(fine)} other {things} are fine; nearest to the limit: {nearest.message}"
        yield replace(nearest, message=message)


def passed_over(message: str) -> Finding:
    """Return a SKIP for a check that does not apply to this job."""
    return replace(judged(True, message), verdict=Verdict.SKIP)


def _skip(one: Check, message: str) -> Finding:
    return replace(
        passed_over(message), id=one.id, limit=one.limit, unit=one.unit, source=one.source
    )
