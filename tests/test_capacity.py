"""Field capacity, days and waits: handbook examples to their printed digits."""

import pytest

from pipeline.core.capacity import field_capacity_m2_s, wait_h, work_days

FOOT_M, ACRE_M2, MPH = 0.3048, 4046.8564224, 1609.344 / 3600


@pytest.mark.parametrize(
    ("width_ft", "mph", "efficiency", "printed"),
    # Iowa State Extension A3-24, table 1 (read): 40 ft; 15 and 23 shanks of 30 in.
    [(40.0, 6.0, 0.70, "20.4"), (37.5, 6.0, 0.65, "17.7"), (57.5, 5.0, 0.63, "22.0")],
)
def test_field_capacity_as_printed(width_ft, mph, efficiency, printed):
    found = field_capacity_m2_s(width_m=width_ft * FOOT_M, speed_m_s=mph * MPH, efficiency=efficiency)
    assert f"{found * 3600 / ACRE_M2:.1f}" == printed
    # ac/h = width[ft] x mph x efficiency / 8.25 (Univ. of Kentucky AEN-73, 1991, read).
    assert found * 3600 / ACRE_M2 == pytest.approx(width_ft * mph * efficiency / 8.25, rel=1e-9)


def test_days_and_waits():
    # By hand: 100 ha at 5 ha/h are 20 h, two days of 10 h. Two starts a day of 30 min, half of it waited: 1 h.
    days = work_days(1e6, capacity_m2_s=5e4 / 3600, working_day_s=36000)
    assert days == pytest.approx(2.0)
    assert wait_h(convergence_s=1800, starts_per_day=2, days=days, waited_share=0.5) == pytest.approx(1.0)
