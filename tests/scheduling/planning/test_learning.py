"""What tallies, readings and recounts teach: held against draws from the very model, and against scipy."""

from __future__ import annotations

import math
from functools import partial

import numpy as np
import pytest
from scipy import stats

from scheduling.planning.learning import SHARES, Tally, counted_of, learned_lost_share, learned_shares, likelihoods
from scheduling.planning.pooling import (
    LearnedMean,
    Reading,
    Recounts,
    learned_survival,
    learned_volumes,
    pooled_means,
    survival_of_loss,
)
from scheduling.planning.taught import LotRow, Start, taught

learn = partial(learned_shares, prior_mean=0.595, prior_kappa=30)


def days(source: str, usable: int, tried: int, times: int = 1) -> list[Tally]:
    return [Tally(source, usable, tried)] * times


def test_a_source_with_few_tallies_stays_near_the_others():
    tallies = [*days("many", 40, 100, 10), Tally("few", 9, 10), *days("other", 62, 100, 5)]
    shares = learn(tallies, ["many", "few", "none", "other"])
    assert shares["many"].mean == pytest.approx(0.4, abs=0.03)
    assert shares["none"].mean < shares["few"].mean < 0.8
    assert 0.45 < shares["none"].mean < 0.6
    assert shares["many"].kappa > shares["few"].kappa > shares["none"].kappa
    assert (shares["many"].usable, shares["many"].tried, shares["none"].tried) == (400, 1000, 0)
    width = {name: share.high - share.low for name, share in shares.items()}
    assert width["many"] < width["other"] < width["few"] < width["none"]


@pytest.mark.parametrize(("mean", "kappa"), [(0.595, 30), (0.3, 4), (0.9, 200)])
def test_without_any_tally_the_start_holds(mean: float, kappa: float):
    share = learned_shares([], ["new"], prior_mean=mean, prior_kappa=kappa)["new"]
    assert (share.mean, share.kappa) == (mean, kappa)
    assert share.low < mean < share.high


def test_one_drone_teaches_next_to_nothing():
    share = learn([Tally("S", 0, 1)], ["S"])["S"]
    assert share.mean == pytest.approx(0.595, abs=0.02)
    assert share.kappa == pytest.approx(30, rel=0.1)


def test_days_that_differ_keep_a_source_uncertain_however_much_is_tried():
    alike = learn(days("S", 60, 100, 12), ["S"])["S"]
    wild = learn([*days("S", 40, 100, 6), *days("S", 80, 100, 6)], ["S"])["S"]
    assert alike.mean == pytest.approx(wild.mean, abs=0.01)
    assert wild.kappa < 40 < alike.kappa


def test_a_source_that_starts_elsewhere_is_taught_from_there():
    shares = learn(days("S", 6, 10), ["S", "own"], own_means={"own": 0.3})
    assert shares["own"].mean == pytest.approx(0.3, abs=0.02)
    taught = learn(days("own", 60, 100, 10), ["own"], own_means={"own": 0.3})["own"]
    assert taught.mean == pytest.approx(0.59, abs=0.05)


def test_the_order_of_tallies_changes_nothing():
    tallies = [*days("a", 30, 60, 3), *days("b", 10, 40, 2), Tally("c", 5, 5)]
    assert learn(tallies, ["a", "b"]) == learn(tallies[::-1], ["b", "a"])


def test_the_likelihood_is_the_beta_binomial_of_scipy():
    place, usable, tried, kappa = np.array([0, 1, 0]), np.array([7, 0, 40]), np.array([12, 5, 41]), 25.0
    found = likelihoods(counted_of(place, usable, tried, sources=2), kappa)

    def chance(k: int, n: int):
        coefficient = math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1)
        return stats.betabinom.logpmf(k, n, SHARES * kappa, (1 - SHARES) * kappa) - coefficient

    assert found[0] == pytest.approx(chance(7, 12) + chance(40, 41))
    assert found[1] == pytest.approx(chance(0, 5))


def test_shares_lie_where_they_are_said_to_lie():
    # 40 cooperatives of 8 sources drawn from the model: the band of 80 % holds the source's own share, and the Beta
    # of a day to come is below its own tenth about every tenth time.
    random, own, day = np.random.default_rng(7), [], []
    part = 1 - (1 - 1 / 31) ** (1 / 3)
    worth = 1 / part - 1
    for _world in range(40):
        common = random.beta(0.595 * worth, 0.405 * worth)
        truth = {str(s): random.beta(common * worth, (1 - common) * worth) for s in range(8)}
        tallies = []
        for source, share in truth.items():
            for _session in range(int(random.integers(0, 7))):
                tried = int(random.integers(5, 120))
                today = random.beta(share * worth, (1 - share) * worth)
                tallies.append(Tally(source, int(random.binomial(tried, today)), tried))
        for source, learned in learn(tallies, truth).items():
            share = truth[source]
            own.append(learned.low <= share <= learned.high)
            tenth = stats.beta.ppf(0.1, learned.mean * learned.kappa, (1 - learned.mean) * learned.kappa)
            day.append(random.beta(share * worth, (1 - share) * worth) < tenth)
    error = 3 * math.sqrt(0.8 * 0.2 / len(own))
    assert np.mean(own) == pytest.approx(0.8, abs=error)
    assert np.mean(day) == pytest.approx(0.1, abs=3 * math.sqrt(0.1 * 0.9 / len(day)))


