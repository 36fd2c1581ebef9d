"""Load a scenario with the files it names, and gather every fault before anything is run."""

import hashlib
import itertools
import json
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from crestfall.errors import DocumentName, Fault, KeyedError, KeyPath, ScenarioError
from crestfall.scenario._base import Block
from crestfall.scenario._document import Document, read_document
from crestfall.scenario._faults import faults_of
from crestfall.scenario.catalogue_file import CatalogueFile
from crestfall.scenario.scenario_file import ScenarioFile
from crestfall.scenario.series_file import SeriesFile
from crestfall.scenario.sweep_file import SweepFile
from crestfall.scenario.tariff_clauses import Export, PricedEnergy, PriceSeries
from crestfall.scenario.tariff_file import TariffFile

AnyBlock = TypeVar("AnyBlock", bound=Block)


@dataclass(frozen=True, slots=True)
class TariffSheet:
    """A tariff file, where it was read, and the name by which errors refer to it.

    Parameters
    ----------
    document : str
        Its name among the documents of a scenario.
    folder : Path
        Where the files that it names are looked for.
    file : TariffFile
        What it says.
    """

    document: DocumentName
    folder: Path
    file: TariffFile
    _source: Document | None = field(default=None, repr=False, compare=False)

    @property
    def price_files(self) -> tuple[Path, ...]:
        """Files with the prices that it passes through."""
        return tuple(self.folder / prices.file for prices in _price_series(self.file))

    def located(self, error: KeyedError) -> ScenarioError | KeyedError:
        """Return an error of a sheet that was loaded on its own, with the file and the line of its value."""
        return error if self._source is None else _located(error, self._source, ())


Contract = tuple[TariffSheet, ...]  # one sheet, or one after the other


@dataclass(frozen=True, slots=True)
class Scenario:
    """A validated scenario: the question, the tariff, the catalogue, and where each key was written.

    Parameters
    ----------
    path : Path
        The scenario file.
    ask : ScenarioFile
        What the scenario file says.
    contract : tuple of TariffSheet
        The tariff in force, by date of validity.
    choices : tuple of TariffSheet
        Other tariffs that the site may change to.
    catalogue : CatalogueFile
        The catalogue it names.
    hashes : dict of str to str, optional
        SHA-256 of each data file by the key that names it, where they were kept; left out: taken when asked for.
    """

    path: Path
    ask: ScenarioFile
    contract: Contract
    choices: Contract
    catalogue: CatalogueFile
    hashes: dict[str, str] | None = None
    _documents: dict[DocumentName, tuple[Document, KeyPath]] = field(default_factory=dict, repr=False, compare=False)

    def located(self, error: KeyedError) -> ScenarioError:
        """Return the error with the file and the line in which its value stands."""
        return _located(error, *self._documents[error.document])

    def document(self, name: DocumentName) -> tuple[Document, KeyPath]:
        """Return a file as it was written, and the path in it where the keys of that name begin."""
        return self._documents[name]

    def file_path(self, name: str) -> Path:
        """Return the path of a file that the scenario names; relative names start at the scenario file."""
        return self.path.parent / name

    def input_files(self) -> dict[str, Path]:
        """Return each file that the results depend on, by the key that names it."""
        files = {"scenario": self.path}
        files |= {".".join(key): self.file_path(series.file) for key, series in _series_of(self.ask).items()}
        if (pv_model := self.ask.site.pv_model) is not None and pv_model.weather is not None:
            files["site.pv_model"] = self.file_path(pv_model.weather)
        for name, (document, prefix) in self._documents.items():
            if not prefix and name != "scenario":
                files[name] = document.path
        for sheet in (*self.contract, *self.choices):
            for number, path in enumerate(sheet.price_files):
                files[f"{sheet.document}.price_series[{number}]"] = path
        return files

    def resolved(self) -> dict[str, Any]:
        """Return all inputs with their defaults filled in and a SHA-256 of each data file, ready to be written."""
        return {
            "scenario": self.ask.model_dump(mode="json", exclude={"tariff", "tariff_choices"}),
            "tariff": [sheet.file.model_dump(mode="json", exclude_defaults=True) for sheet in self.contract],
            "tariff_choices": [sheet.file.model_dump(mode="json", exclude_defaults=True) for sheet in self.choices],
            "catalogue": self.catalogue.model_dump(mode="json"),
            "sha256": self.with_hashes().hashes,
        }

    def with_hashes(self) -> "Scenario":
        """Return the same with the hashes of its data files, for a time when these are elsewhere."""
        if self.hashes is not None:
            return self
        data = {key: path for key, path in self.input_files().items() if "." in key}
        hashes = {key: hashlib.sha256(path.read_bytes()).hexdigest() for key, path in data.items() if path.is_file()}
        return replace(self, hashes=hashes)

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
    documents: dict[DocumentName, tuple[Document, KeyPath]] = {"scenario": (document, ())}
    contract, choices = _read_tariffs(document, ask, documents, faults)
    catalogue, catalogue_name = None, document.data.get("catalogue")
    if isinstance(catalogue_name, str) and catalogue_name:
        catalogue = _from_file(CatalogueFile, folder / catalogue_name, "catalogue", documents, faults)
    if ask is None or not contract or catalogue is None or faults:
        raise ScenarioError(tuple(faults))
    scenario = Scenario(document.path, ask, contract, choices, catalogue, _documents=documents)
    check_scenario(scenario)
    return scenario


