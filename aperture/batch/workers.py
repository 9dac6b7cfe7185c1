"""A task for each of many photos, shared among processes of this machine or of a Dask cluster.

Processes and no threads: the libraries underneath keep settings for a whole process, and a decoder that
crashes takes its process with it. joblib starts them and hands out the work, here and on a cluster; each
works with one thread, so that as many as there are processors do not fight each other.
"""

import asyncio
import faulthandler
import logging
import os
import signal
import threading
import time
import warnings
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager
from functools import cache
from itertools import islice
from multiprocessing import TimeoutError as NoAnswer
from multiprocessing import parent_process
from pathlib import Path
from typing import IO, TypeVar

from aperture import __version__
from aperture.errors import SettingsError

Item = TypeVar("Item")
Outcome = TypeVar("Outcome")

# Starting other processes takes longer than this many photos.
FEW_PHOTOS = 2
# How long to wait for a cluster's scheduler, and for its first worker.
CLUSTER_SECONDS = 10.0
# How long processes may take to start, on a slow machine that is busy.
START_SECONDS = 30.0
# Photos handed out for each worker: one that it works on and one that waits for it.
PHOTOS_AHEAD = 2

# What one photo does to settings of its process, a photo in another thread of it must not see. Dask workers
# can have several threads.
_one_at_a_time = threading.Lock()


def run_in_order(
    task: Callable[[Item], Outcome],
    photos: Sequence[Item],
    workers: int,
    died: Callable[[Item, str], Outcome],
    seconds: float = 120.0,
    cluster: str | None = None,
    at_once: Callable[[Item], bool] = lambda photo: False,
) -> Generator[Outcome, None, None]:
    """Do a task for each photo, in several processes if that is worth it; results in the photos' order.

    Parameters
    ----------
    task : what it raises ends the work.
    photos : whatever the task is given.
    workers : how many processes; 0 for one on each processor, and never less than two, so that no photo can
        end the program. With 1, and with few photos, this process does it.
    died : what stands for the result of a photo that ended its process or took more than its time; it is
        given the photo and words that say which. The other photos do not suffer from it.
    seconds : that a photo may take in another process.
    cluster : address of the scheduler of a Dask cluster whose workers do it; then `workers` does not count,
        nor does `at_once`, for the cluster may see other files.
    at_once : which photos need no other process, because hardly anything is to be done.

    Raises
    ------
    SettingsError : "cluster-unusable", the cluster cannot be reached, has no workers, or other versions.
    """
    everywhere = range(len(photos))
    here = frozenset() if cluster else frozenset(number for number in everywhere if at_once(photos[number]))
    with closing(_elsewhere(task, photos, here, workers, died, seconds, cluster)) as others:
        for number in everywhere:
            yield task(photos[number]) if number in here else next(others)


def _elsewhere(
    task: Callable[[Item], Outcome],
    photos: Sequence[Item],
    here: frozenset[int],
    workers: int,
    died: Callable[[Item, str], Outcome],
    seconds: float,
    cluster: str | None,
) -> Generator[Outcome, None, None]:
    """As `run_in_order`, without the photos whose numbers are in `here`."""
    numbered = {number: photo for number, photo in enumerate(photos) if number not in here}
    if cluster is None and (workers == 1 or len(numbered) <= FEW_PHOTOS):
        yield from map(task, numbered.values())
        return
    order = iter(tuple(numbered))
    due = next(order, None)
    early: dict[int, Outcome] = {}
    # A worker that takes too long ends itself; only one that stands still, or is far away, is silent.
    silence = 2 * seconds if cluster else seconds + START_SECONDS
    with (
        _crew(workers, len(numbered), cluster) as size,
        closing(_answers(task, numbered, size, died, seconds, silence)) as answers,
    ):
        for number, outcome in answers:
            early[number] = outcome
            while due in early:
                yield early.pop(due)
                due = next(order, None)


