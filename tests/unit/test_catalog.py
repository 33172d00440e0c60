"""Configs: every figure in range and sourced; a user's own file is held to the same."""

from pathlib import Path

import pytest

from moldprep.catalog import FOLDERS, all_of, find, load_catalog, shipped_configs
from moldprep.errors import JobError
from moldprep.jobfile import make_job
from moldprep.records import Alloy, Printer, Rules, Sand
from moldprep.records.catalog import SETTINGS

ALLOYS = [
    "carbon-steel",
    "stainless-cf8m",
    "grey-iron",
    "ductile-iron",
    "al-si7mg",
    "al-si12",
    "tin-bronze",
    "pure-iron",
    "pure-aluminium",
    "pure-copper",
]
SANDS = ["silica-furan", "silica-phenolic", "chromite", "zircon", "olivine"]
PRINTERS = ["box-s", "box-m", "box-l"]


def test_ids_that_scripts_rely_on():
    assert {a.id for a in all_of(Alloy)} >= set(ALLOYS)
    assert {s.id for s in all_of(Sand)} >= set(SANDS)
    assert {p.id for p in all_of(Printer)} >= set(PRINTERS)


@pytest.mark.parametrize("kind", FOLDERS)
def test_every_file_loads(kind):
    files = list((shipped_configs() / FOLDERS[kind]).glob("*.toml"))
    assert len(all_of(kind)) == len(files) > 0


@pytest.mark.parametrize("alloy", all_of(Alloy), ids=lambda alloy: alloy.id)
def test_alloy_makes_sense(alloy):
    assert alloy.solidus_c < alloy.liquidus_c < alloy.pour_low_c < alloy.pour_high_c
    assert alloy.knock_out_c < alloy.solidus_c
    assert alloy.density_liquid_kg_m3 < alloy.density_kg_m3
    for curve in (alloy.conductivity_w_mk, alloy.heat_j_kgk):
        temperatures = [temperature for temperature, _ in curve]
        assert temperatures == sorted(set(temperatures))
        assert all(value > 0.0 for _, value in curve)


@pytest.fixture
def own_alloy(tmp_path):
    text = (shipped_configs() / "alloys" / "al-si12.toml").read_text(encoding="utf-8")
    (tmp_path / "alloys").mkdir()

    def write(old, new):
        assert old in text
        changed = text.replace(old, new, 1)
        (tmp_path / "alloys" / "mine.toml").write_text(changed, encoding="utf-8")
        job = {"alloy": "mine", "configs": ".", "casting": {"file": "a.stl"}}
        return make_job(job, folder=tmp_path, where="job.toml")

    return write


def test_own_alloy_is_found(own_alloy):
    alloy, _, _, rules = load_catalog(own_alloy("AlSi12", "AlSi12 of our own"))
    assert alloy.title.endswith("of our own")
    assert isinstance(rules, Rules)


@pytest.mark.parametrize(
    ("old", "new", "code", "text"),
    [
        ("density_kg_m3 = 2650.0", "density_kg_m3 = 2.65", "config/out-of-range", "density_kg_m3"),
        ('shrink_pct = "', 'shrnk = "', "config/no-source", "shrink_pct has no source"),
        ("[source]", "[source", "config/not-toml", "mine.toml"),
        ("liquidus_c = 580.0", "", "config/out-of-range", "liquidus_c"),
        ("liquidus_c = 580.0", "liquidus_c = '580'", "config/out-of-range", "liquidus_c"),
        ("solidus_c = 574.0", "solidus_c = 584.0", "config/out-of-range", "solidus_c 584 should"),
        ("pour_low_c = 670.0", "pour_low_c = 570.0", "config/out-of-range", "under pour_low_c 570"),
        (
            "density_liquid_kg_m3 = 2390.0",
            "density_liquid_kg_m3 = 2700.0",
            "config/out-of-range",
            "density_liquid_kg_m3 2700 should be under density_kg_m3 2650",
        ),
        ("[574.0, 150.0]", "[10.0, 150.0]", "config/out-of-range", "temperatures must rise"),
        ("[574.0, 150.0]", "[574.0, 1500.0]", "config/out-of-range", "conductivity_w_mk"),
        ("ratio = [1.0, 2.0, 4.0]", "ratio = [1.0, 0.0, 4.0]", "config/out-of-range", "ratio"),
        (
            "yield_pct = [50.0, 65.0]",
            "yield_pct = [65.0, 50.0]",
            "config/out-of-range",
            "yield_pct[0] 65 should be under yield_pct[1] 50",
        ),
        (
            'solid_fraction = "linear"',
            'solid_fraction = "scheil"',
            "config/out-of-range",
            "needs partition",
        ),
        (
            'solid_fraction = "linear"',
            "solid_fraction = [[574.0, 1.0], [580.0, 0.2]]",
            "config/out-of-range",
            "must fall from 1",
        ),
    ],
)
def test_bad_own_alloy_is_refused(own_alloy, old, new, code, text):
    with pytest.raises(JobError) as caught:
        load_catalog(own_alloy(old, new))
    assert caught.value.code == code
    assert text in str(caught.value)


def test_own_table_of_solid_fraction_is_taken(own_alloy):
    table = "solid_fraction = [[574.0, 1.0], [576.0, 0.6], [580.0, 0.0]]"
    alloy, *_ = load_catalog(own_alloy('solid_fraction = "linear"', table))
    assert alloy.solid_fraction == ((574.0, 1.0), (576.0, 0.6), (580.0, 0.0))


@pytest.mark.parametrize(
    ("old", "new", "text"),
    [
        ("head_mm = 200.0", "hed_mm = 200.0", "no setting hed_mm; known: channel_wall_mm"),
        ("cope_weight_factor = 1.5", "cope_weight_factor = 0.5", "should be 1 to 5, got 0.5"),
    ],
)
def test_bad_own_rules_are_refused(tmp_path, old, new, text):
    whole = (shipped_configs() / "rules" / "usual.toml").read_text(encoding="utf-8")
    assert f"\n{old}\n" in whole
    (tmp_path / "rules").mkdir()
    path = tmp_path / "rules" / "mine.toml"
    path.write_text(whole.replace(f"\n{old}\n", f"\n{new}\n"), encoding="utf-8")
    with pytest.raises(JobError) as caught:
        find(Rules, "mine", tmp_path)
    assert caught.value.code == "config/out-of-range"
    assert text in str(caught.value)


def test_settings_are_those_that_stages_read():
    """A setting in the list that nothing reads would be a key that does nothing."""
    package = Path(__file__).parents[2] / "moldprep"
    text = "".join(
        p.read_text(encoding="utf-8") for p in package.rglob("*.py") if p.name != "catalog.py"
    )
    for name in SETTINGS:
        assert f'("{name}"' in text, name


def test_unknown_alloy_names_the_known_ones():
    with pytest.raises(JobError, match="carbon-steel") as caught:
        find(Alloy, "unobtainium")
    assert (caught.value.code, caught.value.exit_code) == ("config/unknown-id", 2)


def test_an_alloy_written_nearly_right_is_guessed():
    with pytest.raises(JobError, match="did you mean 'carbon-steel'") as caught:
        find(Alloy, "carbonsteel")
    assert caught.value.code == "config/unknown-id"
