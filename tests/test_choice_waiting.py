"""The wait that a choice pays for is one that its losses have had, after each start of the log: by quadrature."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from helpers import INCH, SPACING_M, Z
from scipy.integrate import quad, simpson
from scipy.stats import norm
from starts import HALF_WIDTH_M, PASS_S, catalogue, sd_after, side, times
from workflow import LENGTH_M, ROWS, config, passes_of, run_steps, write_coop

from pipeline.core.draws import FIELD_DRAWS
from pipeline.core.field_loss import LOSS_DRAWS
from pipeline.core.tier import Tier
from pipeline.core.tiering import Site, return_errors

BEGUN_S = [0.0, 120.0, 240.0, 360.0]


#: Whose wait is paid for: an hour that costs nothing is a price, no price is none.
PAID = {"machine_hour": "0 USD/h", "days_per_season": 10}


def run(folder, *, waited: str, timed: bool = True, paid: dict = PAID) -> tuple[pd.Series, pd.Series]:
    """Lines of the losses and of field_tier.csv of one field planted right on its strips, from one start on."""
    folder.mkdir()
    rows = passes_of(1)
    write_coop(folder, strips=passes_of(1), rows=times(rows, BEGUN_S) if timed else rows)
    settings = config(folder)
    if timed:
        settings["inputs"]["rows"]["columns"] |= {"started_at": "T0", "ended_at": "T1"}
    settings["tiers"] = {"catalogue": catalogue(folder), "compare": ["slow"]}
    settings["costs"] = {
        "currency": "USD", "crop": {"price": "4 USD/bu"}, "response": {"curve": "yuma_2007"},
        "tiers": {"slow": {"fee": "0 USD"}}, "waited_share": waited, **paid,
    }  # fmt: skip
    tables = run_steps(settings, folder)
    parts = [pd.read_parquet(one / "losses.parquet") for one in sorted((folder / "work/odds").iterdir())]
    table = pd.concat(parts).set_index("field_id")
    return table.loc["F0"], tables["fields"].set_index("field_id").loc["F0"]


@pytest.mark.parametrize("paid", [{}, PAID | {"starts_per_day": 0}, PAID | {"days_per_season": 0}])
def test_nobody_waits_where_nobody_pays_for_it(paid, tmp_path):
    losses, _ = run(tmp_path / "unpaid", waited="100 %", paid=paid)
    at_once, _ = run(tmp_path / "at once", waited="0 %")
    waited, _ = run(tmp_path / "waited", waited="100 %")
    assert losses.equals(at_once)
    assert losses["loss_m2"] > 2 * waited["loss_m2"]


def lost(sd_m: float) -> float:
    """Loss of Yuma 2007 (trade report, read) by the nearest strip, expected under a normal error."""
    x = np.linspace(-9 * sd_m, 9 * sd_m, 20_001)
    near = np.abs(x - SPACING_M * np.round(x / SPACING_M))
    return float(simpson(np.interp(near, [0.0, 4 * INCH, 8 * INCH], [0.0, 0.0, 28.5]) * norm.pdf(x, 0.0, sd_m), x=x))


def over_the_log(figure, wait_s: float) -> float:
    """A figure's mean over the field: passes of a minute each at an even speed, begun after the wait."""
    return sum(quad(lambda s: figure(sd_after(s + wait_s)), a, a + PASS_S, epsrel=1e-6)[0] for a in BEGUN_S) / 4 / PASS_S


