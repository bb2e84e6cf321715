"""The whole plan of the sample farm, stage by stage: `python tests/benchmarks/bench_plan.py`.

All blocks, all covers, all sowing dates, all weather years; aim: under 5 s. Each repeat reads and plans anew and
writes to an empty folder. Outside the clock: imports and the first use of the compiled loop, which have lines of
their own. Files are warm after the first repeat, which is not counted.
"""

from __future__ import annotations

import argparse
import os
import resource
import tempfile
import time
from pathlib import Path
from statistics import median
from typing import Any

SAMPLE = Path(__file__).parents[2] / "sample_fields"
STAGES = {  # stage: functions of `greengap.plan` it is made of
    "gaps, options": ("find_gaps", "list_options"),
    "simulate": ("simulate",),
    "count, windows": ("count_odds", "sowing_windows"),
    "rate, rank, allocate": ("rate", "rank", "allocate", "list_cautions", "seed_needs", "make_order"),
}


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("farm", nargs="?", type=Path, default=SAMPLE)
    parser.add_argument("--repeats", type=int, default=5)
    given = parser.parse_args()

    start = time.perf_counter()
    import greengap.plan as chain
    from greengap.farm_input import read_farm
    from greengap.output.write import write_plan

    imports = time.perf_counter() - start
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss

    seconds: dict[str, float] = {}

    def clocked(stage: str, function: Any) -> Any:
        def run(*args: Any, **more: Any) -> Any:
            start = time.perf_counter()
            found = function(*args, **more)
            seconds[stage] = seconds.get(stage, 0.0) + time.perf_counter() - start
            return found

        return run

    for stage, names in STAGES.items():
        for name in names:
            setattr(chain, name, clocked(stage, getattr(chain, name)))

    rows: dict[str, list[float]] = {}
    for repeat in range(max(given.repeats, 5) + 1):
        seconds.clear()
        wall, cpu = time.perf_counter(), time.process_time()
        farm = read_farm(given.farm)
        read = time.perf_counter()
        plan = chain.plan_farm(farm)
        planned = time.perf_counter()
        with tempfile.TemporaryDirectory() as folder:
            write_plan(plan, Path(folder))
        written = time.perf_counter()
        found = {
            "read": read - wall, **seconds, "other": planned - read - sum(seconds.values()),
            "plan, together": planned - read, "write": written - planned,
            "read, plan, write": written - wall, "the same, CPU": time.process_time() - cpu,
        }  # fmt: skip
        if repeat == 0:
            first = found["read, plan, write"]
            continue
        for name, value in found.items():
            rows.setdefault(name, []).append(value)

    peak = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    print(
        f"{len(plan.blocks)} blocks, {len(plan.gaps)} gaps, {len(plan.catalogue.covers)} covers, {len(plan.options):,} "
        f"options, {len(plan.season):,} options x weather years; {os.cpu_count()} cores, {given.repeats} repeats\n"
    )
    print(f"{'stage':24}{'median s':>10}{'range':>16}")
    for name, values in rows.items():
        print(f"{name:24}{median(values):10.2f}{f'{min(values):.2f}-{max(values):.2f}':>16}")
    print(f"\nimports {imports:.2f} s, first repeat {first:.2f} s (loads or compiles the day loop); once each")
    print(f"peak memory above imports: {peak:.0f} MiB")


if __name__ == "__main__":
    main()
