"""Write one_month_bill.xlsx: invented hourly import, the parameters of a tariff, and a bill in spreadsheet formulas.

Nothing here comes from Crestfall: the sheet is a second way to the same bill, and may be opened and played with.
Run `python tests/published/make_one_month_bill.py` to write it anew.
"""

import datetime as dt
from pathlib import Path

from openpyxl import Workbook
from openpyxl.styles import Font
from openpyxl.worksheet.worksheet import Worksheet

FIRST_DAY, LAST_DAY = dt.date(2025, 5, 1), dt.date(2025, 6, 11)
HOLIDAYS = (dt.date(2025, 5, 1), dt.date(2025, 5, 29))
# The highest peak is the oldest: the partial period still looks back at it, the whole one after it does not.
HISTORY_KW = (531.2, 388.0, 402.5, 447.9, 419.3, 371.1, 350.6, 342.0, 338.4, 355.7, 361.8)
PARAMETERS = (
    ("Reading day", 12, "day of the month", "first day of each billing period; 12 to 28 give two periods"),
    ("On-peak window begins", 16, "h", "hour of the working day in local time"),
    ("On-peak window ends", 20, "h", "that hour does not belong to the window"),
    ("On-peak energy", 0.2347, "EUR/kWh", "import in the window on working days"),
    ("Off-peak energy", 0.1189, "EUR/kWh", "all other import"),
    ("Maximum demand", 9.43, "EUR/kW", "for a whole billing period: highest hour at any time, after the ratchet"),
    ("On-peak demand", 6.27, "EUR/kW", "for a whole billing period: highest hour in the window on working days"),
    ("Ratchet", 0.8, "share", "of the highest peak of the 11 periods before: maximum demand is never billed below it"),
    ("Fixed charge", 56.25, "EUR", "for a whole billing period"),
    ("Tax", 0.065, "share", "of all other lines, as they are rounded"),
    ("Decimals", 2, "digits", "each line of the bill is rounded to so many, half up"),
)
CELL = {label: f"Parameters!$B${row}" for row, (label, *_) in enumerate(PARAMETERS, start=4)}
HOLIDAY_ROW, HISTORY_ROW, HEAD_ROW = 18, 23, 4
DAYS = [FIRST_DAY + dt.timedelta(days=d) for d in range((LAST_DAY - FIRST_DAY).days + 1)]
ROWS = range(HEAD_ROW + 1, HEAD_ROW + 1 + len(DAYS))
LINES_ROW = {1: 16, 2: 26}  # the row above the lines of each period
ON_PEAK = "'On-peak'"  # the sheet, as formulas name it
ABOUT = (
    "A bill of two billing periods, worked out by spreadsheet formulas alone",
    "All numbers are invented: no site, no supplier and no meter stands behind them.",
    "Parameters: the tariff. Change any value in column B and the bill follows.",
    "Import: mean import of each hour in kW, which is also its energy in kWh; one row for each day, local time.",
    "  They come from a formula: a hill around 11 h on working days, and one around 18 h on days of rest.",
    "On-peak: the same hours where they lie in the on-peak window of a working day, 0 elsewhere.",
    "Bill: periods, peaks, and each line of both periods.",
    "The meter is read on the 12th. The data begin on 1 May 2025, within the period from 12 April to 11 May.",
    "The whole period from 12 May to 11 June 2025 follows. All days named are included.",
    "Proration: demand and fixed charges of a part of a period cost (days in the part) / (days of the whole period),",
    "  here 11 days from 1 May to 11 May out of 30 days from 12 April to 11 May. Energy is not prorated.",
    "Ratchet: billed is the higher of the measured peak and a share of the highest measured peak of the 11 periods",
    "  before. The partial period counts as one of these for the period after it, which no longer sees the oldest.",
    "Rounding: each line is rounded to cents, half up; the tax is worked out on the rounded lines.",
)


def hill(hour: int, top: int, width: int) -> float:
    return max(0.0, 1 - abs(hour - top) / width)