@pytest.mark.parametrize(("waited", "wait_s"), [("0 %", 0.0), ("50 %", 300.0), ("100 %", 600.0)])
def test_losses_after_the_wait_by_quadrature(waited, wait_s, tmp_path):
    losses, field = run(tmp_path / "one", waited=waited)
    rows_m = 4 * ROWS * LENGTH_M
    # Stretches bridge the falling error to a few per cent of what the start adds; the layer's plane is not quite true.
    missed = over_the_log(lambda sd: 2 * norm.sf(HALF_WIDTH_M / sd), wait_s) * rows_m
    assert losses["expected_miss_m"] == pytest.approx(missed, rel=5e-3)
    loss = over_the_log(lost, wait_s) * rows_m * SPACING_M
    assert losses["loss_m2"] == pytest.approx(loss, rel=1e-2)
    # The draws are of the same springs: within four standard errors of so many.
    drawn = ((losses["missed_levels_m"], missed, FIELD_DRAWS), (losses["loss_levels_m2"], loss, LOSS_DRAWS))
    for levels, mean, draws in drawn:
        assert levels.mean() == pytest.approx(mean, abs=4.0 * levels.std() / np.sqrt(draws))
    # What the tables say of the tier is what happens where nobody waits.
    unwaited = over_the_log(lambda sd: 2 * norm.sf(HALF_WIDTH_M / sd), 0.0) * rows_m
    assert field["expected_miss_m"] == pytest.approx(unwaited, rel=5e-3)
    assert wait_s == 0.0 or missed < 0.8 * unwaited


def test_without_times_there_is_no_start_to_wait_after(tmp_path):
    one, other = (run(tmp_path / name, waited=waited, timed=False)[0] for name, waited in (("a", "0 %"), ("b", "100 %")))
    assert one["loss_m2"] == other["loss_m2"] > 0.0 and one["expected_miss_m"] == other["expected_miss_m"]


@pytest.mark.parametrize(("autumn", "waits"), [("same", True), ("as_logged", False), ("slow", False)])
def test_strips_that_are_made_already_wait_no_longer(autumn, waits):
    slow = Tier(
        id="slow", name="Invented", pass_to_pass_m=0.0, repeatable_m=0.1, baseline_growth=0.0, range_m=None,
        convergence_s=600.0, start_error_m=1.0, correlation_time_s=3600.0, frame="base",
    )  # fmt: skip
    (error,) = return_errors(
        {"slow": slow}, compare=["slow"], autumn=autumn, kind="planted", strips=side(["slow"], since=[[60.0, 60.0]]),
        rows=side(["slow"], since=[[60.0, 60.0]]), site=Site(), steering_95_m=(0.0, 0.0), waited_share=0.25,
    ).values()  # fmt: skip

    def left_m(since_s: float) -> float:
        """Of one visit: half of R(t)^2 - R^2."""
        r = 0.1 + 0.9 * np.exp(-3 * since_s / 600.0)
        return np.sqrt((r**2 - 0.1**2) / 2) / Z

    assert error.spring.start_sd_m[0] == pytest.approx(left_m(60.0 + 150.0))
    assert error.autumn.start_sd_m[0] == pytest.approx(left_m(60.0 + 150.0 * waits))


def test_as_logged_nobody_waits():
    # A run has a stand-in for the tiers of its log; one pays for no wait under it, and it is as where none is paid for.
    one = Tier(
        id="slow", name="Invented", pass_to_pass_m=0.0, repeatable_m=0.1, baseline_growth=0.0, range_m=None,
        convergence_s=600.0, start_error_m=1.0, correlation_time_s=3600.0, frame="base",
    )  # fmt: skip
    (error,) = return_errors(
        {"slow": one, "as_logged": replace(one, id="as_logged")}, compare=["as_logged"], autumn="as_logged", kind="planted",
        strips=side(["slow"], since=[[60.0, 60.0]]), rows=side(["slow"], since=[[60.0, 60.0]]), site=Site(),
        steering_95_m=(0.0, 0.0), waited_share=1.0,
    ).values()  # fmt: skip
    r = 0.1 + 0.9 * np.exp(-3 * 60.0 / 600.0)
    assert error.spring.start_sd_m[0] == error.autumn.start_sd_m[0] == pytest.approx(np.sqrt((r**2 - 0.1**2) / 2) / Z)
