"""The farms folder, and the one farm that is open for all windows."""

from __future__ import annotations

import threading
from pathlib import Path

from greengap.farm.farm_file import is_farm_file
from greengap.web.session import Session, slug
from greengap.web.store import FarmStore


class NotThere(Exception):
    """What was asked for is not there (yet)."""

    def __init__(self, key: str) -> None:
        self.key = key
        super().__init__(key)


class OtherFarm(Exception):
    """Another farm is open than the one that the edit was made for."""


def sample_folder() -> Path:
    """The sample farm: inside the installed package, or beside the sources."""
    inside = Path(__file__).parents[1] / "sample_fields"
    return inside if inside.is_dir() else Path(__file__).parents[3] / "sample_fields"


class House:
    """The farms folder, and the one farm that is open."""

    def __init__(self, farms: Path, address: str = "") -> None:
        self.farms, self.address = farms, address
        self.session: Session | None = None
        self.farm_id = ""
        self._lock = threading.Lock()
        self._count = 0

    def take(self, store: FarmStore) -> None:
        """Open a farm in place of the one that was open."""
        with self._lock:
            before, self.session = self.session, Session(store)
            self._count += 1
            self.farm_id = f"{store.path.stem}-{self._count}"
            if before is not None:
                before.close()

    def open(self) -> Session:
        """The open farm."""
        if self.session is None:
            raise NotThere("no_farm")
        return self.session

    def open_as(self, farm: str) -> Session:
        """The open farm, if it is the one that is meant."""
        session = self.open()
        if farm != self.farm_id:
            raise OtherFarm
        return session

    def files(self) -> dict[str, Path]:
        """Farm files of the farms folder, newest first; what is none is left out."""
        if not self.farms.is_dir():
            return {}
        found = [p for p in self.farms.glob("*.gpkg") if is_farm_file(p)]
        return {p.name: p for p in sorted(found, key=lambda p: -p.stat().st_mtime)[:200]}

    def free_path(self, name: str) -> Path:
        """A path in the farms folder that is not taken."""
        stem, number = slug(name), 1
        path = self.farms / f"{stem}.gpkg"
        while path.exists():
            number += 1
            path = self.farms / f"{stem}-{number}.gpkg"
        return path

    def close(self) -> None:
        """Let go of the farm."""
        if self.session is not None:
            self.session.close()
            self.session = None
