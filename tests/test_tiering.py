"""Which error each stretch of a pass carries, and which of them share it: against the model written out."""

import numpy as np
import pytest
from helpers import Z, tier
from starts import side

from pipeline.core.converging import early_share
from pipeline.core.draws import StandardDraws
from pipeline.core.tier import Tier
from pipeline.core.tiering import Site, Zone, return_errors

ONE = tier(repeatable_m=0.1, id="one")
SLOW = Tier(
    id="slow", name="Invented", pass_to_pass_m=0.0, repeatable_m=0.1, baseline_growth=0.0, range_m=None,
    convergence_s=600.0, start_error_m=1.0, correlation_time_s=3600.0, frame="base",
)  # fmt: skip
TIERS = {"one": ONE, "slow": SLOW, "twin": Tier(**(vars(SLOW) | {"id": "twin"})), "free": tier(repeatable_m=0.1, id="free")}


def errors(strips, rows, *, autumn="as_logged", compare=("one",), site=None):
    how = {"autumn": autumn, "kind": "planted", "site": site or Site(), "steering_95_m": (0.0, 0.0)}
    return return_errors(TIERS, compare=list(compare), strips=strips, rows=rows, **how)


def test_passes_of_two_tiers_share_no_start_nor_anything_else():
    # Two services with the same figures, switched on at the same moment; draws must know what the formula knows.
    strips = side(["slow", "twin", "slow"], since=[[0.0, 0.0]] * 3)
    (error,) = errors(strips, side(["one"])).values()
    covariance = error.autumn.covariance()
    assert covariance[0, 1] == 0.0
    assert covariance[0, 2] == pytest.approx(covariance[0, 0])
    drawn = StandardDraws.seeded([error], draws=2**16, seed=1).errors([error])[0][0][0]
    np.testing.assert_allclose(np.cov(drawn), covariance, atol=0.01 * covariance[0, 0])


def test_where_a_tier_is_lost_each_pass_starts_for_itself():
    zones = ((0,), (0,), ())
    site = Site(zones=(Zone("*", 1.0, True),))
    (error,) = errors(side(["slow"] * 3, zones=zones), side(["one"]), site=site).values()
    covariance, lost = error.autumn.covariance(), (1.0**2 - 0.1**2) / Z**2 / 2
    settled = 0.1**2 / Z**2 / 2
    np.testing.assert_allclose(np.diag(covariance), [settled + lost, settled + lost, settled], rtol=1e-12)
    # The day's bias is shared by all; what the loss adds, by none.
    np.testing.assert_allclose(covariance[np.triu_indices(3, 1)], settled, rtol=1e-12)


def test_a_loss_counts_for_a_tier_that_converges_at_once():
    (error,) = errors(side(["one"], zones=((0,),)), side(["one"]), site=Site(zones=(Zone("*", 1.0, True),))).values()
    at_once = Tier(**(vars(ONE) | {"start_error_m": 1.0}))
    assert ONE.convergence_s == 0.0 and error.autumn.start_sd_m[0] == 0.0  # its error at switch-on is that ever after
    assert at_once.switched_on_sd_m() == pytest.approx(np.sqrt(1.0 - 0.1**2) / Z)


@pytest.mark.parametrize(
    ("strips", "rows", "share"), [("slow", "slow", 1.0), ("slow", "free", 0.5), ("free", "slow", 0.5), ("free", "free", 0.0)]
)
def test_each_season_has_half_of_what_a_base_may_have_moved(strips, rows, share):
    # `free` goes by no base.
    tiers = TIERS | {"free": Tier(**(vars(TIERS["free"]) | {"frame": "ITRF2020"}))}
    how = {"kind": "planted", "steering_95_m": (0.0, 0.0)}
    sds = [
        return_errors(
            tiers, compare=[rows], autumn=strips, strips=side(["", ""]), rows=side(["", ""]),
            site=Site(base_shift_95_m=shift), **how,
        )[rows].sd(np.array([0]), np.array([1]))[0]
        for shift in (0.0, 0.5)
    ]  # fmt: skip
    assert sds[1] ** 2 - sds[0] ** 2 == pytest.approx(share * (0.5 / Z) ** 2, abs=1e-12)


def test_stretches_count_as_early_up_to_the_very_second():
    # From 500 to 700 s with 600 s to converge: half of it. By hand.
    stretches = side(["slow"] * 4, since=[[0.0, 500.0], [500.0, 700.0], [700.0, 900.0], [np.nan, np.nan]]).stretches
    np.testing.assert_allclose(early_share(stretches, 600.0), [1.0, 0.5, 0.0, 0.0])
    np.testing.assert_allclose(early_share(stretches, np.array([250.0, 500.0, 800.0, 9.0])), [0.5, 0.0, 0.5, 0.0])
