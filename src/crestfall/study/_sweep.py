"""Many cases of one scenario, kept as they come, on this machine or on others."""

import time
from collections.abc import Callable
from pathlib import Path

import pandas as pd

from crestfall.study._executor import Done, Executor, Processes, Rate, ThisProcess, duration
from crestfall.study._inputs import prepare
from crestfall.study._parts import SweepFolder
from crestfall.study._run import OnStage
from crestfall.study._sweep_case import RESULT_COLUMNS, CasesJob, Row, failed
from crestfall.study._sweep_plan import DEFAULT_LIMIT, SweepCase, SweepPlan, load_plan
from crestfall.study._sweep_result import SweepResult

TABLE = "table.parquet"
TELL_EVERY_S, TELL_EVERY_FRAC = 1.0, 0.02  # of the time so far: a night gives no more lines than an hour
WARM_S = 5.0  # a first case below this may have been mostly loading; a second one is timed


def sweep(
    path: str | Path,
    out: str | Path,
    *,
    workers: int | None = None,
    cluster: str | None = None,
    limit: int = DEFAULT_LIMIT,
    resume: bool = False,
    on_stage: OnStage | None = None,
    is_stopped: Callable[[], bool] | None = None,
) -> SweepResult:
    """
    Study all cases of a sweep file; results are written as they come.

    Parameters
    ----------
    path : str or Path
        The sweep file.
    out : str or Path
        The folder for the results.
    workers : int, optional
        Processes on this machine; left out: one for each core, 0: all in this process.
    cluster : str, optional
        Address of a scheduler whose workers take the cases instead.
    limit : int, default=10000
        Most cases.
    resume : bool, default=False
        Whether to go on with what the folder holds: only what is missing is computed.
    on_stage : callable, optional
        Called with what is being done.
    is_stopped : callable, optional
        Whether to stop; cases in hand are finished and written.

    Returns
    -------
    SweepResult
        All cases.

    Raises
    ------
    InputError
        If the sweep, its scenario or the folder cannot be used.
    KeyboardInterrupt
        If it was stopped; `resume` goes on.
    """
    tell = on_stage or (lambda _: None)
    folder = SweepFolder(Path(out))
    tell("reading the sweep, its scenario and data")
    plan = load_plan(path, limit=limit, seed=folder.stored_seed() if resume else None)
    prepare(plan.base)  # what is wrong with the base is said before anything is written
    executor = _executor(workers, cluster)
    with folder.opened(plan.base, resume=resume, seed=plan.seed) as known:
        for note in folder.notes:
            tell(note)
        missing = [case for case in dict.fromkeys(plan.cases) if case.key not in known]
        base = _base(plan, len(missing), executor, tell)
        _run(executor, plan, missing, folder, known, tell, is_stopped or (lambda: False))
        folder.flush()
        if any(case.key not in known for case in plan.cases):
            raise KeyboardInterrupt
        table = _table(plan, known)
        folder.write_table(TABLE, table)
    return SweepResult(plan=plan, table=table, base=base, notes=tuple(folder.notes))


def _executor(workers: int | None, cluster: str | None) -> Executor:
    if cluster is not None:
        from crestfall.study._cluster import Cluster

        return Cluster(cluster)
    return ThisProcess() if workers == 0 else Processes(workers)


def _base(plan: SweepPlan, n_missing: int, executor: Executor, tell: OnStage) -> Row:
    """Study the base, which pictures are drawn around, and say how long all cases will take."""
    tell("studying the base")
    always = ((("life",), None),) if plan.sweep.study == "first_year" else ()
    study, case = CasesJob(plan.base).function(), SweepCase("", always)
    began = time.perf_counter()
    row = study(case)
    seconds = time.perf_counter() - began
    if n_missing and seconds < WARM_S:
        began = time.perf_counter()
        row = study(case)
        seconds = time.perf_counter() - began
    seed = "" if plan.seed is None else f", seed {plan.seed}"
    at_once = max(executor.workers, 1)
    estimate = f", about {duration(n_missing * seconds / at_once)} with {at_once} at once" if n_missing else ""
    if estimate and plan.policies != [policy := plan.base.ask.policy]:
        estimate += f" if each took as long as the base by {policy}"
    done = len(plan.cases) - n_missing
    tell(f"{len(plan.cases):,} cases{seed}, {done:,} of them done already{estimate}" if done else
         f"{len(plan.cases):,} cases{seed}{estimate}")  # fmt: skip
    return row


def _run(
    executor: Executor,
    plan: SweepPlan,
    missing: list[SweepCase],
    folder: SweepFolder,
    known: dict[str, Row],
    tell: OnStage,
    is_stopped: Callable[[], bool],
) -> None:
    rate, told = Rate(len(missing)), 0.0
    for done in executor.run(CasesJob(plan.base), missing, is_stopped=is_stopped):
        key, row = missing[done.place].key, _row(done)
        known[key] = row
        folder.add(key, row)
        rate.done += 1
        now = time.monotonic()
        if now - told >= max(TELL_EVERY_S, TELL_EVERY_FRAC * (now - rate.began)) or rate.done == rate.total:
            tell(rate.words("cases"))
            told = now


def _row(done: Done) -> Row:
    if done.failure is None:
        row: Row = done.value
        return row
    return failed("failed", f"{done.failure}, a bug" if done.is_bug else done.failure)


def _table(plan: SweepPlan, known: dict[str, Row]) -> pd.DataFrame:
    """Return all cases in the order of the plan: axes, the case's key, figures, status, reason."""
    results = pd.DataFrame([known[case.key] for case in plan.cases], columns=list(RESULT_COLUMNS))
    table = plan.frame.assign(case=[case.key for case in plan.cases])
    return pd.concat([table, results], axis=1)
