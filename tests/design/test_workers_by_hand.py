"""A chunk whose worker dies is handed out as often as the error says, and no oftener."""

import queue
import re
import threading

from trialkit.design.power import workers


def test_a_chunk_is_given_up_after_as_many_tries_as_are_told(monkeypatch):
    asked = []

    def dies(_process, chunk):
        asked.append(chunk)
        raise OSError("the worker is gone")

    monkeypatch.setattr(workers, "_start", lambda _job: None)
    monkeypatch.setattr(workers, "_ask", dies)
    waiting, finished = queue.SimpleQueue(), queue.SimpleQueue()
    waiting.put((0, 1))
    workers._feed(None, [(0, 0, 10)], waiting, finished, threading.Event())
    at, problem = finished.get_nowait()
    assert at == 0
    (told,) = re.findall(r"died (\d+) times", str(problem))
    assert len(asked) == int(told)
    assert finished.empty()
