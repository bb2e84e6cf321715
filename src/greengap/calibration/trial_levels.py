"""Trials without dates or weather: they give levels, rankings, shares of a mix and weeds, never a season."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd

from greengap.calibration.trial_cells import read_amount
from greengap.calibration.trial_rows import COVER_IDS, Gathered, text_table
from greengap.errors import Fate, InputProblem
from greengap.units import to_si

NEW_YORK_COVERS = {
    "SS": "sorghum_sudangrass",
    "SH": "sunn_hemp",
    "SSxSH": "sunn_hemp+sorghum_sudangrass",
    "Buckwheat": "buckwheat",
    "CR": "cereal_rye",
    "HV": "hairy_vetch",
    "HVxCR": "hairy_vetch+cereal_rye",
    "CAN": "canola",
    "Tilled": "no_cover",
}
NEW_YORK_COMPONENTS = {
    "sorghum.sudangrass_kg_ha": "sorghum_sudangrass",
    "sun.hemp_kg_ha": "sunn_hemp",
    "buckwheat_kg_ha": "buckwheat",
    "hairy.vetch_kg_ha": "hairy_vetch",
    "cereal.rye_kg_ha": "cereal_rye",
    "canola_kg_ha": "canola",
}
IOWA_STATIONS = {"Central": "Ames 8 WSW", "East": "Washington"}


def read_long_term_rye(folder: Path, gathered: Gathered) -> None:
    """Spring biomass of rye over many years; the days of sampling are not known, so that it is a level only."""
    file, table = text_table(folder, "cereal_rye_biomass/iowa_longterm_rye_biomass.csv")
    gathered.report.assume(f"{file} has no sampling dates (late April to mid May): levels only.")
    for line, row in table.iterrows():
        name = IOWA_STATIONS[row["site_name"]]
        gathered.level(
            f"{name} {int(row['year']) - 1}",
            place=f"{row['site_name']} {row['field']}",
            cover_id="cereal_rye",
            quantity="biomass_kg_ha",
            value=float(row["ccbio_Mgha"]) * 1000,
            source=f"{file}, line {line}; {row['sys_trt']}, spring {row['year']}",
        )
    gathered.report.count(file, len(table), len(table))


def read_new_york(folder: Path, gathered: Gathered) -> None:
    """Plots of two New York sites without dates: level, ranking, shares of a mix, weeds."""
    for name, sown in (("COOP1_plots.csv", 0), ("COOP2_plots.csv", -1)):
        file, table = text_table(folder, f"ny_summer_winter_cover_crops/{name}")
        gathered.report.assume(f"{file} has no sowing and sampling dates: level, ranking, shares and weeds only.")
        used = 0
        for line, row in table.iterrows():
            common = {
                "place": row["Site"],
                "cover_id": NEW_YORK_COVERS[row["CoverCrop"]],
                "source": f"{file}, line {line}",
            }
            site_year = f"{row['Site']} {int(row['Year']) + sown}"
            before = len(gathered.levels)
            parts = {c: read_amount(row[c]) for c in NEW_YORK_COMPONENTS if c in row}
            for column, quantity in (
                ("CoverCropBiomass_kg_ha", "biomass_kg_ha"),
                ("weed_biomass_total_kg_ha", "weeds_kg_ha"),
            ):
                if (amount := read_amount(row[column])) is not None:
                    gathered.level(site_year, quantity=quantity, value=amount.value, **common)
            for column, amount in parts.items():
                component = NEW_YORK_COMPONENTS[column]
                if "+" in common["cover_id"] and component in common["cover_id"] and amount is not None:
                    kept = {"quantity": "biomass_kg_ha", "component": component, "value": amount.value}
                    gathered.level(site_year, **kept, **common)
            if len(gathered.levels) > before:
                used += 1
            else:
                gathered.report.note(file, f"line {line}", Fate.SKIPPED, "holds no amount")
        gathered.report.count(file, len(table), used)


def read_published_ranges(path: Path, gathered: Gathered) -> None:
    """Published ranges of biomass, rows ``bio_`` of a table of checks."""
    if not path.is_file():
        raise InputProblem(path.name, "", "is not there", "Give the table of checks")
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    table = table[table["check_id"].str.startswith("bio_")]
    units = {"lb/ac": "lb/ac", "short ton": "ton/ac"}
    for row in table.to_dict("records"):
        unit = next(u for word, u in units.items() if word in row["model"] + row["inputs"])
        middle, half = (_kg_ha(float(row[c]), unit) for c in ("expected_output", "tolerance"))
        words = re.split(r",| lb/ac", row["inputs"])[0].strip()
        cover = words.replace("sorghum-sudangrass", "sorghum_sudangrass").replace(" + ", "+").replace(" ", "_")
        sown = re.search(r"sown (\d{4}-\d\d-\d\d), cut (\d{4}-\d\d-\d\d)", row["source"])
        year = sown[1][:4] if sown else "no year"
        place = "Lamberton" if "Lamberton" in row["source"] else "Wisconsin"
        gathered.level(
            f"{place} {year}",
            place=place,
            cover_id=COVER_IDS.get(cover, cover),
            quantity="biomass_kg_ha",
            value=middle,
            low=middle - half,
            high=middle + half,
            source=f"{row['check_id']}: {row['inputs']}; {row['source']}",
        )
    gathered.report.count(path.name, len(table), len(table))


def _kg_ha(amount: float, unit: str) -> float:
    """Mass per area from what the trade writes [kg ha-1]; a ton here is the short one."""
    return to_si(amount * 2000 if unit == "ton/ac" else amount, "lb/ac")
