"""The compiled day loop beside pandas, NumPy and plain Python, in one run: `python tests/benchmarks/bench_day_loop.py`.

The work is that of the sample farm: every third of the calls that its plan makes in the last pass of each cover. A
crop-day is one day of one sowing date in one weather year, from sowing to the end of growth; padding and days after the
end are not counted. Inside the clock is the day loop alone; drivers, first states and copies are made before it.
"""

from __future__ import annotations

import argparse
import os
import pickle
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

import day_loop_rivals as rivals

from greengap.process import day_loop as loop

SAMPLE = Path(__file__).parents[2] / "sample_fields"
BATCHES = (1024, 4096, 16384)  # lanes at once for NumPy; the fastest is measured afresh
EVERY = 3  # of the calls of the plan: the rivals keep all their lanes in memory
SLOW_LANES = 24  # options x years that pandas and plain Python run


def sample_jobs() -> list[rivals.Job]:
    """Arguments of every third call of the day loop, last passes only, in the plan of the sample farm."""
    from greengap.farm_input import read_farm
    from greengap.plan import plan_farm

    jobs, compiled = [], loop.day_loop

    def noted(components: int, wanted: int) -> Callable[..., None]:
        kernel = compiled(components, wanted)

        def run(first_day, drivers, lanes, plants, ground, targets):
            rows = loop.LANE_ROWS + components * loop.LANE_ROWS_EACH + wanted
            of_day = loop.DRIVER_ROWS + components * loop.DRIVER_ROWS_EACH
            jobs.append(
                rivals.Job(
                    first_day.copy(),
                    drivers.reshape(-1, of_day, loop.WIDTH).copy(),
                    lanes.reshape(-1, rows, loop.WIDTH).copy(),
                    plants.copy(),
                    ground.copy(),
                    targets.copy(),
                )
            )
            kernel(first_day, drivers, lanes, plants, ground, targets)

        return run

    loop.day_loop = noted
    try:
        plan_farm(read_farm(SAMPLE))
    finally:
        loop.day_loop = compiled
    # The passes that look for the waiting time carry one target; the last one of each cover carries all of them.
    most = max(job.targets.shape[0] for job in jobs)
    return [job for job in jobs if job.targets.shape[0] == most][::EVERY]


def run_compiled(jobs: list[rivals.Job], threads: int) -> tuple[float, float, list[np.ndarray]]:
    """Wall and CPU seconds, and the lanes when done."""
    kernels = [loop.day_loop(job.components, job.targets.shape[0]) for job in jobs]
    drivers, lanes = [job.drivers.ravel() for job in jobs], [job.lanes.ravel().copy() for job in jobs]

    def one(i: int) -> None:
        kernels[i](jobs[i].first_day, drivers[i], lanes[i], jobs[i].plants, jobs[i].ground, jobs[i].targets)

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(int, range(threads)))  # the threads stand ready
        wall, cpu = time.perf_counter(), time.process_time()
        if threads == 1:
            for i in range(len(jobs)):
                one(i)
        else:
            list(pool.map(one, range(len(jobs))))
        wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    return wall, cpu, [flat.reshape(job.lanes.shape) for flat, job in zip(lanes, jobs, strict=True)]


def timed(work: Callable[[], Any]) -> tuple[float, float, Any]:
    """Wall and CPU seconds of some work, and what it gives."""
    wall, cpu = time.perf_counter(), time.process_time()
    found = work()
    return time.perf_counter() - wall, time.process_time() - cpu, found


def peak_mib(kind: str, file: str) -> tuple[float, float]:
    """Memory of the input, and the peak while working above imports and input [MiB]; in a new process, Linux only."""

    def status(name: str) -> float:
        line = next(x for x in Path("/proc/self/status").read_text().splitlines() if x.startswith(name))
        return float(line.split()[1]) / 1024

    jobs = pickle.loads(Path(file).read_bytes())
    if kind == "compiled":
        size = sum(job.drivers.nbytes + job.lanes.nbytes for job in jobs)
        run_compiled(jobs[:1], 1)

        def work() -> None:
            run_compiled(jobs, 2)
    else:
        lanes = int(kind.removeprefix("numpy"))
        batches = rivals.make_batches(jobs, lanes, np.float32)
        size = sum(sum(array.nbytes for array in batch[:-1]) for batch in batches)

        def work() -> None:
            for batch in batches:
                rivals.run_numpy(batch)

    Path("/proc/self/clear_refs").write_text("5")  # forgets the peak so far
    before = status("VmRSS")
    work()
    return size / 2**20, status("VmHWM") - before


