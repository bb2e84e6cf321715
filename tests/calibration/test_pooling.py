"""Partial pooling against a published table, against reference software, and against records with a known answer."""

from __future__ import annotations

import warnings
from statistics import NormalDist

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.calibration.pooling import Scatter, Share, pool, pool_share
from greengap.calibration.prior_scatter import components

TRIALS = Scatter(farm=0.1, species=0.2, year=0.12, species_year=0.15, record=0.2)

# B. Efron and C. Morris, "Stein's paradox in statistics", Sci. Am., vol. 236, pp. 119-127, 1977, the table of 18
# players (from memory): averages of the first 45 times at bat, and the estimates printed, with a factor of 0.212.
FIRST_45 = [18, 17, 16, 15, 14, 14, 13, 12, 11, 11, 10, 10, 10, 10, 10, 9, 8, 7]
PRINTED = [
    0.294, 0.289, 0.285, 0.280, 0.275, 0.275, 0.270, 0.266, 0.261, 0.261, 0.256, 0.256, 0.256, 0.256, 0.256, 0.252,
    0.247, 0.242,
]  # fmt: skip


def test_shrinks_as_far_as_the_published_table_of_eighteen_players():
    average = np.array(FIRST_45) / 45
    mean, noise = average.mean(), np.sqrt(average.mean() * (1 - average.mean()) / 45)
    factor = 1 - 15 * noise**2 / ((average - mean) ** 2).sum()
    assert factor == pytest.approx(0.212, abs=5e-4)  # printed
    between = noise * np.sqrt(factor / (1 - factor))
    names = [f"{n:02d}" for n in range(18)]
    found = pool(average - mean, names, range(18), Scatter(0.0, between, 0.0, 0.0, noise))
    assert mean + found.mean == pytest.approx(PRINTED, abs=6e-4)


def henderson(y, slope, species, year, scatter):
    """Mean and standard deviation of each species by C. R. Henderson's mixed model equations (Biometrics, 1975)."""
    keys, years = sorted(set(species)), sorted(set(year))
    pairs = sorted(set(zip(species, year, strict=True)))
    columns, variances = [slope], [scatter.farm**2]
    for key in keys:
        columns.append(slope * (np.array(species) == key))
        variances.append(scatter.species**2)
    for one in years:
        columns.append((np.array(year) == one).astype(float))
        variances.append(scatter.year**2)
    for key, one in pairs:
        columns.append(((np.array(species) == key) & (np.array(year) == one)).astype(float))
        variances.append(scatter.species_year**2)
    z = np.column_stack(columns)
    left = z.T @ z / scatter.record**2 + np.diag(1 / np.array(variances))
    covariance = np.linalg.inv(left)
    effects = covariance @ z.T @ y / scatter.record**2
    rows = np.zeros((len(keys), z.shape[1]))
    rows[:, 0], rows[np.arange(len(keys)), 1 + np.arange(len(keys))] = 1, 1
    return rows @ effects, np.sqrt(np.diag(rows @ covariance @ rows.T))


def some_records(seed: int, many: int = 24):
    random = np.random.default_rng(seed)
    species = [str(s) for s in random.choice(["buckwheat", "field_pea", "oat", "rye"], many)]
    year = [int(y) for y in random.integers(2018, 2024, many)]
    return random.normal(0.1, 0.3, many), random.uniform(0.4, 1.1, many), species, year


@pytest.mark.parametrize("seed", range(5))
def test_agrees_with_the_mixed_model_equations(seed):
    y, slope, species, year = some_records(seed)
    found = pool(y, species, year, TRIALS, slope)
    mean, sd = henderson(y, slope, species, year, TRIALS)
    assert found.mean == pytest.approx(mean, abs=1e-10)
    assert found.sd == pytest.approx(sd, abs=1e-10)
    assert found.weights @ y == pytest.approx(found.mean, abs=1e-12)


@pytest.mark.outside
def test_agrees_with_the_random_effects_of_statsmodels(other_software):
    # Crossed species and years about a common level: their variances are fitted there, and given to ours; a farm
    # effect that may be anything stands for the level, which has no prior there.
    api = other_software("statsmodels.formula.api")
    random = np.random.default_rng(7)
    names, years = [f"s{n:02d}" for n in range(12)], list(range(2010, 2020))
    table = pd.DataFrame([(s, y) for s in names for y in years for _ in range(2)], columns=["species", "year"])
    of_species = dict(zip(names, random.normal(0, 0.3, len(names)), strict=True))
    of_year = dict(zip(years, random.normal(0, 0.2, len(years)), strict=True))
    noise = random.normal(0, 0.25, len(table))
    table["y"] = 0.2 + table["species"].map(of_species) + table["year"].map(of_year) + noise
    table = table.sample(frac=0.7, random_state=1).reset_index(drop=True)
    parts = {"species": "0 + C(species)", "year": "0 + C(year)"}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = api.mixedlm("y ~ 1", table.assign(one=1), groups="one", vc_formula=parts, re_formula="0").fit()
    variance = dict(zip(fit.model.exog_vc.names, fit.vcomp, strict=True))
    scatter = Scatter(1e3, np.sqrt(variance["species"]), np.sqrt(variance["year"]), 0.0, np.sqrt(fit.scale))
    found = pool(table["y"], list(table["species"]), list(table["year"]), scatter)
    effects = fit.random_effects[1]
    reference = [fit.fe_params.iloc[0] + effects[f"species[C(species)[{s}]]"] for s in found.species]
    assert found.mean == pytest.approx(reference, abs=1e-4)


