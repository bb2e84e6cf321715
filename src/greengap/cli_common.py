"""What all commands share: reading the farm, checking where files go, and how far a long piece of work has come."""

from __future__ import annotations

import os
import sys
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from greengap.farm_input import Farm


@contextmanager
def seasons_bar(what: str = "Running the weather years") -> Iterator[Callable[[int, int], None]]:
    """A progress bar on the error stream, so that printed tables can be piped."""
    from greengap.process.day_loop import is_compiled

    if not is_compiled():
        print("First run: the day loop is compiled once, which takes some seconds ...", file=sys.stderr)
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    bar = Progress(
        TextColumn("{task.description}"), BarColumn(), TextColumn("{task.completed}/{task.total}"), TimeElapsedColumn(),
        console=Console(stderr=True), transient=True,
    )  # fmt: skip
    with bar:
        task = bar.add_task(what, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


def check_out(out: Path) -> None:
    """Refuse a folder that cannot be written before the work is done, not after."""
    from greengap.errors import InputProblem

    try:
        there = next(path for path in (out.absolute(), *out.absolute().parents) if path.exists())
    except OSError as error:  # a name that the file system does not take
        what = f"cannot be made ({error.strerror})"
        raise InputProblem(f"{out.as_posix():.80}", "", what, "Name another folder with --out") from error
    if not there.is_dir():
        what = "is a file" if there == out.absolute() else f"cannot be made, since {there.name} is a file"
    elif not os.access(there, os.W_OK | os.X_OK):
        what = "cannot be written"
    else:
        return
    raise InputProblem(out.as_posix(), "", what, "Name another folder with --out")


def open_farm(farm: Path) -> Farm:
    """Read the farm, and say so on the error stream."""
    from greengap.farm_input import read_farm

    print("Reading the farm ...", file=sys.stderr)
    return read_farm(farm)