class ScalarChild:
    """The same source in a process of its own, compiled with the vectoriser off."""

    def __init__(self, jobs: list[rivals.Job], folder: Path) -> None:
        file = folder / "jobs.pickle"
        file.write_bytes(pickle.dumps(jobs))
        off = {"NUMBA_LOOP_VECTORIZE": "0", "NUMBA_SLP_VECTORIZE": "0", "NUMBA_CACHE_DIR": str(folder / "scalar")}
        self.child = subprocess.Popen(
            [sys.executable, __file__, "--scalar-child", str(file)], env=os.environ | off, text=True,
            stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        )  # fmt: skip
        assert self._answer() == "ready", "the process with the vectoriser off did not start"

    def _answer(self) -> str:
        assert self.child.stdout is not None
        return self.child.stdout.readline().strip()

    def run(self) -> tuple[float, float]:
        assert self.child.stdin is not None
        print("run", file=self.child.stdin, flush=True)
        wall, cpu = self._answer().split()
        return float(wall), float(cpu)

    def close(self) -> None:
        assert self.child.stdin is not None
        self.child.stdin.close()
        assert self.child.wait() == 0, "the process with the vectoriser off failed"


def scalar_child(file: str) -> None:
    """Answer each line with wall and CPU seconds of one run."""
    jobs = pickle.loads(Path(file).read_bytes())
    run_compiled(jobs, 1)
    print("ready", flush=True)
    for _ in sys.stdin:
        wall, cpu, _ = run_compiled(jobs, 1)
        print(wall, cpu, flush=True)


def compile_seconds(folder: Path) -> list[str]:
    """First use of the kernel in a new process, with an empty cache and with the one that this leaves."""
    code = (
        "import time; import numpy, greengap.process.day_loop as loop, sys; t = time.perf_counter()\n"
        "z = lambda n: numpy.zeros(n, numpy.float32)\n"
        "c, w = int(sys.argv[1]), 5\n"
        "loop.day_loop(c, w)(numpy.zeros(0, numpy.int64), z(0), z(0), z((c, 99)), z(6), z((w, 2 + c)))\n"
        "print(time.perf_counter() - t)"
    )
    out = []
    for components in (1, 2):
        seconds = []
        for _ in ("empty", "filled"):
            found = subprocess.run(
                [sys.executable, "-c", code, str(components)], capture_output=True, text=True, check=True,
                env=os.environ | {"NUMBA_CACHE_DIR": str(folder / "compile")},
            )  # fmt: skip
            seconds.append(float(found.stdout))
        out.append(f"{components} component(s): {seconds[0]:.2f} s with an empty cache, {seconds[1]:.2f} s from disk")
    return out


def check(jobs: list[rivals.Job], lanes: list[np.ndarray], batches: list[rivals.Batch], truth: list[dict]) -> str:
    """Compare the compiled loop with NumPy in double precision on every lane that was timed."""
    worst, count, turned, other_day, days = 0.0, 0, 0, 0, 0
    for batch, found in zip(batches, truth, strict=True):
        components = batch.plants.shape[0]
        mine = np.stack([lanes[j][s, :, y] for j, s, y in batch.places], axis=1).astype(float)
        at = [loop.LANE_ROWS + c * loop.LANE_ROWS_EACH for c in range(components)]
        same = np.abs(mine[loop.WATERED] - found["watered"]) < 1e-2  # else irrigated on another day
        error = np.abs(mine[[a + loop.MASS for a in at]] - found["mass"]) / np.maximum(found["mass"], 1.0)
        worst = max(worst, float(error[:, same].max()))
        reached = mine[at[-1] + loop.LANE_ROWS_EACH :]
        other_day += int((reached != found["reached"])[:, same].sum())
        count, turned, days = count + same.size, turned + int((~same).sum()), days + reached[:, same].size
    assert worst < 1e-5, f"dry matter differs by {worst:.1e}"
    assert turned <= 1e-3 * count, f"{turned} lanes of {count} are watered otherwise"
    assert other_day <= 1e-4 * days, f"{other_day} target days of {days} differ"
    return (
        f"dry matter within {worst:.1e} of NumPy float64 on {count - turned:,} lanes (of at least 1 kg/ha); {turned} "
        f"lanes irrigated on another day where rounding turns a yes or no; {other_day} of {days:,} target days differ"
    )


