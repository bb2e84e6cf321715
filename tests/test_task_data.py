"""Task data from elsewhere: read leniently where that is safe, refused in one sentence where it is not."""

import time
import zipfile

import pytest

from greengap.errors import InputProblem
from greengap.task_data import faults, read_task_data

HEAD = '<?xml version="1.0" encoding="UTF-8"?>\n'
ROOT = (
    '<ISO11783_TaskData VersionMajor="{v}" VersionMinor="3" ManagementSoftwareManufacturer="x" '
    'ManagementSoftwareVersion="1" DataTransferOrigin="1">{inside}</ISO11783_TaskData>'
)
SQUARE = ((0.0, 0.0), (0.0, 0.001), (0.001, 0.001), (0.001, 0.0))


def ring(kind: str, corners=SQUARE) -> str:
    points = "".join(f'<PNT A="2" C="{48 + lat:.9f}" D="{13 + lon:.9f}"/>' for lon, lat in corners)
    return f'<LSG A="{kind}">{points}</LSG>'


def field(*rings: str, kind: str = "1", key: str = "PFD1") -> str:
    return f'<PFD A="{key}" C="Hill" D="8230"><PLN A="{kind}">{"".join(rings)}</PLN></PFD>'


def written(folder, inside: str, version: int = 4):
    (folder / "TASKDATA").mkdir(exist_ok=True)
    path = folder / "TASKDATA" / "TASKDATA.XML"
    path.write_text(HEAD + ROOT.format(v=version, inside=inside), encoding="utf-8")
    return path


def refused(path, within_s: float = 5.0) -> str:
    begun = time.monotonic()
    with pytest.raises(InputProblem) as caught:
        read_task_data(path, path.name)
    assert time.monotonic() - begun < within_s
    sentence = caught.value.sentence
    assert "\n" not in sentence
    assert sentence.startswith(path.name)
    return sentence


# -- rings as terminals write them -------------------------------------------------------------------


def test_rings_need_not_be_closed_or_wound_and_holes_find_their_shell(tmp_path):
    hole = ((0.0004, 0.0004), (0.0006, 0.0004), (0.0006, 0.0006))
    (one,) = read_task_data(written(tmp_path, field(ring("1"), ring("2", hole))), "x").partfields
    assert len(one.outline.interiors) == 1
    assert one.outline.bounds == pytest.approx((13, 48, 13.001, 48.001))


def test_several_shells_in_one_polygon_are_parts(tmp_path):
    other = tuple((lon + 0.01, lat) for lon, lat in SQUARE)
    (one,) = read_task_data(written(tmp_path, field(ring("1"), ring("1", other)), 3), "x").partfields
    assert one.outline.geom_type == "MultiPolygon"


def test_rings_of_another_kind_are_taken_as_shells_and_stray_points_left_out(tmp_path):
    stray = '<LSG A="1"><PNT A="2" C="" D=""/></LSG>'
    (one,) = read_task_data(written(tmp_path, field(ring("8"), stray)), "x").partfields
    assert one.outline.area == pytest.approx(1e-6)


def test_groups_in_files_of_their_own_are_followed_whatever_the_case_of_their_names(tmp_path):
    path = written(tmp_path, '<XFR A="PFD00001" B="1"/>')
    (path.parent / "pfd00001.xml").write_text(f"<XFC>{field(ring('1'))}</XFC>", encoding="utf-8")
    (path.parent / "._TASKDATA.XML").write_bytes(b"\0\5\26\7")  # what a macOS leaves behind
    assert [p.name for p in read_task_data(tmp_path, "x").partfields] == ["Hill"]


def test_a_comment_or_a_byte_order_mark_before_the_root_does_no_harm(tmp_path):
    path = written(tmp_path, field(ring("1")))
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes().replace(b"<ISO", b"<!-- made by hand -->\n<ISO", 1))
    assert len(read_task_data(path, "x").partfields) == 1


