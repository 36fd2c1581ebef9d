"""JSON Schemas of the YAML files, for editors."""

from typing import Any

from crestfall.errors import DocumentKind
from crestfall.scenario._base import Block
from crestfall.scenario.catalogue_file import CatalogueFile
from crestfall.scenario.scenario_file import ScenarioFile
from crestfall.scenario.sweep_file import SweepFile
from crestfall.scenario.tariff_file import TariffFile

_MODELS: dict[DocumentKind, type[Block]] = {
    "scenario": ScenarioFile,
    "tariff": TariffFile,
    "catalogue": CatalogueFile,
    "sweep": SweepFile,
}


def json_schema(kind: DocumentKind = "scenario") -> dict[str, Any]:
    """
    Return the JSON Schema (draft 2020-12) of one kind of YAML file.

    Parameters
    ----------
    kind : {"scenario", "tariff", "catalogue", "sweep"}, default="scenario"
        The kind of file.

    Returns
    -------
    dict
        The schema, ready for ``json.dumps``.

    Examples
    --------
    >>> json_schema("catalogue")["title"]
    'CatalogueFile'
    """
    return {"$schema": "https://json-schema.org/draft/2020-12/schema"} | _MODELS[kind].model_json_schema()
