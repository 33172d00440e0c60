"""Whose channels a mold has: the model's own, the job's, or those laid out here."""

from moldprep.records import Job, Pattern, Role

CHANNEL_ROLES = (Role.BASIN, Role.SPRUE, Role.WELL, Role.RUNNER, Role.INGATE, Role.FILTER)


def is_brought(pattern: Pattern) -> bool:
    """Return whether the model brings its own gating."""
    return any(body.role in CHANNEL_ROLES for body in pattern.extra)


def is_laid_out(job: Job, pattern: Pattern) -> bool:
    """Return whether the channels of a job are laid out here, all of them."""
    given = job.rigging
    channels = (given.basin, given.sprue, given.well, given.runner, given.ingate, given.filter)
    return "gating" in given.auto and not any(channels) and not is_brought(pattern)
