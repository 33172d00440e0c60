"""The house keeps its own rules: layers, one home for each kernel, words in README."""

import ast
import re
from pathlib import Path

import pytest

from moldprep.checks import all_checks
from moldprep.records.job import Job, Table

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "moldprep"
SOURCES = sorted(PACKAGE.rglob("*.py"))
README = (ROOT / "README.md").read_text(encoding="utf-8")

LAYERS = (
    ("arrays", "errors", "loading", "units", "tolerances", "findings", "results", "wording"),
    ("geometry.solid",),
    ("records",),
    ("jobfile", "jobtemplate"),
    ("catalog", "inputs"),
    ("geometry",),
    ("parting", "pattern", "thermal", "rigging", "mold", "printing"),
    ("pipeline",),
    ("checks", "export", "report"),
    ("desk", "runs", "verify", "week"),
    ("terminal",),
    ("cli", "__main__"),
)
"""Each layer may import itself and what stands before it; the package's door imports all."""

HOMES = {
    "manifold3d": {"geometry/solid.py"},
    "open3d": {"geometry/rays.py"},
    "distributed": {"week.py"},
    "dask": {"week.py"},
    "jinja2": {"report/page.py"},
    "typer": {"cli.py"},
}


def module_name(path):
    return ".".join(path.relative_to(PACKAGE).with_suffix("").parts).removesuffix(".__init__")


NAMES = {f"moldprep.{module_name(path)}" for path in SOURCES}


def layer(name):
    for number, members in enumerate(LAYERS):
        for member in members:
            if name == member or name.startswith(member + "."):
                exact = number
                if member == "geometry" and name == "geometry.solid":
                    continue
                return exact
    raise AssertionError(f"{name} is in no layer: add it to LAYERS")


def imports(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            inside = (f"{node.module}.{alias.name}" for alias in node.names)
            modules = [name for name in inside if name in NAMES]
            yield from modules or [node.module]


@pytest.mark.parametrize("path", SOURCES, ids=module_name)
def test_layers(path):
    name = module_name(path)
    if name in {"", "__init__"}:
        return
    for imported in imports(path):
        if imported.startswith("moldprep."):
            other = imported.removeprefix("moldprep.")
            assert layer(other) <= layer(name), f"{name} imports {other}"


def test_judges_and_shows_import_no_stage():
    """A stage is what the pipeline calls; it calls nothing else but the door's readers."""
    shared = {f"moldprep.{name}" for name in ("catalog", "errors", "records", "results")}
    stages = {name for name in imports(PACKAGE / "pipeline.py") if name in NAMES} - shared
    assert {"moldprep.thermal.survey", "moldprep.mold.cut", "moldprep.printing.box"} <= stages
    for path in SOURCES:
        if module_name(path).split(".")[0] in {"checks", "export", "report"}:
            assert not set(imports(path)) & (stages | {"moldprep.pipeline"}), path


FIELD = re.compile(r"^    ((?:\w+, )*\w+)\s+: \S", re.MULTILINE)


@pytest.mark.parametrize("path", SOURCES, ids=module_name)
def test_docstrings_name_no_field_that_is_not_there(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for one in (node for node in ast.walk(tree) if isinstance(node, ast.ClassDef)):
        told = FIELD.findall(ast.get_docstring(one, clean=False) or "")
        has = {n.target.id for n in one.body if isinstance(n, ast.AnnAssign)}
        has |= {n.name for n in one.body if isinstance(n, ast.FunctionDef)}
        assert {name for names in told for name in names.split(", ")} <= has, one.name


@pytest.mark.parametrize("library", HOMES)
def test_each_library_has_its_home(library):
    users = {
        path.relative_to(PACKAGE).as_posix()
        for path in SOURCES
        if any(name.split(".")[0] == library for name in imports(path))
    }
    assert users <= HOMES[library]
    assert users, f"{library} does no work"


def test_modules_are_short():
    long = {p.name: n for p in SOURCES if (n := len(p.read_text("utf-8").splitlines())) > 500}
    assert not long


def test_nothing_prints_but_the_terminal():
    for path in SOURCES:
        if path.name != "cli.py":
            tree = ast.parse(path.read_text(encoding="utf-8"))
            calls = [n for n in ast.walk(tree) if isinstance(n, ast.Call)]
            names = {n.func.id for n in calls if isinstance(n.func, ast.Name)}
            assert "print" not in names, path


def test_every_check_has_a_reason_a_source_and_a_test():
    tests = "".join(p.read_text(encoding="utf-8") for p in (ROOT / "tests").rglob("test_*.py"))
    untested = [name for name in all_checks() if name not in tests]
    assert not untested
    for one in all_checks().values():
        assert one.why.endswith((".", "?")), one.id
        assert len(one.source) > 5, one.id
        assert re.fullmatch(r"[a-z]+/[a-z0-9-]+", one.id), one.id


def tables(model, prefix=""):
    for name, field in model.model_fields.items():
        kind = field.annotation
        if isinstance(kind, type) and issubclass(kind, Table):
            yield from tables(kind, f"{prefix}{name}.")
        else:
            yield f"{prefix}{name}"


def test_every_key_is_in_readme():
    missing = [key for key in tables(Job) if key != "folder" and f"`{key}`" not in README]
    assert not missing


def test_every_command_is_in_readme():
    text = (PACKAGE / "cli.py").read_text(encoding="utf-8")
    commands = set(re.findall(r'@app\.command\("?([a-z]*)"?\)\s*\ndef ([a-z]+)', text))
    assert len(commands) >= 9
    for stated, function in commands:
        assert f"moldprep {stated or function}" in README


def test_every_error_code_is_in_readme():
    code = re.compile(r'code="([a-z]+/[a-z0-9-]+)"')
    used = {c for path in SOURCES for c in code.findall(path.read_text(encoding="utf-8"))}
    missing = sorted(c for c in used if f"`{c}`" not in README)
    assert used
    assert not missing


def test_top_level_holds_only_what_it_should():
    allowed = {
        "README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml",
        "moldprep", "tests", "samples", "configs",
    }  # fmt: skip
    shown = {p.name for p in ROOT.iterdir() if not p.name.startswith(".")}
    made = {
        name for name in shown if name.endswith(("-mold", "-week")) or name in {"build", "dist"}
    }
    assert shown - made <= allowed
