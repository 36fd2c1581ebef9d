import os
from collections.abc import Callable

import pytest
from hypothesis import settings

from crestfall.scenario import CatalogueFile, Scenario, TariffFile, load_scenario
from site_files import Edit, write_site

# A year of steps takes longer in the first example than the default deadline allows.
# On a build server the same code draws the same examples; at a desk each run looks at new ones.
settings.register_profile("crestfall", deadline=None, derandomize="CI" in os.environ)
settings.load_profile("crestfall")


@pytest.fixture
def scenario_with(tmp_path) -> Callable[..., Scenario]:
    """Load the small valid scenario with edits and other files."""

    def load(*edits: Edit, **contents: str | bytes) -> Scenario:
        return load_scenario(write_site(tmp_path, *edits, **contents))

    return load


@pytest.fixture(scope="session")
def valid_scenario(tmp_path_factory) -> Scenario:
    return load_scenario(write_site(tmp_path_factory.mktemp("valid")))


@pytest.fixture(scope="session")
def valid_tariff(valid_scenario) -> TariffFile:
    return valid_scenario.contract[0].file


@pytest.fixture(scope="session")
def valid_catalogue(valid_scenario) -> CatalogueFile:
    return valid_scenario.catalogue
