"""Which error each stretch of a pass carries, and which of them share it: against the model written out."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from helpers import Z, tier
from scipy import integrate
from starts import side

from pipeline.core.converging import early_share
from pipeline.core.draws import StandardDraws
from pipeline.core.regains import ReceiverWays, regains
from pipeline.core.signals import Regain
from pipeline.core.tier import Tier
from pipeline.core.tiering import Site, Zone, return_errors, since_signal

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


def started_95_m(seconds):
    """R(t) of the tier `slow` written out, 95 % [m]: from 1 m to 10 cm in ten minutes."""
    return 0.1 + 0.9 * np.exp(-3 * seconds / 600.0)


def start_variance(stretches_s):
    """What a visit has on top of a converged one: half the mean of R(t)^2 - R^2 over each span of time, by SciPy."""

    def more(seconds):
        return (started_95_m(seconds) ** 2 - 0.1**2) / Z**2 / 2

    return [integrate.quad(more, a, b)[0] / (b - a) if b > a else more(a) for a, b in stretches_s]


def test_a_receiver_converges_anew_once_its_tier_is_had_again():
    # Switched on at 10,000 s; had again at 11,000 s, which counts from then on, and not before.
    since = [[0.0, 100.0], [990.0, 1000.0], [1000.0, 1060.0], [1300.0, 1300.0]]
    strips = side(["slow"] * 4, since=since, start_s=10_000.0, regains=[Regain(11_000.0, "slow", False, 0)])
    (error,) = errors(strips, side(["one"])).values()
    settled = 0.1**2 / Z**2 / 2
    wanted = start_variance([(0.0, 100.0), (990.0, 1000.0), (0.0, 60.0), (300.0, 300.0)])
    np.testing.assert_allclose(np.diag(error.autumn.covariance()) - settled, wanted, rtol=1e-6)
    # Those after the same regain share what is left of it, with each other and not with the start.
    shared = error.autumn.covariance() - settled
    assert shared[0, 1] == pytest.approx(np.sqrt(wanted[0] * wanted[1]), rel=1e-6)
    assert shared[2, 3] == pytest.approx(np.sqrt(wanted[2] * wanted[3]), rel=1e-6)
    assert abs(shared[1, 2]) < 1e-15 and abs(shared[0, 3]) < 1e-15


@pytest.mark.parametrize(("came_back", "counts"), [("slow", True), ("*", True), ("twin", False)])
def test_what_came_back_is_the_tier_named_or_all(came_back, counts):
    strips = side(["slow"], since=[[5000.0, 5000.0]], regains=[Regain(4990.0, came_back, False, 0)])
    (error,) = errors(strips, side(["one"])).values()
    after_start, after_regain = start_variance([(5000.0, 5000.0), (10.0, 10.0)])
    assert error.autumn.start_sd_m[0] ** 2 == pytest.approx(after_regain if counts else after_start, rel=1e-9, abs=1e-15)


def test_what_came_back_before_another_start_or_to_another_machine_does_not_count():
    # Two machines, switched on together; only the first had lost anything, and it was switched on anew after that.
    strips = side(["slow"] * 3, since=[[60.0, 60.0]] * 3, start=[0, 1, 2], regains=[Regain(30.0, "*", False, 1)])
    (error,) = errors(strips, side(["one"])).values()
    wanted = start_variance([(60.0, 60.0), (30.0, 30.0), (60.0, 60.0)])
    np.testing.assert_allclose(error.autumn.start_sd_m**2, wanted, rtol=1e-9)
    assert abs(error.autumn.covariance()[0, 2] - 0.1**2 / Z**2 / 2) < 1e-15


def test_waiting_moves_what_follows_a_start_and_not_what_follows_a_regain():
    rows = side(["slow"] * 2, since=[[60.0, 60.0], [200.0, 200.0]], regains=[Regain(190.0, "slow", False, 0)]).after(600.0)
    assert since_signal(["slow"] * 2, rows.stretches).since_s[:, 0].tolist() == [660.0, 10.0]


def ways(begun_s, *, machine=None, lost=None, tier=None, start_s=None, line=None) -> ReceiverWays:
    """Passes of 50 s each along a line to the east, and when their receivers were switched on."""
    count, begun_s = len(begun_s), np.array(begun_s, float)
    line = np.array([line or shapely.LineString([(0, 0), (100, 0)])] * count, object)
    start_s, start = np.unique(np.zeros(count) if start_s is None else np.array(start_s), return_inverse=True)
    return ReceiverWays(
        line, begun_s, begun_s + 50.0, start_s[start], start, machine or [""] * count, tier or [""] * count,
        np.array(lost or [False] * count),
    )  # fmt: skip


def test_a_signal_is_back_where_the_way_leaves_the_zone_or_the_next_one_begins_outside():
    west, east = shapely.box(-10, -1, 30, 1), shapely.box(60, -1, 110, 1)
    # Out of the western zone after 30 m of 100 in 50 s.
    assert regains(ways([1000.0]), [("slow", west)]) == (Regain(1015.0, "slow", False, 0),)
    # In the eastern one at its end; the next pass begins outside.
    assert regains(ways([1000.0, 1100.0]), [("*", east)]) == (Regain(1100.0, "*", False, 0),)
    # From one zone right into the other the tier is had again at neither edge alone.
    both = shapely.box(30, -1, 110, 1)
    assert [one.time_s for one in regains(ways([1000.0, 1100.0]), [("*", west), ("*", both)])] == [1015.0, 1100.0, 1115.0]
    # What comes back just as the receiver is switched on is part of that start.
    assert regains(ways([1000.0, 1100.0], start_s=[0.0, 1100.0]), [("*", east)]) == ()
    assert regains(ways([np.nan, np.nan]), [("*", west)]) == ()


def test_what_one_machine_lost_does_not_come_back_with_another():
    # One is in the zone until 1050 s; the other begins outside of it at 1020 s, on a way of its own, and never was in it.
    found = ways([1000.0, 1020.0], machine=["a", "b"], lost=[True, False])
    assert regains(found, []) == ()
    found = ways([1000.0, 1020.0, 1060.0], machine=["a", "b", "a"], lost=[True, False, False])
    assert regains(found, []) == (Regain(1060.0, "*", True, 0),)


def test_a_log_that_names_its_tier_lost_that_tier():
    found = ways([1000.0, 1100.0, 1200.0], lost=[True, False, False], tier=["slow", "twin", "slow"])
    assert regains(found, []) == (Regain(1200.0, "slow", True, 0),)


@pytest.mark.parametrize(("lost", "counts"), [("slow", True), ("*", True), ("twin", False), ("", False)])
def test_what_a_log_tells_to_be_lost_has_the_error_at_switch_on(lost, counts):
    strips = side(["slow", "slow"], lost=[lost, lost])
    (error,) = errors(strips, side(["one"])).values()
    covariance, settled = error.autumn.covariance(), 0.1**2 / Z**2 / 2
    added = (1.0**2 - 0.1**2) / Z**2 / 2 if counts else 0.0
    np.testing.assert_allclose(covariance, settled + added * np.eye(2), rtol=1e-9)


def test_without_zones_what_came_back_after_them_counts_no_more_but_the_logs_losses_do():
    back = (Regain(100.0, "*", True, 0), Regain(200.0, "*", False, 0))
    stretches = side(["slow"], since=[[300.0, 300.0]], zones=((0,),), regains=back).stretches
    assert since_signal(["slow"], stretches).since_s.tolist() == [[100.0, 100.0]]
    assert since_signal(["slow"], stretches.in_no_zone()).since_s.tolist() == [[200.0, 200.0]]
    settled = replace(stretches, lost=("*",)).converged()
    assert settled.regains == () and settled.lost == ("",) and np.isnan(settled.since_s).all()
