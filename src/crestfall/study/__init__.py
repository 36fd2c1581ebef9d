"""Studies: one option on one site's year and through its life, all options side by side."""

from crestfall.study._archive import ARCHIVE, Study, archive_bytes, read_archive
from crestfall.study._compare import DEFAULT_DRAWS, compare
from crestfall.study._comparison import COMPARE_SCHEMA, DOUBT_COLUMNS, TABLE_COLUMNS, Comparison
from crestfall.study._emissions import EMISSION_COLUMNS, Emissions, emissions_of
from crestfall.study._inputs import Inputs, dispatch_problem, prepare
from crestfall.study._kept_options import CompareFolder
from crestfall.study._life_result import YEAR_COLUMNS, Life, LifeYear, RacksWarranty, WearTrial
from crestfall.study._option_figures import OptionFigures
from crestfall.study._options_asked import counts_of, pair_of
from crestfall.study._parts import SweepFolder
from crestfall.study._ranking import CRITERIA, Criterion, CriterionName
from crestfall.study._result import SCHEDULE_COLUMNS, SUMMARY_SCHEMA, Before, Case, MeasuredPeak, Result
from crestfall.study._sources import SourceFile
from crestfall.study._spread import SPREAD_COLUMNS, spread, variants
from crestfall.study._steps import MARGINAL_COLUMNS, Step
from crestfall.study._study import run
from crestfall.study._summary_schema import SummaryKind, summary_schema
from crestfall.study._sweep import sweep
from crestfall.study._sweep_case import RESULT_COLUMNS
from crestfall.study._sweep_plan import DEFAULT_LIMIT, SweepPlan, load_plan
from crestfall.study._sweep_result import CHOICE_COLUMNS, SWEEP_SCHEMA, SWING_COLUMNS, SweepResult
from crestfall.study._unforeseen import Costly, Trial, Unforeseen

__all__ = [
    "ARCHIVE",
    "CHOICE_COLUMNS",
    "COMPARE_SCHEMA",
    "CRITERIA",
    "DEFAULT_DRAWS",
    "DEFAULT_LIMIT",
    "DOUBT_COLUMNS",
    "EMISSION_COLUMNS",
    "MARGINAL_COLUMNS",
    "RESULT_COLUMNS",
    "SCHEDULE_COLUMNS",
    "SPREAD_COLUMNS",
    "SUMMARY_SCHEMA",
    "SWEEP_SCHEMA",
    "SWING_COLUMNS",
    "TABLE_COLUMNS",
    "YEAR_COLUMNS",
    "Before",
    "Case",
    "CompareFolder",
    "Comparison",
    "Costly",
    "Criterion",
    "CriterionName",
    "Emissions",
    "Inputs",
    "Life",
    "LifeYear",
    "MeasuredPeak",
    "OptionFigures",
    "RacksWarranty",
    "Result",
    "SourceFile",
    "Step",
    "Study",
    "SummaryKind",
    "SweepFolder",
    "SweepPlan",
    "SweepResult",
    "Trial",
    "Unforeseen",
    "WearTrial",
    "archive_bytes",
    "compare",
    "counts_of",
    "dispatch_problem",
    "emissions_of",
    "load_plan",
    "pair_of",
    "prepare",
    "read_archive",
    "run",
    "spread",
    "summary_schema",
    "sweep",
    "variants",
]