def check_scenario(scenario: Scenario) -> None:
    """Raise for what only several files together can show to be wrong: dates of sheets, currencies, terms of rates."""
    _check_order(scenario)
    _check_currencies(scenario)
    _check_terms(scenario)


def with_files_of(scenario: Scenario, document: Document, keys: frozenset[str]) -> Scenario:
    """
    Return a scenario in which the files that some keys name have been read again.

    Parameters
    ----------
    scenario : Scenario
        The scenario; what it asks is that of the document.
    document : Document
        The scenario file as it would be written.
    keys : frozenset of str
        Those of tariff, tariff_choices and catalogue that have other values.

    Returns
    -------
    Scenario
        The same with the content of these files.

    Raises
    ------
    ScenarioError
        If one of them is missing or wrong.
    """
    faults: list[Fault] = []
    documents = dict(scenario._documents)
    contract, choices, catalogue = scenario.contract, scenario.choices, scenario.catalogue
    if keys & {"tariff", "tariff_choices"}:
        documents = {name: one for name, one in documents.items() if not name.startswith("tariff")}
        contract, choices = _read_tariffs(document, scenario.ask, documents, faults)
    if "catalogue" in keys:
        path = document.path.parent / scenario.ask.catalogue
        catalogue = _from_file(CatalogueFile, path, "catalogue", documents, faults) or catalogue
    if faults:
        raise ScenarioError(tuple(faults))
    return replace(scenario, contract=contract, choices=choices, catalogue=catalogue, _documents=documents)


def load_tariff(path: str | Path) -> TariffSheet:
    """
    Load and validate a tariff file on its own.

    Parameters
    ----------
    path : str or Path
        The YAML file.

    Returns
    -------
    TariffSheet
        The tariff.

    Raises
    ------
    ScenarioError
        If anything is wrong in the file; it holds every fault that was found, in file order.
    """
    tariff, document = _alone(TariffFile, Path(path), "tariff")
    return TariffSheet("tariff", Path(path).parent, tariff, document)


def load_catalogue(path: str | Path) -> CatalogueFile:
    """
    Load and validate a catalogue file on its own.

    Parameters
    ----------
    path : str or Path
        The YAML file.

    Returns
    -------
    CatalogueFile
        The catalogue.

    Raises
    ------
    ScenarioError
        If anything is wrong in the file; it holds every fault that was found, in file order.
    """
    return _alone(CatalogueFile, Path(path), "catalogue")[0]


def load_sweep(path: str | Path) -> tuple[SweepFile, Document]:
    """
    Load and validate a sweep file; the scenario that it names is not read yet.

    Parameters
    ----------
    path : str or Path
        The YAML file.

    Returns
    -------
    sweep : SweepFile
        What it says.
    document : Document
        Where each key was written.

    Raises
    ------
    ScenarioError
        If anything is wrong in the file; it holds every fault that was found, in file order.
    """
    return _alone(SweepFile, Path(path), "sweep")


def _alone(model: type[AnyBlock], path: Path, kind: DocumentName) -> tuple[AnyBlock, Document]:
    faults: list[Fault] = []
    documents: dict[DocumentName, tuple[Document, KeyPath]] = {}
    content = _from_file(model, path, kind, documents, faults)
    if content is None:
        raise ScenarioError(tuple(faults))
    return content, documents[kind][0]


def _located(error: KeyedError, document: Document, prefix: KeyPath) -> ScenarioError:
    text = f"found {error.found}, expected {error.expected}"
    return ScenarioError((document.fault((*prefix, *error.key), text, error.remedy),))


def _read_tariffs(
    document: Document,
    ask: ScenarioFile | None,
    documents: dict[DocumentName, tuple[Document, KeyPath]],
    faults: list[Fault],
) -> tuple[Contract, Contract]:
    """Read the tariff in force and those to choose from; their names go on from one list to the other."""
    folder = document.path.parent
    if ask is not None and isinstance(ask.tariff, TariffFile):
        documents["tariff"] = (document, ("tariff",))
        contract: list[TariffSheet] = [TariffSheet("tariff", folder, ask.tariff)]
    else:
        contract = []
    in_force, to_choose = document.data.get("tariff"), document.data.get("tariff_choices")
    read: dict[str, list[TariffSheet]] = {"in force": contract, "to choose": []}
    number = len(contract)
    for kind, named in (("in force", in_force), ("to choose", to_choose)):
        for name in [named] if isinstance(named, str) else named if isinstance(named, list) else []:
            if not isinstance(name, str) or not name:
                continue  # said by the scenario's own validation
            number += 1
            key = "tariff" if number == 1 else f"tariff {number}"
            tariff = _from_file(TariffFile, folder / name, key, documents, faults)
            if tariff is not None:
                read[kind].append(TariffSheet(key, (folder / name).parent, tariff))
    return tuple(read["in force"]), tuple(read["to choose"])


