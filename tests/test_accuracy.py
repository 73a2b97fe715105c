"""Conversions of accuracy measures, against closed forms and published ratios."""

import math

import pytest

from pipeline.core.accuracy import SIGMAS_OF_MEASURE, Z95, cross_track_95
from pipeline.core.tier import Tier
from pipeline.errors import ConfigError

# Closed form for a circular normal, times sigma per axis (computed).
CLOSED_FORM = {
    "cep": 1.17741,
    "rms_2d": 1.41421,
    "r95_2d": 2.44775,
    "cross_track_95": 1.95996,
    "drms2": 2 * 1.41421,
}
# F. van Diggelen, "GPS Accuracy: Lies, Damn Lies, and Statistics", GPS World, January 1998 (read in reprint).
PUBLISHED_RATIOS = [
    ("r95_2d", "cep", "2.1"),
    ("r95_2d", "rms_2d", "1.7"),
    ("drms2", "cep", "2.4"),
    ("rms_2d", "cep", "1.2"),
]


@pytest.mark.parametrize(("measure", "sigmas"), CLOSED_FORM.items())
def test_factor_is_the_closed_form(measure, sigmas):
    assert SIGMAS_OF_MEASURE[measure] == pytest.approx(sigmas, abs=2e-5)
    assert cross_track_95(sigmas, measure=measure, basis="return") == pytest.approx(1.95996, abs=5e-5)


@pytest.mark.parametrize(("larger", "smaller", "ratio"), PUBLISHED_RATIOS)
def test_ratio_is_the_published_one(larger, smaller, ratio):
    assert f"{SIGMAS_OF_MEASURE[larger] / SIGMAS_OF_MEASURE[smaller]:.1f}" == ratio


def test_one_visit_is_sqrt_2_better_than_a_return():
    assert cross_track_95(1.0, measure="cross_track_95", basis="absolute") == pytest.approx(math.sqrt(2))


@pytest.mark.parametrize(("value", "measure", "basis"), [(-1, "cep", "return"), (math.nan, "cep", "return")])
def test_refuses_bad_figures(value, measure, basis):
    with pytest.raises(ConfigError, match="finite"):
        cross_track_95(value, measure=measure, basis=basis)


def test_unknown_measure_names_the_nearest():
    with pytest.raises(ConfigError, match="did you mean 'r95_2d'"):
        cross_track_95(1.0, measure="r95", basis="return")


def tier(**changes):
    figures = {
        "id": "t", "name": "T", "pass_to_pass_m": 0.02, "repeatable_m": 0.1, "baseline_growth": 2e-6,
        "range_m": 10e3, "convergence_s": 60.0, "start_error_m": 1.0, "correlation_time_s": 1800.0, "frame": "base",
    }  # fmt: skip
    return Tier(**(figures | changes))


def test_spread_gives_both_figures_back():
    spread = tier().spread()
    pass_var = 2 * spread.drift_sd_m**2 * (1 - math.exp(-900 / 1800))
    assert Z95 * math.sqrt(pass_var) == pytest.approx(0.02)
    assert Z95 * math.sqrt(spread.bias_sd_m**2 + 2 * spread.drift_sd_m**2) == pytest.approx(0.1)
    assert not spread.drift_rules


def test_repeatable_rules_where_drift_would_exceed_it():
    spread = tier(repeatable_m=0.02).spread()
    assert spread.drift_rules
    assert spread.bias_sd_m == 0.0
    assert 2 * spread.drift_sd_m**2 == pytest.approx(spread.repeatable_sd_m**2)


def test_error_grows_with_the_baseline_and_ends_at_the_range():
    assert tier().repeatable_at(5e3) == pytest.approx(0.11)
    assert tier().repeatable_at(None) == 0.1
    assert tier().in_reach(10e3)
    assert not tier().in_reach(10e3 + 1)


@pytest.mark.parametrize(
    "change",
    [
        {"repeatable_m": -1.0},
        {"correlation_time_s": 0.0},
        {"range_m": 0.0},
        {"start_error_m": math.inf},
        {"id": "A b"},
    ],
)
def test_tier_refuses(change):
    with pytest.raises(ConfigError, match="expected"):
        tier(**change)


def test_a_tier_without_error_spreads_nothing():
    spread = tier(pass_to_pass_m=0.0, repeatable_m=0.0).spread()
    assert (spread.repeatable_sd_m, spread.bias_sd_m, spread.drift_sd_m) == (0.0, 0.0, 0.0)
