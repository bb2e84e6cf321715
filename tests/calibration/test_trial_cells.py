import pandas as pd
import pytest

from greengap.calibration.trial_cells import (
    Amount,
    read_amount,
    read_dates,
    read_flowering,
    read_sampling,
    read_stage,
    read_us_date,
    read_years,
)

SOWN = pd.Timestamp("2018-04-15")


@pytest.mark.parametrize(
    ("text", "amount"),
    [
        ("10388", Amount(10388, None, None)),
        ("1233-1457", Amount(1345, 1233, 1457)),
        (">2242", Amount(None, 2242, None)),
        ("<500", Amount(None, None, 500)),
        ("about 8743", Amount(8743, None, None)),
        ("", None),
        ("several", None),
    ],
)
def test_an_amount_is_a_number_a_range_or_a_bound(text, amount):
    assert read_amount(text) == amount


@pytest.mark.parametrize(("text", "years"), [("2018", (2018,)), ("2010-2012", (2010, 2011, 2012)), ("two years", ())])
def test_years_are_one_or_a_run(text, years):
    assert read_years(text) == years


def test_a_date_without_a_year_is_repeated_in_each_year():
    spans = read_dates("08-08 to 08-18", (2010, 2011))
    assert [span.middle for span in spans] == [pd.Timestamp("2010-08-13"), pd.Timestamp("2011-08-13")]


@pytest.mark.parametrize("text", ["spring", "mid-April to mid-July", "", "2018-13-40", "May"])
def test_words_are_no_date(text):
    assert read_dates(text, (2018,)) == []


@pytest.mark.parametrize(
    ("text", "days"),
    [
        ("60 d", [60]),
        ("about 75 d (peak)", [75]),
        ("45-60 d", [52]),
        ("9-12 weeks", [73]),
        ("30 and 50 d", [30, 50]),
        ("98 d (first frost)", [98]),
        ("2018-06-14", [60]),
        ("06-14", [60]),
        ("early July (incorporated)", []),
        ("cut 2", []),
        ("", []),
    ],
)
def test_sampling_is_a_date_or_days_after_sowing(text, days):
    assert [(span.middle - SOWN).days for span in read_sampling(text, SOWN)] == days


@pytest.mark.parametrize("text", ["5/28/2003", "05-28-2003"])
def test_both_spellings_of_a_date_with_the_month_first_are_read(text):
    assert read_us_date(text) == pd.Timestamp("2003-05-28")


def test_a_month_of_thirteen_is_no_date():
    assert read_us_date("13/2/2003") is None


def test_what_was_seen_of_flowers_keeps_its_own_sowing_date():
    found = read_flowering("in flower by 2020-10-07 (sown 2020-07-21); none by 2019-10-11 (sown 2019-09-04)")
    assert [(str(s.date()), str(d.date()), f) for s, d, f in found] == [
        ("2020-07-21", "2020-10-07", True),
        ("2019-09-04", "2019-10-11", False),
    ]


@pytest.mark.parametrize(
    ("text", "stage"),
    [
        ("Zadoks 30", (30, 30)),
        ("Zadocks 60", (60, 60)),
        ("Zadoks 20-25 (tillering)", (20, 25)),
        ("29", (29, 29)),
        ("Anthesis", (60, 69)),
        ("Stem elongation-Boot stage", (30, 49)),
        ("", None),
        ("knee high", None),
    ],
)
def test_a_growth_stage_is_read_in_each_spelling(text, stage):
    assert read_stage(text) == stage
