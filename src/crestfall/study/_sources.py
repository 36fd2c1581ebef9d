"""The files that a study was made from, so that another can be told from them."""

import hashlib
from dataclasses import dataclass

from crestfall.scenario import Scenario


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceFile:
    """A file as it was read.

    Parameters
    ----------
    key : str
        The key of the scenario that names it.
    name : str
        Its name, without the folder.
    n_bytes : int
        Its size.
    sha256 : str
        SHA-256 of its bytes, in hexadecimal digits.
    """

    key: str
    name: str
    n_bytes: int
    sha256: str


def sources_of(scenario: Scenario) -> tuple[SourceFile, ...]:
    """
    Return the files that the results of a scenario depend on.

    Parameters
    ----------
    scenario : Scenario
        The validated scenario.

    Returns
    -------
    tuple of SourceFile
        The scenario first; a file that is gone by now is left out.
    """
    found = []
    for key, path in scenario.input_files().items():
        if path.is_file():
            content = path.read_bytes()
            digest = hashlib.sha256(content).hexdigest()
            found.append(SourceFile(key=key, name=path.name, n_bytes=len(content), sha256=digest))
    return tuple(found)
