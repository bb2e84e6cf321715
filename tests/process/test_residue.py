"""What is left of a cover, how long the next crop waits, and what it finds."""

import csv
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from greengap.catalogue import load_catalogue
from greengap.process import nitrogen, residue
from greengap.process.afterwards import DRIVERS, Ending, NextCrop, Residue, nitrogen_by, wait, what_follows_each
from greengap.process.nitrogen import (
    TO_MINERAL,
    crop_uptake_share,
    leaching_kept_share,
    pool_nitrogen,
    season_available,
    tie_up_days,
    tissue_nitrogen_fraction,
)
from greengap.process.residue import DECAY_PER_D, decay_days_until, pool_shares, remaining_share, residue_limit

CATALOGUE = load_catalogue()
CHECKS = list(csv.DictReader((Path(__file__).parents[1] / "checks" / "residue.csv").open(encoding="utf-8")))
YOUNG, BLOOM, RIPE = [0.4, 0.5, 0.1], [0.3, 0.6, 0.1], [0.2, 0.7, 0.1]
mass = st.floats(100, 9000)
share = st.floats(0.006, 0.05)
pools = st.sampled_from([YOUNG, BLOOM, RIPE])


@pytest.mark.parametrize("check", CHECKS, ids=lambda c: c["check_id"])
def test_agrees_with_the_check(check):
    inputs = {}
    for pair in check["inputs"].split():
        name, text = pair.split("=")
        inputs[name] = [float(x) for x in text.split(";")] if ";" in text else float(text)
    module = nitrogen if hasattr(nitrogen, check["quantity"]) else residue
    answer = getattr(module, check["quantity"])(**inputs)
    assert float(answer) == pytest.approx(float(check["expected"]), abs=float(check["tolerance"]))


# -- pools -----------------------------------------------------------------------------------------


@given(left=st.floats(0.02, 1.0), parts=pools)
def test_the_days_until_a_share_is_left_lead_to_that_share(left, parts):
    assert float(remaining_share(decay_days_until(left, parts), parts)) == pytest.approx(left, abs=1e-5)


@given(biomass=mass, held=share, mineral=st.floats(0, 80), parts=pools, speed=st.floats(0, 1))
def test_nitrogen_is_neither_made_nor_lost(biomass, held, mineral, parts, speed):
    # what the soil gains or loses is what the residue and the humus lose or gain
    days, n = 60, biomass * held
    left, soil, humus = [biomass * p for p in parts], mineral, 0.0
    for _ in range(days):
        dry = sum(left)
        slow = min(1.0, 0.5 ** ((0.40 * dry / max(n + soil, 1e-9) - 25) / 25))
        lost = [p * k * speed * slow for p, k in zip(left, DECAY_PER_D, strict=True)]
        want = max(sum(lost) * (0.02 - n / max(dry, 1e-9)), 0.0)
        scale = max(soil, 0.0) / want if want > soil else 1.0
        lost, want = [x * scale for x in lost], want * scale
        gross = sum(lost) / max(dry, 1e-9) * n
        left = [p - x for p, x in zip(left, lost, strict=True)]
        n, soil, humus = n + want - gross, soil + TO_MINERAL * gross - want, humus + (1 - TO_MINERAL) * gross
    net = pool_nitrogen(np.full(days, speed), biomass, biomass * held, mineral, parts)[-1]
    assert mineral + net == pytest.approx(soil, abs=1e-6)
    assert n + soil + humus == pytest.approx(biomass * held + mineral, rel=1e-9)
    assert soil >= -1e-9


@pytest.mark.parametrize(("degc", "lowest", "back"), [(20, 9, 26), (15, 13, 38)])
def test_straw_like_residue_ties_up_for_weeks(degc, lowest, back):
    # derived: 6 t/ha at 0.8 % nitrogen, 40 kg/ha of mineral nitrogen, by the pools as published
    speed = np.full(120, (degc - 5) / 30)
    curve = pool_nitrogen(speed, 6000, 48, 40, RIPE)
    assert (curve.argmin() + 1, int(np.nonzero(curve[lowest:] >= 0)[0][0]) + lowest + 1) == (lowest, back)


@given(biomass=mass, held=share, mineral=st.floats(5, 80), parts=pools, speed=st.floats(0.05, 1))
def test_the_compiled_tie_up_is_that_of_the_plain_form(biomass, held, mineral, parts, speed):
    plain = pool_nitrogen(np.full(150, speed), biomass, biomass * held, mineral, parts, 0.027)
    series = np.full(151, speed)
    lowest, back, curve = tie_up_days(
        np.array([0]), series, np.ones(1), np.array([biomass]), np.array([biomass * held]), np.array([mineral]),
        np.array([parts]), DECAY_PER_D, 0.027, 150,
    )  # fmt: skip
    end = (
        int(np.nonzero((np.minimum.accumulate(plain) < 0) & (plain >= 0))[0][0])
        if plain.min() < 0 <= plain.max()
        else 150
    )
    if plain.min() >= -1e-9:
        assert lowest[0] == back[0] == 0
        assert not curve.any()
    elif plain[:end].size:
        assert lowest[0] == plain[:end].argmin() + 1
        assert curve[0].max() == pytest.approx(1.0)


