"""What tallies and readings teach of drones of one age: held against draws from the model, and against scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from scheduling.planning.ages import AGE_PART, BANDS, age_of_lot, band_of, means_by_age, shares_by_age
from scheduling.planning.learning import Tally, learned_of, learned_shares, level_part, logit_spread
from scheduling.planning.pooling import pooled_means, spreads
from scheduling.planning.taught import LotRow, Start, taught

MEAN, KAPPA = 0.595, 30.0
START = Start(share=MEAN, kappa=KAPPA, lost=0.0, ul=1.0, cv=0.3)
AGES = (5, 15, 19, 25, 30)  # one of each band


def learn(tallies: list[Tally], sources: list[str]):
    learned = learned_of(tallies, sources, prior_mean=MEAN, prior_kappa=KAPPA)
    return learned, shares_by_age(tallies, learned, sources, prior_mean=MEAN, prior_kappa=KAPPA)


def test_bands_follow_one_another_without_a_gap():
    assert [band_of(age) for age in (0, 13, 14, 17, 18, 21, 22, 28, 29, 60)] == [0, 0, 1, 1, 2, 2, 3, 3, 4, 4]
    assert [(band.first, band.last) for band in BANDS] == [(0, 13), (14, 17), (18, 21), (22, 28), (29, None)]


@pytest.mark.parametrize(
    ("youngest", "oldest", "age"),
    [(14, 17, 15), (16, None, 16), (None, 20, 20), (None, None, None), (14, 21, 17), (14, 22, None)],
)
def test_a_lot_stands_for_the_middle_of_its_drones_unless_they_lie_far_apart(youngest, oldest, age):
    assert age_of_lot(youngest, oldest) == age


def test_with_no_age_on_record_everything_is_as_without_ages():
    lots: tuple[LotRow, ...] = (
        ("a", 1, 40, 3, 100, 420, None),
        ("a", 2, 30, 0, 60, 300, None),
        ("b", 2, 5, 1, 9, None, None),
    )
    found = taught(lots, ("a", "b", "new"), START)
    assert (found.shares_by_age, found.volumes_by_age) == ({}, {})
    plain = [Tally("a", 40, 97), Tally("a", 30, 60), Tally("b", 5, 8)]
    assert found.shares == learned_shares(plain, ("a", "b", "new"), prior_mean=MEAN, prior_kappa=KAPPA)
    assert means_by_age([("a", None, 1.0, 0.1)], ["a"], prior_mean=1, prior_sd=1, between_sd=1) == {}


def test_ages_on_record_leave_what_is_known_of_a_source_as_it_is():
    lots = [("a", 1, 40, 3, 100, 420, 15), ("a", 1, 8, 0, 30, 90, 25), ("b", 2, 5, 1, 9, None, None)]
    without = taught(tuple((*lot[:6], None) for lot in lots), ("a", "b"), START)
    aged = taught(tuple(lots), ("a", "b"), START)
    assert (aged.shares, aged.volumes, aged.lost, aged.sessions) == (
        without.shares,
        without.volumes,
        without.lost,
        without.sessions,
    )
    assert aged.shares_by_age["a", 3].mean < aged.shares_by_age["a", 1].mean
    assert {key: (s.usable, s.tried) for key, s in aged.shares_by_age.items() if s.tried} == {
        ("a", 1): (40, 97),
        ("a", 3): (8, 30),
    }


def test_few_drones_of_an_age_are_taken_to_be_like_the_source():
    tallies = [Tally(name, 60, 100, age) for name in "bcde" for age in (15, 15, 19, 19, 25, 25)]
    tallies += [*[Tally("a", 40, 100, 16)] * 6, Tally("a", 3, 3, 25)]
    learned, by_age = learn(tallies, ["a"])
    own = learned.shares["a"].mean
    assert own == pytest.approx(0.42, abs=0.02)
    assert by_age["a", 1].mean == pytest.approx(own, abs=0.02)
    assert own < by_age["a", 2].mean < own + 0.07  # never tried
    assert own < by_age["a", 3].mean < own + 0.06  # three of three are not believed
    width = {band: by_age["a", band].high - by_age["a", band].low for band in (1, 2, 3)}
    assert width[1] < min(width[2], width[3])


def test_one_source_at_one_age_leaves_open_whether_age_or_source_gives_little():
    learned, by_age = learn([Tally("a", 40, 100, 16)] * 6, ["a", "new"])
    assert learned.shares["a"].mean < by_age["a", 3].mean < MEAN
    assert by_age["new", 1].mean < by_age["new", 3].mean < MEAN


def test_what_an_age_does_to_all_sources_is_expected_of_one_that_nobody_tried_at_it():
    tallies = []
    for source in "abcdef":
        tallies += [*[Tally(source, 60, 100, 15)] * 4, *[Tally(source, 40, 100, 25)] * 4]
    tallies += [Tally("young", 60, 100, 15)] * 4
    learned, by_age = learn(tallies, ["a", "young", "new"])
    assert by_age["a", 3].mean == pytest.approx(0.4, abs=0.03)
    assert by_age["young", 3].mean < by_age["young", 1].mean - 0.1
    assert by_age["new", 3].mean < by_age["new", 1].mean - 0.1
    assert by_age["a", 3].low < 0.4 < by_age["a", 3].high
    assert learned.shares["a"].mean == pytest.approx(0.5, abs=0.02)


def log_normal(random: np.random.Generator, size: int):
    """Spreads about 1, as `pooling.spreads` has them on a grid."""
    return np.exp(random.normal(-0.405, 0.9, size))


def test_shares_at_an_age_lie_where_they_are_said_to_lie():
    # 40 cooperatives of 8 sources drawn from the model, tried at three ages, with spreads as it believes them: the band
    # of 80 % holds the share of a source's drones at an age, tried at it or not, and a day to come falls below its own
    # tenth about every tenth time.
    random = np.random.default_rng(11)
    part = level_part(KAPPA)
    level = 1 / part - 1
    tried: list[bool] = []
    untried: list[bool] = []
    day, apart = [], []
    for _world in range(40):
        common, spread = random.beta(MEAN * level, (1 - MEAN) * level), log_normal(random, 6)
        own = 1 / (AGE_PART * part * spread[5]) - 1
        of_age = random.normal(0, logit_spread(MEAN, AGE_PART * part), 5) * np.sqrt(spread[:5])
        truth, tallies = {}, []
        for source in map(str, range(8)):
            share = random.beta(common * level, (1 - common) * level)
            middle = 1 / (1 + np.exp(-(math.log(share / (1 - share)) + of_age)))
            truth[source] = random.beta(middle * own, (1 - middle) * own)
            for _session in range(int(random.integers(0, 7))):
                band, n = int(random.integers(1, 4)), int(random.integers(5, 120))
                today = random.beta(truth[source][band] * level, (1 - truth[source][band]) * level)
                tallies.append(Tally(source, int(random.binomial(n, today)), n, AGES[band]))
        learned, by_age = learn(tallies, list(truth))
        for (source, band), share in by_age.items():
            if band in (1, 2, 3):
                true = truth[source][band]
                (tried if share.tried else untried).append(share.low <= true <= share.high)
                tenth = stats.beta.ppf(0.1, share.mean * share.kappa, (1 - share.mean) * share.kappa)
                day.append(stats.beta.cdf(tenth, true * level, (1 - true) * level))
                apart.append(((share.mean - true) ** 2, (learned.shares[source].mean - true) ** 2))
    # Four errors of independent cells: those of one cooperative share their age's effect.
    assert np.mean(tried) == pytest.approx(0.8, abs=4 * math.sqrt(0.16 / len(tried)))
    assert np.mean(untried) == pytest.approx(0.8, abs=4 * math.sqrt(0.16 / len(untried)))
    assert np.mean(day) == pytest.approx(0.1, abs=0.02)
    with_age, without = np.sqrt(np.mean(apart, axis=0))
    assert with_age < without


def test_one_source_at_one_age_is_the_posterior_that_drawing_from_the_model_gives():
    # One source, one age, four sessions: the very model drawn 200,000 times and weighed by scipy's beta-binomial.
    tallies = [Tally("a", k, 40, 25) for k in (14, 18, 16, 11)]
    learned, by_age = learn(tallies, ["a"])
    random, part = np.random.default_rng(3), level_part(KAPPA)
    factors, chances = spreads()
    grid = np.linspace(0.005, 0.995, 199)
    n = 200_000
    p = random.choice(grid, n, p=learned.others[learned.names.index("a")])
    sd = logit_spread(MEAN, AGE_PART * part) * np.sqrt(random.choice(factors, n, p=chances))
    own = 1 / (AGE_PART * part * random.choice(factors, n, p=chances)) - 1
    middle = 1 / (1 + np.exp(-(np.log(p / (1 - p)) + random.normal(0, sd))))
    q = random.beta(middle * own, (1 - middle) * own)
    kappa = 1 / learned.day - 1
    weights = np.prod([stats.betabinom.pmf(t.usable, t.tried, q * kappa, (1 - q) * kappa) for t in tallies], axis=0)
    weights /= weights.sum()
    mean = float(weights @ q)
    assert by_age["a", 3].mean == pytest.approx(mean, abs=0.005)
    order = np.argsort(q)
    low, high = np.interp((0.1, 0.9), np.cumsum(weights[order]), q[order])
    assert (by_age["a", 3].low, by_age["a", 3].high) == (
        pytest.approx(low, abs=0.01),
        pytest.approx(high, abs=0.01),
    )


def test_volumes_by_age_are_the_conditional_normal_of_the_whole_model():
    random = np.random.default_rng(1)
    names = ["s0", "s1", "s2", "s3", "new"]
    rows = [
        (
            f"s{random.integers(4)}",
            (None, 15, 19, 25)[random.integers(4)],
            float(random.normal(1, 0.2)),
            float(random.uniform(0.001, 0.02)),
        )
        for _ in range(25)
    ]
    found = means_by_age(rows, names, prior_mean=1.0, prior_sd=0.15, between_sd=0.1)
    factors, chances = spreads()
    bands = len(BANDS)

    def loading(source: int, band: int | None):
        row = np.zeros(1 + len(names) + bands + len(names) * bands)
        row[0] = row[1 + source] = 1
        if band is not None:
            row[1 + len(names) + band] = row[1 + len(names) + bands + source * bands + band] = 1
        return row

    seen = np.array([loading(names.index(s), None if age is None else band_of(age)) for s, age, _v, _e in rows])
    cells = np.array([loading(s, band) for s in range(len(names)) for band in range(bands)])
    values, errors = np.array([row[2] for row in rows]), np.diag([row[3] for row in rows])
    logs, means, variances = [], [], []
    for b, b_chance in zip(factors, chances, strict=True):
        for x, x_chance in zip(factors, chances, strict=True):
            of_age = AGE_PART * (0.1 * x) ** 2
            own = np.r_[0.15**2, np.full(len(names), (0.1 * b) ** 2), np.full(bands * (len(names) + 1), of_age)]
            whole = seen * own @ seen.T + errors
            gain = cells * own @ seen.T @ np.linalg.inv(whole)
            logs.append(
                math.log(b_chance * x_chance) + stats.multivariate_normal(np.full(len(rows), 1.0), whole).logpdf(values)
            )
            means.append(1.0 + gain @ (values - 1.0))
            variances.append(np.diag(cells * own @ cells.T - gain @ (seen * own) @ cells.T))
    weights = np.exp(np.array(logs) - max(logs))
    weights /= weights.sum()
    mean = weights @ np.array(means)
    sd = np.sqrt(weights @ (np.array(variances) + (np.array(means) - mean) ** 2))
    cell = [(name, band) for name in names for band in range(bands)]
    assert [found[at].mean for at in cell] == pytest.approx(mean.tolist())
    assert [found[at].sd for at in cell] == pytest.approx(sd.tolist())
    assert found["new", 3].rows == 0
    assert sum(learned.rows for learned in found.values()) == sum(age is not None for _s, age, _v, _e in rows)


def test_rows_without_an_age_alone_teach_a_source_what_they_taught_before():
    # One aged row of next to no weight: everything else follows from the rows without an age.
    rows = [("a", None, 1.2, 0.01), ("b", None, 0.9, 0.02)]
    start = {"prior_mean": 1.0, "prior_sd": 0.15, "between_sd": 0.1}
    plain = pooled_means([(s, value, error) for s, _age, value, error in rows], ["a", "b"], **start)
    aged = means_by_age([*rows, ("b", 15, 1.0, 1e9)], ["a", "b"], **start)
    assert aged["a", 2].mean == pytest.approx(plain["a"].mean, abs=1e-6)
    assert aged["a", 2].sd > plain["a"].sd


def test_old_drones_that_give_less_are_expected_to_give_less():
    lots = [(name, 10 * i + s, 20, 0, 40, 200, 15) for i, name in enumerate("abcd") for s in range(4)]
    lots += [(name, 100 + 10 * i + s, 20, 0, 40, 120, 25) for i, name in enumerate("abc") for s in range(4)]
    found = taught(tuple(lots), ("a", "d"), START)
    assert found.volumes_by_age["a", 3].mean == pytest.approx(0.6, abs=0.08)
    assert found.volumes_by_age["d", 3].mean < found.volumes_by_age["d", 1].mean - 0.15
