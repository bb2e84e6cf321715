"""Daily files as agencies publish them. The lines are made here, in the form that each agency describes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from greengap.errors import ImportReport, InputProblem
from greengap.site.weather_station import read_station

DAYS = pd.date_range("2001-01-01", "2002-12-31", freq="D")
TURN = np.cos(2 * np.pi * (DAYS.day_of_year - 20) / 365.0)
TMIN = np.round(4 - 12 * TURN, 1)
TMAX = np.round(15 - 13 * TURN, 1)
RAIN = np.where(np.arange(len(DAYS)) % 4 == 0, 6.3, 0.0)
PLACE = (48.2, 11.5, 520.0, "Home")


def read(tmp_path: Path, *texts: str, station=PLACE, **more):
    report, paths = ImportReport(), []
    for number, text in enumerate(texts):
        paths.append(tmp_path / f"w{number}.txt")
        paths[-1].write_text(text, encoding="utf-8")
    return read_station(paths, lambda p: p.name, report, station, **more), report


def same_days(weather, atol: float = 1e-9) -> None:
    assert pd.DatetimeIndex(weather["date"].to_numpy()).equals(DAYS)
    for name, expected in (("tmin_degc", TMIN), ("tmax_degc", TMAX), ("precipitation_mm", RAIN)):
        np.testing.assert_allclose(weather[name][0], expected, atol=atol)


def tenths(values: np.ndarray) -> np.ndarray:
    return np.round(values * 10).astype(int)


def ghcn_fixed(flag: tuple[str, str] | None = None) -> str:
    """NOAA readme of GHCN-Daily, III: ID 11, YEAR 4, MONTH 2, ELEMENT 4, then 31 times VALUE 5, MFLAG, QFLAG, SFLAG."""
    lines = []
    for month in pd.period_range("2001-01", "2002-12", freq="M"):
        for element, values in (("TMAX", TMAX), ("TMIN", TMIN), ("PRCP", RAIN), ("SNWD", RAIN)):
            cells = ""
            for day in range(1, 32):
                if day > month.days_in_month:
                    cells += "-9999   "
                    continue
                at = DAYS.get_loc(pd.Timestamp(month.year, month.month, day))
                quality = "I" if flag == (element, f"{DAYS[at]:%Y-%m-%d}") else " "
                cells += f"{tenths(values)[at]:5d} {quality}W"
            lines.append(f"GME00102380{month.year}{month.month:02d}{element}{cells}")
    return "\n".join(lines)


def test_ghcn_daily_of_fixed_width(tmp_path):
    weather, report = read(tmp_path, ghcn_fixed())
    same_days(weather)
    assert any("GHCN-Daily, fixed width" in sentence for sentence in report.assumptions)


def test_what_the_agency_has_flagged_is_left_out_and_counted(tmp_path):
    weather, report = read(tmp_path, ghcn_fixed(("TMIN", "2001-03-05")))
    assert np.isnan(weather["tmin_degc"].sel(date="2001-03-05"))
    assert [f.what for f in report.findings] == ["1 values that the agency has flagged are left out"]


def test_ghcn_daily_by_station(tmp_path):
    rows = [
        f"GME00102380,{day:%Y%m%d},{element},{tenths(values)[i]},,,E,"
        for i, day in enumerate(DAYS)
        for element, values in (("TMAX", TMAX), ("TMIN", TMIN), ("PRCP", RAIN))
    ]
    same_days(read(tmp_path, "\n".join(rows))[0])


def test_ghcn_daily_of_the_access_service_in_tenths_with_its_place(tmp_path):
    head = (
        '"STATION","DATE","LATITUDE","LONGITUDE","ELEVATION","NAME","PRCP","PRCP_ATTRIBUTES","TMAX","TMAX_ATTRIBUTES",'
        '"TMIN","TMIN_ATTRIBUTES"'
    )
    rows = [
        f'"GME00102380","{day:%Y-%m-%d}","48.1642","11.5431","515.0","MUENCHEN, GM","{tenths(RAIN)[i]:5d}",",,E",'
        f'"{tenths(TMAX)[i]:5d}",",,E","{tenths(TMIN)[i]:5d}",",,E"'
        for i, day in enumerate(DAYS)
    ]
    weather, report = read(tmp_path, "\n".join([head, *rows]), station=None)
    same_days(weather)
    assert (float(weather["lat"][0]), float(weather["lon"][0]), float(weather["elevation_m"][0])) == (
        48.1642,
        11.5431,
        515.0,
    )
    assert any("in tenths" in sentence for sentence in report.assumptions)


def test_an_ordered_daily_summary_in_us_units(tmp_path):
    head = '"STATION","NAME","LATITUDE","LONGITUDE","ELEVATION","DATE","PRCP","TMAX","TMIN"'
    rows = [
        f'"USC00130200","AMES 8 WSW, IA US","42.0208","-93.7742","335.0","{day:%Y-%m-%d}","{RAIN[i] / 25.4:.2f}",'
        f'"{round(TMAX[i] * 1.8 + 32)}","{round(TMIN[i] * 1.8 + 32)}"'
        for i, day in enumerate(DAYS)
    ]
    text = "\n".join([head, *rows])
    with pytest.raises(InputProblem, match="°F"):
        read(tmp_path, text, station=None)
    weather, _ = read(tmp_path, text, station=None, us_units=True)
    same_days(weather, atol=0.3)
    assert weather["cell_id"].item() == "AMES 8 WSW, IA US"


def ecad(element: str, values: np.ndarray, quality: int = 0) -> str:
    """Heading and lines as the files of ECA&D carry them."""
    top = ["EUROPEAN CLIMATE ASSESSMENT & DATASET (ECA&D), file created on 01-01-2024", "", "FILE FORMAT", ""]
    head = f" STAID, SOUID,    DATE,   {element}, Q_{element}"
    rows = [f"   162,100539,{day:%Y%m%d},{tenths(values)[i]:5d},{quality:5d}" for i, day in enumerate(DAYS)]
    return "\n".join([*top, head, *rows])


def test_the_three_files_of_an_eca_d_station(tmp_path):
    weather, _ = read(tmp_path, ecad("TN", TMIN), ecad("TX", TMAX), ecad("RR", RAIN))
    same_days(weather)
    with pytest.raises(InputProblem, match=r"hold no precip\. Add a file with a column precip_mm"):
        read(tmp_path, ecad("TN", TMIN), ecad("TX", TMAX))
    with pytest.raises(InputProblem, match="holds FG, which is not used"):
        read(tmp_path, ecad("FG", RAIN))


def test_suspect_values_of_eca_d_are_left_out(tmp_path):
    weather, report = read(tmp_path, ecad("TN", TMIN), ecad("TX", TMAX, 1), ecad("RR", RAIN))
    assert np.isnan(weather["tmax_degc"]).all()
    assert any(f"{len(DAYS)} values that the agency has flagged" in f.what for f in report.findings)


def test_the_daily_climate_file_of_the_german_weather_service(tmp_path):
    head = (
        "STATIONS_ID;MESS_DATUM;QN_3;  FX;  FM;QN_4; RSK;RSKF; SDK;SHK_TAG;  NM; VPM;  PM; TMK; UPM; TXK; TNK; TGK;eor"
    )
    rows = [
        f"       1358;{day:%Y%m%d};-999;-999;-999;    9;{RAIN[i]:6.1f};   6;-999;-999;-999;-999;-999;-999;-999;"
        f"{TMAX[i]:6.1f};{TMIN[i]:6.1f};-999;eor"
        for i, day in enumerate(DAYS)
    ]
    same_days(read(tmp_path, "\n".join([head, *rows]))[0])


def test_the_daily_file_of_environment_canada_with_its_place(tmp_path):
    head = (
        '"Longitude (x)","Latitude (y)","Station Name","Climate ID","Date/Time","Year","Month","Day","Data Quality",'
        '"Max Temp (°C)","Max Temp Flag","Min Temp (°C)","Min Temp Flag","Total Precip (mm)"'
    )
    rows = [
        f'"-114.01","51.12","CALGARY A","3031092","{day:%Y-%m-%d}","{day.year}","{day.month:02d}","{day.day:02d}","",'
        f'"{TMAX[i]}","","{TMIN[i]}","","{RAIN[i]}"'
        for i, day in enumerate(DAYS)
    ]
    weather, _ = read(tmp_path, "\n".join([head, *rows]), station=None)
    same_days(weather)
    assert (float(weather["lat"][0]), float(weather["lon"][0])) == (51.12, -114.01)


@pytest.mark.parametrize("by_day_of_year", [True, False])
def test_the_daily_file_of_nasa_power(tmp_path, by_day_of_year):
    top = [
        "-BEGIN HEADER-",
        "NASA/POWER Source Native Resolution Daily Data ",
        "Dates (month/day/year): 01/01/2001 through 12/31/2002 in LST",
        "Location: latitude  48.2   longitude 11.5 ",
        "elevation from MERRA-2: Average for 0.5 x 0.625 degree lat/lon region = 520.27 meters",
        "The value for missing source data that cannot be computed or is outside of the sources availability: -999 ",
        "-END HEADER-",
    ]
    head = "YEAR,DOY" if by_day_of_year else "YEAR,MO,DY"
    rows = [
        (f"{day.year},{day.day_of_year}" if by_day_of_year else f"{day.year},{day.month},{day.day}")
        + f",{TMAX[i]},{TMIN[i]},{RAIN[i]},{8.0}"
        for i, day in enumerate(DAYS)
    ]
    text = "\n".join([*top, f"{head},T2M_MAX,T2M_MIN,PRECTOTCORR,ALLSKY_SFC_SW_DWN", *rows])
    weather, report = read(tmp_path, text, station=None)
    same_days(weather)
    assert (float(weather["lat"][0]), float(weather["elevation_m"][0])) == (48.2, 520.27)
    np.testing.assert_allclose(weather["radiation_mj_m2_d"], 8.0)
    assert not any("does not say the unit" in sentence for sentence in report.assumptions)


def test_a_reanalysis_with_a_small_table_above_the_days(tmp_path):
    top = [
        "latitude,longitude,elevation,utc_offset_seconds,timezone,timezone_abbreviation",
        "48.2,11.5,520.0,0,GMT,GMT",
        "",
    ]
    head = "time,temperature_2m_max (°C),temperature_2m_min (°C),precipitation_sum (mm),shortwave_radiation_sum (MJ/m²)"
    rows = [f"{day:%Y-%m-%d},{TMAX[i]},{TMIN[i]},{RAIN[i]},8.0" for i, day in enumerate(DAYS)]
    weather, _ = read(tmp_path, "\n".join([*top, head, *rows]), station=None)
    same_days(weather)
    assert (float(weather["lon"][0]), float(weather["elevation_m"][0])) == (11.5, 520.0)
    np.testing.assert_allclose(weather["radiation_mj_m2_d"], 8.0)


def test_a_climate_series_with_feet_and_fahrenheit_in_its_heading(tmp_path):
    top = [
        "PRISM Time Series Data",
        "Location:  Lat: 42.3707   Lon: -71.0868   Elev: 20ft",
        "Climate variables: ppt,tmin,tmax",
    ]
    rows = [
        f"{day:%Y-%m-%d},{RAIN[i] / 25.4:.4f},{TMIN[i] * 1.8 + 32:.2f},{TMAX[i] * 1.8 + 32:.2f}"
        for i, day in enumerate(DAYS)
    ]
    text = "\n".join([*top, "Date,ppt (inches),tmin (degrees F),tmax (degrees F)", *rows])
    weather, _ = read(tmp_path, text, station=None)
    same_days(weather, atol=0.006)
    assert float(weather["elevation_m"][0]) == pytest.approx(6.096)


def test_the_climate_reference_network(tmp_path):
    rows = [
        f" 4136 {day:%Y%m%d}  2.622 -119.10   46.51 {TMAX[i]:7.1f} {TMIN[i]:7.1f} {0:7.1f} {0:7.1f} {RAIN[i]:7.1f}"
        + "    8.00 C"
        + " -9999.0" * 16
        for i, day in enumerate(DAYS)
    ]
    weather, _ = read(tmp_path, "\n".join(rows), station=None)
    same_days(weather)
    assert (float(weather["lat"][0]), float(weather["lon"][0])) == (46.51, -119.10)


def test_a_file_of_several_stations_asks_which(tmp_path):
    head = "NUM_POSTE;NOM_USUEL;LAT;LON;ALTI;AAAAMMJJ;RR;QRR;TN;QTN;TX;QTX"
    rows = [
        f"1001;{name};45.5;5.1;{height};{day:%Y%m%d};{RAIN[i]};1;{TMIN[i] + shift:.1f};1;{TMAX[i] + shift:.1f};1"
        for name, height, shift in (("AMBERIEU", 250, 0.0), ("BELLEY", 330, -3.0))
        for i, day in enumerate(DAYS)
    ]
    text = "\n".join([head, *rows])
    with pytest.raises(InputProblem, match=r"holds 2 stations: AMBERIEU, BELLEY\. Say which one is meant with name"):
        read(tmp_path, text, station=None)
    weather, report = read(tmp_path, text, station=(45.5, 5.1, 250.0, "AMBERIEU"))
    same_days(weather)
    assert report.rows_elsewhere["w0.txt"] == len(DAYS)
    assert report.lost("w0.txt") == 0


def test_a_damaged_file_is_named(tmp_path):
    text = ghcn_fixed().splitlines()
    text[4] = text[4][:55] + "x" + text[4][56:]
    with pytest.raises(InputProblem, match=r"w0\.txt, line 5: is not a line of GHCN-Daily"):
        read(tmp_path, "\n".join(text))


@pytest.mark.parametrize(("head", "words"), [(b"PK\x03\x04", "is a zip"), (b"\x1f\x8b\x08", "is packed with gzip")])
def test_packed_files_say_what_to_do(tmp_path, head, words):
    path = tmp_path / "w.csv"
    path.write_bytes(head + b"...")
    with pytest.raises(InputProblem, match=words):
        read_station([path], lambda p: p.name, ImportReport(), PLACE)
