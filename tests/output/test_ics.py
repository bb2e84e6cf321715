"""The calendar, read by the icalendar library: dates, alarms, and files that replace what they were."""

from dataclasses import replace
from datetime import date, timedelta

import icalendar
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.errors import InputProblem
from greengap.output.export import export
from greengap.output.ics import calendar, escaped, fold, read_events
from greengap.output.jobs import list_jobs, order_grams
from greengap.output.operations import list_operations
from greengap.tables import Operation


@pytest.fixture(scope="module")
def operations(sample_plan):
    return list_operations(sample_plan, list_jobs(sample_plan))


@pytest.fixture(scope="module")
def raw(sample_plan, operations):
    return calendar(sample_plan, operations, order_grams(sample_plan))


def events(raw: bytes) -> dict[str, icalendar.Event]:
    return {str(e["UID"]): e for e in icalendar.Calendar.from_ical(raw).walk("VEVENT")}


def before(tmp_path, raw):
    path = tmp_path / "calendar.ics"
    path.write_bytes(raw)
    return read_events(path)


def test_every_operation_is_one_event_with_its_days(raw, operations):
    found = events(raw)
    assert len(found) == len(operations)
    for row in operations.itertuples():
        event = found[f"{row.operation_id}@greengap"]
        assert event.decoded("DTSTART") == row.start.date()
        assert event.decoded("DTEND") == row.end.date() + timedelta(days=1)  # RFC 5545: not counted in
        assert isinstance(event.decoded("DTSTART"), date)
        assert row.block_id in event["SUMMARY"]
        assert not event.errors
        assert event.decoded("GEO")[0] > event.decoded("GEO")[1]  # latitude first: the farm lies at 48.5 N, 13.9 E


def test_lines_end_in_crlf_and_hold_75_octets_at_most(raw):
    lines = raw.split(b"\r\n")
    assert b"\n" not in b"".join(lines)
    assert max(map(len, lines)) <= 75


def test_sowing_calls_two_days_before_and_flowering_does_not(raw, operations):
    for event in events(raw).values():
        alarms = event.walk("VALARM")
        if event["SUMMARY"].split(": ")[1].startswith("sow,"):
            assert [a.decoded("TRIGGER") for a in alarms] == [-timedelta(days=1, hours=18)]  # at six in the morning
    assert any(e.walk("VALARM") for e in events(raw).values())


def test_the_same_plan_again_gives_the_same_bytes_with_or_without_the_old_file(sample_plan, operations, raw, tmp_path):
    assert calendar(sample_plan, operations, order_grams(sample_plan), before(tmp_path, raw)) == raw
    assert calendar(sample_plan, operations, order_grams(sample_plan)) == raw


def test_a_moved_day_keeps_its_uid_and_counts_up_and_only_that(sample_plan, operations, raw, tmp_path):
    moved = operations.copy()
    moved.loc[3, ["start", "end"]] += pd.Timedelta(days=2)
    wanted = order_grams(sample_plan)
    second = calendar(sample_plan, Operation.validate(moved), wanted, before(tmp_path, raw))
    old, new = events(raw), events(second)
    assert set(old) == set(new)
    changed = [uid for uid in old if old[uid].to_ical() != new[uid].to_ical()]
    assert changed == [f"{operations.loc[3, 'operation_id']}@greengap"]
    assert (int(old[changed[0]]["SEQUENCE"]), int(new[changed[0]]["SEQUENCE"])) == (0, 1)
    assert new[changed[0]].decoded("DTSTAMP") > old[changed[0]].decoded("DTSTAMP")
    third = calendar(sample_plan, operations, wanted, before(tmp_path, second))
    assert int(events(third)[changed[0]]["SEQUENCE"]) == 2


def test_what_is_no_longer_planned_is_cancelled_once_and_comes_back_alive(sample_plan, operations, raw, tmp_path):
    sown = operations["operation"] == "next crop"
    fewer = Operation.validate(operations[~sown].reset_index(drop=True))
    wanted = order_grams(sample_plan)
    second = calendar(sample_plan, fewer, wanted, before(tmp_path, raw))
    gone = [e for e in events(second).values() if e["STATUS"] == "CANCELLED"]
    assert len(gone) == sown.sum()
    assert {int(e["SEQUENCE"]) for e in gone} == {1}
    assert not any(e.walk("VALARM") for e in gone)
    assert calendar(sample_plan, fewer, wanted, before(tmp_path, second)) == second
    back = events(calendar(sample_plan, operations, wanted, before(tmp_path, second)))
    assert {int(back[str(e["UID"])]["SEQUENCE"]) for e in gone} == {2}
    assert {str(back[str(e["UID"])]["STATUS"]) for e in gone} == {"CONFIRMED"}


def test_uids_stay_when_the_cover_changes(sample_plan, operations):
    job = list_jobs(sample_plan)[0]
    other = replace(job, cover="Another", cover_id="oat")
    ids = list_operations(sample_plan, [other])["operation_id"]
    assert set(ids) <= set(operations["operation_id"])


def test_an_export_beside_an_old_calendar_brings_it_up_to_date(sample_plan, raw, tmp_path):
    (tmp_path / "calendar.ics").write_bytes(raw.replace(b"STATUS:TENTATIVE", b"STATUS:CONFIRMED"))
    found = events(export(sample_plan, "calendar", folder=tmp_path)["calendar.ics"])
    assert {int(e["SEQUENCE"]) for e in found.values()} == {0, 1}


def test_one_year_does_not_cancel_the_others(sample_plan, raw, tmp_path):
    (tmp_path / "calendar.ics").write_bytes(raw)
    files = export(sample_plan, "calendar", 2028, tmp_path)
    assert list(files) == ["calendar_2028.ics"]
    found = events(files["calendar_2028.ics"])
    assert {str(e["STATUS"]) for e in found.values()} == {"CONFIRMED", "TENTATIVE"}
    assert set(found) < set(events(raw))


def test_a_calendar_of_others_is_not_overwritten(tmp_path, raw):
    path = tmp_path / "calendar.ics"
    path.write_bytes(raw.replace(b"PRODID:-//greengap", b"PRODID:-//someone"))
    with pytest.raises(InputProblem, match="is not a calendar that this program wrote"):
        read_events(path)
    assert read_events(tmp_path / "absent.ics") == {}


@given(text=st.text(st.characters(exclude_categories=["C", "Z"]) | st.sampled_from("\n;,\\ äß€"), max_size=300))
def test_any_text_comes_back_as_it_was(text):
    line = fold(f"DESCRIPTION:{escaped(text)}")
    assert max(len(part) for part in line.encode().split(b"\r\n")) <= 75
    event = icalendar.Event.from_ical(f"BEGIN:VEVENT\r\nUID:1\r\n{line}END:VEVENT\r\n")
    assert str(event.get("DESCRIPTION", "")) == text
