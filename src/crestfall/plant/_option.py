"""What may be put together: racks and modules in cabinets."""

import math
from dataclasses import dataclass

from crestfall.errors import KeyedError
from crestfall.scenario import CatalogueFile
from crestfall.scenario.catalogue_file import Rules

ROUNDING = 1e-9  # so that 0.1 racks for each of 30 modules are 3


@dataclass(frozen=True, slots=True, order=True)
class Option:
    """A number of racks and of modules; 0 and 0 is no battery.

    Parameters
    ----------
    racks, modules : int
        How many of each; not negative.
    """

    racks: int
    modules: int

    @property
    def is_battery(self) -> bool:
        """Whether there is anything to run."""
        return self.racks > 0 or self.modules > 0

    def __str__(self) -> str:
        if not self.is_battery:
            return "no battery"
        plural = ("" if self.racks == 1 else "s", "" if self.modules == 1 else "s")
        return f"{self.racks} rack{plural[0]}, {self.modules} module{plural[1]}"


def cabinets_needed(option: Option, catalogue: CatalogueFile) -> int:
    """
    Return the number of cabinets that an option fills.

    Parameters
    ----------
    option : Option
        Racks and modules.
    catalogue : CatalogueFile
        What one cabinet holds, and the rules.

    Returns
    -------
    int
        Cabinets; 0 for no battery.

    Raises
    ------
    KeyedError
        If a rule of the catalogue forbids the option; the message names the rule and the nearest allowed options.
    """
    broken = _broken_rule(option, catalogue)
    if broken is not None:
        key, expected = broken
        near = (
            ", ".join(f"{o.racks} and {o.modules}" for o in _nearest(option, catalogue))
            or "none, see rules of the catalogue"
        )
        found = str(getattr(option, key)) if key else str(option)
        raise KeyedError(
            "scenario",
            ("option", key) if key else ("option",),
            found=found,
            expected=expected,
            remedy=f"nearest allowed options (racks and modules): {near}",
        )
    return _cabinets(option, catalogue)


def allowed_options(catalogue: CatalogueFile) -> list[Option]:
    """
    Return every option with a battery that the rules of a catalogue allow.

    Parameters
    ----------
    catalogue : CatalogueFile
        What one cabinet holds, and the rules.

    Returns
    -------
    list of Option
        Fewest racks first, then fewest modules.
    """
    rules = catalogue.rules
    every = (Option(r, m) for r in range(1, rules.most_racks + 1) for m in range(1, rules.most_modules + 1))
    return [option for option in every if _broken_rule(option, catalogue) is None]


def _cabinets(option: Option, catalogue: CatalogueFile) -> int:
    cabinet = catalogue.cabinet
    return max(math.ceil(option.modules / cabinet.most_modules), math.ceil(option.racks / cabinet.most_racks))


def _broken_rule(option: Option, catalogue: CatalogueFile) -> tuple[str, str] | None:
    """Return the key at fault and what the first broken rule asks for."""
    if not option.is_battery:
        return None
    rules = catalogue.rules
    if option.modules == 0:
        return "modules", "at least 1, for racks without modules have no power"
    if option.racks == 0:
        return "racks", "at least 1, for modules without racks have no energy"
    for key in ("racks", "modules"):
        least, most, count = getattr(rules, f"least_{key}"), getattr(rules, f"most_{key}"), getattr(option, key)
        if not least <= count <= most:
            allowed = f"{least} to {most} {key}" if least < most else f"{least} {key if least > 1 else key[:-1]}"
            return key, f"{allowed} (least_{key} and most_{key} of the catalogue)"
        multiple = getattr(rules, f"{key}_multiple_of")
        if count % multiple:
            return key, f"a multiple of {multiple} ({key}_multiple_of of the catalogue)"
    return _broken_ratio(option, rules) or _broken_cabinets(option, catalogue)


def _broken_ratio(option: Option, rules: Rules) -> tuple[str, str] | None:
    least, most = rules.least_racks_per_module, rules.most_racks_per_module
    ratio = option.racks / option.modules
    if ratio < least * (1 - ROUNDING):
        return "", f"at least {least:g} racks for each module (least_racks_per_module of the catalogue)"
    if most is not None and ratio > most * (1 + ROUNDING):
        return "", f"at most {most:g} racks for each module (most_racks_per_module of the catalogue)"
    return None


def _broken_cabinets(option: Option, catalogue: CatalogueFile) -> tuple[str, str] | None:
    rules, cabinets = catalogue.rules, _cabinets(option, catalogue)
    if cabinets > rules.most_cabinets:
        most = "1 cabinet" if rules.most_cabinets == 1 else f"{rules.most_cabinets} cabinets"
        return "", f"an option for at most {most} (most_cabinets of the catalogue), it needs {cabinets}"
    if cabinets > min(option.racks, option.modules):
        return "", f"at least one rack and one module in each of its {cabinets} cabinets"
    if rules.dc_coupling == "by_cabinet" and (option.racks % cabinets or option.modules % cabinets):
        return "", (
            f"racks and modules that spread evenly over its {cabinets} cabinets, to run as one store"
            " (dc_coupling by_cabinet of the catalogue)"
        )
    return None


def _nearest(option: Option, catalogue: CatalogueFile, count: int = 3) -> list[Option]:
    def distance(other: Option) -> tuple[int, Option]:
        return abs(other.racks - option.racks) + abs(other.modules - option.modules), other

    return sorted(allowed_options(catalogue), key=distance)[:count]
