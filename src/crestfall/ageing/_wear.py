"""How long racks last at one use, and what one more kWh costs of that."""

from scipy.optimize import brentq

from crestfall.ageing._laws import FadeLaw, FadeState
from crestfall.ageing._use import CellUse

LONGEST_YEARS = 200.0  # beyond any horizon: racks that last longer do not end by fade
STEP = 1e-4  # of the use, for the derivative; its error is the square of this


def life_years(law: FadeLaw, use: CellUse, *, end_health_frac: float, state: FadeState | None = None) -> float | None:
    """
    Return how long racks last if a use goes on as it is.

    Parameters
    ----------
    law : FadeLaw
        How they fade.
    use : CellUse
        The use of some time, which is repeated.
    end_health_frac : float
        Health at which they are given up.
    state : FadeState, optional
        What they have lost already; left out: new racks.

    Returns
    -------
    float or None
        Time until then [a], 0 if it is past; None if fade does not end the life within 200 years.
    """
    begin = FadeState() if state is None else state.settled()
    one_year = use.times(1 / use.years)

    def left(years: float) -> float:
        return law.aged(begin, one_year.times(years)).health_frac - end_health_frac

    if begin.health_frac <= end_health_frac:
        return 0.0
    if left(LONGEST_YEARS) > 0:
        return None
    return float(brentq(left, 0.0, LONGEST_YEARS, xtol=1e-10, rtol=1e-12))


def wear_per_kwh(
    law: FadeLaw,
    use: CellUse,
    *,
    discharged_kwh: float,
    racks_cost: float,
    end_health_frac: float,
    service_years: float,
) -> float:
    """
    Return the marginal cost of one more kWh discharged under a fade model.

    Racks of price P that last L years at a yearly use cost P / L a year. One more kWh a year, in cycles like those
    there are, shortens L, and what P / L rises by is the price of that kWh. It is zero where something else ends the
    life first: the service life, or a law that does not see cycles. It belongs into the optimiser's objective and
    never into a cash flow.

    Parameters
    ----------
    law : FadeLaw
        How they fade.
    use : CellUse
        The use of about a year.
    discharged_kwh : float
        Energy discharged in that time, on the side on which the price is to count (AC for the optimiser) [kWh].
    racks_cost : float
        Price of all racks.
    end_health_frac : float
        Health at which they are given up.
    service_years : float
        Time after which they are given up at any health, such as the study's horizon or a stated calendar life [a].

    Returns
    -------
    float
        Price of a kWh discharged; 0 without any use, which says nothing about cycles.
    """
    if discharged_kwh <= 0:
        return 0.0

    def yearly_cost(factor: float) -> float:
        years = life_years(law, use.busier(factor), end_health_frac=end_health_frac)
        return racks_cost / min(service_years, service_years if years is None else years)

    years = life_years(law, use, end_health_frac=end_health_frac)
    if years is None or years >= service_years:
        return 0.0
    per_year = discharged_kwh / use.years
    return (yearly_cost(1 + STEP) - yearly_cost(1 - STEP)) / (2 * STEP * per_year)
