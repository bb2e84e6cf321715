"""What a file from elsewhere may be: sizes, zips, XML. Checked before any library opens it.

A farm reads files that were mailed, downloaded or found on a stick. What is refused here could fill the disk or
the memory, write outside its folder, or make a library fetch something from elsewhere.
"""

from __future__ import annotations

import stat
import zipfile
from collections.abc import Callable
from pathlib import Path, PurePosixPath
from xml.parsers import expat

from greengap.errors import InputProblem

MOST_BYTES = 1_000_000_000  # of a file that is opened
# What a packed file may hold before it is unpacked.
MOST_MEMBERS, MOST_UNPACKED, MOST_RATIO = 200, 500_000_000, 100
RATIO_FROM = 10_000_000  # bytes from which the ratio counts; small sparse tables pack well and harm nobody
DEEPEST = 200  # elements inside one another
DATA_ELSEWHERE = ("OGRVRT", "OGRWFS", "VRTDataset", "GDAL_WMS", "GDAL_WMTS", "WCS_GDAL", "OGRCSW", "Capabilities")


def check_size(path: Path, shown: str, most: int = MOST_BYTES) -> None:
    """Refuse a file that is too large to open.

    Raises
    ------
    InputProblem
        If it is larger than `most` bytes.
    """
    size = path.stat().st_size
    if size > most:
        what = f"has {size / 1e6:,.0f} MB, more than {most / 1e6:,.0f}"
        raise InputProblem(shown, "", what, "Cut out the part with the farm and give that")


def check_xml(path: Path, shown: str) -> None:
    """Refuse XML that defines entities, nests without end, or only points to data elsewhere.

    Reads the whole file in pieces; memory does not grow with it.

    Parameters
    ----------
    path : Path
        KML, GML, GPX or other XML.
    shown : str
        Name of the file as the user knows it.

    Raises
    ------
    InputProblem
        If it has a document type definition, is nested deeper than `DEEPEST`, points elsewhere, or is no XML.
    """
    save = "Save it again from a GIS, as GeoPackage or GeoJSON"
    depth = 0

    def refuse(what: str) -> InputProblem:
        return InputProblem(shown, "", what, save)

    def on_doctype(*_: object) -> None:
        raise refuse("holds a document type definition, which could make it swell or fetch other files")

    def on_start(name: str, _: object) -> None:
        nonlocal depth
        depth += 1
        if depth == 1 and name.rpartition(":")[2].startswith(DATA_ELSEWHERE):
            raise refuse("only points to data elsewhere")
        if depth > DEEPEST:
            raise refuse(f"nests elements more than {DEEPEST} deep")

    def on_end(_: str) -> None:
        nonlocal depth
        depth -= 1

    parser = expat.ParserCreate()
    parser.StartDoctypeDeclHandler = on_doctype
    parser.StartElementHandler = on_start
    parser.EndElementHandler = on_end
    try:
        with path.open("rb") as file:
            parser.ParseFile(file)
    except expat.ExpatError as error:
        raise refuse(f"is not well-formed XML ({error})") from None
    except (ValueError, LookupError) as error:  # an encoding that nobody knows
        raise refuse(f"is not well-formed XML ({error})") from None


