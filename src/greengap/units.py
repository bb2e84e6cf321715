"""SI inside, the reader's units at the edge: conversion factors, and how a quantity is written.

Exact definitions: international foot 0.3048 m, avoirdupois pound 0.45359237 kg (NIST Special
Publication 811, 2008, appendix B), acre 43 560 square feet, US gallon 231 cubic inches. The rest is arithmetic
from these.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

System = Literal["metric", "us"]

FOOT_M = 0.3048
INCH_MM = 25.4
POUND_KG = 0.45359237
GALLON_L = 231 * (INCH_MM / 100) ** 3  # US liquid gallon, 231 cubic inches
ACRE_M2 = 43_560 * FOOT_M**2
HECTARE_M2 = 10_000.0
LB_AC_KG_HA = POUND_KG / ACRE_M2 * HECTARE_M2
SHORT_TON_AC_KG_HA = 2_000 * LB_AC_KG_HA


@dataclass(frozen=True)
class Conversion:
    """A printed unit as an affine map to SI: ``si = (printed + shift) * factor``."""

    si: str
    factor: float = 1.0
    shift: float = 0.0


# Units that catalogue files and raster headers may use. `seeds_lb` is a reciprocal, see `to_si`.
CONVERSIONS: dict[str, Conversion] = {
    "degC": Conversion("degC"),
    "degF": Conversion("degC", 5 / 9, -32.0),
    "K": Conversion("degC", 1.0, -273.15),
    "degC d": Conversion("degC d"),
    "degF d": Conversion("degC d", 5 / 9),
    "kg/ha": Conversion("kg/ha"),
    "t/ha": Conversion("kg/ha", 1_000.0),
    "lb/ac": Conversion("kg/ha", LB_AC_KG_HA),
    "short ton/ac": Conversion("kg/ha", SHORT_TON_AC_KG_HA),
    "mm": Conversion("mm"),
    "cm": Conversion("mm", 10.0),
    "in": Conversion("mm", INCH_MM),
    "m": Conversion("m"),
    "ft": Conversion("m", FOOT_M),
    "fraction": Conversion("fraction"),
    "percent": Conversion("fraction", 0.01),
    "percent of dry matter": Conversion("fraction", 0.01),
    "g": Conversion("g"),
    "mg": Conversion("g", 0.001),
    "kg": Conversion("kg"),
    "lb": Conversion("kg", POUND_KG),
    "d": Conversion("d"),
    "h": Conversion("h"),
    "ratio": Conversion("ratio"),
    "pH": Conversion("pH"),
    "MPa": Conversion("MPa"),
    "MJ/m2/d": Conversion("MJ/m2/d"),
    "g/MJ": Conversion("g/MJ"),
    "m2": Conversion("m2"),
    "m2/m2": Conversion("m2/m2"),
    "1/m2": Conversion("1/m2"),
    "dS/m": Conversion("dS/m"),
    "1/d": Conversion("1/d"),
    "1/h": Conversion("1/h"),
    "m2/h": Conversion("m2/h"),
    "1/(degC d)": Conversion("1/(degC d)"),
    "1/(t/ha)": Conversion("1/(kg/ha)", 0.001),
    "mm/(degC d)": Conversion("mm/(degC d)"),
    "cm/(degC d)": Conversion("mm/(degC d)", 10.0),
    "seeds/lb": Conversion("g"),  # thousand-seed weight
    "class": Conversion("class"),
    "text": Conversion("text"),
}


def to_si(value: float, unit: str) -> float:
    """Convert a printed value to SI.

    Parameters
    ----------
    value : float
        The value as printed.
    unit : str
        A key of `CONVERSIONS`. ``seeds/lb`` becomes the weight of a thousand seeds [g].

    Returns
    -------
    float
        The value in ``CONVERSIONS[unit].si``.

    Raises
    ------
    ValueError
        If the unit is unknown.

    Examples
    --------
    >>> round(to_si(50, "degF"), 6)
    10.0
    >>> round(to_si(100, "lb/ac"), 4)
    112.0851
    """
    if unit not in CONVERSIONS:
        raise ValueError(f"unit {unit!r} is unknown; allowed are {', '.join(CONVERSIONS)}")
    if unit == "seeds/lb":
        return POUND_KG * 1e6 / value
    conversion = CONVERSIONS[unit]
    return (value + conversion.shift) * conversion.factor


def length_m(text: str) -> float:
    """A length as a person writes it, in metres.

    Parameters
    ----------
    text : str
        A number and one of m, cm, mm, ft, in.

    Returns
    -------
    float
        [m].

    Raises
    ------
    ValueError
        If it is no such length, or not above zero.

    Examples
    --------
    >>> round(length_m("7.5 in"), 4), round(length_m("17.5cm"), 4)
    (0.1905, 0.175)
    """
    factors = {"m": 1.0, "cm": 0.01, "mm": 0.001, "ft": FOOT_M, "in": INCH_MM / 1000}
    found = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(m|cm|mm|ft|in)\s*", text)
    if not found or float(found[1]) <= 0:
        raise ValueError(f"{text!r} is not a length; allowed are a number above zero and m, cm, mm, ft or in")
    return float(found[1]) * factors[found[2]]


def speed_m_s(text: str) -> float:
    """A driving speed as a person writes it, in metres a second.

    Parameters
    ----------
    text : str
        A number and km/h or mph.

    Returns
    -------
    float
        [m/s].

    Raises
    ------
    ValueError
        If it is no such speed, or not above zero.

    Examples
    --------
    >>> round(speed_m_s("6 km/h"), 4), round(speed_m_s("4 mph"), 4)
    (1.6667, 1.7882)
    """
    found = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(km/h|mph)\s*", text)
    if not found or float(found[1]) <= 0:
        raise ValueError(f"{text!r} is not a speed; allowed are a number above zero and km/h or mph")
    return float(found[1]) * (1 / 3.6 if found[2] == "km/h" else 5280 * FOOT_M / 3600)


@dataclass(frozen=True)
class Written:
    """How an SI quantity is shown: factor to the shown unit, its name, decimals."""

    factor: float
    unit: str
    decimals: int
    shift: float = 0.0


_WRITTEN: dict[str, dict[str, Written]] = {
    "m2": {"metric": Written(1 / HECTARE_M2, "ha", 2), "us": Written(1 / ACRE_M2, "ac", 2)},
    "kg_ha": {"metric": Written(1, "kg/ha", 0), "us": Written(1 / LB_AC_KG_HA, "lb/ac", 0)},
    "biomass_kg_ha": {
        "metric": Written(0.001, "t/ha", 1),
        "us": Written(1 / LB_AC_KG_HA, "lb/ac", 0),
    },
    "g": {"metric": Written(0.001, "kg", 3), "us": Written(0.001 / POUND_KG, "lb", 3)},
    "mm": {"metric": Written(1, "mm", 0), "us": Written(1 / INCH_MM, "in", 2)},
    "depth_mm": {"metric": Written(0.1, "cm", 1), "us": Written(1 / INCH_MM, "in", 2)},
    "m": {"metric": Written(1, "m", 1), "us": Written(1 / FOOT_M, "ft", 1)},
    "l": {"metric": Written(1, "L", 0), "us": Written(1 / GALLON_L, "gal", 0)},
    "l_h": {"metric": Written(0.001, "m3/h", 1), "us": Written(1 / (60 * GALLON_L), "gal/min", 0)},
    "degc": {"metric": Written(1, "°C", 1), "us": Written(1.8, "°F", 1, 32.0)},
    "degc_d": {"metric": Written(1, "°C d", 0), "us": Written(1.8, "°F d", 0)},
}


def shown(value: float, quantity: str, system: System = "metric") -> tuple[float, str]:
    """The number and the unit that a reader of `system` sees for an SI value."""
    how = _WRITTEN[quantity][system]
    return value * how.factor + how.shift, how.unit


def write(value: float, quantity: str, system: System = "metric") -> str:
    """Write an SI value for a person, rounded as the trade does.

    Examples
    --------
    >>> write(67.2, "kg_ha", "us")
    '60 lb/ac'
    >>> write(40468.564224, "m2", "us")
    '10.00 ac'
    """
    how = _WRITTEN[quantity][system]
    number, unit = shown(value, quantity, system)
    return f"{number:,.{how.decimals}f} {unit}"
