"""Carbon to nitrogen of rye shoots by stage, against the database of Huddell et al. 2024 (Scientific Data 11:200)."""

import pandas as pd
import pytest

from greengap.catalogue import load_catalogue
from greengap.process.nitrogen import tissue_nitrogen_fraction

# Zadoks stages with what is taken as the way to first flower: tillering, stem elongation, anthesis.
STAGES = {(10, 29): 0.55, (30, 34): 0.7, (60, 69): 1.1}


@pytest.fixture(scope="module")
def measured(shared_data):
    """Ratios with their Zadoks stage; ratios above 100 are outliers of the source."""
    table = pd.read_csv(shared_data / "data" / "cereal_rye_biomass" / "3_rye_data.csv", low_memory=False)
    words = table["growth_stage_at_termination"].astype(str)
    stage = words.str.extract(r"[Zz]ado[c]?ks?\s*(\d+)")[0].fillna(words.where(words.str.fullmatch(r"\d+")))
    rows = pd.DataFrame(
        {"zadoks": pd.to_numeric(stage), "ratio": pd.to_numeric(table["shoot_CN_ratio_mean"], errors="coerce")}
    )
    return rows[(rows["ratio"] < 100) & rows["zadoks"].notna()]


@pytest.mark.real
@pytest.mark.parametrize(("zadoks", "progress"), STAGES.items())
def test_the_ratio_lies_among_the_middle_half_and_a_quarter_beyond(measured, zadoks, progress):
    rye = load_catalogue().species["cereal_rye"]
    numbers = [rye.number(f"tissue_nitrogen{end}") for end in ("_young", "", "_ripe")]
    ours = 0.42 / float(tissue_nitrogen_fraction(progress, *numbers))
    found = measured.loc[measured["zadoks"].between(*zadoks), "ratio"]
    assert len(found) >= 200
    low, high = found.quantile([0.25, 0.75])
    assert 0.75 * low <= ours <= 1.25 * high, (ours, low, high)
