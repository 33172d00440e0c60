"""The engine of checks: stamping, softening, skipping, and no silence."""

import math

import pytest

from moldprep.catalog import shipped_configs
from moldprep.checks import Check, all_checks, check, judged, limit_of, run_check, run_checks
from moldprep.desk import catalog_tables
from moldprep.errors import JobError
from moldprep.findings import Review, Verdict
from moldprep.jobfile import make_job
from moldprep.records import Casting, Rules
from moldprep.records.catalog import RuleChange
from moldprep.results import Results
from moldprep.runs import study_gating


def rules(**change):
    checks = {"test/one": RuleChange(**change)} if change else {}
    return Rules(title="t", source={}, checks=checks)


def one(judge, limit=1.0):
    return Check(
        id="test/one", why="because.", source="geometry", limit=limit, unit="mm",
        miss=Verdict.FAIL, judge=judge,
    )  # fmt: skip


def over(results, limit):
    yield judged(limit >= 2.0, "two", value=2.0, remedy="less")


def test_finding_is_stamped():
    (finding,) = run_check(one(over), Results(), rules())
    assert finding.verdict is Verdict.FAIL
    assert (finding.id, finding.limit, finding.unit) == ("test/one", 1.0, "mm")
    assert (finding.source, finding.remedy) == ("geometry", "less")


def test_rule_set_changes_limit_and_verdict():
    (finding,) = run_check(one(over), Results(), rules(limit=3.0))
    assert (finding.verdict, finding.limit) == (Verdict.PASS, 3.0)
    (finding,) = run_check(one(over), Results(), rules(soften=True))
    assert finding.verdict is Verdict.WARN
    (finding,) = run_check(one(over), Results(), rules(off=True, why="trial"))
    assert finding.verdict is Verdict.SKIP


def test_missing_record_is_a_skip():
    def asks(results, limit):
        results.need(Casting)
        yield judged(True, "never")

    (finding,) = run_check(one(asks), Results(), rules())
    assert (finding.verdict, finding.message) == (Verdict.SKIP, "needs Casting")


def test_silence_is_a_bug():
    with pytest.raises(ValueError, match="said nothing"):
        run_check(one(lambda results, limit: iter(())), Results(), rules())


def test_review_counts():
    findings = run_check(one(over), Results(), rules())
    review = Review(findings=tuple(findings))
    assert review.has_failed
    assert review.counts()[Verdict.FAIL] == 1


def test_limits_are_numbers_or_said_to_be_none():
    for name, known in all_checks().items():
        assert math.isfinite(known.limit) or math.isnan(known.limit), name
        assert known.unit.strip(), name
        assert known.unit == "-" or not math.isnan(known.limit), name


def test_a_second_check_of_one_id_is_refused():
    taken = all_checks()["feeding/no-pool-cut-off"]
    with pytest.raises(ValueError, match="two checks with the id feeding/no-pool-cut-off"):

        @check(id=taken.id, why="because.", source="geometry")
        def elsewhere(results, limit):
            yield judged(True, "never")

    def another(results, limit):
        yield judged(True, "never")

    another.__module__ = taken.judge.__module__
    register = check(id=taken.id, why="because.", source="geometry")
    with pytest.raises(ValueError, match="two checks"):
        register(another)
    assert all_checks()[taken.id] is taken


def test_a_limit_asked_by_another_check_follows_the_rule_set():
    usual = all_checks()["feeding/niyama-share"].limit
    changed = Rules(title="t", source={}, checks={"feeding/niyama-share": RuleChange(limit=7.5)})
    assert limit_of("feeding/niyama-share", Results()) == usual
    assert limit_of("feeding/niyama-share", Results(rules())) == usual
    assert limit_of("feeding/niyama-share", Results(changed)) == 7.5


def test_results_hold_one_record_a_type():
    with pytest.raises(ValueError, match="two records"):
        Results(rules(), rules())
    again = Results(rules()).plus(rules(limit=2.0))
    assert again.need(Rules).checks


def test_a_mistyped_check_in_a_rule_set_is_an_error_that_helps():
    change = RuleChange(off=True, why="trial")
    typo = Rules(id="shop", title="t", source={}, checks={"gating/runer-runs-full": change})
    with pytest.raises(JobError) as err:
        run_checks(Results(typo))
    assert err.value.code == "check/unknown-id"
    assert "rules/shop.toml" in str(err.value)
    assert "gating/runner-runs-full" in str(err.value)


def test_a_run_with_a_mistyped_check_ends_before_it_begins(tmp_path):
    rules = shipped_configs() / "rules" / "usual.toml"
    own = tmp_path / "configs" / "rules"
    own.mkdir(parents=True)
    wrong = '[checks."gating/none-such"]\noff = true\nwhy = "trial"\n'
    (own / "shop.toml").write_text(rules.read_text() + wrong)
    table = {
        "name": "t", "alloy": "carbon-steel", "rules": "shop", "configs": "configs",
        "casting": {"file": "not-there.stl", "unit": "mm"},
    }  # fmt: skip
    with pytest.raises(JobError, match="none-such"):
        study_gating(make_job(table, folder=tmp_path, where="test"))
    with pytest.raises(JobError, match="none-such"):
        catalog_tables(tmp_path / "configs", "rules")
