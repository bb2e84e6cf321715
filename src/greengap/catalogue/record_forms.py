"""What published forms and rules ask of a cover that was sown, as data with their sources."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from greengap.catalogue.loader import HERE, CatalogueProblem, Source, read_toml

FILE = "record_forms.toml"


@dataclass(frozen=True)
class RecordItem:
    """One thing that is asked, and by whom."""

    key: str
    words: str
    asked_by: tuple[str, ...]


@lru_cache(maxsize=2)
def record_items(folder: Path = HERE) -> tuple[RecordItem, ...]:
    """The things that are asked, in the order of the file.

    Raises
    ------
    CatalogueProblem
        If one has no words, or is asked by nobody that sources.toml knows.
    """
    sources = read_toml(folder / "sources.toml")
    out = []
    for key, said in read_toml(folder / FILE).items():
        if not said.get("words") or set(said) != {"words", "asked_by"}:
            raise CatalogueProblem(FILE, key, "does not say what is asked", "Give it words and asked_by, nothing else")
        unknown = [s for s in said["asked_by"] if s not in sources]
        if unknown or not said["asked_by"]:
            raise CatalogueProblem(FILE, key, f"asked by {unknown or 'nobody'}", "Name ids of sources.toml")
        out.append(RecordItem(key, said["words"], tuple(said["asked_by"])))
    return tuple(out)


def form_name(source: Source) -> str:
    """A form in a few words."""
    return f"{source.title} ({source.authors}, {source.year})"
