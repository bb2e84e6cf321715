"""Pieces of the week ahead: rungs and fit days, is it late, water or wait, what stands."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from greengap.advice.fit_days import DaysAhead, counted, fit_weeks, rungs_ahead
from greengap.advice.standing_ahead import day_by, standing_row
from greengap.advice.up_yet import DAY, ComingUp, coming_up, up_row
from greengap.advice.water_or_wait import rain_enough, ranked, weigh_watering, wetting_mm
from greengap.catalogue import load_catalogue
from greengap.process.drivers import BlockDays, Place
from greengap.process.soil_hydraulics import saxton_rawls
from greengap.tables import FitWeek, RungAhead, StandAhead, UpYet, WaterOrWait

CATALOGUE = load_catalogue()
YEARS = np.arange(2001, 2006)
DATES = pd.date_range("2001-01-01", "2006-12-31")


def block(rain_mm=0.0, clay=0.15, sand=0.5, method="drilled", tmin=12.0, tmax=24.0, extra=None):
    """A block in made-up years, each with the same days; `extra` is rain by month and day."""
    water = saxton_rawls(sand, clay, 0.025)
    soil = pd.Series(
        {
            "clay_fraction": clay, "sand_fraction": sand, "organic_matter_fraction": 0.025,
            "available_water_fraction": float(water.field_capacity_fraction - water.wilting_point_fraction),
            "bulk_density_mg_m3": float(water.bulk_density_mg_m3), "drainage_class": "well drained",
        }
    )  # fmt: skip
    rain = np.full(DATES.size, float(rain_mm))
    for (month, day), mm in (extra or {}).items():
        rain[(DATES.month == month) & (DATES.day == day)] += mm
    site = xr.Dataset(
        {
            "tmin_degc": ("date", np.full(DATES.size, tmin)), "tmax_degc": ("date", np.full(DATES.size, tmax)),
            "precipitation_mm": ("date", rain),
        },
        coords={"date": DATES.to_numpy()},
    )  # fmt: skip
    return BlockDays(site, Place(soil, 45.0, False, 0.0, method=method), CATALOGUE)


def day(text):
    return pd.Timestamp(text)


# --- fit days ----------------------------------------------------------------------------------


def test_weeks_follow_each_other_and_count_what_is_fit():
    fit = np.zeros((4, 14), dtype=bool)
    fit[:, 0], fit[0, 8:11], fit[1:, 13] = True, True, True
    rows = FitWeek.validate(pd.DataFrame(fit_weeks("A", day("2027-05-03"), fit)))
    assert list(rows["first"]) == [day("2027-05-03"), day("2027-05-10")]
    assert list(rows["last"]) == [day("2027-05-09"), day("2027-05-16")]
    assert list(rows["fit_p50_d"]) == [1.0, 1.0]
    assert rows["fit_p90_d"].iloc[1] == pytest.approx(np.quantile([3, 1, 1, 1], 0.9))
    assert list(rows["any_years"]) == [4, 4]


def test_no_weather_year_is_no_odds():
    assert counted(np.zeros((0, 7), dtype=bool)) == {
        "fit_p10_d": 0.0, "fit_p50_d": 0.0, "fit_p90_d": 0.0, "any_years": 0, "years": 0,
    }  # fmt: skip


def ladder(*rungs):
    return pd.DataFrame(
        [
            {
                "gap_id": "A/1", "block_id": "A", "rung": n, "sow_from": day(a),
                "sow_until": day(b) if b else pd.NaT, "cover_id": c,
            }
            for n, (a, b, c) in enumerate(rungs, start=1)
        ]
    )  # fmt: skip


def test_a_rung_counts_its_own_days_and_names_the_next():
    ahead = DaysAhead(block(), CATALOGUE, day("2027-05-03"), 42, YEARS)
    fit = ahead.fit()
    assert fit.shape == (5, 42)
    assert fit.all()  # it never rains
    rows = pd.DataFrame(
        rungs_ahead(
            ladder(
                ("2027-04-20", "2027-05-01", "oat"), ("2027-05-02", "2027-05-08", "oat"),
                ("2027-05-09", "2027-05-12", "buckwheat"), ("2027-05-13", None, "no_cover"),
            ),
            ahead, fit, CATALOGUE,
        )
    )  # fmt: skip
    rows = RungAhead.validate(rows)
    assert list(rows["rung"]) == [2, 3]  # the first is over, the last is no sowing
    assert list(rows["days_left"]) == [5, 9]
    assert list(rows["fit_p50_d"]) == [6.0, 4.0]  # 3 to 8 May, 9 to 12 May
    assert list(rows["next_cover_id"]) == ["buckwheat", "no_cover"]
    assert rows["sow_from"].iloc[0] == day("2027-05-03")


def test_soil_too_cold_for_the_species_is_no_day_to_sow():
    cold = DaysAhead(block(tmin=2.0, tmax=8.0), CATALOGUE, day("2027-05-03"), 42, YEARS)
    fit = np.ones((5, 42), dtype=bool)
    rungs = ladder(("2027-05-01", "2027-05-20", "sorghum_sudangrass"), ("2027-05-21", None, "no_cover"))
    assert next(rungs_ahead(rungs, cold, fit, CATALOGUE))["any_years"] == 0
    warm = DaysAhead(block(), CATALOGUE, day("2027-05-03"), 42, YEARS)
    oats = ladder(("2027-05-01", "2027-05-20", "oat"), ("2027-05-21", None, "no_cover"))
    assert next(rungs_ahead(oats, warm, fit, CATALOGUE))["any_years"] == 5


# --- is it late? -------------------------------------------------------------------------------


def emerged(*up_d, dry=False):
    n = len(up_d)
    return ComingUp(
        day("2027-05-01"), np.array(up_d, dtype=float), np.full(n, 0.8), np.full(n, dry), np.full(n, 5.0),
        np.zeros(n, int),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("as_of", "up_on", "dry", "verdict"),
    [
        ("2027-05-05", pd.NaT, False, "too soon"),
        ("2027-05-09", pd.NaT, False, "any day"),
        ("2027-05-13", pd.NaT, False, "any day"),
        ("2027-05-14", pd.NaT, False, "late"),
        ("2027-05-05", pd.NaT, True, "too dry"),
        ("2027-05-14", day("2027-05-12"), False, "up"),
    ],
)
def test_nothing_up_is_too_soon_normal_or_late(as_of, up_on, dry, verdict):
    """Up after 8 to 12 days: by 13 May in nine years of ten."""
    found = emerged(8, 9, 9, 10, 10, 10, 11, 11, 12, 12, dry=dry)
    row = up_row("A/1", "A", "oat", found, day(as_of), up_on)
    assert row["verdict"] == verdict
    UpYet.validate(pd.DataFrame([row]))
    assert row["up_p90"] == day("2027-05-13")


def test_seed_that_does_not_come_has_no_day():
    found = emerged(8, np.nan, np.nan, np.nan)
    assert pd.isna(found.up_by(0.5))
    assert found.up_by(0.25) == day("2027-05-09")


def test_warm_soil_is_sooner_and_the_days_are_those_of_the_thermal_sum():
    """Wet soil at a steady temperature: the sum to emergence over degrees above the base, worked by hand."""
    cover, oat = CATALOGUE.covers["oat"], CATALOGUE.species["oat"]
    found = {}
    for name, (low, high) in {"cool": (6.0, 12.0), "warm": (14.0, 22.0)}.items():
        days = block(rain_mm=12.0, tmin=low, tmax=high)
        up = coming_up(days, CATALOGUE, cover, day("2027-05-01"), day("2027-05-03"), YEARS)
        found[name] = float(up.up_d[0])
        value = oat.values["emergence_sum"]
        degrees = days.soil_temperature[-200] - value.base_degc
        assert found[name] == pytest.approx(oat.number("emergence_sum") / degrees, abs=2.5)
    assert found["warm"] < found["cool"]


# --- water or wait -----------------------------------------------------------------------------


@pytest.mark.parametrize(("clay", "sand", "inches"), [(0.03, 0.93, 0.3), (0.06, 0.82, 0.5)])
def test_water_that_wets_sand_and_loamy_sand(clay, sand, inches):
    """L. Kelley, Michigan State University Extension, 2018: 0.3 inch on sands, 0.5 inch on loamy sands, top 4-6 inches.

    Available water of the two as in the usual tables of texture: 0.06 and 0.10 by volume.
    """
    days = block(clay=clay, sand=sand)
    days.place.soil["available_water_fraction"] = {0.3: 0.06, 0.5: 0.10}[inches]
    assert wetting_mm(days, 100.0, CATALOGUE) / 25.4 == pytest.approx(inches, abs=0.03)
    assert wetting_mm(days, 2.0, CATALOGUE) == 2.0  # no more than it lacks


@given(st.lists(st.lists(st.floats(0, 30), min_size=10, max_size=10), min_size=1, max_size=6), st.floats(1, 40))
def test_longer_waits_never_have_less_rain(rain, wanted):
    years = list(rain_enough(np.array(rain), wanted).values())
    assert years == sorted(years)
    assert all(a >= b for a, b in zip(years, rain_enough(np.array(rain), wanted + 5).values(), strict=True))


GROUND = SimpleNamespace(sets=4.0, set_area_m2=2500.0, flow_l_h=20000.0, lost_fraction=0.25)


def weigh(days, cover="lacy_phacelia", as_of="2027-07-08", wet=None, ground=GROUND):
    from greengap.week_ahead import with_water

    as_of = day(as_of)
    site = xr.Dataset(
        {
            "tmin_degc": ("date", days.tmin), "tmax_degc": ("date", days.tmax), "precipitation_mm": ("date", days.rain),
        },
        coords={"date": DATES.to_numpy()},
    )  # fmt: skip

    def sowing(turns=()):
        given = pd.Series({as_of + n * DAY: mm for n, mm in turns}, dtype=float)
        with_it = with_water(days, site, given) if len(given) else days
        return coming_up(with_it, CATALOGUE, CATALOGUE.covers[cover], day("2027-07-04"), as_of, YEARS)

    return weigh_watering(days, sowing(), sowing, ground, 10000.0, CATALOGUE)


def test_small_seed_in_dust_wants_water():
    row = weigh(block())
    assert row["verdict"] == "water"
    assert row["rain_10d_years"] == 0
    assert row["up_if_watered"] is not pd.NaT
    assert pd.isna(row["up_if_waiting"])
    assert row["stand_if_watered"] > row["stand_if_waiting"] == 0
    # a millimetre on a square metre is a litre; a quarter is lost on the way
    assert row["l_per_set"] == pytest.approx(row["turn_mm"] * 2500 / 0.75)
    assert row["h_per_set"] == pytest.approx(row["l_per_set"] / 20000)
    WaterOrWait.validate(
        pd.DataFrame(
            ranked([{"gap_id": "A/1", "block_id": "A", "cover_id": "oat", "sown_on": day("2027-07-04")} | row])
        )
    )


def test_moist_ground_wants_none():
    row = weigh(block(rain_mm=8.0))
    assert row["verdict"] == "wet"
    assert row["turns"] == 0


def test_seed_on_top_is_watered_twice():
    """The same source: the surface wet for four to five days, often two applications."""
    wet_later = {(7, d): 20.0 for d in range(10, 30)}
    assert weigh(block(method="drilled", extra=wet_later), cover="mustard")["turns"] == 1
    assert weigh(block(method="broadcast", extra=wet_later), cover="mustard")["turns"] == 2


def test_rain_in_time_is_waited_for():
    """20 mm tomorrow and showers every other day after that, in every year."""
    wet = {(7, d): 20.0 for d in range(9, 30, 2)}
    row = weigh(block(extra=wet), cover="mustard")
    assert row["verdict"] == "wait"
    assert row["rain_3d_years"] == row["years"] == 5


def test_what_a_set_saves_most_on_comes_first():
    rows = [
        {"gap_id": g, "verdict": v, "saved_m2_per_set": m, "sets": s, "l_per_set": w}
        for g, v, m, s, w in (
            ("A", "wait", 900.0, 1.0, 1e4), ("B", "water", 100.0, 2.0, 1e4), ("C", "water", 400.0, 1.0, 8e4),
        )
    ]  # fmt: skip
    assert [r["gap_id"] for r in ranked(rows)] == ["C", "B", "A"]
    rows[1]["sets"] = np.nan  # by the water then: 100 m2 for 10 000 L are more than 400 for 80 000
    assert [r["gap_id"] for r in ranked(rows)] == ["B", "C", "A"]


# --- what stands -------------------------------------------------------------------------------


def test_stages_of_a_stand_and_the_odds_of_a_refill():
    option = SimpleNamespace(gap_id="A/1", block_id="A", cover_id="oat", sow_date=day("2027-04-01"))
    season = pd.DataFrame(
        {
            "half_cover_d": [40.0, 42, 44, 46, 48], "first_flower_d": [70.0, np.nan, np.nan, np.nan, np.nan],
            "viable_seed_d": [np.nan] * 5, "water_lack_mm": [0.0, 0, 3, 20, 40],
        }
    )  # fmt: skip
    row = standing_row(option, season, pd.Series([10.0, 12.0, 30.0]), day("2027-06-12"), day("2027-05-29"), 5.0)
    StandAhead.validate(pd.DataFrame([row]))
    assert row["closes_p50"] == day("2027-05-15")
    assert pd.isna(row["flower_p50"])
    assert row["flower_p10"] == day("2027-06-10")
    assert row["refilled_years"] == 3
    assert row["taken_mm"] == 12.0
    assert pd.isna(day_by(day("2027-04-01"), pd.Series(dtype=float), 0.5))