def test_more_nitrogen_in_the_residue_never_leaves_less_for_the_crop():
    content = np.linspace(0.005, 0.05, 40)
    assert (np.diff(season_available(4000.0, content)) >= 0).all()


def test_grass_with_a_quarter_of_legume_is_near_the_line():
    # PNW 636, highlights: near zero at 75 % cereal and 25 % legume; cereal at 1.1 %, legume at 3.0 % nitrogen (memory)
    together = 0.75 * 0.011 + 0.25 * 0.030
    assert abs(float(season_available(4000.0, together))) < 10


def test_a_shoot_is_thinned_from_stage_to_stage():
    stages = np.linspace(0, 2, 21)
    for species in CATALOGUE.species.values():
        young = species.number("tissue_nitrogen_young") if species.has("tissue_nitrogen_young") else 0.055
        at = tissue_nitrogen_fraction(stages, young, species.number("tissue_nitrogen"), 0.01)
        assert (np.diff(at) <= 1e-12).all(), species.key
    assert pool_shares(stages, YOUNG, BLOOM, RIPE).sum(axis=-1) == pytest.approx(1.0)


def test_carbon_to_nitrogen_of_stages_lies_where_the_table_puts_it():
    # USDA-NRCS, Carbon to nitrogen ratios in cropping systems, Table 1: rye vegetative 26, at anthesis 37;
    # ours at three quarters of the way to flower, and a little past it
    rye = CATALOGUE.species["cereal_rye"]
    numbers = [rye.number(f"tissue_nitrogen{end}") for end in ("_young", "", "_ripe")]
    vegetative, anthesis = 0.42 / tissue_nitrogen_fraction([0.75, 1.25], *numbers)
    assert 13 <= vegetative <= 52
    assert anthesis == pytest.approx(37, rel=0.25)
    assert vegetative < anthesis


@given(a=st.floats(0, 200), b=st.floats(0, 200), length=st.floats(20, 160))
def test_a_crop_never_gives_nitrogen_back(a, b, length):
    early, late = crop_uptake_share([min(a, b), max(a, b)], length, 10.0)
    assert 0 <= early <= late <= 1


def test_the_share_of_leaching_kept_is_that_of_the_trials_for_a_full_stand():
    # Nouri et al. 2022, abstract: Poaceae 52 %, Brassicaceae 75 %; Tonitto et al. 2006: non-legumes 70 %
    for name, published in (("grass", 0.52), ("brassica", 0.75), ("broadleaf", 0.70)):
        assert leaching_kept_share(3000.0, CATALOGUE.rule(f"leaching_kept_{name}"), 2000.0) == published
    assert leaching_kept_share(500.0, 0.52, 2000.0) == pytest.approx(0.13)


# -- waiting ---------------------------------------------------------------------------------------


class Days:
    """A place that is as warm and as moist every day."""

    def __init__(self, degc: float, moist: float, count: int = 500) -> None:
        self.dates = np.arange(count)
        self.decay_speed = np.full(count, np.clip((degc - 5) / 30, 0, 1) * moist)
        self.decay_sums = np.cumsum(self.decay_speed)


def ended(biomass, content=0.025, parts=BLOOM, coarse=0.0, killed=False, light=False):
    """One stand on the day it is ended."""
    one = np.ones((1, 1))
    return Residue(
        end=np.full((1, 1), 10), killed=np.full((1, 1), killed), mass=biomass * one, nitrogen=biomass * content * one,
        fixed=0 * one, mineral=30 * one, pools=np.array(parts)[None, None, :], coarse=coarse * one, light=light,
    )  # fmt: skip


CROP = NextCrop(pd.Timestamp("2027-08-20"), 7, 0)


def waiting(place, stand, ending=Ending(), crop=CROP):  # noqa: B008
    """The wait of one stand before one crop."""
    follows = what_follows_each([CROP.date - pd.Timedelta(days=60)], [crop])
    return wait(place, stand, ending, follows, CATALOGUE)


def days_to_wait(stand, degc=20.0, moist=0.9, ending=Ending(), crop=CROP):  # noqa: B008
    return float(waiting(Days(degc, moist), stand, ending, crop).days[0, 0])


def test_without_a_next_crop_nothing_waits():
    found = waiting(Days(20, 0.9), ended(5000, 0.016, RIPE, coarse=1.0), crop=None)
    assert (found.days[0, 0], DRIVERS[found.which[0, 0]]) == (0.0, "minimum")


@pytest.mark.parametrize("degc", [18, 21, 24])
@pytest.mark.parametrize(("biomass", "low", "high"), [(2500, 7, 21), (3000, 14, 28)])
def test_ordinary_green_stands_wait_two_to_three_weeks(degc, biomass, low, high):
    # common practice: two to three weeks in a warm season; published waits spread over 1 to 4 weeks
    assert low <= days_to_wait(ended(biomass), degc) <= high


