"""Castings, partings and patterns for tests, made from a body without any file."""

import numpy as np

from moldprep.catalog import find
from moldprep.parting import find_parting
from moldprep.pattern import make_pattern
from moldprep.records import Alloy, Body, Casting, Job, Role
from moldprep.records.job import CastingKeys, PartingKeys, PatternKeys


def cast(*solids, colors=None, extra=()):
    """Return a casting of some bodies, as if read from a file."""
    names = ["casting"] if len(solids) == 1 else [f"casting-{k + 1}" for k in range(len(solids))]
    return Casting(
        bodies=tuple(
            Body(name=name, role=Role.CASTING, solid=solid)
            for name, solid in zip(names, solids, strict=True)
        )
        + tuple(extra),
        file="test",
        sha256="",
        unit="mm",
        repairs=(),
        deviation_mm=0.0,
        face_color=np.empty((0, 4), np.uint8) if colors is None else colors,
    )


def job_for(alloy="grey-iron", **tables):
    """Return a job; tables as keyword arguments."""
    return Job(alloy=alloy, casting=CastingKeys(file="test.stl", unit="mm"), **tables)


def parted(*solids, pull="auto", z_mm="auto", **tables):
    """Return the parting of a body."""
    job = job_for(parting=PartingKeys(pull=pull, z_mm=z_mm), **tables)
    return find_parting(cast(*solids), job)


def patterned(*solids, pull=(0, 0, 1), z_mm=0.0, extra=(), colors=None, **keys):
    """Return the pattern of a body; keys of [pattern] as keyword arguments."""
    casting = cast(*solids, extra=extra, colors=colors)
    job = job_for(parting=PartingKeys(pull=pull, z_mm=z_mm), pattern=PatternKeys(**keys))
    return make_pattern(casting, find_parting(casting, job), job, find(Alloy, job.alloy))
