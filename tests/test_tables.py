"""The quick look at a table accepts and refuses what pandera does."""

import inspect

import geopandas as gpd
import numpy as np
import pandas as pd
import pandera.errors
import pytest
from pandas.testing import assert_frame_equal
from shapely.geometry import box

from greengap import tables

ALL = [
    one
    for _, one in inspect.getmembers(tables, inspect.isclass)
    if issubclass(one, tables.Table) and one is not tables.Table
]


def right_table(model: type[tables.Table]) -> pd.DataFrame:
    """Three rows that hold every rule of a table."""
    columns = {}
    for name, column in model.to_schema().columns.items():
        limits = {k: v for check in column.checks for k, v in check.statistics.items()}
        kind = str(column.dtype)
        if kind == "geometry":
            columns[name] = gpd.GeoSeries([box(0, 0, 1, n + 1) for n in range(3)], crs="EPSG:4326")
        elif "allowed_values" in limits:
            allowed = [v for v in limits["allowed_values"] if not pd.isna(v)]
            columns[name] = pd.Series([allowed[n % len(allowed)] for n in range(3)])
        elif "pattern" in limits:
            columns[name] = pd.Series(["2027-05-01T10:00:00Z"] * 3)
        elif "date" in kind:
            columns[name] = pd.Series(pd.date_range("2027-05-01", periods=3)).astype("datetime64[ns]")
        elif kind in ("bool", "boolean"):
            columns[name] = pd.Series([True, False, True], dtype=kind)
        elif kind == "category":
            columns[name] = pd.Series(list(column.dtype.type.categories[:3])).astype(column.dtype.type)
        elif kind == "str":
            columns[name] = pd.Series(["a", "b", "c"])
        else:
            low, high = limits.get("min_value", 1), limits.get("max_value", limits.get("min_value", 1) + 4)
            between = np.linspace(low, high, 5)[1:4]
            columns[name] = pd.Series(np.ceil(between) if "int" in kind.lower() else between)
    made = pd.DataFrame(columns)
    made = gpd.GeoDataFrame(made, geometry="geometry", crs="EPSG:4326") if "geometry" in made else made
    return model.to_schema().validate(made)


def accepts(model: type[tables.Table], table: pd.DataFrame) -> bool:
    try:
        model.to_schema().validate(table)
    except (pandera.errors.SchemaError, pandera.errors.SchemaErrors):
        return False
    return True


def other_columns(model: type[tables.Table], good: pd.DataFrame):
    """What else may stand in a column, right or wrong: a word for it, the column's name, and the column."""
    for name, column in good.items():
        if name == "geometry":
            continue
        number = pd.api.types.is_numeric_dtype(column.dtype) and not pd.api.types.is_bool_dtype(column.dtype)
        yield "all alike", name, pd.Series([column.iloc[0]] * 3, dtype=column.dtype)
        yield "with None", name, column.astype(object).where([True, False, True], None)
        yield "of other types", name, pd.Series([{}, [], ()], dtype=object)
        if pd.api.types.is_float_dtype(column.dtype) or not (number or pd.api.types.is_bool_dtype(column.dtype)):
            yield "not known", name, column.where([True, False, True])
        if number:
            yield "far below", name, pd.Series([-1e6] * 3).astype(column.dtype)
            yield "far above", name, pd.Series([1e6] * 3).astype(column.dtype)
            for check in model.to_schema().columns[name].checks:
                for which, limit in check.statistics.items():
                    if np.isscalar(limit):
                        yield f"at {which}", name, pd.Series([limit] * 3).astype(column.dtype)
        elif pd.api.types.is_string_dtype(column.dtype):
            yield "an unknown word", name, pd.Series(["zzz"] * 3)


@pytest.mark.parametrize("model", ALL, ids=lambda m: m.__name__)
def test_the_quick_look_agrees_with_pandera(model):
    good = right_table(model)
    assert tables._put_right(model, good) is not None, "a right table should not need pandera"
    checked = model.validate(good)
    assert checked is not good
    assert_frame_equal(pd.DataFrame(checked), pd.DataFrame(model.to_schema().validate(good)))
    assert_frame_equal(pd.DataFrame(model.validate(good.iloc[:0])), pd.DataFrame(good.iloc[:0]))
    passed, refused = {}, set()
    for what, name, column in other_columns(model, good):
        if tables._put_right(model, good.assign(**{name: column})) is not None:
            passed.setdefault(what, {})[name] = column
        else:
            refused.add(name)
    for what, columns in passed.items():  # nothing slips through
        assert accepts(model, good.assign(**columns)), what
    assert refused == set(good.columns) - {"geometry"}


@pytest.mark.parametrize("change", [lambda t: t.assign(more=1), lambda t: t.drop(columns="field")])
def test_missing_and_added_columns(change):
    bad = change(pd.DataFrame(right_table(tables.Block)))
    assert tables._put_right(tables.Block, bad) is None
    assert not accepts(tables.Block, bad)


@pytest.mark.parametrize("model", ALL, ids=lambda m: m.__name__)
def test_what_is_cast_is_cast_as_pandera_does(model):
    """Without rows, with dates in another unit, with numbers that nobody knows."""
    good = pd.DataFrame(right_table(model))
    bare = pd.DataFrame({name: pd.Series([], dtype=object) for name in good.columns})
    if "geometry" not in good:
        assert_frame_equal(model.validate(bare), model.to_schema().validate(bare))
    rules = tables._rules(model)
    other = good.assign(
        **{name: good[name].astype("datetime64[s]") for name in good if "date" in str(good[name].dtype)}
    )
    other = other.assign(
        **{
            name: pd.Series([None] * 3, dtype=object)
            for name, (dtype, nullable, _, _) in rules.items()
            if nullable and str(dtype) == "float64"
        }
    )
    assert tables._put_right(model, other) is not None
    assert_frame_equal(pd.DataFrame(model.validate(other)), pd.DataFrame(model.to_schema().validate(other)))


def test_a_table_to_be_mended_still_is():
    good = right_table(tables.Gap)
    words = good.assign(start=good["start"].dt.strftime("%Y-%m-%d"))
    assert tables._put_right(tables.Gap, words) is None
    assert tables.Gap.validate(words)["start"].dtype == "datetime64[ns]"


def test_a_wrong_table_is_refused_by_pandera_itself():
    good = right_table(tables.Block)
    with pytest.raises(pandera.errors.SchemaError, match="area_sown_m2"):
        tables.Block.validate(good.assign(area_sown_m2=-1.0))