def test_what_the_schema_cannot_see_is_listed(tmp_path):
    zones = '<TZN A="1"><PDV A="0006" B="5" C="PDT9"/></TZN><TZN A="1"><PDV A="000B" B="5"/></TZN>'
    inside = field(ring("1"), key="FIELD_A") + field(ring("1")) + field(ring("1"))
    inside += f'<TSK A="TSK-1" B="{"long " * 9}" E="PFD7" G="1" H="4">{zones}</TSK>'
    found = "; ".join(faults(read_task_data(written(tmp_path, inside), "x")))
    for words in (
        "stands twice", "longer than 32", "'FIELD_A' is not one", "'TSK-1' is not one", "field 'PFD7' is not there",
        "zone codes are not unique", "zone 4 is named but not there", "do not set the same things",
        "'PDT9' is not there",
    ):  # fmt: skip
        assert words in found, words


# -- files that mean harm ------------------------------------------------------------------------------


def test_an_entity_bomb_is_refused(tmp_path):
    bomb = '<!DOCTYPE x [<!ENTITY a "ha">' + "".join(
        f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in zip("abcdefgh", "bcdefghi", strict=True)
    )
    path = tmp_path / "TASKDATA.XML"
    path.write_text(f"{HEAD}{bomb}]>{ROOT.format(v=4, inside='<CTR A=&i;/>')}", encoding="utf-8")
    assert "document type definition" in refused(path)


def test_an_entity_that_reads_a_file_is_refused(tmp_path):
    path = tmp_path / "TASKDATA.XML"
    text = f'{HEAD}<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/passwd">]>{ROOT.format(v=4, inside="<CTR>&a;</CTR>")}'
    path.write_text(text, encoding="utf-8")
    assert "document type definition" in refused(path)


def test_a_zip_bomb_is_refused(tmp_path):
    path = tmp_path / "task.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("TASKDATA/TASKDATA.XML", b" " * 60_000_000)
    assert "unpacks to more than" in refused(path)


@pytest.mark.parametrize(
    "name", ["../TASKDATA.XML", "/etc/TASKDATA.XML", "TASKDATA\\..\\..\\TASKDATA.XML", "C:TASKDATA.XML"]
)
def test_a_zip_that_climbs_out_is_refused(tmp_path, name):
    path = tmp_path / "task.zip"
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr(name, HEAD + ROOT.format(v=4, inside=""))
    assert "unsafe name" in refused(path)
    assert [p.name for p in tmp_path.iterdir()] == ["task.zip"]


@pytest.mark.parametrize("name", ["../../secret", "/etc/passwd", "PFD1/../x", "pfd00001", "PFD0000é"])
def test_a_pointer_to_a_file_elsewhere_is_refused(tmp_path, name):
    path = written(tmp_path, f'<XFR A="{name}" B="1"/>')
    assert "unsafe name" in refused(path)


def test_a_million_corners_are_refused_quickly(tmp_path):
    point = '<PNT A="2" C="48.000000001" D="13.000000001"/>'
    line = f'<LSG A="1">{point * 1_000_000}</LSG>'
    path = written(tmp_path, f'<PFD A="PFD1" C="x" D="1"><PLN A="1">{line}</PLN></PFD>')
    assert "more than 100,000 corners" in refused(path, within_s=15)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("<kml/>", "is not task data"),
        ("{}", "not well-formed"),
        (HEAD + ROOT.format(v=2, inside=""), "3 and 4 can be read"),
        (HEAD + "<a>" * 300 + "</a>" * 300, "deep"),
        ("", "not well-formed"),
    ],
)
def test_what_is_no_task_data_is_refused_in_words(tmp_path, text, words):
    path = tmp_path / "TASKDATA.XML"
    path.write_text(text, encoding="utf-8")
    assert words in refused(path)


def test_a_folder_without_or_with_two_main_files_is_refused(tmp_path):
    assert "holds no TASKDATA.XML" in refused(tmp_path)
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        written(tmp_path / name, "")
    assert "holds 2 TASKDATA.XML" in refused(tmp_path)
    assert "no such file" in refused(tmp_path / "absent")