def _price_series(tariff: TariffFile) -> list[PriceSeries]:
    charges: list[PricedEnergy | Export] = [*tariff.energy_charges, *(tariff.export.charges or ()), tariff.export]
    return [charge.price_series for charge in charges if charge.price_series is not None]


def _check_order(scenario: Scenario) -> None:
    for earlier, later in itertools.pairwise(scenario.contract):
        if later.file.valid_from <= earlier.file.valid_from:
            raise scenario.located(
                KeyedError(
                    later.document,
                    ("valid_from",),
                    found=str(later.file.valid_from),
                    expected=f"a day after {earlier.file.valid_from}, from which the sheet before it is valid",
                    remedy="list the sheets in the order of their dates",
                )
            )


def _validated(model: type[AnyBlock], document: Document, faults: list[Fault]) -> AnyBlock | None:
    try:
        return model.model_validate(document.data)
    except ValidationError as error:
        faults += faults_of(error, document, model)
        return None


def _from_file(
    model: type[AnyBlock],
    path: Path,
    kind: DocumentName,
    documents: dict[DocumentName, tuple[Document, KeyPath]],
    faults: list[Fault],
) -> AnyBlock | None:
    try:
        document = read_document(path)
    except ScenarioError as error:
        faults += error.faults
        return None
    documents[kind] = (document, ())
    return _validated(model, document, faults)


def _series_of(ask: ScenarioFile) -> dict[tuple[str, ...], SeriesFile]:
    """Return the interval data that a scenario names, by the key of each."""
    named: dict[tuple[str, ...], object] = {
        ("site", name): getattr(ask.site, name)
        for name in ("load", "pv", "temperature", "reactive", "power_factor_frac")
    }
    if ask.reactive_support is not None:
        named["reactive_support", "kvar"] = ask.reactive_support.kvar
    if ask.emissions is not None:
        for name in ("average_kg_per_kwh", "marginal_kg_per_kwh"):
            named["emissions", name] = getattr(ask.emissions, name)
    for name in ("load_forecast", "pv_forecast"):
        named["rolling", name] = getattr(ask.rolling, name)
    if (history := ask.rolling.history) is not None:
        named |= {("rolling", "history", "load"): history.load, ("rolling", "history", "pv"): history.pv}
    return {key: series for key, series in named.items() if isinstance(series, SeriesFile)}


def _missing_series(document: Document, ask: ScenarioFile | None) -> list[Fault]:
    if ask is None:
        return []
    faults = []
    for key, series in _series_of(ask).items():
        path = document.path.parent / series.file
        if not _is(path.is_file):
            what = "a folder" if _is(path.is_dir) else "no such file"
            text = f"found '{series.file}' ({what}), expected a CSV file"
            faults.append(document.fault((*key, "file"), text, f"paths start at {document.path.parent or '.'}"))
    return faults


def _is(kind_of_file: Callable[[], bool]) -> bool:
    try:
        return kind_of_file()
    except OSError:  # a name that is too long for the file system
        return False


def _check_currencies(scenario: Scenario) -> None:
    wanted = scenario.ask.money.currency
    faults: list[Fault] = []
    written = [(sheet.document, sheet.file.currency) for sheet in (*scenario.contract, *scenario.choices)]
    for name, found in [*written, ("catalogue", scenario.catalogue.currency)]:
        if found != wanted:
            error = KeyedError(
                name,
                ("currency",),
                found=found,
                expected=f"{wanted}, the currency of the scenario",
                remedy="convert the prices, or correct money.currency; Crestfall knows no exchange rates",
            )
            faults += scenario.located(error).faults
    if faults:
        raise ScenarioError(tuple(faults))


def _check_terms(scenario: Scenario) -> None:
    """Refuse rates that rise in other terms, nominal or real, than those of the discount rate."""
    money, life = scenario.ask.money, scenario.ask.life
    if money.discount is None or money.discount.terms == money.escalation_terms:
        return
    rises: list[tuple[DocumentName, KeyPath, float]] = [
        (sheet.document, ("escalation", key), value)
        for sheet in (*scenario.contract, *scenario.choices)
        for key, value in sheet.file.escalation
    ]
    if life is not None and life.end_of_life.prices is not None:
        fall = life.end_of_life.prices.price_fall_frac_per_year
        rises.append(("scenario", ("life", "end_of_life", "prices", "price_fall_frac_per_year"), fall))
    faults: list[Fault] = []
    for document, key, rise in rises:
        if rise:
            error = KeyedError(
                document,
                key,
                found=f"{rise:g} in {money.escalation_terms} terms (money.escalation_terms)",
                expected=f"a rate in {money.discount.terms} terms, as money.discount",
                remedy="restate one of them; real and nominal rates do not mix",
            )
            faults += scenario.located(error).faults
    if faults:
        raise ScenarioError(tuple(faults))
