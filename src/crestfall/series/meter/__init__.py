"""Meter data as they come: read, explained, checked, repaired where that is allowed; nothing is guessed in silence."""

from crestfall.series.meter._clean import clean, raise_open
from crestfall.series.meter._cleaned import Cleaned, Defect, Mark
from crestfall.series.meter._read import MeterData, read_meter
from crestfall.series.meter._record import Evidence, Question, Said, UndecidedError
from crestfall.series.meter._resample import coarse_note, resampled
from crestfall.series.meter._rows import Rows
from crestfall.series.meter._summary import Summary, bill_note, notes_on, summary_of
from crestfall.series.meter._write import csv_text, on_step, scenario_lines
from crestfall.series.meter._years import part_between, spread_table, study_year, year_starts

__all__ = [
    "Cleaned",
    "Defect",
    "Evidence",
    "Mark",
    "MeterData",
    "Question",
    "Rows",
    "Said",
    "Summary",
    "UndecidedError",
    "bill_note",
    "clean",
    "coarse_note",
    "csv_text",
    "notes_on",
    "on_step",
    "part_between",
    "raise_open",
    "read_meter",
    "resampled",
    "scenario_lines",
    "spread_table",
    "study_year",
    "summary_of",
    "year_starts",
]
