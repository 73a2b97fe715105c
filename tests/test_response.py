"""Expected loss of a curve: against numerical integration (SciPy), and curves as files have them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import norm
from workflow import PROJECT

from pipeline.core.field_loss import LEVELS, levels_of
from pipeline.core.place_odds import miss_any_probability
from pipeline.core.response import Response
from pipeline.errors import ConfigError
from pipeline.files.cost_models import Costs
from pipeline.files.responses import chosen_curve, load_curves, priced

INCH, ACRE_M2 = 0.0254, 4046.8564224
CURVE = Response(np.array([0.02, 0.1, 0.2, 0.3]), np.array([0.5, 0.0, 20.0, 28.0]))


def integrated(loss, mean: float, sd: float, kinks: np.ndarray) -> float:
    """The expectation of a loss by SciPy's quadrature between its kinks."""
    inside = np.sort(kinks[np.abs(kinks - mean) < 9 * sd])
    ends = [mean - 9 * sd, *inside, mean + 9 * sd]
    one = lambda x: float(loss(np.array([x]))[0]) * norm.pdf(x, mean, sd)  # noqa: E731
    return sum(quad(one, a, b, epsabs=1e-10)[0] for a, b in zip(ends[:-1], ends[1:], strict=True))


def nearest(offset_m: np.ndarray, spacing_m: float) -> np.ndarray:
    """Loss where strips repeat and the nearest one counts."""
    return CURVE.at(offset_m - spacing_m * np.round(offset_m / spacing_m))


@settings(max_examples=25, deadline=None)
@given(st.floats(-0.5, 0.5), st.floats(0.003, 0.6))
def test_expected_loss_of_one_strip_and_of_the_nearest(mean, sd):
    both = np.r_[-CURVE.distance_m, CURVE.distance_m]
    assert CURVE.expected(np.array([mean]), sd)[0] == pytest.approx(integrated(CURVE.at, mean, sd, both), abs=1e-5)
    spacing = 0.762
    strips = spacing * np.arange(-9, 10)
    kinks = np.concatenate([strips + 0.5 * spacing, *(strips + x for x in both)])
    near = integrated(lambda x: nearest(x, spacing), mean, sd, kinks)
    assert CURVE.expected(np.array([mean]), sd, spacing)[0] == pytest.approx(near, abs=1e-5)


def test_without_an_error_it_is_the_curve():
    x = np.linspace(-1, 1, 201)
    np.testing.assert_allclose(CURVE.expected(x, 0.0), np.interp(np.abs(x), CURVE.distance_m, CURVE.loss), atol=1e-12)
    # Nearest strip by hand: of 0.70 m the next strip, at 0.762 m, is 0.062 m away, where 0.02 to 0.1 m goes 0.5 to 0.
    assert CURVE.expected(np.array([0.70]), 0.0, 0.762)[0] == pytest.approx(0.5 * (0.1 - 0.062) / 0.08)


def test_a_curve_is_not_extrapolated():
    # Far beyond the last point the loss is the last one's, whatever the slope before it.
    assert CURVE.at(np.array([0.31, 5.0])).tolist() == [28.0, 28.0]
    assert CURVE.expected(np.array([3.0]), 0.1)[0] == pytest.approx(28.0)


def test_levels_keep_the_mean_and_the_order():
    draws = np.random.default_rng(1).exponential(size=32 * LEVELS)
    levels = levels_of(draws)
    assert levels.mean() == pytest.approx(draws.mean()) and (np.diff(levels) >= 0).all()
    # Quantiles of an exponential: -ln(1 - p).
    np.testing.assert_allclose(np.quantile(levels, [0.1, 0.5, 0.9]), -np.log([0.9, 0.5, 0.1]), rtol=0.08)


@settings(max_examples=25, deadline=None)
@given(st.floats(-0.5, 0.5), st.floats(0.003, 0.3), st.sampled_from([0.01, 0.05, 0.15, 0.2, 0.25, 0.3]))
def test_loss_beyond_what_was_measured(mean, sd, far):
    """The loss there, and what the curve assumes on top of it, are the loss where the nearest strip is farther away."""
    spacing, one = 0.762, Response(CURVE.distance_m, CURVE.loss, far)
    strips = spacing * np.arange(-9, 10)
    kinks = np.concatenate([*(strips + x for x in (*CURVE.distance_m, *-CURVE.distance_m, far, -far)), strips + spacing / 2])

    def beyond(x: np.ndarray) -> np.ndarray:
        away = np.abs(x - spacing * np.round(x / spacing))
        return nearest(x, spacing) * (away > far)

    said = one.loss_at_measured * miss_any_probability(np.array([mean]), far, sd, spacing)
    said = said + one.assumed().expected(np.array([mean]), sd, spacing)
    assert said[0] == pytest.approx(integrated(beyond, mean, sd, kinks), abs=1e-4)