def report(name: str, crop_days: float, runs: list[tuple[float, float]], base: float | None, note: str = "") -> float:
    """One line; gives the median rate."""
    rates = sorted(crop_days / wall for wall, _ in runs)
    middle = median(rates)
    ratio = "" if base is None else f"{base / middle:10,.1f}"
    busy = median(cpu for _, cpu in runs) / crop_days * 1e9
    spread = f"{rates[0] / 1e6:.3f}-{rates[-1] / 1e6:.3f}"
    print(f"{name:44}{middle / 1e6:10.3f} {spread:>18}{busy:12,.1f}{ratio:>10} {note}")
    return middle


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--scalar-child", metavar="FILE", help=argparse.SUPPRESS)
    parser.add_argument("--memory", nargs=2, metavar=("KIND", "FILE"), help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.scalar_child:
        scalar_child(given.scalar_child)
        return
    if given.memory:
        print(*peak_mib(*given.memory))
        return
    repeats = max(given.repeats, 5)
    jobs = sample_jobs()
    real = [job.real() for job in jobs]
    crop_days = float(sum(d for lanes in real for *_, d in lanes))
    count = sum(len(lanes) for lanes in real)
    size = f"{count:,} options x weather years, {crop_days:,.0f} crop-days"
    print(f"{len(jobs)} covers in gaps, {size}; {os.cpu_count()} cores")

    rng = np.random.default_rng(1)
    slow = []
    for j in rng.choice(len(jobs), SLOW_LANES, replace=False):
        slow.append((j, *real[j][rng.integers(len(real[j]))]))
    few = [rivals.make_lane(jobs[j], s, y, d) for j, s, y, d in slow]
    few_days = float(sum(d for *_, d in slow))

    tried = {}
    for lanes in BATCHES:
        some = rivals.make_batches(jobs[::8], lanes, np.float32)
        tried[lanes] = min(timed(lambda b=some: [rivals.run_numpy(x) for x in b])[0] for _ in range(2))
        del some
    lanes_at_once = min(tried, key=tried.__getitem__)
    single = rivals.make_batches(jobs, lanes_at_once, np.float32)
    double = rivals.make_batches(jobs, lanes_at_once, np.float64)

    def numpy_threads() -> None:
        with ThreadPoolExecutor(2) as pool:
            list(pool.map(rivals.run_numpy, single))

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        compiled = compile_seconds(folder)
        child = ScalarChild(jobs, folder)
        run_compiled(jobs, 2)
        ours: dict[int, list[tuple[float, float]]] = {1: [], 2: []}
        rows: dict[str, list[tuple[float, float]]] = {}

        def keep(key: str, work: Callable[[], Any]) -> Any:
            wall, cpu, found = timed(work)
            rows.setdefault(key, []).append((wall, cpu))
            return found

        for repeat in range(repeats):
            for threads in (1, 2):
                wall, cpu, grown = run_compiled(jobs, threads)
                ours[threads].append((wall, cpu))
            rows.setdefault("scalar", []).append(child.run())
            keep("numpy32", lambda: [rivals.run_numpy(b) for b in single])
            truth = keep("numpy64", lambda: [rivals.run_numpy(b) for b in double])
            keep("numpy32 x 2", numpy_threads)
            plain = keep("python", lambda: [rivals.run_lane(x, x.days) for x in few])
            keep("itertuples", lambda: [rivals.run_lane(x, x.table.itertuples(index=False, name=None)) for x in few])
            keep("iterrows", lambda: [rivals.run_lane(x, rivals.days_by_iterrows(x.table)) for x in few])
            print(f"\rrepeat {repeat + 1} of {repeats}", end="", file=sys.stderr, flush=True)
        child.close()
        memory = []
        for kind, name in (("compiled", "compiled, 2 threads"), (f"numpy{lanes_at_once}", "NumPy float32")):
            command = [sys.executable, __file__, "--memory", kind, str(folder / "jobs.pickle")]
            size, peak = subprocess.run(command, capture_output=True, text=True, check=True).stdout.split()
            memory.append(f"{name} {float(peak):.0f} MiB beside {float(size):.0f} MiB of input")
    print(file=sys.stderr)

    said = check(jobs, grown, double, truth)
    places = {place: (b, i) for b, batch in enumerate(double) for i, place in enumerate(batch.places)}
    for (j, s, y, _), (mass, *_) in zip(slow, plain, strict=True):
        b, i = places[j, s, y]
        assert np.allclose(mass, truth[b]["mass"][:, i], rtol=1e-9, atol=1e-9), "plain Python and NumPy differ"

    print(f"\n{'':44}{'million/s':>10} {'range':>18}{'CPU ns/day':>12}{'2 threads':>10}")
    print(f"{'':44}{'median':>10} {'':>18}{'':>12}{'ratio':>10}")
    two = median(crop_days / wall for wall, _ in ours[2])
    report("compiled, 2 threads", crop_days, ours[2], two)
    one = report("compiled, 1 thread", crop_days, ours[1], two)
    scalar = report("compiled, vectoriser off, 1 thread", crop_days, rows["scalar"], two)
    note = f"{lanes_at_once} lanes at once, best of {len(BATCHES)} sizes tried"
    report("NumPy over options, float32", crop_days, rows["numpy32"], two, note)
    report("NumPy over options, float64", crop_days, rows["numpy64"], two)
    report("NumPy over options, float32, 2 threads", crop_days, rows["numpy32 x 2"], two)
    note = f"{SLOW_LANES} options x years, {few_days:,.0f} crop-days; extrapolated"
    report("plain Python, one number at a time", few_days, rows["python"], two, note)
    report("pandas, itertuples, one option a time", few_days, rows["itertuples"], two, note)
    report("pandas, iterrows, one option a time", few_days, rows["iterrows"], two, note)
    print(f"\nguard: packed / vectoriser off, 1 thread each: {one / scalar:.1f} (wanted: above 3)")
    print(f"check: {said}")
    print("compile: " + "; ".join(compiled))
    print("peak memory above imports and input: " + "; ".join(memory))


if __name__ == "__main__":
    main()