def test_the_surprise_of_a_record_is_what_leaving_it_out_gives():
    y, slope, species, year = some_records(11, 12)
    found = pool(y, species, year, TRIALS, slope)
    for at in range(len(y)):
        rest = [i for i in range(len(y)) if i != at]
        others = pool(y[rest], [species[i] for i in rest], [year[i] for i in rest], TRIALS, slope[rest])
        if species[at] not in others.species or year[at] in {year[i] for i in rest}:
            continue
        known = others.species.index(species[at])
        spread = (slope[at] * others.sd[known]) ** 2 + TRIALS.year**2 + TRIALS.species_year**2 + TRIALS.record**2
        expected = (y[at] - slope[at] * others.mean[known]) / np.sqrt(spread)
        assert found.surprise[at] == pytest.approx(expected, abs=1e-10)


def test_one_far_off_record_stands_out_and_the_others_do_not():
    y = [0.05, 0.1, 0.0, 0.07, 1.6]
    found = pool(y, ["oat"] * 5, [2019, 2020, 2021, 2022, 2023], TRIALS)
    assert abs(found.surprise[4]) > 2.5
    assert np.abs(found.surprise[:4]).max() < 2.5


def test_five_blocks_of_one_year_count_for_less_than_five_years():
    at_once = pool([0.4] * 5, ["oat"] * 5, [2024] * 5, TRIALS)
    one = pool([0.4], ["oat"], [2024], TRIALS)
    over_years = pool([0.4] * 5, ["oat"] * 5, range(2020, 2025), TRIALS)
    assert one.mean[0] < at_once.mean[0] < over_years.mean[0] < 0.4
    assert at_once.mean[0] - one.mean[0] < over_years.mean[0] - at_once.mean[0]
    many = pool([0.4] * 500, ["oat"] * 500, [2024] * 500, TRIALS)
    wet_year = TRIALS.elsewhere**2 / (TRIALS.elsewhere**2 + TRIALS.year**2 + TRIALS.species_year**2)
    assert many.mean[0] == pytest.approx(0.4 * wet_year, rel=1e-3)  # as many blocks as may be, still one year


def test_a_species_learns_a_little_from_the_others_and_nothing_without_records():
    found = pool([0.4] * 4, ["oat"] * 4, range(2020, 2024), TRIALS, wanted=["oat", "rye"])
    assert 0 < found.mean[1] < found.mean[0]
    nothing = pool([], [], [], TRIALS, wanted=["rye"])
    assert nothing.mean[0] == 0
    assert nothing.sd[0] == pytest.approx(TRIALS.elsewhere)


@given(seed=st.integers(0, 10_000))
def test_the_order_of_records_does_not_matter(seed):
    y, slope, species, year = some_records(seed, 10)
    order = np.random.default_rng(seed).permutation(10)
    other = pool(y[order], [species[i] for i in order], [year[i] for i in order], TRIALS, slope[order])
    assert other.mean == pytest.approx(pool(y, species, year, TRIALS, slope).mean, abs=1e-9)


def test_simulated_farms_are_covered_at_the_stated_rate():
    # Simulated: farms whose true shifts, years and records are drawn from the model itself.
    random, inside, total = np.random.default_rng(3), 0, 0
    for _ in range(400):
        farm = random.normal(0, TRIALS.farm)
        truth = {s: farm + random.normal(0, TRIALS.species) for s in ("buckwheat", "oat", "rye")}
        y, species, year = [], [], []
        for one in range(random.integers(1, 6)):
            common = random.normal(0, TRIALS.year)
            for key, shift in truth.items():
                own = random.normal(0, TRIALS.species_year)
                for _ in range(random.integers(1, 4)):
                    y.append(shift + common + own + random.normal(0, TRIALS.record))
                    species.append(key)
                    year.append(one)
        low, high = (found := pool(y, species, year, TRIALS)).interval(0.8)
        inside += sum(a <= truth[s] <= b for s, a, b in zip(found.species, low, high, strict=True))
        total += len(truth)
    assert total == 1200
    # Three shifts of a farm go together: the standard error of the rate is at most that of 400 independent ones.
    assert inside / total == pytest.approx(0.8, abs=3 * np.sqrt(0.8 * 0.2 / 400))


