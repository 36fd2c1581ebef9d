"""Figures, tables and the report of a finished study; one tariff in words, as a picture and as the bill of a load."""

from crestfall.report._cell_figures import draw_cells
from crestfall.report._compare import draw_comparison
from crestfall.report._compare_figures import draw_choice, draw_doubt, draw_frontier, draw_maps
from crestfall.report._compare_pair import draw_pair_bills, draw_pair_week, draw_pair_years
from crestfall.report._compare_text import compare_text
from crestfall.report._connection import (
    connection_rows,
    connection_text,
    options_text,
    sheet_of,
    write_connection_picture,
    write_options,
)
from crestfall.report._emissions import draw_emissions
from crestfall.report._figures import (
    draw_all,
    draw_backup,
    draw_depths,
    draw_duration_curve,
    draw_monthly_bill,
    draw_store_by_hour,
    draw_week,
)
from crestfall.report._files import checked_picture_kind
from crestfall.report._folder import check_place, finished_folder, result_folder
from crestfall.report._forms import FORMS, USUAL_FORMS
from crestfall.report._known_sensitivity import draw_known_sensitivity, known_sensitivity
from crestfall.report._life import life_text
from crestfall.report._life_figures import draw_cash, draw_health, draw_warranty, draw_yearly_savings
from crestfall.report._load_bill import LoadBill, bill_load, bill_text, lay_year, write_bill
from crestfall.report._load_shape import draw_load_shape
from crestfall.report._meter import (
    draw_meter,
    evidence_text,
    meter_notes,
    meter_text,
    refused_text,
    repairs_from,
    spread_text,
    write_clean,
    write_meter_picture,
)
from crestfall.report._meter_facts import meter_facts, open_facts, spread_facts
from crestfall.report._one_line import draw_connection
from crestfall.report._peak_figures import draw_peaks
from crestfall.report._savings import bill_by_line, savings_text
from crestfall.report._sections import draw_sections
from crestfall.report._sweep import draw_sweep, sweep_text
from crestfall.report._sweep_figures import draw_choices, draw_lines, draw_map, draw_spread, draw_swings
from crestfall.report._tariff_calendar import draw_tariff, measured_steps, write_tariff_picture
from crestfall.report._tariff_words import tariff_words
from crestfall.report._unforeseen import draw_costliest_days, unforeseen_text
from crestfall.report._waterfall import draw_waterfall
from crestfall.report._week import most_telling_week, typical_week
from crestfall.report._words import check_language, languages
from crestfall.report._write import (
    fill_comparison,
    fill_folder,
    fill_sweep,
    rewrite_report,
    write_comparison,
    write_result,
)
from crestfall.report._year_map import draw_year_map

__all__ = [
    "FORMS",
    "USUAL_FORMS",
    "LoadBill",
    "bill_by_line",
    "bill_load",
    "bill_text",
    "check_language",
    "check_place",
    "checked_picture_kind",
    "compare_text",
    "connection_rows",
    "connection_text",
    "draw_all",
    "draw_backup",
    "draw_cash",
    "draw_cells",
    "draw_choice",
    "draw_choices",
    "draw_comparison",
    "draw_connection",
    "draw_costliest_days",
    "draw_depths",
    "draw_doubt",
    "draw_duration_curve",
    "draw_emissions",
    "draw_frontier",
    "draw_health",
    "draw_known_sensitivity",
    "draw_lines",
    "draw_load_shape",
    "draw_map",
    "draw_maps",
    "draw_meter",
    "draw_monthly_bill",
    "draw_pair_bills",
    "draw_pair_week",
    "draw_pair_years",
    "draw_peaks",
    "draw_sections",
    "draw_spread",
    "draw_store_by_hour",
    "draw_sweep",
    "draw_swings",
    "draw_tariff",
    "draw_warranty",
    "draw_waterfall",
    "draw_week",
    "draw_year_map",
    "draw_yearly_savings",
    "evidence_text",
    "fill_comparison",
    "fill_folder",
    "fill_sweep",
    "finished_folder",
    "known_sensitivity",
    "languages",
    "lay_year",
    "life_text",
    "measured_steps",
    "meter_facts",
    "meter_notes",
    "meter_text",
    "most_telling_week",
    "open_facts",
    "options_text",
    "refused_text",
    "repairs_from",
    "result_folder",
    "rewrite_report",
    "savings_text",
    "sheet_of",
    "spread_facts",
    "spread_text",
    "sweep_text",
    "tariff_words",
    "typical_week",
    "unforeseen_text",
    "write_bill",
    "write_clean",
    "write_comparison",
    "write_connection_picture",
    "write_meter_picture",
    "write_options",
    "write_result",
    "write_tariff_picture",
]
