"""Figures, tables and the report of a finished study."""

from crestfall.report._figures import (
    draw_all,
    draw_depths,
    draw_duration_curve,
    draw_monthly_bill,
    draw_store_by_hour,
    draw_week,
)
from crestfall.report._folder import result_folder
from crestfall.report._week import most_telling_week
from crestfall.report._write import fill_folder, write_result

__all__ = [
    "draw_all",
    "draw_depths",
    "draw_duration_curve",
    "draw_monthly_bill",
    "draw_store_by_hour",
    "draw_week",
    "fill_folder",
    "most_telling_week",
    "result_folder",
    "write_result",
]
