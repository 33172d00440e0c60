"""Speed of the heat solve against the machine's memory: `python -m tests.bench_conduction [n]`.

A steel cube of 12 % of the volume in sand, n³ cells (default 200), every cell reached by the heat.
The sweep counts 24 bytes a cell update: temperature read and written, three conductances read,
and one number of the cell's own; it moves more than that. The triad a = b + s c counts 12 bytes
an entry in float32, on arrays as large as the sweep's, with the same threads, in the same run.
Two ratios are printed: of the bare sweep, and of a stretch of a real run, with the work between
sweeps (conductances at their temperatures, reach of the heat, stable step). Every cell being warm,
the outer faces count in full, which a run with its belt of cold sand spares. Both rates want a
machine that does nothing else.
"""

import sys
import time

import numba
import numpy as np

from moldprep.catalog import find
from moldprep.records import Alloy, Sand
from moldprep.thermal import kernels
from moldprep.thermal.conduction import HeatFlow, Skin
from moldprep.thermal.materials import metal_medium, sand_medium

BYTES_PER_UPDATE = 24
SHARE_OF_METAL = 0.12


@numba.njit(parallel=True, fastmath=True)
def triad(a, b, c, s):
    for i in numba.prange(a.size):
        a[i] = b[i] + s * c[i]


def best_s(work, times=7):
    """Return the shortest of several runs, after one to warm up. [s]"""
    work()
    spent = []
    for _ in range(times):
        begin = time.perf_counter()
        work()
        spent.append(time.perf_counter() - begin)
    return min(spent)


def triad_bytes_s(n):
    a, b, c = (np.ones(n, np.float32) for _ in range(3))
    return 12.0 * n / best_s(lambda: triad(a, b, c, np.float32(2.0)))


def warm_cube(n):
    """Return a flow in which every cell counts as reached."""
    half = round(n * SHARE_OF_METAL ** (1.0 / 3.0) / 2.0)
    inner = (slice(n // 2 - half, n // 2 + half),) * 3
    metal = np.zeros((n, n, n), np.float32)
    metal[inner] = 1.0
    media = (
        metal_medium(find(Alloy, "carbon-steel"), 1560.0),
        sand_medium(find(Sand, "silica-furan"), 25.0, 0.001),
    )
    start = np.where(metal > 0.0, np.float32(1560.0), np.float32(100.0))
    rest = np.ones(metal.shape, np.uint8)
    return HeatFlow.from_temperature(start, metal, rest, media, 2.0, Skin())


def stretch_s(flow, sweeps=120):
    """Return the time of one sweep in a stretch of a run, all work included. [s]"""
    flow.run(20.0 * flow.step())
    done, begin = flow.n_sweeps, time.perf_counter()
    while flow.n_sweeps < done + sweeps:
        flow.step()
    return (time.perf_counter() - begin) / (flow.n_sweeps - done)


def main(n):
    numba.set_num_threads(min(2, numba.config.NUMBA_NUM_THREADS))
    flow = warm_cube(n)
    flow.step()
    rows = flow._rows
    temp, heat = flow.padded

    def sweep():
        kernels.stage(
            temp, flow._next, heat, flow._heat_next, flow._faces, flow.cells, rows,
            flow.tables, np.float32(0.0), np.float32(1e-6),
        )  # fmt: skip

    updates = int((rows[:, 3] - rows[:, 2]).sum())
    sweep_s = best_s(sweep)
    run_s = stretch_s(flow)
    memory = triad_bytes_s(4 * updates)
    held = sum(a.nbytes for a in (temp, flow._next, heat, flow._heat_next, *flow._faces))
    held += sum(a.nbytes for a in flow.cells)
    lines = [
        f"cells          {n}³, {updates / 1e6:.1f} million updates a sweep",
        f"threads        {numba.get_num_threads()}",
        f"memory         {held / n**3:.1f} bytes a cell",
        f"triad          {memory / 1e9:.1f} GB/s",
    ]
    for name, spent in (("bare sweep", sweep_s), ("whole run", run_s)):
        rate = updates / spent
        share = rate * BYTES_PER_UPDATE / memory
        lines.append(f"{name:<14} {rate / 1e9:.2f} G updates/s, {100.0 * share:.0f} % of triad")
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
