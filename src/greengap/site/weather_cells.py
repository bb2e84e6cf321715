"""Weather that has been read and checked, kept as one NetCDF file: the cells with their edges and every day."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import xarray as xr

from greengap.errors import ImportReport, InputProblem

KIND = "weather cells, read and checked"
VARIABLES = ("tmin_degc", "tmax_degc", "precipitation_mm", "radiation_mj_m2_d", "filled")
UNITS = {"tmin_degc": "degC", "tmax_degc": "degC", "precipitation_mm": "mm", "radiation_mj_m2_d": "MJ m-2 d-1"}
PLACES = ("lon", "lat", "elevation_m", "x_low", "y_low", "x_high", "y_high")


def write_cells(weather: xr.Dataset, path: Path) -> None:
    """Write checked weather, so that `read_cells` gives the same again.

    Parameters
    ----------
    weather : Dataset
        As from `weather.read_weather`.
    path : Path
        Replaced if it is there.
    """
    dims = ("cell_id", "date")
    out = xr.Dataset(
        {name: (dims, weather[name].transpose(*dims).to_numpy()) for name in VARIABLES if name in weather},
        coords={
            "cell_id": weather["cell_id"].to_numpy().astype(str),
            "date": weather["date"].to_numpy(),
            **{name: ("cell_id", weather[name].to_numpy().astype(float)) for name in PLACES if name in weather.coords},
        },
        attrs={"Conventions": "CF-1.8", "content": KIND},
    )
    for name in ("kind", "crs", "files"):
        out.attrs[name] = str(weather.attrs.get(name, ""))
    out.attrs["years"] = json.dumps([int(year) for year in weather.attrs["years"]])
    for name, unit in UNITS.items():
        if name in out:
            out[name].attrs["units"] = unit
    out["lon"].attrs["units"], out["lat"].attrs["units"] = "degrees_east", "degrees_north"
    encoding = {name: {"zlib": True, "complevel": 4} for name in out.data_vars}
    out.to_netcdf(path, encoding=encoding, engine="netcdf4")


def read_cells(path: Path, shown: str, report: ImportReport) -> xr.Dataset | None:
    """Weather that `write_cells` has written; None if the file is another one.

    Raises
    ------
    InputProblem
        If a variable of it is missing.
    """
    try:
        source = xr.open_dataset(path)
    except (OSError, ValueError):
        return None  # the reader of grids says what is wrong with it
    with source:
        if source.attrs.get("content") != KIND:
            return None
        missing = [name for name in (*VARIABLES[:3], "filled", "lon", "lat") if name not in source]
        if missing or not {"cell_id", "date"} <= set(source.dims):
            what = f"lacks {', '.join(missing) or 'its dimensions'}"
            raise InputProblem(shown, "", what, "Unpack the farm file again")
        weather = source.load()
    weather = weather.assign(filled=weather["filled"].astype(bool))
    weather["cell_id"] = weather["cell_id"].to_numpy().astype(str)
    weather.attrs = {
        "kind": weather.attrs["kind"],
        "crs": weather.attrs["crs"],
        "files": weather.attrs["files"],
        "years": json.loads(weather.attrs["years"]),
    }
    report.count(shown, weather.sizes["date"], weather.sizes["date"])
    filled = int(np.sum(weather["filled"].any("cell_id")))
    if filled:
        report.assume(f"{shown}: {filled} days hold filled values, as marked when the weather was first read.")
    return weather
