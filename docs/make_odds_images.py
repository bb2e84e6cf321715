"""Draws the pictures of docs/odds.md from the sample farm: ``python docs/make_odds_images.py``."""

from __future__ import annotations

import tempfile
from pathlib import Path

from PIL import Image

from greengap import read_farm
from greengap.cover_after import find_after
from greengap.cover_odds import find_odds
from greengap.output.after_plot import write_after
from greengap.output.odds_plot import write_odds

HERE = Path(__file__).parent
PICTURES = {
    "buckwheat": ("Pond", "buckwheat", "Pond/2", 64),
    "oat": ("Upper Bench", "oat", "Upper Bench/3", None),
    "field_pea": ("Lane Strip", "field_pea", "Lane Strip/5", None),
    "sorghum_sudangrass": ("River 1", "sorghum_sudangrass", "River 1/2", None),
    "cowpea_sorghum_sudangrass": ("Middle Bench", "cowpea_sorghum_sudangrass", "Middle Bench/2", None),
}
AFTER = {
    "field_pea": ("Beds 3", "field_pea", "Beds 3/1"),
    "buckwheat": ("River 1", "buckwheat", "River 1/2"),
    "sorghum_sudangrass": ("Middle Bench", "sorghum_sudangrass", "Middle Bench/2"),
}
COLOURS = 200  # of paper, ink and the lines with their soft edges; keeps the files small


def keep(drawn: Path, name: str) -> None:
    """Make a picture small and put it with the images."""
    picture = Image.open(drawn).convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE)
    picture.save(HERE / "images" / f"{name}.png", optimize=True)


if __name__ == "__main__":
    farm = read_farm(HERE.parent / "sample_fields")
    with tempfile.TemporaryDirectory() as folder:
        for name, (block, cover, gap, draws) in PICTURES.items():
            (drawn,) = write_odds(find_odds(farm, block, cover, gap, draws=draws), Path(folder), "png")
            keep(drawn, f"odds_{name}")
        for name, (block, cover, gap) in AFTER.items():
            (drawn,) = write_after(find_after(farm, block, cover, gap), Path(folder), "png")
            keep(drawn, f"after_{name}")
