"""Makes soil_temperature_stations.csv and prints the tables of soil_temperature.md.

``python docs/validation/make_soil_temperature.py DATA_FOLDER`` with the folder that holds ``soil_temperature``.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd

from greengap.calibration.soil_surface import (
    ProbeYear,
    Surface,
    by_station,
    fit_surface_excess,
    fitted,
    over_stations,
    predict,
    probe_year,
    smoothed_air,
    station_grass,
)
from greengap.calibration.trial_weather import read_network

HERE = Path(__file__).parent
STATIONS = HERE / "soil_temperature_stations.csv"


def predictions(year: ProbeYear) -> dict[str, np.ndarray]:
    """All that is compared, by name."""
    excess = fitted("surface_excess")
    out = {"smoothed air": smoothed_air(year)}
    for words, measured in (("estimated", False), ("measured", True)):
        out[f"bare, as in the source, {words} radiation"] = predict(year, Surface(measured_radiation=measured))
        out[f"grass, as in the source, {words} radiation"] = predict(year, station_grass(measured, 0.0))
        out[f"bare with the excess, {words} radiation"] = predict(
            year, Surface(excess_degc=excess, measured_radiation=measured)
        )
        out[f"**grass with the excess, {words} radiation**"] = predict(year, station_grass(measured))
    return out


def station_table(year: ProbeYear, names: pd.DataFrame) -> pd.DataFrame:
    """Errors of each station: smoothed air, and the chosen form with either radiation."""
    chosen = {
        "smoothed_air": smoothed_air(year),
        "estimated_radiation": predict(year, station_grass(False)),
        "measured_radiation": predict(year, station_grass(True)),
    }
    table = names.reindex(year.station).rename_axis("station").reset_index()[["station", "name", "state", "lat", "lon"]]
    for number, (word, soil) in enumerate(chosen.items()):
        errors = by_station(year, soil)
        if number == 0:
            table = table.assign(part=errors["part"], days=errors["days"])
        table[f"rmse_{word}_degc"] = errors["rmse_degc"].round(2)
        table[f"bias_{word}_degc"] = errors["bias_degc"].round(2)
    return table


def main(folder: Path) -> None:
    """Write the table of stations, print the rest."""
    year = probe_year(read_network(folder / "uscrn2020_daily.csv.gz"))
    names = pd.read_csv(folder / "uscrn2020_stations.csv", dtype={"wban": str}).set_index("wban")
    station_table(year, names).to_csv(STATIONS, index=False)
    print(f"fitted on the fit part: {fit_surface_excess(year):.2f} °C\n")
    print("| | stations | RMSE | median RMSE | bias | mean of absolute bias | RMSE <= 2.0 | bias within 1.0 |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for part in ("test", "fit", "all"):
        for name, soil in predictions(year).items():
            f = over_stations(by_station(year, soil), part)
            print(
                f"| {part}: {name} | {f['stations']:.0f} | {f['rmse_degc']:.2f} | {f['median_rmse_degc']:.2f} "
                f"| {f['bias_degc']:+.2f} | {f['absolute_bias_degc']:.2f} | {f['rmse_within_2']:.0f} "
                f"| {f['bias_within_1']:.0f} |"
            )
    print("\n| bias by month | Apr | May | Jun | Jul | Aug | Sep | Oct |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for name, soil in predictions(year).items():
        error = (soil - year.probe)[~year.fit_part]
        months = [np.nanmean(error[:, year.dates.month == month]) for month in range(4, 11)]
        print(f"| {name} | " + " | ".join(f"{m:+.1f}" for m in months) + " |")


if __name__ == "__main__":
    main(Path(sys.argv[1]) / "soil_temperature")
