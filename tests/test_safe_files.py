"""Files that could harm are refused in one sentence, in bounded time and memory, and nothing of them is left."""

from __future__ import annotations

import io
import resource
import stat
import zipfile
from pathlib import Path

import pytest

from greengap.errors import ImportReport, InputProblem
from greengap.farm.fields import read_blocks
from greengap.safe_files import check_xml, unpack_zip

KML = (
    '<?xml version="1.0"?>{doctype}<kml xmlns="http://www.opengis.net/kml/2.2"><Document><Placemark><name>{name}</name>'
    "<Polygon><outerBoundaryIs><LinearRing><coordinates>-76.5,42.44 -76.498,42.44 -76.498,42.4415 -76.5,42.4415 "
    "-76.5,42.44</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark></Document></kml>"
)
LAUGHS = "<!DOCTYPE kml [" + '<!ENTITY a0 "ha">' + "".join(
    f'<!ENTITY a{i} "' + f"&a{i - 1};" * 10 + '">' for i in range(1, 12)
) + "]>"  # fmt: skip
FETCH = '<!DOCTYPE kml [<!ENTITY x SYSTEM "file:///etc/hostname">]>'


def read(path: Path):
    return read_blocks(path, path.name, ImportReport())


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("laughs.kml", KML.format(doctype=LAUGHS, name="&a11;")),
        ("fetch.kml", KML.format(doctype=FETCH, name="&x;")),
        ("plain_doctype.kml", KML.format(doctype="<!DOCTYPE kml>", name="A")),
        ("laughs.gml", KML.format(doctype=LAUGHS, name="&a11;")),
        ("no_ending", KML.format(doctype=LAUGHS, name="&a11;")),
    ],
)
def test_xml_that_defines_entities_is_refused(tmp_path, name, text):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with pytest.raises(InputProblem, match="document type definition"):
        read(path)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 100_000  # kB


def test_entities_are_found_in_utf_16_too(tmp_path):
    path = tmp_path / "fields.kml"
    path.write_bytes(KML.format(doctype=LAUGHS, name="&a11;").replace("?>", ' encoding="UTF-16"?>', 1).encode("utf-16"))
    with pytest.raises(InputProblem, match="document type definition"):
        read(path)


def test_the_same_kml_without_entities_is_read(tmp_path):
    path = tmp_path / "fields.kml"
    path.write_text(KML.format(doctype="", name="Home"), encoding="utf-8")
    assert read(path)["block_id"].tolist() == ["Home"]


def test_xml_nested_without_end_is_refused(tmp_path):
    path = tmp_path / "fields.kml"
    path.write_text("<kml>" + "<Folder>" * 100_000 + "</Folder>" * 100_000 + "</kml>", encoding="utf-8")
    with pytest.raises(InputProblem, match="nests elements"):
        check_xml(path, "fields.kml")


@pytest.mark.parametrize(
    "text",
    [
        "<OGRVRTDataSource><OGRVRTLayer name='x'><SrcDataSource>/etc/passwd</SrcDataSource></OGRVRTLayer>"
        "</OGRVRTDataSource>",
        "<!-- a note --><OGRWFSDataSource><URL>http://localhost/</URL></OGRWFSDataSource>",
        "<GDAL_WMS><Service name='TMS'/></GDAL_WMS>",
    ],
)
def test_a_file_that_points_elsewhere_is_refused(tmp_path, text):
    path = tmp_path / "fields.vrt"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputProblem, match="only points to data elsewhere"):
        read(path)


# --- zips ----------------------------------------------------------------------------------------


def a_zip(path: Path, members: dict[str, bytes], **infos) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, content in members.items():
            info = zipfile.ZipInfo(name)
            info.compress_type = zipfile.ZIP_DEFLATED
            for key, value in infos.items():
                setattr(info, key, value)
            packed.writestr(info, content)
    return path


def inner_zip() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as packed:
        packed.writestr("fields.geojson", "{}")
    return out.getvalue()


@pytest.mark.parametrize(
    ("members", "infos", "words"),
    [
        ({"fields.geojson": b" " * 60_000_000}, {}, "more than 100 times its size"),
        ({f"part{i}.csv": b"a" for i in range(201)}, {}, "holds 201 files, more than 200"),
        ({"../fields.geojson": b"{}"}, {}, "unsafe name"),
        ({"/etc/fields.geojson": b"{}"}, {}, "unsafe name"),
        ({"c:\\fields.geojson": b"{}"}, {}, "unsafe name"),
        ({"fields.shp": b"{}"}, {"external_attr": (stat.S_IFLNK | 0o777) << 16}, "holds a link"),
        ({"Fields.geojson": b"{}", "fields.geojson": b"{}"}, {}, "twice, but for capitals"),
        ({"more.zip": inner_zip()}, {}, "holds another zip"),
    ],
    ids=["bomb", "many", "climbs", "absolute", "drive", "link", "capitals", "nested"],
)
def test_a_zip_that_could_harm_is_refused(tmp_path, members, infos, words):
    path = a_zip(tmp_path / "fields.zip", members, **infos)
    with pytest.raises(InputProblem, match=words):
        read(path)
    assert [p.name for p in tmp_path.iterdir()] == ["fields.zip"]
    assert not (tmp_path.parent / "fields.geojson").exists()


def test_a_zip_that_lies_about_its_size_is_stopped(tmp_path):
    path = a_zip(tmp_path / "fields.zip", {"fields.geojson": b" " * 60_000_000})
    data = bytearray(path.read_bytes())
    for sign, at in ((b"PK\x01\x02", 24), (b"PK\x03\x04", 22)):  # the declared size, in both headers
        start = data.find(sign)
        data[start + at : start + at + 4] = (10).to_bytes(4, "little")
    path.write_bytes(bytes(data))
    with pytest.raises(InputProblem, match=r"damaged|times its size"):
        read(path)


def test_a_zip_with_a_password_is_refused(tmp_path):
    path = a_zip(tmp_path / "fields.zip", {"fields.geojson": b"{}"})
    data = bytearray(path.read_bytes())
    for sign, at in ((b"PK\x01\x02", 8), (b"PK\x03\x04", 6)):
        data[data.find(sign) + at] |= 1
    path.write_bytes(bytes(data))
    with pytest.raises(InputProblem, match="password"):
        read(path)


def test_a_bomb_fills_neither_disk_nor_memory(tmp_path):
    path = a_zip(tmp_path / "fields.zip", {"fields.geojson": b" " * 400_000_000})
    assert path.stat().st_size < 500_000
    target = tmp_path / "out"
    target.mkdir()
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with pytest.raises(InputProblem, match="times its size"):
        unpack_zip(path, "fields.zip", target, "Unpack it")
    assert sum(p.stat().st_size for p in target.iterdir()) < 50_000_000
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 100_000  # kB


@pytest.mark.parametrize("name", ["fields.gpkg", "fields.shp", "fields.fgb", "fields.parquet", "fields.geojson"])
def test_a_file_under_a_false_name_is_refused(tmp_path, name):
    path = tmp_path / name
    path.write_bytes(b"#!/bin/sh\necho hello\n")
    with pytest.raises(InputProblem, match=r"but is something else"):
        read(path)
