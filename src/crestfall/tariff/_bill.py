"""The bill of one year of meter readings, line by line and period by period."""

import pandas as pd

from crestfall.tariff._rates import Rates
from crestfall.tariff._readings import Readings, Row

BILL_COLUMNS = Row._fields
_HEADER = pd.Index(BILL_COLUMNS)  # to make it anew takes a fifth of the time of a bill


def bill(
    rates: Rates,
    readings: Readings,
    *,
    before: Readings | None = None,
    last_year: Readings | None = None,
    as_contracted: bool = False,
) -> pd.DataFrame:
    """
    Return the bill for a year of readings at the point of connection.

    Parameters
    ----------
    rates : Rates
        The tariff on the same steps.
    readings : Readings
        What the meters show.
    before : Readings, optional
        The same year without the battery, from which the baselines of events are worked out; left out: `readings`.
    last_year : Readings, optional
        The year that ratchets look back at; left out: `before`.
    as_contracted : bool, default=False
        Whether contracted levels are those of today's contract even where another may be chosen.

    Returns
    -------
    DataFrame
        `BILL_COLUMNS`, a row for each line and period, rounded as the sheet says; what the site earns is negative.
        Rows of a season or the year stand behind the billing periods.
    """
    before = readings if before is None else before
    last_year = before if last_year is None else last_year
    rows = [
        row for sheet in rates.sheets for row in sheet.rows(readings, before, last_year, as_contracted=as_contracted)
    ]
    names = dict.fromkeys(name for sheet in rates.sheets for name in sheet.layout.billing.names)
    place = {name: number for number, name in enumerate(names)}
    rows.sort(key=lambda row: place.get(row.period, len(place)))  # of a period, lines stay as the sheet has them
    return pd.DataFrame(rows, columns=_HEADER)