def test_lengths_that_differ_and_scatter_of_nothing_are_refused():
    with pytest.raises(ValueError, match="as long as each other: 2, 1, 2"):
        pool([0.1, 0.2], ["oat"], [2020, 2021], TRIALS)
    with pytest.raises(ValueError, match="above zero, not 0"):
        pool([0.1], ["oat"], [2020], Scatter(0.1, 0.1, 0.1, 0.1, 0.0))


# -- shares ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("level", [0.1, 0.5, 0.9])
def test_quantiles_of_a_share_are_those_of_beta_distributions_with_a_closed_form(level):
    assert Share(1, 1).quantile(level) == pytest.approx(level, abs=1e-5)
    assert Share(3, 1).quantile(level) == pytest.approx(level ** (1 / 3), abs=1e-5)
    assert Share(1, 9).quantile(level) == pytest.approx(1 - (1 - level) ** (1 / 9), abs=1e-5)
    # Half and half is the arcsine law.
    assert Share(0.5, 0.5).quantile(level) == pytest.approx(np.sin(np.pi * level / 2) ** 2, abs=1e-5)


def test_a_share_of_many_independent_fields_is_the_share_counted():
    share, counts = pool_share([1] * 300 + [0] * 700, list(range(1000)), 0.1, worth=10, alike=0.5)
    assert (counts == 1).all()
    assert share.mean == pytest.approx(301 / 1010)
    width = share.quantile(0.9) - share.quantile(0.1)
    normal = 2 * NormalDist().inv_cdf(0.9) * np.sqrt(0.298 * 0.702 / 1010)
    assert width == pytest.approx(normal, rel=0.02)


def test_blocks_that_birds_took_in_one_year_count_as_hardly_more_than_one():
    one, _ = pool_share([1], [2024], 0.1, worth=10, alike=1.0)
    five, _ = pool_share([1] * 5, [2024] * 5, 0.1, worth=10, alike=1.0)
    apart, _ = pool_share([1] * 5, range(5), 0.1, worth=10, alike=1.0)
    assert five.mean == pytest.approx(one.mean)
    assert apart.mean > five.mean
    nothing, _ = pool_share([], [], 0.1, worth=10, alike=0.5)
    assert nothing.mean == pytest.approx(0.1)


def test_simulated_shares_are_covered_at_the_stated_rate():
    # Simulated: true shares drawn from the prior, fields independent.
    random, inside = np.random.default_rng(5), 0
    for _ in range(600):
        truth = random.beta(1.0, 9.0)
        hit = random.random(random.integers(1, 12)) < truth
        share, _ = pool_share(hit, range(len(hit)), 0.1, worth=10, alike=0.5)
        inside += share.quantile(0.1) <= truth <= share.quantile(0.9)
    assert inside / 600 == pytest.approx(0.8, abs=3 * np.sqrt(0.16 / 600))


# -- how far trials scatter ------------------------------------------------------------------------


def simulated_trials(seed: int, site: float, year: float, record: float) -> pd.DataFrame:
    random, rows = np.random.default_rng(seed), []
    for place in range(200):
        level = random.normal(0, site)
        for one in range(1 + place % 4):
            common = level + random.normal(0, year)
            rows += [(f"p{place}", "oat", one, common + random.normal(0, record)) for _ in range(1 + (place + one) % 3)]
    return pd.DataFrame(rows, columns=["place", "species", "year", "residual"])


def test_scatter_that_was_put_in_comes_out():
    # Simulated, unbalanced on purpose.
    found = [components(simulated_trials(seed, 0.4, 0.25, 0.15)) for seed in range(20)]
    assert np.mean([f.site**2 for f in found]) == pytest.approx(0.16, rel=0.08)
    assert np.mean([f.year**2 for f in found]) == pytest.approx(0.0625, rel=0.08)
    assert np.mean([f.record**2 for f in found]) == pytest.approx(0.0225, rel=0.08)


def test_scatter_of_a_balanced_table_is_that_of_its_mean_squares():
    # Two places, two years, two plots, worked by hand: means 1, 3 and -1, 1; plots 0.5 to either side.
    rows = [
        (place, "oat", year, mean + side)
        for place, means in {"a": (1, 3), "b": (-1, 1)}.items()
        for year, mean in enumerate(means)
        for side in (-0.5, 0.5)
    ]
    found = components(pd.DataFrame(rows, columns=["place", "species", "year", "residual"]))
    assert found.record**2 == pytest.approx(0.5)
    assert found.year**2 == pytest.approx(2 - 0.5 / 2)
    assert found.site**2 == pytest.approx((2**2 + 0**2) / 2 - (2 - 0.25) / 2 - 0.5 / 4)
    assert (found.places, found.repeated, found.years, found.rows) == (2, 2, 4, 8)


def test_a_level_without_repetition_is_not_known():
    rows = pd.DataFrame([("a", "oat", 1, 0.1), ("b", "oat", 1, -0.2)], columns=["place", "species", "year", "residual"])
    found = components(rows)
    assert np.isnan(found.year)
    assert np.isnan(found.record)
    assert found.site == pytest.approx(np.sqrt((0.01 + 0.04) / 2))
