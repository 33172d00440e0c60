"""Where the prints of a casting's cores will lie: to be kept clear when rigging is planned.

Gating, feeders and chills all go by this; it is the mold stage's own search for cores, less those
that the job declares: they come with prints of their own, which the mold stage checks.
"""

from moldprep.geometry.solid import Solid
from moldprep.mold.cores import find_cores
from moldprep.mold.enclosed import find_hemmed
from moldprep.mold.prints import FREE_MM, ROUND
from moldprep.records import Job, PrintRoom, Sand


def print_rooms(casting: Solid, job: Job, sand: Sand, z_mm: float) -> tuple[PrintRoom, ...]:
    """Return the room each core print of a bare casting wants, with sand round it.

    A feeder, gate or chill inside one of these bodies leaves the core without that print: the
    mold stage then makes it shorter or leaves it out, and says so.

    Parameters
    ----------
    casting
        One placed pattern, part frame.
    job
        For its [cores] and [mold] tables.
    sand
        For what it bears without being a core.
    z_mm
        Height of the parting. [mm]

    Examples
    --------
    >>> from moldprep.geometry.solid import Solid
    >>> plate = Solid.box((0, 0, 0), (50, 50, 10))  # no undercut, no core
    >>> from moldprep.jobfile import make_job
    >>> from pathlib import Path
    >>> job = make_job({"alloy": "x", "casting": {"file": "x.stl"}}, folder=Path(), where="")
    >>> print_rooms(plate, job, Sand.model_construct(smallest_wall_mm=3.0, slenderness=5.0), 0.0)
    ()
    """
    found = find_cores(casting, [(casting, find_hemmed(casting, z_mm))], (), job, sand, z_mm)
    return tuple(
        _room_of(Solid.hull_of((one.seat.mesh()[0][:, None] + FREE_MM * ROUND).reshape(-1, 3)))
        for core in found.cores
        for one in core.prints
    )


def _room_of(body: Solid) -> PrintRoom:
    """Return the room a body takes, seen from above, to a tenth of a millimetre."""
    outline = body.shadow().convex_hull.simplify(0.1)
    low, high = body.bounds[:, 2].round(1).tolist()
    points = tuple((round(x, 1), round(y, 1)) for x, y in outline.exterior.coords)
    return PrintRoom(outline_mm=points, low_mm=low, high_mm=high)
