"""Every pattern check: one good case, one bad, told apart at its limit."""

from dataclasses import replace

import numpy as np
import pytest

from moldprep.catalog import all_of, find
from moldprep.checks import all_checks, run_check
from moldprep.findings import Verdict
from moldprep.geometry.solid import Solid
from moldprep.records import Alloy, DraftFact, Rules, Undercut
from moldprep.records.job import CoreKeys, DraftKeys, FaceSelector, PatternKeys, StockKeys
from moldprep.results import Results
from tests.castings import cast, job_for, patterned

BOX = Solid.box((0, 0, 0), (100, 60, 40))
TOP = FaceSelector(toward=(0, 0, 1))
FOOT = FaceSelector(toward=(0, 0, -1))
PLAIN = patterned(BOX)


def findings(check_id, *records):
    rules = find(Rules, "usual")
    return run_check(all_checks()[check_id], Results(*records, rules), rules)


def verdicts(check_id, *records):
    return [finding.verdict for finding in findings(check_id, *records)]


@pytest.mark.parametrize(
    ("factor", "rule", "verdict"),
    [
        (1.012, "on-casting", Verdict.PASS),
        (1.0131, "on-casting", Verdict.WARN),
        (1.0131, "on-pattern", Verdict.PASS),
        (1.0054, "on-casting", Verdict.WARN),
    ],
)
def test_shrink_is_as_published(factor, rule, verdict):
    pattern = replace(PLAIN, shrink=np.array([1.01, 1.01, factor]))
    job = job_for(pattern=PatternKeys(shrink_rule=rule))
    found = verdicts("pattern/shrink-is-as-published", pattern, job, find(Alloy, "grey-iron"))
    assert found == [verdict]


def test_every_shipped_alloy_has_a_published_shrink():
    for alloy in all_of(Alloy):
        pattern = replace(PLAIN, shrink=np.full(3, 1.0 + alloy.shrink_pct / 100.0))
        assert verdicts("pattern/shrink-is-as-published", pattern, job_for(), alloy) == [
            Verdict.PASS
        ], alloy.id


@pytest.mark.parametrize(
    ("asked", "has", "verdict"),
    [(2.0, 1.96, Verdict.PASS), (2.0, 1.94, Verdict.WARN)],
)
def test_draft_as_asked(asked, has, verdict):
    fact = DraftFact(
        group="outer cope", area_mm2=100.0, smallest_deg=has, height_mm=40.0,
        at_mm=(1.0, 2.0, 3.0), asked_deg=asked,
    )  # fmt: skip
    (found,) = findings("pattern/draft-as-asked", replace(PLAIN, draft=(fact,)))
    assert (found.verdict, found.at_mm) == (verdict, (1.0, 2.0, 3.0))


def test_draft_nobody_asked_for_is_passed_over():
    fact = DraftFact(
        group="outer cope", area_mm2=100.0, smallest_deg=-0.2, height_mm=40.0,
        at_mm=(1.0, 2.0, 3.0), asked_deg=0.0,
    )  # fmt: skip
    assert verdicts("pattern/draft-as-asked", replace(PLAIN, draft=(fact,))) == [Verdict.SKIP]


def test_draft_of_a_body_without_walls_is_passed_over():
    assert verdicts("pattern/draft-as-asked", replace(PLAIN, draft=())) == [Verdict.SKIP]


@pytest.mark.parametrize(
    ("areas", "process", "wanted"),
    [
        ((), "only", Verdict.PASS),
        ((0.9,), "only", Verdict.PASS),
        ((500.0, 20.0), "only", Verdict.WARN),
        ((500.0, 20.0), "pieces", Verdict.PASS),
    ],
)
def test_undercuts_matter_where_a_pattern_is_drawn(areas, process, wanted):
    undercuts = tuple(Undercut(area_mm2=a, at_mm=(0.0, 0.0, 9.0), side="drag") for a in areas)
    job = job_for(cores=CoreKeys(process=process))
    (found,) = findings("pattern/undercuts-are-few", replace(PLAIN, undercuts=undercuts), job)
    assert (found.verdict, found.value) == (wanted, sum(areas))


@pytest.mark.parametrize(
    ("mm", "grade", "verdict"),
    [
        (1.4, "G", Verdict.PASS),  # RMAG G at 100 mm
        (1.39, "G", Verdict.FAIL),
        (1.0, None, Verdict.SKIP),
    ],
)
def test_stock_meets_grade(mm, grade, verdict):
    stock = (StockKeys(faces=TOP, mm=mm, grade=grade),)
    job = job_for(pattern=PatternKeys(stock=stock))
    assert verdicts("pattern/stock-meets-grade", job, cast(BOX)) == [verdict]


def test_stock_found_its_faces():
    beside = FaceSelector(toward=(0, 0, 1), plane_at=(0, 0, 55))
    stock = (StockKeys(faces=TOP, mm=2.0), StockKeys(faces=beside, mm=2.0))
    found = findings(
        "pattern/stock-found-its-faces", job_for(pattern=PatternKeys(stock=stock)), cast(BOX)
    )
    assert [(one.verdict, one.value) for one in found] == [
        (Verdict.PASS, 6000.0),
        (Verdict.FAIL, 0.0),
    ]
    assert verdicts("pattern/stock-found-its-faces", job_for(), cast(BOX)) == [Verdict.SKIP]


def test_spared_faces_are_found():
    beside = FaceSelector(toward=(0, 0, 1), plane_at=(0, 0, 55))
    keys = PatternKeys(keep_clear=(TOP, beside), draft=DraftKeys(deg=1.0, exempt=(TOP,)))
    found = findings("pattern/spared-faces-are-found", job_for(pattern=keys), cast(BOX))
    assert [(one.verdict, one.value, one.message[:10]) for one in found] == [
        (Verdict.PASS, 6000.0, "keep_clear"),
        (Verdict.FAIL, 0.0, "keep_clear"),
        (Verdict.PASS, 6000.0, "draft.exem"),
    ]
    assert verdicts("pattern/spared-faces-are-found", job_for(), cast(BOX)) == [Verdict.SKIP]


@pytest.mark.parametrize(
    ("faces", "extra", "verdict"),
    [
        (TOP, 0.0, Verdict.WARN),
        (FOOT, 0.0, Verdict.PASS),
        (TOP, 1.0, Verdict.SKIP),
    ],
)
def test_machined_faces_lie_down(faces, extra, verdict):
    stock = (StockKeys(faces=faces, mm=2.0, cope_extra_mm=extra),)
    job = job_for(pattern=PatternKeys(stock=stock))
    pattern = patterned(BOX, stock=stock)
    assert verdicts("pattern/machined-faces-lie-down", job, pattern) == [verdict]