def test_coarse_stems_wait_three_to_six_weeks_and_longer_unchopped():
    headed = ended(4000, 0.016, RIPE, coarse=1.0)
    chopped, whole = days_to_wait(headed), days_to_wait(headed, ending=Ending(chopped=False))
    assert 21 <= chopped <= 42
    assert whole > chopped


@pytest.mark.parametrize("biomass", [2000, 3000, 4000, 5000, 6000])
def test_coarse_stems_never_wait_less_than_as_much_tender_residue(biomass):
    assert days_to_wait(ended(biomass, 0.016, RIPE, coarse=1.0)) >= days_to_wait(ended(biomass))


def test_light_buckwheat_waits_less_than_headed_sorghum_sudangrass():
    assert days_to_wait(ended(1300, 0.02, light=True)) < days_to_wait(ended(4000, 0.016, RIPE, coarse=1.0))


@given(a=mass, b=mass, content=share, parts=pools, coarse=st.floats(0, 1))
def test_more_residue_never_shortens_the_wait(a, b, content, parts, coarse):
    thin, thick = (days_to_wait(ended(m, content, parts, coarse)) for m in sorted((a, b)))
    assume(thick < 150 or thin < 150)
    tie = content < 0.015  # the day of the deepest tie-up also hangs on how soon the soil's nitrogen is used up
    assert thick >= thin - (3 if tie else 0)


@given(biomass=mass, cool=st.floats(6, 30), warmer=st.floats(0, 5), moist=st.floats(0.2, 1), wetter=st.floats(0, 0.5))
def test_warmer_and_moister_is_never_slower(biomass, cool, warmer, moist, wetter):
    stand = ended(biomass)
    slow = days_to_wait(stand, cool, moist)
    assert days_to_wait(stand, cool + warmer, min(moist + wetter, 1.0)) <= slow


def test_crops_at_risk_wait_for_the_flies_and_not_after_frost():
    at_risk = NextCrop(CROP.date, 7, 14)
    found = waiting(Days(20, 0.9), ended(900), crop=at_risk)
    assert (float(found.days[0, 0]), DRIVERS[found.which[0, 0]]) == (14.0, "pests")
    assert days_to_wait(ended(900, killed=True), crop=at_risk) == 7
    assert days_to_wait(ended(900, light=True), crop=at_risk) == 7


def test_the_farms_own_minimum_stands():
    assert days_to_wait(ended(500), crop=NextCrop(CROP.date, 30, 14)) == 30


def test_mulch_asks_for_no_decay_unless_seed_is_sown():
    mulch = Ending(incorporated=False)
    assert days_to_wait(ended(5000), ending=mulch) == 7
    assert days_to_wait(ended(5000), ending=mulch, crop=NextCrop(CROP.date, 7, 0, sown=True)) > 60


def test_winterkilled_oat_allows_april_planting():
    # killed in December, cold until mid March: by April the least wait is long over
    killed = ended(3500, 0.018, killed=True)
    assert days_to_wait(killed, 2.0) <= 14


def test_fine_residue_that_is_poor_in_nitrogen_still_ties_it_up():
    # Bending and Turner 1999, abstract: finer residue of C:N 38 and 91 ties up more, not less; chopping is no cure
    straw = ended(4000, 0.008, RIPE, coarse=1.0)
    for chopped in (True, False):
        found = waiting(Days(20, 0.9), straw, Ending(chopped=chopped))
        assert found.season[0, 0] < 0
        assert found.back[0, 0] > found.lowest[0, 0] > 0


def test_a_rich_stand_gives_most_of_its_nitrogen_in_four_to_six_weeks():
    # PNW 636, highlights: most release comes four to six weeks after it was ended
    place, stand = Days(20, 1.0), ended(3000, 0.035)
    found = waiting(place, stand)
    at = [nitrogen_by(place, stand, found, stand.end + d, CATALOGUE.rule("season_decay_days"))[0, 0] for d in (28, 42)]
    assert 0.6 <= at[0] / found.season[0, 0] <= 0.8
    assert 0.75 <= at[1] / found.season[0, 0] <= 0.95


def test_cold_soil_sets_nothing_free():
    place, stand = Days(4, 1.0), ended(3000, 0.035)
    found = waiting(place, stand)
    assert nitrogen_by(place, stand, found, stand.end + 60, CATALOGUE.rule("season_decay_days"))[0, 0] == pytest.approx(
        0, abs=1e-9
    )


def test_a_coarse_limit_lies_above_a_tender_one():
    limits = [CATALOGUE.rule(f"residue_limit_{kind}") for kind in ("tender", "coarse")]
    assert residue_limit([0.0, 0.5, 1.0], *limits).tolist() == [limits[0], sum(limits) / 2, limits[1]]
