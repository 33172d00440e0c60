"""moldprep: casting model in, printable and checked sand mold out.

>>> import moldprep
>>> sorted(moldprep.__all__)  # doctest: +NORMALIZE_WHITESPACE
['Results', 'catalog_tables', 'find_check', 'load_job', 'mesh_job', 'open_job', 'prepare',
 'prepare_package', 'review', 'run_week', 'study_feeding', 'study_gating', 'verify_package',
 'week_exit_code', 'week_json', 'write_new_job', 'write_package', 'write_plan']
"""

import sys
from importlib import import_module
from typing import TYPE_CHECKING, Any

from moldprep.loading import for_good

if TYPE_CHECKING:
    from moldprep.checks import find_check
    from moldprep.checks import run_checks as review
    from moldprep.desk import catalog_tables, open_job, write_new_job
    from moldprep.export.package import write_package
    from moldprep.jobfile import load_job, mesh_job
    from moldprep.pipeline import prepare
    from moldprep.results import Results
    from moldprep.runs import prepare_package, study_feeding, study_gating, write_plan
    from moldprep.verify import verify_package
    from moldprep.week import run_week, week_exit_code, week_json

__all__ = [
    "Results",
    "catalog_tables",
    "find_check",
    "load_job",
    "mesh_job",
    "open_job",
    "prepare",
    "prepare_package",
    "review",
    "run_week",
    "study_feeding",
    "study_gating",
    "verify_package",
    "week_exit_code",
    "week_json",
    "write_new_job",
    "write_package",
    "write_plan",
]

_HOMES = {
    "Results": "results",
    "catalog_tables": "desk",
    "find_check": "checks",
    "open_job": "desk",
    "write_new_job": "desk",
    "load_job": "jobfile",
    "mesh_job": "jobfile",
    "prepare": "pipeline",
    "review": "checks",
    "run_week": "week",
    "verify_package": "verify",
    "week_exit_code": "week",
    "week_json": "week",
    "write_package": "export.package",
    "prepare_package": "runs",
    "study_feeding": "runs",
    "study_gating": "runs",
    "write_plan": "runs",
}
_REAL_NAMES = {"review": "run_checks"}


def __getattr__(name: str) -> Any:
    """Load a public name when it is first asked for: the kernels behind some take seconds."""
    if name not in __all__:
        raise AttributeError(f"module 'moldprep' has no attribute {name!r}")
    home = f"moldprep.{_HOMES[name]}"
    if home not in sys.modules:
        with for_good():
            import_module(home)
    return getattr(sys.modules[home], _REAL_NAMES.get(name, name))
