"""What the user wrote: YAML files read into validated models; every error names file, line, key, value and remedy."""

from crestfall.scenario._load import Scenario, load_scenario
from crestfall.scenario._schema import json_schema
from crestfall.scenario.catalogue_file import CatalogueFile
from crestfall.scenario.scenario_file import ScenarioFile, SeriesFile
from crestfall.scenario.tariff_file import TariffFile

__all__ = ["CatalogueFile", "Scenario", "ScenarioFile", "SeriesFile", "TariffFile", "json_schema", "load_scenario"]
