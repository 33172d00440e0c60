"""Rules of casting on convection, segregation and stress: both sides of each limit."""

import dataclasses

import numpy as np
import pytest

from moldprep.catalog import find
from moldprep.checks import all_checks, run_check
from moldprep.findings import Verdict
from moldprep.geometry.solid import Solid
from moldprep.records import Alloy, Pattern, Section, Survey
from moldprep.results import Results
from moldprep.rigging.flow import trace_flow
from tests.gating_bench import ALLOY, RULES, good_plan, good_rigging

FLOW = trace_flow(good_rigging(), good_plan(), ALLOY)
STEEL = find(Alloy, "carbon-steel")


def section(name="section-1", **changed):
    usual = Section(
        name=name, volume_mm3=1e6, cooled_area_mm2=1e5, modulus_mm=10.0, freezing_time_s=200.0,
        constant_s_mm2=2.0, shape="chunky", thickness_mm=20.0, at_mm=(0.0, 0.0, 15.0),
        hot_modulus_mm=10.0, hot_time_s=200.0, order=1,
    )  # fmt: skip
    return dataclasses.replace(usual, **changed)


def say(check_id, sections, alloy=ALLOY, solid=None):
    survey = Survey(
        sections=tuple(sections), joins=(), label=np.zeros((2, 2, 2), np.uint8), pitch_mm=5.0,
        origin_mm=np.zeros(3), thin_mm=8.0, run_wall_mm=8.0,
    )  # fmt: skip
    solid = Solid.box((0, 0, 0), (9, 9, 9)) if solid is None else solid
    bare = np.zeros(solid.n_triangles, bool)
    pattern = Pattern(
        solid=solid, extra=(), shrink=np.ones(3), stock_mm3=0.0, draft_mm3=0.0, is_machined=bare,
        is_kept_clear=bare.copy(), draft=(), undercuts=(),
    )  # fmt: skip
    return run_check(all_checks()[check_id], Results(alloy, RULES, FLOW, survey, pattern), RULES)


@pytest.mark.parametrize(
    ("modulus_mm", "z_mm", "verdict"),
    [(19.0, 15.0, Verdict.PASS), (21.0, 15.0, Verdict.WARN), (21.0, -5.0, Verdict.PASS)],
)
def test_hot_metal_lies_above(modulus_mm, z_mm, verdict):
    """The gates of the bench open at 2 mm over the parting."""
    (finding,) = say(
        "feeding/hot-metal-lies-above", [section(modulus_mm=modulus_mm, at_mm=(0.0, 0.0, z_mm))]
    )
    assert finding.verdict is verdict


@pytest.mark.parametrize(("time_s", "verdict"), [(3500.0, Verdict.PASS), (3700.0, Verdict.WARN)])
def test_freezes_before_it_segregates(time_s, verdict):
    check_id = "feeding/freezes-before-it-segregates"
    sections = [section(), section("section-2", freezing_time_s=time_s)]
    (finding,) = say(check_id, sections, STEEL)
    assert (finding.verdict, finding.part) == (verdict, "section-2")
    (finding,) = say(check_id, sections, ALLOY)
    assert finding.verdict is Verdict.SKIP


@pytest.mark.parametrize(("time_s", "verdict"), [(790.0, Verdict.PASS), (810.0, Verdict.WARN)])
def test_frame_cools_evenly(time_s, verdict):
    frame = Solid.box((0, 0, 0), (90, 90, 9)) - Solid.box((20, 20, -1), (70, 70, 10))
    speck = section("section-3", volume_mm3=1e4, freezing_time_s=1.0)
    sections = [section(), section("section-2", freezing_time_s=time_s), speck]
    (finding,) = say("feeding/frame-cools-evenly", sections, solid=frame)
    assert finding.verdict is verdict
    drilled = Solid.box((0, 0, 0), (90, 90, 9)) - Solid.box((5, 5, -1), (15, 15, 10))
    (finding,) = say("feeding/frame-cools-evenly", sections, solid=drilled)
    assert finding.verdict is Verdict.SKIP
