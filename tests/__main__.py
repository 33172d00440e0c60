"""python -m tests: format, lint, types, quick tests; with --all the slow tests too."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]
CODE = ("moldprep", "tests", "samples")


def steps(everything):
    """Return every step as (name, arguments of a python module)."""
    quick = [] if everything else ["-m", "not slow"]
    return (
        ("format", ["ruff", "format", "--check", *CODE]),
        ("lint", ["ruff", "check", *CODE]),
        ("types", ["mypy"]),
        ("tests", ["pytest", "-q", "-n", "auto", *quick]),
    )


def main(words):
    """Run every step, also after one has failed; return 1 if any has."""
    if set(words) - {"--all"}:
        print(__doc__)
        return 2
    failed = []
    for name, module in steps("--all" in words):
        print(f"== {name}", flush=True)
        if subprocess.run([sys.executable, "-m", *module], cwd=ROOT, check=False).returncode:
            failed.append(name)
    print(f"failed: {', '.join(failed)}" if failed else "all passed")
    return int(bool(failed))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
