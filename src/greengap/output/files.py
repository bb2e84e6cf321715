"""Writing files whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from greengap.errors import InputProblem


def write_text(path: Path, text: str) -> None:
    """Write text, UTF-8 with plain line ends, as `write_bytes` does."""
    write_bytes(path, text.encode("utf-8"))


def write_bytes(path: Path, data: bytes) -> None:
    """Write bytes to a temporary file beside the target, then rename it into place.

    Parameters
    ----------
    path : Path
        Its folder is made if it is missing.
    data : bytes

    Raises
    ------
    InputProblem
        If the folder cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    except OSError as error:
        raise InputProblem(
            path.as_posix(), "", f"cannot be written ({error.strerror})", "Name another folder with --out"
        ) from error
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        Path(name).chmod(0o644)
        Path(name).replace(path)
    except OSError as error:
        Path(name).unlink(missing_ok=True)
        raise InputProblem(
            path.as_posix(), "", f"cannot be written ({error.strerror})", "Move away what stands there"
        ) from error
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
