"""Load a scenario with the files it names, and gather every fault before anything is run."""

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from crestfall.errors import DocumentKind, Fault, KeyedError, KeyPath, ScenarioError
from crestfall.scenario._base import Block
from crestfall.scenario._document import Document, read_document
from crestfall.scenario._faults import faults_of
from crestfall.scenario.catalogue_file import CatalogueFile
from crestfall.scenario.scenario_file import ScenarioFile, SeriesFile
from crestfall.scenario.tariff_file import TariffFile

AnyBlock = TypeVar("AnyBlock", bound=Block)


@dataclass(frozen=True, slots=True)
class Scenario:
    """A validated scenario: the question, the tariff, the catalogue, and where each key was written.

    Parameters
    ----------
    path : Path
        The scenario file.
    ask : ScenarioFile
        What the scenario file says.
    tariff : TariffFile
        The tariff it names or contains.
    catalogue : CatalogueFile
        The catalogue it names.
    """

    path: Path
    ask: ScenarioFile
    tariff: TariffFile
    catalogue: CatalogueFile
    _documents: dict[DocumentKind, tuple[Document, KeyPath]] = field(repr=False, compare=False)

    def located(self, error: KeyedError) -> ScenarioError:
        """Return the error with the file and the line in which its value stands."""
        document, prefix = self._documents[error.document]
        text = f"found {error.found}, expected {error.expected}"
        return ScenarioError((document.fault((*prefix, *error.key), text, error.remedy),))

    def file_path(self, name: str) -> Path:
        """Return the path of a file that the scenario names; relative names start at the scenario file."""
        return self.path.parent / name

    def input_files(self) -> dict[str, Path]:
        """Return each file that the results depend on, by the key that names it."""
        site = self.ask.site
        named = {"site.load": site.load, "site.pv": site.pv, "site.temperature": site.temperature}
        files = {"scenario": self.path} | {key: self.file_path(s.file) for key, s in named.items() if s is not None}
        if isinstance(self.ask.tariff, str):
            files["tariff"] = self.file_path(self.ask.tariff)
        return files | {"catalogue": self.file_path(self.ask.catalogue)}

    def resolved(self) -> dict[str, Any]:
        """Return all inputs with their defaults filled in and a SHA-256 of each file, ready to be written as YAML."""
        return {
            "scenario": self.ask.model_dump(mode="json", exclude={"tariff"}),
            "tariff": self.tariff.model_dump(mode="json"),
            "catalogue": self.catalogue.model_dump(mode="json"),
            "sha256": {
                key: hashlib.sha256(path.read_bytes()).hexdigest()
                for key, path in self.input_files().items()
                if key.startswith("site.")
            },
        }

    def fingerprint(self) -> str:
        """Return a SHA-256 over everything that moves a result: resolved inputs and the content of the data files."""
        inputs = self.resolved()
        inputs["scenario"].pop("output")
        return hashlib.sha256(json.dumps(inputs, sort_keys=True).encode()).hexdigest()


def load_scenario(path: str | Path) -> Scenario:
    """
    Load and validate a scenario file with its tariff and catalogue; the interval data are not read yet.

    Parameters
    ----------
    path : str or Path
        The scenario's YAML file.

    Returns
    -------
    Scenario
        The validated scenario.

    Raises
    ------
    ScenarioError
        If anything is wrong in the three files; it holds every fault that was found, in file order.
    """
    document = read_document(Path(path))
    faults: list[Fault] = []
    ask = _validated(ScenarioFile, document, faults)
    faults += _missing_series(document, ask)
    folder = document.path.parent
    tariff_name, catalogue_name = document.data.get("tariff"), document.data.get("catalogue")
    documents: dict[DocumentKind, tuple[Document, KeyPath]] = {"scenario": (document, ())}
    tariff = catalogue = None
    if isinstance(tariff_name, str) and tariff_name:
        tariff = _from_file(TariffFile, folder / tariff_name, "tariff", documents, faults)
    elif ask is not None and isinstance(ask.tariff, TariffFile):
        tariff = ask.tariff
        documents["tariff"] = (document, ("tariff",))
    if isinstance(catalogue_name, str) and catalogue_name:
        catalogue = _from_file(CatalogueFile, folder / catalogue_name, "catalogue", documents, faults)
    if ask is None or tariff is None or catalogue is None or faults:
        raise ScenarioError(tuple(faults))
    scenario = Scenario(document.path, ask, tariff, catalogue, documents)
    _check_currencies(scenario)
    return scenario


def _validated(model: type[AnyBlock], document: Document, faults: list[Fault]) -> AnyBlock | None:
    try:
        return model.model_validate(document.data)
    except ValidationError as error:
        faults += faults_of(error, document, model)
        return None


def _from_file(
    model: type[AnyBlock],
    path: Path,
    kind: DocumentKind,
    documents: dict[DocumentKind, tuple[Document, KeyPath]],
    faults: list[Fault],
) -> AnyBlock | None:
    try:
        document = read_document(path)
    except ScenarioError as error:
        faults += error.faults
        return None
    documents[kind] = (document, ())
    return _validated(model, document, faults)


def _missing_series(document: Document, ask: ScenarioFile | None) -> list[Fault]:
    if ask is None:
        return []
    faults = []
    for name in ("load", "pv", "temperature"):
        series: SeriesFile | None = getattr(ask.site, name)
        if series is None:
            continue
        path = document.path.parent / series.file
        if not _is(path.is_file):
            what = "a folder" if _is(path.is_dir) else "no such file"
            text = f"found '{series.file}' ({what}), expected a CSV file"
            faults.append(document.fault(("site", name, "file"), text, f"paths start at {document.path.parent or '.'}"))
    return faults


def _is(kind_of_file: Callable[[], bool]) -> bool:
    try:
        return kind_of_file()
    except OSError:  # a name that is too long for the file system
        return False


def _check_currencies(scenario: Scenario) -> None:
    wanted = scenario.ask.money.currency
    faults: list[Fault] = []
    for kind, found in (("tariff", scenario.tariff.currency), ("catalogue", scenario.catalogue.currency)):
        if found != wanted:
            error = KeyedError(
                "tariff" if kind == "tariff" else "catalogue",
                ("currency",),
                found=found,
                expected=f"{wanted}, the currency of the scenario",
                remedy="convert the prices, or correct money.currency; Crestfall knows no exchange rates",
            )
            faults += scenario.located(error).faults
    if faults:
        raise ScenarioError(tuple(faults))
