"""What stands on every page of a report: the name of the site, and whether its data were metered."""

import re
from dataclasses import dataclass

from matplotlib.figure import Figure

from crestfall.report._words import say
from crestfall.scenario import ScenarioFile
from crestfall.study import Study, SweepResult


@dataclass(frozen=True, slots=True)
class Running:
    """What stands on every page.

    Parameters
    ----------
    site : str
        Name of the site.
    notice : str
        What of the data was not metered; empty where all of it was.
    """

    site: str
    notice: str

    @property
    def css(self) -> str:
        """Margins of a printed page as CSS; names can hold anything, so that all but letters and digits is escaped."""
        left, right = (_css_string(text) for text in (self.site, self.notice))
        numbers = 'counter(page) " / " counter(pages)'
        boxes = f"@top-left {{ content: {left}; }} @top-right {{ content: {right}; font-weight: bold; }}"
        return f"@page {{ {boxes} @bottom-right {{ content: {numbers}; }} }}"


def running(ask: ScenarioFile) -> Running:
    """
    Return what stands on every page of a scenario's report.

    Parameters
    ----------
    ask : ScenarioFile
        The scenario.

    Returns
    -------
    Running
        Name and notice.
    """
    return Running(ask.site.name, _notice(ask))


def running_of(study: Study) -> Running:
    """
    Return what stands on every page of a study's report.

    Parameters
    ----------
    study : Result, Comparison or SweepResult
        The study.

    Returns
    -------
    Running
        Name and notice.
    """
    return running(study.plan.base.ask if isinstance(study, SweepResult) else study.inputs.scenario.ask)


def mark(figure: Figure, notice: str) -> None:
    """
    Write a notice below a figure, in room of its own.

    Parameters
    ----------
    figure : Figure
        The figure; it is changed.
    notice : str
        The notice; nothing is done where it is empty.
    """
    if not notice:
        return
    if label := figure.get_supxlabel():
        figure.supxlabel(f"{label} · {notice}")
    else:
        figure.supxlabel(notice, x=0.99, ha="right", fontsize=7, fontweight="bold")


def _notice(ask: ScenarioFile) -> str:
    site = ask.site
    if site.load_model is not None:
        return say("not metered")
    if site.additions or site.growth_frac:
        return say("in part not metered")
    return say("PV not metered") if site.pv_model is not None else ""


def _css_string(text: str) -> str:
    r"""Return a text as a string of CSS.

    >>> print(_css_string('a</style>"'))
    "a\3c \2f style\3e \22 "
    """
    return '"' + re.sub(r"[^0-9A-Za-z]", lambda found: f"\\{ord(found[0]):x} ", text) + '"'