@contextmanager
def _crew(workers: int, most: int, cluster: str | None) -> Iterator[int]:
    """See to it that joblib uses processes of this machine or the cluster's; yields how many work at once.

    Of this machine's, no more than `most`.
    """
    # Importing joblib takes a third of a second, which one photo can do without.
    from joblib import parallel_config

    if cluster is None:
        size = min(workers or max(2, os.cpu_count() or 1), most)
        with parallel_config(backend="loky", n_jobs=size, inner_max_num_threads=1):
            yield size
        return
    try:
        from distributed import Client
    except ModuleNotFoundError as error:
        words = f"{error.name} is missing: .venv/bin/pip install '.[cluster]'"
        raise SettingsError("cluster-unusable", words) from error
    # What it means for the photos is said in our own words.
    for name in ("distributed.client", "tornado.application"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        # A client that cannot connect takes its time to give up, and complains once more at the end.
        asyncio.run(_reach(cluster))
        client = Client(cluster, timeout=CLUSTER_SECONDS, set_as_default=False)
    # A wrong address, a wrong kind of address, nobody there: each raises something else.
    except Exception as error:
        raise SettingsError("cluster-unusable", f"{cluster}: {error}") from error
    with client, parallel_config(backend="dask", client=client):
        try:
            client.wait_for_workers(1, timeout=CLUSTER_SECONDS)
            # The scheduler unpacks the tasks, too, and joblib does not hear of it when that fails.
            versions = {client.run_on_scheduler(_version), *client.run(_version).values()}
        except Exception as error:
            raise SettingsError("cluster-unusable", f"{cluster}: {error}") from error
        if versions != {__version__}:
            others = ", ".join(sorted(versions - {__version__}))
            raise SettingsError("cluster-unusable", f"here is aperture {__version__}, there {others}.")
        yield sum(client.ncores().values())


async def _reach(scheduler: str) -> None:
    """Raise unless something answers at an address; which exception depends on the kind of address."""
    from distributed.comm import connect, get_address_host_port
    from distributed.security import Security

    get_address_host_port(scheduler)
    reached = await connect(scheduler, timeout=CLUSTER_SECONDS, **Security().get_connection_args("client"))
    await reached.close()


def _answers(
    task: Callable[[Item], Outcome],
    waiting: dict[int, Item],
    size: int,
    died: Callable[[Item, str], Outcome],
    seconds: float,
    silence: float,
) -> Generator[tuple[int, Outcome], None, None]:
    """The number of each photo and what came of it, in the order in which the answers come.

    A worker ends itself over a photo that takes too long, unless something has stopped it. And that a worker
    of a cluster ended, joblib does not hear (1.6.0: its Dask backend passes on no failure but the task's
    own). There it is `silence` that tells: so many seconds without any answer. joblib ends the workers then.

    joblib ends all of the work when a process ends. Then one of the photos that were handed out did it; they
    are done one at a time until it is found, and the rest goes on as before.
    """
    from joblib.externals.loky.process_executor import BrokenProcessPool

    while waiting:
        try:
            for number, outcome in _in_parallel(task, waiting, size, seconds, silence):
                del waiting[number]
                yield number, outcome
        except (BrokenProcessPool, NoAnswer):
            for number, photo in list(islice(waiting.items(), size * PHOTOS_AHEAD)):
                found = False
                begun = time.monotonic()
                try:
                    ((_, outcome),) = _in_parallel(task, {number: photo}, size, seconds, silence)
                except (BrokenProcessPool, NoAnswer):
                    found = True
                    outcome = died(photo, _what_happened(time.monotonic() - begun, seconds))
                del waiting[number]
                yield number, outcome
                if found:
                    break


def _in_parallel(
    task: Callable[[Item], Outcome], photos: dict[int, Item], size: int, seconds: float, silence: float
) -> Iterator[tuple[int, Outcome]]:
    """Do the task for numbered photos; each number with its outcome, in the order in which they come."""
    from joblib import Parallel, delayed

    parallel = Parallel(
        return_as="generator_unordered", batch_size=1, pre_dispatch=size * PHOTOS_AHEAD, timeout=silence
    )
    tasks = [delayed(_as_worker)(task, number, photo, seconds) for number, photo in photos.items()]
    with ExitStack() as at_the_end:
        with _unheard_by_children():
            answers = parallel(tasks)
            at_the_end.callback(_close, answers)
        # Not "yield from": who stops would close joblib's generator first, and that complains.
        for answer in answers:  # noqa: UP028
            yield answer


def _close(answers: Generator[object, None, None]) -> None:
    with warnings.catch_warnings():
        # Whoever asked may stop early; the work that was started in vain is no news to them.
        warnings.simplefilter("ignore")
        answers.close()


@contextmanager
def _unheard_by_children() -> Iterator[None]:
    """Processes that are started meanwhile do not hear Ctrl-C, which a terminal sends to every one of them.

    This one hears it a moment later. Windows has no such thing: there a worker that is only just starting may
    say a last word.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    from multiprocessing import resource_tracker

    resource_tracker.ensure_running()  # to start it opens the ears again (Python 3.11)
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _what_happened(took: float, seconds: float) -> str:
    if took >= seconds:
        return f"no answer within {seconds:g} seconds"
    return "the process ended without a word; is there too little memory?"


# --- in the worker ------------------------------------------------------------------------------------


def _as_worker(
    task: Callable[[Item], Outcome], number: int, photo: Item, seconds: float
) -> tuple[int, Outcome]:
    """Do the task in a process that is one of several; a photo that takes too long ends the process."""
    with _one_at_a_time:
        # This clock runs outside of Python, so that it ends even a library that never comes back.
        faulthandler.dump_traceback_later(seconds, exit=True, file=_prepared())
        try:
            return number, task(photo)
        finally:
            faulthandler.cancel_dump_traceback_later()


@cache
def _prepared() -> IO[str]:
    """Prepare this process, once, for work beside others; returns where a traceback troubles nobody."""
    import cv2

    cv2.setNumThreads(1)
    if "PYTHONFAULTHANDLER" not in os.environ:
        # joblib switches it on. Of a process that crashes the photo's result tells, in words.
        faulthandler.disable()
    # In a Dask worker it is another thread that works, and Dask looks after the process.
    if threading.current_thread() is threading.main_thread():
        # The terminal sends Ctrl-C to every process; the first one ends the others.
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        threading.Thread(target=_end_with_the_program, daemon=True).start()
    return Path(os.devnull).open("w")


def _end_with_the_program() -> None:
    """However the program ends, even if it is killed, its workers do not stay behind."""
    program = parent_process()
    assert program is not None
    if os.name == "nt":
        program.join()
    else:
        # joblib's processes cannot be joined there, but an orphan gets another parent.
        while os.getppid() == program.pid:
            time.sleep(0.5)
    os._exit(1)


def _version() -> str:
    return __version__
