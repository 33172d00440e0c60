"""Configs: every figure in range and sourced; a user's own file is held to the same."""

import pytest

from moldprep.catalog import FOLDERS, all_of, find, load_catalog, shipped_configs
from moldprep.errors import JobError
from moldprep.jobfile import make_job
from moldprep.records import Alloy, Printer, Rules, Sand

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
    ],
)
def test_bad_own_alloy_is_refused(own_alloy, old, new, code, text):
    with pytest.raises(JobError) as caught:
        load_catalog(own_alloy(old, new))
    assert caught.value.code == code
    assert text in str(caught.value)


def test_unknown_alloy_names_the_known_ones():
    with pytest.raises(JobError, match="carbon-steel") as caught:
        find(Alloy, "unobtainium")
    assert (caught.value.code, caught.value.exit_code) == ("config/unknown-id", 2)


def test_an_alloy_written_nearly_right_is_guessed():
    with pytest.raises(JobError, match="did you mean 'carbon-steel'") as caught:
        find(Alloy, "carbonsteel")
    assert caught.value.code == "config/unknown-id"
