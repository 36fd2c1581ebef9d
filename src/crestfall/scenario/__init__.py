"""What the user wrote: YAML files read into validated models; every error names file, line, key, value and remedy."""

from crestfall.scenario._document import Document
from crestfall.scenario._load import (
    Contract,
    Scenario,
    TariffSheet,
    load_catalogue,
    load_scenario,
    load_sweep,
    load_tariff,
)
from crestfall.scenario._schema import json_schema
from crestfall.scenario._vary import path_of, value_at, varied
from crestfall.scenario.catalogue_file import CatalogueFile
from crestfall.scenario.scenario_file import Connection, ScenarioFile
from crestfall.scenario.series_file import SeriesFile
from crestfall.scenario.sweep_file import SweepFile
from crestfall.scenario.tariff_file import TariffFile

__all__ = [
    "CatalogueFile",
    "Connection",
    "Contract",
    "Document",
    "Scenario",
    "ScenarioFile",
    "SeriesFile",
    "SweepFile",
    "TariffFile",
    "TariffSheet",
    "json_schema",
    "load_catalogue",
    "load_scenario",
    "load_sweep",
    "load_tariff",
    "path_of",
    "value_at",
    "varied",
]
