"""What a comparison keeps of its options as they come, so that a machine that dies costs only what was in hand."""

import hashlib
import json
import shutil
from dataclasses import astuple
from pathlib import Path

import pyarrow as pa

from crestfall.plant import Option
from crestfall.study._option_figures import OptionsJob, without_option
from crestfall.study._parts import PARTS, PartsFolder

CompareKeys = dict[Option, str]


class CompareFolder(PartsFolder):
    """A folder that one comparison at a time writes into: a part for each option.

    Parameters
    ----------
    path : Path
        The folder.
    """

    noun, noun_of_case, schema, rows_a_part = "comparison", "option", "crestfall-comparison/1", 1
    others = "--force to begin anew, or name another folder"
    columns = pa.schema([("case", pa.string()), ("content", pa.binary())])

    def copy_to(self, folder: Path) -> None:
        """Copy what is kept into another folder."""
        shutil.copy2(self.path / self.manifest, folder)
        shutil.copytree(self.path / PARTS, folder / PARTS)


def keys_of(job: OptionsJob, options: list[Option]) -> CompareKeys:
    """
    Return a hash of all that each option's figures depend on, but for the code.

    Parameters
    ----------
    job : OptionsJob
        The site, and other years of load.
    options : list of Option
        The options.

    Returns
    -------
    dict of Option to str
        The hashes.
    """
    common = [without_option(job.scenario).fingerprint(), [astuple(one) for one in job.others]]
    texts = {option: json.dumps([*common, option.racks, option.modules]) for option in options}
    return {option: hashlib.sha256(text.encode()).hexdigest()[:32] for option, text in texts.items()}
