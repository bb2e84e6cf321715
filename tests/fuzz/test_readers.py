"""A few spoiled files for every reader; `fuzz_readers.py` runs as many as wanted."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

spec = importlib.util.spec_from_file_location("fuzz_readers", Path(__file__).with_name("fuzz_readers.py"))
fuzz_readers = importlib.util.module_from_spec(spec)
sys.modules["fuzz_readers"] = fuzz_readers
spec.loader.exec_module(fuzz_readers)


@pytest.mark.parametrize("reader", fuzz_readers.READERS, ids=lambda r: r.name)
def test_spoiled_files_are_used_or_refused_and_nothing_else(reader):
    outcome = fuzz_readers.fuzz(reader, cases=25, seed=7)
    assert outcome.failures == []
    assert outcome.used + outcome.refused == 25


def test_a_reader_that_fails_is_caught():
    """The harness itself: a fault in a reader is a failure of its case."""
    broken = fuzz_readers.Reader("broken", fuzz_readers.text("a.csv", "x" * 50), lambda path: 1 / 0)
    assert len(fuzz_readers.fuzz(broken, 3, 1).failures) == 3
