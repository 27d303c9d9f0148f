"""Share simulated chunks out: in this process, over local processes, or on a Dask cluster.

Local processes are plain interpreters that read a job and chunk numbers from a pipe. They
never run the caller's script again, so no guard is needed around it, and one that dies is
replaced and its chunk done again.
"""

from __future__ import annotations

import os
import pickle
import queue
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence
from importlib import import_module
from pathlib import Path
from typing import Any

from trialkit.design.power.simulate import run_chunk
from trialkit.design.power.simulation_job import Job
from trialkit.errors import TrialkitError

Chunk = tuple[int, int, int]  # end of the variation, number, trials
Result = dict[str, int]
Told = Callable[[int, int], None]
_TRIES = 3  # how often a chunk is handed out before giving up


class WorkerError(TrialkitError):
    """The simulation could not be shared out."""


def run_chunks(
    job: Job,
    chunks: Sequence[Chunk],
    *,
    workers: int | None = None,
    cluster: str | None = None,
    progress: Told | None = None,
) -> list[Result]:
    """Run all chunks and give their results in the order of the chunks.

    Parameters
    ----------
    job : Job
    chunks : sequence of (end, number, trials)
    workers : int, optional
        Local processes; by default one per processor, at most 8, and none for little work.
    cluster : str, optional
        Address of a Dask scheduler.
    progress : callable, optional
        Told (trials done, trials planned).
    """
    total, done = sum(size for _, _, size in chunks), 0
    if progress is not None:
        progress(0, total)

    def tell(size: int) -> None:
        nonlocal done
        done += size
        if progress is not None:
            progress(done, total)

    if cluster is not None:
        return _on_cluster(job, chunks, cluster, tell)
    count = _worker_count(workers, len(chunks))
    if count > 1:
        return _on_processes(job, chunks, count, tell)
    out = []
    for chunk in chunks:
        out.append(run_chunk(job, *chunk))
        tell(chunk[2])
    return out


def _worker_count(workers: int | None, chunks: int) -> int:
    if workers is not None:
        if workers < 1:
            raise WorkerError(f"workers={workers} must be 1 or more")
        return min(workers, chunks)
    if chunks < 12 or not sys.executable:
        return 1
    return min(os.cpu_count() or 1, 8, chunks)


def _on_cluster(
    job: Job, chunks: Sequence[Chunk], address: str, tell: Callable[[int], None]
) -> list[Result]:
    """Send chunks to a Dask scheduler; tasks of a worker that dies are done again there."""
    try:
        distributed: Any = import_module("distributed")
    except ImportError:
        raise WorkerError("a cluster needs Dask: pip install 'dask[distributed]'") from None
    with distributed.Client(address, set_as_default=False) as client, client.as_current():
        futures = {
            client.submit(run_chunk, job, *chunk, pure=False, retries=_TRIES): i
            for i, chunk in enumerate(chunks)
        }
        out: list[Result] = [{} for _ in chunks]
        for future in distributed.as_completed(list(futures)):
            i = futures[future]
            out[i] = future.result()
            tell(chunks[i][2])
    return out


def _on_processes(
    job: Job, chunks: Sequence[Chunk], count: int, tell: Callable[[int], None]
) -> list[Result]:
    """Feed local processes, one thread each, from one queue of chunks."""
    waiting: queue.SimpleQueue[tuple[int, int]] = queue.SimpleQueue()
    for i in range(len(chunks)):
        waiting.put((i, 1))
    finished: queue.SimpleQueue[tuple[int, Result | BaseException]] = queue.SimpleQueue()
    stop = threading.Event()
    threads = [
        threading.Thread(target=_feed, args=(job, chunks, waiting, finished, stop), daemon=True)
        for _ in range(count)
    ]
    for thread in threads:
        thread.start()
    out: list[Result] = [{} for _ in chunks]
    try:
        for _ in chunks:
            i, result = finished.get()
            if isinstance(result, BaseException):
                raise result
            out[i] = result
            tell(chunks[i][2])
    finally:
        stop.set()
        for thread in threads:
            thread.join(timeout=30)
    return out


def _feed(
    job: Job,
    chunks: Sequence[Chunk],
    waiting: queue.SimpleQueue[tuple[int, int]],
    finished: queue.SimpleQueue[tuple[int, Result | BaseException]],
    stop: threading.Event,
) -> None:
    """Keep one process busy until the queue is empty; replace it if it dies."""
    process: subprocess.Popen[bytes] | None = None
    try:
        while not stop.is_set():
            try:
                i, tries = waiting.get_nowait()
            except queue.Empty:
                return
            try:
                if process is None:
                    process = _start(job)
                finished.put((i, _ask(process, chunks[i])))
            except (OSError, EOFError, pickle.UnpicklingError):
                _end(process)
                process = None
                if tries < _TRIES:
                    waiting.put((i, tries + 1))
                else:
                    text = f"a worker process died {_TRIES} times on the same chunk"
                    finished.put((i, WorkerError(text + "; try workers=1")))
    finally:
        _end(process)


def _start(job: Job) -> subprocess.Popen[bytes]:
    root = str(Path(__file__).parents[2])
    known = os.environ.get("PYTHONPATH")
    environment = {
        **os.environ,
        "PYTHONPATH": root if not known else root + os.pathsep + known,
        # each process has one processor: threads in matrix products would only fight
        "OPENBLAS_NUM_THREADS": "1",
        "OMP_NUM_THREADS": "1",
        "MKL_NUM_THREADS": "1",
    }
    process = subprocess.Popen(
        [sys.executable, "-m", "trialkit.design.power.workers"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env=environment,
    )
    _send(process.stdin, job)
    return process


def _ask(process: subprocess.Popen[bytes], chunk: Chunk) -> Result:
    _send(process.stdin, chunk)
    result = pickle.load(process.stdout)  # type: ignore[arg-type]
    if isinstance(result, BaseException):
        raise result
    return dict(result)


def _send(pipe: Any, what: object) -> None:
    pickle.dump(what, pipe)
    pipe.flush()


def _end(process: subprocess.Popen[bytes] | None) -> None:
    if process is None:
        return
    for pipe in (process.stdin, process.stdout):
        try:
            if pipe is not None:
                pipe.close()
        except OSError:
            continue  # the process has gone already
    try:
        process.wait(timeout=5)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def serve() -> None:
    """Be a worker: read a job, then chunks, and answer each, until the pipe closes."""
    source, answers = sys.stdin.buffer, os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever prints goes to the error stream, not between the answers
    try:
        job = pickle.load(source)
        while True:
            chunk = pickle.load(source)
            _send(answers, run_chunk(job, *chunk))
    except EOFError:
        return


if __name__ == "__main__":
    serve()