def import_kw(day: int, hour: int) -> float:
    """Return the invented import of an hour, the days counted from 0."""
    date = FIRST_DAY + dt.timedelta(days=day)
    if date.weekday() >= 5 or date in HOLIDAYS:
        return round(62 + 245 * hill(hour, 18, 6) + 3.7 * ((3 * day + 7 * hour) % 13), 1)
    return round(118 + 230 * hill(hour, 11, 5) + 4.3 * ((5 * day + 3 * hour) % 11) + 4 * ((8 * day) % 15), 1)


def add_sheet(book: Workbook, title: str, heading: str, head_row: int, head: tuple[str | int, ...]) -> Worksheet:
    sheet = book.create_sheet(title)
    sheet["A1"] = heading
    for column, text in enumerate(head, start=1):
        sheet.cell(head_row, column, text).font = Font(bold=True)
    sheet["A1"].font = Font(bold=True, size=13)
    sheet.column_dimensions["A"].width = 34 if title in ("Parameters", "Bill") else 12
    return sheet


def write_parameters(book: Workbook) -> None:
    sheet = add_sheet(book, "Parameters", "The tariff", 3, ("Parameter", "Value", "Unit", "Meaning"))
    for row, entry in enumerate(PARAMETERS, start=4):
        for column, value in enumerate(entry, start=1):
            sheet.cell(row, column, value)
    sheet.cell(HOLIDAY_ROW - 1, 1, "Holidays: no working days").font = Font(bold=True)
    for number, day in enumerate(HOLIDAYS):
        sheet.cell(HOLIDAY_ROW + number, 1, f"Holiday {number + 1}")
        sheet.cell(HOLIDAY_ROW + number, 2, day).number_format = "yyyy-mm-dd"
    sheet.cell(HISTORY_ROW - 1, 1, "Measured peaks before, oldest first").font = Font(bold=True)
    for number, peak in enumerate(HISTORY_KW):
        row = HISTORY_ROW + number
        sheet.cell(row, 1, f"Peak {len(HISTORY_KW) - number} periods before the data")
        sheet.cell(row, 2, peak)
        sheet.cell(row, 3, "kW")
    sheet.column_dimensions["B"].width = 12
    sheet.column_dimensions["C"].width = 18


def write_hours(book: Workbook) -> None:
    head = ("Day", "Weekday (1 Monday)", "Working day (1 yes)", "Period", *range(24))
    sheet = add_sheet(book, "Import", "Mean import of each hour that begins at the hour above [kW]", HEAD_ROW, head)
    on_peak = add_sheet(book, "On-peak", "Import in the on-peak window [kW], else 0", HEAD_ROW, head)
    for day, row in enumerate(ROWS):
        sheet.cell(row, 1, DAYS[day]).number_format = "yyyy-mm-dd"
        sheet.cell(row, 2, f"=WEEKDAY(A{row},2)")
        holidays = f"Parameters!$B${HOLIDAY_ROW}:$B${HOLIDAY_ROW + len(HOLIDAYS) - 1}"
        sheet.cell(row, 3, f"=IF(AND(B{row}<=5,COUNTIF({holidays},A{row})=0),1,0)")
        sheet.cell(row, 4, f"=IF(A{row}<Bill!$C$4,1,2)")
        for column in range(1, 5):
            on_peak.cell(row, column, f"=Import!{sheet.cell(row, column).coordinate}").number_format = "0"
        on_peak.cell(row, 1).number_format = "yyyy-mm-dd"
        for hour in range(24):
            cell = sheet.cell(row, 5 + hour, import_kw(day, hour))
            at = f"{cell.column_letter}${HEAD_ROW}"
            inside = f"$C{row}=1,{at}>={CELL['On-peak window begins']},{at}<{CELL['On-peak window ends']}"
            on_peak.cell(row, 5 + hour, f"=IF(AND({inside}),Import!{cell.coordinate},0)")
    for page in (sheet, on_peak):
        page.freeze_panes = "E5"


def over_days(sheet: str, first: str, last: str) -> str:
    """Return the range of columns of a sheet over all days."""
    return f"{sheet}!${first}${ROWS[0]}:${last}${ROWS[-1]}"


def hours_of(sheet: str, period: int) -> str:
    """Return the hours of a sheet as an array that is 0 outside a period."""
    return f"({over_days('Import', 'D', 'D')}={period})*{over_days(sheet, 'E', 'AB')}"


