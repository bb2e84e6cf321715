"""How far a long piece of work has come, on the error stream of a terminal."""

from __future__ import annotations

import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator


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