def unpack_zip(path: Path, shown: str, folder: Path, remedy: str) -> None:
    """Unpack a zip into a folder of ours, member by member.

    Parameters
    ----------
    path : Path
        The zip.
    shown : str
        Name of the file as the user knows it.
    folder : Path
        Empty folder.
    remedy : str
        What to do where it is refused.

    Raises
    ------
    InputProblem
        If the zip is damaged, holds too many members or bytes, swells too much, asks for a password, holds
        links, other zips, names that climb out of the folder, or names that differ only in capitals.
    """

    def refuse(what: str) -> InputProblem:
        return InputProblem(shown, "", what, remedy)

    try:
        with zipfile.ZipFile(path) as packed:
            members = [m for m in packed.infolist() if not m.is_dir() and not m.filename.startswith("__MACOSX/")]
            _check_members(members, refuse)
            left = MOST_UNPACKED
            for member in members:
                target = folder.joinpath(*PurePosixPath(member.filename.replace("\\", "/")).parts)
                target.parent.mkdir(parents=True, exist_ok=True)
                written = 0
                with packed.open(member) as source, target.open("wb") as copy:
                    while chunk := source.read(1 << 20):
                        if not written and chunk.startswith(b"PK\x03\x04"):
                            raise refuse(f"the zip holds another zip, {member.filename!r}")
                        written += len(chunk)
                        left -= len(chunk)  # declared sizes may lie
                        if left < 0:
                            raise refuse(f"the zip unpacks to more than {MOST_UNPACKED // 1_000_000} MB")
                        _check_ratio(member, written, refuse)
                        copy.write(chunk)
    except (zipfile.BadZipFile, NotImplementedError, EOFError, OSError, RuntimeError, ValueError) as error:
        raise InputProblem(shown, "", "is a damaged zip file", "Copy or download it again") from error
    except Exception as error:  # of zlib, lzma and bz2, each its own
        if isinstance(error, InputProblem):
            raise
        raise InputProblem(shown, "", "is a damaged zip file", "Copy or download it again") from error


def check_zip(path: Path, shown: str, remedy: str) -> None:
    """The same checks on what a zip declares, for a library that unpacks it itself (a spreadsheet).

    Raises
    ------
    InputProblem
        As `unpack_zip`, for what can be told without unpacking.
    """

    def refuse(what: str) -> InputProblem:
        return InputProblem(shown, "", what, remedy)

    try:
        with zipfile.ZipFile(path) as packed:
            members = [m for m in packed.infolist() if not m.is_dir()]
            _check_members(members, refuse)
            for member in members:
                written = 0
                with packed.open(member) as source:
                    while chunk := source.read(1 << 20):
                        written += len(chunk)
                        _check_ratio(member, written, refuse)
                        if b"<!DOCTYPE" in chunk or b"<!ENTITY" in chunk:
                            raise refuse("holds a document type definition, which could make it swell")
    except InputProblem:
        raise
    except Exception as error:  # damaged in one of many ways
        raise InputProblem(shown, "", "is a damaged file", "Copy it again, or save it as CSV") from error


def _check_members(members: list[zipfile.ZipInfo], refuse: Callable[[str], InputProblem]) -> None:
    """What the list of members tells."""
    if len(members) > MOST_MEMBERS:
        raise refuse(f"the zip holds {len(members)} files, more than {MOST_MEMBERS}")
    seen: set[str] = set()
    for member in members:
        name = PurePosixPath(member.filename.replace("\\", "/"))
        if name.is_absolute() or ".." in name.parts or ":" in member.filename or "\0" in member.filename:
            raise refuse(f"the zip holds a file with an unsafe name, {member.filename!r}")
        if stat.S_ISLNK(member.external_attr >> 16):
            raise refuse(f"the zip holds a link, {member.filename!r}")
        if member.flag_bits & 1:
            raise refuse("the zip asks for a password")
        if name.as_posix().casefold() in seen:
            what = f"the zip holds {member.filename!r} twice, but for capitals"
            raise refuse(what)
        seen.add(name.as_posix().casefold())
    if sum(m.file_size for m in members) > MOST_UNPACKED:
        raise refuse(f"the zip unpacks to more than {MOST_UNPACKED // 1_000_000} MB")


def _check_ratio(member: zipfile.ZipInfo, written: int, refuse: Callable[[str], InputProblem]) -> None:
    """What swells as no farm's data do."""
    if written > RATIO_FROM and written > MOST_RATIO * max(member.compress_size, 1):
        what = f"the zip holds {member.filename!r}, which unpacks to more than {MOST_RATIO} times its size"
        raise refuse(what)
