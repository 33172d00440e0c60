"""The samples from job file to proved package, against what moldprep itself said of them before.

Numbers here are no truth: `by = "moldprep"` in expected.toml only says that a change of them is
meant. What others say of the castings is in the unit tests.
"""

import json
import tomllib
from pathlib import Path

import numpy as np
import pytest

from moldprep.cli import main

SAMPLES = Path(__file__).parents[2] / "samples"
NAMES = sorted(path.parent.name for path in SAMPLES.glob("*/job.toml"))


@pytest.fixture(scope="module", params=NAMES)
def made(request, tmp_path_factory):
    """Return (name, exit code, package) of one sample."""
    folder = tmp_path_factory.mktemp("made") / "package"
    code = main(["prep", str(SAMPLES / request.param / "job.toml"), "--out", str(folder), "--json"])
    return request.param, code, folder


def measured(result):
    """Return the facts of a result.json that expected.toml may name.

    Plugs are left out of the count of pieces: how many sleeves lie deep follows from the feeding.
    """
    pieces = result["mold"]["pieces"]
    return {
        "pattern.volume_mm3": result["pattern"]["volume_mm3"],
        "pattern.stock_mm3": result["pattern"]["stock_mm3"],
        "parting.z_mm": result["parting"]["z_mm"],
        "mold.n_pieces": sum(piece["role"] != "plug" for piece in pieces),
        "mold.n_cores": sum(piece["role"] == "core" for piece in pieces),
    }


@pytest.mark.slow
def test_it_ends_with_a_mold_and_honest_findings(made):
    name, code, folder = made
    assert code in (0, 10), name
    result = json.loads((folder / "result.json").read_text(encoding="utf-8"))
    assert (result["verdict"] == "fail") == (code == 10)
    assert all(finding["source"] for finding in result["findings"])


@pytest.mark.slow
def test_it_is_proved_by_other_readers(made):
    name, _, folder = made
    assert main(["verify", str(folder)]) == 0, name


@pytest.mark.slow
def test_it_comes_to_what_it_came_to_before(made):
    name, _, folder = made
    got = measured(json.loads((folder / "result.json").read_text(encoding="utf-8")))
    text = (SAMPLES / name / "expected.toml").read_text(encoding="utf-8")
    facts = {path: fact for path, fact in tomllib.loads(text).items() if path in got}
    assert {"pattern.volume_mm3", "parting.z_mm", "mold.n_pieces", "mold.n_cores"} <= facts.keys()
    for path, fact in facts.items():
        assert fact["by"] == "moldprep", path
        np.testing.assert_allclose(
            got[path], fact["value"], fact.get("rel", 0.0), fact.get("abs", 0.0), err_msg=path
        )