def test_a_volume_comes_from_its_own_lots_and_from_the_others():
    readings = [*[Reading("rich", 24.0, 20)] * 6, *[Reading("poor", 16.0, 20)] * 6]
    volumes = learned_volumes(readings, ["rich", "poor", "new"], prior_ul=1.0, prior_cv=0.3)
    assert volumes["rich"].ul.mean == pytest.approx(1.19, abs=0.02)
    assert volumes["poor"].ul.mean == pytest.approx(0.81, abs=0.02)
    assert volumes["new"].ul.mean == pytest.approx(1.0, abs=0.01)
    assert volumes["new"].ul.sd > volumes["rich"].ul.sd
    assert (volumes["rich"].usable, volumes["new"].usable, volumes["rich"].ul.rows) == (120, 0, 6)
    # Lots that agree narrow the spread between drones, lots that do not widen it.
    assert volumes["rich"].cv < volumes["new"].cv < 0.3
    apart = [*[Reading("S", 10.0, 20)] * 6, *[Reading("S", 30.0, 20)] * 6]
    assert learned_volumes(apart, ["S"], prior_ul=1.0, prior_cv=0.3)["S"].cv > 1


def test_without_a_reading_the_start_holds():
    found = learned_volumes([], ["S"], prior_ul=1.1, prior_cv=0.3)["S"]
    assert (found.ul.mean, found.usable) == (1.1, 0)
    assert found.cv == pytest.approx(0.3)


def test_a_known_spread_gives_the_closed_posterior():
    # Spread between sources all but fixed at 0: everybody has the common mean, the precision-weighted one.
    rows = [("a", 1.0, 0.04), ("b", 2.0, 0.01)]
    found = pooled_means(rows, ["a", "b"], prior_mean=0.0, prior_sd=10.0, between_sd=1e-6)
    weighted = (1.0 / 0.04 + 2.0 / 0.01) / (1 / 0.04 + 1 / 0.01 + 1 / 100)
    assert found["a"].mean == pytest.approx(weighted, rel=1e-4)
    assert found["a"].sd == pytest.approx((1 / 0.04 + 1 / 0.01 + 1 / 100) ** -0.5, rel=1e-3)
    assert found["a"].low < weighted < found["a"].high


def test_losses_are_the_slope_of_recounts():
    kept = Recounts("S", tuple((day, 1000 * 0.92**day) for day in (0, 5, 10, 15)))
    loss = kept.loss()
    assert loss is not None
    assert survival_of_loss(loss[0]) == pytest.approx(0.92)
    found = learned_survival([kept], ["S", "new"], prior=0.96, count_cv=0.05)
    assert 0.92 < survival_of_loss(found["S"].mean) < 0.93
    assert survival_of_loss(found["S"].mean) < survival_of_loss(found["new"].mean) < 0.96
    assert (found["S"].rows, found["new"].rows) == (1, 0)


def test_one_count_says_nothing_about_losses_and_drones_never_multiply():
    assert Recounts("S", ((3, 100.0),)).loss() is None
    assert Recounts("S", ((3, 100.0), (3, 90.0))).loss() is None
    assert Recounts("S", ((3, 100.0), (5, 0.0))).loss() is None
    assert learned_survival([], ["S"], prior=0.96, count_cv=0.1)["S"].mean == pytest.approx(-math.log(0.96))
    more = learned_survival([Recounts("S", ((0, 100.0), (10, 900.0)))], ["S"], prior=1.0, count_cv=0.01)
    assert more["S"] == LearnedMean(0.0, more["S"].sd, 1)


def test_drones_lost_in_the_hand_start_from_what_is_set():
    assert learned_lost_share(0, 0) == 0
    assert learned_lost_share(0, 0, prior=0.08) == pytest.approx(0.08)
    assert learned_lost_share(50, 950, prior=0.0) == pytest.approx(0.05)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: Tally("S", 3, 2), "3 usable of 2"),
        (lambda: Reading("S", 0, 2), "'S' needs ul"),
        (lambda: learned_shares([], ["S"], prior_mean=1.0, prior_kappa=3), "prior_mean is 1"),
        (lambda: learned_shares([], ["S"], prior_mean=0.5, prior_kappa=0), "prior_kappa is 0"),
        (lambda: learn([], ["S"], own_means={"S": 0}), "S is 0"),
        (lambda: pooled_means([("S", 1, 0)], ["S"], prior_mean=1, prior_sd=1, between_sd=1), "variances"),
        (lambda: learned_survival([], ["S"], prior=1.2, count_cv=0.1), "prior is 1.2"),
        (lambda: learned_lost_share(3, 2), "3 lost of 2"),
    ],
)
def test_nonsense_is_refused_by_name(call, words):
    with pytest.raises(ValueError, match=words):
        call()


def test_own_figures_of_a_source_without_readings_stand_as_they_are():
    start = Start(share=0.6, kappa=30.0, lost=0.0, ul=1.0, cv=0.3, own_uls=(("mine", 0.8), ("read", 1.2)))
    lots: tuple[LotRow, ...] = (("read", 1, 10, 0, 20, 110, 16), ("other", 1, 0, 5, 5, None, None))
    found = taught(lots, ("mine", "read", "other"), start)
    assert found.volumes["mine"].ul.mean == 0.8
    assert found.volumes["mine"].cv == pytest.approx(0.3)
    assert 1.1 < found.volumes["read"].ul.mean < 1.2
    assert found.shares["other"].tried == 0
    assert all(math.isfinite(mean.mean) for mean in found.volumes_by_age.values())
