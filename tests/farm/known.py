"""What a small farm knows before a row is written down."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

import pandas as pd

from greengap.catalogue import load_catalogue
from greengap.farm.record_rows import Known
from greengap.tables import Gap, SeasonRecord

# NIST Special Publication 811 (2008), appendix B.8; the acre of 43 560 square feet from NIST Handbook 44, appendix C.
POUND_KG, INCH_MM, FOOT_M, ACRE_M2 = 0.45359237, 25.4, 0.3048, 4046.8564224
DATES = ("start", "end", "opens_early", "opens", "opens_late", "closes_early", "closes", "closes_late")
DAYS = ("length_d", "clean_up_d", "seedbed_d", "waiting_d", "usable_p10_d", "usable_p50_d", "usable_p90_d")
CATALOGUE = load_catalogue()
PLANNED = {"River 1/2": "buckwheat", "Beds 2/1": "pea_oat", "River 1/3": "cereal_rye"}


def a_gap(gap_id: str, start: str, end: str) -> dict[str, Any]:
    days = dict.fromkeys(DATES, pd.Timestamp(start)) | {"start": pd.Timestamp(start), "end": pd.Timestamp(end)}
    words = {"season": "midsummer", "crop_before": "", "crop_after": "broccoli", "establishment_after": "transplanted"}
    return {"gap_id": gap_id, "block_id": gap_id.rsplit("/", 1)[0], **words, **days, **dict.fromkeys(DAYS, 10)}


def a_farm(record: Any = None, units: str = "metric", today: str = "2027-12-20", **more: Any) -> Known:
    """River 1 (2 ha), River 10 and Beds 2 (0.5 ha) in 2027; the overwinter gap of River 1 runs into 2028."""
    gaps = [
        a_gap("Beds 2/1", "2027-03-01", "2027-05-20"), a_gap("River 1/2", "2027-06-29", "2027-08-21"),
        a_gap("River 1/3", "2027-10-29", "2028-05-23"), a_gap("River 10/1", "2027-06-01", "2027-07-01"),
    ]  # fmt: skip
    table = pd.DataFrame(gaps)[list(Gap.to_schema().columns)]
    return Known(
        {"Beds 2": 5000.0, "River 1": 20000.0, "River 10": 5000.0}, Gap.validate(table), CATALOGUE,
        SeasonRecord.empty() if record is None else record, units,  # type: ignore[arg-type]
        datetime.fromisoformat(f"{today}T12:00:00").replace(tzinfo=UTC), date.fromisoformat(today),
        planned=lambda: PLANNED, **more,
    )  # fmt: skip
