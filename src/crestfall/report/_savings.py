"""The bill by line before and after, and what the battery saves on each."""

import pandas as pd

from crestfall.report._words import say
from crestfall.study import Result

NARROWEST = 24  # characters for the names of lines, as in the rest of the screen
COLUMN = 12


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
        Columns group, line, before, reference (the best contract without a battery), after, saved, what each policy
        saves under its name, is_total.
    """
    table = result.savings_by_line()
    parts = []
    for group, lines in table.groupby("group", sort=False):
        parts.append(lines.assign(is_total=False))
        if len(lines) > 1:
            sums = lines.drop(columns=["group", "line"]).sum()
            parts.append(
                pd.DataFrame(
                    [{"group": group, "line": say("all {group}", group=say(str(group))), **sums, "is_total": True}]
                )
            )
    sums = table.drop(columns=["group", "line"]).sum()
    parts.append(pd.DataFrame([{"group": "", "line": say("Total"), **sums, "is_total": True}]))
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
        A line for each line of the bill: before, perhaps under the best contract, after, and saved by each policy.
    """
    heads = {"before": "before", "reference": "best contract", "after": "after"}
    heads |= {case.policy: case.policy for case in result.cases}
    if result.best_contract is None:
        del heads["reference"]
    widths = {key: max(COLUMN, len(head) + 2) for key, head in heads.items()}
    table = bill_by_line(result)
    title = f"bill by line [{result.inputs.scenario.ask.money.currency}/a]"
    width = max(NARROWEST, len(title), *(len(line) for line in table["line"]))
    over = "saved by" if len(result.cases) > 1 else ""
    n_before = sum(widths[key] for key in heads if key not in {case.policy for case in result.cases})
    lines = [" " * (2 + width + n_before) + f"{over:>{COLUMN}}"]
    lines += [f"  {title:<{width}}" + "".join(f"{head:>{widths[key]}}" for key, head in heads.items())]
    for row in table.to_dict("records"):
        lines.append(f"  {row['line']:<{width}}" + "".join(f"{round(row[key]) + 0:>{widths[key]},}" for key in heads))
    return "\n".join(lines)
