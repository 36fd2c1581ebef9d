"""The bill by line before and after, and what the battery saves on each."""

import pandas as pd

from crestfall.study import Result

NARROWEST = 24  # characters for the names of lines, as in the rest of the screen
COLUMN = 15


def bill_by_line(result: Result) -> pd.DataFrame:
    """
    Return the year's bill by line, with a sum behind each group of several lines and the total last.

    Parameters
    ----------
    result : Result
        A finished study.

    Returns
    -------
    DataFrame
        Columns group, line, before, reference (the best contract without a battery), after, saved, is_total.
    """
    table = result.savings_by_line()
    parts = []
    for group, lines in table.groupby("group", sort=False):
        parts.append(lines.assign(is_total=False))
        if len(lines) > 1:
            sums = lines.drop(columns=["group", "line"]).sum()
            parts.append(pd.DataFrame([{"group": group, "line": f"all {group}", **sums, "is_total": True}]))
    sums = table.drop(columns=["group", "line"]).sum()
    parts.append(pd.DataFrame([{"group": "", "line": "Total", **sums, "is_total": True}]))
    return pd.concat(parts, ignore_index=True)


def savings_text(result: Result) -> str:
    """
    Return the bill by line for a terminal.

    Parameters
    ----------
    result : Result
        A finished study.

    Returns
    -------
    str
        A line for each line of the bill: before, perhaps under the best contract, after, and saved.
    """
    heads = {"before": "before", "reference": "best contract", "after": "after", "saved": "saved"}
    if result.best_contract is None:
        del heads["reference"]
    table = bill_by_line(result)
    title = f"bill by line [{result.inputs.scenario.ask.money.currency}/a]"
    width = max(NARROWEST, len(title), *(len(line) for line in table["line"]))
    lines = [f"  {title:<{width}}" + "".join(f"{head:>{COLUMN}}" for head in heads.values())]
    for row in table.to_dict("records"):
        lines.append(f"  {row['line']:<{width}}" + "".join(f"{round(row[key]) + 0:>{COLUMN},}" for key in heads))
    return "\n".join(lines)
