"""Which options a comparison looks at, as a user writes them."""

import re
from collections.abc import Collection, Sequence

from crestfall.errors import InputError, KeyedError
from crestfall.plant import Option, build_plant
from crestfall.scenario import CatalogueFile
from crestfall.study._option_figures import refusal_of

MOST_OPTIONS = 2000  # of one comparison; more are a sweep


def counts_of(text: str, *, asked_by: str) -> tuple[int, ...]:
    """
    Return the numbers that a text lists.

    Parameters
    ----------
    text : str
        Numbers and ranges such as ``1..8`` or ``2,4,6``.
    asked_by : str
        The option of the command line, for the message.

    Returns
    -------
    tuple of int
        The numbers, in order and once each.

    Raises
    ------
    InputError
        If the text is something else.

    Examples
    --------
    >>> counts_of("1..3,6", asked_by="--racks")
    (1, 2, 3, 6)
    """
    found: set[int] = set()
    for part in text.split(","):
        matched = re.fullmatch(r"\s*(\d{1,6})(?:\.\.(\d{1,6}))?\s*", part)
        first, last = (0, 0) if matched is None else (int(matched[1]), int(matched[2] or matched[1]))
        if first < 1 or last < first or last - first >= MOST_OPTIONS:
            raise InputError(
                f"{asked_by} {text}: found '{part.strip()}', expected a number from 1, or a range such as 1..8\n"
                "    separate several by commas; no battery is always looked at"
            )
        found.update(range(first, last + 1))
    return tuple(sorted(found))


def pair_of(text: str, *, asked_by: str) -> tuple[Option, Option]:
    """
    Return the two options that a text names.

    Parameters
    ----------
    text : str
        Racks and modules of both, such as ``1x1,8x6``.
    asked_by : str
        The option of the command line, for the message.

    Returns
    -------
    tuple of Option
        Both.

    Raises
    ------
    InputError
        If the text is something else.

    Examples
    --------
    >>> pair_of("1x1,8x6", asked_by="--pair")
    (Option(racks=1, modules=1), Option(racks=8, modules=6))
    """
    matched = re.fullmatch(r"\s*(\d{1,6})x(\d{1,6})\s*,\s*(\d{1,6})x(\d{1,6})\s*", text)
    if matched is None:
        raise InputError(f"{asked_by} {text}: expected two options as racks x modules\n    write them as 1x1,8x6")
    numbers = [int(part) for part in matched.groups()]
    return Option(*numbers[:2]), Option(*numbers[2:])


def options_asked(
    catalogue: CatalogueFile, racks: Sequence[int] | None, modules: Sequence[int] | None
) -> tuple[list[Option], list[tuple[Option, str]]]:
    """
    Return the options of a grid that the catalogue allows, and why it forbids the others.

    Parameters
    ----------
    catalogue : CatalogueFile
        The parts and the rules.
    racks, modules : sequence of int or None
        Numbers to combine; None for all that the rules allow.

    Returns
    -------
    allowed : list of Option
        Fewest racks first, then fewest modules.
    refused : list of (Option, str)
        The others, with the reason.

    Raises
    ------
    InputError
        If there are too many, or none is allowed.
    """
    rules = catalogue.rules
    by_racks = range(rules.least_racks, rules.most_racks + 1) if racks is None else sorted(set(racks))
    by_modules = range(rules.least_modules, rules.most_modules + 1) if modules is None else sorted(set(modules))
    if len(by_racks) * len(by_modules) > MOST_OPTIONS:
        raise InputError(
            f"{len(by_racks) * len(by_modules):,} options, expected at most {MOST_OPTIONS:,}\n"
            "    choose with --racks and --modules, for example --racks 2,4,8"
        )
    allowed, refused = [], []
    for option in (Option(r, m) for r in by_racks for m in by_modules):
        try:
            build_plant(catalogue, option)
            allowed.append(option)
        except KeyedError as error:
            refused.append((option, refusal_of(error)))
    if not allowed:
        option, why = refused[0]
        raise InputError(
            f"the catalogue allows no option that was asked for; {option}: {why}\n"
            "    crestfall options CATALOGUE lists those that it allows"
        )
    return allowed, refused


def not_compared(catalogue: CatalogueFile, known: Collection[Option], best: Option) -> tuple[str, ...]:
    """
    Return what a catalogue allows beside the best of some options that was not among them.

    Parameters
    ----------
    catalogue : CatalogueFile
        The parts and the rules.
    known : collection of Option
        Options that were looked at.
    best : Option
        The best of them.

    Returns
    -------
    tuple of str
        A few words for each direction in which nothing was looked at; empty where the best has neighbours all around,
        or is at the end of what is allowed.
    """
    rules = catalogue.rules
    racks = range(rules.least_racks, rules.most_racks + 1)
    modules = range(rules.least_modules, rules.most_modules + 1)
    if not best.is_battery:
        others = (Option(r, m) for r in racks for m in modules)
        is_all = not any(one not in known and _is_allowed(catalogue, one) for one in others)
        return () if is_all else ("not all options of the catalogue were compared",)
    lines = {
        "racks": [Option(count, best.modules) for count in racks],
        "modules": [Option(best.racks, count) for count in modules],
    }
    words = []
    for part, options in lines.items():
        for which, side in (
            ("more", [one for one in options if one > best]),
            ("fewer", [one for one in options if one < best]),
        ):
            if not any(one in known for one in side) and any(_is_allowed(catalogue, one) for one in side):
                words.append(f"{which} {part} were not compared")
    return tuple(words)


def _is_allowed(catalogue: CatalogueFile, option: Option) -> bool:
    try:
        build_plant(catalogue, option)
    except KeyedError:
        return False
    return True
