"""Field capacity, days of work and hours of waiting: the handbook's sums, in SI."""


def field_capacity_m2_s(*, width_m: float, speed_m_s: float, efficiency: float) -> float:
    """Area worked in a second [m2/s].

    Parameters
    ----------
    width_m : float
        Of the implement [m].
    speed_m_s : float
        In work [m/s].
    efficiency : float
        Share of the time in the field that is work at that width and speed, 0 to 1.

    Notes
    -----
    The handbook's ac/h = width[ft] x mph x efficiency / 8.25 (Univ. of Kentucky AEN-73, 1991, read) is this formula
    in its units.
    """
    return width_m * speed_m_s * efficiency


def work_days(area_m2: float, *, capacity_m2_s: float, working_day_s: float) -> float:
    """Days that an area takes [d]."""
    return area_m2 / capacity_m2_s / working_day_s


def wait_h(*, convergence_s: float, starts_per_day: float, days: float, waited_share: float) -> float:
    """Hours that a machine stands in a season until its receiver's figures hold [h].

    Parameters
    ----------
    convergence_s : float
        Of the tier, after each start [s].
    starts_per_day, days : float
        Starts a day, and days of the season.
    waited_share : float
        Share of the convergence that is really waited, 0 to 1.
    """
    return convergence_s / 3600.0 * starts_per_day * days * waited_share