def test_a_curve_was_measured_to_its_last_point_if_nothing_else_is_said():
    assert CURVE.measured_to_m == 0.3 and CURVE.assumed().at(np.array([0.0, 0.5])).tolist() == [0.0, 0.0]
    # Halfway from 20 at 0.2 m to 28 at 0.3 m; what is assumed on top of it goes up by the other half.
    half = Response(CURVE.distance_m, CURVE.loss, 0.25)
    assert half.loss_at_measured == pytest.approx(24.0)
    assert half.assumed().at(np.array([0.25, 0.275, 0.3, 1.0])) == pytest.approx([0.0, 2.0, 4.0, 4.0])


# --- files ---


def costs(curve: str, crop: dict, file: str = "shared/responses.yaml") -> Costs:
    return Costs.model_validate({
        "currency": "USD", "crop": crop, "response": {"curve": curve, "file": file}, "tiers": {"sbas": {"fee": "0 USD"}},
    })  # fmt: skip


def chosen(one: Costs):
    return chosen_curve(one, project=PROJECT, working_dir=PROJECT)


def test_shipped_curves_say_what_was_published():
    curves = load_curves(PROJECT / "shared/responses.yaml")
    assert all(one.source and one.read_in and one.limits for one in curves.values())
    at = {name: Response(*np.array(one.points).T) for name, one in curves.items()}
    # Yuma, Colorado, 2007: none lost to 4 in, 28.5 bu/ac at 8 in (trade report, read). Goodwell, Oklahoma, 2007: no loss to
    # 4.5 in, then 6 bu/ac an inch (trade report of the university's trial, read). Eastern Kansas: best within 10 cm, none of
    # the benefit at 20 and 38 cm (Adee, Hansel, Ruiz Diaz, Janssen 2016, Front. Plant Sci., doi 10.3389/fpls.2016.01232,
    # abstract, read).
    assert at["yuma_2007"].at(INCH * np.array([0, 4, 8])) == pytest.approx([0, 0, 28.5])
    assert at["goodwell_2007"].at(INCH * np.array([0, 4.5, 5.5, 7.5])) == pytest.approx([0, 0, 6, 18])
    assert at["kansas_benefit"].at(np.array([0.1, 0.2, 0.38])) == pytest.approx([0, 1, 1])
    # How far out Goodwell's rows were was not told; that nothing is lost to 4.5 in was.
    measured = {name: one.measured_to_m / INCH for name, one in curves.items()}
    assert measured == pytest.approx({"yuma_2007": 8, "goodwell_2007": 4.5, "kansas_benefit": 38 / 2.54})


def test_losses_in_units_that_have_a_price():
    # 1 bu/ac on a square metre is 1/4046.86 bu; 56 lb of 0.45359237 kg a bushel of corn (common practice, no source).
    yuma = priced(chosen(costs("yuma_2007", {"price": "4.20 USD/bu"})), costs("yuma_2007", {"price": "4.20 USD/bu"}))
    assert (yuma.quantity, yuma.unit, yuma.price) == (pytest.approx(1 / ACRE_M2, rel=1e-5), "bu", "4.20")
    by_weight = costs("yuma_2007", {"price": "165 USD/t", "bushel": "56 lb"})
    assert priced(chosen(by_weight), by_weight).quantity == pytest.approx(56 * 0.45359237e-3 / ACRE_M2, rel=1e-5)
    worth = costs("kansas_benefit", {"strip_value": "60 USD/ac"})
    assert priced(chosen(worth), worth).quantity == pytest.approx(1 / ACRE_M2, rel=1e-5)


@pytest.mark.parametrize(
    ("curve", "crop", "said"),
    [
        ("yuma_2007", {"price": "165 USD/t"}, "add bushel"),
        ("kansas_benefit", {"price": "4 USD/bu"}, "give strip_value"),
        ("yuma_2700", {"price": "4 USD/bu"}, "did you mean 'yuma_2007'"),
    ],
)
def test_what_does_not_go_together_is_refused(curve, crop, said):
    one = costs(curve, crop)
    with pytest.raises(ConfigError, match=said):
        priced(chosen(one), one)


@pytest.mark.parametrize(
    ("points", "said"),
    [
        ("[[0 in, 0]]", "two or more"), ("[[0, 0], [4, 1]]", "has no unit"), ("[[4 in, 0], [2 in, 1]]", "do not rise"),
        ("[[0 in, 0], [4 in, .nan]]", "not finite"), ("[[0 in, 0], [4 in, a]]", "two or more"),
    ],
)  # fmt: skip
def test_a_curve_that_is_none_is_refused(points, said, tmp_path):
    refused(points, said, tmp_path)


@pytest.mark.parametrize(
    ("far", "said"), [("9 in", "no more than the last"), ("0 in", "more than 0"), ("5", "no unit"), ("4 s", "measured_to")]
)
def test_how_far_it_was_measured_is_no_farther_than_it_goes(far, said, tmp_path):
    refused(f"[[0 in, 0], [8 in, 1]], measured_to: {far}", said, tmp_path)


def refused(points: str, said: str, tmp_path) -> None:
    file = tmp_path / "mine.yaml"
    text = f"- {{id: a, name: A, unit: bu/ac, points: {points}, source: invented, read_in: nowhere, limits: invented}}\n"
    file.write_text(text)
    with pytest.raises(ConfigError, match=said):
        load_curves(file)
