"""Errors where automatic gating finds no way, each with what to do next."""

from moldprep.errors import StageError


def no_room(channel_wall_mm: float) -> StageError:
    """Return the error where channels come too near to castings and feeders."""
    return StageError(
        f"no room for sprue, runner and filter {channel_wall_mm:.0f} mm away from castings and"
        " feeders",
        code="rigging/no-room",
        where="automatic gating",
        fix="give the [rigging] tables by hand, or set channel_wall_mm lower in the rules",
    )


def no_site(parting_mm: float) -> StageError:
    """Return the error where no wall takes a gate."""
    return StageError(
        "no place on the casting's outline takes ingates: every wall is too thin, kept clear or"
        " behind a core",
        code="rigging/no-gate-site",
        where=f"parting at {parting_mm:.1f} mm",
        fix="give [[rigging.ingate]] and [[rigging.runner]] tables, allow a longer pour_time_s,"
        " move parting.z_mm to a level with a thicker wall, or, if the casting is only a few mm"
        " in size, check the unit of the model",
    )
