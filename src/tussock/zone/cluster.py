"""In: a function, jobs, the address of a dask scheduler. Out: the results, as they are done."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Any, Final, TypeVar

from tussock.base.errors import CutError, Fault, InputError, MissingExtraError

Job = TypeVar("Job")
Result = TypeVar("Result")

#: A job whose worker is lost is handed out again this often.
RETRIES: Final = 3
#: Jobs that are out at a time for each thread of the cluster, so that few wait in memory.
_AHEAD: Final = 2
_CONNECT_S: Final = 20


def run_on_dask(work: Callable[[Job], Result], jobs: Iterable[Job], scheduler: str) -> Iterator[Result]:
    """Run jobs on a dask scheduler and return the results in the order in which they are done.

    Parameters
    ----------
    work
        What is done with a job; it and the jobs can be pickled.
    jobs
        Made when there is room for them: at most two for each thread of the cluster are out at a time.
    scheduler
        Address, such as ``tcp://host:8786``.

    Raises
    ------
    MissingExtraError
        Dask is not installed.
    InputError
        Nothing answers at the address, or the workers have other versions than this process.
    CutError
        A job was lost with its worker more than `RETRIES` times.
    """
    try:
        from dask.distributed import Client, KilledWorker, as_completed
    except ImportError as error:
        raise MissingExtraError('a scheduler needs dask: pip install "tussock[dask]"') from error
    waiting = iter(jobs)
    with _connect(Client, scheduler) as client:
        room = max(_AHEAD * sum(client.nthreads().values()), _AHEAD)

        def send(count: int) -> list[Any]:
            sent = []
            for _ in range(count):
                job = next(waiting, None)
                if job is None:
                    break
                sent.append(client.submit(_work_and_tell, work, job, retries=RETRIES, pure=False))
            return sent

        done: Any = as_completed(send(room), loop=client.loop)  # type: ignore[no-untyped-call]
        for future in done:
            try:
                result, made_by = future.result()
            except KilledWorker as error:
                raise CutError(f"a part was lost with its worker more than {RETRIES} times: {error}") from error
            _check_versions(made_by, scheduler)
            future.release()
            for more in send(1):
                done.add(more)
            yield result


def _connect(client: Any, scheduler: str) -> Any:
    try:
        return client(scheduler, set_as_default=False, timeout=_CONNECT_S)
    except (OSError, ValueError) as error:
        need = "start one, or give the address that it shows, such as tcp://host:8786"
        raise InputError(Fault("scheduler", f'"{scheduler}"', "no dask scheduler that answers", need)) from error


def _work_and_tell(work: Callable[[Job], Result], job: Job) -> tuple[Result, tuple[str, str]]:
    """Do a job and say by which versions."""
    return work(job), _versions()


def _versions() -> tuple[str, str]:
    import shapely

    from tussock import __version__

    return __version__, shapely.geos_version_string


def _check_versions(made_by: tuple[str, str], scheduler: str) -> None:
    own = _versions()
    if made_by != own:
        found = f"a worker with tussock {made_by[0]} and GEOS {made_by[1]}, here they are {own[0]} and {own[1]}"
        need = "install the same versions on the workers: results would differ in the last digits"
        raise InputError(Fault("scheduler", f'"{scheduler}"', found, need))
