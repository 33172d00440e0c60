"""Speed of the heat solve against the machine's memory: `python -m tests.bench_conduction [n]`.

A steel ball with a plate through it in sand, n³ cells (default 200), from full mold until a number
of sweeps is done or all is solid, with all the work between sweeps: reach of the heat, faces
between metal and sand, stable step, the watch on each cell with metal. A cell update counts 24
bytes: enthalpy of the last two stages and potential read, and enthalpy and potential written with
the line fetched for it. The triad a = b + s c counts 12 bytes an entry in float32, with the same
threads. All ratios come out of one run:

* every cell: one plain step of all n³ cells, as a solve without stages would take it everywhere;
* bare sweep: as many stages of the metal as go at once, and one step of the sand, of the cells
  the heat has reached;
* whole run: updates that were made, over all the time that was spent;
* plain steps: updates that plain explicit steps of every reached cell would have taken to the same
  time, over the time that was spent. The stages of a step and the sand that rests meanwhile are
  there to make fewer updates than that, so this is what compares with a plain solve.

Triads are run between stretches of the solve, and the best of each is taken. Wall time is fair only
on a machine that does nothing else; on a busy one set NUMBA_NUM_THREADS=1: then the time of the
processor is counted, and both are held to one core.
"""

import sys
import time

import numba
import numpy as np

from moldprep.catalog import find
from moldprep.records import Alloy, Sand
from moldprep.thermal.conduction import HeatFlow, Skin
from moldprep.thermal.materials import metal_medium, sand_medium
from moldprep.thermal.watch import Watch

BYTES_PER_UPDATE = 24
STRETCHES = 8
CLOCK = time.process_time if numba.config.NUMBA_NUM_THREADS == 1 else time.perf_counter


@numba.njit(parallel=True, fastmath=True)
def triad(a, b, c, s):
    for i in numba.prange(a.size):
        a[i] = b[i] + s * c[i]


def timed(work):
    """Return how long something takes. [s]"""
    begin = CLOCK()
    work()
    return CLOCK() - begin


def ball_with_plate(n):
    """Return (n, n, n) shares of metal, 9 % of the cells in all."""
    x, y, z = np.meshgrid(*[(np.arange(n) + 0.5) / n - 0.5] * 3, indexing="ij", sparse=True)
    ball = np.clip((0.25 - np.sqrt(x * x + y * y + z * z)) * n + 0.5, 0.0, 1.0)
    plate = np.clip((0.36 - abs(x)) * n + 0.5, 0.0, 1.0)
    plate = plate * np.clip((0.30 - abs(y)) * n + 0.5, 0.0, 1.0)
    plate = plate * np.clip((0.05 - abs(z)) * n + 0.5, 0.0, 1.0)
    return np.maximum(ball, plate).astype(np.float32)


def casting(n):
    """Return a flow from full mold, and the watch on it."""
    steel = find(Alloy, "carbon-steel")
    media = (
        metal_medium(steel, steel.pour_low_c),
        sand_medium(find(Sand, "silica-furan"), 25.0, 0.001),
    )
    skin = Skin(film_w_m2k=(8.0,) * 6, emissivity=(0.0,) * 5 + (0.8,))
    flow = HeatFlow(ball_with_plate(n), np.ones((n, n, n), np.uint8), media, 120.0 / n, skin)
    return flow, Watch(flow)


def sweep_rate(flow, sweeps):
    """Return the updates a second of the best of some bare sweeps, which change nothing.

    `sweeps` are (part, stages) that go one after the other.
    """
    fields = tuple(a.copy() for a in (flow._p, flow._p_next, flow._heat, flow._heat_next))

    def work():
        for part, stages in sweeps:
            flow._sweep(fields, flow._odd, part, np.zeros(stages), np.zeros(stages))

    work()
    updates = sum(part.n * stages for part, stages in sweeps)
    return updates / min(timed(work) for _ in range(5))


def everywhere(flow):
    """Return all cells of the grid as one part."""
    plan = flow._plan
    runs = np.concatenate([plan._sand_runs, plan._quick.runs])
    order = np.lexsort(runs.T[[2, 1, 0]])
    return plan.part(runs[order], np.arange(len(plan.odd.at), dtype=np.int32))


def stretch(flow, watch, sweeps):
    """Return updates a second of a stretch of the run, made and as plain steps, all work in it."""
    done, before, plain = flow.n_sweeps + sweeps, flow.n_updates, 0.0

    def work():
        nonlocal plain
        while flow.n_sweeps < done and watch.n_up > 0:
            length = flow.step()
            watch.note(length)
            plain += reached(flow) * length / min(flow._quick_s, flow._sand_s)

    spent = timed(work)
    return (flow.n_updates - before) / spent, plain / spent


def reached(flow):
    """Return the cells the heat has reached."""
    return flow._visits.quick.n + flow._visits.sand.n


def main(n, sweeps):
    _, warm_up = casting(24)
    for _ in range(20):
        warm_up.note(warm_up._flow.step())
    flow, watch = casting(n)
    fields = [np.ones(4 * 125**3, np.float32) for _ in range(3)]
    triad(*fields, np.float32(2.0))
    rates, plain, bare, every, memory = [], [], [], [], []
    everything = everywhere(flow)
    for _ in range(STRETCHES):
        for speeds, speed in zip(
            (rates, plain), stretch(flow, watch, sweeps // STRETCHES), strict=True
        ):
            speeds.append(speed)
        quick, sand = flow._visits.quick, flow._visits.sand
        bare.append(sweep_rate(flow, [(quick, quick.at_once), (sand, 1)]))
        every.append(sweep_rate(flow, [(everything, 1)]))
        triad_s = min(timed(lambda: triad(*fields, np.float32(2.0))) for _ in range(5))
        memory.append(12.0 * fields[0].size / triad_s)
    held = flow.n_bytes + sum(a.nbytes for a in watch.seen)
    lines = [
        f"cells          {n}³, {reached(flow) / n**3:.2f} of them reached, {flow.n_sweeps} sweeps",
        f"threads        {numba.get_num_threads()}",
        f"memory         {held / n**3:.1f} bytes a cell",
        f"triad          {max(memory) / 1e9:.1f} GB/s",
    ]
    for name, speeds in (
        ("every cell", every),
        ("bare sweep", bare),
        ("whole run", rates),
        ("plain steps", plain),
    ):
        share = 100.0 * max(speeds) * BYTES_PER_UPDATE / max(memory)
        lines.append(f"{name:<14} {max(speeds) / 1e9:.2f} G updates/s, {share:.0f} % of triad")
    shares = ", ".join(
        f"{100.0 * rate * BYTES_PER_UPDATE / speed:.0f}"
        for rate, speed in zip(rates, memory, strict=True)
    )
    lines.append(f"stretches      {shares} % of the triad beside each")
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    main(*(given + [200, 800][len(given) :]))