def period_formulas(period: int) -> list[tuple[str, str, str]]:
    """Return label, formula and unit of what the lines of a period need, from row 4 of the bill on."""
    first, day, c = f"Import!$A${ROWS[0]}", CELL["Reading day"], "ABC"[period]
    begin = {1: "=EDATE(C4,-1)", 2: f"=DATE(YEAR({first}),MONTH({first})+IF(DAY({first})>={day},1,0),{day})"}
    last = HISTORY_ROW + len(HISTORY_KW) - 1
    earlier = {1: f"Parameters!B{HISTORY_ROW}:B{last}", 2: f"Parameters!B{HISTORY_ROW + 1}:B{last},B10"}
    return [
        ("First day of the whole period", begin[period], "date"),
        ("First day of the next period", f"=EDATE({c}4,1)", "date"),
        ("Days of the whole period", f"={c}5-{c}4", "days"),
        ("Days with data", f"=COUNTIF({over_days('Import', 'D', 'D')},{period})", "days"),
        ("Share of the period", f"={c}7/{c}6", "share"),
        ("Import", f"=SUMPRODUCT({hours_of('Import', period)})", "kWh"),
        ("Highest hour at any time", f"=SUMPRODUCT(MAX({hours_of('Import', period)}))", "kW"),
        ("Highest on-peak hour", f"=SUMPRODUCT(MAX({hours_of(ON_PEAK, period)}))", "kW"),
        ("Highest of the 11 peaks before", f"=MAX({earlier[period]})", "kW"),
        ("Billed maximum demand", f"=MAX({c}10,{CELL['Ratchet']}*{c}12)", "kW"),
    ]


def write_bill(book: Workbook) -> None:
    head = ("Of the period", "Period 1", "Period 2", "Unit")
    sheet = add_sheet(book, "Bill", "The bill of two billing periods", 3, head)
    for period in (1, 2):
        for row, (label, formula, unit) in enumerate(period_formulas(period), start=4):
            sheet.cell(row, 1, label)
            cell = sheet.cell(row, 1 + period, formula)
            cell.number_format = {"date": "yyyy-mm-dd", "days": "0", "share": "0.0000"}.get(unit, "0.00")
            sheet.cell(row, 4, unit)
        write_lines(sheet, period)
    for column in "BCDEF":
        sheet.column_dimensions[column].width = 16


def write_lines(sheet: Worksheet, period: int) -> None:
    top, c = LINES_ROW[period], "ABC"[period]
    head = (f"Lines of period {period}", "Quantity", "Unit", "Rate", "Share of the period", "Amount [EUR]")
    for column, text in enumerate(head, start=1):
        sheet.cell(top, column, text).font = Font(bold=True)
    lines = (
        ("On-peak energy", f"=SUMPRODUCT({hours_of(ON_PEAK, period)})", "kWh", 1),
        ("Off-peak energy", f"={c}9-B{top + 1}", "kWh", 1),
        ("Maximum demand", f"={c}13", "kW", f"={c}8"),
        ("On-peak demand", f"={c}11", "kW", f"={c}8"),
        ("Fixed charge", 1, "month", f"={c}8"),
        ("Tax", f"=SUM(F{top + 1}:F{top + 5})", "EUR", 1),
    )
    for row, (line, quantity, unit, share) in enumerate(lines, start=top + 1):
        amount = f"=ROUND(B{row}*D{row}*E{row},{CELL['Decimals']})"
        for column, value in enumerate((line, quantity, unit, f"={CELL[line]}", share, amount), start=1):
            sheet.cell(row, column, value)
        for column, digits in ((2, "0.00"), (5, "0.0000"), (6, "0.00")):
            sheet.cell(row, column).number_format = digits
    sheet.cell(top + 7, 1, "Total").font = Font(bold=True)
    sheet.cell(top + 7, 6, f"=SUM(F{top + 1}:F{top + 6})").number_format = "0.00"


def make() -> Workbook:
    book = Workbook()
    about = book.active
    about.title = "About"
    for row, text in enumerate(ABOUT, start=1):
        about.cell(row, 1, text)
    about["A1"].font = Font(bold=True, size=13)
    write_parameters(book)
    write_hours(book)
    write_bill(book)
    return book


if __name__ == "__main__":
    make().save(Path(__file__).with_name("one_month_bill.xlsx"))
